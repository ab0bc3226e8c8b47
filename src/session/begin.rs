//! From a link that listens to one that asks.
//!
//! Does not: show that asking is right; the link does, when this wants it.

use std::time::Duration;

use super::machine::SLICE;
use super::stage::{Begin, Stage};
use super::wake::wake;
use super::{End, NotShown, Progress, Session, Task, Want, Word, may_wake};
use crate::event::LinkFacts;
use crate::judge::{Garble, garbled};

/// How long others are listened to in a task that needs no verdict of its own.
const LISTEN_OUT: Duration = Duration::from_secs(20);
/// Longest time for listening on to bytes that make no frame.
const EXPLAINING: Duration = Duration::from_secs(12);

impl Session {
    /// The first want of a link that listens.
    pub(super) fn listen_first(&mut self, now: Duration) -> Option<Want> {
        self.heard.clear();
        if let Some(why) = may_wake(&self.profile).filter(|_| !self.is_simulated()) {
            self.tell(Progress::MayWake(why));
            if !self.user_said {
                self.stage = Stage::Begin(Begin::Word);
                return Some(Want::NeedsWord(Word::MayWake(why)));
            }
        }
        self.listen(now)
    }

    fn listen(&mut self, now: Duration) -> Option<Want> {
        let overhears = self.facts.as_ref().is_some_and(LinkFacts::can_overhear);
        if !overhears || self.user_said {
            self.stage = Stage::Begin(Begin::Prove);
            return None;
        }
        let window = self.window();
        self.tell(Progress::ListeningFirst { window });
        self.stage = Stage::Begin(Begin::Silence);
        let until = now + window;
        Some(Want::Silence { window, until })
    }

    pub(super) fn step_to_asking(&mut self, now: Duration) -> Option<Want> {
        let Stage::Begin(begin) = &self.stage else {
            return None;
        };
        match begin {
            // Nobody gave a word.
            Begin::Word => self.listen(now),
            Begin::BesideOthers(why) => {
                let why = why.clone();
                self.not_beside_others(now, why);
                None
            }
            Begin::Silence => {
                self.stage = Stage::Begin(Begin::Explaining(now + EXPLAINING));
                None
            }
            Begin::Explaining(until) => {
                let until = *until;
                self.explain(now, until)
            }
            Begin::Prove => {
                self.stage = Stage::Begin(Begin::Proving);
                Some(Want::Prove {
                    wake: wake(&self.profile),
                    window: self.window(),
                    user_said: self.user_said,
                })
            }
            Begin::Proving => {
                self.stage = Stage::Start;
                None
            }
        }
    }

    /// Listens on where bytes come that make no frame. Asking over a pair that is proven to be swapped,
    /// or at other settings, gives nothing but noise to whoever talks there.
    fn explain(&mut self, now: Duration, until: Duration) -> Option<Want> {
        let line = self.facts.as_ref().and_then(LinkFacts::line);
        let found = line.map_or(Garble::None, |line| garbled(&self.heard, line));
        if found == Garble::Unexplained && now < until {
            if now + EXPLAINING == until {
                let at_most = EXPLAINING;
                self.tell(Progress::Explaining { at_most });
            }
            return Some(Want::Wait { until: now + SLICE });
        }
        let (silent, window) = (self.silent_for(now), self.window());
        if found == Garble::Proven {
            self.not_beside_others(now, NotShown::NotSilent { silent, window });
            return None;
        }
        if silent < window && self.is_simulated() {
            self.tell(Progress::HeardButSimulated);
        }
        self.stage = Stage::Begin(Begin::Prove);
        None
    }

    /// Takes a person's word.
    pub(super) fn word(&mut self, now: Duration, is_given: bool) {
        let Stage::Begin(begin) = &self.stage else {
            return;
        };
        let is_beside = matches!(begin, Begin::BesideOthers(_));
        self.user_said |= is_given && (is_beside || *begin == Begin::Word);
        if is_given && is_beside {
            self.stage = Stage::Begin(Begin::Prove);
        } else if let Some(want) = self.step_to_asking(now) {
            self.told.push_back(want);
        }
    }

    /// The link does not find it right to ask.
    pub(super) fn not_shown(&mut self, now: Duration, why: NotShown) {
        match why {
            NotShown::NotSilent { silent, window } => {
                self.stage = Stage::Begin(Begin::BesideOthers(why));
                let word = Word::BesideOthers { silent, window };
                self.told.push_back(Want::NeedsWord(word));
            }
            why => self.end_look(now, Err(End::NotAsked(why))),
        }
    }

    /// Others are heard, and nobody wants to ask beside them.
    fn not_beside_others(&mut self, now: Duration, why: NotShown) {
        match self.task {
            Task::LookUntilSettled => {
                self.tell(Progress::NotAsking(why));
                self.overhear(now, None);
            }
            Task::Begin => self.end(End::NotAsked(why)),
            _ => self.stage = Stage::Wait(now + LISTEN_OUT),
        }
    }
}
