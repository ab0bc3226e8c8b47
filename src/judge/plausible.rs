//! Readings against each other where no limit is broken: wires, signs, charge, sister modules.
//!
//! Input: readings of one member at one moment, and how they came. Output: findings with the number
//! that decided, and doubts. Does not: test limits (see `measure`) or sums (see `adds_up`).

use packside_profiles::model::{LiesIn, Profile, Severity};
use packside_profiles::{Class, Foreign, Place, Role, Value};

use super::notices::notice;
use super::precharge;
use super::resistance::{fit, step_seen};
use super::shared::{FLAT, finding, first};
use crate::evidence::spell::Spell;
use crate::evidence::stamp::Stamp;
use crate::evidence::unit::UnitMemory;
use crate::facts::doubt::Doubt;
use crate::facts::fact::{Compared, Contradicts, Deed, Fact, Measured, PointIndex, Remark, Spot};
use crate::facts::judgement::{Certainty, Finding, Reading};
use crate::statistics::median;

/// A broken sense wire leaves the sum of its two cells as it was, to within this, V per pair.
// Kind: derived (two cells of the flat part of the curve differ by less at rest)
const PAIR_TOLERANCE_V: f64 = 0.06;
/// Sister modules further apart than this in charge want a look, % points.
// Kind: common practice
const UNLIKE_CHARGE: f64 = 10.0;
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
        fact: impl Into<Fact>,
    ) {
        let mut found = finding(class, severity, unit, place, fact);
        found.lies_in = LiesIn::Connection;
        self.findings.push(found);
    }
}

/// Looks at one member; `at_rest` is whether no current worth speaking of flows and nothing balances.
pub(crate) fn look(
    readings: &[Reading],
    evidence: &UnitMemory,
    profile: &Profile,
    at_rest: bool,
    now: Stamp,
) -> Plausible {
    let mut seen = Plausible::default();
    sense_wires(&mut seen, readings, profile);
    resistance(&mut seen, evidence, profile);
    current_while_open(&mut seen, readings, (evidence, now), profile);
    charge_against_voltage(&mut seen, readings, profile, at_rest);
    unlike_modules(&mut seen, readings);
    heat(&mut seen, evidence, profile);
    unjudged_insulation(&mut seen, readings, profile);
    contacts_against_state(&mut seen, evidence, profile);
    positions(&mut seen, readings);
    lone_sensors(&mut seen, readings);
    unlike_firmware(&mut seen, readings);
    dropped(&mut seen, evidence, now);
    if let Some((found, doubt)) = precharge::too_long(evidence, profile) {
        seen.findings.push(found);
        seen.doubts.extend(doubt);
    }
    seen
}

/// A cell that gives way under a step of the current, far more than its sisters do.
fn resistance(seen: &mut Plausible, evidence: &UnitMemory, profile: &Profile) {
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
    let fact = Compared::CellResists {
        place: cell.place,
        milliohm: cell.milliohm,
        uncertainty: cell.uncertainty,
        median: fitted.median,
        before: step.before,
        under_load: step.under_load,
    };
    // A remark: cells and current of one answer need not have been measured at one moment inside the unit.
    let found = finding(
        Class::CellResistance,
        Severity::Warning,
        evidence.unit,
        cell.place,
        fact,
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
        let (at, others, low) = (one.spot(), sisters.len(), low_sister);
        if let Some(cell) = low_cell(readings, one.place.module).filter(|_| celsius > high) {
            let fact = Compared::HotFromInside {
                at,
                celsius,
                others,
                low,
                high,
                cell: cell.at,
                volts: cell.volts,
                usual: cell.usual,
            };
            let mut found = finding(
                Class::OverTemperature,
                Severity::Alarm,
                one.unit,
                one.place,
                fact,
            );
            found.lies_in = LiesIn::Module;
            found.sure = Certainty::Likely;
            seen.findings.push(found);
            continue;
        }
        let fact = Compared::LoneSensor {
            at,
            celsius,
            others,
            low,
            high,
        };
        seen.at_connection(
            Class::SensorFault,
            Severity::Alarm,
            (one.unit, one.place),
            fact,
        );
    }
}

/// A cell far below the others.
struct LowCell {
    at: Spot,
    volts: f64,
    usual: f64,
}

/// The lowest cell of a module, where it is far below the middle of all cells.
fn low_cell(readings: &[Reading], module: Option<u16>) -> Option<LowCell> {
    let cells = || readings.iter().filter(|r| r.role == Role::CellVoltage);
    let usual = median(
        cells().filter_map(Reading::number).collect(),
        f64::total_cmp,
    )?;
    let mine = cells().filter(|r| r.place.module == module);
    let lowest = mine
        .filter_map(|r| Some((r, r.number()?)))
        .min_by(|a, b| a.1.total_cmp(&b.1))?;
    (lowest.1 < usual - LOW_V).then(|| LowCell {
        at: lowest.0.spot(),
        volts: lowest.1,
        usual,
    })
}

