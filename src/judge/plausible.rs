//! Readings against each other where no limit is broken: wires, signs, charge, sister modules.
//!
//! Input: readings of one member at one moment, and how they came. Output: findings with the number
//! that decided, and doubts. Does not: test limits (see `measure`) or sums (see `adds_up`).

use std::ops::RangeInclusive;
use std::time::Duration;

use packside_profiles::model::{LiesIn, Profile, Severity};
use packside_profiles::{Class, Place, Quality, Role, StateKind};

use super::beside::BETWEEN;
use super::measure::{finding, first, with_unit};
use super::notices::notice;
use super::resistance::{fit, step_seen};
use crate::evidence::samples::{MemberEvidence, Sample, Seen, number};
use crate::facts::doubt::{Doubt, DoubtKind};
use crate::facts::judgement::{Finding, Reading};

/// A broken sense wire leaves the sum of its two cells as it was, to within this, V per pair.
// Kind: derived (two cells of the flat part of the curve differ by less at rest)
const PAIR_TOLERANCE_V: f64 = 0.06;
/// Sister modules further apart than this in charge want a look, % points.
// Kind: common practice
const UNLIKE_CHARGE: f64 = 10.0;
/// No cell warms or cools faster than this between two looks that are close together, K.
// Kind: common practice (cells change by less than a degree a minute)
const JUMP_K: f64 = 10.0;
/// Two looks this close count as close together.
const CLOSE: Duration = Duration::from_secs(30);

/// What does not fit together.
#[derive(Debug, Clone, Default)]
pub(crate) struct Plausible {
    pub(crate) findings: Vec<Finding>,
    pub(crate) doubts: Vec<Doubt>,
    /// Cells were compared under a step of the current.
    pub(crate) under_load: bool,
    /// The state of charge was compared with the cells at rest.
    pub(crate) charge_compared: bool,
}

impl Plausible {
    /// A finding that lies in a connection: a wire, a connector, a place.
    fn at_connection(
        &mut self,
        class: Class,
        severity: Severity,
        (unit, place): (u8, Place),
        text: String,
    ) {
        let mut found = finding(class, severity, unit, place, text);
        found.lies_in = LiesIn::Connection;
        self.findings.push(found);
    }
}

/// Looks at one member; `at_rest` is whether no current worth speaking of flows and nothing balances.
pub(crate) fn look(
    readings: &[Reading],
    evidence: &MemberEvidence,
    profile: &Profile,
    at_rest: bool,
) -> Plausible {
    let mut seen = Plausible::default();
    sense_wires(&mut seen, readings, profile);
    resistance(&mut seen, evidence, profile);
    current_while_open(&mut seen, readings, profile);
    charge_against_voltage(&mut seen, readings, profile, at_rest);
    unlike_modules(&mut seen, readings);
    jumps(&mut seen, evidence, profile);
    unjudged_insulation(&mut seen, readings, profile);
    contacts_against_state(&mut seen, evidence, profile);
    positions(&mut seen, readings);
    lone_sensors(&mut seen, readings);
    seen
}

/// A cell that gives way under a step of the current, far more than its sisters do.
fn resistance(seen: &mut Plausible, evidence: &MemberEvidence, profile: &Profile) {
    let Some(step) = step_seen(evidence, profile) else {
        return;
    };
    let Ok(fitted) = fit(&step) else {
        return;
    };
    seen.under_load = true;
    let Some(cell) = fitted.outlier else {
        return;
    };
    let name = |place: Place| match (place.module, place.item) {
        (Some(module), Some(item)) => format!("cell {item} of module {module}"),
        (_, item) => format!("cell {}", item.unwrap_or_default()),
    };
    let text = format!(
        "{} has {:.1} mOhm (give or take {:.1}), its sisters {:.1}: from {:.1} to {:.1} A it moved that much more",
        name(cell.place),
        cell.milliohm,
        cell.uncertainty,
        fitted.median,
        step.before,
        step.under_load,
    );
    // A remark: cells and current of one answer need not have been measured at one moment inside the unit.
    let found = finding(
        Class::CellResistance,
        Severity::Warning,
        evidence.unit,
        cell.place,
        text,
    );
    seen.findings.push(found);
}

