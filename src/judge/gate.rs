//! The gate: what must have been read, good and fresh, before any clean verdict.
//!
//! `normal`, `not-ready`, `awaiting-inverter` and `inverter-lost` need every point that a map names and that
//! could say otherwise, whether or not the map calls it required: what this unit does not give of it is lost
//! sight. **A word that could not be read is not a word that is zero.**

use packside_profiles::model::{Gap, Profile};
use packside_profiles::{Layout, Role};

use crate::evidence::heartbeat::Pulse;
use crate::facts::doubt::{Doubt, Lack, Unasked};
use crate::facts::judgement::{Reading, ReadingQuality, ValueRemark};

/// What is missing, each by its name.
pub(crate) fn missing(
    readings: &[Reading],
    layout: &Layout,
    profile: &Profile,
    pulse: Pulse,
    we_asked: bool,
) -> Vec<Doubt> {
    let mut missing: Vec<Doubt> = readings
        .iter()
        .filter(|r| is_needed(r, profile))
        .filter_map(|r| shortfall(r, profile, we_asked))
        .collect();
    for index in &layout.pending {
        if let Some(point) = profile
            .points
            .get(*index)
            .filter(|p| p.required || need(p.role) == Need::Always)
        {
            missing.push(Doubt::NotRead {
                name: point.id.clone(),
                lack: Lack::Count,
            });
        }
    }
    missing.extend(profile.gaps.iter().map(|gap| match *gap {
        Gap::Point(role) => Doubt::NothingThere { role },
        gap => Doubt::NotJudged { gap },
    }));
    if pulse == Pulse::NotKnown && profile.points.iter().any(|p| p.role == Role::OwnHeartbeat) {
        missing.push(Doubt::HeartbeatUnseen);
    }
    missing
}

/// What a verdict without a fault needs of a point that the map names.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(super) enum Need {
    /// Its value, good and fresh.
    Always,
    /// Its value, or that the unit says it has none now.
    AnAnswer,
    /// Nothing: without it less is tested.
    Nothing,
    /// Nothing: it is shown, or judged by itself where it counts.
    Shown,
}

/// What a verdict without a fault needs of a point for this, whatever the profile says.
pub(super) fn need(role: Role) -> Need {
    match role {
        Role::PackVoltage
        | Role::TerminalVoltage
        | Role::PackCurrent
        | Role::ModuleVoltage
        | Role::CellVoltage
        | Role::CellVoltageMax
        | Role::CellVoltageMin
        | Role::CellTemperature
        | Role::CellTemperatureMax
        | Role::CellTemperatureMin
        | Role::Soc
        | Role::State
        | Role::AlarmWord
        | Role::WarningWord
        | Role::LatchedWord
        | Role::FaultCode
        | Role::InverterFlag
        | Role::OwnHeartbeat
        | Role::Uptime
        | Role::Switches
        | Role::Serial
        | Role::Firmware
        | Role::ModuleCount
        | Role::PackCount => Need::Always,
        Role::Insulation => Need::AnAnswer,
        Role::PackPower
        | Role::ModuleSoc
        | Role::Balancing
        | Role::InverterAge
        | Role::InverterEverHeard
        | Role::InverterHeartbeat
        | Role::ChargeLimit
        | Role::DischargeLimit
        | Role::ModuleSerial
        | Role::ModuleFirmware
        | Role::ModulePosition => Need::Nothing,
        Role::Soh
        | Role::UnitClock
        | Role::InsulationValid
        | Role::Model
        | Role::MapMark
        | Role::ScaleFactor
        | Role::Cycles
        | Role::Other => Need::Shown,
    }
}

/// Whether a clean verdict needs this reading.
pub(crate) fn is_needed(reading: &Reading, profile: &Profile) -> bool {
    matches!(need(reading.role), Need::Always | Need::AnAnswer) || is_required(reading, profile)
}

fn is_required(reading: &Reading, profile: &Profile) -> bool {
    let mut points = profile.points.iter();
    points.any(|point| point.id == reading.point && point.required)
}

/// Why this reading does not satisfy the gate.
fn shortfall(reading: &Reading, profile: &Profile, we_asked: bool) -> Option<Doubt> {
    if reading.quality == ReadingQuality::NeverAsked && !we_asked {
        let what = Unasked::Reading(reading.name.clone());
        return Some(Doubt::NotAsked { what });
    }
    let is_always = need(reading.role) == Need::Always;
    let may_have_none = !is_always && !is_required(reading, profile);
    let lack = match (reading.quality, reading.remark) {
        (ReadingQuality::Good, _) => return None,
        // What must be judged is not excused by a condition under which it counts.
        (ReadingQuality::NotAvailable, Some(ValueRemark::NotValidNow)) if !is_always => {
            return None;
        }
        (ReadingQuality::NotAvailable, None) if may_have_none => return None,
        (ReadingQuality::NotAvailable, Some(ValueRemark::Refused(code))) => Lack::Refused(code),
        (ReadingQuality::NotAvailable, _) => Lack::NoValue,
        (ReadingQuality::OutOfRange, _) => Lack::Impossible,
        (ReadingQuality::Stale, _) => Lack::TooOld,
        (ReadingQuality::NeverAsked, _) => Lack::NotRead,
    };
    Some(Doubt::NotRead {
        name: reading.name.clone(),
        lack,
    })
}
