//! Rules about points: what they refer to, how they decode, where they stand, what they are for.

use std::collections::BTreeMap;
use std::ops::Range;

use super::draft::is_in_doubt;
use super::places::Reach;
use super::{point_named, unknown};
use crate::load::Draft;
use crate::meaning::Role;
use crate::model::{Base, Count, Key, Kind};
use crate::problem::{Collector, Grade};

fn count_reference(
    draft: &Draft<'_>,
    count: &Count,
    at: Range<usize>,
    place: String,
    problems: &mut Collector<'_>,
) {
    let Count::Named(name) = count else { return };
    if name == Count::REST_OF_MODEL {
        return;
    }
    match point_named(draft, name) {
        None => unknown(at, place, "point", name, problems),
        Some(point) if point.repeat.is_some() || point.group.is_some() => {
            problems.add(
                at,
                format!("{place}: a count must come from one point, \"{name}\" repeats"),
                "count by a point that stands once",
            );
        }
        Some(_) => {}
    }
}

/// Every name of a point, group or table is one.
pub(super) fn references(draft: &Draft<'_>, problems: &mut Collector<'_>) {
    for item in &draft.points {
        let point = &item.value;
        let place = |key: &str| format!("point \"{}\", {key}", point.id);
        match (&point.group, point.table) {
            (Some(group), _) if !draft.groups.iter().any(|g| g.value.id == *group) => {
                unknown(item.at("group"), place("group"), "group", group, problems);
            }
            (Some(_), Some(_)) => problems.add(
                item.at("table"),
                format!("{}: the group gives the table", place("table")),
                "remove table",
            ),
            (None, None) => problems.add(
                item.at("id"),
                format!(
                    "{}: expected a table or a group, found neither",
                    place("table")
                ),
                "add table = \"input\" or \"holding\"",
            ),
            _ => {}
        }
        for (key, other) in [
            ("scale_point", point.scale_point.as_ref()),
            ("valid_when", point.valid_when.as_ref().map(|v| &v.point)),
        ] {
            if let Some(other) = other.filter(|id| point_named(draft, id).is_none()) {
                unknown(item.at(key), place(key), "point", other, problems);
            }
        }
        if let Some(other) = point
            .scale_point
            .as_ref()
            .and_then(|id| point_named(draft, id))
            && other.role != Role::ScaleFactor
        {
            problems.add(
                item.at("scale_point"),
                format!("point \"{}\", scale_point: expected a point with the role scale_factor, \"{}\" has {}", point.id, other.id, other.role),
                "scale_factor is a power of ten",
            );
        }
    }
}

/// Every count is a number, a point that stands once, or the rest of a model.
pub(super) fn counts(draft: &Draft<'_>, problems: &mut Collector<'_>) {
    for item in &draft.points {
        let Some(repeat) = &item.value.repeat else {
            continue;
        };
        let place = |key: &str| format!("point \"{}\", repeat.{key}", item.value.id);
        count_reference(
            draft,
            &repeat.count,
            item.at("repeat"),
            place("count"),
            problems,
        );
        if repeat.stride == 0 {
            problems.add(
                item.at("repeat"),
                format!("{}: expected 1 or more, found 0", place("stride")),
                "give the registers from one to the next",
            );
        }
        let base = Reach::of(draft, &item.value).map(|reach| reach.base);
        if is_rest(&repeat.count) && base == Some(Base::Absolute) {
            rest_without_model(item.at("repeat"), place("count"), problems);
        }
    }
    for item in &draft.groups {
        let place = format!("group \"{}\", count", item.value.id);
        if is_rest(&item.value.count) && item.value.base == Base::Absolute {
            rest_without_model(item.at("count"), place.clone(), problems);
        }
        count_reference(draft, &item.value.count, item.at("count"), place, problems);
    }
    if let Some(members) = &draft.members
        && let Some(count) = members
            .value
            .count
            .as_ref()
            .filter(|id| point_named(draft, id).is_none())
    {
        unknown(
            members.at("count"),
            "members.count".to_owned(),
            "point",
            count,
            problems,
        );
    }
}

fn is_rest(count: &Count) -> bool {
    matches!(count, Count::Named(name) if name == Count::REST_OF_MODEL)
}

