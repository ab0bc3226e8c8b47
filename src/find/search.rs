//! The search on a line: what to ask next, and what an answer, a fragment or a silence says.
//!
//! Input: exchanges. Output: [`SearchWant`]s. Does not: send, wait, read a clock, or say who the unit is
//! (see [`super::who`]).
//!
//! # What counts as a find
//! Any answer of the unit asked, a refusal as well: except 0A and 0B, with which a gateway speaks for
//! a unit that it cannot reach. A valid answer that comes too late names its address itself and is
//! asked again, to be sure of the settings.
//!
//! # Hints
//! Bytes that are no frame say that somebody has answered: one of those asked in the last moments,
//! perhaps at settings that are not ours any more. Each of them would have needed a certain answer
//! time for it; they are asked again by share per second under that time, each with just that wait.
//! After too many such hints without a find the line is noisy and they are not followed any more.
//!
//! # Invariants
//! - Every address is asked at all settings unless a unit is found first.
//! - An address is asked by hints at most `AGAIN` times.

use std::collections::{BTreeMap, VecDeque};
use std::time::Duration;

use packside_profiles::model::{Profile, Table};
use packside_profiles::{LineSettings, Parity};

use super::found::{Found, asked_at};
use super::order::{self, Late, Look, Trial};
use super::{prior, who};
use crate::ask::{Exchange, Outcome, Silence, Stray, StrayKind};
use crate::wire::{Ask, Question};

/// Times that an address is asked again by hints at the same settings.
const AGAIN: u32 = 3;
/// Hints without a find after which a line counts as noisy.
const HINTS: u32 = 90;
/// Longest answer time that is thought of, ms.
const SLOWEST_MS: f64 = 520.0;
/// How long after a question its answer may still come.
const STILL_TO_COME: Duration = Duration::from_millis(700);
/// Characters of an answer behind the first.
const ANSWER: usize = 6;
/// What a hint's answer time may be off.
const SLACK: Duration = Duration::from_millis(25);
/// How long somebody is waited for who was heard answering: an answer ends the wait.
const SLOW: Duration = Duration::from_secs(3);
/// A place whose late answer may have been taken for another's is asked before all but that other.
const RIVAL: f64 = 1e300;
/// A guess at the neighbouring settings is worth this much of one at the same.
const NEIGHBOUR: f64 = 0.05;

/// What is not known yet, and where to look.
#[derive(Debug, Clone)]
pub struct Plan {
    /// Settings with their shares.
    pub lines: Vec<(LineSettings, f64)>,
    /// Addresses.
    pub units: Vec<u8>,
    /// How long the adapter may hold an answer back.
    pub hold_back: Duration,
    /// Go on behind the first find.
    pub all: bool,
    /// Trials of an interrupted search that are not made again.
    pub skip: usize,
}

impl Plan {
    /// Everything, for a line on which nothing is known.
    pub fn everything(hold_back: Duration) -> Self {
        Self {
            lines: prior::lines().collect(),
            units: (1..=247).collect(),
            hold_back,
            all: false,
            skip: 0,
        }
    }
}

/// What to do next.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SearchWant {
    /// Ask this at these settings.
    Ask {
        /// Settings.
        line: LineSettings,
        /// The question.
        ask: Ask,
        /// Longest wait from its end to the first byte.
        first_byte: Duration,
    },
    /// Everything was asked, or enough is found.
    Done,
}

/// Somebody who answers for an address, never readably.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Garbled {
    /// Settings.
    pub line: LineSettings,
    /// Address.
    pub unit: u8,
    /// Damaged answers in so many questions.
    pub times: u32,
}

/// How far the search is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct SearchProgress {
    /// Trials of the order made or skipped.
    pub done: usize,
    /// Trials in all.
    pub of: usize,
    /// Time that the rest takes if nobody answers.
    pub left: Duration,
    /// The trial under way.
    pub now: Option<Trial>,
    /// Whether it follows a hint.
    pub by_hint: bool,
}

/// An address at some settings.
type LineAndUnit = (LineSettings, u8);

impl Found {
    fn is_at(&self, (line, unit): LineAndUnit) -> bool {
        self.unit == unit && (self.line == line || self.also_lines.contains(&line))
    }
}

/// A trial that was made.
#[derive(Debug, Clone, Copy)]
struct Made {
    trial: Trial,
    first_byte: Duration,
    ended: Duration,
    sent_at: Duration,
}

