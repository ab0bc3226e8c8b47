//! What a look could not test, in words.

use super::names::role_in_words;
use super::pseudo::said;
use crate::facts::not_tested::{NotTested, Untested, When, WhyNot};

/// Why not; in a rack with the addresses, where that is not all of them.
pub fn why_not(item: &NotTested) -> String {
    let why = match item.why {
        WhyNot::NotCaught => "no reading caught it, it was over before or between two of them",
        WhyNot::ClosedThroughout => "closed all through this look: whether they open is not known",
        WhyNot::BehindBadSwitch => {
            "a main switch does not do as ordered: nothing behind it can be judged"
        }
        WhyNot::NotSeen => "not seen to work in this look",
        WhyNot::NoCurrentPossible => "no current can flow through it",
        WhyNot::SideNotConnected => "the inverter side is not connected",
        WhyNot::NotAtRest => "current flows or cells balance, so a spread is not judged",
        WhyNot::NoSecondMeter => "current flows, and was not compared with another meter",
        WhyNot::NoCurrent => "no current flows",
        WhyNot::NoStep => "the last readings show no step of the current",
        WhyNot::FlatCurve => {
            "the state of charge can be compared with the cells only at rest, outside the flat part of the curve"
        }
        WhyNot::NoValidValue => "the unit has no valid value now",
        WhyNot::NoPoint => "the unit does not show it",
        WhyNot::NotInMap => "the map does not show it, or not all of it",
        WhyNot::NoLimit(role) => {
            return said(format!(
                "{}the map gives no limit for {role}, so it is shown and not judged",
                at(item)
            ));
        }
        WhyNot::OnlyFloor(role) => {
            return said(format!(
                "{}the map gives no limit for {role}: only what cells of its chemistry bear at all was judged",
                at(item)
            ));
        }
        WhyNot::NotRead(role) => {
            return said(format!(
                "{}{} could not be read",
                at(item),
                role_in_words(role)
            ));
        }
        WhyNot::NoWire => "no wire and no lamp can tell",
    };
    if item.units.is_empty() {
        return said(why);
    }
    said(format!("{}{why}", at(item)))
}

/// At which addresses, where that is not all of them.
fn at(item: &NotTested) -> String {
    if item.units.is_empty() {
        return String::new();
    }
    let units: Vec<String> = item.units.iter().map(u8::to_string).collect();
    format!("at address {}: ", units.join(", "))
}

/// When it can be.
pub fn when(when: When) -> String {
    said(match when {
        When::NextPowerUp => "at the next power-up with the inverter",
        When::NextSwitchedOff => "when the unit is next switched off",
        When::SwitchSettled => "when that is settled, at power-up with the inverter",
        When::PowerUp => "at power-up with the inverter",
        When::AtRest => "at rest",
        When::BesideScreen => "beside the inverter's screen, while it charges and discharges",
        When::SmallCurrent => "with a small charge and discharge",
        When::AtTheEnds => "at rest, nearly empty or nearly full",
        When::Measured => "when its measurement has run",
        When::Given => "when the unit gives it: its maker knows whether it has it",
        When::MapShows => "when the map has what packside profile coverage names",
        When::MapComplete => "when its map has the limit of the maker's document",
        When::Otherwise(what) => otherwise(what),
    })
}

/// How else it can be told.
fn otherwise(what: Untested) -> &'static str {
    match what {
        Untested::SecondStack => {
            "by eye: is there another stack at these terminals, and where is its isolator?"
        }
        Untested::OnePole => "with a rated two-pole tester at each pole: one pole may be welded",
        Untested::Damage => {
            "by eye and nose, from a distance: swelling, leaks, transport damage; plating shows nowhere"
        }
        Untested::SenseWires => {
            "with the maker's drawing of the harness: swapped sense wires look right"
        }
        Untested::EarthFaults => {
            "with the maker's test of the insulation monitor: an earth fault that is symmetric or comes and goes escapes it"
        }
        Untested::CurrentScale => "beside a second meter: scale and sign of the current",
        Untested::Capacity => {
            "with a full discharge and charge by the maker's manual: the true capacity"
        }
        Untested::SensorOrder => {
            "with the maker's drawing: temperature sensors that are swapped look right"
        }
        Untested::Site => {
            "by eye and meter: lamps, tags, gas, flood line, earth continuity and bonding, torque, polarity"
        }
        Untested::InverterKeepsTo => {
            "under current: an inverter may ignore the battery's data until current flows"
        }
        Untested::ColdStorage => {
            "from the papers: a rested battery that was below zero in storage shows nothing of it"
        }
        _ => "in another way",
    }
}

