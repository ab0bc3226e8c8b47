//! Every number against the profile's limits and against the other numbers, independently of the
//! unit's own flags. Each finding carries the number that decided.
//!
//! Only good, fresh readings are measured. A cell that cannot be read is itself a finding: it
//! cannot be shown to be above the never-charge-below voltage.

use packside_profiles::model::{CellLimits, Gap, LiesIn, Limits, Profile, Severity};
use packside_profiles::{Class, Place, Role, StateKind};

use super::shared::{finding, first};
use super::{adds_up, notices};
use crate::evidence::charge;
use crate::facts::doubt::Doubt;
use crate::facts::fact::{Fact, Limit, Measured, PointIndex, Side, Spot, Switches};
use crate::facts::judgement::{Certainty, Finding, Reading, ReadingQuality};
use crate::statistics::median;

/// What the numbers of one member say.
#[derive(Debug, Clone, Default)]
pub(crate) struct Numbers {
    /// Violations and remarks.
    pub(crate) findings: Vec<Finding>,
    /// Classes that good readings settle by themselves, violated or not.
    pub(crate) settled: Vec<Class>,
    /// Contradictions that forbid a clean verdict.
    pub(crate) doubts: Vec<Doubt>,
}

/// Measures one member. `terminals_before` is the voltage at the terminals one look at them earlier;
/// `steady` says whether the current held still while all this was read.
pub(crate) fn measure(
    readings: &[Reading],
    profile: &Profile,
    state: Option<StateKind>,
    terminals_before: Option<f64>,
    steady: bool,
) -> Numbers {
    let mut measured = Numbers::default();
    let switches = readings.iter().find(|r| r.role == Role::Switches);
    let switches = switches.and_then(|r| r.raw).map(|raw| {
        if raw & profile.unit.switches_closed == 0 {
            Switches::Open
        } else {
            Switches::Closed
        }
    });
    for reading in readings {
        let Some(point) = profile.points.iter().find(|p| p.id == reading.point) else {
            continue;
        };
        unreadable(&mut measured, reading);
        if let Some(number) = reading.number() {
            limits(&mut measured, reading, number, &point.limits, switches);
        }
    }
    let below = below_minimum(readings, profile);
    measured.findings.extend(below);
    together(&mut measured.findings, readings);
    settle(&mut measured, readings, profile);
    // Where the current moved while they were read, some cells may be of before and some of after.
    let at_rest = steady && at_rest(readings, profile);
    spread(&mut measured, readings, profile, at_rest);
    let (findings, doubts) = adds_up::violations(readings, profile, state, steady);
    measured.findings.extend(findings);
    measured.doubts.extend(doubts);
    measured.findings.extend(charges_outside(readings, profile));
    terminals(&mut measured, readings, profile, state, terminals_before);
    measured
}

/// The current of the pack, positive where it is being charged, A; nothing where the map does not say.
pub(crate) fn charging(readings: &[Reading], profile: &Profile) -> Option<f64> {
    let reading = readings.iter().find(|r| r.role == Role::PackCurrent)?;
    let point = profile.points.iter().find(|p| p.id == reading.point)?;
    charge::charging(point, reading.number()?)
}

/// Charging while any sensor is outside of the temperatures at which cells may be charged: what plates
/// stays plated. That the unit allows it excuses nothing.
fn charges_outside(readings: &[Reading], profile: &Profile) -> Option<Finding> {
    let cell = profile.cell.as_ref()?;
    let amps = charging(readings, profile)?;
    if amps <= 2.0 * profile.unit.rest_current {
        return None;
    }
    let (reading, celsius, limit, side) = outside_of_window(readings, cell, amps)?;
    let point = profile.points.iter().position(|p| p.id == reading.point)?;
    let fact = Measured::ChargesOutside {
        at: Spot {
            point: PointIndex(point),
            place: reading.place,
        },
        celsius,
        limit,
        side,
        amps,
    };
    let mut found = finding(
        Class::ChargingOutside,
        Severity::Alarm,
        reading.unit,
        reading.place,
        fact,
    );
    found.sure = Certainty::Likely;
    Some(found)
}

