//! The latest value of every instance, with its age and how far it may be relied on.
//!
//! Freshness (DESIGN): 30 s or three times the median gap between good readings, whichever is
//! larger, never above 120 s; identity is valid for 120 s.

use std::time::Duration;

use packside_profiles::model::{Point, Profile};
use packside_profiles::{Decoded, Instance, Quality, Role, Value};

use super::fact::PointIndex;
use super::judgement::{Reading, ReadingQuality, ValueRemark};
use crate::evidence::samples::Given;
use crate::evidence::track::Track;
use crate::evidence::unit::UnitMemory;

/// Shortest time for which a live reading stays fresh.
const FRESH_AT_LEAST: Duration = Duration::from_secs(30);
/// Longest time for which any reading stays fresh.
const FRESH_AT_MOST: Duration = Duration::from_secs(120);

/// Latest readings of a member, in the order of its layout; points that wait for a count follow as
/// never asked. Ages are those at the moment judged; whether a value is fresh is decided by when the unit
/// itself was read last.
pub(crate) fn readings(
    evidence: &UnitMemory,
    profile: &Profile,
    (moment, read_until): (Duration, Duration),
    clocks_broke_at: Option<Duration>,
) -> Vec<Reading> {
    let session = evidence.session;
    let gaps = evidence
        .questions
        .median_gaps(evidence.layout.instances.len(), session);
    let mut readings: Vec<Reading> = Vec::with_capacity(gaps.len());
    for ((instance, point, track), gap) in evidence.each(profile).zip(gaps) {
        let mut reading = reading(evidence.unit, instance, point, track);
        let read_at = track.last.as_ref().map(|last| last.at.within(session));
        match read_at {
            None => {}
            Some(None) => too_old(&mut reading, ValueRemark::EarlierSession),
            Some(Some(at)) if clocks_broke_at.is_some_and(|broke| at < broke) => {
                too_old(&mut reading, ValueRemark::ClocksBroke);
            }
            Some(Some(at)) => {
                let age = moment.saturating_sub(at);
                reading.age = Some(age);
                let is_good = reading.quality == ReadingQuality::Good;
                if is_good && read_until.saturating_sub(at) > fresh_for(gap, point.role) {
                    reading.quality = ReadingQuality::Stale;
                }
            }
        }
        readings.push(reading);
    }
    apply_validity(&mut readings, profile);
    readings
}

/// What an answer that was complete at this moment gave, in the order of the layout.
#[cfg(feature = "cli")]
pub(crate) fn just_read(unit: &UnitMemory, profile: &Profile, at: Duration) -> Vec<Reading> {
    let is_new = |track: &Track| {
        let last = track.last.as_ref();
        last.and_then(|last| last.at.within(unit.session)) == Some(at)
    };
    // Only a value with a condition needs the others to be looked at.
    let mut instances = unit.each(profile).filter(|(.., track)| is_new(track));
    let needs_all = instances.any(|(_, point, _)| point.valid_when.is_some());
    let wanted = unit
        .each(profile)
        .map(|(instance, point, track)| (is_new(track), instance, point, track))
        .filter(|(new, ..)| needs_all || *new);
    let (new, mut readings): (Vec<bool>, Vec<Reading>) = wanted
        .map(|(new, instance, point, track)| (new, reading(unit.unit, instance, point, track)))
        .unzip();
    if needs_all {
        apply_validity(&mut readings, profile);
    }
    let each = readings.into_iter().zip(new);
    each.filter_map(|(reading, new)| new.then_some(reading))
        .collect()
}

/// How long ago it was read is not known.
fn too_old(reading: &mut Reading, remark: ValueRemark) {
    if reading.quality == ReadingQuality::Good {
        reading.quality = ReadingQuality::Stale;
        reading.remark = Some(remark);
    }
}

fn reading(unit: u8, instance: &Instance, point: &Point, track: &Track) -> Reading {
    let mut reading = Reading {
        name: packside_profiles::layout::name(&point.id, instance.place),
        point: point.id.clone(),
        point_index: PointIndex(instance.point),
        role: point.role,
        place: instance.place,
        value: None,
        value_name: None,
        value_unit: point.unit.clean().into_owned(),
        raw: None,
        unit,
        table: instance.table,
        register: instance.address,
        quality: ReadingQuality::NeverAsked,
        remark: None,
        age: None,
    };
    match track.last.as_ref().map(|last| &last.what) {
        None => {}
        Some(Given::Refused(code)) => {
            reading.quality = ReadingQuality::NotAvailable;
            reading.remark = Some(ValueRemark::Refused(*code));
        }
        Some(Given::Decoded(decoded)) => fill(&mut reading, decoded, point),
    }
    reading
}

fn fill(reading: &mut Reading, decoded: &Decoded, point: &Point) {
    reading.raw = Some(decoded.raw);
    reading.value.clone_from(&decoded.value);
    reading.quality = match decoded.quality {
        Quality::Good => ReadingQuality::Good,
        Quality::NotAvailable => ReadingQuality::NotAvailable,
        Quality::OutOfRange => ReadingQuality::OutOfRange,
    };
    if let Some(Value::Code(code)) = decoded.value {
        reading.value_name = point
            .values
            .iter()
            .find(|v| v.is == code)
            .map(|v| v.name.clean().into_owned());
    }
}

/// A value whose condition does not hold says nothing now. Where the condition itself could not be read nobody knows
/// whether it does: the value lacks what the condition lacks.
fn apply_validity(readings: &mut [Reading], profile: &Profile) {
    let conditions: Vec<(usize, ReadingQuality, Option<ValueRemark>)> = readings
        .iter()
        .enumerate()
        .filter_map(|(index, reading)| {
            let point = profile.points.iter().find(|p| p.id == reading.point)?;
            let condition = point.valid_when.as_ref()?;
            let of_condition = |other: &&Reading| {
                other.point == condition.point
                    && (other.place.module.is_none() || other.place.module == reading.place.module)
            };
            let mut said = readings.iter().filter(of_condition);
            let holds = |other: &Reading| other.raw.is_some_and(|raw| condition.is.contains(&raw));
            if said.clone().any(holds) {
                return None;
            }
            let unread = said.find(|other| other.raw.is_none());
            let not_now = (ReadingQuality::NotAvailable, Some(ValueRemark::NotValidNow));
            let (quality, remark) = unread.map_or(not_now, |other| (other.quality, other.remark));
            Some((index, quality, remark))
        })
        .collect();
    for (index, quality, remark) in conditions {
        if let Some(reading) = readings.get_mut(index) {
            reading.quality = quality;
            reading.remark = remark;
        }
    }
}

/// How long a sample stays fresh whose instance is read with such gaps in the middle.
fn fresh_for(gap: Duration, role: Role) -> Duration {
    if is_identity(role) {
        return FRESH_AT_MOST;
    }
    (gap * 3).clamp(FRESH_AT_LEAST, FRESH_AT_MOST)
}

/// Points that say who the unit is rather than how it is.
pub(crate) fn is_identity(role: Role) -> bool {
    matches!(
        role,
        Role::Serial
            | Role::Model
            | Role::Firmware
            | Role::ModuleSerial
            | Role::ModuleFirmware
            | Role::ModulePosition
            | Role::ModuleCount
            | Role::PackCount
            | Role::MapMark
            | Role::ScaleFactor
    )
}
