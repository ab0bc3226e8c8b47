//! What a reading must add up to: sums, products and extremes against each other.
//!
//! A sum counts only where every part of it is good. The tolerance comes from the profile.

use packside_profiles::model::{CrossCheckKind, Profile, Severity};
use packside_profiles::{Class, Place, Role, StateKind};

use super::measure::{finding, first, with_unit};
use crate::facts::doubt::{Doubt, DoubtKind};
use crate::facts::judgement::{Finding, Reading, ReadingQuality};

/// Two numbers that must be the same, and what it means if they are not.
struct Pair {
    class: Class,
    place: Place,
    left: (String, f64),
    right: (String, f64),
    value_unit: &'static str,
    /// What such a difference looks like.
    hint: &'static str,
}

impl Pair {
    fn new(class: Class, left: (&str, f64), right: (&str, f64), value_unit: &'static str) -> Self {
        let place = Place::default();
        Self {
            class,
            place,
            left: (left.0.to_owned(), left.1),
            right: (right.0.to_owned(), right.1),
            value_unit,
            hint: "",
        }
    }

    fn violation(&self, tolerance: f64, unit: u8) -> Option<Finding> {
        let apart = (self.left.1 - self.right.1).abs();
        if apart <= tolerance {
            return None;
        }
        let shown = |number| with_unit(number, self.value_unit);
        let text = format!(
            "{} = {} but {} = {}: {} apart, more than {}{}",
            self.left.0,
            shown(self.left.1),
            self.right.0,
            shown(self.right.1),
            shown(apart),
            shown(tolerance),
            self.hint,
        );
        Some(finding(self.class, Severity::Alarm, unit, self.place, text))
    }
}

/// Everything that does not add up. `steady` says whether the current held still while all this was
/// read: cells and modules come out of several answers, and where it moved between them, what does not
/// add up proves nothing and keeps the verdict open.
pub(crate) fn violations(
    readings: &[Reading],
    profile: &Profile,
    state: Option<StateKind>,
    steady: bool,
) -> (Vec<Finding>, Vec<Doubt>) {
    let unit = readings.first().map_or(0, |r| r.unit);
    let (mut findings, mut doubts) = (Vec::new(), Vec::new());
    for check in &profile.cross_checks {
        let of_one_answer = matches!(
            check.what,
            CrossCheckKind::VoltsTimesAmpsMakePower | CrossCheckKind::TerminalsMatchPack
        );
        for pair in pairs(readings, profile, check.what, state) {
            let Some(mut found) = pair.violation(check.tolerance, unit) else {
                continue;
            };
            if !steady && !of_one_answer {
                found.severity = Severity::Warning;
                found.root = false;
                found
                    .text
                    .push_str("; the current may have moved meanwhile");
                doubts.push(DoubtKind::OfTwoMoments.says(&found.text));
            }
            findings.push(found);
        }
    }
    (findings, doubts)
}

fn pairs(
    readings: &[Reading],
    profile: &Profile,
    what: CrossCheckKind,
    state: Option<StateKind>,
) -> Vec<Pair> {
    let pack = first(readings, Role::PackVoltage);
    let whole_pack = |class, name, sum: Option<f64>| {
        let pair = sum
            .zip(pack)
            .map(|(sum, pack)| Pair::new(class, (name, sum), ("pack voltage", pack), "V"));
        pair.into_iter().collect()
    };
    match what {
        CrossCheckKind::CellsMakeModule => modules(readings),
        CrossCheckKind::ModulesMakePack => {
            let sum = complete_sum(readings, Role::ModuleVoltage, None);
            let mut pairs: Vec<Pair> = whole_pack(Class::ConfigurationFault, "sum of modules", sum);
            let hint = sum
                .zip(pack)
                .map(|(sum, pack)| odd_module(readings, sum - pack));
            for pair in &mut pairs {
                pair.hint = hint.unwrap_or_default();
                // Next to nothing beside modules that have their voltage is no order of modules.
                if pair.right.1.abs() < 0.02 * pair.left.1 {
                    pair.class = Class::SensorFault;
                    pair.hint = "; as if the wire that measures the pack were lost";
                }
            }
            pairs
        }
        CrossCheckKind::CellsMakePack => whole_pack(
            Class::SensorFault,
            "sum of cells",
            complete_sum(readings, Role::CellVoltage, None),
        ),
        CrossCheckKind::VoltsTimesAmpsMakePower => {
            const FACTORS: [Role; 3] = [Role::PackVoltage, Role::PackCurrent, Role::PackPower];
            let product = pack
                .zip(first(readings, Role::PackCurrent))
                .filter(|_| of_one_moment(readings, &FACTORS))
                // Capacitors being charged are no steady state.
                .filter(|_| state != Some(StateKind::Precharge))
                .map(|(volts, amps)| volts * amps);
            let pair = product
                .zip(first(readings, Role::PackPower))
                .map(|(product, watts)| {
                    Pair::new(
                        Class::SensorFault,
                        ("voltage x current", product),
                        ("power", watts),
                        "W",
                    )
                });
            pair.into_iter().collect()
        }
        CrossCheckKind::ExtremesMatch => extremes(readings),
        CrossCheckKind::TerminalsMatchPack => {
            let connected = matches!(state, Some(StateKind::Standby | StateKind::Running));
            let terminals = first(readings, Role::TerminalVoltage);
            const TOGETHER: [Role; 3] = [Role::TerminalVoltage, Role::State, Role::PackVoltage];
            let is_settled =
                of_one_moment(readings, &TOGETHER) && switches_closed(readings, profile);
            if connected && is_settled {
                whole_pack(Class::SwitchFault, "terminal voltage", terminals)
            } else {
                Vec::new()
            }
        }
    }
}

