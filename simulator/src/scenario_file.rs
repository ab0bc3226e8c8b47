//! Reads a scenario file entry by entry, so that all its mistakes are found at once.
//!
//! Input: TOML text. Output: a [`Scenario`] or all mistakes with line and column. Flags are checked
//! against the profile where that is a shipped one. Does not: open files.

use std::ops::Range;
use std::time::Duration;

use packside_profiles::{Lines, Profile, excerpt};
use serde::Deserialize;
use serde::de::{DeserializeOwned, IntoDeserializer};
use toml::Spanned;
use toml::de::{DeTable, DeValue};

use crate::cell_plan::{CellPlan, CircuitPlan, LampPlan};
use crate::control_check::check_control;
use crate::control_plan::ControlPlan;
use crate::gateway::{GatewayPlan, check_gateway};
use crate::line_plan::{Chatter, LinePlan, Neighbour, Noise, SecondClient};
use crate::mischief_plan::Mischief;
use crate::scenario::{Event, Expect, InverterPlan, Scenario, Stack};
use crate::scenario_check::{
    check_events, check_expects, check_hardware, check_inverter, check_line, check_mischief,
    check_others, check_stack,
};
use crate::scenario_error::Mistake;

const KEYS: &[&str] = &[
    "format",
    "name",
    "title",
    "profile",
    "seed",
    "look_at",
    "stack",
    "inverter",
    "event",
    "mischief",
    "expect",
    "line",
    "noise",
    "second_client",
    "neighbour",
    "chatter",
    "cells",
    "circuit",
    "lamps",
    "gateway",
    "control",
    "map",
];
/// The newest form of the file.
const NEWEST: u32 = 3;
/// Keys that came with a format: since which, in which table (none: of the file itself).
const SINCE: &[(u32, &str, &[&str])] = &[
    (
        2,
        "",
        &["line", "noise", "second_client", "neighbour", "chatter"],
    ),
    (2, "inverter", &["polls", "retries", "listens_first"]),
    (3, "line", &["stubs_m"]),
    (
        3,
        "",
        &["cells", "circuit", "lamps", "gateway", "control", "map"],
    ),
    (
        3,
        "event",
        &["defect", "mends", "amount", "pole", "lamp", "other", "swap"],
    ),
    (
        3,
        "event",
        &[
            "gateway",
            "adapter",
            "button",
            "says",
            "configured",
            "inverter_cable",
        ],
    ),
    (
        3,
        "inverter",
        &["reads", "writes", "counts", "port", "starts_from_battery"],
    ),
];

/// Collects mistakes with their places.
pub(crate) struct Mistakes<'t> {
    lines: Lines<'t>,
    list: Vec<Mistake>,
}

/// Mistakes that are kept: more nobody mends at once.
const MOST: usize = 100;
/// More entries of a kind than any scenario needs.
const MOST_ENTRIES: usize = 2_000;

impl Mistakes<'_> {
    pub(crate) fn add(&mut self, span: Range<usize>, message: String) {
        if self.list.len() >= MOST {
            return;
        }
        let (number, line, column) = self.lines.at(span.start);
        let (source, caret) = excerpt(line, column);
        self.list.push(Mistake {
            line: number + 1,
            column: column + 1,
            source,
            caret,
            message: packside_profiles::clean(&message).into_owned(),
        });
    }
}

/// An entry with the place it stands at.
pub(crate) struct Entry<'t, T> {
    pub(crate) value: T,
    pub(crate) source: &'t Spanned<DeValue<'t>>,
}

impl<T> Entry<'_, T> {
    /// Whether it has a key.
    pub(crate) fn has(&self, key: &str) -> bool {
        self.source.get_ref().get(key).is_some()
    }

    /// Where a key stands, or the entry itself.
    pub(crate) fn at(&self, key: &str) -> Range<usize> {
        self.source
            .get_ref()
            .get(key)
            .map_or_else(|| self.source.span(), Spanned::span)
    }
}

/// Reads a scenario.
pub(crate) fn read(text: &str) -> Result<Scenario, Vec<Mistake>> {
    let mut mistakes = Mistakes {
        lines: Lines::of(text),
        list: Vec::new(),
    };
    let (table, errors) = DeTable::parse_recoverable(text);
    for error in &errors {
        mistakes.add(
            error.span().unwrap_or(0..0),
            format!("no valid TOML: {}", error.message()),
        );
    }
    let scenario = if errors.is_empty() {
        read_table(table.get_ref(), &mut mistakes)
    } else {
        None
    };
    mistakes.list.sort_by_key(|m| (m.line, m.column));
    match scenario {
        Some(scenario) if mistakes.list.is_empty() => Ok(scenario),
        _ => Err(mistakes.list),
    }
}

