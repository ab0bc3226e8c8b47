//! Bad habits of a line: what becomes of an answer on its way.
//!
//! Input: the rules of a scenario, an answer, the dice. Output: the frames that really come, and
//! when. Counts what it did. Does not: know registers or times of the line.

use std::collections::BTreeMap;
use std::time::Duration;

use crate::dice::Dice;
use crate::frame::{Framing, Request, wrap};
use crate::mischief_plan::{Mischief, MischiefKind};

/// An answer on its way.
#[derive(Debug, Clone)]
pub(crate) struct Answer {
    /// Transaction id, on TCP.
    pub(crate) transaction: u16,
    /// Unit address.
    pub(crate) unit: u8,
    /// Function code and data.
    pub(crate) pdu: Vec<u8>,
}

/// A frame, or what is left of it, that really comes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Coming {
    /// So much later than the answer would have begun.
    pub(crate) later: Duration,
    /// Bytes.
    pub(crate) bytes: Vec<u8>,
    /// One byte at a time, so far apart.
    pub(crate) bytewise: Option<Duration>,
}

impl Coming {
    /// An answer that comes over the line as it should.
    pub(crate) fn plain(request: &Request, pdu: &[u8]) -> Self {
        Self {
            later: Duration::ZERO,
            bytes: wrap(Framing::Rtu, 0, request.unit, pdu),
            bytewise: None,
        }
    }
}

/// The rules, with what they have done so far.
#[derive(Debug, Clone)]
pub(crate) struct Rules {
    rules: Vec<(Mischief, u32)>,
    dice: Dice,
}

impl Rules {
    /// Rules of a scenario.
    pub(crate) fn new(rules: &[Mischief], dice: Dice) -> Self {
        Self {
            rules: rules.iter().map(|rule| (rule.clone(), 0)).collect(),
            dice,
        }
    }

    /// How often each kind was done.
    pub(crate) fn counts(&self) -> BTreeMap<MischiefKind, u32> {
        let mut counts = BTreeMap::new();
        for (rule, done) in &self.rules {
            *counts.entry(rule.kind).or_default() += done;
        }
        counts
    }

    /// The next rule of this kind that acts now, from a position on.
    fn acts(
        &mut self,
        kinds: &[MischiefKind],
        now: Duration,
        unit: u8,
        fits: impl Fn(&Mischief) -> bool,
    ) -> Vec<Mischief> {
        let mut acting = Vec::new();
        for (rule, done) in &mut self.rules {
            let in_time = now >= rule.from && rule.until.is_none_or(|until| now < until);
            let left = rule.times.is_none_or(|times| *done < times);
            let concerned =
                kinds.contains(&rule.kind) && rule.unit.is_none_or(|u| u == unit) && fits(rule);
            if in_time && left && concerned && self.dice.percent(rule.chance) {
                *done = done.saturating_add(1);
                acting.push(rule.clone());
            }
        }
        acting
    }

    /// Whether a unit is as if it were not there.
    pub(crate) fn absent(&mut self, now: Duration, unit: u8) -> bool {
        !self
            .acts(&[MischiefKind::NoAnswer], now, unit, |_| true)
            .is_empty()
    }

    /// Whether the adapter sends back what it is given.
    pub(crate) fn echoes(&mut self, now: Duration) -> bool {
        !self
            .acts(&[MischiefKind::Echo], now, 0, |rule| rule.unit.is_none())
            .is_empty()
    }

    /// The exception code with which a read is refused, if it is.
    pub(crate) fn refusal(
        &mut self,
        now: Duration,
        unit: u8,
        covers: impl Fn(packside_profiles::Role) -> bool,
    ) -> Option<u8> {
        let fits = |rule: &Mischief| rule.role.is_some_and(&covers);
        self.acts(&[MischiefKind::Exception], now, unit, fits)
            .first()
            .map(|rule| rule.code)
    }

    /// What really comes of an answer.
    pub(crate) fn spoil(
        &mut self,
        now: Duration,
        framing: Framing,
        answer: &Answer,
    ) -> Vec<Coming> {
        use MischiefKind::{Bytewise, Cut, Damage, Drop, Foreign, Garbage, Late, Twice, WrongUnit};
        let kinds = [
            Drop, Damage, Late, Twice, Foreign, Garbage, Cut, Bytewise, WrongUnit,
        ];
        let acting = self.acts(&kinds, now, answer.unit, |_| true);
        let unit = if acting.iter().any(|r| r.kind == WrongUnit) {
            next_unit(answer.unit)
        } else {
            answer.unit
        };
        let mut bytes = wrap(framing, answer.transaction, unit, &answer.pdu);
        let (mut later, mut bytewise, mut dropped) = (Duration::ZERO, None, false);
        let (mut before, mut again) = (Vec::new(), None);
        for rule in &acting {
            let amount = usize::from(rule.amount);
            match rule.kind {
                Drop => dropped = true,
                Damage => self.damage(framing, &mut bytes, amount),
                Late => later += rule.delay,
                Twice => again = Some(rule.delay),
                Foreign => before.extend(foreign(framing, answer, &mut self.dice)),
                Garbage => before.extend((0..amount.min(300)).map(|_| self.dice.byte())),
                Cut => bytes.truncate(bytes.len().saturating_sub(amount.max(1))),
                Bytewise => bytewise = Some(rule.delay),
                _ => {}
            }
        }
        if dropped {
            return Vec::new();
        }
        let repeated = again.map(|delay| Coming {
            later: later + delay,
            bytes: bytes.clone(),
            bytewise: None,
        });
        before.extend(bytes);
        let mut coming = vec![Coming {
            later,
            bytes: before,
            bytewise,
        }];
        coming.extend(repeated);
        coming
    }