/// Its name in a line of names.
pub fn untested(what: Untested) -> String {
    said(match what {
        Untested::Precharge => "pre-charge",
        Untested::MainSwitches => "main switches",
        Untested::MainFuse => "main fuse",
        Untested::InverterSideInsulation => "insulation beyond the unit",
        Untested::CurrentSensor => "current sensor",
        Untested::CellsUnderLoad => "cells under load",
        Untested::ChargeReport => "reported charge",
        Untested::CellBalance => "spread of the cells",
        Untested::Insulation => "insulation",
        Untested::Unjudged(role) => return said(format!("{role} (no limit)")),
        Untested::Unread(role) => return said(format!("{} (not read)", role_in_words(role))),
        Untested::SingleCells => "single cells",
        Untested::Temperatures => "temperatures",
        Untested::Modules => "modules",
        Untested::ControlUnit => "control unit",
        Untested::FanAndHeater => "fan and heater",
        Untested::InverterLink => "inverter link",
        Untested::SecondStack => "a second stack",
        Untested::OnePole => "a single welded pole",
        Untested::Damage => "damage and leaks",
        Untested::SenseWires => "swapped sense wires",
        Untested::EarthFaults => "hidden earth faults",
        Untested::CurrentScale => "scale and sign of the current",
        Untested::Capacity => "true capacity",
        Untested::SensorOrder => "swapped temperature sensors",
        Untested::Site => "the site",
        Untested::InverterKeepsTo => "an inverter that ignores the data",
        Untested::ColdStorage => "cold in storage",
    })
}

/// What it is.
pub fn untested_means(what: Untested) -> &'static str {
    match what {
        Untested::Precharge => "charging the inverter's capacitors before the main switches close",
        Untested::MainSwitches => "whether both main switches close and open",
        Untested::MainFuse => "whether the main fuse carries current",
        Untested::InverterSideInsulation => "insulation of the inverter, the PV and their cables",
        Untested::CurrentSensor => "zero, sign and scale of the current sensor",
        Untested::CellsUnderLoad => "resistance of cells and joints: what sags while current flows",
        Untested::ChargeReport => "whether the state of charge that the unit reports is right",
        Untested::CellBalance => "whether cells and temperatures are alike at rest",
        Untested::Insulation => "the unit's own insulation measurement",
        Untested::Unjudged(_) => "a number that must be judged, and for which the map has no limit",
        Untested::Unread(_) => "what the map names, could not be read, and refines a verdict only",
        Untested::SingleCells => "what only the voltage of each cell shows",
        Untested::Temperatures => "what only temperatures show",
        Untested::Modules => "order, number and reversal of modules, and the voltage of each",
        Untested::ControlUnit => {
            "a control unit that hangs, restarts, has lost its modules, or is another one"
        }
        Untested::FanAndHeater => "a fan that stands, a heater that does not switch off",
        Untested::InverterLink => "whether the unit hears its inverter",
        Untested::SecondStack => "a second stack at the same terminals and its isolator",
        Untested::OnePole => "one pole welded, where the unit does not measure each pole",
        Untested::Damage => "plating, leak, swelling, transport damage",
        Untested::SenseWires => "sense wires that are swapped",
        Untested::EarthFaults => {
            "earth faults that are symmetric or come and go, and the insulation monitor itself"
        }
        Untested::CurrentScale => "scale and sign of the current without a second meter",
        Untested::Capacity => "the true capacity",
        Untested::SensorOrder => "temperature sensors that are swapped",
        Untested::Site => {
            "lamps that are dead, tags, gas, flood line, earth continuity, torque, polarity"
        }
        Untested::InverterKeepsTo => {
            "an inverter that ignores the battery's data until current flows"
        }
        Untested::ColdStorage => "a rested battery that was below zero in storage",
    }
}
