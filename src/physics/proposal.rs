//! What registers may be, and what was found so far.

use std::collections::BTreeSet;

use packside_profiles::Role;
use packside_profiles::model::{Footing, Key, Kind, Table, WordOrder};

use super::claim::Evidence;
use super::images::{Images, Register};
use super::reading::{Reading, Series};
use super::relate::{correlation, middle, pairs};

/// Something that registers may be.
#[derive(Debug, Clone, PartialEq)]
pub struct Proposal {
    /// What it is for; [`Role::Other`] where only its rivals say what it may be.
    pub role: Role,
    /// Table.
    pub table: Table,
    /// First register of each.
    pub instances: Vec<u16>,
    /// Registers of one.
    pub registers: u16,
    /// How they are read.
    pub reading: Reading,
    /// Physical unit.
    pub unit: &'static str,
    /// How well that is known.
    pub grade: Footing,
    /// Keys in doubt.
    pub open: Vec<Key>,
    /// What speaks for it.
    pub evidence: Vec<Evidence>,
    /// What else it may be: another role, another reading.
    pub rivals: Vec<(Role, Reading)>,
}

impl Proposal {
    pub(crate) fn new(role: Role, at: Register, reading: Reading, unit: &'static str) -> Self {
        Self {
            role,
            table: at.table,
            instances: vec![at.address],
            registers: reading.width().unwrap_or(1),
            reading,
            unit,
            grade: Footing::Checked,
            open: Vec::new(),
            evidence: Vec::new(),
            rivals: Vec::new(),
        }
    }

    pub(crate) fn with(mut self, why: Evidence) -> Self {
        self.evidence.push(why);
        self
    }

    /// Adds rivals, which leave the keys open in which they differ.
    pub(crate) fn or(mut self, rivals: impl IntoIterator<Item = (Role, Reading)>) -> Self {
        for (role, reading) in rivals {
            let mut keys = super::claim::differences(&self.reading, &reading);
            if role != self.role {
                keys.push(Key::Role);
            }
            for key in keys {
                if !self.open.contains(&key) {
                    self.open.push(key);
                }
            }
            self.rivals.push((role, reading));
            self.grade = Footing::Narrowed;
        }
        self
    }

    /// The same with another word of zeros: the number stays.
    fn in_two_registers(mut self, at: Register, order: WordOrder) -> Self {
        let wide = |reading: Reading| Reading {
            order,
            ..reading.of(Kind::U32)
        };
        self.instances = vec![at.address];
        self.registers = 2;
        self.reading = wide(self.reading);
        for (_, rival) in &mut self.rivals {
            *rival = wide(*rival);
        }
        self
    }

    /// Every register that it takes.
    pub(crate) fn covers(&self, register: Register) -> bool {
        let holds =
            |first: &u16| register.address >= *first && register.address - first < self.registers;
        self.table == register.table && self.instances.iter().any(holds)
    }
}

/// What was found so far.
pub(crate) struct Found<'a> {
    pub(crate) images: &'a Images,
    pub(crate) all: Vec<Proposal>,
    /// Voltage of the pack.
    pub(crate) pack: Option<Series>,
    /// Whether its decade is in doubt.
    pub(crate) pack_is_open: bool,
    /// An average cell.
    pub(crate) cell: Option<Series>,
}

impl Found<'_> {
    /// Whether a register is part of something that was found.
    pub(crate) fn is_taken(&self, register: Register) -> bool {
        self.all.iter().any(|one| one.covers(register))
    }

    /// Registers that are part of nothing yet.
    pub(crate) fn free(&self) -> Vec<Register> {
        let free = self.images.registers().filter(|one| !self.is_taken(*one));
        free.collect()
    }
}

/// Readings of a register as a plain number, narrow before wide.
pub(crate) fn number_readings(scales: &[f64]) -> Vec<Reading> {
    let mut all = Vec::new();
    for scale in scales {
        all.push(Reading::plain(*scale));
    }
    for order in [WordOrder::HighFirst, WordOrder::LowFirst] {
        for kind in [Kind::F32, Kind::U32] {
            let scales = if kind == Kind::F32 {
                &[1.0][..]
            } else {
                scales
            };
            for scale in scales {
                all.push(Reading {
                    kind,
                    order,
                    ..Reading::plain(*scale)
                });
            }
        }
    }
    all
}

