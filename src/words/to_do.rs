//! What to do about a finding, in words.

use packside_profiles::Class;
use packside_profiles::model::Profile;

use super::names::flag;
use super::pseudo::said;
use crate::facts::fact::{Deed, First, Remedy};

/// What to do first; empty where there is nothing to do.
pub(crate) fn to_do(remedy: &Remedy, profile: &Profile) -> String {
    let text = plain_to_do(remedy, profile);
    if text.is_empty() { text } else { said(text) }
}

/// The same for a longer sentence of this room.
pub(super) fn plain_to_do(remedy: &Remedy, profile: &Profile) -> String {
    let mut parts: Vec<String> = Vec::new();
    for first in &remedy.first {
        parts.push(match first {
            First::DoNotCharge => "do not charge".to_owned(),
            First::ProveDead { decay_s } => format!(
                "{}, prove the terminals dead with a two-pole tester",
                decay(*decay_s)
            ),
        });
    }
    parts.push(deed(remedy.deed, profile));
    parts.join("; ")
}

fn decay(decay_s: Option<f64>) -> String {
    decay_s.map_or_else(
        || "wait for the decay time".to_owned(),
        |seconds| format!("wait {seconds:.0} s"),
    )
}

fn deed(deed: Deed, profile: &Profile) -> String {
    match deed {
        Deed::Nothing => String::new(),
        Deed::OfMap(index) => flag(profile, index).map_or_else(String::new, |f| f.to_do.clean().into_owned()),
        Deed::Usual(class) => usual(class).to_owned(),
        Deed::SeeWhetherItReturns => "look again: does it come back?".to_owned(),
        Deed::SenseWire { place } => {
            let item = place.item.unwrap_or_default();
            let of_module = place
                .module
                .map_or_else(String::new, |m| format!(" of module {m}"));
            format!(
                "do not charge until both can be read; unit off by the manual, then look at the sense wire between cells \
                 {item} and {}{of_module}: the cells behind it stay live",
                item + 1
            )
        }
        Deed::OpenIsolators { decay_s } => format!(
            "switching off does not make these terminals dead: open the isolators of inverter and PV by the manual, {}, \
             take them for live until a two-pole tester shows otherwise, and look again",
            decay(decay_s)
        ),
        Deed::NarrowDownStack => "only if it is still low with the inverter's isolator open: isolate the stack's cables \
             and modules one by one as the manual says, and look again"
            .to_owned(),
        Deed::CompareCharge => {
            "compare with the voltages at rest; ask the maker before they are charged together".to_owned()
        }
        Deed::RestartControlUnit => {
            "stop the inverter, then restart the control unit by the manual: does it return?".to_owned()
        }
        Deed::AnswerAgain => {
            "put it right by the maker's manual, then answer the step again".to_owned()
        }
        Deed::LampAgain => {
            "look at the lamp again, and at the same unit; a code may be hidden or the answers stale"
                .to_owned()
        }
    }
}

/// What is usual about a measured violation of a class.
pub(crate) fn usual(class: Class) -> &'static str {
    match class {
        Class::CellBelowMinimum => {
            "do not charge, do not install, set the module apart and ask its maker; it does not travel as ordinary goods"
        }
        Class::CellOverVoltage | Class::PackOverVoltage => {
            "do not charge; read again, then ask the maker"
        }
        Class::CellUnderVoltage | Class::PackUnderVoltage | Class::LowCharge => {
            "no discharge; charge only as the maker's manual allows"
        }
        Class::ChargingOutside => {
            "set charging to zero at the inverter's screen and see 0 A there; pull no plug, do not heat it; ask the maker \
             about the cells that were charged like this"
        }
        Class::UnderTemperature => "let the unit warm up to its window, then look again",
        Class::OverTemperature => {
            "keep away, let it cool down, look for heat, smell, swelling; leave if there is any"
        }
        Class::CellImbalance => {
            "leave it at rest and look again; then compare this module with the others"
        }
        Class::CellResistance => {
            "no current through it; unit off by the manual, then look at the joint of this cell for heat; ask the maker"
        }
        Class::SensorFault => {
            "unit off by the manual, then look at the sense connector of this module"
        }
        Class::ConfigurationFault => {
            "check order, polarity and number of the modules against the nameplates"
        }
        Class::InsulationLow => {
            "disconnect nothing live; the fault may lie on the inverter side or in the PV: isolate by the manual and look again"
        }
        Class::SwitchFault => "isolate every other source, wait for the decay time and look again",
        _ => "look again, then follow the maker's manual",
    }
}