/// The temperature furthest outside of its window, at which so much current is not granted.
fn outside_of_window<'a>(
    readings: &'a [Reading],
    cell: &CellLimits,
    amps: f64,
) -> Option<(&'a Reading, f64, f64, Side)> {
    let of_cells = |r: &&Reading| {
        matches!(
            r.role,
            Role::CellTemperature | Role::CellTemperatureMin | Role::CellTemperatureMax
        )
    };
    let outside = readings.iter().filter(of_cells).filter_map(|r| {
        let celsius = r.number()?;
        let below = (
            cell.charge_from_c - celsius,
            cell.charge_from_c,
            Side::Below,
        );
        let above = (celsius - cell.charge_to_c, cell.charge_to_c, Side::Above);
        let furthest = if below.0 > above.0 { below } else { above };
        let is_outside = furthest.0 > 0.0 && !charge::is_granted(cell, celsius, amps);
        is_outside.then_some((r, celsius, furthest))
    });
    let (reading, celsius, (_, limit, side)) = outside.max_by(|a, b| a.2.0.total_cmp(&b.2.0))?;
    Some((reading, celsius, limit, side))
}

/// A current of which nobody knows whether it charges, beside such a temperature.
pub(crate) fn perhaps_charges_outside(
    readings: &[Reading],
    profile: &Profile,
) -> Option<(f64, f64)> {
    let amps = first(readings, Role::PackCurrent)?;
    if charging(readings, profile).is_some() || amps.abs() <= 2.0 * profile.unit.rest_current {
        return None;
    }
    let (_, celsius, ..) = outside_of_window(readings, profile.cell.as_ref()?, amps.abs())?;
    Some((amps, celsius))
}

/// From so many violations of one limit on they are told in one sentence.
const MANY: usize = 4;

/// Many readings of one point beyond one limit are one finding with their range.
fn together(findings: &mut Vec<Finding>, readings: &[Reading]) {
    let role_of = |f: &Finding| match f.class {
        Some(Class::OverTemperature | Class::UnderTemperature) => Some(Role::CellTemperature),
        Some(Class::CellOverVoltage | Class::CellUnderVoltage) => Some(Role::CellVoltage),
        _ => None,
    };
    let kinds: Vec<(Option<Class>, Severity)> =
        findings.iter().map(|f| (f.class, f.severity)).collect();
    for (class, severity) in kinds {
        let same =
            |f: &Finding| f.class == class && f.severity == severity && f.place.item.is_some();
        let many: Vec<Finding> = findings.iter().filter(|f| same(f)).cloned().collect();
        let (Some(one), Some(role)) = (many.first(), many.first().and_then(role_of)) else {
            continue;
        };
        if many.len() < MANY {
            continue;
        }
        let of_role = || readings.iter().filter(|r| r.role == role);
        let modules_agree = many.iter().all(|f| f.place.module == one.place.module);
        let place = Place {
            module: one.place.module.filter(|_| modules_agree),
            item: None,
        };
        let is_low = matches!(
            class,
            Some(Class::UnderTemperature | Class::CellUnderVoltage)
        );
        let beyond = || {
            many.iter().filter_map(|f| match f.fact {
                Fact::Measured(Measured::BeyondLimit {
                    at, number, limit, ..
                }) => Some((at, number, limit)),
                _ => None,
            })
        };
        let (lowest, highest) = (
            beyond().min_by(|a, b| a.1.total_cmp(&b.1)),
            beyond().max_by(|a, b| a.1.total_cmp(&b.1)),
        );
        let (Some(lowest), Some(highest)) = (lowest, highest) else {
            continue;
        };
        let (worst, number, limit) = if is_low { lowest } else { highest };
        let fact = Measured::ManyBeyondLimit {
            worst,
            number,
            limit,
            count: many.len(),
            of: of_role().count(),
            low: lowest.1,
            high: highest.1,
        };
        let merged = Finding {
            fact: fact.into(),
            place,
            ..one.clone()
        };
        findings.retain(|f| !same(f));
        findings.push(merged);
    }
}

