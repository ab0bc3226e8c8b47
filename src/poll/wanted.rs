//! What of a register map is read when: by role, and by what must not be touched.
//!
//! Does not: plan reads, or know what was read already.

use packside_profiles::model::{Profile, Span};
use packside_profiles::{Known, Layout, Role};

use super::plan::{Read, absolute};
use crate::evidence::map::count_points;

/// Ranges that no read touches for the sake of others beside them: those that clear when read, and
/// those that the unit takes for its inverter.
pub(super) fn avoided(profile: &Profile, known: &Known) -> Vec<Span> {
    let mut avoided = absolute(&profile.clears_when_read, known);
    avoided.extend(absolute(&profile.inverter.reads_of, known));
    avoided
}

/// Every register that a look may read, whatever counts the unit has: one read per instance.
///
/// To be judged before the first byte, when no count is known yet.
pub fn may_read(profile: &Profile) -> Vec<Read> {
    let counts = count_points(profile).into_iter();
    let known = Known {
        counts: counts.map(|id| (id, u16::MAX)).collect(),
        ..Known::default()
    };
    let spans = absolute(&profile.spans, &known);
    let holds = |read: &Read| spans.iter().any(|span| read.touches(span));
    let instances = Layout::new(profile, &known).instances;
    let reads = instances.into_iter().map(|instance| Read {
        table: instance.table,
        address: instance.address,
        count: instance.registers,
        instances: Vec::new(),
    });
    reads.filter(holds).collect()
}

/// What every pack of a rack is asked before the rest of any: flags, states, extremes.
pub(super) fn is_vital(role: Role) -> bool {
    is_quick(role)
        || matches!(
            role,
            Role::CellVoltageMax
                | Role::CellVoltageMin
                | Role::CellTemperatureMax
                | Role::CellTemperatureMin
                | Role::PackVoltage
                | Role::PackCurrent
                | Role::Insulation
        )
}

/// What a limit is held against, and the current that explains it.
pub(super) fn is_measured(role: Role) -> bool {
    is_vital(role)
        || matches!(
            role,
            Role::CellVoltage | Role::CellTemperature | Role::ModuleVoltage | Role::Soc
        )
}

/// What changes quickly and matters most: flags, state, supervision, heartbeat.
pub(super) fn is_quick(role: Role) -> bool {
    matches!(
        role,
        Role::AlarmWord
            | Role::WarningWord
            | Role::FaultCode
            | Role::State
            | Role::InverterFlag
            | Role::InverterAge
            | Role::InverterEverHeard
            | Role::OwnHeartbeat
            | Role::Uptime
    )
}