/// A sensor that stands alone against sisters that agree: itself, or a hot spot right there.
fn lone_sensors(seen: &mut Plausible, readings: &[Reading]) {
    let sensors = || readings.iter().filter(|r| r.role == Role::CellTemperature);
    for one in sensors() {
        let Some(celsius) = one.number() else {
            continue;
        };
        let sisters: Vec<f64> = sensors()
            .filter(|r| r.place.module == one.place.module && r.name != one.name)
            .filter_map(Reading::number)
            .collect();
        let low_sister = sisters.iter().copied().fold(f64::INFINITY, f64::min);
        let high = sisters.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let away = (low_sister - celsius).max(celsius - high);
        if sisters.len() < 3 || high - low_sister > AGREE_K || away < ALONE_K {
            continue;
        }
        if let Some(low) = low_cell(readings, one.place.module).filter(|_| celsius > high) {
            let text = format!(
                "{} = {} while the {} others of its module agree on {} to {}, and {low}: a cell that heats from inside; \
                 keep away",
                one.name,
                with_unit(celsius, "degC"),
                sisters.len(),
                with_unit(low_sister, "degC"),
                with_unit(high, "degC"),
            );
            let mut found = finding(
                Class::OverTemperature,
                Severity::Alarm,
                one.unit,
                one.place,
                text,
            );
            found.lies_in = LiesIn::Module;
            seen.findings.push(found);
            continue;
        }
        let text = format!(
            "{} = {} while the {} others of its module agree on {} to {}: a sensor that stands still or sits loose, or a \
             spot of its own",
            one.name,
            with_unit(celsius, "degC"),
            sisters.len(),
            with_unit(low_sister, "degC"),
            with_unit(high, "degC"),
        );
        seen.at_connection(
            Class::SensorFault,
            Severity::Alarm,
            (one.unit, one.place),
            text,
        );
    }
}

/// The lowest cell of a module, in words, where it is far below the middle of all cells.
fn low_cell(readings: &[Reading], module: Option<u16>) -> Option<String> {
    let cells = || readings.iter().filter(|r| r.role == Role::CellVoltage);
    let mut volts: Vec<f64> = cells().filter_map(Reading::number).collect();
    volts.sort_by(f64::total_cmp);
    let usual = volts.get(volts.len() / 2)?;
    let mine = cells().filter(|r| r.place.module == module);
    let lowest = mine
        .filter_map(|r| Some((r, r.number()?)))
        .min_by(|a, b| a.1.total_cmp(&b.1))?;
    (lowest.1 < usual - LOW_V).then(|| {
        format!(
            "{} = {} where others have {}",
            lowest.0.name,
            with_unit(lowest.1, "V"),
            with_unit(*usual, "V")
        )
    })
}

/// A cell so far below the middle of all is low whatever the current, V.
// Kind: invented
const LOW_V: f64 = 0.1;

/// Sisters agree within this, and a lone sensor is this far from the nearest of them, K.
// Kind: common practice
const AGREE_K: f64 = 6.0;
const ALONE_K: f64 = 10.0;

/// A unit that has just decided to open takes up to this long until its switches are open.
// Kind: common practice (contactors move within a tenth of a second, control units in cycles of up to one)
const MOVING: Duration = Duration::from_secs(1);

/// Switches that contradict the state, in the last answers that carry both: a single one may have caught
/// them on their way.
fn contacts_against_state(seen: &mut Plausible, evidence: &MemberEvidence, profile: &Profile) {
    let of = |role| {
        evidence
            .each(profile)
            .find(|(_, point, _)| point.role == role)
    };
    let (Some((_, state_point, states)), Some((instance, _, switches))) =
        (of(Role::State), of(Role::Switches))
    else {
        return;
    };
    let closed = profile.unit.switches_closed;
    let state_at = |at: Duration| {
        let raw = raw_at(states, at)?;
        state_point.values.iter().find(|v| v.is == raw)
    };
    let wrong = |at: Duration| {
        let (state, raw) = (state_at(at)?, raw_at(switches, at)? & closed);
        let contradicts = match state.state? {
            StateKind::Standby | StateKind::Running => raw != closed,
            StateKind::Waiting | StateKind::Fault | StateKind::SelfTest | StateKind::Off => {
                raw != 0
            }
            _ => false,
        };
        Some((contradicts, state.name.clean().into_owned(), raw))
    };
    let both: Vec<(Duration, (bool, String, u64))> = switches
        .iter()
        .filter_map(|s| Some((s.at, wrong(s.at)?)))
        .collect();
    let run = both.iter().rev().take_while(|(_, (wrong, ..))| *wrong);
    let count = run.clone().count();
    let (Some((last, (_, name, raw))), Some((first, _))) = (run.clone().next(), run.last()) else {
        return;
    };
    // Where it came up in this very look they may still be on their way.
    let came_up = count < both.len();
    if count < 2 || (came_up && last.saturating_sub(*first) < MOVING) {
        return;
    }
    let (how, short) = match *raw {
        all if all == closed => (
            "all switches read closed and should be open: welded, or their contacts say so",
            "all read closed and should be open",
        ),
        0 => (
            "all switches read open and should be closed: they do not close, or their contacts say so",
            "all read open and should be closed",
        ),
        _ => (
            "one switch reads otherwise than it should: it sticks, or its contact says so",
            "one reads otherwise than it should",
        ),
    };
    let text = format!(
        "{how}, in {count} answers ({} = 0x{raw:04x}, state {name})",
        instance.name
    );
    let mut found = finding(
        Class::SwitchFault,
        Severity::Alarm,
        evidence.unit,
        instance.place,
        text,
    );
    found.deciding = Some(short.to_owned());
    seen.findings.push(found);
}

