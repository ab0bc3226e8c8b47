//! What was found, in sentences with the number that decided.

use std::borrow::Cow;

use packside_profiles::model::{Profile, Severity};
use packside_profiles::{Class, Place, Role};

use super::names::{family, flag, name, place_in_words, point, spot, unit};
use super::number::{moment, with_unit};
use super::pseudo::said;
use crate::facts::fact::{
    Caution, Compared, Contradicts, Fact, Flagged, Limit, Line, Measured, Pair, Remark, Said, Side,
    Spot, SumLooks, Switches,
};
use crate::facts::whereabouts::{Item, Whereabouts};
use crate::lamp::meanings;

/// One sentence for one fact.
pub(crate) fn fact(fact: &Fact, profile: &Profile) -> String {
    said(match fact {
        Fact::Measured(fact) => measured(fact, profile),
        Fact::Compared(fact) => compared(fact, profile),
        Fact::Flagged(fact) => flagged(fact, profile),
        Fact::Line(fact) => return line(fact),
        Fact::Said(fact) => by_person(fact),
        Fact::Remark(fact) => remark(fact, profile),
    })
}

/// The number that decided and its limit, in a few words, where it was measured.
pub(crate) fn deciding(fact: &Fact, profile: &Profile) -> Option<String> {
    let number_and_limit = |at: Spot, number: f64, limit: f64| {
        let unit = &unit(at.point, profile);
        format!(
            "{}, limit {}",
            with_unit(number, unit),
            with_unit(limit, unit)
        )
    };
    let text = match fact {
        Fact::Measured(Measured::BeyondLimit {
            at, number, limit, ..
        })
        | Fact::Measured(Measured::ManyBeyondLimit {
            worst: at,
            number,
            limit,
            ..
        }) => number_and_limit(*at, *number, limit.number),
        Fact::Measured(Measured::BelowMinimum { at, volts, limit }) => format!(
            "{}, never to be charged below {}",
            with_unit(*volts, &unit(at.point, profile)),
            with_unit(*limit, "V"),
        ),
        Fact::Measured(Measured::TooFarApart {
            point,
            low,
            high,
            limit,
            ..
        }) => {
            let unit = &unit(*point, profile);
            let apart = high.1 - low.1;
            format!(
                "{} apart, limit {}",
                with_unit(apart, unit),
                with_unit(*limit, unit)
            )
        }
        Fact::Compared(Compared::SwitchesAgainstState { how, .. }) => match how {
            Contradicts::AllClosed => "all read closed, and should be open",
            Contradicts::AllOpen => "all read open, and should be closed",
            Contradicts::One => "one is not where it should be",
        }
        .to_owned(),
        Fact::Compared(Compared::GivesWay {
            low, high, middle, ..
        }) => format!(
            "{} where others move {}",
            with_unit(high - low, "V"),
            with_unit(middle.abs(), "V")
        ),
        Fact::Compared(Compared::LowOnlyUnderCurrent { lowest, middle, .. }) => format!(
            "{} without current, the others {}",
            with_unit(*lowest, "V"),
            with_unit(*middle, "V")
        ),
        _ => return None,
    };
    Some(said(text))
}

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

fn in_hex(raw: Option<u64>) -> String {
    raw.map_or_else(String::new, |raw| format!(" (raw 0x{raw:04x})"))
}

/// `below the alarm limit of 2.800 V`.
fn beyond(limit: Limit, unit: &str) -> String {
    let side = match limit.side {
        Side::Below => "below",
        Side::Above => "above",
    };
    let what = match limit.severity {
        Severity::Alarm => "alarm",
        Severity::Warning | Severity::Notice => "warning",
    };
    format!(
        "{side} the {what} limit of {}",
        with_unit(limit.number, unit)
    )
}