/// The class of a number below (`low`) or above its limit.
pub(crate) fn class_of(role: Role, low: bool) -> Option<Class> {
    Some(match (role, low) {
        (Role::CellVoltage | Role::CellVoltageMax, false) => Class::CellOverVoltage,
        (Role::CellVoltage | Role::CellVoltageMin, true) => Class::CellUnderVoltage,
        (Role::CellTemperature | Role::CellTemperatureMax, false) => Class::OverTemperature,
        (Role::CellTemperature | Role::CellTemperatureMin, true) => Class::UnderTemperature,
        (Role::PackVoltage, false) => Class::PackOverVoltage,
        (Role::PackVoltage, true) => Class::PackUnderVoltage,
        (Role::PackCurrent, _) => Class::OverCurrent,
        (Role::Insulation, true) => Class::InsulationLow,
        (Role::Soc, true) => Class::LowCharge,
        _ => return None,
    })
}

fn limits(
    measured: &mut Numbers,
    reading: &Reading,
    number: f64,
    limits: &Limits,
    switches: Option<Switches>,
) {
    let tests = [
        (limits.alarm_below, true, Severity::Alarm),
        (limits.alarm_above, false, Severity::Alarm),
        (limits.warn_below, true, Severity::Warning),
        (limits.warn_above, false, Severity::Warning),
    ];
    let violated = tests.iter().find_map(|&(limit, low, severity)| {
        let limit = limit?;
        let out = if low { number < limit } else { number > limit };
        out.then_some((limit, low, severity))
    });
    let Some((limit, low, severity)) = violated else {
        return;
    };
    let Some(class) = class_of(reading.role, low) else {
        return;
    };
    let side = if low { Side::Below } else { Side::Above };
    let insulation = class == Class::InsulationLow;
    let switches = switches.filter(|_| insulation);
    let fact = Measured::BeyondLimit {
        at: reading.spot(),
        number,
        limit: Limit {
            number: limit,
            side,
            severity,
        },
        switches,
    };
    let mut found = finding(class, severity, reading.unit, reading.place, fact);
    if insulation {
        found.lies_in = insulation_side(switches);
    }
    measured.findings.push(found);
}

/// Where a low insulation can lie, by the switches.
fn insulation_side(switches: Option<Switches>) -> LiesIn {
    match switches {
        Some(Switches::Closed) => LiesIn::InverterSide,
        Some(Switches::Open) => LiesIn::Module,
        None => LiesIn::Unknown,
    }
}

/// Cells below the voltage under which none is charged again, the lowest first: it is the one that is named.
fn below_minimum(readings: &[Reading], profile: &Profile) -> Vec<Finding> {
    let Some(limit) = profile.cell.as_ref().map(|cell| cell.never_charge_below) else {
        return Vec::new();
    };
    let cells = readings
        .iter()
        .filter(|r| matches!(r.role, Role::CellVoltage | Role::CellVoltageMin));
    let mut below: Vec<(f64, &Reading)> = cells
        .filter_map(|reading| Some((reading.number().filter(|volts| *volts < limit)?, reading)))
        .collect();
    below.sort_by(|a, b| a.0.total_cmp(&b.0));
    let found = below.into_iter().map(|(volts, reading)| {
        let at = reading.spot();
        let fact = Measured::BelowMinimum { at, volts, limit };
        finding(
            Class::CellBelowMinimum,
            Severity::Alarm,
            reading.unit,
            reading.place,
            fact,
        )
    });
    found.collect()
}