/// The raw value out of the answer that was complete at this moment.
fn raw_at(samples: &[Sample], at: Duration) -> Option<u64> {
    samples
        .iter()
        .find(|s| s.at == at)
        .and_then(|s| match &s.what {
            Seen::Decoded(decoded) if decoded.quality == Quality::Good => Some(decoded.raw),
            _ => None,
        })
}

/// Modules that say that they stand elsewhere.
fn positions(seen: &mut Plausible, readings: &[Reading]) {
    for reading in readings.iter().filter(|r| r.role == Role::ModulePosition) {
        let (Some(said), Some(place)) = (reading.number(), reading.place.module) else {
            continue;
        };
        if said < 1.0 || (said - f64::from(place)).abs() < 0.5 {
            continue;
        }
        let text = format!(
            "{} = {said:.0}: the module at place {place} says that it stands elsewhere",
            reading.name
        );
        seen.at_connection(
            Class::ConfigurationFault,
            Severity::Alarm,
            (reading.unit, reading.place),
            text,
        );
    }
}

/// A low cell beside a high one whose sum is that of any two cells: the wire between them is broken.
fn sense_wires(seen: &mut Plausible, readings: &[Reading], profile: &Profile) {
    let spread = profile
        .points
        .iter()
        .filter(|p| p.role == Role::CellVoltage)
        .find_map(|p| p.limits.spread);
    let Some(spread) = spread else { return };
    let cells: Vec<(&Reading, f64)> = readings
        .iter()
        .filter(|r| r.role == Role::CellVoltage)
        .filter_map(|r| Some((r, r.number()?)))
        .collect();
    let mut volts: Vec<f64> = cells.iter().map(|(_, v)| *v).collect();
    volts.sort_by(f64::total_cmp);
    let Some(usual) = volts
        .get(volts.len() / 2)
        .copied()
        .filter(|_| volts.len() >= 4)
    else {
        return;
    };
    for ((one, a), (other, b)) in cells.iter().zip(cells.iter().skip(1)) {
        let neighbours = one.place.module == other.place.module;
        let opposite = (a - usual).signum() != (b - usual).signum();
        let far = (a - usual).abs() > spread && (b - usual).abs() > spread;
        let same_sum = (a + b - 2.0 * usual).abs() <= PAIR_TOLERANCE_V;
        if !(neighbours && opposite && far && same_sum) {
            continue;
        }
        let text = format!(
            "{} = {} beside {} = {}: together they are as two others ({}), {BETWEEN}, not a cell",
            one.name,
            with_unit(*a, "V"),
            other.name,
            with_unit(*b, "V"),
            with_unit(a + b, "V"),
        );
        seen.at_connection(
            Class::SensorFault,
            Severity::Alarm,
            (one.unit, one.place),
            text,
        );
    }
}

/// Current although every switch is reported open, both out of one answer.
fn current_while_open(seen: &mut Plausible, readings: &[Reading], profile: &Profile) {
    let of = |role| readings.iter().find(|r| r.role == role);
    let (Some(switches), Some(current)) = (of(Role::Switches), of(Role::PackCurrent)) else {
        return;
    };
    let open = switches
        .raw
        .is_some_and(|raw| raw & profile.unit.switches_closed == 0);
    let Some(amps) = current.number().filter(|amps| {
        open && switches.age == current.age && amps.abs() > 2.0 * profile.unit.rest_current
    }) else {
        return;
    };
    let text = format!(
        "{} = {} although every switch is reported open: a current sensor off its zero, or a switch that does not open",
        current.name,
        with_unit(amps, "A"),
    );
    seen.doubts
        .push(DoubtKind::CurrentWhileOpen.says(text.clone()));
    let mut found = finding(
        Class::SensorFault,
        Severity::Warning,
        current.unit,
        current.place,
        text,
    );
    found.root = true;
    found.lies_in = LiesIn::Unknown;
    seen.findings.push(found);
}

/// Within these voltages at rest the LFP curve tells nothing about the charge, V.
// Kind: common practice
pub(super) const FLAT: RangeInclusive<f64> = 3.15..=3.45;

