//! What is known at the end of a search, and how it ended.

use std::path::PathBuf;
use std::time::Duration;

use super::super::failure::{BUS, INTERRUPTED, USAGE};
use super::super::reach::failure_of;
use crate::event::LinkFacts;
use crate::find::{Found, FoundIdentity, Garbled, Listening, Volley, VolleyReply};
use crate::link::{LinkTrouble, LocalPort};
use crate::listen::Summary;
use crate::wire::Framing;

/// How a search ended.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum SearchEnd {
    /// Enough is found.
    Found,
    /// Everything was asked.
    Exhausted,
    /// Somebody else talks: nothing was asked, or no more.
    Busy,
    /// Nobody said that asking is right: not a byte was sent.
    NotAsked,
    /// The user stopped.
    Stopped,
    /// The link failed, or what speaks is no unit.
    Trouble(LinkTrouble),
}

/// What is known at the end.
#[derive(Debug, Clone)]
pub(super) struct FindReport {
    pub(super) port: Option<LocalPort>,
    pub(super) facts: LinkFacts,
    pub(super) window: Duration,
    pub(super) listened: Option<(Listening, Summary)>,
    pub(super) fitting: Vec<(String, usize, usize)>,
    pub(super) ended: SearchEnd,
    pub(super) found: Vec<(Found, FoundIdentity)>,
    pub(super) garbled: Vec<Garbled>,
    pub(super) echoes: bool,
    pub(super) is_noisy: bool,
    pub(super) gateway: Option<Behind>,
    /// Questions asked, and the time from the first of them to the end.
    pub(super) questions: usize,
    pub(super) took: Duration,
    /// Where to go on.
    pub(super) resume: Option<usize>,
    /// The framing in which that number counts, where it is one.
    pub(super) resume_in: Option<Framing>,
    pub(super) saved: Option<PathBuf>,
    /// Until when the silence that was heard counts for a look.
    pub(super) quiet_until: Option<jiff::Timestamp>,
}

impl FindReport {
    pub(super) fn exit(&self) -> u8 {
        let names_somebody = matches!(self.listened, Some((Listening::Heard { .. }, _)));
        match &self.ended {
            SearchEnd::Found | SearchEnd::Busy if !self.found.is_empty() => 0,
            SearchEnd::Busy if names_somebody => 0,
            _ if !self.found.is_empty() => 0,
            SearchEnd::NotAsked => USAGE,
            SearchEnd::Stopped => INTERRUPTED,
            SearchEnd::Trouble(trouble) => failure_of(trouble).exit,
            _ => BUS,
        }
    }
}

/// What was seen of a gateway.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Behind {
    /// How frames are put into bytes there.
    pub(super) framing: Framing,
    /// Addresses for which it says that the unit is silent (0B).
    pub(super) silent: usize,
    /// Addresses to which it says that it has no path, or no room (0A).
    pub(super) no_path: usize,
    /// Addresses for which it says nothing.
    pub(super) nothing: usize,
    /// Addresses at which it answers itself.
    pub(super) own: Vec<u8>,
    /// Addresses at which everything is refused, beside one that gives data.
    pub(super) refusing: Vec<u8>,
    /// Most questions that were outstanding.
    pub(super) most_open: usize,
}

impl Behind {
    pub(super) fn new(framing: Framing) -> Self {
        Self {
            framing,
            silent: 0,
            no_path: 0,
            nothing: 0,
            own: Vec::new(),
            refusing: Vec::new(),
            most_open: 1,
        }
    }

    /// What came of a volley.
    pub(super) fn of(volley: &Volley) -> Self {
        let count = |wanted: VolleyReply| {
            let replies = volley.replies().values();
            replies.filter(|reply| **reply == wanted).count()
        };
        Self {
            silent: count(VolleyReply::Silent),
            no_path: count(VolleyReply::NoPath),
            nothing: count(VolleyReply::Nothing),
            most_open: volley.most_open(),
            ..Self::new(Framing::Tcp)
        }
    }
}
