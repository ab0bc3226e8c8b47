//! What single facts say beside numbers and places: on which side of a limit, which two numbers, how switches
//! contradict a state.
//!
//! Does not: hold a sentence.

use packside_profiles::model::Severity;

use super::remedy::Spot;

/// The side of a limit on which a number lies.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Side {
    /// Under it.
    Below,
    /// Over it.
    Above,
}

/// A limit of the map and the side on which it is broken.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limit {
    /// The limit, in the unit of the point.
    pub number: f64,
    /// Where the number lies.
    pub side: Side,
    /// What the map calls it: an alarm limit or a warning limit.
    pub severity: Severity,
}

/// Whether the main switches are reported open.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Switches {
    /// All of them.
    Open,
    /// One or more is not.
    Closed,
}

/// What a sum of voltages that does not hold looks like.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SumLooks {
    /// One module takes its voltage away instead of adding it.
    ModuleReversed,
    /// One module adds nothing.
    ModuleLeftOut,
    /// The wire by which the pack is measured is lost.
    PackWireLost,
}

/// Two numbers that must be the same.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Pair {
    /// Cells of one module, and that module.
    CellsAndModule {
        /// The module's own voltage.
        module: Spot,
    },
    /// The unit's own highest cell, and the highest of the single ones.
    HighestCell,
    /// The unit's own lowest cell, and the lowest of the single ones.
    LowestCell,
    /// All modules, and the pack.
    ModulesAndPack,
    /// All cells, and the pack.
    CellsAndPack,
    /// Voltage times current, and the power.
    ProductAndPower,
    /// The terminals, and the pack.
    TerminalsAndPack,
}

/// How the main switches contradict the state.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Contradicts {
    /// All closed, and should be open.
    AllClosed,
    /// All open, and should be closed.
    AllOpen,
    /// One closed among open ones, and all should be open.
    OneClosed,
    /// One open among closed ones, and all should be closed.
    OneOpen,
}
