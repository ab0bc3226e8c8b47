//! How well the line does, from counts: what share of the answers is damaged, and what it goes with.
//!
//! Input: exchanges, and when current flowed. Output: a [`Health`] and the sights it gives. A share
//! is never told without its Wilson interval; two shares count as different only where their
//! intervals do not overlap. Does not: weigh causes (see `causes`).
//!
//! # Sources
//! - Wilson score interval: E. B. Wilson, JASA 22 (1927) 209-212

use std::time::Duration;

use super::share::Share;
use super::sight::{Count, Others, Sight, Sights, Text};
use crate::ask::{Exchange, Outcome, Silence, Stray, StrayKind};
use crate::wire::question::Counter;
use crate::wire::{Answer, Question, crc16};

/// How well a line does.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Health {
    /// Questions to which something came, or nothing where something was due: damaged ones.
    pub damaged: Share,
    /// The same for answers of at most 25 bytes.
    pub short: Share,
    /// The same for longer ones.
    pub long: Share,
    /// Damaged ones that are whole but for their first bytes.
    pub first_bytes: Share,
    /// Damaged ones while current flowed.
    pub with_current: Share,
    /// Damaged ones while none flowed.
    pub without_current: Share,
    /// Damaged answers that came before to a question from the same register on, damaged in the same way.
    pub repeated: u32,
    /// Questions while which readable text came.
    pub text: u32,
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
pub(crate) const SHORT: usize = 25;

/// Fewer damaged answers one after another are no row.
const ROW: u32 = 3;

/// What is expected less often than this by chance counts as no chance.
const RARE: f64 = 0.05;

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
            health.first_bytes.count(only_first_bytes_wrong(exchange));
        }
        row = if damaged { row + 1 } else { 0 };
        health.longest_row = health.longest_row.max(row);
    }
    health.counted = counted(exchanges);
    health.repeated = repeated(exchanges);
    health.text = count(exchanges.iter().filter(|e| text_came(e)).count());
    health
}

/// Alike so far, damaged answers are no work of chance.
const ALIKE: usize = 8;

/// How many damaged answers came before, to a question from the same register on and damaged in the same
/// way: noise never does so, two units that answer on top of each other do.
fn repeated(exchanges: &[Exchange]) -> u32 {
    let mut known: Vec<((u8, u8, u16), Vec<u8>)> = Vec::new();
    let mut again = 0;
    for exchange in exchanges {
        let Question::Read { address, .. } = exchange.ask.question else {
            continue;
        };
        let bytes = torn_bytes(exchange);
        // The check value goes with the length asked for, the bytes before it do not.
        let body = bytes.len().saturating_sub(2);
        // A cut answer is alike in what is left of it.
        let whole = bytes.len() == answer_length(exchange);
        if !whole || body < ALIKE || only_first_bytes_wrong(exchange) {
            continue;
        }
        let key = (exchange.ask.unit, exchange.ask.function(), address);
        let alike = |(other, before): &((u8, u8, u16), Vec<u8>)| {
            let both = body.min(before.len().saturating_sub(2));
            *other == key && both >= ALIKE && before.get(3..both) == bytes.get(3..both)
        };
        again += u32::from(known.iter().any(alike));
        known.push((key, bytes));
    }
    again
}

/// The bytes of an answer that did not come whole.
fn torn_bytes(exchange: &Exchange) -> Vec<u8> {
    let torn = exchange
        .strays
        .iter()
        .filter(|s| matches!(s.kind, StrayKind::Damaged | StrayKind::Noise));
    torn.flat_map(|s| s.bytes.iter().copied()).collect()
}

/// Whether something readable that is no frame came while this question was open.
fn text_came(exchange: &Exchange) -> bool {
    exchange.strays.iter().any(|stray| {
        let readable = || stray.bytes.iter().all(|byte| is_readable(*byte));
        stray.kind == StrayKind::Noise && stray.bytes.len() > 3 && readable()
    })
}

/// Whether a byte is one of readable text.
pub(crate) fn is_readable(byte: u8) -> bool {
    matches!(byte, b'\t' | b'\n' | b'\r' | 0x20..=0x7e)
}

