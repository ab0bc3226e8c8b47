//! Looks at simulated units in virtual time, without a word to anybody.
//!
//! Input: a scenario, a profile, moments. Output: the events of the looks. The way to ask is that of
//! every session.
//!
//! Does not: judge, print, or read a clock.

use std::sync::Arc;
use std::time::Duration;

use packside_profiles::Profile;
use packside_simulator::{Scenario, Way};

use super::{Simulated, open_simulated_as};
use crate::drive::{self, Link, Sink};
use crate::event::Event;
use crate::link::quiet_window;
use crate::session::{Manner, Session, Task};

/// A session with a simulated unit.
pub struct Rehearsal {
    session: Session,
    link: Link,
    kept: KeptEvents,
}

/// All events of the session.
#[derive(Default)]
struct KeptEvents(Vec<Event>);

impl Sink for KeptEvents {
    fn event(&mut self, event: &Event) {
        self.0.push(event.clone());
    }
}

impl Rehearsal {
    /// Opens the link, the scenario's own unless another way is given, so that the first look, after listening, begins about `at` after power-up.
    pub fn open(scenario: &Scenario, profile: &Profile, at: Duration, way: Option<Way>) -> Self {
        let window = match way.unwrap_or(scenario.way()) {
            Way::Serial | Way::RtuOverTcp => quiet_window(Some(profile)),
            Way::Tcp => Duration::ZERO,
        };
        let how = Simulated {
            age: at.saturating_sub(window),
            way,
            ..Simulated::default()
        };
        let quiet = open_simulated_as(scenario, profile, how);
        let manner = Manner::of(profile.answering.unit);
        Self {
            session: Session::new(Arc::new(profile.clone()), manner),
            link: Link::of(quiet, &profile.answering.functions),
            kept: KeptEvents::default(),
        }
    }

    /// Takes one look and gives all events of the session so far.
    pub fn look(&mut self) -> &[Event] {
        let Self {
            session,
            link,
            kept,
        } = self;
        drive::run(session, Task::LookUntilSettled, link, kept);
        &kept.0
    }

    /// Lets time pass until so long after the link was opened.
    pub fn wait(&mut self, until: Duration) {
        let Self {
            session,
            link,
            kept,
        } = self;
        drive::run(session, Task::Wait { until }, link, kept);
    }
}

/// The events of one look at a simulated unit, so long after power-up.
pub fn look(scenario: &Scenario, profile: &Profile, at: Duration, way: Option<Way>) -> Vec<Event> {
    Rehearsal::open(scenario, profile, at, way).look().to_vec()
}