#[expect(
    clippy::too_many_lines,
    reason = "one short arm for each fact; parts would have to leave some out"
)]
fn measured(fact: &Measured, profile: &Profile) -> String {
    let value = |at: Spot, number: f64| with_unit(number, &unit(at.point, profile));
    match fact {
        Measured::BeyondLimit {
            at,
            number,
            limit,
            switches,
        } => {
            let where_it_lies = match switches {
                None => "",
                Some(Switches::Closed) => {
                    "; the switches are closed, so it may be on the inverter's or the PV's side"
                }
                Some(Switches::Open) => {
                    "; if the switches really are open, it is in the stack or its cables"
                }
            };
            format!(
                "{}: {}, {}{where_it_lies}",
                name(*at, profile),
                value(*at, *number),
                beyond(*limit, &unit(at.point, profile)),
            )
        }
        Measured::ManyBeyondLimit {
            worst,
            limit,
            count,
            of,
            low,
            high,
            ..
        } => {
            let role = point(profile, worst.point).map(|point| point.role);
            let what = if role == Some(Role::CellVoltage) {
                "cells"
            } else {
                "sensors"
            };
            format!(
                "{count} of {of} {what}, {} to {}: {}",
                value(*worst, *low),
                value(*worst, *high),
                beyond(*limit, &unit(worst.point, profile)),
            )
        }
        Measured::WasBeyond {
            at,
            number,
            limit,
            last,
        } => format!(
            "{} was {} at {:.0} s, {}, and is good again; does it come back?",
            name(*at, profile),
            value(*at, *number),
            last.as_secs_f64(),
            beyond(*limit, &unit(at.point, profile)),
        ),
        Measured::ChargesOutside {
            at,
            celsius,
            limit,
            side,
            amps,
        } => format!(
            "charged with {} while {} is at {}; {} {} it may not be charged",
            with_unit(*amps, "A"),
            name(*at, profile),
            value(*at, *celsius),
            match side {
                Side::Below => "below",
                Side::Above => "above",
            },
            value(*at, *limit),
        ),
        Measured::BelowMinimum { at, volts, limit } => format!(
            "{}: {}, below {}: never charge this cell again",
            name(*at, profile),
            value(*at, *volts),
            with_unit(*limit, "V"),
        ),
        Measured::UnreadableCell { at, raw } => format!(
            "{} cannot be read{}, so nobody can say that it is safe to charge",
            name(*at, profile),
            in_hex(*raw)
        ),
        Measured::UnreadableSensor { at, raw } => format!(
            "{} gives no temperature{}: the sensor or its connector",
            name(*at, profile),
            in_hex(*raw)
        ),
        Measured::TooFarApart {
            point,
            low,
            high,
            limit,
            at_rest,
        } => {
            let (low_at, high_at) = (spot(*point, low.0), spot(*point, high.0));
            format!(
                "{}: {} at {} and {} at {}, {} apart (limit {})",
                if *at_rest { "at rest" } else { "not at rest" },
                name(low_at, profile),
                value(low_at, low.1),
                name(high_at, profile),
                value(high_at, high.1),
                value(low_at, high.1 - low.1),
                value(low_at, *limit),
            )
        }
        Measured::TerminalsLive { volts } => format!(
            "the switches are said to be open, yet the terminals carry {}: another source, capacitors not yet discharged, \
             or a switch that does not open",
            with_unit(*volts, "V")
        ),
        Measured::TerminalsDecay { volts, before } => format!(
            "the terminals still carry {}, falling from {}: capacitors are discharging; not safe until proven dead",
            with_unit(*volts, "V"),
            with_unit(*before, "V"),
        ),
        Measured::HeartbeatStill {
            stood,
            every_s,
            by_gateway,
        } => format!(
            "the unit's own counter has not moved for {:.1} s (it should every {every_s} s): every value here may be old, and \
             another fault may hide behind them{}",
            stood.as_secs_f64(),
            if *by_gateway {
                "; the gateway may answer from its memory"
            } else {
                ""
            }
        ),
        Measured::Heats {
            at,
            from,
            to,
            within,
        } => format!(
            "{} rose from {} to {} within {:.1} s and did not come back: heat, no sensor",
            name(*at, profile),
            with_unit(*from, "degC"),
            with_unit(*to, "degC"),
            within.as_secs_f64()
        ),
        Measured::ChargedOutside {
            at,
            celsius,
            limit,
            amps,
            last,
            lasted,
        } => format!(
            "the unit was charged with {} {}{}, while {} was {} and its window ends at {}: what plates stays plated",
            with_unit(*amps, "A"),
            moment(Some(*last)),
            lasted.map_or_else(String::new, |time| format!(
                " for up to {:.0} s",
                time.as_secs_f64()
            )),
            name(*at, profile),
            with_unit(*celsius, "degC"),
            with_unit(*limit, "degC"),
        ),
        Measured::Jumped {
            at,
            from,
            to,
            within,
        } => format!(
            "{} went from {} to {} within {:.1} s: the sensor or its connector",
            name(*at, profile),
            with_unit(*from, "degC"),
            with_unit(*to, "degC"),
            within.as_secs_f64()
        ),
    }
}

