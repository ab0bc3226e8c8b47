//! The order of the verdict of one unit: root alarms and measured violations first, whatever lamp or
//! inverter say; then anything missing or contradictory; only then the inverter link.
//!
//! Input: roots, doubts, the inverter link, the state. Output: the verdict and its reasons. Does not: find
//! anything.

use packside_profiles::model::{CellLimits, Profile};
use packside_profiles::{Class, Role, StateKind};

use super::inverter::InverterLink;
use crate::evidence::unit::UnitMemory;
use crate::facts::doubt::{self, Doubt};
use crate::facts::judgement::{Finding, Reading, VerdictKind, Why};

/// Whether a root is only a condition or an operator's action.
///
/// A low cell is one only where the profile says below which voltage none may ever be charged: a cell
/// known below it is a root of its own, one that could not be read keeps the gate shut.
fn is_condition(finding: &Finding, is_empty_only: bool) -> bool {
    let Some(class) = finding.class.filter(|c| c.is_condition()) else {
        return false;
    };
    if !matches!(
        class,
        Class::CellUnderVoltage | Class::PackUnderVoltage | Class::LowCharge
    ) {
        return true;
    }
    is_empty_only
}

/// Whether low cells are those of an empty pack, where the map says below which voltage none may be charged.
pub(super) fn is_empty_only(
    readings: &[Reading],
    evidence: &UnitMemory,
    profile: &Profile,
) -> bool {
    let cell = profile.cell.as_ref();
    cell.is_some_and(|cell| only_empty(readings, cell, profile)) && !evidence.cells.falls()
}

/// Above the voltage below which no cell may ever be charged by so much, V.
// Kind: common practice
const ABOVE_MINIMUM: f64 = 0.1;
/// Cells of a pack that is only empty lie no further apart, V.
// Kind: common practice
const EMPTY_SPREAD: f64 = 0.3;

/// Whether low cells are those of a pack that is empty and no more: alike, well above the absolute minimum,
/// warm enough to be charged, and nothing drains them any further. Cells that were not read keep the gate shut by themselves.
fn only_empty(readings: &[Reading], cell: &CellLimits, profile: &Profile) -> bool {
    let minimum = cell.never_charge_below;
    let of_cells = |r: &&Reading| {
        matches!(
            r.role,
            Role::CellVoltage | Role::CellVoltageMin | Role::CellVoltageMax
        )
    };
    let cells = || readings.iter().filter(of_cells);
    let volts = || cells().filter_map(Reading::number);
    let (low, high) = (
        volts().fold(f64::INFINITY, f64::min),
        volts().fold(f64::NEG_INFINITY, f64::max),
    );
    let closed = readings
        .iter()
        .find(|r| r.role == Role::Switches)
        .and_then(|r| r.raw)
        .is_some_and(|raw| raw & profile.unit.switches_closed != 0);
    let of_temperature = |r: &&Reading| {
        matches!(
            r.role,
            Role::CellTemperature | Role::CellTemperatureMin | Role::CellTemperatureMax
        )
    };
    let mut celsius = readings
        .iter()
        .filter(of_temperature)
        .filter_map(Reading::number);
    let in_window = celsius.all(|c| (cell.charge_from_c..=cell.charge_to_c).contains(&c));
    !closed
        && in_window
        && (volts().next().is_none()
            || (low >= minimum + ABOVE_MINIMUM && high - low <= EMPTY_SPREAD))
}

/// The root alarms, as far as they decide.
#[derive(Default)]
pub(super) struct Roots {
    reasons: Vec<Why>,
    only_conditions: bool,
    unconfirmed: bool,
}

impl Roots {
    pub(super) fn of(findings: &[Finding], is_empty_only: bool, unconfirmed: bool) -> Self {
        let roots: Vec<&Finding> = findings.iter().filter(|f| f.is_root_alarm()).collect();
        Self {
            reasons: roots.iter().map(|f| Why::of(f)).collect(),
            only_conditions: roots.iter().all(|f| is_condition(f, is_empty_only)),
            unconfirmed,
        }
    }
}

/// Root alarms first; then anything missing or contradictory; only then the inverter link.
pub(super) fn decide(
    roots: &Roots,
    doubts: &mut Vec<Doubt>,
    inverter: &InverterLink,
    state: Option<StateKind>,
    profile: &Profile,
) -> (VerdictKind, Vec<Why>) {
    let mut why = roots.reasons.clone();
    if !why.is_empty() && !roots.only_conditions {
        if roots.unconfirmed {
            why.push(Why::Unconfirmed);
        }
        let hides = |doubt: &&Doubt| matches!(doubt, Doubt::MayHide { .. });
        why.extend(
            doubts
                .iter()
                .filter(hides)
                .map(|doubt| Why::Doubts(vec![doubt.clone()])),
        );
        return (VerdictKind::Fault, why);
    }
    if !doubts.is_empty() {
        why.splice(0..0, doubt::together(doubts).into_iter().map(Why::Doubts));
        return (VerdictKind::Undecided, why);
    }
    if !why.is_empty() {
        return (VerdictKind::NotReady, why);
    }
    match by_inverter(inverter, state, profile) {
        Ok((kind, why)) => (kind, vec![why]),
        Err(doubt) => {
            let why = vec![Why::Doubts(vec![doubt.clone()])];
            doubts.push(doubt);
            (VerdictKind::Undecided, why)
        }
    }
}

/// Nothing is wrong and nothing is missing: what remains is the inverter link.
fn by_inverter(
    inverter: &InverterLink,
    state: Option<StateKind>,
    profile: &Profile,
) -> Result<(VerdictKind, Why), Doubt> {
    let silence_s = profile.inverter.silence_s;
    match (inverter, state) {
        (_, Some(StateKind::Fault)) => Err(Doubt::FaultStateOnly),
        (_, Some(StateKind::Maintenance)) => Ok((VerdictKind::NotReady, Why::Maintenance)),
        (
            InverterLink::TooEarly {
                remaining_s,
                is_up,
                restarted,
            },
            _,
        ) => Err(Doubt::TooEarly {
            silence_s,
            remaining_s: *remaining_s,
            is_up: *is_up,
            restarted: *restarted,
        }),
        (InverterLink::Woke { after }, _) => Err(Doubt::WokeAfterUs { after: *after }),
        (InverterLink::Unknown(why), _) if why.is_not_shown() => {
            Err(Doubt::InverterNotShown { why: *why })
        }
        (InverterLink::Unknown(why), _) => Err(Doubt::LinkUnknown { why: *why }),
        (InverterLink::SilentSoFar { proven, fed_by_us }, _) => {
            let why = Why::NoInverter {
                proven: *proven,
                fed_by_us: *fed_by_us,
                silence_s,
            };
            Ok((VerdictKind::AwaitingInverter, why))
        }
        (InverterLink::Lost { heard_s }, _) => {
            let why = Why::InverterLost {
                heard_s: *heard_s,
                silence_s,
            };
            Ok((VerdictKind::InverterLost, why))
        }
        (InverterLink::Heard, Some(StateKind::Standby | StateKind::Running)) => {
            Ok((VerdictKind::Normal, Why::InService))
        }
        (InverterLink::Heard, state) => Err(Doubt::NotInService { state }),
    }
}
