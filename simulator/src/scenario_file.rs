//! Reads a scenario file entry by entry, so that all its mistakes are found at once.
//!
//! Input: TOML text. Output: a [`Scenario`] or all mistakes with line and column. Flags are checked
//! against the profile where that is a shipped one. Does not: open files.

use std::collections::BTreeSet;
use std::ops::Range;
use std::time::Duration;

use packside_profiles::Profile;
use serde::Deserialize;
use serde::de::{DeserializeOwned, IntoDeserializer};
use toml::Spanned;
use toml::de::{DeTable, DeValue};

use crate::gateway::GatewayPlan;
use crate::line_plan::{Chatter, LinePlan, Neighbour, Noise, SecondClient};
use crate::scenario::{
    Event, Expect, InverterPlan, Mischief, MischiefKind, Mistake, Scenario, Stack, event_mistake,
    is_class,
};

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
    "gateway",
];
/// Keys and keys of `[inverter]` that came with format 2.
const SINCE_2: &[&str] = &["line", "noise", "second_client", "neighbour", "chatter"];
/// Keys, and keys of `[[event]]`, that came with format 3.
const SINCE_3: &[&str] = &["gateway"];
const EVENT_SINCE_3: &[&str] = &["gateway", "adapter"];
const INVERTER_SINCE_2: &[&str] = &["polls", "retries", "listens_first"];
const VERDICTS: &[&str] = &[
    "normal",
    "not-ready",
    "fault",
    "awaiting-inverter",
    "inverter-lost",
    "bus-problem",
    "undecided",
];

/// Collects mistakes with their places.
struct Mistakes<'t> {
    text: &'t str,
    list: Vec<Mistake>,
}

impl Mistakes<'_> {
    fn add(&mut self, span: Range<usize>, message: String) {
        let before = self.text.get(..span.start).unwrap_or(self.text);
        let line_start = before.rfind('\n').map_or(0, |at| at + 1);
        let source = self
            .text
            .get(line_start..)
            .unwrap_or_default()
            .lines()
            .next()
            .unwrap_or_default();
        self.list.push(Mistake {
            line: before.matches('\n').count() + 1,
            column: before.get(line_start..).unwrap_or_default().chars().count() + 1,
            source: source.to_owned(),
            message,
        });
    }
}

/// An entry with the place it stands at.
struct Entry<'t, T> {
    value: T,
    source: &'t Spanned<DeValue<'t>>,
}

impl<T> Entry<'_, T> {
    fn at(&self, key: &str) -> Range<usize> {
        self.source
            .get_ref()
            .get(key)
            .map_or_else(|| self.source.span(), Spanned::span)
    }
}

/// Reads a scenario.
pub(crate) fn read(text: &str) -> Result<Scenario, Vec<Mistake>> {
    let mut mistakes = Mistakes {
        text,
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
    let gateway = one::<GatewayPlan>(table, "gateway", mistakes);

    let shipped = profile_name.as_ref().and_then(|entry| {
        let (id, text) = packside_profiles::shipped()
            .iter()
            .find(|(id, _)| *id == entry.value)?;
        packside_profiles::load(text, id).ok()
    });
    check_stack(stack.as_ref(), shipped.as_ref(), mistakes);
    check_inverter(inverter.as_ref(), mistakes);
    check_events(&events, shipped.as_ref(), mistakes);
    for entry in &mischief {
        check_mischief(&entry.value, |key| entry.at(key), mistakes);
    }
    check_gateway(gateway.as_ref(), mistakes);
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
        gateway: gateway.map(|entry| entry.value),
    })
}

