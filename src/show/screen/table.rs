//! The numbers of a glance: the pack in a line or two, modules that are alike in one row, and each value
//! beyond a limit of the map marked where it stands, with the limit beside it.

use std::fmt::Write as _;

use packside_profiles::Role;
use packside_profiles::model::{FedBy, Point, Profile};

use super::numbers::{NO_TIME, axis, is_no_time, picture, range, strip_width};
use super::parts::{Colours, counted};
use crate::event::{LinkFacts, LinkKind};
use crate::facts::ReadingQuality::{self, Stale};
use crate::facts::{Doubt, Judgement, Reading};
use crate::judge::TOUCH_LIMIT_V;
use crate::show::paper;
use crate::show::paper::{labelled, wrap};
use crate::words::{current, with_unit};

/// Modules with marks that all have rows of their own; of more, one has.
const ROWS: usize = 2;
/// Packs that all have rows of their own.
const PACKS: usize = 3;

/// Numbers of the unit, or of each pack.
pub(super) fn numbers(
    out: &mut String,
    judgement: &Judgement,
    profile: Option<&Profile>,
    colours: Colours,
) {
    let packs: Vec<u8> = judgement.identity.members.iter().map(|m| m.unit).collect();
    let of = |unit: u8| judgement.readings.iter().filter(move |r| r.unit == unit);
    match packs.as_slice() {
        [] => {}
        [unit] => {
            let of_two = |open: &Doubt| matches!(open, Doubt::TwoUnits { .. });
            let mixed = match judgement.verdict.open.iter().any(of_two) {
                true => "MIXED, OF TWO UNITS: ",
                false => "",
            };
            // A module that a root names stands out, whatever its numbers.
            let roots = judgement.findings.iter().filter(|f| f.is_root_alarm());
            let named: Vec<u16> = roots.filter_map(|f| f.place.module).collect();
            let readings = of(*unit).collect::<Vec<_>>();
            unit_in_full(out, mixed, &readings, &named, (profile, colours));
        }
        _ => rack(out, judgement, &packs, profile, colours),
    }
}

/// A smaller voltage at open terminals is noise of the measurement, V.
// Kind: common practice
const NO_NOISE_V: f64 = 5.0;

/// What a line of numbers says, and its name there.
const SHOWN: [(Role, &str); 7] = [
    (Role::PackVoltage, "pack"),
    (Role::TerminalVoltage, "terminals"),
    (Role::PackCurrent, "current"),
    (Role::Soc, "charge"),
    (Role::Insulation, "insulation"),
    (Role::InverterAge, "inverter heard"),
    (Role::Uptime, "up"),
];

fn unit_in_full(
    out: &mut String,
    mixed: &str,
    readings: &[&Reading],
    named: &[u16],
    (profile, colours): (Option<&Profile>, Colours),
) {
    let is_apart = |module: &&Module<'_>| {
        module.is_apart() || module.position.is_some_and(|n| named.contains(&n))
    };
    line_of_numbers(out, mixed, readings, profile);
    let axis = axis(readings.iter().copied());
    scale(out, axis, profile);
    let modules = modules(readings, profile);
    let (apart, alike): (Vec<&Module<'_>>, Vec<&Module<'_>>) = modules.iter().partition(is_apart);
    let own = match apart.len() {
        // Where it is the same everywhere, one row says so.
        all if all > ROWS && alike.is_empty() => 0,
        many if many > ROWS => 1,
        few => few,
    };
    let (shown, rest) = apart.split_at(own);
    for module in shown {
        row(out, &module.name(), &module.readings, axis);
        marks(out, module, colours);
    }
    if !rest.is_empty() {
        let together = Module::of_all(rest);
        let name = match own {
            0 => format!("{} modules", rest.len()),
            _ => format!("{} more", rest.len()),
        };
        row(out, &name, &together.readings, axis);
        marks(out, &together, colours);
    }
    let name = match (alike.as_slice(), apart.is_empty()) {
        ([], _) => return,
        ([one], _) => one.name(),
        (more, true) => format!("{} modules", more.len()),
        (more, false) => format!("other {}", more.len()),
    };
    let together: Vec<&Reading> = alike
        .iter()
        .flat_map(|m| m.readings.iter().copied())
        .collect();
    row(out, &name, &together, axis);
}

