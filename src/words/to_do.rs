//! What to do about a finding, in words.

use packside_profiles::Class;
use packside_profiles::model::Profile;

use super::names::flag;
use super::pseudo::{is_short, said};
use crate::facts::fact::{Deed, First, Remedy};

/// What to do first; empty where there is nothing to do.
pub(crate) fn to_do(remedy: &Remedy, profile: &Profile) -> String {
    let text = plain_to_do(remedy, profile);
    if text.is_empty() { text } else { said(text) }
}

/// The same for a longer sentence of this room.
pub(super) fn plain_to_do(remedy: &Remedy, profile: &Profile) -> String {
    let mut parts: Vec<String> = Vec::new();
    if remedy.deed == Deed::NarrowDownStack {
        parts.push("only if it is still low with 0 A and the inverter's isolator open".to_owned());
    }
    for first in &remedy.first {
        parts.push(match first {
            First::DoNotCharge => "do not charge".to_owned(),
            First::ProveDead if is_short() => {
                "the far side proven dead".to_owned()
            }
            First::ProveDead => "inverter to 0 A, isolators open, wait as the inverter's label says; only the far side of an \
                 open isolator can be proven dead, pole to pole and pole to earth, with a rated two-pole tester"
                .to_owned(),
        });
    }
    parts.push(deed(remedy.deed, profile));
    parts.join("; ")
}

fn deed(deed: Deed, profile: &Profile) -> String {
    match deed {
        Deed::Nothing => String::new(),
        Deed::OfMap(index) => flag(profile, index).map_or_else(String::new, |f| f.to_do.clean().into_owned()),
        Deed::Usual(class) => usual(class).to_owned(),
        Deed::SeeWhetherItReturns => "look again, and see whether it comes back".to_owned(),
        Deed::SenseWire { .. } => {
            "with the inverter at 0 A, look at the sense wire between the two cells\u{1d}LIVE DC: the harness sits at stack \
             potential; do not charge until both can be read"
                .to_owned()
        }
        Deed::OpenIsolators => "treat the terminals as live: switching off does not make them dead. Inverter to 0 A at its screen, \
             then open the isolators of inverter and PV by the manual, wait as the inverter's label says, look again\u{1d}prove the far side dead, pole to pole and pole to earth"
            .to_owned(),
        Deed::FindPerson => {
            "find the person who switched it so, and ask why before anything is switched back".to_owned()
        }
        Deed::NarrowDownStack => "unit off again, isolate the stack's cables and modules one by one, by the manual\u{1d}look again after each"
            .to_owned(),
        Deed::FuseAndResistor => "if there is no load and no swapped polarity, look at the main fuse and the pre-charge resistor by \
             the manual; they sit inside, live with the unit off as well"
            .to_owned(),
        Deed::CompareCharge => {
            "compare with the voltages at rest; ask the maker before they are charged together".to_owned()
        }
        Deed::RestartControlUnit => {
            "inverter to 0 A at its screen and left so, nobody at the terminals; then restart the control unit by the manual: does it stop again?"
                .to_owned()
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
#[expect(
    clippy::too_many_lines,
    reason = "one arm a class: a list is read more easily than parts of it"
)]
pub(crate) fn usual(class: Class) -> &'static str {
    match class {
        Class::CellBelowMinimum => {
            "do not charge, do not install, ask its maker; it does not travel as ordinary goods"
        }
        Class::CellOverVoltage | Class::PackOverVoltage => {
            "set charging to 0 A at the inverter's screen and see 0 A there, then ask the maker"
        }
        Class::CellUnderVoltage | Class::PackUnderVoltage | Class::LowCharge => {
            "no discharge; charge only under the unit's own control, with no other charger"
        }
        Class::ChargingOutside => {
            "set charging to zero at the inverter's screen and see 0 A there; pull no plug, do not heat it\u{1d}ask the maker \
             about the cells that were charged like this"
        }
        Class::UnderTemperature => {
            "warm the room slowly, no heater on the unit, no condensation; then look again"
        }
        Class::OverTemperature => {
            "stay away and watch the number from elsewhere; rising, gas or smoke: out, call the fire service; do not go back \
             in, even if it has cooled"
        }
        Class::CellImbalance => {
            "leave it at rest and look again; then compare this module with the others; ask the maker before it is charged"
        }
        Class::CellResistance => {
            "set the inverter to 0 A at its screen, no current through this cell; ask the maker: its joint is LIVE DC work"
        }
        Class::SensorFault => {
            "with the inverter at 0 A, look at its sense wires and connectors by the manual\u{1d}LIVE DC: the harness sits at stack \
             potential"
        }
        Class::ConfigurationFault => {
            "compare order, polarity and number of the modules with the nameplates, covers on; touch no terminal, connect nothing.\
             \u{1d}A licensed electrician corrects what is wrong: LIVE DC, by the manual"
        }
        Class::InsulationLow => {
            "touch no metal, a pole may be at earth; disconnect nothing live. Set the inverter to 0 A, isolate it by the manual and \
             look again: it may lie beyond the switches"
        }
        Class::SwitchFault => {
            "treat the terminals as live. Inverter to 0 A at its screen, then isolate every other source by the manual, never \
             under load, wait as the inverter's label says, and look again\u{1d}prove the far side dead, pole to pole and pole to \
             earth"
        }
        Class::OverCurrent => {
            "bring the current to 0 A at the inverter's screen; then look for the load or the charge limit that was too large"
        }
        Class::TemperatureImbalance => {
            "stay away and watch the numbers from elsewhere; only after ten minutes of falling look for what warms it"
        }
        Class::OffButton | Class::Maintenance | Class::Disabled => {
            "find the person who switched it so, and ask why before anything is switched back"
        }
        Class::FuseOpen => {
            "treat the terminals as live. Inverter to 0 A at its screen, then open its isolators by the manual, never under load; \
             no new fuse before it is known what blew this one"
        }
        Class::ShortCircuit => {
            "do not switch on. Inverter to 0 A at its screen, then open its isolators by the manual, hands off DC; nothing closes \
             again before the short is found"
        }
        Class::PrechargeFailed => {
            "inverter to 0 A at its screen, hands off DC. Then look by the manual for a load or swapped polarity at the terminals, \
             before it tries again"
        }
        Class::InternalCommunication => {
            "inverter to 0 A at its screen and left so: modules that are not heard are not protected. Then look at the link cables \
             between the modules by the manual\u{1d}LIVE DC: nothing switches their poles off"
        }
        Class::ControlUnitFault => {
            "inverter to 0 A at its screen and left so, nobody at the terminals: its switches may not obey; ask the maker"
        }
        Class::FanFault => {
            "inverter to 0 A at its screen; then, with the unit off by the manual, look what holds the fan"
        }
        Class::DoorOpen => {
            "touch nothing inside, it is live with the unit off as well; ask who opened it, and have it closed by the manual"
        }
        Class::OtherFault => {
            "inverter to 0 A at its screen and left so; then find out by the maker's manual what this alarm means"
        }
        _ => "look again, then follow the maker's manual",
    }
}
