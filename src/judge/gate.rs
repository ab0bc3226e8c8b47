//! The gate: what must have been read, good and fresh, before any clean verdict.
//!
//! `normal`, `not-ready`, `awaiting-inverter` and `inverter-lost` need every required point: all
//! alarm words of every member and module, state, inverter link, own heartbeat seen moving, cell
//! and temperature extremes, current, identity. **A word that could not be read is not a word that is zero.**

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
        .filter(|r| needed(r, profile))
        .filter_map(|r| shortfall(r, we_asked))
        .collect();
    for index in &layout.pending {
        if let Some(point) = profile
            .points
            .get(*index)
            .filter(|p| p.required || always_needed(p.role))
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

fn needed(reading: &Reading, profile: &Profile) -> bool {
    always_needed(reading.role)
        || profile
            .points
            .iter()
            .any(|p| p.id == reading.point && p.required)
}

/// Roles without which no clean verdict is possible, whatever the profile says.
fn always_needed(role: Role) -> bool {
    matches!(
        role,
        Role::AlarmWord
            | Role::FaultCode
            | Role::State
            | Role::OwnHeartbeat
            | Role::InverterFlag
            | Role::CellVoltageMax
            | Role::CellVoltageMin
            | Role::CellTemperatureMax
            | Role::CellTemperatureMin
            | Role::PackCurrent
            | Role::Serial
            | Role::Firmware
    )
}

/// Why this reading does not satisfy the gate.
fn shortfall(reading: &Reading, we_asked: bool) -> Option<Doubt> {
    if reading.quality == ReadingQuality::NeverAsked && !we_asked {
        let what = Unasked::Reading(reading.name.clone());
        return Some(Doubt::NotAsked { what });
    }
    let lack = match (reading.quality, reading.remark) {
        (ReadingQuality::Good, _)
        | (ReadingQuality::NotAvailable, Some(ValueRemark::NotValidNow)) => {
            return None;
        }
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
