//! What is read once the link asks: a look, looking again, a code that takes turns, counters, following.
//!
//! Does not: know when a question is sent, or what its answer means.

use std::collections::{BTreeSet, VecDeque};
use std::sync::Arc;
use std::time::Duration;

use packside_profiles::{Profile, StateKind};

use super::stage::{Following, Looks, Stage, Turn, UnderWay};
use super::{End, Progress, Session, Task, Until, Want};
use crate::evidence::samples::MemberEvidence;
use crate::facts::{Doubt, Fact, Finding, Source, VerdictKind};
use crate::judge::{TURN, by_looking_again, evidence_in, is_of_one_look};
use crate::poll::{self, Follow, Look, counter_questions};
use crate::visit::load::currents;

/// Longest time for looking again unasked, after the first look.
const BY_ITSELF: Duration = Duration::from_secs(20);
/// Longest time for reading the unit's own counters of the line.
const COUNTING: Duration = Duration::from_secs(5);
/// So long a late answer is waited for where nobody answered.
const LATE: Duration = Duration::from_secs(4);
/// Between two looks.
const PAUSE: Duration = Duration::from_secs(2);
/// Between two looks that must lie so far apart to show what one of them may have caught in between.
// Kind: common practice
const TWO_LOOKS: Duration = Duration::from_secs(5);
/// Function code of diagnostics.
const DIAGNOSTICS: u8 = 0x08;

impl Session {
    /// The link asks: begins to read what the task wants.
    pub(super) fn read(&mut self, now: Duration) {
        self.heard.clear();
        self.stage = match self.task {
            Task::Begin => return self.end(End::Whole),
            Task::Follow { time, .. } => {
                let follow = Follow::new(&self.profile, self.manner.unit, &self.cost());
                Stage::Following(Following {
                    left: follow.round(),
                    follow,
                    until: now + time,
                    next: None,
                })
            }
            _ => Stage::Looks(Box::new(Looks {
                began: now,
                now: self.look(),
                open_before: Vec::new(),
                again: None,
            })),
        };
    }

    fn look(&self) -> UnderWay {
        let Self {
            profile, manner, ..
        } = self;
        let mut look = Look::new(Arc::clone(profile), manner.unit, manner.only, self.cost());
        if self.task == Task::LookUntilSettled {
            look = look.until_certain();
        }
        UnderWay::Look(Box::new(look))
    }

    pub(super) fn step_looks(&mut self, now: Duration) -> Option<Want> {
        let time_out = self.time_out();
        let Stage::Looks(looks) = &mut self.stage else {
            return None;
        };
        let wait = |until| Some(Want::Wait { until });
        match &mut looks.now {
            UnderWay::Look(look) => match look.next(now) {
                poll::LookWant::Ask(ask) => return Some(Want::Ask { ask, time_out }),
                poll::LookWant::WaitUntil(until) => return wait(until),
                poll::LookWant::Done => self.looked(now),
            },
            UnderWay::Turn(turn) => match turn.next(now) {
                Some(Ok(ask)) => return Some(Want::Ask { ask, time_out }),
                Some(Err(until)) => return wait(until),
                None => self.look_again(now),
            },
            UnderWay::Pause(until) | UnderWay::Late(until, _) if now < *until => {
                return wait(*until);
            }
            UnderWay::Late(_, waited) if time_out <= *waited => self.look_again(now),
            UnderWay::Late(..) => {
                let look = self.look();
                self.reading(look);
            }
            UnderWay::Pause(_) => {
                let look = self.look();
                self.reading(look);
            }
            UnderWay::Counters(left, until) => match left.pop_front() {
                Some(ask) if now + time_out <= *until => return Some(Want::Ask { ask, time_out }),
                _ => self.end_look(now, Ok(())),
            },
        }
        None
    }

    fn reading(&mut self, reading: UnderWay) {
        if let Stage::Looks(looks) = &mut self.stage {
            looks.now = reading;
        }
    }

    /// A look is over.
    fn looked(&mut self, now: Duration) {
        if self.reads_again(now) {
            return;
        }
        if self.task != Task::LookUntilSettled {
            return self.end_look(now, Ok(()));
        }
        let Stage::Looks(looks) = &mut self.stage else {
            return;
        };
        if looks.again.is_some() {
            return self.look_again(now);
        }
        // Another look takes about as long as the first one did: one that would not end in time is not begun.
        let takes = now.saturating_sub(looks.began) + PAUSE;
        looks.again = Some((takes, Duration::MAX));
        if !self.patience.has_answered() {
            // Where something came late already, the next look waits longer by itself.
            let (until, waited) = match self.patience.needed() > self.usual_time_out() {
                true => (now, self.usual_time_out()),
                false => (now + LATE, self.time_out()),
            };
            if until > now {
                self.tell(Progress::ListeningForLate { at_most: LATE });
            }
            return self.reading(UnderWay::Late(until, waited));
        }
        match self.turn(now) {
            Some(turn) => self.reading(UnderWay::Turn(turn)),
            None => self.look_again(now),
        }
    }

    /// What was measured beyond a limit is read a second time, once for each unit, before a look ends: one
    /// number is no proof.
    fn reads_again(&mut self, now: Duration) -> bool {
        let findings = self.verdict(None).findings;
        let measured = findings.iter().filter(|found| is_by_limit(found));
        let units: BTreeSet<u8> = measured.map(|found| found.unit).collect();
        let units: Vec<u8> = units.difference(&self.read_twice).copied().collect();
        let Stage::Looks(looks) = &mut self.stage else {
            return false;
        };
        let UnderWay::Look(look) = &mut looks.now else {
            return false;
        };
        if units.is_empty() {
            return false;
        }
        look.read_again(units.iter().copied(), now);
        self.read_twice.extend(units);
        self.tell(Progress::ReadingAgain);
        true
    }

