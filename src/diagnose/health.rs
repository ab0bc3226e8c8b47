//! How well the line does, from counts: what share of the answers is damaged, and what it goes with.
//!
//! Input: exchanges, and when current flowed. Output: a [`Health`] and the sights it gives. A share
//! is never told without its Wilson interval; two shares count as different only where their
//! intervals do not overlap. Does not: weigh causes (see `causes`).
//!
//! # Sources
//! - Wilson score interval: E. B. Wilson, JASA 22 (1927) 209-212

use std::time::Duration;

use super::sight::{Sight, Sights};
use crate::ask::{Exchange, Outcome, Silence, Stray, StrayKind};
use crate::wire::question::Counter;
use crate::wire::{Answer, Question};

/// A count among tries.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Share {
    /// How often.
    pub hits: u32,
    /// Among how many.
    pub tries: u32,
}

// Kind: derived (97.5 % quantile of the normal distribution)
const Z: f64 = 1.959_963_984_540_054;

impl Share {
    fn count(&mut self, hit: bool) {
        self.tries += 1;
        self.hits += u32::from(hit);
    }

    /// Wilson's 95 % interval, 0 to 1; all of it where nothing was tried.
    pub fn interval(self) -> (f64, f64) {
        if self.tries == 0 {
            return (0.0, 1.0);
        }
        let n = f64::from(self.tries);
        let p = f64::from(self.hits.min(self.tries)) / n;
        let scale = 1.0 + Z * Z / n;
        let centre = (p + Z * Z / (2.0 * n)) / scale;
        let half = Z * (p * (1.0 - p) / n + Z * Z / (4.0 * n * n)).sqrt() / scale;
        ((centre - half).max(0.0), (centre + half).min(1.0))
    }

    /// Whether this share is larger than another for certain.
    fn exceeds(self, other: Self) -> bool {
        self.tries > 0 && other.tries > 0 && self.interval().0 > other.interval().1
    }

    fn text(self) -> String {
        let (low, high) = self.interval();
        format!(
            "{} of {} ({:.0} to {:.0} %)",
            self.hits,
            self.tries,
            low * 100.0,
            high * 100.0
        )
    }
}

/// How well a line does.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Health {
    /// Questions to which something came, or nothing where something was due: damaged ones.
    pub damaged: Share,
    /// The same for answers of at most 25 bytes.
    pub short: Share,
    /// The same for longer ones.
    pub long: Share,
    /// Damaged ones whose first two bytes are wrong although the length fits.
    pub first_bytes: Share,
    /// Damaged ones while current flowed.
    pub with_current: Share,
    /// Damaged ones while none flowed.
    pub without_current: Share,
    /// The longest row of damaged answers.
    pub longest_row: u32,
    /// Answers that came too late, among all questions.
    pub late: Share,
    /// Answers "busy".
    pub busy: u32,
    /// Questions of ours while which somebody else asked.
    pub crossed: u32,
    /// What the unit itself counted, where it was asked.
    pub counted: Option<Counted>,
}

/// What a unit counted between our first and our last reading of its counters (function 08).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Counted {
    /// Unit address.
    pub unit: u8,
    /// Questions that we sent it meanwhile.
    pub questions: u32,
    /// Messages to it that it heard meanwhile, those of others included.
    pub heard: u32,
    /// Frames with a wrong check value that it saw meanwhile, whoever sent them.
    pub errors: Option<u32>,
    /// Answers to our questions that did not come whole meanwhile.
    pub damaged: u32,
}

/// More than this between two readings is no counting but a restart of the unit.
const COUNTED_AT_MOST: u32 = 10_000;