/// The numbers of the whole unit, in a line or two.
fn line_of_numbers(
    out: &mut String,
    mixed: &str,
    readings: &[&Reading],
    profile: Option<&Profile>,
) {
    let of = |role: Role| readings.iter().copied().find(|r| r.role == role);
    // Where any question counts, ours do.
    let fed_by_us = profile.is_some_and(|profile| {
        matches!(
            profile.inverter.fed_by,
            FedBy::AnyRequest | FedBy::ReadsOf | FedBy::Unknown
        )
    });
    let pack = of(Role::PackVoltage).and_then(|r| r.number());
    // Behind open switches a small voltage is no proof that nothing is there.
    let not_dead = |r: &Reading| {
        let far = |volts: f64| pack.is_some_and(|pack| volts.abs() < pack / 2.0);
        let volts = r
            .number()
            .filter(|volts| (NO_NOISE_V..TOUCH_LIMIT_V).contains(&volts.abs()) && far(*volts));
        r.role == Role::TerminalVoltage && volts.is_some()
    };
    let shown = SHOWN
        .iter()
        .filter_map(|(role, name)| match (role, fed_by_us) {
            (Role::InverterAge, true) => Some(("inverter, or our questions, heard", of(*role)?)),
            _ => Some((*name, of(*role)?)),
        });
    let shown: Vec<(&str, &Reading)> = shown.collect();
    let mut numbers = shown.iter().filter(|(_, r)| r.any_number().is_some());
    let is_old = numbers.clone().count() > 1 && numbers.all(|(_, r)| r.quality == Stale);
    let parts: Vec<String> = shown
        .iter()
        .map(|(name, reading)| {
            let dead = match not_dead(reading) {
                true => " (not dead)",
                false => "",
            };
            format!("{name} {}{dead}", value(reading, profile, !is_old))
        })
        .collect();
    if !parts.is_empty() {
        let old = if is_old { "ALL OLD: " } else { "" };
        labelled(
            out,
            "Numbers",
            &format!("{mixed}{old}{}", parts.join(" · ")),
        );
    }
}

/// A row for each pack that stands out, one for the others.
fn rack(
    out: &mut String,
    judgement: &Judgement,
    packs: &[u8],
    profile: Option<&Profile>,
    colours: Colours,
) {
    let axis = axis(judgement.readings.iter());
    let few = packs.len() <= PACKS;
    let mut left = Vec::new();
    for unit in packs {
        let mine: Vec<&Reading> = judgement
            .readings
            .iter()
            .filter(|r| r.unit == *unit)
            .collect();
        let modules = modules(&mine, profile);
        let apart = modules.iter().any(Module::is_apart) || mine.is_empty();
        if !(few || apart) {
            left.extend(mine);
            continue;
        }
        let of = |role: Role| {
            mine.iter()
                .find(|r| r.role == role)
                .map(|r| value(r, profile, true))
        };
        let numbers = [Role::PackVoltage, Role::PackCurrent, Role::Soc]
            .into_iter()
            .filter_map(of);
        let numbers: Vec<String> = numbers.collect();
        let numbers = if numbers.is_empty() {
            "no values".to_owned()
        } else {
            numbers.join(" · ")
        };
        labelled(out, &format!("address {unit}"), &numbers);
        if mine.iter().any(|r| r.role == Role::CellVoltage) {
            row(out, &format!("  {}", cells_of(profile)), &mine, axis);
        }
        modules
            .iter()
            .for_each(|module| marks(out, module, colours));
    }
    if !left.is_empty() {
        row(out, "others", &left, axis);
    }
}

/// A value for people, marked where it is beyond a limit and where it is old, or why there is none.
fn value(reading: &Reading, profile: Option<&Profile>, mark_old: bool) -> String {
    let Some(number) = reading.any_number() else {
        return match reading.quality {
            ReadingQuality::NotAvailable if reading.role == Role::InverterAge => "never".to_owned(),
            ReadingQuality::NeverAsked => "not read".to_owned(),
            quality => quality.id().replace('-', " "),
        };
    };
    let point = profile.and_then(|profile| profile.points.get(reading.point_index.0));
    if point.is_some_and(|point| is_no_time(reading, point)) {
        return NO_TIME.to_owned();
    }
    let shown = match reading.role {
        Role::PackCurrent => current(number, &reading.value_unit, point.and_then(|p| p.positive)),
        _ => in_digits(number, reading),
    };
    let old = if mark_old && reading.quality == Stale {
        " (old)"
    } else {
        ""
    };
    match beyond(reading, profile) {
        Some(limit) => format!("! {shown} (limit {}){old}", in_digits(limit, reading)),
        None if reading.role == Role::InverterAge => format!("{shown} ago{old}"),
        None => format!("{shown}{old}"),
    }
}

