//! What is true of every task of a session, and which of them is under way.
//!
//! Does not: know how a task is done; its stages do, each in a file of its own.

use std::collections::{BTreeSet, VecDeque};
use std::sync::Arc;
use std::time::Duration;

use packside_profiles::model::Profile;

use super::patience::Patience;
use super::stage::{Rounds, Stage, is_settled};
use super::{Came, End, LinkTrouble, Manner, Progress, Task, Want, quiet_window};
use crate::event::{Consent, Event, LinkFacts, LinkKind, What};
use crate::facts::Judgement;
use crate::judge::Case;
use crate::poll::Cost;

/// So often what was heard is looked at while listening.
pub(super) const SLICE: Duration = Duration::from_secs(2);
/// Longest time for overhearing a conversation until it settles the verdict.
const OVERHEAR: Duration = Duration::from_secs(30);

/// A session with one unit, or one rack of them.
#[derive(Debug)]
pub struct Session {
    pub(super) profile: Arc<Profile>,
    pub(super) manner: Manner,
    /// What judging needs of everything that happened.
    pub(super) case: Case,
    /// The whole of it, while only what came since a moment is judged.
    pub(super) whole: Option<Case>,
    /// The first event of the link.
    pub(super) opened: Option<Event>,
    /// The link as it was opened; nothing before.
    pub(super) facts: Option<LinkFacts>,
    /// Whether the link asks now.
    pub(super) asks: bool,
    /// When the last byte came, or the link was opened.
    pub(super) last_heard: Duration,
    /// What the user said about asking.
    pub(super) consent: Consent,
    /// A person would not let the unit be woken: nobody asks twice.
    pub(super) refused: bool,
    pub(super) patience: Patience,
    /// Units of which numbers beyond a limit were read a second time.
    pub(super) read_twice: BTreeSet<u8>,
    /// What came since listening, or following, began.
    pub(super) heard: Vec<Event>,
    pub(super) task: Task,
    pub(super) stage: Stage,
    pub(super) rounds: Rounds,
    pub(super) told: VecDeque<Want>,
}

impl Session {
    /// A session that has seen nothing yet. Nothing is wanted before [`Session::begin`].
    pub fn new(profile: Arc<Profile>, manner: Manner) -> Self {
        Self {
            case: Case::new(Some(Arc::clone(&profile))),
            whole: None,
            profile,
            consent: manner.consent,
            refused: false,
            patience: Patience::default(),
            read_twice: BTreeSet::new(),
            manner,
            opened: None,
            facts: None,
            asks: false,
            last_heard: Duration::ZERO,
            heard: Vec::new(),
            task: Task::Begin,
            stage: Stage::Over(None),
            rounds: Rounds::default(),
            told: VecDeque::new(),
        }
    }

    /// Begins a task. One that is under way ends here.
    pub fn begin(&mut self, task: Task) {
        self.told.clear();
        self.stage = match task {
            Task::Wait { until } => Stage::Wait(until),
            Task::Rounds { .. } => Stage::Round,
            _ => Stage::Start,
        };
        self.rounds = Rounds::default();
        self.task = task;
    }

    /// Takes something that happened: on the link, or said by a person.
    pub fn push(&mut self, event: &Event) {
        match &event.what {
            What::Opened(facts) => {
                if self.opened.is_none() {
                    self.last_heard = event.at;
                    self.opened = Some(event.clone());
                }
                self.facts = Some(facts.clone());
            }
            What::In(_) => {
                self.last_heard = self.last_heard.max(event.at);
                self.patience.hears(event.at);
            }
            What::Asked { .. } => self.patience.asks(),
            What::Listening(on) => self.asks = !on,
            What::Lost { why } => {
                self.told.push_back(Want::Lost {
                    why: why.clean().into_owned(),
                });
                self.rounds.has_lost = true;
            }
            What::Back => {
                self.last_heard = event.at;
                self.told.push_back(Want::Back);
            }
            _ => {}
        }
        if matches!(self.stage, Stage::Begin(_) | Stage::Following(_)) {
            self.heard.push(event.clone());
        }
        self.case.push(event);
        if let Some(whole) = &mut self.whole {
            whole.push(event);
        }
    }

