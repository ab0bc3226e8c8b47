//! Rounds of looks: look, judge, pause, and again until the time is over or the user stops.
//!
//! Does not: end because the link does wrong; that is told, judged, and tried again.

use std::collections::BTreeSet;
use std::time::Duration;

use super::look::is_by_limit;
use super::stage::Stage;
use super::{Blame, End, Progress, Session, Task, Want};
use crate::ask::{Exchange, Outcome};
use crate::event::LinkFacts;
use crate::facts::{Finding, Judgement, Source, VerdictKind};

/// So many questions in a row in vain are told at once.
const IN_VAIN: u32 = 2;
/// Longest pause while a gateway does wrong.
const LONGEST: Duration = Duration::from_secs(60);
/// The same of a port of this computer.
const LONGEST_HERE: Duration = Duration::from_secs(8);
/// Judging may take this share of the time at most: in a long session there is much to judge.
const SHARE_OF_JUDGING: u32 = 5;

impl Session {
    /// Between two looks: the pause after a verdict, or the begin of a round.
    pub(super) fn step_round(&mut self, now: Duration) -> Option<Want> {
        let Task::Rounds { pause, end } = self.task else {
            return None;
        };
        if let Some(judged_at) = self.rounds.judged_at {
            if let Some(stopped) = self.rounds.stops.take() {
                self.end(stopped);
                return None;
            }
            if end.is_some_and(|end| now >= end) {
                self.end(End::Whole);
                return None;
            }
            let took = now.saturating_sub(judged_at);
            let pause = pause.max(took * SHARE_OF_JUDGING);
            let until = (now + pause).min(end.unwrap_or(Duration::MAX));
            self.stage = Stage::Wait(until);
            return None;
        }
        // A lost link is told before anything else is tried on it.
        if std::mem::take(&mut self.rounds.is_lost) {
            let pause = self.pause_when_lost(pause);
            self.stage = Stage::Wait((now + pause).min(end.unwrap_or(Duration::MAX)));
        } else if self.rounds.judged > 0 && self.others_talk(now) {
            self.end_round(now, None);
        } else {
            self.stage = Stage::Start;
        }
        None
    }

    /// What a round read is judged. What the link did wrong is judged too and does not end the rounds;
    /// the person and wrong usage do.
    pub(super) fn end_round(&mut self, now: Duration, ended: Option<End>) {
        let was_judged = self.rounds.judged_at.is_some();
        if let Some(end) = ended {
            match end.blame() {
                None => self.rounds.wrong = 0,
                // What was heard so far stays on the screen; nothing is asked, and it is listened on.
                Some(Blame::Usage) if self.rounds.judged > 0 => self.asks_no_more(end),
                Some(Blame::ThisComputer | Blame::Path) => self.goes_wrong(end),
                Some(Blame::Stopped) if self.rounds.judged > 0 && !was_judged => {
                    self.rounds.stops = Some(end);
                }
                Some(Blame::Stopped | Blame::Usage) => return self.end(end),
            }
        }
        self.stage = Stage::Round;
        if was_judged {
            self.rounds.judged_at = None;
            return;
        }
        let judgement = self.verdict(Some(now));
        self.tell_verdict(judgement);
        self.rounds.judged += 1;
        self.rounds.judged_at = Some(now);
    }

    fn tell_verdict(&mut self, judgement: Judgement) {
        self.rounds.told = Some((judgement.verdict.kind, roots(&judgement)));
        self.told.push_back(Want::Judged(Box::new(judgement)));
    }

    /// Tells in the middle of a round what cannot wait for its end: a root that one answer shows, by a flag or by
    /// a number beyond its limit, and that nobody answers any more. What only several answers show together waits:
    /// half a round holds numbers of two times.
    pub(super) fn speak_at_once(&mut self, now: Duration, exchange: &Exchange) {
        let is_silent = match exchange.outcome {
            Outcome::Answered(_) => false,
            Outcome::TimedOut(_) if self.patience.in_vain() >= IN_VAIN => true,
            _ => return,
        };
        if !matches!(self.task, Task::Rounds { .. }) {
            return;
        }
        let judgement = self.verdict(Some(now));
        let kind = judgement.verdict.kind;
        let told = self.rounds.told.as_ref();
        let is_new = if is_silent {
            told.is_some_and(|(before, _)| *before != kind) && !is_clean(kind)
        } else {
            let known = |root| told.is_some_and(|(_, roots)| roots.contains(root));
            kind == VerdictKind::Fault && !roots(&judgement).iter().all(known)
        };
        if is_new {
            self.tell_verdict(judgement);
        }
    }

    /// Tells a lost link before anything else is tried on it.
    pub(super) fn speak_of_loss(&mut self, now: Duration) {
        let is_new = std::mem::take(&mut self.rounds.has_lost) && self.rounds.told.is_some();
        if is_new && matches!(self.task, Task::Rounds { .. }) {
            let judgement = self.verdict(Some(now));
            self.tell_verdict(judgement);
        }
    }

    /// The pause is over.
    pub(super) fn paused(&mut self) {
        self.rounds.judged_at = None;
        self.stage = Stage::Round;
    }

    /// Tells once that it is only listened to from now on.
    fn asks_no_more(&mut self, end: End) {
        self.rounds.is_lost = true;
        if let End::NotAsked(why) = end
            && !std::mem::replace(&mut self.rounds.said_not_asking, true)
        {
            self.tell(Progress::NotAsking(why));
        }
    }

    /// After every round in a row that the link spoilt, twice as long; an adapter that is plugged in
    /// again is not waited for as long as a gateway that has others to serve.
    fn pause_when_lost(&self, pause: Duration) -> Duration {
        let is_gateway = self.facts.as_ref().is_some_and(LinkFacts::is_gateway);
        let longest = if is_gateway { LONGEST } else { LONGEST_HERE };
        let times = 2_u32.pow(self.rounds.wrong.saturating_sub(1).min(8));
        (pause * times).min(longest.max(pause))
    }

    /// Tells once what the link did wrong.
    fn goes_wrong(&mut self, end: End) {
        self.rounds.is_lost = true;
        self.rounds.wrong += 1;
        if let End::Trouble { trouble, .. } = end
            && self.rounds.said.as_ref() != Some(&trouble)
        {
            self.tell(Progress::Trouble(trouble.clone()));
            self.rounds.said = Some(trouble);
        }
    }

    /// Whether bytes came on this line within the time that shows that nobody else asks.
    fn others_talk(&self, now: Duration) -> bool {
        let overhears = self.facts.as_ref().is_some_and(LinkFacts::can_overhear);
        let is_real = !self.is_simulated();
        !self.asks
            && !self.consent.beside_others
            && is_real
            && overhears
            && self.silent_for(now) < self.window()
    }
}

/// The roots that one answer shows.
fn roots(judgement: &Judgement) -> BTreeSet<(u8, &'static str)> {
    let is_one = |found: &&Finding| {
        is_by_limit(found) || (found.source == Source::Flag && found.is_root_alarm())
    };
    let found = judgement.findings.iter().filter(is_one);
    found.map(|found| (found.unit, found.id)).collect()
}

/// Whether nothing is said to be wrong or open.
fn is_clean(kind: VerdictKind) -> bool {
    !matches!(
        kind,
        VerdictKind::Fault | VerdictKind::Undecided | VerdictKind::BusProblem
    )
}
