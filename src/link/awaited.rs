//! A connection that is awaited instead of waited for, so that one thread holds thousands of them.
//!
//! Does not: have a thread, or serve a serial line (its silences are shorter than the timers here are fine).
//!
//! # Invariants
//! - Works only inside a runtime that moves its timers and sockets: [`super::side_by_side`], or somebody's own.

use std::future::Future;
use std::pin::Pin;
use std::task::{Context, Poll, ready};
use std::time::Duration;

use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::TcpStream;
use tokio::time::{Instant, Sleep, sleep};

use super::clock::Clock;
use super::tcp::TcpOpener;
use super::worker::{Opener as _, WRITE_TIME_OUT};
use super::{Arrived, Interrupt, OpenError, Port, PortGone};
use crate::event::LinkFacts;

/// Bytes taken at once: more than the longest frame.
const AT_ONCE: usize = 1024;

type Opened = Result<(TcpStream, bool), OpenError>;

/// A connection to a gateway.
pub(super) struct AwaitedPort {
    facts: LinkFacts,
    opener: TcpOpener,
    clock: Clock,
    interrupt: Interrupt,
    /// Ready once the user stops.
    stopped: Pin<Box<dyn Future<Output = ()> + Send>>,
    stream: Option<TcpStream>,
    gone: Option<PortGone>,
    timer: Timer,
    /// A connection being made.
    opening: Option<Pin<Box<dyn Future<Output = Opened> + Send>>>,
    /// Bytes of the present sending that are with the system, and when it is given up.
    sending: Option<(usize, Duration)>,
}

/// One timer, set anew where another moment is waited for.
struct Timer {
    sleep: Pin<Box<Sleep>>,
    until: Option<Duration>,
}

impl Timer {
    fn new() -> Self {
        Self {
            sleep: Box::pin(sleep(Duration::ZERO)),
            until: None,
        }
    }

    fn poll(&mut self, cx: &mut Context<'_>, clock: Clock, until: Duration) -> Poll<()> {
        loop {
            let left = until.saturating_sub(clock.now());
            if left.is_zero() {
                return Poll::Ready(());
            }
            if self.until != Some(until) || self.sleep.is_elapsed() {
                self.sleep.as_mut().reset(soon(left));
                self.until = Some(until);
            }
            ready!(self.sleep.as_mut().poll(cx));
        }
    }
}

fn soon(left: Duration) -> Instant {
    Instant::now() + left
}

impl AwaitedPort {
    /// Connects.
    pub(super) async fn open(
        opener: TcpOpener,
        facts: LinkFacts,
        interrupt: Interrupt,
        clock: Clock,
    ) -> Result<Self, OpenError> {
        let stopped = interrupt.clone();
        let (stream, _) = tokio::select! {
            opened = opener.clone().open() => opened?,
            () = stopped.clone().wait() => return Err(OpenError::Interrupted),
        };
        Ok(Self {
            facts,
            opener,
            clock,
            stopped: Box::pin(stopped.wait()),
            interrupt,
            stream: Some(stream),
            gone: None,
            timer: Timer::new(),
            opening: None,
            sending: None,
        })
    }

    /// Whether the user stops; whoever waits is woken when that happens.
    fn is_stopped(&mut self, cx: &mut Context<'_>) -> bool {
        self.interrupt.raised() || self.stopped.as_mut().poll(cx).is_ready()
    }

    fn lose(&mut self, why: PortGone) -> PortGone {
        self.stream = None;
        self.sending = None;
        self.gone.insert(why).clone()
    }

    fn poll_read(&mut self, cx: &mut Context<'_>) -> Poll<Arrived> {
        let Some(stream) = &mut self.stream else {
            let gone = self.gone.clone().unwrap_or(PortGone::Closed);
            return Poll::Ready(Arrived::Gone(gone));
        };
        let mut buffer = [0; AT_ONCE];
        let mut read = ReadBuf::new(&mut buffer);
        let result = ready!(Pin::new(stream).poll_read(cx, &mut read));
        Poll::Ready(match result {
            Ok(()) if read.filled().is_empty() => Arrived::Gone(self.lose(PortGone::Closed)),
            Ok(()) => Arrived::Bytes(self.clock.now(), read.filled().to_vec()),
            Err(error) => {
                let why = self.opener.broken(&error);
                Arrived::Gone(self.lose(why))
            }
        })
    }
}

