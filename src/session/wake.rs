//! What asking may do to a unit, and how long a line must be silent before it is asked.
//!
//! Does not: allow anything; only the link makes a proof of it ([`crate::link::Quiet::prove`]).

use std::time::Duration;

use packside_profiles::model::{Base, FedBy, Span};
use packside_profiles::{Known, Profile};

use super::MayWake;
use crate::poll::{Read, absolute, may_read};

/// Window without a byte where no profile tells how often an inverter usually polls.
const USUAL_WINDOW: Duration = Duration::from_secs(12);

/// What our questions may do to a unit.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Wake {
    why: Option<MayWake>,
    /// What must not be read because it would feed the inverter supervision.
    pub(crate) keeps_off: Vec<Span>,
    /// What would be cleared by reading it.
    pub(crate) clears: Vec<Span>,
}

impl Wake {
    /// Judges planned reads by what the profile says feeds the inverter supervision.
    pub fn of(profile: Option<&Profile>, known: &Known, planned: &[Read]) -> Self {
        let mut wake = Self {
            why: Some(MayWake::NoProfile),
            keeps_off: Vec::new(),
            clears: Vec::new(),
        };
        let Some(profile) = profile else { return wake };
        let inverter = &profile.inverter;
        let feeding = absolute(&inverter.reads_of, known);
        let is_placed = |spans: &[Span]| absolute(spans, known).len() == spans.len();
        let places_all = is_placed(&inverter.reads_of) && is_placed(&profile.spans);
        let touches = planned.iter().any(|read| touches_any(read, &feeding));
        wake.clears = absolute(&profile.clears_when_read, known);
        wake.why = match inverter.fed_by {
            FedBy::AnyRequest => Some(MayWake::AnyRequest),
            FedBy::Unknown => Some(MayWake::Unknown),
            FedBy::ReadsOf if touches || !places_all => Some(MayWake::PlannedRead),
            FedBy::ReadsOf => {
                wake.keeps_off = feeding;
                None
            }
            FedBy::Writes | FedBy::OtherPort => None,
        };
        wake
    }

    /// Why a question may wake the unit, if it may: to be warned of before the first byte.
    pub fn why(&self) -> Option<MayWake> {
        self.why
    }
}

/// The silence that shows that nobody else asks: 1.2 times the slowest usual poll period.
pub fn quiet_window(profile: Option<&Profile>) -> Duration {
    let period = profile.and_then(|profile| profile.answering.usual_poll_s);
    period.map_or(USUAL_WINDOW, |seconds| {
        Duration::from_millis(u64::from(seconds) * 1200)
    })
}

/// Whether a read touches one of these ranges.
pub(crate) fn touches_any(read: &Read, spans: &[Span]) -> bool {
    spans
        .iter()
        .any(|span| span.base == Base::Absolute && read.touches(span))
}

/// Why a question of a look may wake a unit of this map, if it may.
pub fn may_wake(profile: &Profile) -> Option<MayWake> {
    wake(profile).why()
}

/// What the questions of a look may do to a unit of this map.
pub(super) fn wake(profile: &Profile) -> Wake {
    Wake::of(Some(profile), &Known::default(), &may_read(profile))
}
