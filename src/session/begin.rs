//! From a link that listens to one that asks.
//!
//! Does not: show that asking is right; the link does, when this wants it.

use std::time::Duration;

use super::machine::SLICE;
use super::stage::{Begin, Stage};
use super::wake::wake;
use super::{End, NotShown, Progress, Session, Task, Want, Word, may_wake};
use crate::event::{Consent, LinkFacts};
use crate::judge::{Garble, garbled};

/// How long others are listened to in a task that needs no verdict of its own.
const LISTEN_OUT: Duration = Duration::from_secs(20);
/// Longest time for listening on to bytes that make no frame.
const EXPLAINING: Duration = Duration::from_secs(12);

impl Session {
    /// The first want of a link that listens.
    pub(super) fn listen_first(&mut self, now: Duration) -> Option<Want> {
        self.heard.clear();
        let overhears = self.facts.as_ref().is_some_and(LinkFacts::can_overhear);
        let window = self.window();
        // The link itself judges whether that proves anything.
        let was_heard = !window.is_zero() && self.manner.heard_silent >= window;
        if !overhears || window.is_zero() || was_heard {
            return self.may_it_wake();
        }
        self.tell(Progress::ListeningFirst { window });
        self.stage = Stage::Begin(Begin::Silence);
        let until = now + window;
        Some(Want::Silence { window, until })
    }

    /// Asks a person whether the unit may wake, where a question may do that and nobody has said so.
    fn may_it_wake(&mut self) -> Option<Want> {
        self.stage = Stage::Begin(Begin::Prove);
        let why = may_wake(&self.profile).filter(|_| !self.is_simulated())?;
        self.tell(Progress::MayWake(why));
        if self.consent.may_wake {
            return None;
        }
        self.stage = Stage::Begin(Begin::Word(why));
        if self.refused {
            return None;
        }
        Some(Want::NeedsWord(Word::MayWake(why)))
    }

    pub(super) fn step_to_asking(&mut self, now: Duration) -> Option<Want> {
        let Stage::Begin(begin) = &self.stage else {
            return None;
        };
        match begin {
            // Nobody gave a word.
            Begin::Word(why) => {
                let why = *why;
                self.end_look(now, Err(End::NotAsked(NotShown::MayWake { why })));
                None
            }
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
                    consent: self.consent,
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
        let is_busy = silent < window;
        if found == Garble::Proven {
            self.not_beside_others(now, NotShown::NotSilent { silent, window });
            return None;
        }
        if is_busy && self.is_simulated() {
            self.tell(Progress::HeardButSimulated);
        } else if is_busy && !self.consent.beside_others {
            // What is heard is judged: whether the unit may wake is no question where nothing is asked.
            self.not_shown(now, NotShown::NotSilent { silent, window });
            return None;
        }
        self.may_it_wake()
    }

    /// Takes a person's word.
    pub(super) fn word(&mut self, now: Duration, is_given: bool) {
        let Stage::Begin(begin) = &self.stage else {
            return;
        };
        let said = Consent {
            may_wake: matches!(begin, Begin::Word(_)),
            beside_others: matches!(begin, Begin::BesideOthers(_)),
        };
        let want = if is_given {
            self.consent = self.consent.and(said);
            self.may_it_wake()
        } else {
            self.refused |= said.may_wake;
            self.step_to_asking(now)
        };
        if let Some(want) = want {
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
            // What is overheard is told as it comes.
            Task::Rounds { pause, .. } => self.stage = Stage::Wait(now + pause),
            _ => self.stage = Stage::Wait(now + LISTEN_OUT),
        }
    }
}