/// What a call that blocks is told here.
fn not_blocking() -> PortGone {
    PortGone::Broken {
        why: "it must be awaited".to_owned(),
    }
}

impl Port for AwaitedPort {
    fn facts(&self) -> &LinkFacts {
        &self.facts
    }

    fn now(&self) -> Duration {
        self.clock.now()
    }

    fn wall(&self) -> Option<Duration> {
        Some(super::clock::since_1970())
    }

    fn send(&mut self, _: &[u8]) -> Result<Duration, PortGone> {
        Err(not_blocking())
    }

    fn wait(&mut self, _: Duration) -> Arrived {
        Arrived::Gone(not_blocking())
    }

    fn rest(&mut self, _: Duration) -> bool {
        !self.interrupt.raised()
    }

    fn reopen(&mut self) -> Result<(), PortGone> {
        Err(not_blocking())
    }

    fn poll_send(
        &mut self,
        cx: &mut Context<'_>,
        bytes: &[u8],
    ) -> Poll<Result<Duration, PortGone>> {
        let now = self.clock.now();
        let (mut sent, give_up) = self.sending.unwrap_or((0, now + WRITE_TIME_OUT));
        while let (Some(stream), Some(left)) = (&mut self.stream, bytes.get(sent..)) {
            if left.is_empty() {
                self.sending = None;
                return Poll::Ready(Ok(now));
            }
            self.sending = Some((sent, give_up));
            match Pin::new(stream).poll_write(cx, left) {
                Poll::Ready(Ok(count)) => sent += count,
                Poll::Ready(Err(error)) => {
                    let why = self.opener.broken(&error);
                    return Poll::Ready(Err(self.lose(why)));
                }
                Poll::Pending => {
                    ready!(self.timer.poll(cx, self.clock, give_up));
                    let waited = WRITE_TIME_OUT;
                    return Poll::Ready(Err(self.lose(PortGone::Stuck { waited })));
                }
            }
        }
        Poll::Ready(Err(self.gone.clone().unwrap_or(PortGone::Closed)))
    }

    fn poll_wait(&mut self, cx: &mut Context<'_>, until: Duration) -> Poll<Arrived> {
        if self.is_stopped(cx) {
            return Poll::Ready(Arrived::Interrupted);
        }
        if let Poll::Ready(arrived) = self.poll_read(cx) {
            return Poll::Ready(arrived);
        }
        self.timer
            .poll(cx, self.clock, until)
            .map(|()| Arrived::Nothing)
    }

    fn poll_rest(&mut self, cx: &mut Context<'_>, until: Duration) -> Poll<bool> {
        if self.is_stopped(cx) {
            return Poll::Ready(false);
        }
        self.timer.poll(cx, self.clock, until).map(|()| true)
    }

    fn poll_reopen(&mut self, cx: &mut Context<'_>) -> Poll<Result<(), PortGone>> {
        self.stream = None;
        self.sending = None;
        let opener = &self.opener;
        let opening = self
            .opening
            .get_or_insert_with(|| Box::pin(opener.clone().open()));
        let opened = match opening.as_mut().poll(cx) {
            Poll::Ready(opened) => opened,
            Poll::Pending if self.is_stopped(cx) => Err(OpenError::Interrupted),
            Poll::Pending => return Poll::Pending,
        };
        self.opening = None;
        Poll::Ready(match opened {
            Ok((stream, _)) => {
                self.stream = Some(stream);
                self.gone = None;
                Ok(())
            }
            Err(error) => Err(self.lose(PortGone::StillGone {
                why: error.to_string(),
            })),
        })
    }
}
