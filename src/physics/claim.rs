//! What a draft says of a point, what was found of it, and why: data, no sentences.

use packside_profiles::model::{Footing, Key, Positive, Table};
use packside_profiles::{Foreign, Role};

use super::reading::Reading;

/// What a draft says of one point.
#[derive(Debug, Clone, PartialEq)]
pub struct Claim {
    /// What it is for.
    pub role: Role,
    /// Table.
    pub table: Table,
    /// First register of every instance, on the wire.
    pub instances: Vec<u16>,
    /// Registers of one instance; of a text more than its type says.
    pub registers: u16,
    /// How the registers are read.
    pub reading: Reading,
    /// Raw values that mean "none".
    pub absent: Vec<u64>,
    /// Keys about which the document left a doubt.
    pub open: Vec<Key>,
    /// Whether only some bits of the registers are meant: nothing adds up there.
    pub is_part: bool,
    /// Whether its unit is Ah.
    pub is_ampere_hours: bool,
    /// What the document names of its values or bits.
    pub named: Named,
    /// What its words may mean, where they leave that open.
    pub may_be: Vec<Role>,
    /// Whether its number gave it its role, and not its words.
    pub is_supposed: bool,
}

/// What a document names of the values or bits of a point.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Named {
    /// Nothing, or one: a sentence, not a list.
    Nothing,
    /// These values.
    Values(Vec<u64>),
    /// These bits, as a mask.
    Bits(u64),
}

/// Which extreme.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Extreme {
    /// The highest.
    Highest,
    /// The lowest.
    Lowest,
    /// The mean.
    Mean,
}

/// What speaks for a reading, or against what the document says.
#[derive(Debug, Clone, PartialEq)]
pub enum Evidence {
    /// No register of it was read.
    NotSeen,
    /// As the document says it would be this number, which no battery in use has.
    Impossible {
        /// The number farthest out.
        found: f64,
    },
    /// No other decade, order or sign gives a number that is possible.
    OnlyPossible,
    /// It lies where the role can be.
    Possible {
        /// Lowest number seen.
        low: f64,
        /// Highest number seen.
        high: f64,
    },
    /// So many cells (or modules) add up to it.
    AddsUp {
        /// How many.
        parts: usize,
        /// Images in which it held.
        held: usize,
        /// Images that have both.
        of: usize,
        /// How far it moved meanwhile, V; 0 where it did not move.
        moved: f64,
    },
    /// It is an extreme of the cells (or sensors).
    IsExtreme {
        /// Which.
        which: Extreme,
        /// Images in which it held.
        held: usize,
        /// Images that have both.
        of: usize,
        /// How far it moved meanwhile, in the unit of the point.
        moved: f64,
    },
    /// It is said to be an extreme of the cells and is not, in so many images.
    NotExtreme {
        /// Which.
        which: Extreme,
        /// Images in which it was not.
        held: usize,
        /// Images that have both.
        of: usize,
    },
    /// It is the voltage of the pack seen once more.
    SameVoltage {
        /// Images in which it held.
        held: usize,
        /// Images that have both.
        of: usize,
        /// How far it moved meanwhile, V.
        moved: f64,
    },
    /// Voltage times current is the power.
    Product {
        /// Images in which it held.
        held: usize,
        /// Images that have all three.
        of: usize,
    },
    /// The voltage follows the current: upwards where it charges.
    Responds {
        /// What one ampere does to one cell, mΩ; of the pack where cells are unknown.
        milliohm: f64,
    },
    /// The direction is that of the power, or of the current.
    SameDirection,
    /// Of the stored charge and what can be stored, this is the share.
    ShareOfCharge {
        /// Stored, Ah.
        stored: f64,
        /// Can be stored, Ah.
        full: f64,
    },
    /// A whole number of such cells makes the voltage.
    WholeCells {
        /// How many.
        cells: usize,
    },
    /// It is below the current that the unit allows.
    BelowLimit {
        /// The limit, A.
        limit: f64,
    },
    /// It counts the seconds.
    CountsSeconds {
        /// Steps a second.
        per_second: f64,
    },
    /// The other order of words would move in the high word alone, or jump.
    OtherOrderJumps,
    /// It falls below zero at other times, which an unsigned number cannot; today both are the same number.
    FallsBelowZero,
    /// It is the only row of its unit that fits this role.
    OnlyRow,
    /// It is text that can be read.
    Text {
        /// The text, first instance.
        text: Foreign,
    },
}

