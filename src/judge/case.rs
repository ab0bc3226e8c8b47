//! A case: one unit (or rack) under one register map, growing with its events.
//!
//! Input: events, one after the other. Output: the verdict at a moment. Live, on replay and in a report
//! the same events are pushed in the same order, and so give the same verdict.
//!
//! Does not: keep a clock, or ask.
//!
//! # Invariants
//! - `verdict` changes nothing: what is undecided on the wire stays so until an event decides it.
//! - No freshness, gap or duration crosses a session; roots, identity, answers and steps do.

use std::borrow::Borrow;
use std::sync::Arc;
use std::time::Duration;

use packside_profiles::model::Profile;

use super::judge;
use crate::event::{Event, What};
use crate::facts::Judgement;

/// One unit (or rack) under one map.
#[derive(Debug, Clone)]
pub struct Case {
    profile: Option<Arc<Profile>>,
    events: Vec<Event>,
    moment: Option<Duration>,
}

impl Case {
    /// Nothing happened yet. Without a map only the line can be judged.
    pub fn new(profile: Option<Arc<Profile>>) -> Self {
        Self {
            profile,
            events: Vec::new(),
            moment: None,
        }
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
        self.events
            .retain(|event| matches!(event.what, What::Answer(_)));
        for event in &mut self.events {
            event.at = Duration::ZERO;
        }
        self.moment = None;
    }

    /// Takes the next event.
    pub fn push(&mut self, event: &Event) {
        if event.what.is_link() {
            self.moment = Some(event.at);
        }
        self.events.push(event.clone());
    }

    /// The moment that is judged where none is given: that of the last event on the link, else of the
    /// last event.
    pub fn moment(&self) -> Duration {
        let last = || self.events.last().map(|event: &Event| event.at);
        self.moment.or_else(last).unwrap_or_default()
    }

    /// The verdict at a moment of this session, no earlier than the last event pushed.
    pub fn verdict(&self, at: Duration) -> Judgement {
        judge(&self.events, self.profile.as_deref(), Some(at))
    }

    /// Whether not one byte was received.
    pub fn is_silent(&self) -> bool {
        let came = |event: &Event| matches!(event.what, What::In(_));
        !self.events.iter().any(came)
    }
}
