//! What a profile must keep to beyond keys and types. One named rule per function.
//!
//! Every rule looks at everything it can and reports each mistake at its place; none stops at the
//! first.

use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;

use crate::load::{Collector, Draft, Item};
use crate::meaning::{Class, Role};
use crate::model::{Base, Count, FedBy, Flag, Kind, Point, Severity, Span, Table};

/// Names of lamp patterns that need no definition: those of CiA 303-3.
pub const STANDARD_PATTERNS: &[&str] = &[
    "on",
    "off",
    "flickering",
    "blinking",
    "single-flash",
    "double-flash",
    "triple-flash",
    "quadruple-flash",
];

/// Runs all rules.
pub(crate) fn check(draft: &Draft<'_>, problems: &mut Collector<'_>) {
    head(draft, problems);
    answering(draft, problems);
    unique_ids(draft, problems);
    point_references(draft, problems);
    point_types(draft, problems);
    point_limits(draft, problems);
    places(draft, problems);
    roles(draft, problems);
    state_values(draft, problems);
    flag_places(draft, problems);
    flag_classes(draft, problems);
    flag_ranks(draft, problems);
    inverter(draft, problems);
    lamps(draft, problems);
    recognition(draft, problems);
}

fn head(draft: &Draft<'_>, problems: &mut Collector<'_>) {
    let Some(head) = &draft.head else { return };
    let text = |s: &str| s.trim().is_empty();
    let fields = [
        ("id", &head.value.id),
        ("document", &head.value.document),
        ("revision", &head.value.revision),
        ("author", &head.value.author),
        ("date", &head.value.date),
    ];
    for (key, value) in fields {
        if text(value) {
            problems.add(
                head.at(key),
                format!("profile.{key}: expected where the map comes from, found nothing"),
                "fill it in",
            );
        }
    }
    let parts: Vec<&str> = head.value.date.split('-').collect();
    let shape: Vec<usize> = parts.iter().map(|p| p.len()).collect();
    if shape != [4, 2, 2]
        || !head
            .value
            .date
            .chars()
            .all(|c| c.is_ascii_digit() || c == '-')
    {
        problems.add(
            head.at("date"),
            format!(
                "profile.date: expected YYYY-MM-DD, found \"{}\"",
                head.value.date
            ),
            "write the date as 2026-11-25",
        );
    }
}

fn answering(draft: &Draft<'_>, problems: &mut Collector<'_>) {
    let Some(item) = &draft.answering else { return };
    let answering = &item.value;
    if !(1..=247).contains(&answering.unit) {
        problems.add(
            item.at("unit"),
            format!(
                "answering.unit: expected 1 to 247, found {}",
                answering.unit
            ),
            "give the factory unit address",
        );
    }
    if answering.time_out_ms <= answering.answer_time_ms {
        problems.add(
            item.at("time_out_ms"),
            format!(
                "answering.time_out_ms: expected more than answer_time_ms = {}, found {}",
                answering.answer_time_ms, answering.time_out_ms
            ),
            "give the longest time after which an answer can still come",
        );
    }
    for function in &answering.functions {
        if !matches!(function, 0x01..=0x04 | 0x08 | 0x11 | 0x2b) {
            problems.add(
                item.at("functions"),
                format!("answering.functions: expected 1, 2, 3, 4, 8, 17 or 43 (all of them read), found {function}"),
                "list only functions that this tool may send",
            );
        }
    }
    let tables: BTreeSet<Table> = draft.spans.iter().map(|s| s.value.table).collect();
    for table in tables {
        let needed = function_of(table);
        if !answering.functions.contains(&needed) {
            problems.add(
                item.at("functions"),
                format!(
                    "answering.functions: a span of table {table:?} needs function {needed:02}"
                ),
                format!("add {needed}"),
            );
        }
    }
}

/// Function code that reads a table.
fn function_of(table: Table) -> u8 {
    match table {
        Table::Coil => 1,
        Table::Discrete => 2,
        Table::Holding => 3,
        Table::Input => 4,
    }
}

