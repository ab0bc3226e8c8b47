//! What a map leaves open: it can be used, and nothing clean can be said with it.
//!
//! Does not: find gaps (see the rules), or say what follows from one (the judge does).

use crate::meaning::Role;

/// Something that a clean verdict needs and that the map does not give.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Gap {
    /// A number that must be judged has no alarm limit at one end.
    Limit {
        /// Index of its point.
        point: usize,
        /// The upper end is missing, the lower one otherwise.
        above: bool,
        /// What is judged in its place: the end of what cells of the chemistry bear at all.
        floor: Option<f64>,
    },
    /// No point has this role.
    Point(Role),
    /// The map is a draft.
    Draft {
        /// Keys, points and flags of it that are in doubt.
        open: usize,
    },
    /// The chemistry of the cells is not known.
    Chemistry,
    /// The map has no `[cell]`: what is below which no cell may be charged, and how cold, is not known.
    Cell,
}

/// What cells of one chemistry bear at all. Wider limits in a map are a slip of the pen, and where a map
/// gives none this is judged.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Chemistry {
    /// Its name in maps.
    pub name: &'static str,
    /// Lowest and highest voltage of a cell, V.
    pub volts: [f64; 2],
    /// Coldest and hottest, °C.
    pub celsius: [f64; 2],
    /// Coldest at which a cell may be charged, °C.
    pub charge_from_c: f64,
}

/// The word of a map for a chemistry that its maker did not name.
pub const UNKNOWN_CHEMISTRY: &str = "unknown";

/// All chemistries.
// Kind: common practice (wider than any maker's window; the windows that published cell models are
// parametrised for, 2.0 to 3.6 V for LFP and 2.5 to 4.2 V for NMC, lie well inside; electrolytes of all
// of them break down above 80 °C, and graphite plates when charged below 0 °C, titanate does not)
const CHEMISTRIES: &[Chemistry] = &[
    of("LFP", [1.5, 3.9], 0.0),
    of("NMC", [2.0, 4.5], 0.0),
    of("NCA", [2.0, 4.5], 0.0),
    of("LMO", [2.0, 4.5], 0.0),
    of("LTO", [1.2, 3.0], -30.0),
    // Any of them but titanate: of a unit that says no more of its cells.
    of("lithium-ion", [1.5, 4.5], 0.0),
];

const fn of(name: &'static str, volts: [f64; 2], charge_from_c: f64) -> Chemistry {
    Chemistry {
        name,
        volts,
        celsius: [-40.0, 80.0],
        charge_from_c,
    }
}

impl Chemistry {
    /// Every chemistry that is known.
    pub fn all() -> &'static [Self] {
        CHEMISTRIES
    }

    /// The chemistry of this name.
    pub fn named(name: &str) -> Option<&'static Self> {
        CHEMISTRIES.iter().find(|one| one.name == name)
    }

    /// What it bears at one end of a role of cells, in the unit in which the role is judged.
    pub fn bears(&self, role: Role, above: bool) -> Option<f64> {
        let [lowest, highest] = match role {
            Role::CellVoltage | Role::CellVoltageMax | Role::CellVoltageMin => self.volts,
            Role::CellTemperature | Role::CellTemperatureMax | Role::CellTemperatureMin => {
                self.celsius
            }
            _ => return None,
        };
        Some(if above { highest } else { lowest })
    }
}