    /// Takes what came of the last want.
    pub fn take(&mut self, now: Duration, came: Came<'_>) {
        match came {
            Came::Exchange(exchange) => {
                self.patience.take(exchange);
                match &mut self.stage {
                    Stage::Looks(looks) => {
                        let progress = looks.take(exchange);
                        self.told.extend(progress.map(Want::Progress));
                    }
                    Stage::Following(following) => following.take(),
                    _ => {}
                }
                self.speak_at_once(now, exchange);
            }
            Came::Word(is_given) => self.word(now, is_given),
            Came::NotShown(why) => self.not_shown(now, why),
            Came::NotOpened(blame) => self.end_look(now, Err(End::NotOpened(blame))),
            Came::Trouble(trouble) => self.trouble(now, trouble),
        }
    }

    /// What it wants now.
    pub fn next(&mut self, now: Duration) -> Want {
        loop {
            if let Some(told) = self.told.pop_front() {
                return told;
            }
            self.speak_of_loss(now);
            if let Some(told) = self.told.pop_front() {
                return told;
            }
            if let Some(want) = self.step(now) {
                // What was told on the way comes first.
                self.told.push_back(want);
            }
        }
    }

    /// Goes on with a case of earlier sessions. Before anything has happened in this one.
    pub fn go_on_with(&mut self, mut earlier: Case) {
        earlier.begin_session();
        self.case = earlier;
    }

    /// Judges only what comes from now on: what was before is known, and the unit is to show itself anew.
    pub fn begin_afresh(&mut self) {
        let mut afresh = Case::new(Some(Arc::clone(&self.profile)));
        if let Some(opened) = &self.opened {
            afresh.push(opened);
        }
        let whole = std::mem::replace(&mut self.case, afresh);
        self.whole.get_or_insert(whole);
    }

    /// Judges by everything again.
    pub fn end_afresh(&mut self) {
        if let Some(whole) = self.whole.take() {
            self.case = whole;
        }
    }

    /// Everything so far, as judging needs it.
    pub fn case(&self) -> &Case {
        &self.case
    }

    /// The link as it was opened.
    pub fn facts(&self) -> Option<&LinkFacts> {
        self.facts.as_ref()
    }

    /// The verdict by everything so far, at a moment; at the last event of the link where none is given.
    pub fn verdict(&self, at: Option<Duration>) -> Judgement {
        self.case.verdict(at.unwrap_or_else(|| self.case.moment()))
    }

    fn step(&mut self, now: Duration) -> Option<Want> {
        let rests = self.rests_until();
        match &mut self.stage {
            Stage::Over(end) => Some(Want::Done(end.take().unwrap_or(End::Whole))),
            Stage::Start if self.facts.is_none() => Some(Want::Open),
            Stage::Start if self.asks => {
                self.read(now);
                None
            }
            Stage::Start => self.listen_first(now),
            Stage::Begin(_) => self.step_to_asking(now),
            Stage::Looks(_) | Stage::Following(_) if now < rests => {
                Some(Want::Wait { until: rests })
            }
            Stage::Looks(_) => self.step_looks(now),
            Stage::Following(_) => self.step_following(now),
            Stage::Overhear(..) => self.step_overhear(now),
            Stage::Wait(_) if self.facts.is_none() && matches!(self.task, Task::Wait { .. }) => {
                Some(Want::Open)
            }
            Stage::Wait(until) if now < *until => Some(Want::Wait { until: *until }),
            Stage::Wait(_) => {
                self.waited(now);
                None
            }
            Stage::Stopped(_) if self.asks => Some(Want::StopAsking),
            Stage::Stopped(end) => {
                let end = end.clone();
                self.end_look(now, Err(end));
                None
            }
            Stage::Round => self.step_round(now),
        }
    }

    pub(super) fn tell(&mut self, progress: Progress) {
        self.told.push_back(Want::Progress(progress));
    }