#[expect(
    clippy::too_many_lines,
    reason = "one short arm for each fact; parts would have to leave some out"
)]
fn compared(fact: &Compared, profile: &Profile) -> String {
    match fact {
        Compared::DoesNotAddUp {
            pair,
            left,
            right,
            tolerance,
            looks,
            current_moved,
        } => {
            let (left_name, right_name, unit) = pair_names(*pair, profile);
            let shown = |number| with_unit(number, unit);
            format!(
                "{left_name} is {}, {right_name} is {}: {} apart (limit {}){}{}",
                shown(*left),
                shown(*right),
                shown((left - right).abs()),
                shown(*tolerance),
                looks_like(*looks),
                if *current_moved {
                    "; the current may have moved meanwhile"
                } else {
                    ""
                },
            )
        }
        Compared::CellResists {
            place,
            milliohm,
            uncertainty,
            median,
            before,
            under_load,
        } => {
            let cell = match (place.module, place.item) {
                (Some(module), Some(item)) => format!("cell {item} of module {module}"),
                (_, item) => format!("cell {}", item.unwrap_or_default()),
            };
            format!(
                "{cell} has {milliohm:.1} mOhm (give or take {uncertainty:.1}), the other cells {median:.1}, measured from \
                 {before:.1} to {under_load:.1} A"
            )
        }
        Compared::GivesWay {
            place,
            low,
            high,
            middle,
        } => format!(
            "{} moves between {} and {} with the current: {}, while the others move {}: this cell, or a joint beside it, gives way",
            place_in_words(*place, "cell"),
            with_unit(*low, "V"),
            with_unit(*high, "V"),
            with_unit(high - low, "V"),
            with_unit(middle.abs(), "V"),
        ),
        Compared::LowOnlyUnderCurrent {
            says,
            place,
            lowest,
            middle,
        } => format!(
            "{}, yet now the lowest, {}, has {} and the middle one {}: it is low only under current",
            flagged(says, profile),
            place_in_words(*place, "cell"),
            with_unit(*lowest, "V"),
            with_unit(*middle, "V"),
        ),
        Compared::HotFromInside {
            at,
            celsius,
            others,
            low,
            high,
            cell,
            volts,
            usual,
        } => format!(
            "{}, and {} has {} where the others have {}: a cell that heats from inside. Keep away",
            alone(*at, *celsius, *others, (*low, *high), profile),
            name(*cell, profile),
            with_unit(*volts, "V"),
            with_unit(*usual, "V")
        ),
        Compared::LoneSensor {
            at,
            celsius,
            others,
            low,
            high,
        } => format!(
            "{}: a sensor that is stuck or loose, or one hot or cold spot",
            alone(*at, *celsius, *others, (*low, *high), profile),
        ),
        Compared::SwitchesDropped { times, last } => format!(
            "the main switches contradicted the unit's state {}, last {}: a switch that drops out and closes again breaks \
             what is behind it",
            match times {
                1 => "once".to_owned(),
                times => format!("{times} times"),
            },
            moment(Some(*last))
        ),
        Compared::ModulesUnlikeFirmware { one, other } => format!(
            "{} is {} and {} is {}: the modules have unlike firmware, perhaps an update was only half done",
            name(one.0, profile),
            one.1.clean(),
            name(other.0, profile),
            other.1.clean()
        ),
        Compared::SameSerial { first, second } => format!(
            "addresses {first} and {second} have one serial number, and their own counters show that they are two packs: a \
             copied nameplate"
        ),
        Compared::SwitchesAgainstState {
            how,
            answers,
            at,
            raw,
            state,
            code,
        } => format!(
            "{} ({answers} answers; {} = 0x{raw:04x}, state {})",
            match how {
                Contradicts::AllClosed =>
                    "all switches read closed and should be open: welded, or their contacts only say so",
                Contradicts::AllOpen => {
                    "all switches read open and should be closed: they do not close, or their contacts only say so"
                }
                Contradicts::One =>
                    "one switch is not where it should be: it sticks, or its contact only says so",
            },
            name(*at, profile),
            point(profile, *state)
                .and_then(|point| point.values.iter().find(|v| v.is == *code))
                .map_or(Cow::Borrowed(""), |value| value.name.clean()),
        ),
        Compared::WrongPosition { at, said } => format!(
            "{} is {said:.0}: the module at place {} says that it belongs elsewhere",
            name(*at, profile),
            at.place.module.unwrap_or_default()
        ),
        Compared::BrokenSenseWire {
            at,
            volts,
            beside,
            volts_beside,
        } => format!(
            "{} reads {}, and {} beside it {}: together they are like two others ({}), so the sense wire between them is broken, \
             not a cell",
            name(*at, profile),
            with_unit(*volts, "V"),
            name(*beside, profile),
            with_unit(*volts_beside, "V"),
            with_unit(volts + volts_beside, "V"),
        ),
        Compared::LostConnector { module, cells } => format!(
            "{cells} cells of {} cannot be read: most likely a loose sense connector; nobody can say that they are safe \
             to charge",
            module.map_or_else(|| "the pack".to_owned(), |m| format!("module {m}"))
        ),
        Compared::CurrentWhileOpen { at, amps } => format!(
            "{} is {} although every switch is said to be open: the current sensor is off its zero, or a switch does not open",
            name(*at, profile),
            with_unit(*amps, "A"),
        ),
        Compared::ChargeAgainstVoltage { volts, percent } => format!(
            "at rest the cells have {} on average, which does not fit a state of charge of {percent:.0} %: the charge counter \
             has drifted",
            with_unit(*volts, "V")
        ),
        Compared::ModulesUnlikeCharge {
            low,
            low_percent,
            high,
            high_percent,
            limit,
        } => format!(
            "{} is {low_percent:.0} % and {} {high_percent:.0} %: {:.0} points apart (limit {limit:.0})",
            name(*low, profile),
            name(*high, profile),
            high_percent - low_percent
        ),
        Compared::PacksUnlikeCharge { low, high, limit } => format!(
            "the packs are not equally charged: {:.0} % at address {}, {:.0} % at address {} (they may connect only within \
             {limit:.0} %)",
            low.1, low.0, high.1, high.0
        ),
        Compared::PacksUnlike { low, high, limit } => format!(
            "pack {} has {} and pack {} has {}: {} apart (limit {}); connecting them drives a large current",
            low.0,
            with_unit(low.1, "V"),
            high.0,
            with_unit(high.1, "V"),
            with_unit(high.1 - low.1, "V"),
            with_unit(*limit, "V"),
        ),
        Compared::LampContradicts {
            lamp,
            pattern,
            should: Some(should),
        } => format!(
            "lamp {lamp} was seen {pattern}, the registers say {should}: a broken lamp, another unit, or old answers"
        ),
        Compared::LampContradicts {
            lamp,
            pattern,
            should: None,
        } => {
            let meanings = meanings(profile, lamp, pattern);
            let meanings: Vec<&str> = meanings.iter().map(|m| m.meaning.as_str()).collect();
            format!(
                "lamp {lamp} was seen {pattern} ({}), the registers do not say so",
                meanings.join("; or ")
            )
        }
    }
}

