//! Where in a pack something is, and what is counted there.
//!
//! Does not: name it (see [`crate::words`]).

use packside_profiles::Place;

/// Where something is, and what is counted there.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Whereabouts {
    /// Module and item.
    pub place: Place,
    /// What the item is.
    pub item: Item,
}

/// What is counted inside a module.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Item {
    /// Cells.
    Cell,
    /// Two cells beside each other, the first of them counted.
    CellPair,
    /// Sensors of temperature.
    Sensor,
}

impl Whereabouts {
    /// Whether that is the whole pack.
    pub fn is_whole(self) -> bool {
        self.place.module.is_none() && self.place.item.is_none()
    }
}