/// Older formats are read as well; what came later must say so.
fn check_format(table: &DeTable<'_>, mistakes: &mut Mistakes<'_>) {
    let Some(format) = needed::<u32>(table, "format", mistakes) else {
        return;
    };
    if !(1..=3).contains(&format.value) {
        mistakes.add(
            format.source.span(),
            format!("format: expected 1, 2 or 3, found {}", format.value),
        );
    }
    let mut too_new = |keys: &DeTable<'_>, since: u32, known: &[&str]| {
        let late = keys
            .iter()
            .filter(|(key, _)| known.contains(&key.get_ref().as_ref()));
        for (key, _) in late.filter(|_| (1..since).contains(&format.value)) {
            mistakes.add(
                key.span(),
                format!(
                    "{}: expected format = {since} for this key, found {}",
                    key.get_ref(),
                    format.value
                ),
            );
        }
    };
    too_new(table, 2, SINCE_2);
    too_new(table, 3, SINCE_3);
    for (inside, since, known) in [
        ("inverter", 2, INVERTER_SINCE_2),
        ("event", 3, EVENT_SINCE_3),
    ] {
        let Some(value) = table.get(inside).map(Spanned::get_ref) else {
            continue;
        };
        let entries = value.as_array().into_iter().flatten();
        let entries = entries.filter_map(|entry| entry.get_ref().as_table());
        for keys in value.as_table().into_iter().chain(entries) {
            too_new(keys, since, known);
        }
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

fn check_stack(
    stack: Option<&Entry<'_, Stack>>,
    profile: Option<&Profile>,
    mistakes: &mut Mistakes<'_>,
) {
    let Some(entry) = stack else { return };
    let stack = &entry.value;
    let mut within = |key: &str, value: f64, lowest: f64, highest: f64| {
        if !(lowest..=highest).contains(&value) {
            mistakes.add(
                entry.at(key),
                format!("stack, {key}: expected {lowest} to {highest}, found {value}"),
            );
        }
    };
    let most_packs = profile.map_or(247, |p| p.members.as_ref().map_or(1, |m| m.at_most));
    within("modules", stack.modules.into(), 1.0, 64.0);
    within("packs", stack.packs.into(), 1.0, most_packs.into());
    within(
        "packs_expected",
        stack.packs_expected.unwrap_or(1).into(),
        1.0,
        most_packs.into(),
    );
    within("soc", stack.soc, 0.0, 100.0);
    within("temperature", stack.temperature, -60.0, 150.0);
    within("spread_mv", stack.spread_mv, 0.0, 1000.0);
    within("insulation_kohm", stack.insulation_kohm, 0.0, 60_000.0);
    within("capacity_ah", stack.capacity_ah, 1.0, 10_000.0);
    for id in &stack.suppress {
        check_flag(id, entry.at("suppress"), profile, mistakes);
    }
}

fn check_inverter(inverter: Option<&Entry<'_, InverterPlan>>, mistakes: &mut Mistakes<'_>) {
    let Some(entry) = inverter else { return };
    if entry.value.every < Duration::from_millis(200) {
        mistakes.add(
            entry.at("every"),
            format!(
                "inverter, every: expected at least 200ms, found {:?}",
                entry.value.every
            ),
        );
    }
    if !entry.value.current.is_finite() {
        mistakes.add(
            entry.at("current"),
            "inverter, current: expected a number of amperes".to_owned(),
        );
    }
}

fn check_line(
    line: Option<&Entry<'_, LinePlan>>,
    noise: &[Entry<'_, Noise>],
    mistakes: &mut Mistakes<'_>,
) {
    if let Some(entry) = line.filter(|entry| entry.value.unit_ppm.abs() > 100_000) {
        mistakes.add(
            entry.at("unit_ppm"),
            format!(
                "line, unit_ppm: expected -100000 to 100000, found {}",
                entry.value.unit_ppm
            ),
        );
    }
    if let Some(entry) = line {
        let plan = &entry.value;
        for (key, value, highest) in [
            ("length_m", plan.length_m, 5000.0),
            ("terminators", plan.terminators.into(), 2.0),
        ] {
            if !(0.0..=highest).contains(&value) {
                mistakes.add(
                    entry.at(key),
                    format!("line, {key}: expected 0 to {highest}, found {value}"),
                );
            }
        }
        let longest = Duration::from_secs(1);
        if let Some(time) = plan
            .hold_back
            .filter(|time| time.is_zero() || *time > longest)
        {
            mistakes.add(
                entry.at("hold_back"),
                format!("line, hold_back: expected more than 0s, at most 1s, found {time:?}"),
            );
        }
    }
    for entry in noise {
        for (key, value, highest) in [
            ("per_second", entry.value.per_second, 1000.0),
            ("width_us", entry.value.width_us, 100_000.0),
        ] {
            if !(0.001..=highest).contains(&value) {
                mistakes.add(
                    entry.at(key),
                    format!("noise, {key}: expected 0.001 to {highest}, found {value}"),
                );
            }
        }
    }
}

fn check_others(
    second: Option<&Entry<'_, SecondClient>>,
    chatter: Option<&Entry<'_, Chatter>>,
    neighbour: Option<&Entry<'_, Neighbour>>,
    profile: Option<&Profile>,
    mistakes: &mut Mistakes<'_>,
) {
    if let Some(entry) = second {
        if entry.value.every < Duration::from_millis(200) {
            let found = entry.value.every;
            mistakes.add(
                entry.at("every"),
                format!("second_client, every: expected at least 200ms, found {found:?}"),
            );
        }
        if !(1..=125).contains(&entry.value.registers) {
            let found = entry.value.registers;
            mistakes.add(
                entry.at("registers"),
                format!("second_client, registers: expected 1 to 125, found {found}"),
            );
        }
    }
    if let Some(entry) = chatter {
        if !(1..=300).contains(&entry.value.text.len()) {
            let found = entry.value.text.len();
            mistakes.add(
                entry.at("text"),
                format!("chatter, text: expected 1 to 300 bytes, found {found}"),
            );
        }
        if entry.value.every < Duration::from_millis(50) {
            let found = entry.value.every;
            mistakes.add(
                entry.at("every"),
                format!("chatter, every: expected at least 50ms, found {found:?}"),
            );
        }
    }
    for (entry, id) in neighbour
        .iter()
        .flat_map(|entry| entry.value.raise.iter().map(move |id| (entry, id)))
    {
        check_flag(id, entry.at("raise"), profile, mistakes);
    }
    if let Some(entry) = neighbour.filter(|entry| !(1..=247).contains(&entry.value.address)) {
        let found = entry.value.address;
        mistakes.add(
            entry.at("address"),
            format!("neighbour, address: expected 1 to 247, found {found}"),
        );
    }
}

fn check_flag(
    id: &str,
    span: Range<usize>,
    profile: Option<&Profile>,
    mistakes: &mut Mistakes<'_>,
) {
    let Some(profile) = profile.filter(|p| !p.flags.iter().any(|f| f.id == id)) else {
        return;
    };
    let known: BTreeSet<&str> = profile.flags.iter().map(|f| f.id.as_str()).collect();
    let known: Vec<&str> = known.into_iter().collect();
    mistakes.add(
        span,
        format!(
            "flag \"{id}\": expected one of {}, found no such flag",
            known.join(", ")
        ),
    );
}

fn check_events(
    events: &[Entry<'_, Event>],
    profile: Option<&Profile>,
    mistakes: &mut Mistakes<'_>,
) {
    for entry in events {
        if let Some(message) = event_mistake(&entry.value) {
            mistakes.add(entry.source.span(), message);
        }
        for (key, flag) in [("raise", &entry.value.raise), ("lower", &entry.value.lower)] {
            if let Some(id) = flag {
                check_flag(id, entry.at(key), profile, mistakes);
            }
        }
        if entry.value.lost.is_some() && entry.value.cell.is_none() == entry.value.sensor.is_none()
        {
            mistakes.add(
                entry.at("lost"),
                "event, lost: expected a cell or a sensor beside it".to_owned(),
            );
        }
    }
}

fn check_mischief(rule: &Mischief, at: impl Fn(&str) -> Range<usize>, mistakes: &mut Mistakes<'_>) {
    if !(0.0..=100.0).contains(&rule.chance) {
        mistakes.add(
            at("chance"),
            format!("mischief, chance: expected 0 to 100, found {}", rule.chance),
        );
    }
    if rule.kind == MischiefKind::Exception && rule.role.is_none() {
        mistakes.add(
            at("kind"),
            "mischief, exception: expected a role beside it, found none".to_owned(),
        );
    }
}

fn check_gateway(gateway: Option<&Entry<'_, GatewayPlan>>, mistakes: &mut Mistakes<'_>) {
    let Some(entry) = gateway else { return };
    let plan = &entry.value;
    for rule in &plan.mischief {
        check_mischief(rule, |_| entry.at("mischief"), mistakes);
        if matches!(
            rule.kind,
            MischiefKind::Exception | MischiefKind::NoAnswer | MischiefKind::Echo
        ) {
            let message = format!(
                "gateway, mischief: expected a bad habit of answers, found {} (write it as [[mischief]])",
                rule.kind
            );
            mistakes.add(entry.at("mischief"), message);
        }
    }
    if !(0.0..=90.0).contains(&plan.loss) {
        let message = format!("gateway, loss: expected 0 to 90, found {}", plan.loss);
        mistakes.add(entry.at("loss"), message);
    }
    let minute = Duration::from_secs(60);
    let day = minute * 1440;
    let shortest = Duration::from_millis(1);
    for (key, time, least, most) in [
        ("latency", Some(plan.latency), Duration::ZERO, minute),
        ("jitter", Some(plan.jitter), Duration::ZERO, minute),
        ("time_out", Some(plan.time_out), shortest, minute),
        ("packs", Some(plan.packs), shortest, minute),
        ("cache", plan.cache, shortest, day),
        ("polls_every", plan.polls_every, 200 * shortest, day),
        ("idle_close", plan.idle_close, 100 * shortest, day),
        ("idle_lost", plan.idle_lost, 100 * shortest, day),
        ("says_every", Some(plan.says_every), 50 * shortest, day),
    ] {
        if let Some(found) = time.filter(|time| !(least..=most).contains(time)) {
            let message =
                format!("gateway, {key}: expected {least:?} to {most:?}, found {found:?}");
            mistakes.add(entry.at(key), message);
        }
    }
    let text = plan.says.as_ref().map_or(1, String::len);
    if !(1..=300).contains(&text) {
        let message = format!("gateway, says: expected 1 to 300 bytes, found {text}");
        mistakes.add(entry.at("says"), message);
    }
    if !(1..=64).contains(&plan.connections) {
        let found = plan.connections;
        let message = format!("gateway, connections: expected 1 to 64, found {found}");
        mistakes.add(entry.at("connections"), message);
    }
}

fn check_expects(expects: &[Entry<'_, Expect>], mistakes: &mut Mistakes<'_>) {
    for entry in expects {
        for verdict in entry
            .value
            .verdict
            .iter()
            .filter(|v| !VERDICTS.contains(&v.as_str()))
        {
            let message = format!(
                "expect, verdict: expected one of {}, found \"{verdict}\"",
                VERDICTS.join(", ")
            );
            mistakes.add(entry.at("verdict"), message);
        }
        for root in entry.value.roots.iter().filter(|root| !is_class(root)) {
            mistakes.add(
                entry.at("roots"),
                format!("expect, roots: expected the id of a class, found \"{root}\""),
            );
        }
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

    proptest! {
        #[test]
        fn scenario_of_any_text_does_not_panic(text in "(name|format|stack|=|\\[|\\]|\"|1|\n|é|[ -~]){0,60}") {
            let _ = Scenario::load(&text, "any");
        }
    }
}