fn rest_without_model(at: Range<usize>, place: String, problems: &mut Collector<'_>) {
    problems.add(
        at,
        format!("{place}: expected a number or a point, rest-of-model needs base = \"model(ID)\""),
        "give the count, or the model",
    );
}

/// Lengths, slices and scales fit the type.
pub(super) fn types(draft: &Draft<'_>, problems: &mut Collector<'_>) {
    for item in &draft.points {
        let point = &item.value;
        let is_text = point.kind == Kind::String;
        if is_text != point.registers.is_some() {
            let (expected, fix) = if is_text {
                ("how many registers the text has", "add registers = 8")
            } else {
                ("registers only for a string", "remove registers")
            };
            problems.add(
                item.at("registers"),
                format!("point \"{}\", registers: expected {expected}", point.id),
                fix,
            );
        }
        if point.registers == Some(0) {
            problems.add(
                item.at("registers"),
                format!(
                    "point \"{}\", registers: expected 1 or more, found 0",
                    point.id
                ),
                "give its length",
            );
        }
        if let Some([from, to]) = point.bits
            && (from > to || u32::from(to) >= point.raw_bits())
        {
            problems.add(
                item.at("bits"),
                format!("point \"{}\", bits: expected [lowest, highest] inside {} bits, found [{from}, {to}]", point.id, point.raw_bits()),
                "bit 0 is the lowest",
            );
        }
        if point.scale.numerator == 0 {
            problems.add(
                item.at("scale"),
                format!("point \"{}\", scale: expected anything but 0", point.id),
                "remove it, or give the step of one",
            );
        }
        if matches!(point.role, Role::PackCurrent | Role::PackPower) && point.positive.is_none() {
            problems.add(
                item.at("role"),
                format!("point \"{}\": which direction is positive?", point.id),
                "add positive = \"charge\" or \"discharge\"",
            );
            if is_in_doubt(point, Key::Positive) {
                problems.only(Grade::Gap);
            }
        }
    }
}

/// Raw values that are named fit the type, and none has two names.
pub(super) fn raw_values(draft: &Draft<'_>, problems: &mut Collector<'_>) {
    for item in &draft.points {
        let point = &item.value;
        let largest = u64::MAX
            .checked_shr(64 - point.value_bits().min(64))
            .unwrap_or_default();
        let named: Vec<u64> = point.values.iter().map(|value| value.is).collect();
        for (key, list) in [
            ("not_available", &point.not_available),
            ("rail", &point.rail),
            ("value", &named),
        ] {
            for raw in list
                .iter()
                .filter(|raw| **raw > largest && point.kind != Kind::String)
            {
                problems.add(
                    item.at(key),
                    format!(
                        "point \"{}\", {key}: expected a raw value up to {largest}, found {raw}",
                        point.id
                    ),
                    "write the raw content of the registers without sign",
                );
            }
        }
        for (index, raw) in named.iter().enumerate() {
            if named.iter().take(index).any(|other| other == raw) {
                problems.add(
                    item.at("value"),
                    format!("point \"{}\", value: {raw} has two names", point.id),
                    "remove one",
                );
            }
        }
        if point
            .valid_when
            .as_ref()
            .is_some_and(|when| when.is.is_empty())
        {
            problems.add(
                item.at("valid_when"),
                format!(
                    "point \"{}\", valid_when.is: expected raw values, found none",
                    point.id
                ),
                "add is = [1]",
            );
        }
        if point.hides_others && point.role != Role::FaultCode {
            problems.add(
                item.at("hides_others"),
                format!(
                    "point \"{}\", hides_others: expected the role fault_code, found {}",
                    point.id, point.role
                ),
                "write role = \"fault_code\"",
            );
        }
    }
}