fn read_table(table: &DeTable<'_>, mistakes: &mut Mistakes<'_>) -> Option<Scenario> {
    check_keys(table, mistakes);
    check_format(table, mistakes);
    let name = needed::<String>(table, "name", mistakes);
    let title = needed::<String>(table, "title", mistakes);
    let profile_name = needed::<String>(table, "profile", mistakes);
    let look_at = needed::<Time>(table, "look_at", mistakes);
    let seed = one::<u64>(table, "seed", mistakes);
    let stack = one::<Stack>(table, "stack", mistakes);
    let inverter = one::<InverterPlan>(table, "inverter", mistakes);
    let mut events = many::<Event>(table, "event", mistakes);
    let mischief = many::<Mischief>(table, "mischief", mistakes);
    let expects = many::<Expect>(table, "expect", mistakes);
    let line = one::<LinePlan>(table, "line", mistakes);
    let noise = many::<Noise>(table, "noise", mistakes);
    let second_client = one::<SecondClient>(table, "second_client", mistakes);
    let neighbour = one::<Neighbour>(table, "neighbour", mistakes);
    let chatter = one::<Chatter>(table, "chatter", mistakes);
    let cells = one::<CellPlan>(table, "cells", mistakes);
    let circuit = one::<CircuitPlan>(table, "circuit", mistakes);
    let lamps = one::<LampPlan>(table, "lamps", mistakes);
    let gateway = one::<GatewayPlan>(table, "gateway", mistakes);
    let control = one::<ControlPlan>(table, "control", mistakes);
    let map = one::<toml::Table>(table, "map", mistakes);

    let shipped = profile_name
        .as_ref()
        .and_then(|entry| shipped_profile(&entry.value));
    check_stack(stack.as_ref(), shipped.as_ref(), mistakes);
    check_inverter(inverter.as_ref(), mistakes);
    check_hardware(cells.as_ref(), circuit.as_ref(), lamps.as_ref(), mistakes);
    let plain = Stack::default();
    let stands = stack.as_ref().map_or(&plain, |entry| &entry.value);
    check_events(&events, shipped.as_ref(), stands, mistakes);
    check_mischief(&mischief, mistakes);
    check_gateway(gateway.as_ref(), mistakes);
    check_control(control.as_ref(), mistakes);
    check_expects(&expects, mistakes);
    check_line(line.as_ref(), &noise, mistakes);
    check_others(
        second_client.as_ref(),
        chatter.as_ref(),
        neighbour.as_ref(),
        shipped.as_ref(),
        mistakes,
    );
    events.sort_by_key(|event| event.value.at);
    Some(Scenario {
        name: name?.value,
        title: title?.value,
        profile: profile_name?.value,
        seed: seed.map_or(1, |entry| entry.value),
        look_at: look_at?.value.0,
        expects: values(expects),
        stack: stack.map(|entry| entry.value).unwrap_or_default(),
        inverter: inverter.map(|entry| entry.value),
        events: values(events),
        mischief: values(mischief),
        line: line.map(|entry| entry.value).unwrap_or_default(),
        noise: values(noise),
        second_client: second_client.map(|entry| entry.value),
        neighbour: neighbour.map(|entry| entry.value),
        chatter: chatter.map(|entry| entry.value),
        cells: cells.map(|entry| entry.value).unwrap_or_default(),
        circuit: circuit.map(|entry| entry.value).unwrap_or_default(),
        lamps: lamps.map(|entry| entry.value).unwrap_or_default(),
        gateway: gateway.map(|entry| entry.value),
        control: control.map(|entry| entry.value).unwrap_or_default(),
        map: map.map(|entry| entry.value).unwrap_or_default(),
    })
}

fn check_keys(table: &DeTable<'_>, mistakes: &mut Mistakes<'_>) {
    for (key, _) in table {
        if !KEYS.contains(&key.get_ref().as_ref()) {
            mistakes.add(
                key.span(),
                format!(
                    "unknown key \"{}\": expected one of {}",
                    key.get_ref(),
                    KEYS.join(", ")
                ),
            );
        }
    }
}

fn shipped_profile(name: &str) -> Option<Profile> {
    let (id, text) = packside_profiles::shipped()
        .iter()
        .find(|(id, _)| *id == name)?;
    packside_profiles::load(text, id).ok()
}

