//! What people must know before anything else, in words.

use super::number::with_unit;
use super::pseudo::said;
use crate::facts::caution::Caution;

/// What people must know before anything else.
pub(crate) fn caution(caution: &Caution) -> String {
    let text = match caution {
        Caution::Contradicted { volts, falling } => {
            let (falls, until) = if *falling {
                (" and falling", " until a two-pole tester proves them dead")
            } else {
                ("", "")
            };
            format!(
                "TERMINALS LIVE, {}{falls}, although the unit says that they are dead or its switches open. Hands off{until}",
                with_unit(*volts, "V")
            )
        }
        Caution::WokenByUs { volts } => format!(
            "OUR QUESTIONS WOKE THIS BATTERY, ITS TERMINALS NOW CARRY {}. Hands off",
            with_unit(*volts, "V")
        ),
        Caution::ShouldBeDead { volts } => format!(
            "TERMINALS LIVE, {}, in a state in which they should be dead. Hands off",
            with_unit(*volts, "V")
        ),
        Caution::Heating {
            module,
            from,
            to,
            within,
        } => format!(
            "KEEP AWAY: {} heats, from {} to {} within {:.0} s and no less since. Stay away and watch the number from \
             elsewhere. Rising, gas or smoke: out, call the fire service. Do not come back because it cooled",
            module_or_unit(*module),
            with_unit(*from, "degC"),
            with_unit(*to, "degC"),
            within.as_secs_f64()
        ),
        Caution::Hot { module, celsius } => format!(
            "KEEP AWAY: {} has {}. Stay away and watch the number from elsewhere. Rising, gas or smoke: out, call the \
             fire service. Do not come back because it cooled",
            module_or_unit(*module),
            with_unit(*celsius, "degC")
        ),
        Caution::Warm {
            module,
            celsius,
            others,
        } => format!(
            "KEEP AWAY: without current {} has {} while others have {}. Until shown otherwise it heats from inside. \
             Stay away and watch the number from elsewhere. Rising, gas or smoke: out, call the fire service. Do not \
             come back because it cooled",
            module_or_unit(*module),
            with_unit(*celsius, "degC"),
            with_unit(*others, "degC")
        ),
        Caution::StopCurrent { amps, charges } => format!(
            "STOP THE CURRENT: {} {}. Bring it to 0 A at the inverter's screen and see 0 A there, pull no plug",
            with_unit(amps.abs(), "A"),
            match charges {
                Some(true) => "flow into the battery",
                Some(false) => "flow out of the battery",
                None => "flow",
            }
        ),
        Caution::ControlUnitStill => {
            "THE CONTROL UNIT HAS STOPPED. Treat the terminals as live and current as flowing: its \
             switches may not obey"
                .to_owned()
        }
    };
    said(format!("CAUTION: {text}"))
}

fn module_or_unit(module: Option<u16>) -> String {
    module.map_or_else(|| "the unit".to_owned(), |n| format!("module {n}"))
}