/// A number of a reading in as many digits as people want to read.
fn in_digits(number: f64, reading: &Reading) -> String {
    match reading.role {
        Role::PackVoltage | Role::TerminalVoltage | Role::ModuleVoltage => format!("{number:.1} V"),
        Role::Uptime | Role::InverterAge if number < 120.0 => format!("{number:.0} s"),
        Role::Uptime | Role::InverterAge if number < 7_200.0 => format!("{:.0} min", number / 60.0),
        Role::Uptime | Role::InverterAge if number < 172_800.0 => {
            format!("{:.0} h", number / 3_600.0)
        }
        Role::Uptime | Role::InverterAge => format!("{:.0} days", number / 86_400.0),
        _ => with_unit(number, &reading.value_unit),
    }
}

/// The limit of the map that a value breaks, the alarm before the warning.
fn beyond(reading: &Reading, profile: Option<&Profile>) -> Option<f64> {
    let number = reading.any_number()?;
    let point: &Point = profile?.points.get(reading.point_index.0)?;
    let limits = &point.limits;
    let below = |limit: Option<f64>| limit.filter(|limit| number < *limit);
    let above = |limit: Option<f64>| limit.filter(|limit| number > *limit);
    below(limits.alarm_below)
        .or_else(|| above(limits.alarm_above))
        .or_else(|| below(limits.warn_below))
        .or_else(|| above(limits.warn_above))
}

/// What was read of one module.
struct Module<'a> {
    position: Option<u16>,
    readings: Vec<&'a Reading>,
    /// Values beyond a limit, and the limit.
    beyond: Vec<(&'a Reading, f64)>,
    unreadable: usize,
}

impl<'a> Module<'a> {
    /// Several as if they were one.
    fn of_all(modules: &[&Module<'a>]) -> Self {
        Self {
            position: None,
            readings: modules
                .iter()
                .flat_map(|m| m.readings.iter().copied())
                .collect(),
            beyond: modules
                .iter()
                .flat_map(|m| m.beyond.iter().copied())
                .collect(),
            unreadable: modules.iter().map(|m| m.unreadable).sum(),
        }
    }

    fn name(&self) -> String {
        self.position.map_or_else(
            || "cells".to_owned(),
            |position| format!("module {position}"),
        )
    }

    fn is_apart(&self) -> bool {
        !self.beyond.is_empty() || self.unreadable > 0
    }
}

fn modules<'a>(readings: &[&'a Reading], profile: Option<&Profile>) -> Vec<Module<'a>> {
    let is_of_module = |r: &Reading| {
        matches!(
            r.role,
            Role::CellVoltage | Role::CellTemperature | Role::ModuleVoltage
        )
    };
    let mut modules: Vec<Module<'a>> = Vec::new();
    for reading in readings.iter().copied().filter(|r| is_of_module(r)) {
        let position = reading.place.module;
        let index = modules
            .iter()
            .position(|module| module.position == position);
        let index = index.unwrap_or_else(|| {
            modules.push(Module {
                position,
                readings: Vec::new(),
                beyond: Vec::new(),
                unreadable: 0,
            });
            modules.len() - 1
        });
        let Some(module) = modules.get_mut(index) else {
            continue;
        };
        module.readings.push(reading);
        module
            .beyond
            .extend(beyond(reading, profile).map(|limit| (reading, limit)));
        let readable = matches!(reading.quality, ReadingQuality::Good | Stale);
        module.unreadable += usize::from(!readable);
    }
    modules
}

/// What the columns are, and what the picture reaches from and to.
fn scale(out: &mut String, axis: Option<(f64, f64)>, profile: Option<&Profile>) {
    let Some((low, high)) = axis else { return };
    let room = strip_width().saturating_sub(10);
    if room > 4 {
        let cells = cells_of(profile);
        let _ = writeln!(out, "{cells:34}{low:.3}{:room$}{high:.3}", "");
    }
}

/// Which cells the map says these are: on that depends which voltage is too high.
fn cells_of(profile: Option<&Profile>) -> String {
    let chemistry = profile.map(|profile| profile.unit.chemistry.clean());
    chemistry.map_or_else(String::new, |chemistry| format!("{chemistry:.12} cells"))
}