/// Reports every id that stands twice.
fn no_twice<T>(
    items: &[Item<'_, T>],
    what: &str,
    id: impl Fn(&T) -> &str,
    problems: &mut Collector<'_>,
) {
    let mut seen = BTreeSet::new();
    for item in items {
        if !seen.insert(id(&item.value).to_owned()) {
            problems.add(
                item.at("id"),
                format!("{what} \"{}\": this id is already taken", id(&item.value)),
                "give it another id",
            );
        }
    }
}

fn unique_ids(draft: &Draft<'_>, problems: &mut Collector<'_>) {
    no_twice(&draft.points, "point", |p| &p.id, problems);
    no_twice(&draft.flags, "flag", |f| &f.id, problems);
    no_twice(&draft.groups, "group", |g| &g.id, problems);
    no_twice(&draft.lamps, "lamp", |l| &l.id, problems);
    no_twice(&draft.lamp_patterns, "lamp_pattern", |p| &p.id, problems);
    no_twice(&draft.lamp_codes, "lamp_code", |c| &c.id, problems);
}

fn point_named<'d>(draft: &'d Draft<'_>, id: &str) -> Option<&'d Point> {
    draft
        .points
        .iter()
        .map(|item| &item.value)
        .find(|p| p.id == id)
}

fn unknown(at: Range<usize>, place: String, what: &str, name: &str, problems: &mut Collector<'_>) {
    problems.add(
        at,
        format!("{place}: expected the id of a {what}, found \"{name}\", which is none"),
        format!("correct the name, or add the {what}"),
    );
}

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

fn point_references(draft: &Draft<'_>, problems: &mut Collector<'_>) {
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
        if let Some(repeat) = &point.repeat {
            count_reference(
                draft,
                &repeat.count,
                item.at("repeat"),
                place("repeat.count"),
                problems,
            );
            if repeat.stride == 0 {
                problems.add(
                    item.at("repeat"),
                    format!("{}: expected 1 or more, found 0", place("repeat.stride")),
                    "give the registers from one to the next",
                );
            }
        }
    }
    for item in &draft.groups {
        let place = format!("group \"{}\", count", item.value.id);
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

fn point_types(draft: &Draft<'_>, problems: &mut Collector<'_>) {
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
        }
    }
}

fn point_limits(draft: &Draft<'_>, problems: &mut Collector<'_>) {
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
    }
}

/// Last register of a point (with all its repetitions) or of a group, relative to its base.
fn reach(draft: &Draft<'_>, point: &Point) -> (u32, u32) {
    let fixed = |count: &Count, at_most: u16| match count {
        Count::Fixed(n) => *n,
        Count::Named(_) => at_most,
    };
    let group = point
        .group
        .as_ref()
        .and_then(|id| draft.groups.iter().map(|g| &g.value).find(|g| g.id == *id));
    let first = u32::from(point.address) + group.map_or(0, |g| u32::from(g.address));
    let in_group = group.map_or(0, |g| {
        u32::from(fixed(&g.count, g.at_most).saturating_sub(1)) * u32::from(g.stride)
    });
    let in_point = point.repeat.as_ref().map_or(0, |r| {
        u32::from(fixed(&r.count, 1).saturating_sub(1)) * u32::from(r.stride)
    });
    (
        first,
        first + in_group + in_point + u32::from(point.width()).saturating_sub(1),
    )
}

fn table_and_base(draft: &Draft<'_>, point: &Point) -> Option<(Table, Base)> {
    match &point.group {
        Some(id) => draft
            .groups
            .iter()
            .find(|g| g.value.id == *id)
            .map(|g| (g.value.table, g.value.base)),
        None => point.table.map(|table| (table, point.base)),
    }
}

fn places(draft: &Draft<'_>, problems: &mut Collector<'_>) {
    for item in &draft.points {
        let point = &item.value;
        let (first, last) = reach(draft, point);
        if last > u32::from(u16::MAX) {
            problems.add(
                item.at("address"),
                format!(
                    "point \"{}\": expected registers up to 65535, its last one would be {last}",
                    point.id
                ),
                "correct address, stride or count",
            );
            continue;
        }
        let Some((table, base)) = table_and_base(draft, point) else {
            continue;
        };
        let width = u32::from(point.width()).saturating_sub(1);
        let inside = |register: u32| {
            draft.spans.iter().any(|s| {
                covers(&s.value, table, base, register)
                    && covers(&s.value, table, base, register + width)
            })
        };
        if !draft.spans.is_empty() && !inside(first) {
            problems.add(
                item.at("address"),
                format!("point \"{}\": expected registers inside one span, {first} to {} of table {table:?} are not", point.id, first + width),
                "correct the address, or extend a [[span]]",
            );
        }
    }
    for (index, item) in draft.spans.iter().enumerate() {
        let span = &item.value;
        if span.from > span.to {
            problems.add(
                item.at("from"),
                format!(
                    "span: expected from <= to, found {} > {}",
                    span.from, span.to
                ),
                "exchange them",
            );
        }
        let others = draft.spans.iter().take(index).map(|s| &s.value);
        for other in others.filter(|o| {
            o.table == span.table && o.base == span.base && o.from <= span.to && span.from <= o.to
        }) {
            problems.add(
                item.at("from"),
                format!(
                    "span {} to {}: overlaps the span {} to {}",
                    span.from, span.to, other.from, other.to
                ),
                "make them one span",
            );
        }
    }
}

