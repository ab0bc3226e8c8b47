//! What every way to the unit can do: move bytes, wait, and tell the time it moved them.
//!
//! Real ports and the simulator's virtual line stand behind the same trait, so everything above
//! is tested without a wire and never reads a clock itself.
//!
//! Does not: know frames, or decide whether sending is right (see [`crate::link::Quiet`], which
//! keeps the port to itself until that is shown).

use std::time::Duration;

use packside_profiles::LineSettings;

use crate::event::BadCharacters;
use crate::event::LinkFacts;
use crate::wire::Framing;

/// A line or connection that carries bytes both ways. Times count from the start of the session.
pub trait Port {
    /// What kind of link it is.
    fn facts(&self) -> &LinkFacts;

    /// The time now.
    fn now(&self) -> Duration;

    /// The wall clock, RFC 3339 in UTC; nothing where time is only virtual.
    fn utc(&self) -> Option<String> {
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

/// Why a port that was open moves no bytes any more.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum PortGone {
    /// A tty that reads zero bytes or refuses: the adapter was pulled out.
    #[error("the serial adapter is gone")]
    Adapter,
    /// The other side ended the connection.
    #[error("the connection was closed by the other side")]
    Closed,
    /// The connection broke.
    #[error("the connection broke: {why}")]
    Broken {
        /// As the system says it.
        why: String,
    },
    /// Sent bytes were not taken for seconds.
    #[error("the port took no bytes for {waited:?}")]
    Stuck {
        /// How long we waited.
        waited: Duration,
    },
    /// Opening it again failed.
    #[error("could not be opened again: {why}")]
    StillGone {
        /// Message of the opening.
        why: String,
    },
}