    /// Another look, where it may settle what is open and brought something new last time.
    fn look_again(&mut self, now: Duration) {
        let Stage::Looks(looks) = &mut self.stage else {
            return;
        };
        let Some((takes, until)) = &mut looks.again else {
            return;
        };
        if *until == Duration::MAX {
            *until = now + BY_ITSELF;
        }
        if now + *takes > *until {
            return self.count(now);
        }
        let open = self.verdict(None).verdict.open;
        let pause = match open.iter().any(is_of_one_look) {
            true => TWO_LOOKS,
            false => PAUSE,
        };
        let Stage::Looks(looks) = &mut self.stage else {
            return;
        };
        let may_settle = open.iter().any(by_looking_again);
        if !may_settle || nothing_new(&open, &looks.open_before) {
            return self.count(now);
        }
        let first = open.first().map_or("", Doubt::id);
        looks.open_before = open;
        looks.now = UnderWay::Pause(now + pause);
        self.tell(Progress::LookingAgain {
            open: first,
            at_most: BY_ITSELF,
        });
    }

    /// A code that takes turns, where the map has one and somebody answered.
    fn turn(&mut self, now: Duration) -> Option<Turn> {
        if !self.profile.points.iter().any(|point| point.rotates) {
            return None;
        }
        let members = self.verdict(None).identity.members;
        let answering = members.iter().filter(|m| m.kind != VerdictKind::BusProblem);
        let codes: Vec<Follow> = answering
            .map(|member| Follow::codes(&self.profile, member.unit, &self.cost()))
            .collect();
        if codes.is_empty() {
            return None;
        }
        self.tell(Progress::ReadingTurn { time: TURN });
        Some(Turn {
            codes,
            left: VecDeque::new(),
            until: now + TURN,
            next: Duration::ZERO,
            is_round: false,
        })
    }

    /// Reads the unit's own counters of the line where answers came damaged and it understands that.
    fn count(&mut self, now: Duration) {
        if !self.profile.answering.functions.contains(&DIAGNOSTICS) {
            return self.end_look(now, Ok(()));
        }
        let judgement = self.verdict(None);
        let mut members = judgement.identity.members.iter();
        let answers = members.find(|m| m.kind != VerdictKind::BusProblem);
        let (Some(member), true) = (answers, judgement.bus.health.damages()) else {
            return self.end_look(now, Ok(()));
        };
        let questions = VecDeque::from(counter_questions(member.unit));
        self.tell(Progress::Counting {
            questions: questions.len(),
            at_most: COUNTING,
        });
        self.reading(UnderWay::Counters(questions, now + COUNTING));
    }

    pub(super) fn step_following(&mut self, now: Duration) -> Option<Want> {
        let time_out = self.time_out();
        let Task::Follow { pause, until, .. } = self.task else {
            return None;
        };
        let Stage::Following(following) = &mut self.stage else {
            return None;
        };
        if let Some(next) = following.next {
            if now < next {
                return Some(Want::Wait { until: next });
            }
            (following.next, following.left) = (None, following.follow.round());
        }
        if following.left > 0
            && let Some(ask) = following.follow.next_ask()
        {
            return Some(Want::Ask { ask, time_out });
        }
        let ends = following.until;
        following.next = Some((now + pause).min(ends));
        if now >= ends || self.is_over(until) {
            self.end_look(now, Ok(()));
        }
        None
    }

    /// Whether what the unit is followed for has come.
    fn is_over(&self, until: Until) -> bool {
        let evidence = evidence_in(&self.heard, &self.profile);
        let mine = evidence.iter().find(|e| e.unit == self.manner.unit);
        mine.is_some_and(|e| has_come(until, e, &self.profile))
    }
}

fn has_come(until: Until, evidence: &MemberEvidence, profile: &Profile) -> bool {
    match until {
        Until::Once => true,
        Until::InService => {
            let states = evidence.states(profile);
            let last = states.last().map(|(_, kind)| *kind);
            last.is_some_and(|kind| matches!(kind, StateKind::Standby | StateKind::Running))
        }
        Until::CurrentMoves { from, by } => {
            let currents = currents(evidence, profile);
            let last = currents.last().map(|(_, amperes)| *amperes);
            last.is_some_and(|amperes| (amperes - from).abs() >= by)
        }
    }
}

/// Whether a number beyond its limit is what was found, and nothing else says so.
pub(super) fn is_by_limit(found: &Finding) -> bool {
    let is_number = found.source == Source::Measured && matches!(found.fact, Fact::Measured(_));
    is_number && found.is_root_alarm()
}

/// Whether another look left open what was open. A spread under load changes its digits each time; a
/// unit on its way into service may need a few looks to get there.
fn nothing_new(open: &[Doubt], before: &[Doubt]) -> bool {
    let on_its_way = open
        .iter()
        .any(|point| matches!(point, Doubt::NotInService { .. }));
    let same = |pair: (&Doubt, &Doubt)| {
        use Doubt::SpreadUnderLoad as Spread;
        pair.0 == pair.1 || matches!(pair, (Spread { .. }, Spread { .. }))
    };
    !on_its_way && open.len() == before.len() && open.iter().zip(before).all(same)
}