/// A sensor and the others of its module.
fn alone(
    at: Spot,
    celsius: f64,
    others: usize,
    (low, high): (f64, f64),
    profile: &Profile,
) -> String {
    format!(
        "{} is at {} while the {others} others of its module agree on {} to {}",
        name(at, profile),
        with_unit(celsius, "degC"),
        with_unit(low, "degC"),
        with_unit(high, "degC"),
    )
}

/// What is compared, and in which unit.
fn pair_names(pair: Pair, profile: &Profile) -> (String, String, &'static str) {
    let (left, right, unit) = match pair {
        Pair::CellsAndModule { module } => {
            let of_module = module
                .place
                .module
                .map_or_else(String::new, |m| format!(" of module {m}"));
            return (
                format!("sum of cells{of_module}"),
                name(module, profile),
                "V",
            );
        }
        Pair::ModulesAndPack => ("sum of modules", "pack voltage", "V"),
        Pair::CellsAndPack => ("sum of cells", "pack voltage", "V"),
        Pair::ProductAndPower => ("voltage x current", "power", "W"),
        Pair::HighestCell => ("highest cell as reported", "highest single cell", "V"),
        Pair::LowestCell => ("lowest cell as reported", "lowest single cell", "V"),
        Pair::TerminalsAndPack => ("terminal voltage", "pack voltage", "V"),
    };
    (left.to_owned(), right.to_owned(), unit)
}