/// State of charge against the voltage at rest, only where the curve is steep.
///
/// LFP at rest: below 3.0 V a cell is nearly empty, at 3.15 V it has less than a quarter, above 3.45 V it is
/// nearly full.
// Kind: common practice; the simulator's published curve has 2.98 V at 10 %, 3.17 V at 20 % and 3.31 V at 90 %
fn charge_against_voltage(
    seen: &mut Plausible,
    readings: &[Reading],
    profile: &Profile,
    at_rest: bool,
) {
    let Some(soc) =
        first(readings, Role::Soc).filter(|_| at_rest && profile.unit.chemistry == "LFP")
    else {
        return;
    };
    let cells: Vec<f64> = readings
        .iter()
        .filter(|r| r.role == Role::CellVoltage)
        .filter_map(Reading::number)
        .collect();
    if cells.is_empty() {
        return;
    }
    let mean = cells.iter().sum::<f64>() / cells.len() as f64;
    seen.charge_compared = !FLAT.contains(&mean);
    let wrong = (mean < 3.0 && soc > 25.0)
        || (mean < *FLAT.start() && soc > 40.0)
        || (mean > *FLAT.end() && soc < 85.0);
    if wrong {
        let unit = readings.first().map_or(0, |r| r.unit);
        let text = format!(
            "at rest the cells have {} in the mean, which does not fit a state of charge of {soc:.0} %: the counter has \
             drifted",
            with_unit(mean, "V")
        );
        let mut found = notice("charge-against-voltage", unit, &text);
        found.severity = Severity::Warning;
        seen.findings.push(found);
    }
}

/// Modules of one pack whose states of charge are far apart.
fn unlike_modules(seen: &mut Plausible, readings: &[Reading]) {
    let charges = || {
        readings
            .iter()
            .filter(|r| r.role == Role::ModuleSoc)
            .filter_map(|r| Some((r.number()?, r)))
    };
    let low = charges().min_by(|a, b| a.0.total_cmp(&b.0));
    let high = charges().max_by(|a, b| a.0.total_cmp(&b.0));
    let (Some((low, low_at)), Some((high, high_at))) = (low, high) else {
        return;
    };
    if high - low > UNLIKE_CHARGE {
        let text = format!(
            "{} = {low:.0} % and {} = {high:.0} %: sister modules are {:.0} points apart, more than {UNLIKE_CHARGE:.0}",
            low_at.name,
            high_at.name,
            high - low
        );
        let mut found = notice("modules-unlike-charge", low_at.unit, &text);
        found.severity = Severity::Warning;
        found.place = low_at.place;
        "compare with the voltages at rest; ask the maker before they are charged together"
            .clone_into(&mut found.to_do);
        seen.findings.push(found);
    }
}

/// Temperatures that jump between two looks: a connector, not a temperature.
fn jumps(seen: &mut Plausible, evidence: &MemberEvidence, profile: &Profile) {
    for (instance, point, samples) in evidence.each(profile) {
        if point.role != Role::CellTemperature {
            continue;
        }
        let good: Vec<(Duration, f64)> = samples
            .iter()
            .filter_map(|s| Some((s.at, number(s)?)))
            .collect();
        let jump = good
            .iter()
            .zip(good.iter().skip(1))
            .find(|(before, after)| {
                after.0.saturating_sub(before.0) <= CLOSE && (after.1 - before.1).abs() > JUMP_K
            });
        let Some((before, after)) = jump else {
            continue;
        };
        let text = format!(
            "{} went from {} to {} within {:.1} s: a sensor or its connector, not a temperature",
            instance.name,
            with_unit(before.1, "degC"),
            with_unit(after.1, "degC"),
            after.0.saturating_sub(before.0).as_secs_f64()
        );
        seen.at_connection(
            Class::SensorFault,
            Severity::Warning,
            (evidence.unit, instance.place),
            text,
        );
    }
}

/// Insulation without a limit in the profile is shown beside the vehicle rules, never judged.
// Kind:   published
// Source: UN R100: 100 ohm per volt for DC buses, 500 ohm per volt combined with AC (as reprinted)
fn unjudged_insulation(seen: &mut Plausible, readings: &[Reading], profile: &Profile) {
    let has_limit = |reading: &Reading| {
        let point = profile.points.iter().find(|p| p.id == reading.point);
        point.is_some_and(|p| p.limits.alarm_below.is_some())
    };
    let Some(reading) = readings.iter().find(|r| r.role == Role::Insulation) else {
        return;
    };
    let volts = first(readings, Role::PackVoltage).filter(|volts| *volts > 1.0);
    let (Some(kohm), Some(volts)) = (reading.number().filter(|_| !has_limit(reading)), volts)
    else {
        return;
    };
    let text = format!(
        "{} = {kohm:.0} kOhm at {}, {:.0} ohm per volt (for comparison: 100 and 500 in vehicle rules); the profile has \
         no limit, so it is not judged",
        reading.name,
        with_unit(volts, "V"),
        kohm * 1000.0 / volts
    );
    seen.findings
        .push(notice("insulation-not-judged", reading.unit, &text));
}