    pub(super) fn end(&mut self, end: End) {
        self.stage = Stage::Over(Some(end));
    }

    /// A look, a stretch of following or a wait is over: with it the task, or one round of it.
    pub(super) fn end_look(&mut self, now: Duration, ended: Result<(), End>) {
        if matches!(self.task, Task::Rounds { .. }) {
            return self.end_round(now, ended.err());
        }
        self.end(ended.err().unwrap_or(End::Whole));
    }

    /// Time has passed that was let pass.
    fn waited(&mut self, now: Duration) {
        if matches!(self.task, Task::Rounds { .. }) && self.rounds.is_judged() {
            return self.paused();
        }
        self.end_look(now, Ok(()));
    }

    /// Something ended what was under way.
    fn trouble(&mut self, now: Duration, trouble: LinkTrouble) {
        let is_other = matches!(trouble, LinkTrouble::SomeoneElseAsks { .. });
        if !self.asks {
            return self.end_look(
                now,
                Err(End::Trouble {
                    trouble,
                    asked: false,
                }),
            );
        }
        if self.task != Task::LookUntilSettled {
            self.stage = Stage::Stopped(if is_other {
                self.tell(Progress::SomebodyElseAsks);
                End::Whole
            } else {
                End::Trouble {
                    trouble,
                    asked: true,
                }
            });
        } else if is_other {
            // Only one client may ask on a serial bus: what the other one hears is heard instead.
            self.told.push_back(Want::StopAsking);
            self.overhear(now, Some(trouble));
        } else {
            self.end(End::Trouble {
                trouble,
                asked: true,
            });
        }
    }

    /// Hears what others say until that settles the verdict.
    pub(super) fn overhear(&mut self, now: Duration, instead: Option<LinkTrouble>) {
        self.tell(Progress::Overhearing { at_most: OVERHEAR });
        self.stage = Stage::Overhear(now + OVERHEAR, instead);
    }

    fn step_overhear(&mut self, now: Duration) -> Option<Want> {
        let Stage::Overhear(until, instead) = &self.stage else {
            return None;
        };
        let (until, instead) = (*until, instead.clone());
        // The first slice is heard before anything is judged.
        let has_heard = until.saturating_sub(now) < OVERHEAR;
        if now >= until || (has_heard && is_settled(&self.verdict(None))) {
            self.end(End::Overheard(instead));
            return None;
        }
        Some(Want::Wait {
            until: (now + SLICE).min(until),
        })
    }

    pub(super) fn is_simulated(&self) -> bool {
        let kind = self.facts.as_ref().map(|facts| &facts.kind);
        matches!(kind, Some(LinkKind::Simulated { .. }))
    }

    /// Silence that shows that nobody else asks.
    pub(super) fn window(&self) -> Duration {
        let given = self.manner.listen_first;
        given.unwrap_or_else(|| quiet_window(Some(&self.profile)))
    }

    pub(super) fn silent_for(&self, now: Duration) -> Duration {
        now.saturating_sub(self.last_heard)
    }

    pub(super) fn cost(&self) -> Cost {
        Cost {
            line: self.facts.as_ref().and_then(LinkFacts::line),
            answer_time: Duration::from_millis(self.profile.answering.answer_time_ms.into()),
        }
    }

    /// How long the first byte of an answer is waited for: as given or as the map says, and as long as the
    /// slowest answer took that came too late.
    pub(super) fn time_out(&self) -> Duration {
        self.usual_time_out().max(self.patience.needed())
    }

    /// As given, or as the map says.
    pub(super) fn usual_time_out(&self) -> Duration {
        let of_map = || Duration::from_millis(self.profile.answering.time_out_ms.into());
        self.manner.time_out.unwrap_or_else(of_map)
    }

    /// Until when the unit wants no further question.
    fn rests_until(&self) -> Duration {
        let pause = self.profile.answering.pause_ms.unwrap_or_default();
        self.patience.ended_at() + Duration::from_millis(pause.into())
    }
}