/// Older formats are read as well; a key that came later must say so.
fn check_format(table: &DeTable<'_>, mistakes: &mut Mistakes<'_>) {
    let Some(format) = needed::<u32>(table, "format", mistakes) else {
        return;
    };
    if !(1..=NEWEST).contains(&format.value) {
        mistakes.add(
            format.source.span(),
            format!("format: expected 1 to {NEWEST}, found {}", format.value),
        );
    }
    for (since, place, keys) in SINCE.iter().filter(|(since, ..)| *since > format.value) {
        for inside in tables_at(table, place) {
            for (key, _) in inside
                .iter()
                .filter(|(key, _)| keys.contains(&key.get_ref().as_ref()))
            {
                mistakes.add(
                    key.span(),
                    format!(
                        "{}: expected format = {since} for this key, found {}",
                        key.get_ref(),
                        format.value
                    ),
                );
            }
        }
    }
}

/// The file itself for an empty place, else the table or all tables of that name.
fn tables_at<'t>(table: &'t DeTable<'t>, place: &str) -> Vec<&'t DeTable<'t>> {
    if place.is_empty() {
        return vec![table];
    }
    match table.get(place).map(Spanned::get_ref) {
        Some(DeValue::Table(inside)) => vec![inside],
        Some(DeValue::Array(items)) => items
            .iter()
            .filter_map(|item| item.get_ref().as_table())
            .collect(),
        _ => Vec::new(),
    }
}

fn values<T>(entries: Vec<Entry<'_, T>>) -> Vec<T> {
    entries.into_iter().map(|entry| entry.value).collect()
}

/// A time as text.
#[derive(Deserialize)]
#[serde(try_from = "String")]
struct Time(Duration);

impl TryFrom<String> for Time {
    type Error = String;

    fn try_from(text: String) -> Result<Self, String> {
        crate::scenario::time_from_text(&text).map(Self)
    }
}

fn read_one<'t, T: DeserializeOwned>(
    key: &str,
    source: &'t Spanned<DeValue<'t>>,
    mistakes: &mut Mistakes<'_>,
) -> Option<Entry<'t, T>> {
    match T::deserialize(source.clone().into_deserializer()) {
        Ok(value) => Some(Entry { value, source }),
        Err(error) => {
            mistakes.add(
                error.span().unwrap_or_else(|| source.span()),
                format!("{key}: {}", error.message()),
            );
            None
        }
    }
}

fn one<'t, T: DeserializeOwned>(
    table: &'t DeTable<'t>,
    key: &str,
    mistakes: &mut Mistakes<'_>,
) -> Option<Entry<'t, T>> {
    table
        .get(key)
        .and_then(|source| read_one(key, source, mistakes))
}

fn needed<'t, T: DeserializeOwned>(
    table: &'t DeTable<'t>,
    key: &str,
    mistakes: &mut Mistakes<'_>,
) -> Option<Entry<'t, T>> {
    if !table.contains_key(key) {
        mistakes.add(0..0, format!("{key}: expected {key} = ..., found none"));
    }
    one(table, key, mistakes)
}

fn many<'t, T: DeserializeOwned>(
    table: &'t DeTable<'t>,
    key: &str,
    mistakes: &mut Mistakes<'_>,
) -> Vec<Entry<'t, T>> {
    let Some(source) = table.get(key) else {
        return Vec::new();
    };
    let Some(items) = source.get_ref().as_array() else {
        mistakes.add(
            source.span(),
            format!(
                "{key}: expected [[{key}]] entries, found a {}",
                source.get_ref().type_str()
            ),
        );
        return Vec::new();
    };
    if let Some(surplus) = items.get(MOST_ENTRIES) {
        mistakes.add(
            surplus.span(),
            format!(
                "{key}: expected at most {MOST_ENTRIES} entries, found {}",
                items.len()
            ),
        );
        return Vec::new();
    }
    items
        .iter()
        .filter_map(|item| read_one(key, item, mistakes))
        .collect()
}

#[cfg(test)]
mod tests {
    use crate::Scenario;
    use proptest::prelude::*;

    // Kind: invented
    #[test]
    fn err_scenario_with_many_mistakes_names_them_all() {
        let text = r#"format = 1
name = "x"
title = "y"
profile = "generic-hv-stack"
look_at = "soon"
colour = 3
[stack]
soc = 140
[[event]]
at = "5s"
raise = "no-such-flag"
[[event]]
at = "5s"
[[mischief]]
kind = "exception"
[[expect]]
at = "9s"
verdict = ["fine"]
roots = ["cell-high"]
"#;
        let error = Scenario::load(text, "x.toml").unwrap_err().to_string();
        for part in [
            "x.toml: 8 mistakes",
            "x.toml:5:11: look_at: expected a time like \"20s\", \"800ms\", \"2min\" or \"1h\", found \"soon\"",
            "    5 | look_at = \"soon\"\n      |           ^",
            "x.toml:6:1: unknown key \"colour\"",
            "x.toml:8:7: stack, soc: expected 0 to 100, found 140",
            "flag \"no-such-flag\": expected one of ",
            "event: expected one thing that happens",
            "mischief, exception: expected a role beside it, found none",
            "found \"fine\"",
            "expect, roots: expected the id of a class, found \"cell-high\"",
        ] {
            assert!(error.contains(part), "no {part} in:\n{error}");
        }
    }

