//! What can go wrong with a link that was open, sorted by who can do something about it, and why asking
//! was not begun.
//!
//! Texts are in the shape *what failed: why*, without a full stop; a hint is one action, given only where
//! its cause was seen. Does not: open anything (what can go wrong there is [`crate::link::OpenError`]).

use std::time::Duration;

use crate::listen::Speaks;
use crate::wire::Ask;

/// Whose business a trouble is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Blame {
    /// This computer: port missing, busy, forbidden.
    ThisComputer,
    /// The way to the unit: name, network, gateway, wire.
    Path,
    /// How the tool was used.
    Usage,
    /// Nobody: the user stopped it.
    Stopped,
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
    /// It was lost again and again, without an answer between.
    #[error("{why}, again and again, and nothing answers between")]
    Unanswered {
        /// Why it was lost.
        why: String,
    },
    /// Opening it again failed.
    #[error("could not be opened again: {why}")]
    StillGone {
        /// Message of the opening.
        why: String,
    },
}

/// Why asking was not begun.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum NotShown {
    /// The line was not silent for the window.
    #[error(
        "not asking: the line was heard for only {silent:.1?} without a byte, {window:.1?} are needed"
    )]
    NotSilent {
        /// Silence so far.
        silent: Duration,
        /// Silence needed.
        window: Duration,
    },
    /// No time was given to listen.
    #[error(
        "not asking: without listening first it is not shown that nobody else asks on this line"
    )]
    NotListened,
    /// Asking may wake the unit.
    #[error(
        "not asking: {why}; any question may then wake the unit, and it may close its switches"
    )]
    MayWake {
        /// What makes it possible.
        why: MayWake,
    },
}

impl NotShown {
    /// The one thing to do.
    pub fn hint(&self) -> &'static str {
        match self {
            Self::NotSilent { .. } => {
                "listen longer (--listen-first), or make sure that nobody is harmed and give --beside-others"
            }
            Self::NotListened => {
                "leave --listen-first out, or make sure that nobody else asks and give --beside-others"
            }
            Self::MayWake { .. } => {
                "make sure that nobody works at the terminals, then give --may-wake"
            }
        }
    }
}

/// What makes it possible that a question of ours wakes the unit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum MayWake {
    /// Nothing is known about the unit.
    #[error("no profile is known yet")]
    NoProfile,
    /// Any valid request counts as a sign of life.
    #[error("this unit takes any request for its inverter")]
    AnyRequest,
    /// The profile does not know.
    #[error("the profile does not know what this unit takes for its inverter")]
    Unknown,
    /// A planned read is one of those that count.
    #[error("this unit takes a read of some of these registers for its inverter")]
    PlannedRead,
}

/// Why an exchange did not come about, or had to end.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum LinkTrouble {
    /// The port is gone and did not come back.
    #[error("the link is lost: {0}")]
    Lost(PortGone),
    /// The user wants to stop.
    #[error("stopped")]
    Interrupted,
    /// Someone else asks on this line. From here on only listening is right.
    #[error(
        "someone else asks on this line (unit {unit}, function {function:02x}); not asking any more"
    )]
    SomeoneElseAsks {
        /// When it was heard.
        at: Duration,
        /// Unit address asked.
        unit: u8,
        /// Function code.
        function: u8,
    },
    /// Bytes come without a pause, so a request of ours would collide.
    #[error("not asking: the line was never silent for a frame gap in {waited:?}")]
    NeverSilent {
        /// How long we waited.
        waited: Duration,
    },
    /// The unit is not known to understand this kind of question.
    #[error("not asking {ask:?}: the profile does not list its function code")]
    NotUnderstood {
        /// The question.
        ask: Ask,
    },
    /// A question that would feed the inverter supervision, without the user's word.
    #[error("not asking {ask:?}: this unit takes it for its inverter")]
    WouldWake {
        /// The question.
        ask: Ask,
    },
    /// No question is left that could not be confused with an answer still under way.
    #[error("too many unanswered questions: a late answer could be taken for another")]
    Stuck,
    /// Bytes that nobody asked for come faster than any line carries them.
    #[error("{bytes} bytes came, more than any line or gateway of this kind can carry")]
    Flooded {
        /// How many.
        bytes: u64,
        /// On a serial port.
        is_line: bool,
    },
    /// What speaks on the other side is no unit.
    #[error("{0}")]
    WrongSpeaker(Speaks),
    /// A link that was opened beside others was used as one that blocks.
    #[error("this link was opened to be awaited, and a call that blocks cannot move it")]
    MustBeAwaited,
}

impl LinkTrouble {
    /// The one thing to do, where the cause tells it.
    pub fn hint(&self) -> Option<&'static str> {
        match self {
            Self::Lost(PortGone::Adapter) => Some("plug the adapter in again"),
            Self::SomeoneElseAsks { .. } => Some(
                "listen longer (--listen-first), or make sure that nobody is harmed and give --beside-others",
            ),
            Self::WrongSpeaker(speaks) => Some(speaks.hint()),
            Self::Flooded { is_line: false, .. } => {
                Some("check the host and its TCP port: this is no gateway to a unit")
            }
            Self::Flooded { is_line: true, .. } => {
                Some("check which port this is: no RS-485 adapter gives so much")
            }
            _ => None,
        }
    }

    /// Whose business it is.
    pub fn blame(&self) -> Blame {
        match self {
            Self::Lost(PortGone::Adapter | PortGone::Stuck { .. }) => Blame::ThisComputer,
            Self::Lost(_)
            | Self::SomeoneElseAsks { .. }
            | Self::NeverSilent { .. }
            | Self::Stuck
            | Self::Flooded { .. }
            | Self::WrongSpeaker(_) => Blame::Path,
            Self::NotUnderstood { .. } | Self::WouldWake { .. } | Self::MustBeAwaited => {
                Blame::Usage
            }
            Self::Interrupted => Blame::Stopped,
        }
    }
}
