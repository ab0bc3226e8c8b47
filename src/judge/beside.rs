//! Findings beside each other and beside the terminals: what follows from what, and what is contradicted.
//!
//! Input: all findings of one member and its readings. Output: the same, and a caution. Nothing is taken
//! away: a root that follows from another stays listed as what it is, and only where the numbers show that
//! nothing else breaks the same limit.

use packside_profiles::model::{LiesIn, Profile, Severity};
use packside_profiles::{Class, Place, Role};

use super::measure::{TOUCH_LIMIT_V, is_live};
use super::shared::{finding, first};
use crate::facts::caution::Caution;
use crate::facts::doubt::Doubt;
use crate::facts::fact::{
    Compared, Deed, Fact, FactKind, First, Flagged, Follows, Measured, Switches,
};
use crate::facts::judgement::{Finding, Reading, Source};

/// Puts them in relation. Gives the caution that comes before everything else, if there is one.
pub(crate) fn relate(
    findings: &mut Vec<Finding>,
    readings: &[Reading],
    profile: &Profile,
    woken_by_us: bool,
    should_be_dead: bool,
) -> Option<Caution> {
    broken_sense_wires(findings, readings, profile);
    lost_connectors(findings, readings, profile);
    insulation_behind_open_switches(findings);
    unheard_modules(findings, readings);
    let volts = first(readings, Role::TerminalVoltage)?;
    let is_high = volts.abs() > TOUCH_LIMIT_V;
    if !(is_high || should_be_dead && is_live(volts, readings)) {
        return None;
    }
    wait_for_dead_terminals(findings, should_be_dead);
    if contradicted(findings, volts) {
        let decays = |f: &Finding| f.fact.kind() == FactKind::TerminalsDecay;
        let falling = findings.iter().any(decays);
        return Some(Caution::Contradicted { volts, falling });
    }
    if woken_by_us {
        return Some(Caution::WokenByUs { volts });
    }
    should_be_dead.then_some(Caution::ShouldBeDead { volts })
}

/// Where the control unit does not hear its modules: which ones still show values, and that these may be old.
fn unheard_modules(findings: &mut [Finding], readings: &[Reading]) {
    let modules = readings.iter().filter(|r| r.role == Role::ModuleVoltage);
    let (shown, all) = modules.fold((0, 0), |(shown, all), reading| {
        (shown + u32::from(reading.number().is_some()), all + 1)
    });
    let unheard = |f: &&mut Finding| {
        f.class == Some(Class::InternalCommunication)
            && f.is_root_alarm()
            && f.place.module.is_none()
    };
    if all == 0 {
        return;
    }
    for root in findings.iter_mut().filter(unheard) {
        if let Fact::Flagged(Flagged::Up { shown: told, .. }) = &mut root.fact {
            *told = Some((shown, all));
        }
    }
}

/// Work at a stack whose terminals carry voltage begins with proving them dead; behind switches that stay
/// closed nothing but the isolators of the other sources helps, and the pack itself stays.
fn wait_for_dead_terminals(findings: &mut [Finding], should_be_dead: bool) {
    for root in findings.iter_mut().filter(|f| f.is_root_alarm()) {
        match root.class {
            Some(Class::SwitchFault) if should_be_dead => {
                root.to_do = Deed::OpenIsolators.alone();
            }
            Some(Class::InsulationLow) if root.lies_in == LiesIn::Module => {
                root.to_do.first.insert(0, First::ProveDead);
            }
            _ => {}
        }
    }
}

/// A low cell that only a flag knows of, while every cell reads above its warning: an empty pack that wants
/// to be charged would read low as well, a worn cell is low under load and recovers.
pub(crate) fn low_by_flag_only(
    findings: &[Finding],
    readings: &[Reading],
    profile: &Profile,
) -> Option<Doubt> {
    let low = findings
        .iter()
        .find(|f| f.class == Some(Class::CellUnderVoltage) && f.is_root_alarm())?;
    let cells = || readings.iter().filter(|r| r.role == Role::CellVoltage);
    let lowest = cells().filter_map(Reading::number).reduce(f64::min)?;
    let all_read = cells().all(|r| r.number().is_some());
    let points = profile
        .points
        .iter()
        .filter(|p| p.role == Role::CellVoltage);
    let warning = points
        .filter_map(|p| p.limits.warn_below)
        .reduce(f64::max)?;
    (all_read && lowest > warning).then(|| Doubt::LowByFlagOnly {
        found: low.fact.clone(),
        lowest,
        warning,
    })
}