    // Kind: invented
    #[test]
    fn err_scenario_with_wrong_hardware_names_every_mistake() {
        let text = r#"format = 3
name = "x"
title = "y"
profile = "generic-hv-stack"
look_at = "1s"
[stack]
modules = 5
[cells]
heat_capacity = 1
[circuit]
travel = "2s"
[lamps]
bright = 130
[[event]]
defect = "weak-cell"
module = 6
cell = 2
amount = 50
[[event]]
defect = "sense-wire-broken"
module = 1
cell = 30
[[event]]
defect = "lamp-dark"
lamp = "blue"
[[event]]
soc = 3
pole = "plus"
[[event]]
defect = "short"
"#;
        let error = Scenario::load(text, "x.toml").unwrap_err().to_string();
        for part in [
            "x.toml: 9 mistakes",
            "x.toml:9:17: cells, heat_capacity: expected 50 to 1000000, found 1",
            "x.toml:11:10: circuit, travel: expected 0 to 1, found 2",
            "x.toml:13:10: lamps, bright: expected 0 to 100, found 130",
            "x.toml:16:10: event, module: expected 1 to 5, found 6",
            "x.toml:19:1: event, defect: expected amount = 0 to 5 beside it, found none",
            "x.toml:22:8: event, cell: expected 1 to 29, found 30",
            "x.toml:25:8: event, lamp: expected one of power, fault, charge, found \"blue\"",
            "x.toml:28:8: event, pole: expected a defect beside it, found none",
            "   30 | defect = \"short\"\n      |          ^",
        ] {
            assert!(error.contains(part), "no {part} in:\n{error}");
        }
    }

    // Kind: invented
    #[test]
    fn err_scenario_with_an_impossible_control_unit_or_swap_names_every_mistake() {
        let text = r#"format = 3
name = "x"
title = "y"
profile = "generic-hv-stack"
look_at = "1s"
[control]
unconfigured = 0
hangs_on = [3, 200]
clock_error_s = nan
[[control.protection]]
class = "limits-zero"
hysteresis = -1.0
delay = "2h"
[[event]]
says = { point = "state", raw = 70000 }
[[event]]
says = { point = "stat", raw = 1 }
[[event]]
says = { point = "uptime", raw = 1, besides = true }
[[event]]
swap = "whole-modules"
module = 2
"#;
        let error = Scenario::load(text, "x.toml").unwrap_err().to_string();
        for part in [
            "x.toml: 11 mistakes",
            "x.toml:7:16: control, unconfigured: expected 1 to 127, found 0",
            "x.toml:8:12: control, hangs_on: expected functions 1 to 127, found 200",
            "x.toml:9:17: control, clock_error_s: expected -315576000 to 315576000, found NaN",
            "control, protection: expected a class that protects, found limits-zero",
            "control, protection: expected a hysteresis of 0 to 1000, found hysteresis = -1 for limits-zero",
            "control, protection: expected a delay of at most 1h, found delay = 7200s for limits-zero",
            "x.toml:15:8: event, says: expected a raw value that fits: ",
            "x.toml:17:8: event, says: expected a point of the map, found \"stat\"",
            "x.toml:19:8: event, says: expected a point of bits for besides = true, found \"uptime\"",
            "x.toml:20:1: event, swap: expected other = ... beside it, found none",
            "and 1 more",
        ] {
            assert!(error.contains(part), "no {part} in:\n{error}");
        }
    }

    // Kind: invented
    #[test]
    fn err_scenario_of_an_older_format_with_a_newer_key_says_which_format_it_needs() {
        let text = "format = 2\nname = \"x\"\ntitle = \"y\"\nprofile = \"generic-hv-stack\"\nlook_at = \"1s\"\n\
                    [cells]\n[[event]]\ndefect = \"fuse-open\"\n";
        let error = Scenario::load(text, "x.toml").unwrap_err().to_string();
        for part in [
            "x.toml: 2 mistakes",
            "x.toml:6:2: cells: expected format = 3 for this key, found 2",
            "x.toml:8:1: defect: expected format = 3 for this key, found 2",
        ] {
            assert!(error.contains(part), "no {part} in:\n{error}");
        }
        let newest = text.replacen('2', "3", 1);
        assert!(Scenario::load(&newest, "x.toml").is_ok());
    }

    proptest! {
        #[test]
        fn scenario_of_any_text_does_not_panic(text in "(name|format|stack|=|\\[|\\]|\"|1|\n|é|[ -~]){0,60}") {
            let _ = Scenario::load(&text, "any");
        }
    }
}
