//! Where every repetition of every point stands, once the counts are known.

use std::collections::BTreeMap;

use crate::model::{Profile, Table};

/// What must be known besides the profile: counts read from the unit, models found in its chain.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Known {
    /// Values of count points by point id.
    pub counts: BTreeMap<String, u16>,
    /// Start (register of the id) and length (as in the chain, without the two header registers).
    pub models: BTreeMap<u16, (u16, u16)>,
}

/// Position of a repetition, 1-based as people count.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, PartialOrd, Ord)]
pub struct Place {
    /// Instance of the group: the module.
    pub module: Option<u16>,
    /// Repetition of the point inside it: the cell or sensor.
    pub item: Option<u16>,
}

/// One concrete thing to read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Instance {
    /// Index into `Profile::points`.
    pub point: usize,
    /// Printed name: `cell_voltage[2.14]`, `module_voltage[2]`, `pack_voltage`.
    pub name: String,
    /// Position.
    pub place: Place,
    /// Table.
    pub table: Table,
    /// First register, 0-based.
    pub address: u16,
    /// Number of registers.
    pub registers: u16,
}

/// All instances of a profile.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Layout {
    /// In the order of the profile's points, then of the repetitions.
    pub instances: Vec<Instance>,
    /// Indices of points that wait for a count or a model.
    pub pending: Vec<usize>,
}

impl Layout {
    /// Places everything that `known` allows to place.
    pub fn new(_profile: &Profile, _known: &Known) -> Self {
        todo!()
    }
}
