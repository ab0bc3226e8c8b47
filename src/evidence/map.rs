//! What follows from a register map alone, worked out once for all units of a case.
//!
//! Does not: know anything that was read.

use std::sync::Arc;
use std::time::Duration;

use packside_profiles::model::{CellLimits, Count, Flag, Point, Profile};
use packside_profiles::{Class, Instance, Known, Layout, Role};

/// A register map, and what follows from it.
#[derive(Debug)]
pub(crate) struct Map {
    pub(crate) profile: Arc<Profile>,
    /// Points that say how often something repeats, where they stand.
    pub(crate) counts: Vec<Instance>,
    /// By point: the flags that stand in it, as indices into the profile's.
    pub(crate) flags_of: Vec<Vec<usize>>,
    /// By flag, of a status that the silent inverter may bring: all flags that bring it.
    pub(crate) brought_by: Vec<Vec<usize>>,
    /// By flag: the point in which it stands.
    pub(crate) point_of: Vec<Option<usize>>,
    /// The flag of the silent inverter, if it is one.
    pub(crate) inverter_flag: Option<usize>,
    /// Points whose numbers count only while another point says so: both of them.
    pub(crate) valid_when: Vec<(usize, usize)>,
    /// What two steps of the uptime's register come to, s.
    pub(crate) uptime_step: f64,
    /// Where the uptime begins anew, s.
    pub(crate) uptime_range: f64,
}

impl Map {
    pub(crate) fn new(profile: Arc<Profile>) -> Self {
        let names = count_points(&profile);
        let fixed = Layout::new(&profile, &Known::default());
        let counts_something = |instance: &Instance| {
            let point = profile.points.get(instance.point);
            point.is_some_and(|point| names.contains(&point.id))
        };
        let counts = fixed.instances.into_iter().filter(counts_something);
        let counts = counts.collect();
        let in_point = |point: &Point| {
            let flags = profile.flags.iter().enumerate();
            let mine = flags.filter(|(_, flag)| flag.point == point.id);
            mine.map(|(index, _)| index).collect()
        };
        let point_of = |flag: &Flag| profile.points.iter().position(|p| p.id == flag.point);
        let inverter_flag = profile
            .inverter
            .flag
            .as_ref()
            .and_then(|id| profile.flags.iter().position(|flag| flag.id == *id));
        let uptime = profile.points.iter().find(|p| p.role == Role::Uptime);
        let uptime_step = uptime.map_or(0.0, |p| 2.0 * p.scale.value().abs());
        let uptime_range = uptime.map_or(f64::INFINITY, |p| {
            2f64.powf(p.raw_bits().into()) * p.scale.value().abs()
        });
        let place = |id: &str| profile.points.iter().position(|p| p.id == id);
        let valid_when = profile.points.iter().enumerate();
        let valid_when = valid_when
            .filter_map(|(own, p)| Some((own, place(&p.valid_when.as_ref()?.point)?)))
            .collect();
        Self {
            counts,
            valid_when,
            uptime_step,
            uptime_range,
            flags_of: profile.points.iter().map(in_point).collect(),
            brought_by: profile
                .flags
                .iter()
                .map(|flag| brought_by(flag, &profile))
                .collect(),
            point_of: profile.flags.iter().map(point_of).collect(),
            inverter_flag,
            profile,
        }
    }

    /// What excursions need of the map: limits of cells, and how often the unit has a new image.
    pub(crate) fn for_excursions(&self) -> (Option<&CellLimits>, Duration) {
        let refresh = Duration::from_secs_f64(self.profile.refresh_s());
        (self.profile.cell.as_ref(), refresh)
    }

    /// Currents up to this may be none, A.
    // Kind: common practice
    pub(crate) fn least_current(&self) -> f64 {
        (2.0 * self.profile.unit.rest_current).max(1.5)
    }

    pub(crate) fn point(&self, index: usize) -> Option<&Point> {
        self.profile.points.get(index)
    }

    pub(crate) fn flag(&self, index: usize) -> Option<&Flag> {
        self.profile.flags.get(index)
    }

    /// Flags in a point whose words are remembered; nothing where they are not.
    pub(crate) fn words_of(&self, index: usize) -> Option<&[usize]> {
        let flags = self.flags_of.get(index)?;
        let role = self.point(index)?.role;
        (!flags.is_empty() || is_word(role)).then_some(flags)
    }

    /// Whether a point is one whose rises are looked at: each sensor, or the unit's own highest temperature
    /// where it shows no single ones.
    pub(crate) fn tells_heat(&self, index: usize) -> bool {
        let is = |role| move |point: &Point| point.role == role;
        let single = self.profile.points.iter().any(is(Role::CellTemperature));
        self.point(index).is_some_and(|point| match point.role {
            Role::CellTemperature => true,
            Role::CellTemperatureMax => !single,
            _ => false,
        })
    }

    /// Whether a point carries the flag of the silent inverter.
    pub(crate) fn carries_inverter_flag(&self, index: usize) -> bool {
        match self.inverter_flag {
            Some(flag) => self.point_of.get(flag).copied().flatten() == Some(index),
            None => self
                .point(index)
                .is_some_and(|point| point.role == Role::InverterFlag),
        }
    }
}

/// Indices of the flags that bring a status along; none where the silent inverter does not.
fn brought_by(flag: &Flag, profile: &Profile) -> Vec<usize> {
    let flags = profile.flags.iter().enumerate();
    let bringing: Vec<(usize, &Flag)> = flags
        .filter(|(_, other)| other.brings.contains(&flag.id))
        .collect();
    let by_silence = |(_, other): &(usize, &Flag)| other.class == Class::InverterSilent;
    if !flag.class.is_status() || !bringing.iter().any(by_silence) {
        return Vec::new();
    }
    bringing.into_iter().map(|(index, _)| index).collect()
}

/// Whether a point is a word or code of flags.
pub(crate) fn is_word(role: Role) -> bool {
    matches!(
        role,
        Role::AlarmWord | Role::WarningWord | Role::LatchedWord | Role::FaultCode
    )
}

/// Ids of the points whose values say how often something repeats.
pub(crate) fn count_points(profile: &Profile) -> std::collections::BTreeSet<String> {
    let groups = profile.groups.iter().map(|g| &g.count);
    let repeats = profile
        .points
        .iter()
        .filter_map(|p| p.repeat.as_ref().map(|r| &r.count));
    let named = groups.chain(repeats).filter_map(|count| match count {
        Count::Named(name) if name != Count::REST_OF_MODEL => Some(name.clone()),
        _ => None,
    });
    let members = profile.members.as_ref().and_then(|m| m.count.clone());
    named.chain(members).collect()
}