/// Many cells of one module that cannot be read at once are a connector; where every other cell is above
/// the voltage below which none may ever be charged, what the unit says of such cells follows from it.
fn lost_connectors(findings: &mut Vec<Finding>, readings: &[Reading], profile: &Profile) {
    let cells = || readings.iter().filter(|r| r.role == Role::CellVoltage);
    let mut modules: Vec<Option<u16>> = cells().map(|r| r.place.module).collect();
    modules.dedup();
    let unreadable = |f: &Finding| {
        f.class == Some(Class::CellBelowMinimum)
            && f.source == Source::Measured
            && f.place.item.is_some()
    };
    let lost = |r: &&Reading| r.number().is_none();
    let never = profile.cell.as_ref().map(|cell| cell.never_charge_below);
    let others_safe =
        never.is_some_and(|never| cells().filter_map(Reading::number).all(|v| v >= never));
    for module in modules {
        let count = cells()
            .filter(|r| r.place.module == module)
            .filter(lost)
            .count();
        let told: Vec<&Finding> = findings
            .iter()
            .filter(|f| f.place.module == module && unreadable(f))
            .collect();
        let (Some(one), true) = (told.first(), count >= CONNECTOR && told.len() == count) else {
            continue;
        };
        let fact = Compared::LostConnector {
            module,
            cells: count,
        };
        let place = Place { module, item: None };
        let found = finding(Class::SensorFault, Severity::Alarm, one.unit, place, fact);
        findings.retain(|f| !(f.place.module == module && unreadable(f)));
        findings.push(found);
        let sensors = |f: &&mut Finding| f.is_root_alarm() && f.class == Some(Class::SensorFault);
        for sensor in findings.iter_mut().filter(sensors) {
            sensor.to_do.first.insert(0, First::DoNotCharge);
        }
        for claim in findings.iter_mut().filter(|f| {
            others_safe && f.is_root_alarm() && f.class == Some(Class::CellBelowMinimum)
        }) {
            claim.root = false;
            claim.severity = Severity::Warning;
            claim.follows_from = Some(Follows::Finding(Class::SensorFault));
        }
    }
}

/// So many cells at once are no cells but their connector.
// Kind: common practice
const CONNECTOR: usize = 4;

/// With the switches open the inverter's side is cut off: a low insulation lies on this side of them.
fn insulation_behind_open_switches(findings: &mut [Finding]) {
    let is = |f: &Finding| f.class == Some(Class::InsulationLow) && f.root;
    let cut_off = |f: &Finding| {
        matches!(
            f.fact,
            Fact::Measured(Measured::BeyondLimit {
                switches: Some(Switches::Open),
                ..
            })
        )
    };
    if !findings.iter().any(|f| is(f) && cut_off(f)) {
        return;
    }
    for finding in findings.iter_mut().filter(|f| is(f)) {
        finding.lies_in = LiesIn::Module;
        finding.to_do = Deed::NarrowDownStack.alone();
    }
}

/// A broken sense wire makes its two cells look too high, too low and apart: where every other cell
/// keeps to its limits, that follows from the wire.
fn broken_sense_wires(findings: &mut [Finding], readings: &[Reading], profile: &Profile) {
    let wires: Vec<Place> = findings
        .iter()
        .filter(|f| f.fact.kind() == FactKind::BrokenSenseWire)
        .map(|f| f.place)
        .collect();
    let Some(point) = profile.points.iter().find(|p| p.role == Role::CellVoltage) else {
        return;
    };
    let Some(wire) = wires.first() else {
        return;
    };
    let sensors = |f: &&mut Finding| f.is_root_alarm() && f.class == Some(Class::SensorFault);
    for sensor in findings.iter_mut().filter(sensors) {
        sensor.to_do = Deed::SenseWire { place: *wire }.alone();
    }
    let beside = |place: Place| {
        wires.iter().any(|wire| {
            let next = wire.item.map(|item| item + 1);
            wire.module == place.module && (wire.item == place.item || next == place.item)
        })
    };
    let others: Vec<f64> = readings
        .iter()
        .filter(|r| r.role == Role::CellVoltage && !beside(r.place))
        .filter_map(Reading::number)
        .collect();
    let low = others.iter().copied().fold(f64::INFINITY, f64::min);
    let high = others.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let limits = &point.limits;
    for finding in findings.iter_mut().filter(|f| f.is_root_alarm()) {
        let explained = match finding.class {
            Some(Class::CellOverVoltage) => limits.alarm_above.is_none_or(|limit| high <= limit),
            Some(Class::CellUnderVoltage) => limits.alarm_below.is_none_or(|limit| low >= limit),
            Some(Class::CellImbalance) => limits.spread.is_none_or(|limit| high - low <= limit),
            _ => false,
        };
        if explained && !others.is_empty() {
            finding.root = false;
            finding.severity = Severity::Warning;
            finding.follows_from = Some(Follows::Finding(Class::SensorFault));
        }
    }
}

/// Marks what the unit says of dead terminals and open switches while its terminals carry voltage.
fn contradicted(findings: &mut [Finding], volts: f64) -> bool {
    let claims = |f: &&mut Finding| {
        f.source == Source::Flag
            && matches!(f.class, Some(Class::TerminalsDead | Class::SwitchesOpen))
    };
    let mut any = false;
    for finding in findings.iter_mut().filter(claims) {
        any = true;
        if let Fact::Flagged(
            Flagged::Up { contradicted, .. } | Flagged::Stored { contradicted, .. },
        ) = &mut finding.fact
        {
            *contradicted = Some(volts);
        }
    }
    any
}
