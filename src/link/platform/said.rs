//! What every system says in the same words.

use std::time::Duration;

/// What the system shows of a port.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct SystemFacts {
    /// Driver.
    pub driver: Option<String>,
    /// A name that stays the same when it is plugged in elsewhere.
    pub by_id: Option<String>,
    /// How long the adapter holds short packets back.
    pub hold_back: Option<Duration>,
    /// Whether this user may open it.
    pub is_allowed: Option<bool>,
    /// The group that may and that this user is not in.
    pub missing_group: Option<String>,
    /// Programs that have it open, as far as this user may see: number and name.
    pub held_by: Vec<(u32, String)>,
}

/// What a signal, or an event of a console, asks this program to do.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Wanted {
    /// Ctrl-C: whoever sits there wants to stop.
    Interrupt,
    /// Another program, or the system, wants it to end.
    Terminate,
    /// Its window or its connection is closed.
    HangUp,
    /// To stop until it is continued.
    Pause,
}

/// Why a port could not be opened.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(in crate::link) enum WhyNot {
    /// It is not there.
    Missing,
    /// Another program uses it.
    Busy,
    /// This user may not.
    Forbidden {
        /// The group that may and that this user is not in.
        group: Option<String>,
        /// Or another program uses it: the system says the same of both.
        or_busy: bool,
    },
    /// It is something else.
    NotSerial,
    /// The driver has another reason.
    Other,
}
