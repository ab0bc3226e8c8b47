//! Findings beside each other and beside the terminals: what follows from what, and what is contradicted.
//!
//! Input: all findings of one member and its readings. Output: the same, and a caution. Nothing is taken
//! away: a root that follows from another stays listed as what it is, and only where the numbers show that
//! nothing else breaks the same limit.

use packside_profiles::model::{LiesIn, Profile, Severity};
use packside_profiles::{Class, Place, Role};

use super::measure::{CUT_OFF, TOUCH_LIMIT_V, finding, first, with_unit};
use crate::facts::doubt::{Doubt, DoubtKind};
use crate::facts::judgement::{Finding, Reading, Source};

/// How a caution begins among the reasons of a verdict.
pub(crate) const CAUTION: &str = "CAUTION: ";

/// Puts them in relation. Gives the caution that comes before everything else, if there is one.
pub(crate) fn relate(
    findings: &mut Vec<Finding>,
    readings: &[Reading],
    profile: &Profile,
    woken_by_us: bool,
    should_be_dead: bool,
) -> Option<String> {
    broken_sense_wires(findings, readings, profile);
    lost_connectors(findings, readings, profile);
    insulation_behind_open_switches(findings);
    unheard_modules(findings, readings);
    let live = first(readings, Role::TerminalVoltage).filter(|v| v.abs() > TOUCH_LIMIT_V);
    let volts = with_unit(live?, "V");
    wait_for_dead_terminals(findings, profile, should_be_dead);
    if contradicted(findings, &volts) {
        let falls = findings.iter().any(|f| f.id == "terminals-decay");
        let (falling, until) = if falls {
            (" and falling", " until a two-pole tester proves them dead")
        } else {
            ("", "")
        };
        return Some(format!(
            "{CAUTION}TERMINALS LIVE, {volts}{falling}, although the unit says that they are dead or its switches open: \
             hands off{until}"
        ));
    }
    if woken_by_us {
        return Some(format!(
            "{CAUTION}OUR OWN QUESTIONS WOKE THIS UNIT, ITS TERMINALS NOW CARRY {volts}: hands off"
        ));
    }
    should_be_dead.then(|| {
        format!(
            "{CAUTION}TERMINALS LIVE, {volts}, in a state in which they should be dead: hands off"
        )
    })
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
        root.text.push_str(&format!(
            ", which module is not said: {shown} of {all} show values, perhaps old ones"
        ));
    }
}

/// Words of a step at terminals that no switch of the unit makes dead.
pub(super) const STAYS_LIVE: &str = "switching off does not make these terminals dead";

