//! Which instances of a unit are followed beyond their last sample, and where they stand in its layout.

use std::collections::BTreeMap;

use packside_profiles::{Layout, Role};

use super::map::Map;

/// Where the instances stand that are followed beyond their last sample.
#[derive(Debug, Clone, Default)]
pub(super) struct Followed {
    pub(super) uptime: Option<usize>,
    pub(super) heartbeat: Option<usize>,
    pub(super) state: Option<usize>,
    pub(super) switches: Option<usize>,
    pub(super) current: Option<usize>,
    pub(super) inverter_beat: Option<usize>,
    pub(super) inverter_age: Option<usize>,
    pub(super) temperatures: Vec<usize>,
    pub(super) inverter: Vec<usize>,
    pub(super) scales: Vec<usize>,
    /// By instance: whether it is a cell.
    pub(super) cells: Vec<bool>,
    /// By point: its first instance.
    pub(super) first_of: BTreeMap<usize, usize>,
}

impl Followed {
    pub(super) fn of(layout: &Layout, map: &Map) -> Self {
        let mut followed = Self::default();
        for (index, instance) in layout.instances.iter().enumerate() {
            let role = map.point(instance.point).map(|point| point.role);
            followed.cells.push(role == Some(Role::CellVoltage));
            followed.first_of.entry(instance.point).or_insert(index);
            if map.carries_inverter_flag(instance.point) {
                followed.inverter.push(index);
            }
            if matches!(
                role,
                Some(Role::CellTemperature | Role::CellTemperatureMin | Role::CellTemperatureMax)
            ) {
                followed.temperatures.push(index);
            }
            let first = match role {
                Some(Role::Uptime) => &mut followed.uptime,
                Some(Role::OwnHeartbeat) => &mut followed.heartbeat,
                Some(Role::State) => &mut followed.state,
                Some(Role::Switches) => &mut followed.switches,
                Some(Role::PackCurrent) => &mut followed.current,
                Some(Role::InverterHeartbeat) => &mut followed.inverter_beat,
                Some(Role::InverterAge) => &mut followed.inverter_age,
                Some(Role::ScaleFactor) => {
                    followed.scales.push(index);
                    continue;
                }
                _ => continue,
            };
            first.get_or_insert(index);
        }
        followed
    }
}