/// Finds the first and the last reading of the counters of the first unit that gave them.
// Kind:   published
// Source: Modbus Application Protocol V1.1b3, 6.8: 0C counts CRC errors seen on the bus, 0E messages
//         addressed to the server, both 16 bits
pub(crate) fn counted(exchanges: &[Exchange]) -> Option<Counted> {
    let reading = |exchange: &Exchange, wanted: Counter| match &exchange.outcome {
        Outcome::Answered(Answer::Counter(value))
            if exchange.ask.question == Question::Counter(wanted) =>
        {
            Some(*value)
        }
        _ => None,
    };
    let unit = exchanges
        .iter()
        .find(|e| reading(e, Counter::ServerMessages).is_some())?
        .ask
        .unit;
    let ours: Vec<&Exchange> = exchanges.iter().filter(|e| e.ask.unit == unit).collect();
    let ends = |wanted| {
        let mut of = ours
            .iter()
            .enumerate()
            .filter_map(|(place, e)| Some((place, reading(e, wanted)?)));
        let first = of.next()?;
        let last = of.next_back()?;
        let grown = u32::from(last.1.wrapping_sub(first.1));
        (grown <= COUNTED_AT_MOST).then_some((first.0, last.0, grown))
    };
    let (first, last, heard) = ends(Counter::ServerMessages)?;
    let between = ours.get(first + 1..=last)?;
    let whole = |e: &&&Exchange| matches!(e.outcome, Outcome::Answered(_) | Outcome::Exception(_));
    Some(Counted {
        unit,
        questions: count(between.len()),
        heard,
        errors: ends(Counter::BusErrors).map(|(_, _, grown)| grown),
        damaged: count(between.len() - between.iter().filter(whole).count()),
    })
}

fn count(n: usize) -> u32 {
    u32::try_from(n).unwrap_or(u32::MAX)
}

/// Answers up to so many bytes count as short.
pub(super) const SHORT: usize = 25;

/// A row of damaged answers this long is no accident where most answers are whole.
const ROW: u32 = 3;

/// Counts. `current` says whether current flowed at a moment, where that is known.
pub(crate) fn health(exchanges: &[Exchange], current: impl Fn(Duration) -> Option<bool>) -> Health {
    let mut health = Health::default();
    let mut row = 0;
    for exchange in exchanges {
        let damaged = is_damaged(exchange);
        let came = !matches!(
            exchange.outcome,
            Outcome::TimedOut(Silence::Nothing) | Outcome::LinkLost
        );
        let late = exchange.strays.iter().any(|s| s.kind == StrayKind::Late);
        health.late.count(late);
        let crossing = |s: &Stray| s.kind == StrayKind::ForeignRequest;
        health.crossed += u32::from(exchange.strays.iter().any(crossing));
        if matches!(exchange.outcome, Outcome::Exception(0x05 | 0x06)) {
            health.busy += 1;
        }
        if !came {
            continue;
        }
        health.damaged.count(damaged);
        let length = answer_length(exchange);
        if length <= SHORT {
            health.short.count(damaged);
        } else {
            health.long.count(damaged);
        }
        match current(exchange.ended_at) {
            Some(true) => health.with_current.count(damaged),
            Some(false) => health.without_current.count(damaged),
            None => {}
        }
        if damaged {
            health
                .first_bytes
                .count(only_first_bytes_wrong(exchange, length));
        }
        row = if damaged { row + 1 } else { 0 };
        health.longest_row = health.longest_row.max(row);
    }
    health.counted = counted(exchanges);
    health
}

fn is_damaged(exchange: &Exchange) -> bool {
    let torn = |kind| matches!(kind, StrayKind::Damaged | StrayKind::Noise);
    matches!(exchange.outcome, Outcome::TimedOut(Silence::Damaged))
        || exchange
            .strays
            .iter()
            .any(|stray| torn(stray.kind) && stray.bytes.len() > 3)
}

/// Bytes of the answer due.
fn answer_length(exchange: &Exchange) -> usize {
    match exchange.ask.question {
        Question::Read { count, .. } => 5 + 2 * usize::from(count),
        _ => 8,
    }
}

/// Whether the bytes that came are as many as were due, and begin wrongly.
fn only_first_bytes_wrong(exchange: &Exchange, length: usize) -> bool {
    let bytes: Vec<u8> = exchange
        .strays
        .iter()
        .flat_map(|s| s.bytes.iter().copied())
        .collect();
    let fits = bytes.len() + 2 >= length && bytes.len() <= length + 2;
    fits && bytes.first() != Some(&exchange.ask.unit)
}

