//! Rules about points: what they refer to, how they decode, where they stand, what they are for.

use std::collections::BTreeMap;
use std::ops::Range;

use super::draft::is_in_doubt;
use super::{point_named, unknown};
use crate::explain::table as table_name;
use crate::load::{Draft, Item};
use crate::meaning::Role;
use crate::model::{Base, Count, Group, Key, Kind, Point, Span, Table};
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

/// Base and table of a point, and the offsets of all its instances from the base; the largest
/// number of instances where a count is read from the unit.
pub(super) struct Reach {
    pub(super) table: Table,
    pub(super) base: Base,
    /// First registers: those of the first instance of each group instance, with the number of
    /// repetitions in it.
    groups: Vec<(u64, usize)>,
    /// Offsets of the repetitions inside a group instance.
    items: Vec<u64>,
    width: u64,
}

impl Reach {
    pub(super) fn of(draft: &Draft<'_>, point: &Point) -> Option<Self> {
        let named = |id: &String| draft.groups.iter().map(|g| &g.value).find(|g| g.id == *id);
        let group = match &point.group {
            Some(id) => Some(named(id)?),
            None => None,
        };
        let (table, base) = match group {
            Some(group) => (group.table, group.base),
            None => (point.table?, point.base),
        };
        let first = u64::from(point.address) + group.map_or(0, |g| u64::from(g.address));
        let groups = match group {
            Some(g) if !g.starts.is_empty() => {
                let starts = g.starts.iter().map(|start| u64::from(*start));
                starts
                    .map(|start| start + u64::from(point.address))
                    .collect()
            }
            Some(g) => steps(first, g.stride, at_least_one(&g.count, g.at_most)),
            None => vec![first],
        };
        let items = match &point.repeat {
            Some(r) => steps(0, r.stride, at_least_one(&r.count, 1)),
            None => vec![0],
        };
        let each = |instance: usize| match point.repeat.as_ref().map(|r| &r.count) {
            Some(Count::Each(counts)) => counts.get(instance).copied().unwrap_or(0).into(),
            _ => items.len(),
        };
        let groups = groups.into_iter().enumerate();
        let groups = groups.map(|(n, first)| (first, each(n))).collect();
        Some(Self {
            table,
            base,
            groups,
            items,
            width: u64::from(point.width().max(1)),
        })
    }

    /// First registers of all instances.
    fn firsts(&self) -> impl Iterator<Item = u64> {
        let instances = self.groups.iter();
        instances.flat_map(|(group, items)| self.items.iter().take(*items).map(move |i| group + i))
    }

    /// Last register of the last instance.
    fn last(&self) -> u64 {
        self.firsts().max().unwrap_or_default() + self.width - 1
    }

    /// Every register of every instance.
    pub(super) fn registers(&self) -> impl Iterator<Item = u64> {
        self.firsts().flat_map(|first| first..first + self.width)
    }

    /// First and last register of the first instance that does not stand inside one span.
    fn first_outside(&self, spans: &[&Span]) -> Option<(u64, u64)> {
        self.firsts()
            .map(|first| (first, first + self.width - 1))
            .find(|(first, last)| {
                !spans
                    .iter()
                    .any(|s| u64::from(s.from) <= *first && *last <= u64::from(s.to))
            })
    }
}

fn at_least_one(count: &Count, at_most: u16) -> u16 {
    match count {
        Count::Named(_) => at_most.max(1),
        count => count.fixed().unwrap_or_default().max(1),
    }
}

/// Offsets of a repetition, no more of them than needed to leave the address space.
fn steps(first: u64, stride: u16, count: u16) -> Vec<u64> {
    let all = (0..u64::from(count)).map(|n| first + n * u64::from(stride));
    let mut list: Vec<u64> = all
        .take_while(|offset| *offset <= u64::from(u16::MAX))
        .collect();
    if list.len() < usize::from(count) {
        list.push(u64::from(u16::MAX) + 1);
    }
    list.dedup();
    list
}

/// Every instance stands inside the address space and inside one readable span.
pub(super) fn places(draft: &Draft<'_>, problems: &mut Collector<'_>) {
    for item in &draft.points {
        let point = &item.value;
        let Some(reach) = Reach::of(draft, point) else {
            continue;
        };
        if reach.last() > u64::from(u16::MAX) {
            problems.add(
                item.at("address"),
                format!(
                    "point \"{}\": expected registers up to 65535, its last instance stands beyond",
                    point.id
                ),
                "correct address, stride or count",
            );
            continue;
        }
        let near = |s: &&Span| s.table == reach.table && s.base == reach.base;
        let spans: Vec<&Span> = draft.spans.iter().map(|s| &s.value).filter(near).collect();
        if let Some((first, last)) = reach.first_outside(&spans) {
            problems.add(
                item.at("address"),
                format!("point \"{}\": expected registers inside one span, {} {first} to {last} are not", point.id, table_name(reach.table)),
                "correct the address, or extend a [[span]]: a read never crosses a hole",
            );
        }
        let cleared = draft.clears_when_read.iter().map(|s| &s.value).filter(near);
        let lost = cleared.filter(|s| {
            u64::from(s.from) <= reach.last()
                && reach
                    .groups
                    .first()
                    .is_some_and(|(f, _)| *f <= u64::from(s.to))
        });
        if point.required && lost.count() > 0 {
            problems.add(
                item.at("required"),
                format!("point \"{}\": required, but it stands in a range that clears when read and so is never read", point.id),
                "remove required",
            );
        }
    }
}

