//! What a look could not test, in words.

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
    };
    if item.units.is_empty() {
        return said(why);
    }
    let units: Vec<String> = item.units.iter().map(u8::to_string).collect();
    said(format!("at address {}: {why}", units.join(", ")))
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
    }
}
