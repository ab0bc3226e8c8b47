//! What a look cannot tell, although it may be broken: the closed list, with why and when.
//!
//! Does not: decide what a look could test (see `judge::next`), or put it into words.

use packside_profiles::Role;

/// What this look cannot tell, although it may be broken.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NotTested {
    /// What.
    pub what: Untested,
    /// Why not.
    pub why: WhyNot,
    /// When it can be tested.
    pub when: When,
    /// Addresses at which it was not, where that is not all of them.
    pub units: Vec<u8>,
}

impl NotTested {
    /// Of no unit in particular.
    pub fn new(what: Untested, why: WhyNot, when: When) -> Self {
        Self {
            what,
            why,
            when,
            units: Vec::new(),
        }
    }

    /// The stable id of what was not tested.
    pub fn id(&self) -> &'static str {
        self.what.id()
    }
}

/// Something that a look may be unable to test.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Untested {
    /// Charging the inverter's capacitors.
    Precharge,
    /// The main switches.
    MainSwitches,
    /// The main fuse.
    MainFuse,
    /// Insulation beyond the unit.
    InverterSideInsulation,
    /// The current sensor.
    CurrentSensor,
    /// Cells and joints under current.
    CellsUnderLoad,
    /// The state of charge that is reported.
    ChargeReport,
    /// Whether cells are alike.
    CellBalance,
    /// The unit's own insulation measurement.
    Insulation,
    /// A number for which the map has no limit.
    Unjudged(Role),
    /// A point that could not be read and that a verdict can do without.
    Unread(Role),
    /// Single cells.
    SingleCells,
    /// Temperatures.
    Temperatures,
    /// Modules: order, number, each one's voltage.
    Modules,
    /// The control unit, and whether it is this one.
    ControlUnit,
    /// What cools and warms it.
    FanAndHeater,
    /// Whether it hears its inverter.
    InverterLink,
    /// A second stack at the same terminals.
    SecondStack,
    /// One pole that does not open.
    OnePole,
    /// Swelling, leaks, plating, what happened on the way.
    Damage,
    /// Sense wires in another order.
    SenseWires,
    /// Earth faults that escape the monitor, and the monitor itself.
    EarthFaults,
    /// Scale and sign of the current.
    CurrentScale,
    /// The true capacity.
    Capacity,
    /// Temperature sensors in another order.
    SensorOrder,
    /// What stands around it.
    Site,
    /// An inverter that goes its own way.
    InverterKeepsTo,
    /// Cold in storage.
    ColdStorage,
}

impl Untested {
    /// Everything.
    pub const ALL: [Self; 28] = [
        Self::Precharge,
        Self::MainSwitches,
        Self::MainFuse,
        Self::InverterSideInsulation,
        Self::CurrentSensor,
        Self::CellsUnderLoad,
        Self::ChargeReport,
        Self::CellBalance,
        Self::Insulation,
        Self::Unjudged(Role::CellVoltage),
        Self::Unread(Role::PackPower),
        Self::SingleCells,
        Self::Temperatures,
        Self::Modules,
        Self::ControlUnit,
        Self::FanAndHeater,
        Self::InverterLink,
        Self::SecondStack,
        Self::OnePole,
        Self::Damage,
        Self::SenseWires,
        Self::EarthFaults,
        Self::CurrentScale,
        Self::Capacity,
        Self::SensorOrder,
        Self::Site,
        Self::InverterKeepsTo,
        Self::ColdStorage,
    ];

    /// The one of this id, as the table of failure modes names it.
    pub fn named(id: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|one| one.id() == id)
    }

    /// The stable id.
    pub fn id(self) -> &'static str {
        match self {
            Self::Precharge => "pre-charge",
            Self::MainSwitches => "main-switches",
            Self::MainFuse => "main-fuse",
            Self::InverterSideInsulation => "inverter-side-insulation",
            Self::CurrentSensor => "current-sensor",
            Self::CellsUnderLoad => "cells-under-load",
            Self::ChargeReport => "charge-report",
            Self::CellBalance => "cell-balance",
            Self::Insulation => "insulation",
            Self::Unjudged(_) => "not-judged",
            Self::Unread(_) => "not-read",
            Self::SingleCells => "single-cells",
            Self::Temperatures => "temperatures",
            Self::Modules => "modules",
            Self::ControlUnit => "control-unit",
            Self::FanAndHeater => "fan-and-heater",
            Self::InverterLink => "inverter-link",
            Self::SecondStack => "second-stack",
            Self::OnePole => "one-pole-welded",
            Self::Damage => "damage",
            Self::SenseWires => "sense-wires-swapped",
            Self::EarthFaults => "hidden-earth-faults",
            Self::CurrentScale => "current-scale-and-sign",
            Self::Capacity => "true-capacity",
            Self::SensorOrder => "temperature-sensors-swapped",
            Self::Site => "site",
            Self::InverterKeepsTo => "inverter-keeps-to-the-data",
            Self::ColdStorage => "below-zero-in-storage",
        }
    }
}

/// Why something was not tested.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum WhyNot {
    /// No reading caught it.
    NotCaught,
    /// The switches were closed all the time.
    ClosedThroughout,
    /// It lies behind a switch that does not do as ordered.
    BehindBadSwitch,
    /// It was not seen to work.
    NotSeen,
    /// No current can flow through it.
    NoCurrentPossible,
    /// The inverter's side is not connected.
    SideNotConnected,
    /// Current flows or cells balance.
    NotAtRest,
    /// It was not compared with a second meter.
    NoSecondMeter,
    /// No current flows.
    NoCurrent,
    /// The current did not change enough.
    NoStep,
    /// The curve says nothing here.
    FlatCurve,
    /// The unit has no valid value now.
    NoValidValue,
    /// No point of the map tells it.
    NoPoint,
    /// Nothing of the map shows it, or shows all of it.
    NotInMap,
    /// The map gives no limit for a number of this role.
    NoLimit(Role),
    /// The map gives none, and only what the chemistry bears judged it.
    OnlyFloor(Role),
    /// A point for this could not be read.
    NotRead(Role),
    /// No wire and no lamp can tell it.
    NoWire,
}

/// When something can be tested.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum When {
    /// At the next power-up with the inverter.
    NextPowerUp,
    /// When the unit is next switched off.
    NextSwitchedOff,
    /// When the switch is settled, at power-up with the inverter.
    SwitchSettled,
    /// At power-up with the inverter.
    PowerUp,
    /// At rest.
    AtRest,
    /// Beside the inverter's screen, under current.
    BesideScreen,
    /// With a small charge and discharge.
    SmallCurrent,
    /// At rest, nearly empty or nearly full.
    AtTheEnds,
    /// When the unit has measured it.
    Measured,
    /// When the unit gives it.
    Given,
    /// When the map has what would show it.
    MapShows,
    /// When the map is complete.
    MapComplete,
    /// In another way than by this wire: see what it is.
    Otherwise(Untested),
}
