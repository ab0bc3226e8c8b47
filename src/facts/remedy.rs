//! What to do about a finding, and what of the register map facts name by its index.
//!
//! Does not: hold a sentence. Points, flags and families of inverters have their names in the map.

use packside_profiles::{Class, Place};

/// A point of the register map, by its index there.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct PointIndex(pub usize);

/// A flag of the register map, by its index there.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct FlagIndex(pub usize);

/// An inverter family of the register map, by its index there.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct FamilyIndex(pub usize);

/// One reading: a point and which of its repetitions.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Spot {
    /// The point.
    pub point: PointIndex,
    /// Which of its repetitions.
    pub place: Place,
}

/// What to do about a finding.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Remedy {
    /// What comes before it.
    pub first: Vec<First>,
    /// The deed.
    pub deed: Deed,
}

/// What comes before a deed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum First {
    /// No charging.
    DoNotCharge,
    /// The terminals must be proven dead.
    ProveDead,
}

/// What is to be done.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub enum Deed {
    /// Nothing.
    #[default]
    Nothing,
    /// What the author of the map advises for this flag. Shown as that author's words; decides nothing.
    OfMap(FlagIndex),
    /// What is usual for a measured violation of this class.
    Usual(Class),
    /// Look again whether it returns.
    SeeWhetherItReturns,
    /// Look at a broken sense wire; the cells behind it stay live.
    SenseWire {
        /// The first of its two cells.
        place: Place,
    },
    /// Open the isolators of all other sources: no switch of the unit makes these terminals dead.
    OpenIsolators,
    /// Find the person who switched it so.
    FindPerson,
    /// Isolate the stack's own cables and modules one after the other.
    NarrowDownStack,
    /// Look at the main fuse and the pre-charge resistor.
    FuseAndResistor,
    /// Compare charge and voltage at rest.
    CompareCharge,
    /// Restart the control unit.
    RestartControlUnit,
    /// Put it right, then answer the step again.
    AnswerAgain,
    /// Look at the lamp again.
    LampAgain,
}

impl Deed {
    /// The deed itself, nothing before it.
    pub fn alone(self) -> Remedy {
        Remedy {
            first: Vec::new(),
            deed: self,
        }
    }
}