fn looks_like(looks: Option<SumLooks>) -> &'static str {
    match looks {
        None => "",
        Some(SumLooks::ModuleReversed) => {
            "; that is twice a module's voltage, as if one were reversed"
        }
        Some(SumLooks::ModuleLeftOut) => {
            "; that is one module's voltage, as if one were bridged or left out"
        }
        Some(SumLooks::PackWireLost) => "; as if the wire that measures the pack had come off",
    }
}

fn flagged(fact: &Flagged, profile: &Profile) -> String {
    let meaning =
        |index| flag(profile, index).map_or(Cow::Borrowed(""), |flag| flag.meaning.clean());
    // Codes stand as plain numbers in manuals; in which word a bit stands is in the tables.
    let with_code = |index, at: &Spot, raw: u64| {
        let is_code = point(profile, at.point).is_some_and(|p| p.role == Role::FaultCode);
        let code = if is_code {
            format!(" (code {raw})")
        } else {
            String::new()
        };
        format!("{}{code}", meaning(index))
    };
    match fact {
        Flagged::Up {
            flag,
            at,
            raw,
            contradicted,
            shown,
        } => {
            let mut text = with_code(*flag, at, *raw);
            if let Some((shown, all)) = shown {
                text.push_str(&format!(
                    ", which module is not said: {shown} of {all} show values, perhaps old ones"
                ));
            }
            against_terminals(text, *contradicted)
        }
        Flagged::Stored {
            flag,
            at,
            raw,
            up_now,
            contradicted,
        } => {
            let when = if *up_now {
                "stored as well"
            } else {
                "stored earlier, not set now"
            };
            let text = format!("{when}: {}", with_code(*flag, at, *raw));
            against_terminals(text, *contradicted)
        }
        Flagged::Earlier {
            flag: index,
            seen_at,
            ..
        } => format!("set {}, not now: {}", moment(*seen_at), meaning(*index)),
    }
}

/// What the unit says, beside the voltage at its terminals where that contradicts it.
fn against_terminals(text: String, contradicted: Option<f64>) -> String {
    match contradicted {
        None => text,
        Some(volts) => format!(
            "the unit says: {text}; CONTRADICTED: its terminals carry {}",
            with_unit(volts, "V")
        ),
    }
}

pub(crate) fn line(fact: &Line) -> String {
    said(match fact {
        Line::MemberMissing { asked: true } => {
            "no valid answer: nothing can be said about this pack".to_owned()
        }
        Line::MemberMissing { asked: false } => "this pack was not asked".to_owned(),
        Line::BadLine { cause } => format!(
            "the line is unreliable, {} because {} ({})",
            if cause.per_mille >= 500 {
                "likely"
            } else {
                "perhaps"
            },
            super::cause(cause.kind),
            super::sights(&cause.reasons_for).join("; ")
        ),
        Line::OthersAsk {
            foreign,
            ours,
            lost,
        } => {
            let lost = match lost {
                0 => String::new(),
                lost => format!("; {lost} of our {ours} got no answer"),
            };
            format!(
                "somebody else asked {foreign} times while we asked{lost}: only one may ask on a pair at a time"
            )
        }
    })
}

