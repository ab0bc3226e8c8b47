//! What people must know before anything else, in words.

use super::number::with_unit;
use super::pseudo::said;
use crate::facts::caution::Caution;

/// What people must know before anything else; in a rack with the address of the pack.
#[expect(
    clippy::too_many_lines,
    reason = "one arm a caution: a list is read more easily than parts of it"
)]
pub(crate) fn caution(caution: &Caution, unit: Option<u8>) -> String {
    let text = match caution {
        Caution::Contradicted { volts, falling } => {
            let (falls, still) = if *falling {
                (" and falling", ", whatever they read later")
            } else {
                ("", "")
            };
            format!(
                "TERMINALS LIVE, {}{falls}, although said to be dead or behind open switches. Hands off{still}",
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
            "KEEP AWAY: {} heats, from {} to {} within {:.0} s and no less since. Rising, gas or smoke: out, call the fire service. Do not go back in, even if it has cooled",
            module_or_unit(*module),
            with_unit(*from, "degC"),
            with_unit(*to, "degC"),
            within.as_secs_f64()
        ),
        Caution::Hot {
            module,
            celsius,
            sensors,
        } => {
            let (whose, celsius) = (module_or_unit(*module), with_unit(*celsius, "degC"));
            let hot = match sensors {
                2.. => format!("{sensors} sensors are too hot, up to {celsius} ({whose})"),
                _ => format!("{whose} is at {celsius}"),
            };
            format!(
                "KEEP AWAY: {hot}. Rising, gas or smoke: out, call the fire service. Do not go back in, even if it has cooled"
            )
        }
        Caution::SaidHot { module, celsius } => format!(
            "KEEP AWAY: the unit's own alarm says too hot. Its hottest sensor ({}) reads {} now: do not go back in, even \
             if it has cooled. Rising, gas or smoke: out, call the fire service",
            module_or_unit(*module),
            with_unit(*celsius, "degC")
        ),
        Caution::Warm {
            module,
            celsius,
            others,
            flows,
        } => format!(
            "KEEP AWAY: {}{} is at {} while others are at {}. Until shown otherwise it heats from inside. \
             Rising, gas or smoke: out, call the fire service. Do not go back in, even if it has cooled",
            if *flows { "" } else { "without current " },
            module_or_unit(*module),
            with_unit(*celsius, "degC"),
            with_unit(*others, "degC")
        ),
        Caution::HeatsInside { module, celsius } => format!(
            "OUT, AND TAKE EVERYBODY ALONG: {} heats from inside ({}). Call the fire service. Do not go back in, even if it \
             has cooled",
            module_or_unit(*module),
            with_unit(*celsius, "degC")
        ),
        Caution::PoleAtEarth => {
            "TOUCH NO METAL of battery, rack or inverter, one pole may be at earth".to_owned()
        }
        Caution::OnePoleLive => "ONE POLE MAY BE LIVE, whatever is read. Hands off".to_owned(),
        Caution::PacksUnlike => {
            return said(
                "CAUTION: UNLIKE PACKS MUST NOT CONNECT. Touch no switch, repair nothing yet"
                    .to_owned(),
            );
        }
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
        Caution::CannotOpen => "ITS SWITCHES DO NOT OPEN, it stays live. Hands off".to_owned(),
        // What each pack gives stands in its row.
        Caution::BetweenPacks { into, .. } => {
            return said(format!(
                "CAUTION: {} FLOW FROM PACK TO PACK, into address {}. Touch no switch, no plug",
                with_unit(into.1, "A"),
                into.0
            ));
        }
    };
    let whose = unit.map_or_else(String::new, |unit| format!(" at address {unit}"));
    said(format!("CAUTION{whose}: {text}"))
}

fn module_or_unit(module: Option<u16>) -> String {
    module.map_or_else(|| "the unit".to_owned(), |n| format!("module {n}"))
}
