//! What people must know before anything else, from what was found in one unit.
//!
//! Input: findings and readings. Output: cautions, the one that saves a life first. Does not: decide.

use packside_profiles::model::Profile;
use packside_profiles::{Class, Role};

use super::measure::{charging, current_flows};
use super::shared::first;
use crate::facts::caution::Caution;
use crate::facts::fact::{Compared, Contradicts, Fact, FactKind, Measured};
use crate::facts::judgement::{Finding, Reading, Source};

/// Cautions of one unit: heat, a current that must end, switches that may not obey, or do not.
pub(crate) fn cautions(
    findings: &[Finding],
    readings: &[Reading],
    profile: &Profile,
) -> Vec<Caution> {
    let found = [
        heat(findings, readings, profile),
        current(findings, readings, profile),
        stands_still(findings),
        pole_at_earth(findings),
        cannot_open(findings),
        one_pole_live(findings),
    ];
    found.into_iter().flatten().collect()
}

fn roots(findings: &[Finding]) -> impl Iterator<Item = &Finding> {
    findings.iter().filter(|f| f.is_root_alarm())
}

/// Whether a root says that something is hot, or heats: nobody goes near it.
pub(crate) fn is_heat(found: &Finding) -> bool {
    found.is_root_alarm()
        && (found.class == Some(Class::OverTemperature) || warm_part(found, false).is_some())
}

/// Something that is hot, or heats: nobody near.
fn heat(findings: &[Finding], readings: &[Reading], profile: &Profile) -> Option<Caution> {
    let rises = roots(findings).find_map(|f| match &f.fact {
        Fact::Measured(Measured::Heats {
            from, to, within, ..
        }) => Some(Caution::Heating {
            module: f.place.module,
            from: *from,
            to: *to,
            within: *within,
        }),
        _ => None,
    });
    let inside = roots(findings).find_map(|f| match &f.fact {
        Fact::Compared(Compared::HotFromInside { celsius, .. }) => Some(Caution::HeatsInside {
            module: f.place.module,
            celsius: *celsius,
        }),
        _ => None,
    });
    let is_hot = |f: &&Finding| match f.class {
        Some(Class::OverTemperature) => true,
        // Of the unit's own word nobody knows which part it means.
        Some(Class::TemperatureImbalance) => f.source == Source::Flag,
        _ => false,
    };
    let hot = roots(findings).find(is_hot).and_then(|f| {
        let hottest = hottest(readings)?;
        let (module, celsius) = (hottest.place.module, hottest.number()?);
        // An alarm that outlives the heat names a temperature at which nobody would stay away.
        let is_shown = roots(findings).any(|f| is_hot(&f) && f.source == Source::Measured);
        Some(match f.place.module {
            None if !is_shown => Caution::SaidHot { module, celsius },
            place => Caution::Hot {
                module: place.or(module),
                celsius,
                sensors: roots(findings)
                    .filter(is_hot)
                    .map(sensors)
                    .max()
                    .unwrap_or(1),
            },
        })
    });
    let flows = current_flows(readings, profile);
    let warm = || roots(findings).find_map(|f| warm_part(f, flows));
    rises.or(inside).or_else(warm).or(hot)
}

/// How many sensors a finding is about.
fn sensors(found: &Finding) -> usize {
    match found.fact {
        Fact::Measured(Measured::ManyBeyondLimit { count, .. }) => count,
        _ => 1,
    }
}

/// A part that is warm without current, and the others are not; or a sensor that is warm alone, which may be a
/// hot spot right there.
pub(crate) fn warm_part(found: &Finding, flows: bool) -> Option<Caution> {
    match found.fact {
        Fact::Measured(Measured::WarmByItself { celsius, next, .. }) => Some(Caution::Warm {
            module: found.place.module,
            celsius,
            others: next,
            flows: false,
        }),
        Fact::Compared(Compared::LoneSensor { celsius, high, .. }) if celsius > high => {
            Some(Caution::Warm {
                module: found.place.module,
                celsius,
                others: high,
                flows,
            })
        }
        Fact::Measured(Measured::TooFarApart { low, high, .. })
            if found.class == Some(Class::TemperatureImbalance) && found.place == high.0 =>
        {
            Some(Caution::Warm {
                module: high.0.module,
                celsius: high.1,
                others: low.1,
                flows,
            })
        }
        _ => None,
    }
}