/// Cells and sensors without a usable value.
fn unreadable(measured: &mut Numbers, reading: &Reading) {
    let lost = matches!(
        reading.quality,
        ReadingQuality::NotAvailable | ReadingQuality::OutOfRange
    );
    // Refused or not valid now is missing evidence, not evidence of a broken sensor.
    if !lost || reading.remark.is_some() {
        return;
    }
    let (at, raw) = (reading.spot(), reading.raw);
    let (class, fact) = match reading.role {
        Role::CellVoltage => (
            Class::CellBelowMinimum,
            Measured::UnreadableCell { at, raw },
        ),
        Role::CellTemperature => (Class::SensorFault, Measured::UnreadableSensor { at, raw }),
        _ => return,
    };
    measured.findings.push(finding(
        class,
        Severity::Alarm,
        reading.unit,
        reading.place,
        fact,
    ));
}

/// Classes that are settled because every reading that would show them is good.
fn settle(measured: &mut Numbers, readings: &[Reading], profile: &Profile) {
    let all_good = |role: Role| {
        let mut of_role = readings.iter().filter(|r| r.role == role).peekable();
        of_role.peek().is_some() && of_role.all(|r| r.quality == ReadingQuality::Good)
    };
    for (role, low) in [
        (Role::CellVoltage, true),
        (Role::CellVoltage, false),
        (Role::CellTemperature, true),
        (Role::CellTemperature, false),
        (Role::PackVoltage, true),
        (Role::PackVoltage, false),
        (Role::Insulation, true),
        (Role::Soc, true),
    ] {
        // What the chemistry bears is far beyond what a maker allows.
        let is_gap = |index| {
            let here = |gap: &Gap| matches!(gap, Gap::Limit { point, above, .. } if *point == index && *above != low);
            profile.gaps.iter().any(here)
        };
        let points = profile.points.iter().enumerate();
        let judged = points.filter(|(_, p)| p.role == role).any(|(index, p)| {
            let limit = if low {
                p.limits.alarm_below
            } else {
                p.limits.alarm_above
            };
            limit.is_some() && !is_gap(index)
        });
        if let Some(class) = class_of(role, low).filter(|_| judged && all_good(role)) {
            measured.settled.push(class);
        }
    }
    if all_good(Role::CellVoltage) && profile.cell.is_some() && !profile.gaps.contains(&Gap::Cell) {
        measured.settled.push(Class::CellBelowMinimum);
    }
}

/// Whether the pack carries no current worth speaking of and balances nothing.
pub(crate) fn at_rest(readings: &[Reading], profile: &Profile) -> bool {
    !balances(readings) && !current_flows(readings, profile)
}

fn balances(readings: &[Reading]) -> bool {
    let is_set = |r: &Reading| r.role == Role::Balancing && r.raw.is_some_and(|raw| raw != 0);
    readings.iter().any(is_set)
}

/// While cells balance and no current flows, a spread of so many times its limit is their daily work.
// Kind: invented
const WHILE_BALANCING: f64 = 1.3;

pub(crate) fn current_flows(readings: &[Reading], profile: &Profile) -> bool {
    let current = first(readings, Role::PackCurrent);
    current.is_none_or(|amps| amps.abs() > profile.unit.rest_current)
}