/// An instance of a group does not reach into the next one.
pub(super) fn strides(draft: &Draft<'_>, problems: &mut Collector<'_>) {
    for group in &draft.groups {
        if group.value.at_most == 0 {
            problems.add(
                group.at("at_most"),
                format!(
                    "group \"{}\", at_most: expected 1 or more, found 0",
                    group.value.id
                ),
                "give the most instances there can be",
            );
        }
        starts(group, problems);
    }
    for item in &draft.points {
        let point = &item.value;
        let Some(group) = point
            .group
            .as_ref()
            .and_then(|id| draft.groups.iter().map(|g| &g.value).find(|g| g.id == *id))
            // What stands at places of its own is held by the rule about shared registers.
            .filter(|group| group.starts.is_empty())
        else {
            continue;
        };
        let own = point.repeat.as_ref().map_or(0, |r| {
            u64::from(at_least_one(&r.count, 1) - 1) * u64::from(r.stride)
        });
        let end = u64::from(point.address) + own + u64::from(point.width());
        if end > u64::from(group.stride) && at_least_one(&group.count, group.at_most) > 1 {
            problems.add(
                item.at("address"),
                format!("point \"{}\": expected to end inside the {} registers of a \"{}\", it takes {end}", point.id, group.stride, group.id),
                "correct the address, or the stride of the group",
            );
        }
    }
    for item in &draft.points {
        let Some(repeat) = &item.value.repeat else {
            continue;
        };
        if repeat.stride > 0 && repeat.stride < item.value.width() {
            problems.add(
                item.at("repeat"),
                format!(
                    "point \"{}\", repeat.stride: expected {} or more, found {}",
                    item.value.id,
                    item.value.width(),
                    repeat.stride
                ),
                "one must not reach into the next",
            );
        }
    }
}

/// A group says where its instances stand, in one of two ways, and how they are called.
fn starts(item: &Item<'_, Group>, problems: &mut Collector<'_>) {
    let group = &item.value;
    let named = |key: &str| format!("group \"{}\", {key}", group.id);
    let (first, stride) = (item.has("address"), item.has("stride"));
    if group.starts.is_empty() {
        for key in [("address", first), ("stride", stride)]
            .into_iter()
            .filter(|k| !k.1)
        {
            let message = format!(
                "group \"{}\": expected the key {}, found none",
                group.id, key.0
            );
            problems.add(item.at("id"), message, format!("add {} = ...", key.0));
        }
    } else if first || stride {
        let message = format!(
            "{}: expected either starts, or address and stride",
            named("starts")
        );
        problems.add(item.at("starts"), message, "remove one of both");
    }
    let lengths = [
        ("starts", group.starts.len()),
        ("numbers", group.numbers.len()),
    ];
    for (key, length) in lengths.into_iter().filter(|(_, length)| *length > 0) {
        let count = group.count.fixed().map(usize::from);
        if count != Some(length) {
            let count = count.map_or("a count that the unit gives".to_owned(), |n| n.to_string());
            let message = format!(
                "{}: expected as many as count = {count}, found {length}",
                named(key)
            );
            problems.add(item.at(key), message, "give one for each instance");
        }
    }
    let mut numbers = group.numbers.clone();
    numbers.sort_unstable();
    if numbers
        .windows(2)
        .any(|pair| matches!(pair, [a, b] if a == b))
    {
        let message = format!("{}: expected different numbers", named("numbers"));
        problems.add(
            item.at("numbers"),
            message,
            "people find a module by its number",
        );
    }
}

/// Spans are ranges, and no two of them overlap.
pub(super) fn spans(draft: &Draft<'_>, problems: &mut Collector<'_>) {
    for (name, list) in [
        ("span", &draft.spans),
        ("clears_when_read", &draft.clears_when_read),
    ] {
        for (index, item) in list.iter().enumerate() {
            let span = &item.value;
            if span.from > span.to {
                problems.add(
                    item.at("from"),
                    format!(
                        "{name}: expected from <= to, found {} > {}",
                        span.from, span.to
                    ),
                    "exchange them",
                );
            }
            let others = list.iter().take(index).map(|s| &s.value);
            let overlaps = |o: &&Span| {
                o.table == span.table
                    && o.base == span.base
                    && o.from <= span.to
                    && span.from <= o.to
            };
            if let Some(other) = others.into_iter().find(overlaps) {
                problems.add(
                    item.at("from"),
                    format!(
                        "{name} {} to {}: overlaps {} to {}",
                        span.from, span.to, other.from, other.to
                    ),
                    "make them one",
                );
            }
        }
    }
}

/// A role that can stand only once does.
pub(super) fn roles(draft: &Draft<'_>, problems: &mut Collector<'_>) {
    let several = |role: Role| {
        matches!(
            role,
            Role::AlarmWord
                | Role::WarningWord
                | Role::LatchedWord
                | Role::FaultCode
                | Role::Serial
                | Role::Firmware
                | Role::MapMark
                | Role::ScaleFactor
                | Role::Other
                | Role::Balancing
        )
    };
    let mut seen: BTreeMap<Role, &str> = BTreeMap::new();
    for item in &draft.points {
        let role = item.value.role;
        if several(role) {
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