/// Work at a stack whose terminals carry voltage begins with proving them dead; behind switches that stay
/// closed nothing but the isolators of the other sources helps, and the pack itself stays.
fn wait_for_dead_terminals(findings: &mut [Finding], profile: &Profile, should_be_dead: bool) {
    let decay = profile.unit.decay_s.map_or_else(
        || "wait for the decay time".to_owned(),
        |seconds| format!("wait {seconds:.0} s"),
    );
    for root in findings.iter_mut().filter(|f| f.is_root_alarm()) {
        match root.class {
            Some(Class::SwitchFault) if should_be_dead => {
                root.to_do = format!(
                    "{STAYS_LIVE}: open the isolators of inverter and PV by the manual, {decay}, take them for live until a \
                     two-pole tester shows otherwise, and look again"
                );
            }
            Some(Class::InsulationLow) if root.lies_in == LiesIn::Module => {
                root.to_do = format!(
                    "{decay}, prove the terminals dead with a two-pole tester; {}",
                    root.to_do
                );
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
    (all_read && lowest > warning).then(|| {
        DoubtKind::LowByFlagOnly.says(format!(
            "{}, yet the lowest cell reads {}, above its warning at {}: a worn cell is low under load alone",
            low.text,
            with_unit(lowest, "V"),
            with_unit(warning, "V"),
        ))
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
        let name = module.map_or_else(|| "the pack".to_owned(), |m| format!("module {m}"));
        let text = format!(
            "{count} cells of {name} cannot be read: a sense connector that sits loose, most likely; none of them can be \
             shown to be safe to charge"
        );
        let place = Place { module, item: None };
        let found = finding(Class::SensorFault, Severity::Alarm, one.unit, place, text);
        findings.retain(|f| !(f.place.module == module && unreadable(f)));
        findings.push(found);
        let sensors = |f: &&mut Finding| f.is_root_alarm() && f.class == Some(Class::SensorFault);
        for sensor in findings.iter_mut().filter(sensors) {
            sensor.to_do = format!("do not charge; {}", sensor.to_do);
        }
        for claim in findings.iter_mut().filter(|f| {
            others_safe && f.is_root_alarm() && f.class == Some(Class::CellBelowMinimum)
        }) {
            claim.root = false;
            claim.severity = Severity::Warning;
            claim.follows_from = Some(Class::SensorFault.id().to_owned());
        }
    }
}

/// So many cells at once are no cells but their connector.
// Kind: common practice
const CONNECTOR: usize = 4;

/// With the switches open the inverter's side is cut off: a low insulation lies on this side of them.
fn insulation_behind_open_switches(findings: &mut [Finding]) {
    let is = |f: &Finding| f.class == Some(Class::InsulationLow) && f.root;
    if !findings.iter().any(|f| is(f) && f.text.contains(CUT_OFF)) {
        return;
    }
    for finding in findings.iter_mut().filter(|f| is(f)) {
        finding.lies_in = LiesIn::Module;
        "only if it is still low with the inverter's isolator open: isolate the stack's cables and modules one after the \
         other by the manual, and look again"
            .clone_into(&mut finding.to_do);
    }
}

/// A broken sense wire makes its two cells look too high, too low and apart: where every other cell
/// keeps to its limits, that follows from the wire.
fn broken_sense_wires(findings: &mut [Finding], readings: &[Reading], profile: &Profile) {
    let wires: Vec<Place> = findings
        .iter()
        .filter(|f| f.id == Class::SensorFault.id() && f.text.contains(BETWEEN))
        .map(|f| f.place)
        .collect();
    let Some(point) = profile.points.iter().find(|p| p.role == Role::CellVoltage) else {
        return;
    };
    let Some(wire) = wires.first() else {
        return;
    };
    let item = wire.item.unwrap_or_default();
    let of_module = wire
        .module
        .map_or_else(String::new, |m| format!(" of module {m}"));
    let to_do = format!(
        "do not charge until both can be read; unit off by the manual, then look at the {SENSE_WIRE} cells {item} and {}{of_module}: \
         the cells behind it stay live",
        item + 1
    );
    let sensors = |f: &&mut Finding| f.is_root_alarm() && f.class == Some(Class::SensorFault);
    for sensor in findings.iter_mut().filter(sensors) {
        sensor.to_do.clone_from(&to_do);
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
            finding.follows_from = Some(Class::SensorFault.id().to_owned());
        }
    }
}

/// Words by which the step at a sense wire is known: the cells behind it stay live.
pub(super) const SENSE_WIRE: &str = "sense wire between";

/// Words of a broken sense wire, as `plausible` writes them.
pub(super) const BETWEEN: &str = "so a sense wire between them is broken";

/// Marks what the unit says of dead terminals and open switches while its terminals carry voltage.
fn contradicted(findings: &mut [Finding], volts: &str) -> bool {
    let claims = |f: &&mut Finding| {
        f.source == Source::Flag
            && matches!(f.class, Some(Class::TerminalsDead | Class::SwitchesOpen))
    };
    let mut any = false;
    for finding in findings.iter_mut().filter(claims) {
        any = true;
        finding.text = format!(
            "the unit says: {}; CONTRADICTED: its terminals carry {volts}",
            finding.text
        );
    }
    any
}