/// Spread of cells and of temperatures. Under load or balancing it is no violation, and it keeps the
/// verdict open: only a look at rest tells. Temperatures do not follow a current within a look, so that they
/// are at rest wherever none flows.
fn spread(measured: &mut Numbers, readings: &[Reading], profile: &Profile, cells_at_rest: bool) {
    let flows = current_flows(readings, profile);
    for (index, point) in profile.points.iter().enumerate() {
        let (class, at_rest) = match point.role {
            Role::CellVoltage => (Class::CellImbalance, cells_at_rest),
            Role::CellTemperature => (Class::TemperatureImbalance, !flows),
            _ => continue,
        };
        let of_point = || readings.iter().filter(|r| r.point == point.id);
        let values = || of_point().filter_map(|r| r.number().map(|n| (n, r)));
        let lowest = values().min_by(|a, b| a.0.total_cmp(&b.0));
        let highest = values().max_by(|a, b| a.0.total_cmp(&b.0));
        let (Some((low, low_at)), Some((high, high_at)), Some(limit)) =
            (lowest, highest, point.limits.spread)
        else {
            continue;
        };
        if high - low > limit {
            let fact = Fact::from(Measured::TooFarApart {
                point: PointIndex(index),
                low: (low_at.place, low),
                high: (high_at.place, high),
                limit,
                at_rest,
            });
            let severity = if at_rest {
                Severity::Alarm
            } else {
                let daily = !flows && balances(readings) && high - low <= limit * WHILE_BALANCING;
                if !daily {
                    measured.doubts.push(Doubt::SpreadUnderLoad {
                        found: fact.clone(),
                    });
                }
                Severity::Warning
            };
            // The one that stands away from the others, which may be the high one.
            let usual =
                median(values().map(|(number, _)| number).collect(), f64::total_cmp).unwrap_or(low);
            let odd = if usual - low >= high - usual {
                low_at
            } else {
                high_at
            };
            let found = finding(class, severity, odd.unit, odd.place, fact);
            measured.findings.push(found);
        }
    }
}

/// States in which a unit keeps its switches open.
pub(super) fn should_be_open(state: StateKind) -> bool {
    use StateKind as S;
    matches!(
        state,
        S::Waiting | S::SelfTest | S::Fault | S::Off | S::Maintenance
    )
}

/// Voltage at the terminals although the switches are reported open: never "safe", never "fine".
fn terminals(
    measured: &mut Numbers,
    readings: &[Reading],
    profile: &Profile,
    state: Option<StateKind>,
    falling: Option<f64>,
) {
    let dead = profile.unit.terminals_without_inverter == packside_profiles::model::Terminals::Dead;
    let open = state.is_some_and(should_be_open)
        && readings
            .iter()
            .any(|r| r.role == Role::Switches && r.raw == Some(0));
    let Some(reading) = readings
        .iter()
        .find(|r| r.role == Role::TerminalVoltage)
        .filter(|_| dead && open)
    else {
        return;
    };
    let Some(volts) = reading.number().filter(|volts| is_live(*volts, readings)) else {
        return;
    };
    let decays = |before: &f64| volts.abs() < 0.97 * before.abs();
    if let Some(before) = falling.filter(decays) {
        let fact = Measured::TerminalsDecay { volts, before };
        let mut found = notices::notice(reading.unit, fact);
        found.severity = Severity::Warning;
        measured.findings.push(found);
        return;
    }
    let fact = Fact::from(Measured::TerminalsLive { volts });
    measured.doubts.push(Doubt::Terminals {
        found: fact.clone(),
    });
    let mut found = finding(
        Class::SwitchFault,
        Severity::Warning,
        reading.unit,
        reading.place,
        fact,
    );
    found.lies_in = LiesIn::Unknown;
    measured.findings.push(found);
}

// Kind:   published
// Source: UN R100: high voltage is above 60 V DC (as reprinted)
/// Above this a voltage at open terminals is worth a warning, V.
pub(crate) const TOUCH_LIMIT_V: f64 = 60.0;
/// So is one that is more than this share of the pack's, however low: its switches let something through. What
/// leaks past open switches is less.
// Kind: invented
const LIVE_SHARE: f64 = 0.25;
/// Less than this is a meter's own, V.
// Kind: invented
const LIVE_FROM_V: f64 = 5.0;

/// Whether terminals that should be dead are not.
pub(super) fn is_live(volts: f64, readings: &[Reading]) -> bool {
    let pack = first(readings, Role::PackVoltage);
    let share = pack.map(|pack| (LIVE_SHARE * pack.abs()).max(LIVE_FROM_V));
    volts.abs() > TOUCH_LIMIT_V.min(share.unwrap_or(TOUCH_LIMIT_V))
}