/// A cell so far below the middle of all is low whatever the current, V.
// Kind: invented
const LOW_V: f64 = 0.1;

/// Sisters agree within this, and a lone sensor is this far from the nearest of them, K.
// Kind: common practice
const AGREE_K: f64 = 6.0;
const ALONE_K: f64 = 10.0;

/// Switches that contradict the state, in the last answers that carry both: a single one may have caught
/// them on their way.
fn contacts_against_state(seen: &mut Plausible, evidence: &UnitMemory, profile: &Profile) {
    let of = |role| {
        let mut all = evidence.each(profile);
        Some(all.find(|(_, point, _)| point.role == role)?.0)
    };
    let (Some(state_instance), Some(instance)) = (of(Role::State), of(Role::Switches)) else {
        return;
    };
    let contacts = &evidence.contacts;
    let (count, raw) = (contacts.run, contacts.raw);
    let closed = profile.unit.switches_closed;
    if !contacts.is_certain() {
        return;
    }
    let states = profile.points.get(state_instance.point);
    let states = states.map_or(&[][..], |point| point.values.as_slice());
    let state = states.iter().find(|state| state.is == contacts.state);
    let wants_closed = state.and_then(|state| profile.unit.wants_closed(state.state?));
    let how = match raw {
        all if all == closed => Contradicts::AllClosed,
        0 => Contradicts::AllOpen,
        _ if wants_closed == Some(true) => Contradicts::OneOpen,
        _ => Contradicts::OneClosed,
    };
    let fact = Compared::SwitchesAgainstState {
        how,
        answers: usize::try_from(count).unwrap_or(usize::MAX),
        at: Spot {
            point: PointIndex(instance.point),
            place: instance.place,
        },
        raw,
        state: PointIndex(state_instance.point),
        code: contacts.state,
    };
    let mut found = finding(
        Class::SwitchFault,
        Severity::Alarm,
        evidence.unit,
        instance.place,
        fact,
    );
    // Both are its own, and several answers say so.
    found.lies_in = LiesIn::ControlUnit;
    found.sure = Certainty::Proven;
    seen.findings.push(found);
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
        let fact = Compared::WrongPosition {
            at: reading.spot(),
            said,
        };
        seen.at_connection(
            Class::ConfigurationFault,
            Severity::Alarm,
            (reading.unit, reading.place),
            fact,
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
    let volts = cells.iter().map(|(_, v)| *v);
    let Some(usual) = median(volts.collect(), f64::total_cmp).filter(|_| cells.len() >= 4) else {
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
        let fact = Compared::BrokenSenseWire {
            at: one.spot(),
            volts: *a,
            beside: other.spot(),
            volts_beside: *b,
        };
        seen.at_connection(
            Class::SensorFault,
            Severity::Alarm,
            (one.unit, one.place),
            fact,
        );
    }
}

/// Current although every switch is reported open, both out of one answer; or earlier, for certain. Right after
/// switching and in pre-charge it is none.
fn current_while_open(
    seen: &mut Plausible,
    readings: &[Reading],
    (evidence, now): (&UnitMemory, Stamp),
    profile: &Profile,
) {
    let of = |role| readings.iter().find(|r| r.role == role);
    let (Some(switches), Some(current)) = (of(Role::Switches), of(Role::PackCurrent)) else {
        return;
    };
    let open = switches
        .raw
        .is_some_and(|raw| raw & profile.unit.switches_closed == 0);
    let least = (2.0 * profile.unit.rest_current).max(1.5);
    let flows = |amps: &f64| open && switches.age == current.age && amps.abs() > least;
    let amps = current.number().filter(flows);
    let earlier = &evidence.while_open;
    let spell = earlier.spell.filter(|spell| spell.is_open(now));
    let (fact, doubt) = if let Some(amps) = amps.filter(|_| !evidence.is_switching(profile)) {
        let fact = Fact::from(Compared::CurrentWhileOpen {
            at: current.spot(),
            amps,
            last: None,
        });
        let found = fact.clone();
        (fact, Doubt::CurrentWhileOpen { found })
    } else if let Some(spell) = spell {
        let fact = Fact::from(Compared::CurrentWhileOpen {
            at: current.spot(),
            amps: earlier.amps,
            last: Some(spell.last().at()),
        });
        let found = fact.clone();
        (fact, Doubt::WasBeyond { found })
    } else {
        return;
    };
    seen.doubts.push(doubt);
    let mut found = finding(
        Class::SensorFault,
        Severity::Warning,
        current.unit,
        current.place,
        fact,
    );
    found.root = true;
    found.lies_in = LiesIn::Unknown;
    seen.findings.push(found);
}

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
        let fact = Compared::ChargeAgainstVoltage {
            volts: mean,
            percent: soc,
        };
        let mut found = notice(unit, fact);
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
        let fact = Compared::ModulesUnlikeCharge {
            low: low_at.spot(),
            low_percent: low,
            high: high_at.spot(),
            high_percent: high,
            limit: UNLIKE_CHARGE,
        };
        let mut found = notice(low_at.unit, fact);
        found.severity = Severity::Warning;
        found.place = low_at.place;
        found.to_do = Deed::CompareCharge.alone();
        seen.findings.push(found);
    }
}

