//! What is wrong with the entries of a scenario file: numbers out of range, unknown flags, things
//! that do not go together.
//!
//! Input: entries with their places. Output: mistakes with theirs. Does not: read text.

use std::collections::BTreeSet;
use std::ops::Range;
use std::time::Duration;

use packside_profiles::Profile;

use crate::cell_plan::{CellPlan, CircuitPlan, Defect, LampPlan};
use crate::control_check::check_says;
use crate::line_plan::{Chatter, LinePlan, Neighbour, Noise, SecondClient};
use crate::mischief_plan::{Mischief, MischiefKind};
use crate::scenario::{Event, Expect, InverterPlan, Stack, event_mistake, is_class};
use crate::scenario_file::{Entry, Mistakes};

const VERDICTS: &[&str] = &[
    "normal",
    "not-ready",
    "fault",
    "awaiting-inverter",
    "inverter-lost",
    "bus-problem",
    "undecided",
];

pub(crate) fn check_stack(
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

pub(crate) fn check_inverter(
    inverter: Option<&Entry<'_, InverterPlan>>,
    mistakes: &mut Mistakes<'_>,
) {
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

pub(crate) fn check_line(
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
            ("terminators", plan.terminators.into(), 3.0),
            ("stubs_m", plan.stubs_m, 5000.0),
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
            check_range("noise", entry, (key, value), (0.001, highest), mistakes);
        }
    }
}

