//! What a class of findings says, in words.

use packside_profiles::Class;

/// What a class says, in words.
pub(crate) fn class(class: Class) -> &'static str {
    use Class as C;
    match class {
        C::CellOverVoltage => "a cell above its limit",
        C::CellUnderVoltage => {
            "a cell below its limit, above the voltage below which it must never be charged"
        }
        C::CellBelowMinimum => {
            "a cell below the voltage below which it must never be charged, or not readable against it"
        }
        C::CellImbalance => "cells too far apart at rest",
        C::CellResistance => {
            "a cell, or a joint beside it, with far more resistance than the others"
        }
        C::PackOverVoltage => "the pack above its limit",
        C::PackUnderVoltage => "the pack below its limit",
        C::OverTemperature => "too hot",
        C::UnderTemperature => "too cold to run",
        C::TemperatureImbalance => "temperatures too far apart",
        C::ChargingOutside => "charged while too cold or too hot for it",
        C::OverCurrent => "current out of limits",
        C::ShortCircuit => "a short circuit was seen",
        C::LowCharge => "state of charge too low to run",
        C::InsulationLow => "insulation to earth too low",
        C::SwitchFault => {
            "a main switch does not follow its order: it does not open, or does not close"
        }
        C::PrechargeFailed => "pre-charge did not finish",
        C::FuseOpen => "the main fuse is open",
        C::SensorFault => {
            "a sensor or sense wire gives no value or a wrong one, or numbers do not add up"
        }
        C::InternalCommunication => "the control unit cannot talk to its modules; not the inverter",
        C::ConfigurationFault => {
            "modules or packs that do not belong together, in wrong order or count"
        }
        C::ControlUnitFault => "the control unit is broken or has stopped",
        C::FanFault => "the fan does not turn",
        C::DoorOpen => "the enclosure is open",
        C::OffButton => "the off button is pressed",
        C::Maintenance => "switched to maintenance",
        C::Disabled => "disabled by an operator or a controller",
        C::NeedsCheck => "something to look at before it can be called a fault, or none",
        C::InverterSilent => "the battery does not hear its inverter",
        C::SwitchesOpen => "the switches are open",
        C::TerminalsDead => {
            "no voltage at the terminals from this unit; no proof that they are dead"
        }
        C::LimitsZero => "a current limit is zero",
        C::NotReadyStatus => "not ready to run",
        C::Derating => "limits reduced",
        C::Balancing => "cells are being balanced",
        C::OtherFault => "the unit only says that there is a fault",
    }
}

/// The same in a few words.
pub(crate) fn class_in_short(of: Class) -> &'static str {
    use Class as C;
    match of {
        C::CellUnderVoltage => "a cell below its limit",
        C::CellImbalance => "cells too far apart",
        C::CellBelowMinimum => "a cell so low that it must never be charged again",
        C::CellResistance => "far more resistance in one cell or joint than in the others",
        C::SwitchFault => "a main switch does not follow its order",
        C::SensorFault => "a sensor or sense wire gives no value, or a wrong one",
        C::InternalCommunication => "the control unit cannot talk to its modules",
        C::ConfigurationFault => "modules or packs that do not belong together",
        C::TerminalsDead => "no voltage at the terminals from this unit",
        whole => class(whole),
    }
}
