//! What a reading must add up to: sums, products and extremes against each other.
//!
//! A sum counts only where every part of it is good. The tolerance comes from the profile.

use packside_profiles::model::{CrossCheckKind, Profile, Severity};
use packside_profiles::{Class, Place, Role, StateKind};

use super::shared::{finding, first};
use crate::facts::doubt::Doubt;
use crate::facts::fact::{Compared, Pair, SumLooks};
use crate::facts::judgement::{Finding, Reading, ReadingQuality};

/// Two numbers that must be the same, and what it means if they are not.
struct Sum {
    class: Class,
    place: Place,
    pair: Pair,
    left: f64,
    right: f64,
    looks: Option<SumLooks>,
}

impl Sum {
    fn new(class: Class, pair: Pair, left: f64, right: f64) -> Self {
        Self {
            class,
            place: Place::default(),
            pair,
            left,
            right,
            looks: None,
        }
    }

    fn violation(&self, tolerance: f64, unit: u8, current_moved: bool) -> Option<Finding> {
        if (self.left - self.right).abs() <= tolerance {
            return None;
        }
        let fact = Compared::DoesNotAddUp {
            pair: self.pair,
            left: self.left,
            right: self.right,
            tolerance,
            looks: self.looks,
            current_moved,
        };
        Some(finding(self.class, Severity::Alarm, unit, self.place, fact))
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
        let current_moved = !steady && !of_one_answer;
        for sum in sums(readings, profile, check.what, state) {
            let Some(mut found) = sum.violation(check.tolerance, unit, current_moved) else {
                continue;
            };
            if current_moved {
                found.severity = Severity::Warning;
                found.root = false;
                doubts.push(Doubt::OfTwoMoments {
                    found: found.fact.clone(),
                });
            }
            findings.push(found);
        }
    }
    (findings, doubts)
}

fn sums(
    readings: &[Reading],
    profile: &Profile,
    what: CrossCheckKind,
    state: Option<StateKind>,
) -> Vec<Sum> {
    let pack = first(readings, Role::PackVoltage);
    let whole_pack = |class, pair, sum: Option<f64>| {
        let sum = sum.zip(pack);
        let sum = sum.map(|(sum, pack)| Sum::new(class, pair, sum, pack));
        sum.into_iter().collect()
    };
    match what {
        CrossCheckKind::CellsMakeModule => modules(readings),
        CrossCheckKind::ModulesMakePack => {
            let sum = complete_sum(readings, Role::ModuleVoltage, None);
            let mut sums: Vec<Sum> =
                whole_pack(Class::ConfigurationFault, Pair::ModulesAndPack, sum);
            for sum in &mut sums {
                sum.looks = odd_module(readings, sum.left - sum.right);
                // A pack above its modules has one more than is counted, or one of the two is measured wrongly.
                let above = odd_module(readings, sum.right - sum.left);
                if sum.looks.is_none() && above.is_none() {
                    sum.class = Class::SensorFault;
                }
                // Next to nothing beside modules that have their voltage is no order of modules.
                if sum.right.abs() < 0.02 * sum.left {
                    sum.class = Class::SensorFault;
                    sum.looks = Some(SumLooks::PackWireLost);
                }
            }
            sums
        }
        CrossCheckKind::CellsMakePack => whole_pack(
            Class::SensorFault,
            Pair::CellsAndPack,
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
            let sum = product
                .zip(first(readings, Role::PackPower))
                .map(|(product, watts)| {
                    Sum::new(Class::SensorFault, Pair::ProductAndPower, product, watts)
                });
            sum.into_iter().collect()
        }
        CrossCheckKind::ExtremesMatch => extremes(readings),
        CrossCheckKind::TerminalsMatchPack => {
            let connected = matches!(state, Some(StateKind::Standby | StateKind::Running));
            let terminals = first(readings, Role::TerminalVoltage);
            const TOGETHER: [Role; 3] = [Role::TerminalVoltage, Role::State, Role::PackVoltage];
            let is_settled =
                of_one_moment(readings, &TOGETHER) && switches_closed(readings, profile);
            if connected && is_settled {
                whole_pack(Class::SwitchFault, Pair::TerminalsAndPack, terminals)
            } else {
                Vec::new()
            }
        }
    }
}

/// What a pack that is so far below the sum of its modules looks like: a reversed module takes its
/// voltage away twice, a bridged or missing one once.
fn odd_module(readings: &[Reading], below: f64) -> Option<SumLooks> {
    let modules = readings.iter().filter(|r| r.role == Role::ModuleVoltage);
    let like = |times: f64| {
        modules
            .clone()
            .filter_map(Reading::number)
            .any(|volts| volts > 1.0 && (below - times * volts).abs() < 0.1 * volts)
    };
    if like(2.0) {
        Some(SumLooks::ModuleReversed)
    } else if like(1.0) {
        Some(SumLooks::ModuleLeftOut)
    } else {
        None
    }
}

/// Sum of the cells of each module against its voltage.
fn modules(readings: &[Reading]) -> Vec<Sum> {
    let modules = readings.iter().filter(|r| r.role == Role::ModuleVoltage);
    modules
        .filter_map(|module| {
            let place = Place {
                module: module.place.module,
                item: None,
            };
            let sum = complete_sum(readings, Role::CellVoltage, place.module)?;
            let pair = Pair::CellsAndModule {
                module: module.spot(),
            };
            Some(Sum {
                place,
                ..Sum::new(Class::SensorFault, pair, sum, module.number()?)
            })
        })
        .collect()
}

/// The unit's own extremes against the extremes of the single values.
fn extremes(readings: &[Reading]) -> Vec<Sum> {
    let cells: Option<Vec<f64>> = readings
        .iter()
        .filter(|r| r.role == Role::CellVoltage)
        .map(Reading::number)
        .collect();
    let cells = cells.unwrap_or_default();
    // A string or a module may have its own beside those of the whole.
    let said = |role: Role| {
        readings
            .iter()
            .filter(move |r| r.role == role)
            .filter_map(Reading::number)
    };
    let highest = cells.iter().copied().max_by(f64::total_cmp);
    let highest = highest.zip(said(Role::CellVoltageMax).max_by(f64::total_cmp));
    let lowest = cells.iter().copied().min_by(f64::total_cmp);
    let lowest = lowest.zip(said(Role::CellVoltageMin).min_by(f64::total_cmp));
    let sum = |found: Option<(f64, f64)>, pair| {
        found.map(|(own, said)| Sum::new(Class::ControlUnitFault, pair, said, own))
    };
    [
        sum(highest, Pair::HighestCell),
        sum(lowest, Pair::LowestCell),
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