/// The search.
#[derive(Debug, Clone)]
pub struct Search {
    plan: Plan,
    questions: Vec<Question>,
    order: Vec<Trial>,
    next: usize,
    left: Duration,
    hints: Vec<(f64, LineAndUnit, Duration)>,
    hints_left: u32,
    now: Option<(Trial, Duration, bool)>,
    recent: VecDeque<Made>,
    again: BTreeMap<LineAndUnit, u32>,
    damaged: BTreeMap<LineAndUnit, u32>,
    found: Vec<Found>,
    asked: usize,
    foreign: Option<Vec<u8>>,
    bears_others: bool,
}

impl Search {
    /// Over this plan; the factory settings of these profiles come first.
    pub fn new(plan: Plan, profiles: &[Profile]) -> Self {
        let (lines, units) = (&plan.lines, &plan.units);
        let factory = profiles.iter().map(|profile| &profile.answering);
        let factory = factory.map(|answering| (asked_at(answering.line), answering.unit));
        let factory: Vec<LineAndUnit> = factory.collect();
        let all = order::order(lines, units, plan.hold_back, Late::Heard, &factory);
        let is_factory = |trial: &Trial| {
            // Asked twice, since the next question is at other settings and hears no late answer.
            matches!(trial.look, Look::First | Look::Longer)
                && factory.contains(&(trial.line, trial.unit))
        };
        let (mut order, rest): (Vec<Trial>, Vec<Trial>) = all.into_iter().partition(is_factory);
        order.extend(rest);
        let next = plan.skip.min(order.len());
        let behind = order.iter().skip(next);
        let left = behind.map(|trial| trial.cost(plan.hold_back)).sum();
        Self {
            questions: who::probes(profiles)
                .into_iter()
                .map(|probe| probe.question)
                .collect(),
            order,
            next,
            left,
            hints: Vec::new(),
            hints_left: HINTS,
            now: None,
            recent: VecDeque::new(),
            again: BTreeMap::new(),
            damaged: BTreeMap::new(),
            found: Vec::new(),
            asked: 0,
            foreign: None,
            bears_others: false,
            plan,
        }
    }

    /// Goes on though somebody else is heard asking: only with the user's explicit word.
    pub fn bear_others(&mut self, bears: bool) {
        self.bears_others = bears;
    }

    /// What to do now.
    pub fn wanted(&mut self) -> SearchWant {
        if (self.foreign.is_some() && !self.bears_others)
            || (!self.found.is_empty() && !self.plan.all)
        {
            return SearchWant::Done;
        }
        self.now = self.next_hint().or_else(|| self.next_trial());
        let Some((trial, first_byte, _)) = self.now else {
            return SearchWant::Done;
        };
        let ask = Ask {
            unit: trial.unit,
            question: self.question(trial),
        };
        SearchWant::Ask {
            line: trial.line,
            ask,
            first_byte,
        }
    }

    /// Takes what came of the question.
    pub fn take(&mut self, exchange: &Exchange) {
        let Some((trial, first_byte, by_hint)) = self.now else {
            return;
        };
        let place = (trial.line, trial.unit);
        self.asked += 1;
        self.recent.push_back(Made {
            trial,
            first_byte,
            ended: exchange.ended_at,
            sent_at: exchange.sent_at.unwrap_or(exchange.asked_at),
        });
        for stray in &exchange.strays {
            self.stray(stray, trial.line);
        }
        let Some(refused) = somebody(exchange) else {
            if exchange.outcome == Outcome::TimedOut(Silence::Damaged) {
                *self.damaged.entry(place).or_default() += 1;
            }
            self.hints_left -= u32::from(by_hint && self.hints_left > 0);
            return;
        };
        if self.found.iter().any(|found| found.is_at(place)) || self.may_be_late(trial) {
            return;
        }
        let mut known = self.found.iter_mut();
        if let Some(known) = known.find(|found| found.unit == trial.unit) {
            known.also_lines.push(trial.line);
            return;
        }
        let sent_at = exchange.sent_at.unwrap_or(exchange.asked_at);
        self.found.push(Found {
            line: trial.line,
            unit: trial.unit,
            refused,
            answer_time: exchange.first_byte_at.map(|at| at.saturating_sub(sent_at)),
            ask: exchange.ask,
            also_lines: Vec::new(),
            also_at: Vec::new(),
        });
        // Whoever is on the same pair has the same settings, and is heard however slow it is.
        self.order.drain(..self.next);
        self.order
            .retain(|other| other.line == trial.line && other.look == Look::First);
        self.next = 0;
        let left = self.order.iter();
        self.left = left.map(|trial| trial.cost(self.plan.hold_back)).sum();
        self.hints.clear();
    }