impl Evidence {
    /// In how many images it held, of how many, where it is counted.
    pub fn counts(&self) -> Option<(usize, usize)> {
        match self {
            Self::AddsUp { held, of, .. }
            | Self::IsExtreme { held, of, .. }
            | Self::NotExtreme { held, of, .. }
            | Self::SameVoltage { held, of, .. }
            | Self::Product { held, of } => Some((*held, *of)),
            _ => None,
        }
    }
}

/// What was found of one point.
#[derive(Debug, Clone, PartialEq)]
pub struct Weighed {
    /// What it is for now; in `changed` where its words did not say so.
    pub role: Role,
    /// How well it is known now.
    pub grade: Footing,
    /// The reading that stands there.
    pub reading: Reading,
    /// Keys in which it differs from the document; the role where the unit shows that it is another.
    pub changed: Vec<Key>,
    /// Keys still in doubt.
    pub open: Vec<Key>,
    /// Why.
    pub evidence: Vec<Evidence>,
    /// Other readings that are not excluded.
    pub rivals: Vec<Reading>,
}

/// Where the registers of the document lie on the wire.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Shift {
    /// Registers that everything stands further than the draft says: -1, 0 or 1, or far, where what seemed to be
    /// the table in front of a number is part of it.
    pub registers: i32,
    /// Whether everything stands in the other table (input for holding, holding for input).
    pub other_table: bool,
}

impl Shift {
    /// As the draft says.
    pub const NONE: Self = Self {
        registers: 0,
        other_table: false,
    };

    /// Where a register of the draft is then.
    pub fn of(self, table: Table, address: u16) -> Option<super::Register> {
        let address = i32::from(address) + self.registers;
        let table = match (table, self.other_table) {
            (Table::Holding, true) => Table::Input,
            (Table::Input, true) => Table::Holding,
            (other, _) => other,
        };
        Some(super::Register::new(table, u16::try_from(address).ok()?))
    }
}

/// What a draft comes to against images.
#[derive(Debug, Clone, PartialEq)]
pub struct Outcome {
    /// Where the registers lie.
    pub shift: Shift,
    /// How well that is known.
    pub shift_grade: Footing,
    /// Other shifts that are not excluded.
    pub shift_rivals: Vec<Shift>,
    /// How much more the points spoke for it than for the next best, in nats.
    pub shift_margin: f64,
    /// Point by point.
    pub points: Vec<Weighed>,
}

/// Keys in which two readings differ.
pub fn differences(old: &Reading, new: &Reading) -> Vec<Key> {
    let mut keys = Vec::new();
    if old.kind != new.kind {
        keys.push(Key::Type);
    }
    if old.order != new.order {
        keys.push(Key::Order);
    }
    if !is_near(old.scale, new.scale) {
        keys.push(Key::Scale);
    }
    if !is_near(old.offset, new.offset) {
        keys.push(Key::Offset);
    }
    if old.positive != new.positive {
        keys.push(Key::Positive);
    }
    keys
}

/// Whether two numbers are the same but for rounding.
pub(crate) fn is_near(a: f64, b: f64) -> bool {
    (a - b).abs() <= 1e-9 * a.abs().max(b.abs())
}

/// The other direction.
pub(crate) fn opposite(positive: Positive) -> Positive {
    match positive {
        Positive::Charge => Positive::Discharge,
        Positive::Discharge => Positive::Charge,
    }
}