fn covers(span: &Span, table: Table, base: Base, register: u32) -> bool {
    span.table == table
        && span.base == base
        && (u32::from(span.from)..=u32::from(span.to)).contains(&register)
}

fn roles(draft: &Draft<'_>, problems: &mut Collector<'_>) {
    let several = |role: Role| {
        matches!(
            role,
            Role::AlarmWord
                | Role::WarningWord
                | Role::LatchedWord
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
    let has = |role: Role| draft.points.iter().any(|p| p.value.role == role);
    let needed = [
        (
            has(Role::AlarmWord) || has(Role::FaultCode),
            "alarm_word or fault_code",
        ),
        (has(Role::State), "state"),
        (has(Role::OwnHeartbeat), "own_heartbeat"),
        (has(Role::Serial), "serial"),
        (has(Role::Firmware), "firmware"),
        (
            has(Role::CellVoltage) || (has(Role::CellVoltageMin) && has(Role::CellVoltageMax)),
            "cell_voltage, or cell_voltage_min and cell_voltage_max",
        ),
        (
            has(Role::CellTemperature)
                || (has(Role::CellTemperatureMin) && has(Role::CellTemperatureMax)),
            "cell_temperature, or its minimum and maximum",
        ),
    ];
    for (_, name) in needed.iter().filter(|(there, _)| !there) {
        problems.add(
            0..0,
            format!("no point has the role {name}: without it no clean verdict is possible"),
            "add the point",
        );
    }
}

fn state_values(draft: &Draft<'_>, problems: &mut Collector<'_>) {
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
        }
    }
}

fn flag_places(draft: &Draft<'_>, problems: &mut Collector<'_>) {
    let mut taken: BTreeMap<(String, u64, bool), String> = BTreeMap::new();
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
        match (flag.bit, flag.values.is_empty()) {
            (Some(_), false) | (None, true) => {
                problems.add(
                    item.at("bit"),
                    format!("{}: expected either bit or values", place("bit")),
                    "a word has bits, a code has values",
                );
            }
            (Some(bit), true) if u32::from(bit) >= point.raw_bits() => {
                problems.add(
                    item.at("bit"),
                    format!(
                        "{}: expected 0 to {}, found {bit}",
                        place("bit"),
                        point.raw_bits().saturating_sub(1)
                    ),
                    "bit 0 is the lowest",
                );
            }
            _ => {}
        }
        let keys = flag
            .bit
            .map(|b| (u64::from(b), true))
            .into_iter()
            .chain(flag.values.iter().map(|v| (*v, false)));
        for (number, is_bit) in keys {
            if let Some(other) = taken.insert((flag.point.clone(), number, is_bit), flag.id.clone())
            {
                let what = if is_bit { "bit" } else { "value" };
                problems.add(
                    item.at(what),
                    format!(
                        "{}: {what} {number} of {} is already \"{other}\"",
                        place(what),
                        flag.point
                    ),
                    "correct one of them",
                );
            }
        }
        if flag.active > 1 {
            problems.add(
                item.at("active"),
                format!(
                    "{}: expected 0 or 1, found {}",
                    place("active"),
                    flag.active
                ),
                "the level that means yes",
            );
        }
    }
}

fn flag_named<'d>(draft: &'d Draft<'_>, id: &str) -> Option<&'d Flag> {
    draft
        .flags
        .iter()
        .map(|item| &item.value)
        .find(|f| f.id == id)
}

/// Only statuses may be brought along, and by a silent inverter only some of them; what is always a
/// fault may not be declared less than an alarm while it stands in an alarm word.
fn flag_classes(draft: &Draft<'_>, problems: &mut Collector<'_>) {
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
                    "only status flags may follow from another",
                );
            } else if flag.class == Class::InverterSilent
                && !brought.class.may_follow_inverter_silence()
            {
                problems.add(item.at("brings"), format!("flag \"{}\" cannot bring \"{other}\": {} does not follow from a silent inverter", flag.id, brought.class), "remove it");
            }
        }
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
        if flag.meaning.trim().is_empty() {
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
        && flag.class != Class::InverterSilent;
    let has_alarm =
        draft.flags.iter().map(|f| &f.value).any(|f| {
            f.point == flag.point && f.class == flag.class && f.severity == Severity::Alarm
        });
    in_alarm && always_fault && flag.severity != Severity::Alarm && !has_alarm
}