    /// Whether an answer may be a late one to a question at another parity, under which its bytes are
    /// the same. Then it is asked once more, and the rivals behind it: what is answered now is no late
    /// answer.
    fn may_be_late(&mut self, trial: Trial) -> bool {
        let is_rival = |made: &Made| {
            let other = made.trial;
            other.unit == trial.unit
                && other.line.baud == trial.line.baud
                && other.line.parity != trial.line.parity
        };
        let now = self.recent.back().map_or(Duration::ZERO, |made| made.ended);
        self.recent.retain(|made| made.ended + STILL_TO_COME >= now);
        let rivals: Vec<Made> = self.recent.iter().copied().filter(is_rival).collect();
        if rivals.is_empty() {
            return false;
        }
        self.recent.retain(|made| made.trial.unit != trial.unit);
        let lines = rivals.iter().map(|made| (RIVAL, made.trial.line));
        for (score, line) in lines.chain([(f64::MAX, trial.line)]) {
            self.again.remove(&(line, trial.unit));
            let longest = order::longest_first_byte(line, self.plan.hold_back);
            self.hint(score, (line, trial.unit), longest);
        }
        true
    }

    /// Questions asked.
    pub fn asked(&self) -> usize {
        self.asked
    }

    /// The units found.
    pub fn found(&self) -> &[Found] {
        &self.found
    }

    /// A valid request that is not ours, if one was heard: somebody else asks here.
    pub fn foreign(&self) -> Option<&[u8]> {
        self.foreign.as_deref().filter(|_| !self.bears_others)
    }

    /// Whether the line carries bytes that nobody's answer explains.
    pub fn is_noisy(&self) -> bool {
        self.hints_left == 0
    }

    /// Addresses for which somebody answers whenever asked, never readably.
    pub fn garbled(&self) -> Vec<Garbled> {
        let often = self.damaged.iter().filter(|(_, times)| **times >= AGAIN);
        let garbled = often.map(|((line, unit), times)| Garbled {
            line: *line,
            unit: *unit,
            times: *times,
        });
        garbled.collect()
    }

    /// How far it is.
    pub fn progress(&self) -> SearchProgress {
        SearchProgress {
            done: self.next,
            of: self.order.len(),
            left: self.left,
            now: self.now.map(|(trial, ..)| trial),
            by_hint: self.now.is_some_and(|(.., by_hint)| by_hint),
        }
    }

    /// Time that the first looks take that are still to come.
    pub fn once(&self) -> Duration {
        let first = self
            .order
            .iter()
            .skip(self.next)
            .filter(|trial| trial.look == Look::First);
        first.map(|trial| trial.cost(self.plan.hold_back)).sum()
    }

    /// The best hint, where hints are still worth following.
    fn next_hint(&mut self) -> Option<(Trial, Duration, bool)> {
        if self.hints_left == 0 {
            // Of a noisy line only what whole answers said is still followed.
            self.hints.retain(|hint| hint.0 >= RIVAL);
        }
        let best = (0..self.hints.len()).max_by(|a, b| {
            let score = |at: &usize| self.hints.get(*at).map_or(0.0, |hint| hint.0);
            score(a).total_cmp(&score(b))
        })?;
        let (_, place, first_byte) = self.hints.swap_remove(best);
        *self.again.entry(place).or_default() += 1;
        let trial = Trial {
            line: place.0,
            unit: place.1,
            look: Look::Longest,
        };
        Some((trial, first_byte, true))
    }

    /// The next trial of the order that is still open.
    fn next_trial(&mut self) -> Option<(Trial, Duration, bool)> {
        loop {
            let trial = *self.order.get(self.next)?;
            self.next += 1;
            self.left = self.left.saturating_sub(trial.cost(self.plan.hold_back));
            let is_found = |found: &Found| found.is_at((trial.line, trial.unit));
            if self.found.iter().any(is_found) {
                continue;
            }
            let usual = trial.first_byte(self.plan.hold_back);
            // One slow unit on a line makes further ones of its kind likely.
            let slowest = self
                .found
                .iter()
                .filter_map(|found| found.answer_time)
                .max();
            let first_byte = slowest.map_or(usual, |slowest| usual.max(slowest * 3 / 2));
            return Some((trial, first_byte, false));
        }
    }

    /// What to ask in a trial: a recognition register first, later looks something else, since some
    /// units say nothing to what they do not have.
    fn question(&self, trial: Trial) -> Question {
        let register = |table, address, count| Question::Read {
            table,
            address,
            count,
        };
        match trial.look {
            Look::First => self.questions.first().copied(),
            // Some answer nothing else; some hang on it, and are asked otherwise before.
            Look::Slow => Some(Question::ServerId),
            Look::Again | Look::Longer => Some(register(Table::Input, 0, 1)),
            Look::Longest => self.questions.last().copied(),
        }
        .unwrap_or(register(Table::Holding, 0, 1))
    }

