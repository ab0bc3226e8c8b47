//! Words and codes of a unit over time: since when each flag is known, and what a code showed last.
//!
//! Input: the words of one instance, as they are read. Output: for each of its flags when it was first
//! and last up; of a code that takes turns when each of its numbers was last shown.
//!
//! Does not: say what a flag means.

use std::time::Duration;

use packside_profiles::model::{Flag, Point};
use packside_profiles::{Class, Quality, StateKind, Value};

use super::map::Map;
use super::samples::Given;
use super::spell::Spell;
use super::stamp::Stamp;

/// A code that takes turns has shown every one of its faults within this time.
// Kind: common practice (some codes of a few seconds each)
pub const TURN: Duration = Duration::from_secs(15);
/// Most numbers of one code that are remembered: those shown last.
const CODES: usize = 64;

/// One flag at one instance of its word.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(crate) struct FlagSeen {
    /// When it was first seen up.
    pub(crate) first_up: Option<Stamp>,
    /// When it was last seen up, and the word then.
    pub(crate) last_up: Option<(Stamp, u64)>,
    /// It was up once while the unit was in service and nothing that brings it was.
    pub(crate) before_silence: bool,
    /// For how long it is to be reckoned with, if it was ever up.
    spell: Option<Box<Spell>>,
}

impl FlagSeen {
    fn take(&mut self, at: Stamp, raw: u64, flag: &Flag) {
        if !is_up(flag, raw) {
            if let Some(spell) = &mut self.spell {
                spell.good(at);
            }
            return;
        }
        self.first_up.get_or_insert(at);
        self.last_up = Some((at, raw));
        match &mut self.spell {
            Some(spell) => spell.goes_on(at),
            None => {
                let mut spell = Spell::begin(at);
                // What neither time nor a good reading heals.
                if matches!(
                    flag.class,
                    Class::InsulationLow | Class::ShortCircuit | Class::CellBelowMinimum
                ) {
                    spell.stay();
                }
                self.spell = Some(Box::new(spell));
            }
        }
    }

    /// Whether it is down and still to be reckoned with.
    pub(crate) fn is_open(&self, now: Stamp) -> bool {
        self.spell.as_ref().is_some_and(|spell| spell.is_open(now))
    }

    /// How often it came up.
    pub(crate) fn times(&self) -> u32 {
        self.spell.as_ref().map_or(0, |spell| spell.times())
    }
}

/// The words of one instance.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(crate) struct WordMemory {
    /// In the order of the flags of the point.
    pub(crate) flags: Vec<FlagSeen>,
    /// Of a code that takes turns: its numbers, each with the moment at which it was last shown.
    codes: Vec<(u64, Stamp)>,
}

impl WordMemory {
    pub(crate) fn new(flags: usize) -> Self {
        Self {
            flags: vec![FlagSeen::default(); flags],
            codes: Vec::new(),
        }
    }

    /// Takes the next word.
    pub(crate) fn take(&mut self, at: Stamp, raw: u64, point: &Point, flags: &[usize], map: &Map) {
        for (seen, flag) in self.flags.iter_mut().zip(flags) {
            if let Some(flag) = map.flag(*flag) {
                seen.take(at, raw, flag);
            }
        }
        if point.rotates {
            self.codes.retain(|(known, _)| *known != raw);
            self.codes.push((raw, at));
            let surplus = self.codes.len().saturating_sub(CODES);
            self.codes.drain(..surplus);
        }
    }

    /// Bytes that it holds beside itself.
    pub(crate) fn held(&self) -> usize {
        let spells = self.flags.iter().filter(|flag| flag.spell.is_some());
        self.flags.capacity() * size_of::<FlagSeen>()
            + spells.count() * size_of::<Spell>()
            + self.codes.capacity() * size_of::<(u64, Stamp)>()
    }

    /// The words that say what is up now, newest first: the last one, and of a code that takes turns every
    /// other one of the last turn.
    pub(crate) fn shown_now(&self, last: u64, at: Stamp) -> Vec<u64> {
        let mut words = vec![last];
        let of_turn = |seen: &Stamp| at.since(*seen).is_some_and(|ago| ago <= TURN);
        let turn = self.codes.iter().rev().filter(|(_, seen)| of_turn(seen));
        words.extend(turn.map(|(raw, _)| *raw).filter(|raw| *raw != last));
        words
    }
}

/// The raw word of a sample, if it can be relied on.
pub(crate) fn word(what: &Given) -> Option<u64> {
    match what {
        Given::Decoded(decoded) if decoded.quality == Quality::Good => match decoded.value {
            Some(Value::Bits(bits)) => Some(bits),
            Some(Value::Code(code)) => Some(code),
            _ => Some(decoded.raw),
        },
        _ => None,
    }
}

/// Whether a flag is up in this word.
pub(crate) fn is_up(flag: &Flag, raw: u64) -> bool {
    match flag.bit {
        Some(bit) => (raw >> bit.min(63)) & 1 == u64::from(flag.active),
        None => flag.values.contains(&raw),
    }
}

/// Statuses that belong to a state and need no other reason.
pub(crate) fn state_explains(state: StateKind, class: Class) -> bool {
    match class {
        Class::SwitchesOpen | Class::TerminalsDead | Class::LimitsZero | Class::NotReadyStatus => {
            !matches!(state, StateKind::Standby | StateKind::Running)
        }
        Class::Balancing | Class::Derating => true,
        _ => false,
    }
}