fn is_damaged(exchange: &Exchange) -> bool {
    let torn = |kind| matches!(kind, StrayKind::Damaged | StrayKind::Noise);
    // Text between whole answers is somebody else's, no damage of ours.
    if matches!(exchange.outcome, Outcome::Answered(_)) && text_came(exchange) {
        return false;
    }
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

/// Whether the answer is whole but for its beginning: with the first bytes as they must be, what came
/// satisfies the check value.
fn only_first_bytes_wrong(exchange: &Exchange) -> bool {
    let bytes = torn_bytes(exchange);
    let unit = exchange.ask.unit;
    let due = match exchange.ask.question {
        Question::Read { count, .. } => u8::try_from(2 * u32::from(count))
            .map_or_else(|_| Vec::new(), |n| vec![unit, exchange.ask.function(), n]),
        // An answer of function 08 begins as its question does.
        Question::Echo(_) | Question::Counter(_) => {
            let pdu = exchange.ask.encode_pdu();
            std::iter::once(unit)
                .chain(pdu.into_iter().take(3))
                .collect()
        }
        _ => Vec::new(),
    };
    let rest = answer_length(exchange).saturating_sub(due.len());
    let fits = |tail: &[u8]| crc16(&[due.as_slice(), tail].concat()) == 0;
    !due.is_empty() && rest > 2 && bytes.windows(rest).any(fits)
}

impl Health {
    /// Whether the line does badly enough to say so.
    pub fn is_bad(&self) -> bool {
        self.damages() || self.late.hits >= 2 || self.busy >= 2 || self.text >= 2
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
            sights.note(Sight::UnitMissed { questions, heard });
        } else if heard == questions && counted.damaged > 0 {
            let damaged = counted.damaged;
            sights.note(Sight::UnitHeardAll { questions, damaged });
        }
        if let Some(errors) = counted.errors.filter(|errors| *errors > 0) {
            sights.note(Sight::UnitCountsErrors { errors });
        }
    }

    /// Whether a row as long as the longest would hardly come about if damage struck each answer alike.
    fn row_is_no_accident(&self) -> bool {
        let share = f64::from(self.damaged.hits) / f64::from(self.damaged.tries.max(1));
        let row = i32::try_from(self.longest_row).unwrap_or(i32::MAX);
        f64::from(self.damaged.tries) * share.powi(row) < RARE
    }

    /// What the damaged answers themselves show.
    pub(crate) fn of_content(&self, sights: &mut Sights) {
        let answers = self.repeated;
        sights.note_if(answers > 0, Sight::SameDamage { answers });
    }

    /// What it shows.
    pub(crate) fn sights(&self, sights: &mut Sights) {
        let answers = Count::Among(self.damaged);
        sights.note_if(self.damaged.hits > 0, Sight::Damaged { answers });
        if self.long.exceeds(self.short) {
            sights.note(Sight::GrowsWithLength {
                long: self.long,
                short: self.short,
            });
        }
        if self.first_bytes.hits >= 2 && self.first_bytes.hits * 2 > self.first_bytes.tries {
            let answers = self.first_bytes;
            sights.note(Sight::FirstBytes { answers });
        }
        self.of_content(sights);
        if self.longest_row >= ROW && self.row_is_no_accident() {
            let row = self.longest_row;
            sights.note(Sight::Bursts { row });
        }
        if self.with_current.exceeds(self.without_current) {
            sights.note(Sight::FollowsPower {
                with: self.with_current,
                without: self.without_current,
            });
        }
        self.direction(sights);
        self.beside_damage(sights);
    }

    /// What came between our questions and their answers, or instead of them.
    fn beside_damage(&self, sights: &mut Sights) {
        if self.crossed > 0 {
            let heard = Others::Crossed(self.crossed);
            sights.note(Sight::Foreign { heard });
            // Collisions need somebody who asks meanwhile; one that destroys both questions is rare.
            let answers = self.damaged.hits;
            sights.note_if(
                answers > self.crossed + 1,
                Sight::MoreThanCrossed { answers },
            );
        }
        if self.late.hits > 0 {
            let answers = self.late;
            sights.note(match sights.gateway {
                true => Sight::LateByGateway { answers },
                false => Sight::Late {
                    answers: Count::Among(answers),
                },
            });
        }
        let came = Text::Questions(self.text);
        sights.note_if(self.text > 0, Sight::Text { came });
        let answers = Some(self.busy);
        sights.note_if(self.busy > 0, Sight::Busy { answers });
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // Kind: derived
    #[test]
    fn row_counts_only_where_chance_would_hardly_make_it() {
        let health = |hits, tries, longest_row| Health {
            damaged: Share { hits, tries },
            longest_row,
            ..Health::default()
        };
        // 35 x (17/35)^3 = 4.0; 40 x (4/40)^4 = 0.004
        assert!(!health(17, 35, 3).row_is_no_accident());
        assert!(health(4, 40, 4).row_is_no_accident());
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