fn flag_ranks(draft: &Draft<'_>, problems: &mut Collector<'_>) {
    for item in &draft.flags {
        let hides = point_named(draft, &item.value.point).is_some_and(|p| p.hides_others);
        if hides && item.value.rank.is_none() {
            problems.add(
                item.at("id"),
                format!(
                    "flag \"{}\": expected a rank, its code hides others",
                    item.value.id
                ),
                "add rank = 1 for the code that is shown before all others",
            );
        }
    }
}

/// Roles that tell without a flag whether the inverter is heard.
const INVERTER_SIGNS: &[Role] = &[
    Role::InverterFlag,
    Role::InverterAge,
    Role::InverterHeartbeat,
];

fn inverter(draft: &Draft<'_>, problems: &mut Collector<'_>) {
    let Some(item) = &draft.inverter else { return };
    let inverter = &item.value;
    match inverter.flag.as_ref().map(|id| (id, flag_named(draft, id))) {
        Some((id, None)) => unknown(
            item.at("flag"),
            "inverter.flag".to_owned(),
            "flag",
            id,
            problems,
        ),
        Some((id, Some(flag))) if flag.class != Class::InverterSilent => {
            problems.add(
                item.at("flag"),
                format!(
                    "inverter.flag: expected a flag of class inverter-silent, \"{id}\" is {}",
                    flag.class
                ),
                "internal communication is not the inverter",
            );
        }
        None if !draft
            .points
            .iter()
            .any(|p| INVERTER_SIGNS.contains(&p.value.role)) =>
        {
            problems.add(item.at("flag"), "inverter.flag: expected a flag, or a point that shows the inverter's life, found neither", "add flag = \"...\", or a point with role inverter_flag, inverter_age or inverter_heartbeat");
        }
        _ => {}
    }
    if inverter.fed_by == FedBy::ReadsOf && inverter.reads_of.is_empty() {
        problems.add(
            item.at("fed_by"),
            "inverter.reads_of: expected the ranges that count, found none",
            "add reads_of = [{ table = \"input\", from = 0, to = 9 }]",
        );
    }
    if inverter.silence_s == 0 {
        problems.add(
            item.at("silence_s"),
            "inverter.silence_s: expected seconds, found 0",
            "give the silence time",
        );
    }
}

fn lamps(draft: &Draft<'_>, problems: &mut Collector<'_>) {
    for item in &draft.lamp_patterns {
        let cycle = &item.value.cycle_ms;
        if cycle.is_empty() || cycle.len() % 2 == 1 || cycle.contains(&0) {
            problems.add(item.at("cycle_ms"), format!("lamp_pattern \"{}\": expected on and off times in turn, none of them 0, found {cycle:?}", item.value.id), "an even number of milliseconds");
        }
        if STANDARD_PATTERNS.contains(&item.value.id.as_str()) {
            problems.add(
                item.at("id"),
                format!(
                    "lamp_pattern \"{}\": this name belongs to CiA 303-3",
                    item.value.id
                ),
                "give it a name of its own",
            );
        }
    }
    for item in &draft.lamp_codes {
        let code = &item.value;
        for (lamp, pattern) in &code.lamps {
            if !draft.lamps.iter().any(|l| l.value.id == *lamp) {
                unknown(
                    item.at("lamps"),
                    format!("lamp_code \"{}\"", code.id),
                    "lamp",
                    lamp,
                    problems,
                );
            }
            let own = draft.lamp_patterns.iter().any(|p| p.value.id == *pattern);
            if !own && !STANDARD_PATTERNS.contains(&pattern.as_str()) {
                unknown(
                    item.at("lamps"),
                    format!("lamp_code \"{}\"", code.id),
                    "lamp_pattern",
                    pattern,
                    problems,
                );
            }
        }
        for flag in code
            .flags
            .iter()
            .filter(|id| flag_named(draft, id).is_none())
        {
            unknown(
                item.at("flags"),
                format!("lamp_code \"{}\", flags", code.id),
                "flag",
                flag,
                problems,
            );
        }
    }
}

fn recognition(draft: &Draft<'_>, problems: &mut Collector<'_>) {
    for item in &draft.recognise {
        if point_named(draft, &item.value.point).is_none() {
            unknown(
                item.at("point"),
                "recognise.point".to_owned(),
                "point",
                &item.value.point,
                problems,
            );
        }
    }
    if draft.recognise.is_empty() {
        problems.add(
            0..0,
            "no [[recognise]]: nothing would prove that this is the right map",
            "add a point and the value it must have",
        );
    }
}
