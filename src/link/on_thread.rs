//! A Modbus TCP connection that is waited for on the caller's own thread, with nothing between it and the
//! socket: a question costs no way to another thread and back, and no turn of a runtime.
//!
//! Does not: serve where bytes may come unasked. Such a line is read by a thread of its own
//! ([`super::worker`]), so that each byte is stamped when it came, whatever the caller is doing.
//!
//! # Invariants
//! - Not made inside somebody's runtime, which could not be blocked.

use std::io::{ErrorKind, Read as _, Write as _};
use std::net::TcpStream;
use std::time::Duration;

use rustix::event::{PollFd, PollFlags, Timespec, poll};
use tokio::runtime::{Builder, Handle};

use super::clock::Clock;
use super::tcp::TcpOpener;
use super::worker::{Opener as _, SLICE, WRITE_TIME_OUT, sleep};
use super::{Arrived, Interrupt, OpenError, Port, PortGone, platform};
use crate::event::LinkFacts;

/// Bytes taken at once: more than the longest frame.
const AT_ONCE: usize = 1024;

/// A connection to a gateway.
pub(super) struct OwnThreadPort {
    facts: LinkFacts,
    opener: TcpOpener,
    clock: Clock,
    interrupt: Interrupt,
    /// Blocks for at most [`SLICE`] in reading; nothing once it is gone.
    stream: Option<TcpStream>,
    gone: Option<PortGone>,
}

impl OwnThreadPort {
    /// Whether the caller may be blocked here.
    pub(super) fn can_be() -> bool {
        Handle::try_current().is_err()
    }

    /// Connects.
    pub(super) fn open(
        opener: TcpOpener,
        facts: LinkFacts,
        interrupt: Interrupt,
        clock: Clock,
    ) -> Result<Self, OpenError> {
        let stream = Some(connected(&opener, &interrupt)?);
        Ok(Self {
            facts,
            opener,
            clock,
            interrupt,
            stream,
            gone: None,
        })
    }

    fn lose(&mut self, why: PortGone) -> PortGone {
        self.stream = None;
        self.gone.insert(why).clone()
    }
}

/// Waits until there is something to read, so long and no longer than [`SLICE`].
fn is_readable(stream: &TcpStream, left: Duration) -> bool {
    let left = Timespec::try_from(left.min(SLICE)).ok();
    // An error of the stream is something to read. A signal is not: then it is time to look at the interrupt.
    poll(&mut [PollFd::new(stream, PollFlags::IN)], left.as_ref()).is_ok_and(|ready| ready > 0)
}

/// Connects, with all time limits, in a runtime that lasts no longer.
fn connected(opener: &TcpOpener, interrupt: &Interrupt) -> Result<TcpStream, OpenError> {
    let no_runtime = |error: std::io::Error| OpenError::NoThread {
        why: error.to_string(),
    };
    let runtime = Builder::new_current_thread().enable_all().build();
    let runtime = runtime.map_err(no_runtime)?;
    let opened = runtime.block_on(async {
        tokio::select! {
            opened = opener.clone().open() => blocking(opened?.0).map_err(no_runtime),
            () = interrupt.clone().wait() => Err(OpenError::Interrupted),
        }
    });
    // A name look-up may still hang in the system; nobody waits for it.
    runtime.shutdown_background();
    opened
}

/// The same connection outside of the runtime.
fn blocking(stream: tokio::net::TcpStream) -> std::io::Result<TcpStream> {
    let stream = stream.into_std()?;
    stream.set_nonblocking(false)?;
    stream.set_read_timeout(Some(SLICE))?;
    stream.set_write_timeout(Some(WRITE_TIME_OUT))?;
    Ok(stream)
}

/// Whether a call ended because its time was over.
fn is_over(error: &std::io::Error) -> bool {
    matches!(error.kind(), ErrorKind::WouldBlock | ErrorKind::TimedOut)
}

impl Port for OwnThreadPort {
    fn facts(&self) -> &LinkFacts {
        &self.facts
    }

    fn now(&self) -> Duration {
        self.clock.now()
    }

    fn wall(&self) -> Option<Duration> {
        Some(super::clock::since_1970())
    }

    fn send(&mut self, bytes: &[u8]) -> Result<Duration, PortGone> {
        let Some(stream) = &mut self.stream else {
            return Err(self.gone.clone().unwrap_or(PortGone::Closed));
        };
        match stream.write_all(bytes) {
            Ok(()) => Ok(self.clock.now()),
            Err(error) if is_over(&error) => {
                let waited = WRITE_TIME_OUT;
                Err(self.lose(PortGone::Stuck { waited }))
            }
            Err(error) => Err(self.lose(self.opener.broken(&error))),
        }
    }

    fn wait(&mut self, until: Duration) -> Arrived {
        loop {
            if self.interrupt.raised() {
                return Arrived::Interrupted;
            }
            let Some(stream) = &mut self.stream else {
                return Arrived::Gone(self.gone.clone().unwrap_or(PortGone::Closed));
            };
            let left = until.saturating_sub(self.clock.now());
            // A read that blocks costs least and ends late by some milliseconds: not for the last of the time.
            let may_block = platform::READS_END_IN_TIME && left > 2 * SLICE;
            if !may_block && !is_readable(stream, left) {
                if left.is_zero() {
                    return Arrived::Nothing;
                }
                continue;
            }
            let mut buffer = [0; AT_ONCE];
            match stream.read(&mut buffer) {
                Ok(0) => return Arrived::Gone(self.lose(PortGone::Closed)),
                Ok(count) => {
                    let bytes = buffer.get(..count).unwrap_or_default();
                    return Arrived::Bytes(self.clock.now(), bytes.to_vec());
                }
                Err(error) if is_over(&error) || error.kind() == ErrorKind::Interrupted => {}
                Err(error) => return Arrived::Gone(self.lose(self.opener.broken(&error))),
            }
        }
    }

    fn rest(&mut self, until: Duration) -> bool {
        sleep(self.clock, &self.interrupt, until)
    }

    fn reopen(&mut self) -> Result<(), PortGone> {
        self.stream = None;
        match connected(&self.opener, &self.interrupt) {
            Ok(stream) => {
                self.stream = Some(stream);
                self.gone = None;
                Ok(())
            }
            Err(error) => Err(self.lose(PortGone::StillGone {
                why: error.to_string(),
            })),
        }
    }
}