/// What a pack that is so far below the sum of its modules looks like: a reversed module takes its
/// voltage away twice, a bridged or missing one once.
fn odd_module(readings: &[Reading], below: f64) -> &'static str {
    let modules = readings.iter().filter(|r| r.role == Role::ModuleVoltage);
    let like = |times: f64| {
        modules
            .clone()
            .filter_map(Reading::number)
            .any(|volts| volts > 1.0 && (below - times * volts).abs() < 0.1 * volts)
    };
    if like(2.0) {
        "; that is twice the voltage of a module, as if one were reversed"
    } else if like(1.0) {
        "; that is the voltage of a module, as if one were bridged or left out"
    } else {
        ""
    }
}

/// Sum of the cells of each module against its voltage.
fn modules(readings: &[Reading]) -> Vec<Pair> {
    let modules = readings.iter().filter(|r| r.role == Role::ModuleVoltage);
    modules
        .filter_map(|module| {
            let place = Place {
                module: module.place.module,
                item: None,
            };
            let sum = complete_sum(readings, Role::CellVoltage, place.module)?;
            let name = place
                .module
                .map_or_else(String::new, |m| format!(" of module {m}"));
            let left = (format!("sum of cells{name}"), sum);
            let right = (module.name.clone(), module.number()?);
            Some(Pair {
                class: Class::SensorFault,
                place,
                left,
                right,
                value_unit: "V",
                hint: "",
            })
        })
        .collect()
}

/// The unit's own extremes against the extremes of the single values.
fn extremes(readings: &[Reading]) -> Vec<Pair> {
    let cells: Option<Vec<f64>> = readings
        .iter()
        .filter(|r| r.role == Role::CellVoltage)
        .map(Reading::number)
        .collect();
    let cells = cells.unwrap_or_default();
    let highest = cells
        .iter()
        .copied()
        .max_by(f64::total_cmp)
        .zip(first(readings, Role::CellVoltageMax));
    let lowest = cells
        .iter()
        .copied()
        .min_by(f64::total_cmp)
        .zip(first(readings, Role::CellVoltageMin));
    let pair = |found: Option<(f64, f64)>, reported, single| {
        found.map(|(own, said)| {
            Pair::new(
                Class::ControlUnitFault,
                (reported, said),
                (single, own),
                "V",
            )
        })
    };
    [
        pair(highest, "highest cell as reported", "highest single cell"),
        pair(lowest, "lowest cell as reported", "lowest single cell"),
    ]
    .into_iter()
    .flatten()
    .collect()
}

/// Sum over all readings of a role (in one module), if every one of them is good.
fn complete_sum(readings: &[Reading], role: Role, module: Option<u16>) -> Option<f64> {
    let values: Option<Vec<f64>> = readings
        .iter()
        .filter(|r| r.role == role && (module.is_none() || r.place.module == module))
        .map(|r| r.number().filter(|_| r.quality == ReadingQuality::Good))
        .collect();
    values.filter(|v| !v.is_empty()).map(|v| v.iter().sum())
}

/// Whether these are out of one answer: while switches move or the current changes, two answers are
/// of two moments and need not agree.
fn of_one_moment(readings: &[Reading], roles: &[Role]) -> bool {
    let age = |role: &Role| {
        readings
            .iter()
            .find(|r| r.role == *role)
            .and_then(|r| r.age)
    };
    let mut ages = roles.iter().map(age);
    let first = ages.next();
    ages.all(|age| Some(age) == first)
}

/// Whether the unit reports its switches closed (or has no point for them).
fn switches_closed(readings: &[Reading], profile: &Profile) -> bool {
    let closed = profile.unit.switches_closed;
    let switches = readings.iter().find(|r| r.role == Role::Switches);
    switches.is_none_or(|r| r.raw.is_some_and(|raw| raw & closed == closed))
}
