//! What is no measurement at all: one word in nearly every register, whatever it means there, or nothing
//! available anywhere.
//!
//! Input: the readings of one unit and what its own counter does. Output: the doubt that takes the place of
//! all findings. Does not: look at numbers that are merely alike. Equal cells at 3.30 V and a room at 20 °C are
//! healthy.
//!
//! # Why the own counter decides
//! A unit that counts on and shows dead cells has lost its modules: that is a fault of its own.

use std::collections::{BTreeMap, BTreeSet};

use packside_profiles::Role;
use packside_profiles::model::{Kind, Point, Profile, Table};

use crate::evidence::heartbeat::Pulse;
use crate::facts::doubt::Doubt;
use crate::facts::judgement::Reading;
use crate::facts::readings::is_identity;

/// One word in so many registers of a hundred is no measurement.
// Kind: common practice
const SHARE: usize = 80;
/// Of zeros it takes so many.
// Kind: common practice
const ZERO_SHARE: usize = 95;
/// And it stands in values of at least so many roles and scales.
// Kind: common practice
const SCALES: usize = 3;

/// Whether what was read is an image of one word.
pub(crate) fn no_measurement(
    readings: &[Reading],
    profile: &Profile,
    pulse: Pulse,
) -> Option<Doubt> {
    if pulse == Pulse::Moving {
        return None;
    }
    let measured = || readings.iter().filter(|r| !is_identity(r.role));
    let point = |reading: &Reading| profile.points.get(reading.point_index.0);
    if let Some(doubt) = nothing_available(measured().filter_map(|r| Some((r, point(r)?)))) {
        return Some(doubt);
    }
    let mut registers: BTreeMap<(Table, u16), u16> = BTreeMap::new();
    for reading in measured() {
        if let (Some(point), Some(raw)) = (point(reading), reading.raw) {
            for (place, word) in words(point, raw) {
                let register = (reading.table, reading.register.saturating_add(place));
                *registers.entry(register).or_default() |= word;
            }
        }
    }
    let mut counted: BTreeMap<u16, usize> = BTreeMap::new();
    for word in registers.values() {
        *counted.entry(*word).or_default() += 1;
    }
    let (word, count) = counted.into_iter().max_by_key(|(_, count)| *count)?;
    let holds_it = |reading: &&Reading| {
        let of_point = point(reading).map(|point| (point.width(), reading.register));
        of_point.is_some_and(|(width, from)| {
            (from..from.saturating_add(width))
                .all(|register| registers.get(&(reading.table, register)) == Some(&word))
        })
    };
    let meanings: BTreeSet<(&str, i64, u32)> = measured()
        .filter(holds_it)
        .filter_map(|reading| {
            let scale = point(reading)?.scale;
            Some((reading.role.id(), scale.numerator, scale.places))
        })
        .collect();
    let scales: BTreeSet<(i64, u32)> = meanings
        .iter()
        .map(|(_, n, places)| (*n, *places))
        .collect();
    let all = registers.len();
    // Much of a healthy unit at rest is zero; of a dead image even its uptime is.
    let uptime = measured().find(|r| r.role == Role::Uptime);
    let runs = word == 0 && uptime.and_then(|r| r.raw).is_some_and(|raw| raw != 0);
    let share = if word == 0 { ZERO_SHARE } else { SHARE };
    let is_dead =
        count * 100 >= all * share && meanings.len() >= SCALES && scales.len() >= 2 && !runs;
    let per_cent = u8::try_from(count * 100 / all.max(1)).unwrap_or(100);
    is_dead.then_some(Doubt::NoMeasurement {
        word: Some(word),
        per_cent,
    })
}

/// Whether every value that the map gives a word for *not available* has just that, in several roles.
fn nothing_available<'a>(
    mut measured: impl Iterator<Item = (&'a Reading, &'a Point)>,
) -> Option<Doubt> {
    let mut roles: BTreeSet<&str> = BTreeSet::new();
    let is_gone = |(reading, point): (&'a Reading, &'a Point)| {
        if point.not_available.is_empty() {
            return true;
        }
        roles.insert(reading.role.id());
        reading
            .raw
            .is_some_and(|raw| point.not_available.contains(&raw))
    };
    let all = measured.all(is_gone);
    (all && roles.len() >= SCALES).then_some(Doubt::NoMeasurement {
        word: None,
        per_cent: 100,
    })
}

/// The registers of a raw value, each with its place after the first and the bits that the value takes of it.
fn words(point: &Point, raw: u64) -> Vec<(u16, u16)> {
    let shifted = match (point.kind, point.bits) {
        (_, Some([from, _])) => raw.checked_shl(from.into()).unwrap_or_default(),
        (Kind::U8High | Kind::I8High, None) => raw << 8,
        _ => raw,
    };
    let width = point.width().clamp(1, 4);
    (0..width)
        .map(|place| {
            // One word everywhere has no order.
            let [.., high, low] = (shifted >> (16 * place)).to_be_bytes();
            (place, u16::from_be_bytes([high, low]))
        })
        .collect()
}
