//! That asking was shown to be right, and by what.
//!
//! Does not: show it. [`Quiet::prove`](super::Quiet::prove) does, and nobody else makes a proof.

use std::time::Duration;

use packside_profiles::model::Span;

use crate::poll::Read;
use crate::session::touches_any;

/// What shows that asking is right.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Grounds {
    /// No byte was heard on the line for this long.
    HeardSilent(Duration),
    /// Nobody can be overheard on this link: the tool may be an unseen second client.
    CannotOverhear,
    /// The user said so, knowing that others may be disturbed.
    BesideOthers,
    /// No real unit is there.
    Simulated,
}

/// That asking was shown to be right. Only [`Quiet::prove`](super::Quiet::prove) makes one.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Proof {
    pub(super) grounds: Grounds,
    pub(super) keeps_off: Vec<Span>,
    pub(super) clears: Vec<Span>,
}

impl Proof {
    /// What shows it.
    pub fn grounds(&self) -> Grounds {
        self.grounds
    }

    /// Whether a read must not be sent because it would feed the inverter supervision.
    pub(super) fn keeps_off(&self, read: &Read) -> bool {
        touches_any(read, &self.keeps_off)
    }

    /// Whether a read would clear what it reads.
    pub(super) fn would_clear(&self, read: &Read) -> bool {
        touches_any(read, &self.clears)
    }
}
