//! What a profile must keep to beyond keys and types. One named rule per function.
//!
//! Every rule looks at everything it can and reports each mistake at its place; none stops at the
//! first. The rules about flags are the ones that keep a real fault from being explained away.

mod careful;
mod draft;
mod flags;
mod places;
mod points;
mod unit;

pub(crate) use careful::finite;
pub use careful::limits_needed;

use std::collections::BTreeSet;
use std::ops::Range;

use crate::item::Item;
use crate::load::Draft;
use crate::model::{Flag, Kind, Point, Profile, Scalar, Table};
use crate::problem::{Collector, Grade};

/// Longest pause between two questions that a unit may need, ms.
const LONGEST_PAUSE_MS: u32 = 10_000;

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

/// Takes out of a map what must not be judged, notes what it leaves open, and lets what its chemistry bears judge
/// where it gives no limit.
pub(crate) fn settle(profile: &mut Profile) {
    let open = draft::settle(profile);
    careful::settle(profile);
    profile.gaps.extend(open);
}

/// Runs all rules.
pub(crate) fn check(draft: &Draft<'_>, problems: &mut Collector<'_>) {
    head(draft, problems);
    answering(draft, problems);
    unique_ids(draft, problems);
    points::references(draft, problems);
    points::counts(draft, problems);
    points::types(draft, problems);
    points::raw_values(draft, problems);
    points::limits(draft, problems);
    places::places(draft, problems);
    places::strides(draft, problems);
    places::spans(draft, problems);
    points::roles(draft, problems);
    points::needed(draft, problems);
    careful::judged(draft, problems);
    careful::exemptions(draft, problems);
    careful::insulation(draft, problems);
    careful::bits_without_flag(draft, problems);
    careful::units(draft, problems);
    careful::overlaps(draft, problems);
    careful::chemistry(draft, problems);
    points::state_values(draft, problems);
    flags::places(draft, problems);
    flags::taken_twice(draft, problems);
    flags::consequences(draft, problems);
    flags::severities(draft, problems);
    flags::ranks(draft, problems);
    unit::inverter(draft, problems);
    unit::members(draft, problems);
    unit::picture(draft, problems);
    unit::windows(draft, problems);
    unit::lamp_patterns(draft, problems);
    unit::lamp_codes(draft, problems);
    unit::manual_steps(draft, problems);
    recognition(draft, problems);
    draft::heads(draft, problems);
    draft::standings(draft, problems);
}

