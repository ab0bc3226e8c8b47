//! Rules about flags: where they stand, what they may bring along, how grave they must be.
//!
//! # Why so strict
//! A profile is written by people. These rules keep one wrong line of it from turning a real fault
//! into a mere consequence of a silent inverter.

use std::collections::BTreeMap;

use super::{flag_named, point_named, unknown};
use crate::load::Draft;
use crate::meaning::{Class, Role};
use crate::model::{Flag, Kind, Severity};
use crate::problem::Collector;

/// A bit stands in a word of bits, a value in an enumeration, and never both.
pub(super) fn places(draft: &Draft<'_>, problems: &mut Collector<'_>) {
    for item in &draft.flags {
        let flag = &item.value;
        let place = |key: &str| format!("flag \"{}\", {key}", flag.id);
        let Some(point) = point_named(draft, &flag.point) else {
            unknown(
                item.at("point"),
                place("point"),
                "point",
                &flag.point,
                problems,
            );
            continue;
        };
        let is_word = matches!(point.kind, Kind::Bits16 | Kind::Bits32);
        let is_code = matches!(point.kind, Kind::Enum16 | Kind::Enum32);
        match (flag.bit, flag.values.is_empty()) {
            (Some(_), false) | (None, true) => problems.add(
                item.at("bit"),
                format!("{}: expected either bit or values", place("bit")),
                "a word has bits, a code has values",
            ),
            (Some(bit), true) if u32::from(bit) >= point.value_bits() => problems.add(
                item.at("bit"),
                format!(
                    "{}: expected 0 to {}, found {bit}",
                    place("bit"),
                    point.value_bits().saturating_sub(1)
                ),
                "bit 0 is the lowest",
            ),
            (Some(_), true) if !is_word => problems.add(
                item.at("point"),
                format!(
                    "{}: expected a word of bits, \"{}\" is none",
                    place("point"),
                    point.id
                ),
                "give that point the type bits16 or bits32",
            ),
            (None, false) if !is_code => problems.add(
                item.at("point"),
                format!(
                    "{}: expected an enumeration, \"{}\" is none",
                    place("point"),
                    point.id
                ),
                "give that point the type enum16 or enum32",
            ),
            _ => {}
        }
        if flag.active > 1 {
            problems.add(
                item.at("active"),
                format!(
                    "{}: expected 0 or 1, found {}",
                    place("active"),
                    flag.active
                ),
                "the level of the bit that means yes",
            );
        }
    }
}

/// One bit or value has one meaning.
pub(super) fn taken_twice(draft: &Draft<'_>, problems: &mut Collector<'_>) {
    let mut taken: BTreeMap<(&str, &str, u64), &str> = BTreeMap::new();
    for item in &draft.flags {
        let flag = &item.value;
        let bit = flag.bit.map(|bit| ("bit", u64::from(bit)));
        for (what, number) in bit
            .into_iter()
            .chain(flag.values.iter().map(|value| ("values", *value)))
        {
            if let Some(other) = taken.insert((&flag.point, what, number), &flag.id) {
                problems.add(
                    item.at(what),
                    format!(
                        "flag \"{}\", {what}: {number} of \"{}\" is already \"{other}\"",
                        flag.id, flag.point
                    ),
                    "correct one of the two",
                );
            }
        }
    }
}

/// Only statuses may be brought along, and by a silent inverter only some of them.
pub(super) fn consequences(draft: &Draft<'_>, problems: &mut Collector<'_>) {
    for item in &draft.flags {
        let flag = &item.value;
        for other in &flag.brings {
            let Some(brought) = flag_named(draft, other) else {
                unknown(
                    item.at("brings"),
                    format!("flag \"{}\", brings", flag.id),
                    "flag",
                    other,
                    problems,
                );
                continue;
            };
            if !brought.class.is_status() {
                problems.add(
                    item.at("brings"),
                    format!(
                        "flag \"{}\" cannot bring \"{other}\": {} is never a mere consequence",
                        flag.id, brought.class
                    ),
                    "only status flags may follow from another flag",
                );
            } else if flag.class == Class::InverterSilent
                && !brought.class.may_follow_inverter_silence()
            {
                problems.add(
                    item.at("brings"),
                    format!("flag \"{}\" cannot bring \"{other}\": {} does not follow from a silent inverter", flag.id, brought.class),
                    "remove it",
                );
            }
        }
    }
}

/// What is always a fault may not be belittled, a status may not be a root, and each says something.
pub(super) fn severities(draft: &Draft<'_>, problems: &mut Collector<'_>) {
    for item in &draft.flags {
        let flag = &item.value;
        if is_belittled(draft, flag) {
            problems.add(
                item.at("severity"),
                format!(
                    "flag \"{}\": {} in an alarm word is always an alarm",
                    flag.id, flag.class
                ),
                "write severity = \"alarm\"",
            );
        }
        if flag.class.is_status() && flag.severity == Severity::Alarm {
            problems.add(
                item.at("severity"),
                format!(
                    "flag \"{}\": {} is a status, it cannot be an alarm",
                    flag.id, flag.class
                ),
                "write severity = \"notice\", or give the class of the real fault",
            );
        }
        if flag.meaning.is_blank() {
            problems.add(
                item.at("meaning"),
                format!(
                    "flag \"{}\", meaning: expected words for a technician, found nothing",
                    flag.id
                ),
                "say what it means",
            );
        }
    }
}

/// Whether what is always a fault stands in an alarm word as less than an alarm. A word that has an
/// alarm of the same class besides may carry its warning too, as the SunSpec events do.
fn is_belittled(draft: &Draft<'_>, flag: &Flag) -> bool {
    let in_alarm = point_named(draft, &flag.point)
        .is_some_and(|p| matches!(p.role, Role::AlarmWord | Role::FaultCode));
    let always_fault = !flag.class.is_status()
        && !flag.class.is_condition()
        && !matches!(flag.class, Class::InverterSilent | Class::NeedsCheck);
    let mut others = draft.flags.iter().map(|item| &item.value);
    let has_alarm = others
        .any(|f| f.point == flag.point && f.class == flag.class && f.severity == Severity::Alarm);
    in_alarm && always_fault && flag.severity != Severity::Alarm && !has_alarm
}

/// A code that hides others needs to be told which it hides.
pub(super) fn ranks(draft: &Draft<'_>, problems: &mut Collector<'_>) {
    let mut taken: BTreeMap<(&str, u16), &str> = BTreeMap::new();
    for item in &draft.flags {
        let flag = &item.value;
        let hides = point_named(draft, &flag.point).is_some_and(|p| p.hides_others);
        match flag.rank {
            None if hides => problems.add(
                item.at("id"),
                format!(
                    "flag \"{}\": expected a rank, its code hides others",
                    flag.id
                ),
                "add rank = 1 for the code that is shown before all others",
            ),
            Some(rank) if !hides => problems.add(
                item.at("rank"),
                format!(
                    "flag \"{}\": expected no rank, \"{}\" does not hide others; found {rank}",
                    flag.id, flag.point
                ),
                "remove it, or add hides_others = true to the point",
            ),
            Some(rank) => {
                if let Some(other) = taken.insert((&flag.point, rank), &flag.id) {
                    problems.add(
                        item.at("rank"),
                        format!(
                            "flag \"{}\", rank: {rank} is already that of \"{other}\"",
                            flag.id
                        ),
                        "give every code a rank of its own",
                    );
                }
            }
            None => {}
        }
    }
}
