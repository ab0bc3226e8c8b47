//! How far a session is with what it does: plain data, and what each piece of it knows by itself.
//!
//! Does not: know the session that it belongs to.

use std::collections::{BTreeSet, VecDeque};
use std::time::Duration;

use super::{End, LinkTrouble, MayWake, NotShown, Progress};
use crate::ask::{Exchange, Outcome};
use crate::facts::{Doubt, Judgement, VerdictKind};
use crate::judge::PROVEN;
use crate::poll::{Follow, Look};
use crate::wire::Ask;

/// Between two readings of a code that takes turns.
const BETWEEN_CODES: Duration = Duration::from_secs(1);

/// How far a task is.
#[derive(Debug)]
pub(super) enum Stage {
    /// It is over, with this end.
    Over(Option<End>),
    /// The link must be open, and ask.
    Start,
    /// On the way from listening to asking.
    Begin(Begin),
    /// Reading.
    Looks(Box<Looks>),
    Following(Following),
    /// Hearing what others say until that settles it, or the time is over; what ended asking, if it was asked.
    Overhear(Duration, Option<LinkTrouble>),
    /// Letting time pass until then.
    Wait(Duration),
    /// Asking is over; then this end.
    Stopped(End),
    /// Between two looks of `Task::Rounds`.
    Round,
}

/// How far the way to asking is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Begin {
    /// A person is asked whether the unit may wake, and why it may.
    Word(MayWake),
    /// Listening for the window.
    Silence,
    /// Listening on, until then at the latest, to see what was heard.
    Explaining(Duration),
    /// The link is to judge.
    Prove,
    /// The link judges.
    Proving,
    /// A person is asked whether to ask beside others.
    BesideOthers(NotShown),
}

/// How far the rounds are.
#[derive(Debug, Default)]
pub(super) struct Rounds {
    /// Verdicts so far.
    pub(super) judged: u64,
    /// The verdict of this round was given then.
    pub(super) judged_at: Option<Duration>,
    /// The link did wrong in this round: it is let alone for one pause.
    pub(super) is_lost: bool,
    /// Rounds in a row in which it did.
    pub(super) wrong: u32,
    /// What was told of that last.
    pub(super) said: Option<LinkTrouble>,
    /// Verdict and roots that were told last.
    pub(super) told: Option<(VerdictKind, BTreeSet<(u8, &'static str)>)>,
    /// The link was lost, which is not told yet.
    pub(super) has_lost: bool,
    /// It was told that nothing is asked any more.
    pub(super) said_not_asking: bool,
    /// The user stopped: one verdict more, and the end.
    pub(super) stops: Option<End>,
}

impl Rounds {
    /// Whether this round has its verdict.
    pub(super) fn is_judged(&self) -> bool {
        self.judged_at.is_some()
    }
}

/// One look, or several until what is open is settled.
#[derive(Debug)]
pub(super) struct Looks {
    pub(super) began: Duration,
    /// What is under way.
    pub(super) now: UnderWay,
    /// What the last look left open.
    pub(super) open_before: Vec<Doubt>,
    /// How long a look takes, and until when another may be begun; known after the first.
    pub(super) again: Option<(Duration, Duration)>,
}

#[derive(Debug)]
pub(super) enum UnderWay {
    Look(Box<Look>),
    Turn(Turn),
    /// Until then nothing, then another look.
    Pause(Duration),
    /// Nobody answered: listening until then for an answer that comes late, with the wait so far.
    Late(Duration, Duration),
    Counters(VecDeque<Ask>, Duration),
}

/// A code that takes turns, read round after round at every unit that answered.
#[derive(Debug)]
pub(super) struct Turn {
    pub(super) codes: Vec<Follow>,
    /// Questions left of this round.
    pub(super) left: VecDeque<Ask>,
    pub(super) until: Duration,
    /// Begin of the next round.
    pub(super) next: Duration,
    /// A round is under way.
    pub(super) is_round: bool,
}

impl Turn {
    /// The next question, or until when to wait; nothing where the turn is over.
    pub(super) fn next(&mut self, now: Duration) -> Option<Result<Ask, Duration>> {
        if let Some(ask) = self.left.pop_front() {
            return Some(Ok(ask));
        }
        if std::mem::take(&mut self.is_round) {
            self.next = now + BETWEEN_CODES;
        }
        if now < self.next {
            return Some(Err(self.next));
        }
        if now >= self.until {
            return None;
        }
        for follow in &mut self.codes {
            for _ in 0..follow.round() {
                self.left.extend(follow.next_ask());
            }
        }
        self.is_round = true;
        self.left.pop_front().map(Ok)
    }
}

impl Looks {
    /// Takes what came of a question.
    pub(super) fn take(&mut self, exchange: &Exchange) -> Option<Progress> {
        match &mut self.now {
            UnderWay::Look(look) => {
                look.take(exchange);
                let (done, planned) = look.progress();
                return Some(Progress::Looking {
                    done,
                    planned,
                    unit: look.unit(),
                });
            }
            // A unit that refuses one counter after all is left alone.
            UnderWay::Counters(left, _) if matches!(exchange.outcome, Outcome::Exception(_)) => {
                left.clear();
            }
            _ => {}
        }
        None
    }
}

/// A unit is followed closely.
#[derive(Debug)]
pub(super) struct Following {
    pub(super) follow: Follow,
    /// Questions left of this round.
    pub(super) left: usize,
    pub(super) until: Duration,
    /// Begin of the next round, while that is waited for.
    pub(super) next: Option<Duration>,
}

impl Following {
    pub(super) fn take(&mut self) {
        self.left = self.left.saturating_sub(1);
    }
}

/// Whether others said enough: a verdict, or what is wrong with the line.
pub(super) fn is_settled(judgement: &Judgement) -> bool {
    let verdict = &judgement.verdict;
    match verdict.kind {
        VerdictKind::Undecided => false,
        VerdictKind::BusProblem => verdict.causes.iter().any(|c| c.per_mille >= PROVEN),
        _ => true,
    }
}
