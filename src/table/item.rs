//! What a document says of one register or a run of them, in its own words.

use packside_profiles::model::{Decimal, Positive, Table, WordOrder};

use super::kind;
use super::named::Named;
use super::number::Written;
use super::scale::{Step, Unit};
use super::words::Understood;

/// What the document says of one register or a run of them.
#[derive(Debug, Clone)]
pub(super) struct Item {
    pub(super) line: u32,
    pub(super) text: String,
    pub(super) name: String,
    pub(super) words: Understood,
    /// Named by the row or the heading above.
    pub(super) table: Option<Table>,
    /// As written in the document.
    pub(super) at: Written,
    /// Registers from the first to the last.
    pub(super) registers: Option<u32>,
    pub(super) said: kind::Said,
    pub(super) step: Option<(Step, StepFrom)>,
    pub(super) unit: Option<Unit>,
    pub(super) unit_text: String,
    pub(super) offset: Option<Decimal>,
    pub(super) order: Option<WordOrder>,
    pub(super) positive: Option<Positive>,
    pub(super) names: Vec<Named>,
    /// Nobody says whether its bits count from 0 or from 1.
    pub(super) is_bit_open: bool,
    /// Lowest and highest value that the document gives.
    pub(super) range: Option<(f64, f64)>,
    /// The document has a column for it, and it is empty here.
    pub(super) is_step_left_out: bool,
    /// The document has a column of units.
    pub(super) has_column_of_units: bool,
    /// Which half of its register a row of eight bits says it is.
    pub(super) half: Option<Half>,
    /// Its length stood in a column of lengths.
    pub(super) is_length_named: bool,
    /// With that length it would reach into the next row.
    pub(super) is_length_in_doubt: bool,
    /// A number of the remark that nobody understood, of what may be added to a temperature.
    pub(super) may_add: Option<Decimal>,
    /// It may be written, while the document has others that may only be read.
    pub(super) is_set: bool,
}

/// Half of a register.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Half {
    High,
    Low,
}

/// Where a step stood.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum StepFrom {
    Column,
    Unit,
    Remark,
}