    /// Flips bits that differ from each other; on TCP only in the header, since nothing there
    /// protects the rest and no client could notice.
    fn damage(&mut self, framing: Framing, bytes: &mut [u8], amount: usize) {
        let reach = if framing == Framing::Tcp {
            bytes.len().min(6)
        } else {
            bytes.len()
        };
        let mut flipped = Vec::new();
        while flipped.len() < amount.min(reach * 8) {
            let bit = self.dice.below(reach * 8);
            if flipped.contains(&bit) {
                continue;
            }
            flipped.push(bit);
            if let Some(byte) = bytes.get_mut(bit / 8) {
                *byte ^= 1 << (bit % 8);
            }
        }
    }
}

fn next_unit(unit: u8) -> u8 {
    if unit >= 247 { 1 } else { unit + 1 }
}

/// An answer of another unit to another question: two registers of noise.
fn foreign(framing: Framing, answer: &Answer, dice: &mut Dice) -> Vec<u8> {
    let pdu = [3, 4, dice.byte(), dice.byte(), dice.byte(), dice.byte()];
    wrap(
        framing,
        answer.transaction.wrapping_add(0x5a5a),
        next_unit(answer.unit),
        &pdu,
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rule(kind: MischiefKind) -> Mischief {
        Mischief {
            kind,
            chance: 100.0,
            times: None,
            from: Duration::ZERO,
            until: None,
            unit: None,
            delay: Duration::from_millis(700),
            amount: 2,
            code: 2,
            role: None,
        }
    }

    fn spoil(rule: Mischief) -> (Vec<u8>, Vec<Coming>) {
        let answer = Answer {
            transaction: 0,
            unit: 1,
            pdu: vec![4, 2, 0, 10],
        };
        let mut rules = Rules::new(&[rule], Dice::new(5));
        (
            wrap(Framing::Rtu, 0, 1, &answer.pdu),
            rules.spoil(Duration::ZERO, Framing::Rtu, &answer),
        )
    }

    // Kind: invented
    #[test]
    fn spoil_does_what_each_kind_says() {
        assert!(spoil(rule(MischiefKind::Drop)).1.is_empty());
        let (clean, coming) = spoil(rule(MischiefKind::Damage));
        let flipped: u32 = clean
            .iter()
            .zip(&coming[0].bytes)
            .map(|(a, b)| (a ^ b).count_ones())
            .sum();
        assert_eq!(flipped, 2);
        let (clean, coming) = spoil(rule(MischiefKind::Late));
        assert_eq!(
            (coming[0].later.as_millis(), &coming[0].bytes),
            (700, &clean)
        );
        let (clean, coming) = spoil(rule(MischiefKind::Twice));
        assert_eq!(
            (coming.len(), &coming[1].bytes, coming[1].later.as_millis()),
            (2, &clean, 700)
        );
        let (clean, coming) = spoil(rule(MischiefKind::Garbage));
        assert_eq!(coming[0].bytes.len(), clean.len() + 2);
        assert!(coming[0].bytes.ends_with(&clean));
        let (clean, coming) = spoil(rule(MischiefKind::Cut));
        assert_eq!(coming[0].bytes, clean[..clean.len() - 2]);
        let (_, coming) = spoil(rule(MischiefKind::WrongUnit));
        assert_eq!(
            (coming[0].bytes[0], crate::frame::crc(&coming[0].bytes)),
            (2, 0)
        );
        let (clean, coming) = spoil(rule(MischiefKind::Foreign));
        assert_eq!(
            (coming[0].bytes[0], coming[0].bytes.ends_with(&clean)),
            (2, true)
        );
    }

    // Kind: invented
    #[test]
    fn rules_with_a_number_of_times_stop_after_it() {
        let answer = Answer {
            transaction: 0,
            unit: 1,
            pdu: vec![4, 2, 0, 10],
        };
        let limited = Mischief {
            times: Some(2),
            ..rule(MischiefKind::Drop)
        };
        let mut rules = Rules::new(&[limited], Dice::new(5));
        let gone = (0..5)
            .filter(|_| {
                rules
                    .spoil(Duration::ZERO, Framing::Rtu, &answer)
                    .is_empty()
            })
            .count();
        assert_eq!((gone, rules.counts()[&MischiefKind::Drop]), (2, 2));
    }
}