impl Health {
    /// Whether the line does badly enough to say so.
    pub fn is_bad(&self) -> bool {
        self.damages() || self.late.hits >= 2 || self.busy >= 2
    }

    /// Whether answers came damaged more often than by accident.
    pub(crate) fn damages(&self) -> bool {
        self.damaged.hits >= 2
    }

    /// In which direction the damage lies, by what the unit counted.
    fn direction(&self, sights: &mut Sights) {
        let Some(counted) = self.counted else {
            return;
        };
        let Counted {
            questions, heard, ..
        } = counted;
        if heard < questions {
            let words = format!(
                "of {questions} questions the unit counted only {heard}: damage on the way to it"
            );
            sights.note_as(Sight::UnitMissed, words);
        } else if heard == questions && counted.damaged > 0 {
            let words = format!(
                "the unit counted all {questions} questions, yet {} answers did not come whole: damage on the way back",
                counted.damaged
            );
            sights.note_as(Sight::UnitHeardAll, words);
        }
        if let Some(errors) = counted.errors.filter(|errors| *errors > 0) {
            let words = format!("the unit itself counted {errors} damaged frames meanwhile");
            sights.note_as(Sight::UnitCountsErrors, words);
        }
    }

    /// What it shows.
    pub(crate) fn sights(&self, sights: &mut Sights) {
        if self.damaged.hits > 0 {
            sights.note_as(
                Sight::Damaged,
                format!("damaged answers: {}", self.damaged.text()),
            );
        }
        if self.long.exceeds(self.short) {
            sights.note_as(
                Sight::GrowsWithLength,
                format!(
                    "long answers are damaged more often: {} against {} of the short ones",
                    self.long.text(),
                    self.short.text()
                ),
            );
        }
        if self.first_bytes.hits >= 2 && self.first_bytes.hits * 2 > self.first_bytes.tries {
            sights.note_as(
                Sight::FirstBytes,
                format!(
                    "the first bytes are wrong, the length is right: {}",
                    self.first_bytes.text()
                ),
            );
        }
        if self.longest_row >= ROW && self.damaged.hits * 2 < self.damaged.tries {
            sights.note_as(
                Sight::Bursts,
                format!("{} damaged answers in a row", self.longest_row),
            );
        }
        if self.with_current.exceeds(self.without_current) {
            sights.note_as(
                Sight::FollowsPower,
                format!(
                    "damage comes with current: {} against {} without",
                    self.with_current.text(),
                    self.without_current.text()
                ),
            );
        }
        self.direction(sights);
        if self.crossed > 0 {
            let words = format!(
                "somebody else asked while {} of our questions were open",
                self.crossed
            );
            sights.note_as(Sight::Foreign, words);
        }
        if self.late.hits > 0 {
            sights.note_as(
                Sight::Late,
                format!("answers after the time-out: {}", self.late.text()),
            );
        }
        if self.busy > 0 {
            sights.note_as(
                Sight::Busy,
                format!("{} answers were \"busy\" (exception 05 or 06)", self.busy),
            );
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // Kind:   published (examples of Newcombe 1998, Statistics in Medicine 17:857-872, score method
    //         without continuity correction), recomputed with scipy 1.17.1
    #[test]
    fn wilson_interval_gives_the_published_examples() {
        for (hits, tries, low, high) in [
            (81, 263, 0.2553, 0.3662),
            (15, 148, 0.0624, 0.1605),
            (0, 20, 0.0, 0.1611),
            (1, 29, 0.0061, 0.1718),
        ] {
            let (a, b) = Share { hits, tries }.interval();
            assert!(
                (a - low).abs() < 6e-5 && (b - high).abs() < 6e-5,
                "{hits}/{tries}: {a} {b}"
            );
        }
    }

    // Kind: derived
    #[test]
    fn share_without_tries_says_nothing_and_shares_differ_only_without_overlap() {
        assert_eq!(Share::default().interval(), (0.0, 1.0));
        let share = |hits, tries| Share { hits, tries };
        assert!(share(9, 10).exceeds(share(0, 30)));
        assert!(!share(2, 4).exceeds(share(0, 3)));
        assert!(!share(1, 1).exceeds(Share::default()));
    }
}