/// Whether a wide reading of an unsigned number says more than its low word alone, or a float more than its high one.
pub(crate) fn is_really_wide(images: &Images, at: Register, reading: &Reading) -> bool {
    let (high, low) = match reading.order {
        WordOrder::HighFirst => (Some(at), at.plus(1)),
        WordOrder::LowFirst => (at.plus(1), Some(at)),
    };
    let row = |at: Option<Register>| at.and_then(|at| images.row(at)).unwrap_or_default();
    let (high, low) = (row(high), row(low));
    if reading.kind != Kind::F32 {
        return high.iter().flatten().any(|word| *word != 0) && carries(high, low);
    }
    // The end of a float that moves is as restless as dice, or nothing where it is rounded.
    let moves = |row: &[Option<u16>]| {
        let mut words: Vec<u16> = row.iter().flatten().copied().collect();
        words.sort_unstable();
        words.dedup();
        words.len()
    };
    let is_rounded = low.iter().flatten().all(|word| *word == 0);
    moves(high) < 2 || is_rounded || moves(low) * 2 > moves(high)
}

/// Whether a high word moves only as the carry of its low one: where it turns, the low word passes its end. A state beside
/// a number that stays where it is carries nothing, and goes with a current as a voltage does.
fn carries(high: &[Option<u16>], low: &[Option<u16>]) -> bool {
    let range = |row: &[Option<u16>]| {
        let words = || row.iter().flatten().copied();
        words().max().unwrap_or_default() - words().min().unwrap_or_default()
    };
    range(high) == 0 || range(low) >= 0x8000
}

pub(crate) fn is_really_wide_enough(found: &Found<'_>, at: Register, reading: &Reading) -> bool {
    let width = reading.width().unwrap_or(1);
    let second = at.plus(1);
    width == 1
        || (is_really_wide(found.images, at, reading)
            && second.is_some_and(|second| !found.is_taken(second)))
}

/// Whether the high word of a wide number moves.
pub(crate) fn says_itself(found: &Found<'_>, at: Register, reading: &Reading) -> bool {
    let high = match reading.order {
        WordOrder::HighFirst => Some(at),
        WordOrder::LowFirst => at.plus(1),
    };
    let row = high
        .and_then(|high| found.images.row(high))
        .unwrap_or_default();
    let first = row.iter().flatten().next();
    row.iter().flatten().any(|word| Some(word) != first)
}

/// The longest run of three or more places (table, register, width) side by side: voltages of packs in a rack.
pub(crate) fn longest_run(mut places: Vec<(Table, u16, u16)>) -> Vec<(Table, u16, u16)> {
    places.sort_unstable();
    let mut best: Vec<(Table, u16, u16)> = Vec::new();
    let mut run: Vec<(Table, u16, u16)> = Vec::new();
    for place in places {
        let goes_on = run.last().is_some_and(|last| {
            last.0 == place.0 && last.2 == place.2 && place.1 - last.1 == last.2
        });
        if !goes_on {
            run.clear();
        }
        run.push(place);
        if run.len() > best.len() {
            best.clone_from(&run);
        }
    }
    if best.len() < 3 {
        best.clear();
    }
    best
}

/// The order of words of two voltages of one stack of which each has a word of zeros on the same side: units keep both in
/// one way (common practice), and a zero before each of two that stand two registers apart is no chance.
fn width_beside(found: &Found<'_>, first: Register) -> Option<WordOrder> {
    let at = |address: Option<u16>| address.map(|address| Register { address, ..first });
    let is_zero = |address: Option<u16>| {
        let row = at(address).and_then(|at| found.images.row(at));
        row.is_some_and(|row| row.iter().flatten().all(|word| *word == 0))
    };
    let plain = |at: Register| Reading::plain(1.0).series(found.images, at, &[]);
    let own = plain(first);
    let is_like = |other: Register| {
        let series = plain(other);
        let near = middle(&own).zip(middle(&series));
        near.is_some_and(|(own, other)| (own - other).abs() < 0.05 * own)
            && correlation(&pairs(&own, &series)) > 0.8
    };
    let here = first.address;
    let mut orders = Vec::new();
    for other in [here.checked_sub(2), here.checked_add(2)] {
        let Some(there) = other.filter(|address| at(Some(*address)).is_some_and(is_like)) else {
            continue;
        };
        if is_zero(here.checked_sub(1)) && is_zero(there.checked_sub(1)) {
            orders.push(WordOrder::HighFirst);
        }
        if is_zero(here.checked_add(1)) && is_zero(there.checked_add(1)) {
            orders.push(WordOrder::LowFirst);
        }
    }
    match orders.as_slice() {
        [order, rest @ ..] if rest.iter().all(|other| other == order) => Some(*order),
        _ => None,
    }
}

