//! What is known at the end of a search, and how it ended.

use std::path::PathBuf;
use std::time::Duration;

use super::super::failure::{BUS, INTERRUPTED, USAGE};
use super::super::reach::failure_of;
use crate::find::{FindEnd, Findings, Listening};
use crate::link::{LinkTrouble, LocalPort};

/// How a search ended.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum SearchEnd {
    /// By itself.
    Over(FindEnd),
    /// The user stopped.
    Stopped,
    /// The link failed, or what speaks is no unit.
    Trouble(LinkTrouble),
}

impl From<LinkTrouble> for SearchEnd {
    fn from(trouble: LinkTrouble) -> Self {
        match trouble {
            LinkTrouble::Interrupted => Self::Stopped,
            trouble => Self::Trouble(trouble),
        }
    }
}

/// What is known at the end.
#[derive(Debug, Clone)]
pub(super) struct FindReport {
    pub(super) port: Option<LocalPort>,
    pub(super) window: Duration,
    pub(super) ended: SearchEnd,
    pub(super) findings: Findings,
    pub(super) fitting: Vec<(String, usize, usize)>,
    pub(super) saved: Option<PathBuf>,
    /// Until when the silence that was heard counts for a look.
    pub(super) quiet_until: Option<jiff::Timestamp>,
}

impl FindReport {
    pub(super) fn exit(&self) -> u8 {
        let names_somebody = matches!(self.findings.listened, Some((Listening::Heard { .. }, _)));
        match &self.ended {
            SearchEnd::Over(FindEnd::Found | FindEnd::Busy) if !self.findings.found.is_empty() => 0,
            SearchEnd::Over(FindEnd::Busy) if names_somebody => 0,
            _ if !self.findings.found.is_empty() => 0,
            SearchEnd::Over(FindEnd::NotAsked) => USAGE,
            SearchEnd::Stopped => INTERRUPTED,
            SearchEnd::Trouble(trouble) => failure_of(trouble).exit,
            _ => BUS,
        }
    }
}