fn by_person(fact: &Said) -> String {
    match fact {
        Said::NotInOrder { question, note, .. } => {
            let note = note.as_ref().map(|note| format!(" ({})", note.clean()));
            format!(
                "found wrong on site: {}{}",
                question.clean(),
                note.unwrap_or_default()
            )
        }
    }
}

fn remark(fact: &Remark, profile: &Profile) -> String {
    match fact {
        Remark::EverHeardUnknown {} => "nothing tells whether the inverter was heard before: a lost cable and a first commissioning look the same"
            .to_owned(),
        Remark::WeHoldItsSocket {} => {
            "the laptop is plugged into the inverter's socket: the inverter's data cable is unplugged while we are here; its DC may be live".to_owned()
        }
        Remark::FlatCurve {} => {
            "between 30 and 90 % the LFP curve is flat: equal cell voltages do not show equal charge".to_owned()
        }
        Remark::FirmwareTooOld { firmware, families } => {
            let families = families.iter().filter_map(|index| family(profile, *index));
            let needs: Vec<String> = families
                .map(|family| format!("{} needs {}", family.name.clean(), family.firmware_from))
                .collect();
            format!(
                "firmware {firmware} is too old for some inverter families: {}",
                needs.join("; ")
            )
        }
        Remark::NoOrdinaryTransport { because } => format!(
            "{}: if it has to leave the site, it must not travel as ordinary goods (UN special provision 376); ask the \
             maker first",
            because.id()
        ),
        Remark::InsulationNotJudged { at, kohm, volts } => format!(
            "{} = {kohm:.0} kOhm at {}, {:.0} ohm per volt (for comparison: 100 and 500 in vehicle rules); the map has \
             no limit, so it is not judged",
            name(*at, profile),
            with_unit(*volts, "V"),
            kohm * 1000.0 / volts
        ),
    }
}

/// Where something is, in words; empty where that is the whole pack.
pub(crate) fn whereabouts(at: Whereabouts) -> String {
    let text = plain_whereabouts(at);
    if text.is_empty() { text } else { said(text) }
}

/// The same for a longer sentence of this room.
pub(super) fn plain_whereabouts(at: Whereabouts) -> String {
    let Whereabouts { place, item } = at;
    match (item, place.item) {
        (Item::CellPair, Some(first)) => {
            let module = Place {
                item: None,
                ..place
            };
            let module = place_in_words(module, "cell");
            let text = format!("{module} cells {first} and {}", first + 1);
            text.trim_start().to_owned()
        }
        (Item::Sensor, _) => place_in_words(place, "sensor"),
        (Item::Cell | Item::CellPair, _) => place_in_words(place, "cell"),
    }
}

/// What a class says, without its explanation.
pub(crate) fn class_in_short(of: Class) -> &'static str {
    let text = class(of);
    text.split([',', ';', ':']).next().unwrap_or(text)
}

/// What a fact says in a few words, where that is more than its class does.
pub(crate) fn fact_in_short(fact: &Fact) -> Option<&'static str> {
    let Fact::Compared(Compared::DoesNotAddUp { pair, looks, .. }) = fact else {
        return match fact {
            Fact::Measured(Measured::Heats { .. }) => Some("it heats"),
            Fact::Measured(Measured::ChargedOutside { .. }) => {
                Some("it was charged while too cold or too hot for it")
            }
            _ => None,
        };
    };
    match (pair, looks) {
        (Pair::TerminalsAndPack, _) => {
            Some("main switch or fuse open (no proof of dead, one pole may be live)")
        }
        (_, Some(SumLooks::ModuleReversed)) => {
            Some("a module reads as if reversed, or its voltage twice over")
        }
        (_, Some(SumLooks::ModuleLeftOut)) => Some("a module adds nothing to the pack"),
        (_, Some(SumLooks::PackWireLost)) => Some("the wire by which the pack is measured is lost"),
        _ => None,
    }
}

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
            "a main switch does not do as it is told: it does not open, or does not close"
        }
        C::PrechargeFailed => "pre-charge did not finish",
        C::FuseOpen => "the main fuse is open",
        C::SensorFault => {
            "a sensor or sense wire is disconnected or implausible, or numbers do not add up"
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
