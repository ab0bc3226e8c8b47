//! A case: one unit (or rack) under one register map, growing with its events.
//!
//! Input: events, one after the other. Output: the verdict at a moment. Live, on replay and in a report
//! the same events are pushed in the same order, and so give the same verdict.
//!
//! Does not: keep events or a clock, or ask.
//!
//! # Invariants
//! - A verdict costs what is known, not how long that took to come; what is known is bounded.
//! - `verdict` changes nothing: what is undecided on the wire stays so until an event decides it.
//! - No freshness, gap or duration crosses a session; roots, identity, answers and steps do.

use std::borrow::Borrow;
use std::sync::Arc;
use std::time::Duration;

use packside_profiles::model::Profile;
use packside_profiles::{Role, StateKind};

use super::judge_seen;
use crate::event::Event;
use crate::evidence::{Ended, Seen};
use crate::facts::Judgement;

/// One unit (or rack) under one map.
#[derive(Debug, Clone)]
pub struct Case(Seen);

impl Case {
    /// Nothing happened yet. Without a map only the line can be judged.
    pub fn new(profile: Option<Arc<Profile>>) -> Self {
        Self(Seen::new(profile))
    }

    /// A case with these events of one session.
    pub fn of(
        profile: Option<Arc<Profile>>,
        events: impl IntoIterator<Item: Borrow<Event>>,
    ) -> Self {
        let mut case = Self::new(profile);
        for event in events {
            case.push(event.borrow());
        }
        case
    }

    /// Another session begins: its times count from its own start, and nobody knows how long after the
    /// one before. What was under way on the wire is over. What people answered goes on to count.
    pub fn begin_session(&mut self) {
        self.0.begin_session();
    }

    /// Takes the next event.
    pub fn push(&mut self, event: &Event) {
        self.0.take(event);
    }

    /// Takes the next event, and tells each question that it ends.
    pub(crate) fn push_telling(&mut self, event: &Event, ended: &mut dyn FnMut(Ended<'_>)) {
        self.0.take_telling(event, ended);
    }

    /// The moment that is judged where none is given: that of the last event on the link, else of the
    /// last event.
    pub fn moment(&self) -> Duration {
        self.0.moment()
    }

    /// The verdict at a moment of this session, no earlier than the last event pushed.
    pub fn verdict(&self, at: Duration) -> Judgement {
        judge_seen(&self.0, at)
    }

    /// States that a unit was read in since this session began, or since the clocks last went apart: the first
    /// and the last reading of each, oldest first.
    pub fn states(&self, unit: u8) -> Vec<(Duration, StateKind)> {
        let unit = self.0.units.get(&unit);
        unit.map(|unit| unit.states.read()).unwrap_or_default()
    }

    /// The last number that a unit gave for a role in this session, and when.
    pub fn last_number(&self, unit: u8, role: Role) -> Option<(Duration, f64)> {
        let (unit, profile) = (self.0.units.get(&unit)?, self.0.profile()?);
        let (when, number) = unit.first(profile, role)?.number?;
        Some((when.within(unit.session)?, number))
    }

    /// The last moment of this session at which the clocks had gone apart.
    pub fn clocks_broke_at(&self) -> Option<Duration> {
        self.0.clocks_broke_at
    }

    /// How many units it knows.
    pub fn units(&self) -> usize {
        self.0.units.len()
    }

    /// Bytes that it holds, but for the register map, what people said, and what is undecided on the wire.
    pub fn held(&self) -> usize {
        self.0.held()
    }

    /// Whether not one byte was received in this session.
    pub fn is_silent(&self) -> bool {
        self.0.line.bytes_in == 0
    }
}
