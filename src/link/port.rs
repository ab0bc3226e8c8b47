//! What every way to the unit can do: move bytes, wait, and tell the time it moved them.
//!
//! Real ports and the simulator's virtual line stand behind the same trait, so everything above
//! is tested without a wire and never reads a clock itself.
//!
//! A port either blocks (a serial adapter, whose silences need exact times, and virtual time) or can be
//! awaited, so that thousands of connections share one thread. Everything above is written once, over
//! the `poll_` calls: what blocks is ready at the first of them.
//!
//! Does not: know frames, or decide whether sending is right (see [`crate::link::Quiet`], which
//! keeps the port to itself until that is shown).

use std::task::{Context, Poll};
use std::time::Duration;

use packside_profiles::LineSettings;

use crate::event::BadCharacters;
use crate::event::LinkFacts;
use crate::session::PortGone;
use crate::wire::Framing;

/// A line or connection that carries bytes both ways. Times count from the start of the session.
pub trait Port: Send {
    /// What kind of link it is.
    fn facts(&self) -> &LinkFacts;

    /// The time now.
    fn now(&self) -> Duration;

    /// The wall clock, since 1970; nothing where time is only virtual.
    fn wall(&self) -> Option<Duration> {
        None
    }

    /// Hands bytes to the line. Returns the time at which the write returned, which on a serial
    /// line is before the last bit has left.
    ///
    /// # Errors
    /// Where the port is gone.
    fn send(&mut self, bytes: &[u8]) -> Result<Duration, PortGone>;

    /// Waits until something comes or `until` has passed, exactly: no earlier, and later only by
    /// what the computer is late.
    fn wait(&mut self, until: Duration) -> Arrived;

    /// Which of the bytes that the last wait brought are bad (parity or stop bit), by place; nothing
    /// where the port gives no marks.
    fn marks(&mut self) -> Option<Vec<usize>> {
        None
    }

    /// Lets time pass while the port is gone. `false` where the user wants to stop.
    fn rest(&mut self, until: Duration) -> bool;

    /// Opens the same port again after it was gone, or to have a fresh one.
    ///
    /// # Errors
    /// Where it is still gone.
    fn reopen(&mut self) -> Result<(), PortGone>;

    /// Gives an open line other settings. What was sent before has left by then.
    ///
    /// # Errors
    /// Where the port is gone, is no line, or does not know these settings.
    fn set_line(&mut self, line: LineSettings, bad: BadCharacters) -> Result<(), PortGone> {
        let _ = bad;
        Err(PortGone::Broken {
            why: format!("it has no line settings, {line} was wanted"),
        })
    }

    /// [`Port::send`], for ports that are awaited. The same bytes until it is ready.
    fn poll_send(&mut self, _: &mut Context<'_>, bytes: &[u8]) -> Poll<Result<Duration, PortGone>> {
        Poll::Ready(self.send(bytes))
    }

    /// [`Port::wait`], for ports that are awaited. Ready at once where `until` has passed.
    fn poll_wait(&mut self, _: &mut Context<'_>, until: Duration) -> Poll<Arrived> {
        Poll::Ready(self.wait(until))
    }

    /// [`Port::rest`], for ports that are awaited.
    fn poll_rest(&mut self, _: &mut Context<'_>, until: Duration) -> Poll<bool> {
        Poll::Ready(self.rest(until))
    }

    /// [`Port::reopen`], for ports that are awaited.
    fn poll_reopen(&mut self, _: &mut Context<'_>) -> Poll<Result<(), PortGone>> {
        Poll::Ready(self.reopen())
    }

    /// Line settings, where there is a line.
    fn line(&self) -> Option<LineSettings> {
        self.facts().line()
    }

    /// Framing on this link.
    fn framing(&self) -> Framing {
        self.facts().framing
    }
}

/// What a wait brought.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Arrived {
    /// Bytes, with the time at which the read returned.
    Bytes(Duration, Vec<u8>),
    /// Nothing until the given time.
    Nothing,
    /// The port is gone. Later waits say so again until it is reopened.
    Gone(PortGone),
    /// The user wants to stop.
    Interrupted,
}
