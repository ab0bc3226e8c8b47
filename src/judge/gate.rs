//! The gate: what must have been read, good and fresh, before any clean verdict.
//!
//! `normal`, `not-ready`, `awaiting-inverter` and `inverter-lost` need every required point: all
//! alarm words of every member and module, state, inverter link, own heartbeat seen moving, cell
//! and temperature extremes, identity. **A word that could not be read is not a word that is zero.**

use packside_profiles::model::Profile;
use packside_profiles::{Layout, Role};

use crate::evidence::heartbeat::Pulse;
use crate::facts::doubt::{Doubt, DoubtKind};
use crate::facts::judgement::{Reading, ReadingQuality};
use crate::facts::readings::NOT_VALID_NOW;

/// What is missing, each as a phrase that names it.
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
            let text = format!("{}: how many there are is not known", point.id);
            missing.push(DoubtKind::NotRead.says(text));
        }
    }
    for role in [Role::State, Role::OwnHeartbeat] {
        if !profile.points.iter().any(|p| p.role == role) {
            missing
                .push(DoubtKind::NothingThere.says(format!("the profile has no point for {role}")));
        }
    }
    if pulse == Pulse::NotKnown && profile.points.iter().any(|p| p.role == Role::OwnHeartbeat) {
        missing.push(DoubtKind::HeartbeatUnseen.says("own heartbeat: not yet seen moving"));
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
            | Role::Serial
            | Role::Firmware
    )
}

/// Why this reading does not satisfy the gate.
fn shortfall(reading: &Reading, we_asked: bool) -> Option<Doubt> {
    if reading.quality == ReadingQuality::NeverAsked && !we_asked {
        let text = format!("{}: nobody asked for it", reading.name);
        return Some(DoubtKind::NotAsked.says(text));
    }
    let why = match reading.quality {
        ReadingQuality::Good => return None,
        ReadingQuality::NotAvailable if reading.remark.as_deref() == Some(NOT_VALID_NOW) => {
            return None;
        }
        ReadingQuality::NotAvailable => reading
            .remark
            .clone()
            .unwrap_or_else(|| "the unit has no value".to_owned()),
        ReadingQuality::OutOfRange => "impossible value".to_owned(),
        ReadingQuality::Stale => "too old".to_owned(),
        ReadingQuality::NeverAsked => "not read".to_owned(),
    };
    Some(DoubtKind::NotRead.says(format!("{}: {why}", reading.name)))
}