/// Temperatures that jump between two looks and come back: a connector, not a temperature. Those that rise
/// and stay, the steepest of each module: heat.
fn heat(seen: &mut Plausible, evidence: &UnitMemory, profile: &Profile) {
    let mut rises: Vec<(Option<u16>, f64, Finding)> = Vec::new();
    for (instance, _, track) in evidence.each(profile) {
        let Some(heat) = track.heat() else { continue };
        let at = Spot {
            point: PointIndex(instance.point),
            place: instance.place,
        };
        if let Some(jump) = heat.jumped() {
            let fact = Measured::Jumped {
                at,
                from: jump.before,
                to: jump.after,
                within: jump.within,
            };
            seen.at_connection(
                Class::SensorFault,
                Severity::Warning,
                (evidence.unit, instance.place),
                fact,
            );
        }
        let Some(rise) = heat.rises() else { continue };
        let fact = Measured::Heats {
            at,
            from: rise.before,
            to: rise.after,
            within: rise.within,
        };
        let mut found = finding(
            Class::OverTemperature,
            Severity::Alarm,
            evidence.unit,
            instance.place,
            fact,
        );
        found.lies_in = LiesIn::Module;
        found.sure = Certainty::Likely;
        let (module, by) = (instance.place.module, rise.after - rise.before);
        match rises.iter_mut().find(|(known, ..)| *known == module) {
            Some(known) if known.1 >= by => {}
            Some(known) => *known = (module, by, found),
            None => rises.push((module, by, found)),
        }
    }
    seen.findings
        .extend(rises.into_iter().map(|(.., found)| found));
}

/// Switches that contradicted the state earlier.
fn dropped(seen: &mut Plausible, evidence: &UnitMemory, now: Stamp) {
    let contacts = &evidence.contacts;
    // What goes on is told as that.
    let is_told = |spell: &Spell| !spell.is_over() && contacts.is_certain();
    let is_open = |spell: &Spell| spell.is_open(now) || !spell.is_over();
    let Some(spell) = contacts
        .spell
        .filter(|spell| is_open(spell) && !is_told(spell))
    else {
        return;
    };
    let fact = Fact::from(Compared::SwitchesDropped {
        times: spell.times(),
        last: spell.last().at(),
    });
    seen.doubts.push(Doubt::WasBeyond {
        found: fact.clone(),
    });
    let mut found = finding(
        Class::SwitchFault,
        Severity::Warning,
        evidence.unit,
        Place::default(),
        fact,
    );
    found.sure = Certainty::Open;
    seen.findings.push(found);
}

/// Modules of one stack that have unlike firmware.
fn unlike_firmware(seen: &mut Plausible, readings: &[Reading]) {
    let named: Vec<(&Reading, &Foreign)> = readings
        .iter()
        .filter(|r| r.role == Role::ModuleFirmware)
        .filter_map(|r| match &r.value {
            Some(Value::Text(text)) if !text.is_blank() => Some((r, text)),
            _ => None,
        })
        .collect();
    let Some((one, firmware)) = named.first() else {
        return;
    };
    let Some((other, unlike)) = named.iter().find(|(_, text)| text != firmware) else {
        return;
    };
    let fact = Compared::ModulesUnlikeFirmware {
        one: (one.spot(), (*firmware).clone()),
        other: (other.spot(), (*unlike).clone()),
    };
    let mut found = notice(one.unit, fact);
    found.severity = Severity::Warning;
    found.place = other.place;
    seen.findings.push(found);
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
    let fact = Remark::InsulationNotJudged {
        at: reading.spot(),
        kohm,
        volts,
    };
    seen.findings.push(notice(reading.unit, fact));
}
