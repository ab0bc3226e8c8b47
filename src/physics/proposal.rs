//! What registers may be, and what was found so far.

use packside_profiles::Role;
use packside_profiles::model::{Footing, Key, Kind, Table, WordOrder};

use super::claim::Evidence;
use super::images::{Images, Register};
use super::reading::{Reading, Series};

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

/// Whether a wide reading of an unsigned number says more than its low word alone.
pub(crate) fn is_really_wide(images: &Images, at: Register, reading: &Reading) -> bool {
    if reading.kind == Kind::F32 {
        return true;
    }
    let high = match reading.order {
        WordOrder::HighFirst => Some(at),
        WordOrder::LowFirst => at.plus(1),
    };
    let row = high.and_then(|high| images.row(high));
    row.is_some_and(|row| row.iter().flatten().any(|word| *word != 0))
}
