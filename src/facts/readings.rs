//! The latest value of every instance, with its age and how far it may be relied on.
//!
//! Freshness (DESIGN): 30 s or three times the median gap between good readings, whichever is
//! larger, never above 120 s; identity is valid for 120 s.

use std::time::Duration;

use packside_profiles::model::{Point, Profile};
use packside_profiles::{Decoded, Instance, Quality, Role, Value};

use super::fact::PointIndex;
use super::judgement::{Reading, ReadingQuality, ValueRemark};
use crate::evidence::samples::{MemberEvidence, Sample, Seen};
use crate::statistics::median;

/// Shortest time for which a live reading stays fresh.
const FRESH_AT_LEAST: Duration = Duration::from_secs(30);
/// Longest time for which any reading stays fresh.
const FRESH_AT_MOST: Duration = Duration::from_secs(120);

/// Latest readings of a member, in the order of its layout; points that wait for a count follow as
/// never asked.
pub(crate) fn readings(
    evidence: &MemberEvidence,
    profile: &Profile,
    moment: Duration,
    clocks_broke_at: Option<Duration>,
) -> Vec<Reading> {
    let mut readings: Vec<Reading> = evidence
        .each(profile)
        .map(|(instance, point, samples)| reading(evidence.unit, instance, point, samples, moment))
        .collect();
    let before_break = |reading: &&mut Reading| {
        let read_at = reading.age.and_then(|age| moment.checked_sub(age));
        read_at
            .zip(clocks_broke_at)
            .is_some_and(|(at, broke)| at < broke)
    };
    for reading in readings.iter_mut().filter(before_break) {
        reading.age = None;
        if reading.quality == ReadingQuality::Good {
            reading.quality = ReadingQuality::Stale;
            reading.remark = Some(ValueRemark::ClocksBroke);
        }
    }
    apply_validity(&mut readings, profile);
    readings
}

fn reading(
    unit: u8,
    instance: &Instance,
    point: &Point,
    samples: &[Sample],
    moment: Duration,
) -> Reading {
    let mut reading = Reading {
        name: instance.name.clone(),
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
    let Some(last) = samples.last() else {
        return reading;
    };
    let age = moment.saturating_sub(last.at);
    reading.age = Some(age);
    match &last.what {
        Seen::Refused(code) => {
            reading.quality = ReadingQuality::NotAvailable;
            reading.remark = Some(ValueRemark::Refused(*code));
        }
        Seen::Decoded(decoded) => fill(&mut reading, decoded, point),
    }
    if reading.quality == ReadingQuality::Good && age > fresh_for(samples, point.role) {
        reading.quality = ReadingQuality::Stale;
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

/// A value whose condition does not hold says nothing now.
fn apply_validity(readings: &mut [Reading], profile: &Profile) {
    let conditions: Vec<(usize, bool)> = readings
        .iter()
        .enumerate()
        .filter_map(|(index, reading)| {
            let point = profile.points.iter().find(|p| p.id == reading.point)?;
            let condition = point.valid_when.as_ref()?;
            let holds = readings.iter().any(|other| {
                other.point == condition.point
                    && (other.place.module.is_none() || other.place.module == reading.place.module)
                    && other.raw.is_some_and(|raw| condition.is.contains(&raw))
            });
            Some((index, holds))
        })
        .collect();
    for (index, holds) in conditions {
        if let Some(reading) = readings.get_mut(index).filter(|_| !holds) {
            reading.quality = ReadingQuality::NotAvailable;
            reading.remark = Some(ValueRemark::NotValidNow);
        }
    }
}

/// Latest readings whose gaps count.
const GAPS: usize = 64;

/// How long the last of these samples stays fresh.
fn fresh_for(samples: &[Sample], role: Role) -> Duration {
    if is_identity(role) {
        return FRESH_AT_MOST;
    }
    let good: Vec<Duration> = samples
        .iter()
        .rev()
        .filter(|s| matches!(s.what, Seen::Decoded(_)))
        .map(|s| s.at)
        .take(GAPS)
        .collect();
    let gaps = good
        .iter()
        .zip(good.iter().skip(1))
        .map(|(later, earlier)| later.saturating_sub(*earlier));
    let usual = median(gaps.collect(), Duration::cmp).unwrap_or_default();
    (usual * 3).clamp(FRESH_AT_LEAST, FRESH_AT_MOST)
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