    /// Bytes that are no accepted answer.
    fn stray(&mut self, stray: &Stray, line: LineSettings) {
        match stray.kind {
            StrayKind::Echo => {}
            StrayKind::ForeignRequest => {
                if !self.is_ours(&stray.bytes) {
                    self.foreign.get_or_insert_with(|| stray.bytes.clone());
                }
            }
            StrayKind::Damaged | StrayKind::Noise | StrayKind::ForeignTransaction => {
                self.suspect(stray, line);
            }
            _ => {
                // A valid answer names who gave it, and that it is slow.
                if let Some(unit) = stray.bytes.first() {
                    let longest = order::longest_first_byte(line, self.plan.hold_back);
                    self.hint(f64::INFINITY, (line, *unit), longest.max(SLOW));
                }
            }
        }
    }

    /// Whether these bytes are a question of ours that came back late.
    fn is_ours(&self, bytes: &[u8]) -> bool {
        Ask::from_pdu(
            bytes.first().copied().unwrap_or_default(),
            bytes
                .get(1..bytes.len().saturating_sub(2))
                .unwrap_or_default(),
        )
        .is_some_and(|ask| {
            let mut recent = self.recent.iter();
            recent.any(|made| {
                (made.trial.unit, self.question(made.trial)) == (ask.unit, ask.question)
            })
        })
    }

    /// Somebody said something that is no frame: those just asked are asked again.
    fn suspect(&mut self, stray: &Stray, line: LineSettings) {
        self.recent
            .retain(|made| made.ended + STILL_TO_COME >= stray.at);
        let suspects: Vec<Made> = self.recent.iter().copied().collect();
        for made in &suspects {
            let trial = made.trial;
            // How many characters it was at other settings cannot be told: those of an answer.
            let (characters, slack) = if trial.line == line {
                (stray.bytes.len().saturating_sub(1), SLACK)
            } else {
                (ANSWER, SLACK + trial.line.characters(ANSWER))
            };
            let begun = stray.at.saturating_sub(trial.line.characters(characters));
            let needed = begun.saturating_sub(made.sent_at + trial.line.frame_silence());
            let needed_ms = needed.as_secs_f64() * 1000.0;
            if needed_ms > SLOWEST_MS {
                continue;
            }
            let first_byte = made
                .first_byte
                .max(order::first_byte(trial.line, 0, self.plan.hold_back) + needed + slack);
            let likely = self.line_share(trial.line)
                * prior::address(trial.unit)
                * prior::answers_at(needed_ms).max(1e-5);
            let score = likely / first_byte.as_secs_f64();
            self.hint(score, (trial.line, trial.unit), first_byte);
            if stray.at < made.ended {
                continue;
            }
            // It may have taken our question in spite of another parity than its own.
            for parity in [Parity::None, Parity::Even, Parity::Odd] {
                let line = LineSettings {
                    parity,
                    ..trial.line
                };
                if line != trial.line {
                    self.hint(score * NEIGHBOUR, (line, trial.unit), first_byte);
                }
            }
        }
    }

    fn line_share(&self, line: LineSettings) -> f64 {
        let known = self.plan.lines.iter().find(|(known, _)| *known == line);
        known.map_or(0.0, |(_, share)| *share)
    }

    /// Keeps a place to ask again; the better of two hints for the same place.
    fn hint(&mut self, score: f64, place: LineAndUnit, first_byte: Duration) {
        let is_planned = self.plan.lines.iter().any(|(line, _)| *line == place.0)
            && self.plan.units.contains(&place.1);
        let is_found = |found: &Found| found.is_at(place);
        let asked = self.again.get(&place).copied().unwrap_or_default();
        if !is_planned || asked >= AGAIN || self.found.iter().any(is_found) {
            return;
        }
        match self.hints.iter_mut().find(|(_, known, _)| *known == place) {
            Some((known, _, wait)) => {
                *known = known.max(score);
                *wait = (*wait).max(first_byte);
            }
            None => self.hints.push((score, place, first_byte)),
        }
    }
}

/// Whether the unit asked has answered, and the code with which it refused.
///
/// To which of several questions does not matter here: an answer that would fit an earlier one as
/// well comes from the same unit.
fn somebody(exchange: &Exchange) -> Option<Option<u8>> {
    let is_own = |code: &u8| !matches!(code, 0x0a | 0x0b);
    match &exchange.outcome {
        Outcome::Answered(_) => Some(None),
        Outcome::Exception(code) => is_own(code).then_some(Some(*code)),
        _ => {
            let mut strays = exchange.strays.iter();
            let stray = strays.find(|stray| stray.kind == StrayKind::Doubtful)?;
            match stray.bytes.as_slice() {
                [_, function, code, ..] if *function >= 0x80 => is_own(code).then_some(Some(*code)),
                _ => Some(None),
            }
        }
    }
}