fn head(draft: &Draft<'_>, problems: &mut Collector<'_>) {
    let Some(head) = &draft.head else { return };
    let fields = [
        ("id", head.value.id.as_str()),
        ("document", head.value.document.as_given()),
        ("revision", head.value.revision.as_given()),
        ("author", head.value.author.as_given()),
        ("date", head.value.date.as_str()),
    ];
    for (key, value) in fields {
        if value.trim().is_empty() {
            problems.add(
                head.at(key),
                format!("profile.{key}: expected where the map comes from, found nothing"),
                "fill it in",
            );
        }
    }
    if !head.value.id.trim().is_empty() && !is_name(&head.value.id) {
        no_name(head.at("id"), "profile", &head.value.id, problems);
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

/// Longest time-out of a map, ms. Kind: common practice (units answer within a second, gateways within ten).
const LONGEST_TIME_OUT_MS: u32 = 60_000;

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
    if answering.time_out_ms > LONGEST_TIME_OUT_MS {
        problems.add(
            item.at("time_out_ms"),
            format!(
                "answering.time_out_ms: expected at most {LONGEST_TIME_OUT_MS}, found {}",
                answering.time_out_ms
            ),
            "a look would take hours: no unit takes so long",
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
    if let Some(pause) = answering.pause_ms.filter(|ms| *ms > LONGEST_PAUSE_MS) {
        problems.add(
            item.at("pause_ms"),
            format!("answering.pause_ms: expected at most {LONGEST_PAUSE_MS}, found {pause}"),
            "give the least time in milliseconds that the unit needs between an answer and the next question",
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
        if !is_name(id(&item.value)) {
            no_name(item.at("id"), what, id(&item.value), problems);
        }
        if !seen.insert(id(&item.value).to_owned()) {
            problems.add(
                item.at("id"),
                format!("{what} \"{}\": this id is already taken", id(&item.value)),
                "give it another id",
            );
        }
    }
}

/// Longest id, characters.
const LONGEST_ID: usize = 64;

/// Ids become names of files and arguments and stand in results for programs: letters, digits, `-`, `_`,
/// no more, and no `-` in front.
fn is_name(id: &str) -> bool {
    let fits = |c: char| c.is_ascii_alphanumeric() || matches!(c, '-' | '_');
    (1..=LONGEST_ID).contains(&id.len()) && id.chars().all(fits) && !id.starts_with('-')
}

fn no_name(at: Range<usize>, what: &str, id: &str, problems: &mut Collector<'_>) {
    let shown: String = id.chars().take(LONGEST_ID).collect();
    problems.add(
        at,
        format!(
            "{what}, id: expected at most {LONGEST_ID} letters, digits, - and _, found \"{shown}\""
        ),
        "give it a plain name, as generic-hv-stack or cell_voltage",
    );
}

fn unique_ids(draft: &Draft<'_>, problems: &mut Collector<'_>) {
    no_twice(&draft.points, "point", |p| &p.id, problems);
    no_twice(&draft.flags, "flag", |f| &f.id, problems);
    no_twice(&draft.groups, "group", |g| &g.id, problems);
    no_twice(&draft.lamps, "lamp", |l| &l.id, problems);
    no_twice(&draft.lamp_patterns, "lamp_pattern", |p| &p.id, problems);
    no_twice(&draft.lamp_codes, "lamp_code", |c| &c.id, problems);
    no_twice(&draft.manual_steps, "manual_step", |s| &s.id, problems);
}

fn point_named<'d>(draft: &'d Draft<'_>, id: &str) -> Option<&'d Point> {
    draft
        .points
        .iter()
        .map(|item| &item.value)
        .find(|p| p.id == id)
}

fn flag_named<'d>(draft: &'d Draft<'_>, id: &str) -> Option<&'d Flag> {
    draft
        .flags
        .iter()
        .map(|item| &item.value)
        .find(|f| f.id == id)
}

fn unknown(at: Range<usize>, place: String, what: &str, name: &str, problems: &mut Collector<'_>) {
    if problems.is_broken(name) {
        return;
    }
    problems.add(
        at,
        format!("{place}: expected the id of a {what}, found \"{name}\", which is none"),
        format!("correct the name, or add the {what}"),
    );
}

fn recognition(draft: &Draft<'_>, problems: &mut Collector<'_>) {
    for item in &draft.recognise {
        let Some(point) = point_named(draft, &item.value.point) else {
            unknown(
                item.at("point"),
                "recognise.point".to_owned(),
                "point",
                &item.value.point,
                problems,
            );
            continue;
        };
        let is_text = matches!(item.value.equals, Scalar::Text(_));
        if is_text != (point.kind == Kind::String) {
            let (expected, found) = if is_text {
                ("a number", "a text")
            } else {
                ("a text", "a number")
            };
            problems.add(
                item.at("equals"),
                format!(
                    "recognise \"{}\", equals: expected {expected}, found {found}",
                    point.id
                ),
                "write it as the point decodes it",
            );
        }
    }
    let is_blank = draft
        .blanks
        .iter()
        .any(|left| left.blank.key.starts_with("recognise."));
    if draft.recognise.is_empty() && !is_blank && !problems.is_broken("recognise") {
        problems.add_whole(
            "no [[recognise]]: nothing would prove that this is the right map",
            "add a point and the value it must have",
        );
        if draft.made.is_some() {
            problems.only(Grade::Gap);
        }
    }
}