/// One row: volts, range of the cells, picture, temperatures.
fn row(out: &mut String, name: &str, readings: &[&Reading], axis: Option<(f64, f64)>) {
    let of = |role: Role| -> Vec<f64> {
        let mine = readings.iter().filter(|r| r.role == role);
        mine.filter_map(|r| r.any_number()).collect()
    };
    let cells = of(Role::CellVoltage);
    let volts = match of(Role::ModuleVoltage).as_slice() {
        [one] => with_unit(*one, "V"),
        _ => String::new(),
    };
    let picture = axis.map_or_else(String::new, |axis| picture(&cells, axis));
    let is_old = |r: &&Reading| r.role == Role::CellVoltage && r.quality == Stale;
    let old = if readings.iter().copied().any(|r| is_old(&r)) {
        "  old"
    } else {
        ""
    };
    let warm = of(Role::CellTemperature);
    let warm = if warm.is_empty() {
        String::new()
    } else {
        range(&warm, "°C", 0)
    };
    let line = format!(
        "{name:<10}{volts:>7}  {:<14} {picture}  {warm}{old}",
        range(&cells, "V", 3)
    );
    paper::row(out, &line);
}

/// What is beyond a limit in a module, in a line below its row: the worst value, and how many more.
fn marks(out: &mut String, module: &Module<'_>, colours: Colours) {
    for (role, one, many) in [
        (Role::CellVoltage, "cell", "cells"),
        (Role::CellTemperature, "sensor", "sensors"),
        (Role::ModuleVoltage, "its voltage", "voltages"),
    ] {
        let of_role = module
            .beyond
            .iter()
            .filter(|(reading, _)| reading.role == role);
        let worst = of_role
            .clone()
            .max_by(|a, b| excess(a).total_cmp(&excess(b)));
        let Some((reading, limit)) = worst else {
            continue;
        };
        let number = reading.any_number().unwrap_or_default();
        let (number, limit) = (in_digits(number, reading), in_digits(*limit, reading));
        let mut item = reading
            .place
            .item
            .map_or_else(|| one.to_owned(), |item| format!("{one} {item}"));
        if let (None, Some(position)) = (module.position, reading.place.module) {
            item = format!("module {position}, {item}");
        }
        let text = match of_role.count() {
            1 => format!("! {item}: {number} (limit {limit})"),
            count => format!("! {count} {many}, worst {item}: {number} (limit {limit})"),
        };
        mark(out, &text, colours);
    }
    if module.unreadable > 0 {
        let values = counted(module.unreadable as u64, "value");
        let text = format!("! {values} cannot be read");
        mark(out, &text, colours);
    }
}

fn mark(out: &mut String, text: &str, colours: Colours) {
    let mut lines = String::new();
    wrap(&mut lines, text, "          ", "            ");
    for line in lines.lines() {
        let _ = writeln!(out, "{}", colours.beyond(line));
    }
}

/// How far a value is beyond its limit.
fn excess((reading, limit): &(&Reading, f64)) -> f64 {
    (reading.any_number().unwrap_or_default() - limit).abs()
}

/// How the line did, at which settings, and where the map has others.
pub(super) fn line(
    out: &mut String,
    judgement: &Judgement,
    profile: Option<&Profile>,
    link: Option<&LinkFacts>,
) {
    let bus = &judgement.bus;
    let exceptions: u32 = bus.exceptions.iter().map(|(_, n)| n).sum();
    let mut parts = Vec::new();
    if bus.requests > 0 {
        parts.push(format!(
            "{} of {} answered",
            bus.answered + exceptions,
            bus.requests
        ));
    }
    if exceptions > 0 {
        parts.push(format!("{exceptions} refused"));
    }
    for (count, name) in [(bus.damaged, "damaged"), (bus.late, "late")] {
        if count > 0 {
            parts.push(format!("{count} {name}"));
        }
    }
    parts.extend(
        bus.answer_p50
            .map(|p50| format!("{:.0} ms", p50.as_secs_f64() * 1e3)),
    );
    if bus.foreign_requests > 0 {
        let times = counted(bus.foreign_requests as u64, "time");
        parts.push(format!("others asked {times}"));
    }
    let settings = link.and_then(|link| match &link.kind {
        LinkKind::Serial { line, .. } => Some(*line),
        LinkKind::Simulated { line, .. } => *line,
        LinkKind::Gateway { .. } => None,
    });
    match (settings, profile.map(|profile| profile.answering.line)) {
        (Some(line), Some(map)) if line != map => {
            parts.push(format!("{line}, but the map says {map}"));
        }
        (Some(line), _) => parts.push(line.to_string()),
        (None, _) => {}
    }
    if !parts.is_empty() {
        labelled(out, "Line", &parts.join(" · "));
    }
}