pub(crate) fn check_others(
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
    if let Some(entry) = neighbour {
        for id in &entry.value.raise {
            check_flag(id, entry.at("raise"), profile, mistakes);
        }
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

pub(crate) fn check_events(
    events: &[Entry<'_, Event>],
    profile: Option<&Profile>,
    stack: &Stack,
    mistakes: &mut Mistakes<'_>,
) {
    for entry in events {
        check_defect(entry, profile, stack, mistakes);
        check_says(entry, profile, mistakes);
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

/// Whether a number of an entry lies within its range.
fn check_range<T>(
    table: &str,
    entry: &Entry<'_, T>,
    (key, value): (&str, f64),
    (lowest, highest): (f64, f64),
    mistakes: &mut Mistakes<'_>,
) {
    if !(lowest..=highest).contains(&value) {
        mistakes.add(
            entry.at(key),
            format!("{table}, {key}: expected {lowest} to {highest}, found {value}"),
        );
    }
}

pub(crate) fn check_hardware(
    cells: Option<&Entry<'_, CellPlan>>,
    circuit: Option<&Entry<'_, CircuitPlan>>,
    lamps: Option<&Entry<'_, LampPlan>>,
    mistakes: &mut Mistakes<'_>,
) {
    if let Some(entry) = cells {
        let plan = &entry.value;
        // Bounds of the heat flows keep steps of one second stable.
        let ranges = [
            ("resistance_mohm", plan.resistance_mohm, 0.001, 1000.0),
            ("polarisation_mohm", plan.polarisation_mohm, 0.0, 1000.0),
            (
                "polarisation_time",
                plan.polarisation_time.as_secs_f64(),
                0.1,
                36_000.0,
            ),
            ("capacity_spread", plan.capacity_spread, 0.0, 50.0),
            ("resistance_spread", plan.resistance_spread, 0.0, 90.0),
            ("charge_spread", plan.charge_spread, 0.0, 50.0),
            ("self_discharge", plan.self_discharge, 0.0, 100.0),
            ("heat_capacity", plan.heat_capacity, 50.0, 1e6),
            ("to_neighbour", plan.to_neighbour, 0.0, 10.0),
            ("to_ambient", plan.to_ambient, 0.0, 10.0),
            ("ambient", plan.ambient.unwrap_or_default(), -60.0, 150.0),
            (
                "balancing_ma",
                plan.balancing_ma.unwrap_or(1.0),
                1.0,
                5000.0,
            ),
        ];
        for (key, value, low, high) in ranges {
            check_range("cells", entry, (key, value), (low, high), mistakes);
        }
    }
    if let Some(entry) = circuit {
        let plan = &entry.value;
        let travel = plan.travel.unwrap_or_default().as_secs_f64();
        let ranges = [
            ("travel", travel, 0.0, 1.0),
            ("precharge_ohm", plan.precharge_ohm, 1.0, 100_000.0),
            (
                "capacitance_uf",
                plan.capacitance_uf.unwrap_or(1.0),
                1.0,
                1e6,
            ),
            ("load_ohm", plan.load_ohm.unwrap_or(1.0), 0.001, 1e9),
            (
                "other_source",
                plan.other_source.unwrap_or_default(),
                0.0,
                1500.0,
            ),
            (
                "insulation_kohm",
                plan.insulation_kohm.unwrap_or(1.0),
                0.0,
                60_000.0,
            ),
        ];
        for (key, value, low, high) in ranges {
            check_range("circuit", entry, (key, value), (low, high), mistakes);
        }
    }
    if let Some(entry) = lamps {
        let bright = ("bright", entry.value.bright);
        check_range("lamps", entry, bright, (0.0, 100.0), mistakes);
        let hertz = ("pwm_hz", entry.value.pwm_hz);
        // Slower, it would be blinking and no dimming.
        check_range("lamps", entry, hertz, (60.0, 100_000.0), mistakes);
    }
}

/// What a defect needs beside it: the place, then the range of its amount.
fn needs(defect: Defect) -> (&'static [&'static str], Option<(f64, f64)>) {
    match defect {
        Defect::WeakCell => (&["module", "cell"], Some((1.0, 100.0))),
        Defect::ResistiveCell => (&["module", "cell"], Some((0.1, 10_000.0))),
        Defect::LeakingCell => (&["module", "cell"], Some((0.0, 100_000.0))),
        Defect::CellCharge => (&["module"], Some((-10.0, 110.0))),
        Defect::SenseWireBroken => (&["module", "cell"], Some((0.0, 5.0))),
        Defect::CellReadingFrozen
        | Defect::SenseConnectorLoose
        | Defect::SensorFrozen
        | Defect::ModuleReversed => (&["module"], None),
        Defect::SensorOpen => (&["module", "sensor"], None),
        Defect::HeatedModule => (&["module"], Some((-1000.0, 10_000.0))),
        Defect::ModuleMisplaced => (&["module", "other"], None),
        Defect::CurrentOffset => (&[], Some((-1000.0, 1000.0))),
        Defect::ChargeReportDrifted => (&[], Some((-100.0, 100.0))),
        Defect::LampDark => (&["lamp"], None),
        Defect::PackVoltageFrozen
        | Defect::PackVoltageOpen
        | Defect::TerminalVoltageFrozen
        | Defect::TerminalVoltageOpen
        | Defect::CurrentReversed
        | Defect::SwitchWelded
        | Defect::SwitchStaysOpen
        | Defect::PrechargeOpen
        | Defect::FuseOpen
        | Defect::BreakerOpen => (&[], None),
    }
}

/// What stands beside a key is there.
fn check_needed(
    entry: &Entry<'_, Event>,
    beside: &str,
    needed: &[&str],
    mistakes: &mut Mistakes<'_>,
) {
    for key in needed.iter().filter(|key| !entry.has(key)) {
        mistakes.add(
            entry.source.span(),
            format!("event, {beside}: expected {key} = ... beside it, found none"),
        );
    }
}

/// Every place that an event names is there.
fn check_places(
    entry: &Entry<'_, Event>,
    profile: Option<&Profile>,
    stack: &Stack,
    mistakes: &mut Mistakes<'_>,
) {
    let Some(profile) = profile else { return };
    let event = &entry.value;
    let modules = crate::pack::module_count(profile, stack.modules);
    // The last cell of a module has no next one to share a wire with.
    let last = u16::from(event.defect.or(event.mends) == Some(Defect::SenseWireBroken));
    let cells = profile.unit.cells_per_module.saturating_sub(last);
    let sensors = crate::pack::sensors_per_module(profile);
    for (key, number, highest) in [
        ("module", event.module, modules),
        ("other", event.other, modules),
        ("cell", event.cell, cells),
        ("sensor", event.sensor, sensors),
    ] {
        let beyond = number.filter(|n| *n == 0 || *n > highest);
        if let Some(found) = beyond {
            mistakes.add(
                entry.at(key),
                format!("event, {key}: expected 1 to {highest}, found {found}"),
            );
        }
    }
}

/// A defect has the place and the amount that it needs; what mends needs the place only.
fn check_defect(
    entry: &Entry<'_, Event>,
    profile: Option<&Profile>,
    stack: &Stack,
    mistakes: &mut Mistakes<'_>,
) {
    let event = &entry.value;
    if event.swap.is_some() {
        check_needed(entry, "swap", &["module", "other"], mistakes);
    }
    check_places(entry, profile, stack, mistakes);
    let Some(defect) = event.defect.or(event.mends) else {
        let alone = ["amount", "pole", "lamp", "other"];
        let is_of_swap = |key: &str| key == "other" && event.swap.is_some();
        for key in alone.iter().filter(|k| entry.has(k) && !is_of_swap(k)) {
            mistakes.add(
                entry.at(key),
                format!("event, {key}: expected a defect beside it, found none"),
            );
        }
        return;
    };
    let (place, amount) = needs(defect);
    check_needed(entry, "defect", place, mistakes);
    match (amount.filter(|_| event.defect.is_some()), event.amount) {
        (Some((low, high)), Some(value)) => {
            check_range("event", entry, ("amount", value), (low, high), mistakes);
        }
        (Some((low, high)), None) => mistakes.add(
            entry.source.span(),
            format!("event, defect: expected amount = {low} to {high} beside it, found none"),
        ),
        (None, _) => {}
    }
    let known = profile.zip(event.lamp.as_ref());
    if let Some((profile, lamp)) = known.filter(|(p, lamp)| p.lamps.iter().all(|l| l.id != **lamp))
    {
        let lamps: Vec<&str> = profile.lamps.iter().map(|l| l.id.as_str()).collect();
        mistakes.add(
            entry.at("lamp"),
            format!(
                "event, lamp: expected one of {}, found \"{lamp}\"",
                lamps.join(", ")
            ),
        );
    }
}

pub(crate) fn check_mischief(mischief: &[Entry<'_, Mischief>], mistakes: &mut Mistakes<'_>) {
    for entry in mischief {
        let rule = &entry.value;
        if !(0.0..=100.0).contains(&rule.chance) {
            mistakes.add(
                entry.at("chance"),
                format!("mischief, chance: expected 0 to 100, found {}", rule.chance),
            );
        }
        if rule.kind == MischiefKind::Exception && rule.role.is_none() {
            mistakes.add(
                entry.at("kind"),
                "mischief, exception: expected a role beside it, found none".to_owned(),
            );
        }
    }
}

pub(crate) fn check_expects(expects: &[Entry<'_, Expect>], mistakes: &mut Mistakes<'_>) {
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
        for (key, ids) in [("roots", &entry.value.roots), ("also", &entry.value.also)] {
            for id in ids.iter().filter(|id| !is_class(id)) {
                mistakes.add(
                    entry.at(key),
                    format!("expect, {key}: expected the id of a class, found \"{id}\""),
                );
            }
        }
    }
}