/// A register of zeros before or behind may be the other word of a wide number: then only the rivals say what
/// it may be.
pub(crate) fn unsure_of_width(found: &Found<'_>, mut proposal: Proposal) -> Proposal {
    let is_narrow = proposal.registers == 1;
    let first = proposal
        .instances
        .first()
        .map(|address| Register::new(proposal.table, *address));
    // Nobody takes two registers for steps of 0.1 V: one holds 6,553 V (common practice).
    let is_coarse = proposal.unit == "V" && proposal.reading.scale >= 0.1;
    let Some(first) = first.filter(|_| is_narrow && !is_coarse) else {
        return proposal;
    };
    let before = first
        .address
        .checked_sub(1)
        .map(|address| Register { address, ..first });
    if proposal.unit == "V"
        && let Some(order) = width_beside(found, first)
    {
        let at = match order {
            WordOrder::HighFirst => before,
            WordOrder::LowFirst => Some(first),
        };
        let other = at.and_then(|at| if at == first { at.plus(1) } else { Some(at) });
        if let Some(at) = at.filter(|_| other.is_some_and(|other| !found.is_taken(other))) {
            return proposal.in_two_registers(at, order);
        }
    }
    let is_zero = |at: Option<Register>| {
        let row = at
            .filter(|at| !found.is_taken(*at))
            .and_then(|at| found.images.row(at));
        row.is_some_and(|row| row.iter().flatten().all(|word| *word == 0))
    };
    let mut doubts = Vec::new();
    if is_zero(first.plus(1)) {
        let wide = Reading {
            order: WordOrder::LowFirst,
            ..proposal.reading.of(Kind::U32)
        };
        let roles: BTreeSet<Role> = match proposal.role {
            Role::Other => proposal.rivals.iter().map(|(role, _)| *role).collect(),
            role => BTreeSet::from([role]),
        };
        proposal = proposal.or(roles.into_iter().map(|role| (role, wide)));
        doubts.push(Key::Type);
    }
    if is_zero(before) {
        // Where it would begin no rival can say.
        doubts.extend([Key::Type, Key::Address]);
        proposal.grade = Footing::Open;
    }
    for key in doubts {
        if !proposal.open.contains(&key) {
            proposal.open.push(key);
        }
    }
    proposal
}

#[cfg(test)]
mod tests {
    use super::*;

    fn is_wide(words: impl Fn(u16) -> [u16; 2]) -> bool {
        let mut images = Images::default();
        let at = Register::new(Table::Input, 7);
        for image in 0u16..20 {
            let [high, low] = words(image);
            let next = Register::new(Table::Input, 8);
            images.push(f64::from(image), vec![(at, high), (next, low)]);
        }
        is_really_wide(&images, at, &Reading::plain(0.001).of(Kind::U32))
    }

    // Kind: derived (65,500 and 100 more are 1 and 64)
    #[test]
    fn a_high_word_moves_only_as_the_carry_of_its_low_one() {
        let number = |image: u16| {
            let (low, is_over) = 65_000u16.overflowing_add(100 * image);
            [4 + u16::from(is_over), low]
        };
        assert!(is_wide(number));
        // A state beside a temperature.
        assert!(!is_wide(|image| [4 + image / 3 % 2, 2_310 + image]));
    }

    // Kind: invented (214.6 and 214.2 V, each behind a word of zeros, and beside the second something else)
    #[test]
    fn two_voltages_with_a_zero_on_the_same_side_have_two_registers_each() {
        let mut images = Images::default();
        for image in 0u16..20 {
            let load = image % 5;
            let words = [0, 21_457 - 10 * load, 0, 21_416 - 13 * load, 65_515 + load];
            let words = (100u16..).zip(words);
            let words = words.map(|(at, word)| (Register::new(Table::Input, at), word));
            images.push(f64::from(image), words.collect::<Vec<_>>());
        }
        let found = Found {
            images: &images,
            all: Vec::new(),
            pack: None,
            pack_is_open: false,
            cell: None,
        };
        let volts = |at: u16| {
            let at = Register::new(Table::Input, at);
            let one = Proposal::new(Role::PackVoltage, at, Reading::plain(0.01), "V");
            unsure_of_width(&found, one)
        };
        for (at, first) in [(101, 100), (103, 102)] {
            let one = volts(at);
            let wide = (one.instances.as_slice(), one.registers, one.reading.kind);
            assert_eq!(wide, (&[first][..], 2, Kind::U32), "{one:?}");
            assert!(one.open.is_empty(), "{one:?}");
        }
    }
}
