//! A Modbus TCP connection that is waited for on the caller's own thread: a question costs no way to another
//! thread and back, which was half of its processor time.
//!
//! Does not: serve where bytes may come unasked. Such a line is read by a thread of its own
//! ([`super::worker`]), so that each byte is stamped when it came, whatever the caller is doing.
//!
//! # Invariants
//! - Not made inside somebody's runtime, which could not be blocked.

use std::future::poll_fn;
use std::task::{Context, Poll};
use std::time::Duration;

use tokio::runtime::{Builder, Handle, Runtime};

use super::awaited::AwaitedPort;
use super::clock::Clock;
use super::tcp::TcpOpener;
use super::{Arrived, Interrupt, OpenError, Port, PortGone};
use crate::event::LinkFacts;

/// A connection to a gateway.
pub(super) struct OwnThreadPort {
    /// Moves the sockets and timers of the port, while it is waited for. There until the end.
    runtime: Option<Runtime>,
    port: AwaitedPort,
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
        let runtime = Builder::new_current_thread().enable_all().build();
        let runtime = runtime.map_err(|error| OpenError::NoThread {
            why: error.to_string(),
        })?;
        match runtime.block_on(AwaitedPort::open(opener, facts, interrupt, clock)) {
            Ok(port) => Ok(Self {
                runtime: Some(runtime),
                port,
            }),
            Err(error) => {
                runtime.shutdown_background();
                Err(error)
            }
        }
    }
}

impl Drop for OwnThreadPort {
    fn drop(&mut self) {
        // A name look-up may still hang in the system; nobody waits for it.
        if let Some(runtime) = self.runtime.take() {
            runtime.shutdown_background();
        }
    }
}

impl OwnThreadPort {
    /// Blocks until a call of the port is ready. Nothing once the port is let go.
    fn block<T>(
        &mut self,
        mut call: impl FnMut(&mut AwaitedPort, &mut Context<'_>) -> Poll<T>,
    ) -> Option<T> {
        let Self { runtime, port } = self;
        Some(runtime.as_ref()?.block_on(poll_fn(|cx| call(port, cx))))
    }
}

impl Port for OwnThreadPort {
    fn facts(&self) -> &LinkFacts {
        self.port.facts()
    }

    fn now(&self) -> Duration {
        self.port.now()
    }

    fn utc(&self) -> Option<String> {
        self.port.utc()
    }

    fn send(&mut self, bytes: &[u8]) -> Result<Duration, PortGone> {
        let sent = self.block(|port, cx| port.poll_send(cx, bytes));
        sent.unwrap_or(Err(PortGone::Closed))
    }

    fn wait(&mut self, until: Duration) -> Arrived {
        if let Some(runtime) = self.runtime.as_ref().filter(|_| until <= self.now()) {
            // What lies waiting is seen only once the runtime has asked the system for it.
            runtime.block_on(tokio::task::yield_now());
        }
        let arrived = self.block(|port, cx| port.poll_wait(cx, until));
        arrived.unwrap_or(Arrived::Gone(PortGone::Closed))
    }

    fn rest(&mut self, until: Duration) -> bool {
        let rested = self.block(|port, cx| port.poll_rest(cx, until));
        rested.unwrap_or(false)
    }

    fn reopen(&mut self) -> Result<(), PortGone> {
        let opened = self.block(AwaitedPort::poll_reopen);
        opened.unwrap_or(Err(PortGone::Closed))
    }
}