fn hottest(readings: &[Reading]) -> Option<&Reading> {
    let of_cells =
        |r: &&Reading| matches!(r.role, Role::CellTemperature | Role::CellTemperatureMax);
    readings
        .iter()
        .filter(of_cells)
        .filter_map(|r| Some((r, r.number()?)))
        .max_by(|a, b| a.1.total_cmp(&b.1))
        .map(|(reading, _)| reading)
}

/// A current that makes it worse while it flows.
fn current(findings: &[Finding], readings: &[Reading], profile: &Profile) -> Option<Caution> {
    let amps = first(readings, Role::PackCurrent)?;
    if amps.abs() <= (2.0 * profile.unit.rest_current).max(1.5) {
        return None;
    }
    let charges = charging(readings, profile).map(|amps| amps > 0.0);
    worsens(findings, charges).then_some(Caution::StopCurrent { amps, charges })
}

/// Whether a current would make it worse and nobody knows whether one flows: then it is stopped as well.
pub(crate) fn perhaps_flows(findings: &[Finding], readings: &[Reading]) -> bool {
    let stale = first(readings, Role::PackCurrent).is_none();
    let still = |f: &Finding| f.fact.kind() == FactKind::HeartbeatStill;
    stale && (worsens(findings, None) || roots(findings).any(still))
}

/// Whether a current makes one of the roots worse; `charges` is whether it charges, where that is known.
fn worsens(findings: &[Finding], charges: Option<bool>) -> bool {
    let worse = |f: &Finding| match f.class {
        Some(Class::CellOverVoltage | Class::PackOverVoltage | Class::ChargingOutside) => {
            charges != Some(false)
        }
        Some(Class::CellUnderVoltage | Class::PackUnderVoltage | Class::LowCharge) => {
            charges != Some(true)
        }
        Some(class) => matches!(
            class,
            Class::CellBelowMinimum
                | Class::OverCurrent
                | Class::ShortCircuit
                | Class::OverTemperature
                | Class::TemperatureImbalance
                | Class::CellResistance
                | Class::CellImbalance
                | Class::SensorFault
                | Class::InsulationLow
                | Class::SwitchFault
                | Class::FuseOpen
        ),
        None => false,
    };
    roots(findings).any(worse)
}

/// Behind a control unit that stands still neither the terminals nor the current are known.
fn stands_still(findings: &[Finding]) -> Option<Caution> {
    roots(findings)
        .any(|f| f.fact.kind() == FactKind::HeartbeatStill)
        .then_some(Caution::ControlUnitStill)
}

/// With low insulation whoever stands there may touch one pole and earth.
fn pole_at_earth(findings: &[Finding]) -> Option<Caution> {
    roots(findings)
        .any(|f| f.class == Some(Class::InsulationLow))
        .then_some(Caution::PoleAtEarth)
}

/// A switch or the fuse that is not as it should be says nothing of the other pole.
fn one_pole_live(findings: &[Finding]) -> Option<Caution> {
    let half_open = |f: &Finding| matches!(f.class, Some(Class::SwitchFault | Class::FuseOpen));
    let is_said = cannot_open(findings).is_some();
    (!is_said && roots(findings).any(half_open)).then_some(Caution::OnePoleLive)
}

/// Switches that stay closed: whatever is switched off, this pack stays connected and live.
fn cannot_open(findings: &[Finding]) -> Option<Caution> {
    let stays_closed = |f: &Finding| {
        matches!(
            f.fact,
            Fact::Compared(Compared::SwitchesAgainstState {
                how: Contradicts::AllClosed,
                ..
            })
        )
    };
    roots(findings)
        .any(stays_closed)
        .then_some(Caution::CannotOpen)
}
