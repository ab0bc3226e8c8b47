//! Looks at simulated units in virtual time, without a word to anybody.
//!
//! Input: a scenario, a profile, moments. Output: the events of the looks. Shared by `retest`, the
//! figures and the tests; the way to ask is that of `check`.
//!
//! Does not: judge, print, or read a clock.

use std::time::Duration;

use packside_profiles::Profile;
use packside_simulator::{Scenario, Way};

use super::session::{self, Manner, Refusal};
use crate::event::Event;
use crate::link::{Asking, LinkTrouble, Quiet, quiet_window};
use crate::simulated::Simulated;
use crate::simulated::open_simulated_as;

/// A session with a simulated unit.
pub struct Rehearsal<'a> {
    profile: &'a Profile,
    manner: Manner,
    link: Option<Link>,
    events: Vec<Event>,
}

enum Link {
    Quiet(Quiet),
    Asking(Box<Asking>),
}

impl<'a> Rehearsal<'a> {
    /// Opens the link, the scenario's own unless another way is given, so that the first look, after listening, begins about `at` after power-up.
    pub fn open(scenario: &Scenario, profile: &'a Profile, at: Duration, way: Option<Way>) -> Self {
        let window = match way.unwrap_or(scenario.way()) {
            Way::Serial | Way::RtuOverTcp => quiet_window(Some(profile)),
            Way::Tcp => Duration::ZERO,
        };
        let age = at.saturating_sub(window);
        let manner = Manner {
            unit: profile.answering.unit,
            only: false,
            listen_first: None,
            user_said: false,
            says: false,
        };
        let how = Simulated {
            age,
            way,
            ..Simulated::default()
        };
        let quiet = open_simulated_as(scenario, profile, how);
        Self {
            profile,
            manner,
            link: Some(Link::Quiet(quiet)),
            events: Vec::new(),
        }
    }

    /// Takes one look and gives all events of the session so far.
    pub fn look(&mut self) -> &[Event] {
        self.link = match self.link.take() {
            Some(Link::Quiet(quiet)) => match session::begin(quiet, self.profile, &self.manner) {
                Ok(asking) => Some(self.ask(asking)),
                Err(Refusal::NotShown(_, quiet)) => Some(self.overhear(*quiet)),
                Err(Refusal::Trouble(_)) => None,
            },
            Some(Link::Asking(asking)) => Some(self.ask(*asking)),
            None => None,
        };
        &self.events
    }

    /// Lets time pass until so long after the link was opened.
    pub fn wait(&mut self, until: Duration) {
        match &mut self.link {
            Some(Link::Quiet(quiet)) => drop(quiet.listen(until)),
            Some(Link::Asking(asking)) => drop(asking.idle(until)),
            None => {}
        }
    }

    fn ask(&mut self, mut asking: Asking) -> Link {
        let (profile, manner) = (self.profile, &self.manner);
        let trouble =
            session::look_until_settled(&mut asking, profile, &self.events, manner, |_, _, _| {});
        if let Some(LinkTrouble::SomeoneElseAsks { .. }) = trouble {
            return self.overhear(asking.into_quiet());
        }
        self.events.extend(asking.drain());
        Link::Asking(Box::new(asking))
    }

    fn overhear(&mut self, mut quiet: Quiet) -> Link {
        let _ = session::overhear(&mut quiet, self.profile, &self.events, &self.manner);
        self.events.extend(quiet.drain());
        Link::Quiet(quiet)
    }
}

/// The events of one look at a simulated unit, so long after power-up.
pub fn look(scenario: &Scenario, profile: &Profile, at: Duration, way: Option<Way>) -> Vec<Event> {
    Rehearsal::open(scenario, profile, at, way).look().to_vec()
}
