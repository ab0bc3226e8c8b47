//! Numbers, lamps and states against each other, in sentences.

use std::borrow::Cow;

use packside_profiles::model::Profile;

use super::flagged::flagged;
use super::names::{name, place_in_words, point};
use super::number::{moment, with_unit};
use super::pseudo::FURTHER;
use crate::facts::fact::{Compared, Contradicts, Pair, Spot, SumLooks};
use crate::lamp::meanings;

#[expect(
    clippy::too_many_lines,
    reason = "one short arm for each fact; parts would have to leave some out"
)]
pub(super) fn compared(fact: &Compared, profile: &Profile) -> String {
    match fact {
        Compared::DoesNotAddUp {
            pair,
            left,
            right,
            tolerance,
            looks,
            current_moved,
        } => {
            let (left_name, right_name, unit) = pair_names(*pair);
            let shown = |number| with_unit(number, unit);
            format!(
                "{left_name} {}, {right_name} {}: {} apart (limit {}){}{}",
                shown(*left),
                shown(*right),
                shown((left - right).abs()),
                limit(*tolerance, unit),
                looks_like(*looks),
                if *current_moved {
                    "\u{1d}the current may have moved meanwhile"
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
            "{} is at {}, and {} has {}{FURTHER}the {others} others of its module are at {} to {}, the other cells have {}: \
             a cell that heats from inside",
            name(*at, profile),
            with_unit(*celsius, "degC"),
            name(*cell, profile),
            with_unit(*volts, "V"),
            with_unit(*low, "degC"),
            with_unit(*high, "degC"),
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
        Compared::PrechargeLasts {
            lasted, longest, ..
        } => format!(
            "pre-charge for {:.0} s, and by the map it takes {} s at most\u{1d}its resistor or a switch is broken, or something \
             behind it takes the current",
            lasted.as_secs_f64(),
            longest.as_secs_f64()
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
            state,
            code,
            ..
        } => format!(
            "in state \"{}\" {} ({answers} answers)",
            point(profile, *state)
                .and_then(|point| point.values.iter().find(|v| v.is == *code))
                .map_or(Cow::Borrowed(""), |value| value.name.clean()),
            match how {
                Contradicts::AllClosed =>
                    "all main switches read closed and should be open\u{1d}welded, or their contacts only say so",
                Contradicts::AllOpen => {
                    "all main switches read open and should be closed\u{1d}they do not close, or their contacts only say so"
                }
                Contradicts::OneClosed =>
                    "one main switch reads closed and should be open: one pole may be live\u{1d}it is welded, or its contact only says so",
                Contradicts::OneOpen => {
                    "one main switch reads open and should be closed\u{1d}it does not close, or its contact only says so"
                }
            },
        ),
        Compared::WrongPosition { at, said } => format!(
            "the module at place {} says that it is number {said:.0}",
            at.place.module.unwrap_or_default()
        ),
        Compared::BrokenSenseWire {
            at,
            volts,
            beside,
            volts_beside,
        } => format!(
            "{} reads {}, and {} beside it {}, together like two others ({}): the sense wire between them{FURTHER}not a cell",
            name(*at, profile),
            with_unit(*volts, "V"),
            name(*beside, profile),
            with_unit(*volts_beside, "V"),
            with_unit(volts + volts_beside, "V"),
        ),
        Compared::LostConnector { module, cells } => format!(
            "none of the {cells} cells of {} can be read{FURTHER}most likely a loose sense connector; nobody can say that they are safe \
             to charge",
            module.map_or_else(|| "the pack".to_owned(), |m| format!("module {m}"))
        ),
        Compared::CurrentWhileOpen { at, amps, last } => format!(
            "{} {} {} although every switch {} said to be open: the current sensor is off its zero, or a switch does not open",
            name(*at, profile),
            last.map_or_else(
                || "is".to_owned(),
                |last| format!("was up to {}", moment(Some(last)))
            ),
            with_unit(*amps, "A"),
            if last.is_some() { "was" } else { "is" },
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
            "pack {} has {}, pack {} {} (limit {} apart){FURTHER}connecting them drives a large current",
            low.0,
            with_unit(low.1, "V"),
            high.0,
            with_unit(high.1, "V"),
            with_unit(*limit, "V"),
        ),
        Compared::LampContradicts {
            lamp,
            pattern,
            should: Some(should),
        } => format!(
            "lamp {} was seen {}, the registers say {should}: a broken lamp, another unit, or old answers",
            lamp.clean(),
            pattern.clean()
        ),
        Compared::LampContradicts {
            lamp,
            pattern,
            should: None,
        } => {
            let meanings = meanings(profile, lamp.as_given(), pattern.as_given());
            let meanings: Vec<&str> = meanings.iter().map(|m| m.meaning.as_str()).collect();
            format!(
                "lamp {} was seen {} ({}), the registers do not say so",
                lamp.clean(),
                pattern.clean(),
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
        "{} is at {}, the {others} others of its module at {} to {}",
        name(at, profile),
        with_unit(celsius, "degC"),
        with_unit(low, "degC"),
        with_unit(high, "degC"),
    )
}

/// What is compared, and in which unit.
fn pair_names(pair: Pair) -> (String, &'static str, &'static str) {
    let (left, right, unit) = match pair {
        Pair::CellsAndModule { module } => {
            let of_module = module
                .place
                .module
                .map_or_else(String::new, |m| format!(" of module {m}"));
            return (
                format!("the cells{of_module} add up to"),
                "the module reads",
                "V",
            );
        }
        Pair::ModulesAndPack => ("the modules add up to", "the pack reads", "V"),
        Pair::CellsAndPack => ("the cells add up to", "the pack reads", "V"),
        Pair::ProductAndPower => ("voltage times current is", "the power reads", "W"),
        Pair::HighestCell => (
            "the unit says its highest cell has",
            "of its cells the highest has",
            "V",
        ),
        Pair::LowestCell => (
            "the unit says its lowest cell has",
            "of its cells the lowest has",
            "V",
        ),
        Pair::TerminalsAndPack => ("the terminals have", "the pack has", "V"),
    };
    (left.to_owned(), right, unit)
}

/// A limit in no more digits than it has.
fn limit(number: f64, unit: &str) -> String {
    format!("{} {unit}", (number * 1e3).round() / 1e3)
}

fn looks_like(looks: Option<SumLooks>) -> &'static str {
    match looks {
        None => "",
        Some(SumLooks::ModuleReversed) => {
            "\u{1d}that is twice a module's voltage, as if one were reversed"
        }
        Some(SumLooks::ModuleLeftOut) => {
            "\u{1d}that is one module's voltage, as if one were bridged or left out"
        }
        Some(SumLooks::PackWireLost) => "\u{1d}as if the wire that measures the pack had come off",
    }
}