/// Limits stand in order, and inside what is possible.
pub(super) fn limits(draft: &Draft<'_>, problems: &mut Collector<'_>) {
    for item in &draft.points {
        let limits = &item.value.limits;
        let order = [
            limits.alarm_below,
            limits.warn_below,
            limits.warn_above,
            limits.alarm_above,
        ];
        let given: Vec<f64> = order.into_iter().flatten().collect();
        if given.windows(2).any(|pair| matches!(pair, [a, b] if a > b)) {
            problems.add(
                item.at("limits"),
                format!("point \"{}\", limits: expected alarm_below <= warn_below <= warn_above <= alarm_above, found {given:?}", item.value.id),
                "put them in order",
            );
        }
        if let Some([lowest, highest]) = limits.possible
            && (lowest > highest
                || given
                    .iter()
                    .any(|limit| !(lowest..=highest).contains(limit)))
        {
            problems.add(
                item.at("limits"),
                format!("point \"{}\", limits.possible: expected [lowest, highest] with all limits inside, found [{lowest}, {highest}]", item.value.id),
                "outside it a value is no measurement",
            );
        }
        if limits.spread.is_some_and(|spread| spread <= 0.0) {
            problems.add(
                item.at("limits"),
                format!(
                    "point \"{}\", limits.spread: expected more than 0",
                    item.value.id
                ),
                "remove it, or give the largest spread at rest",
            );
        }
    }
}

/// A role that can stand only once does.
pub(super) fn roles(draft: &Draft<'_>, problems: &mut Collector<'_>) {
    let mut seen: BTreeMap<Role, &str> = BTreeMap::new();
    for item in &draft.points {
        let role = item.value.role;
        if role.may_stand_twice() {
            continue;
        }
        if let Some(other) = seen.insert(role, &item.value.id) {
            problems.add(
                item.at("role"),
                format!(
                    "point \"{}\": role {role} is already that of \"{other}\"",
                    item.value.id
                ),
                "one point per role; use role = \"other\" for the second",
            );
        }
    }
}

/// Roles without which no clean verdict is possible.
pub(super) fn needed(draft: &Draft<'_>, problems: &mut Collector<'_>) {
    // A point that could not be read may have the role that seems to be missing.
    if problems.has_broken() {
        return;
    }
    let has = |role: Role| draft.points.iter().any(|p| p.value.role == role);
    for (_, name) in missing(has) {
        problems.add_whole(
            format!("no point has the role {name}: without it no clean verdict is possible"),
            "add the point",
        );
        problems.only(Grade::Gap);
    }
}

/// Roles that a clean verdict needs and no point has, each with all that would do.
pub(super) fn missing(has: impl Fn(Role) -> bool) -> impl Iterator<Item = (Role, &'static str)> {
    let both = |low, high| has(low) && has(high);
    let needed = [
        (
            has(Role::AlarmWord) || has(Role::FaultCode),
            Role::AlarmWord,
            "alarm_word or fault_code",
        ),
        (has(Role::State), Role::State, "state"),
        (has(Role::OwnHeartbeat), Role::OwnHeartbeat, "own_heartbeat"),
        (has(Role::Serial), Role::Serial, "serial"),
        (has(Role::Firmware), Role::Firmware, "firmware"),
        (has(Role::PackCurrent), Role::PackCurrent, "pack_current"),
        (
            has(Role::CellVoltage) || both(Role::CellVoltageMin, Role::CellVoltageMax),
            Role::CellVoltage,
            "cell_voltage, or cell_voltage_min and cell_voltage_max",
        ),
        (
            has(Role::CellTemperature) || both(Role::CellTemperatureMin, Role::CellTemperatureMax),
            Role::CellTemperature,
            "cell_temperature, or its minimum and maximum",
        ),
    ];
    needed
        .into_iter()
        .filter_map(|(there, role, name)| (!there).then_some((role, name)))
}

/// Every value of the state says what it means for the verdict.
pub(super) fn state_values(draft: &Draft<'_>, problems: &mut Collector<'_>) {
    for item in draft.points.iter().filter(|p| p.value.role == Role::State) {
        if item.value.values.is_empty() {
            problems.add(
                item.at("id"),
                format!(
                    "point \"{}\": expected the names of its values, found none",
                    item.value.id
                ),
                "add value = [{ is = 1, name = \"waiting\", state = \"waiting\" }]",
            );
            if is_in_doubt(&item.value, Key::Value) {
                problems.only(Grade::Gap);
            }
        }
        for value in item.value.values.iter().filter(|v| v.state.is_none()) {
            problems.add(
                item.at("value"),
                format!(
                    "point \"{}\", value {}: expected state = \"...\", found none",
                    item.value.id, value.is
                ),
                "say what this state means",
            );
            if is_in_doubt(&item.value, Key::Value) {
                problems.only(Grade::Gap);
            }
        }
    }
}
