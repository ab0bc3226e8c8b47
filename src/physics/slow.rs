//! Finds what is slow or counts: texts, clocks, counters, temperatures.
//!
//! Does not: say which temperature a sensor has where several ways to keep one fit; all of them stand beside it.

use packside_profiles::Role;
use packside_profiles::model::{Footing, Kind, WordOrder};

use super::claim::Evidence;
use super::images::Register;
use super::plausible::{TEMPERATURE_WAYS, USUAL_TEMPERATURE};
use super::proposal::{Found, Proposal};
use super::reading::{Reading, Series};
use super::relate::{bounds, correlation, middle, movement, pairs, slope, steps};
use super::text::text_of;

/// Texts: registers side by side of which every byte can be read.
pub(crate) fn texts(found: &mut Found<'_>) {
    let still = |at: Register| {
        let row = found.images.row(at)?;
        let mut words = row.iter().flatten();
        let first = *words.next()?;
        words.all(|word| *word == first).then_some(first)
    };
    let is_text = |word: u16| {
        let [high, low] = word.to_be_bytes();
        let letter = |byte: u8| byte.is_ascii_alphanumeric() || b" -_./".contains(&byte);
        letter(high) && (letter(low) || low == 0)
    };
    let mut runs: Vec<(Register, Vec<u16>)> = Vec::new();
    for at in found.images.registers() {
        let Some(word) = still(at).filter(|word| is_text(*word) || *word == 0) else {
            continue;
        };
        match runs.last_mut() {
            Some((first, words))
                if u16::try_from(words.len())
                    .ok()
                    .and_then(|far| first.plus(far))
                    == Some(at)
                    && (is_text(word)
                        || words.last().is_some_and(|last| last.to_be_bytes()[1] == 0)) =>
            {
                words.push(word);
            }
            _ if is_text(word) => runs.push((at, vec![word])),
            _ => {}
        }
    }
    for (at, mut words) in runs {
        while words.last() == Some(&0) {
            words.pop();
        }
        let Some(text) = text_of(&words).filter(|text| text.len() >= 5) else {
            continue;
        };
        let letters = text.bytes().filter(u8::is_ascii_alphanumeric).count();
        if letters < 4 {
            continue;
        }
        let reading = Reading::plain(1.0).of(Kind::String);
        let mut proposal = Proposal::new(Role::Other, at, reading, "");
        proposal.registers = u16::try_from(words.len()).unwrap_or(1);
        let roles = [Role::Serial, Role::Model, Role::Firmware];
        let proposal = proposal.with(Evidence::Text { text: text.into() });
        found
            .all
            .push(proposal.or(roles.map(|role| (role, reading))));
    }
}

/// Clocks: wide counters of seconds that tell a date.
pub(crate) fn clocks(found: &mut Found<'_>) {
    let times: Series = found.images.times().iter().copied().map(Some).collect();
    let mut clocks: Vec<Proposal> = Vec::new();
    for at in found.free() {
        for order in [WordOrder::HighFirst, WordOrder::LowFirst] {
            let reading = Reading {
                order,
                ..Reading::plain(1.0).of(Kind::U32)
            };
            let series = reading.series(found.images, at, &[]);
            let Some((low, high)) = bounds(&series) else {
                continue;
            };
            let Some(rate) = slope(&pairs(&times, &series)) else {
                continue;
            };
            let moved = high - low;
            let is_second = (0.9..1.1).contains(&rate) && moved >= 10.0;
            let is_straight = correlation(&pairs(&times, &series)) > 0.999;
            // From 2015 to 2040: a smaller number may be one word that counts beside another that stands.
            if !is_second || !is_straight || !(1.42e9..2.21e9).contains(&low) {
                continue;
            }
            let proposal = Proposal::new(Role::UnitClock, at, reading, "s");
            clocks.push(proposal.with(Evidence::CountsSeconds { per_second: rate }));
            break;
        }
    }
    // A word that stands between two that count is the high one of either.
    let is_alone = |one: &Proposal| {
        let places = one
            .instances
            .iter()
            .flat_map(|at| [*at, at.saturating_add(1)]);
        let mut places = places.map(|address| Register::new(one.table, address));
        let others = || clocks.iter().filter(|other| *other != one);
        places.all(|place| !others().any(|other| other.covers(place)))
    };
    let is_clock = |one: &&Proposal| is_alone(one) && !is_end_of_float(found, one);
    let alone = clocks.iter().filter(is_clock).cloned();
    found.all.extend(alone.collect::<Vec<_>>());
}

/// Whether the word that stands for the date makes a usual number with what stands on its other side: the end of a float
/// beside a counter of one register looks like a clock.
fn is_end_of_float(found: &Found<'_>, clock: &Proposal) -> bool {
    let first = clock
        .instances
        .first()
        .and_then(|at| match clock.reading.order {
            WordOrder::HighFirst => at.checked_sub(1),
            WordOrder::LowFirst => at.checked_add(1),
        });
    let Some(first) = first else { return false };
    let reading = clock.reading.of(Kind::F32);
    let series = reading.series(found.images, Register::new(clock.table, first), &[]);
    // Kind: common practice (volts, amperes, degrees, ampere-hours)
    bounds(&series).is_some_and(|(low, high)| low >= 0.1 && high <= 100_000.0)
}

/// Counters that go on steadily: whose, no number tells.
pub(crate) fn counters(found: &mut Found<'_>) {
    let times = found.images.times().to_vec();
    for at in found.free() {
        let Some(row) = found.images.row(at) else {
            continue;
        };
        let words: Vec<(f64, u16)> = times
            .iter()
            .zip(row)
            .filter_map(|(time, word)| Some((*time, (*word)?)))
            .collect();
        let next = words.iter().skip(1);
        let gains: Vec<(f64, f64)> = words
            .iter()
            .zip(next)
            .map(|(old, new)| (new.0 - old.0, f64::from(new.1.wrapping_sub(old.1))))
            .collect();
        let total: f64 = gains.iter().map(|gain| gain.1).sum();
        let time: f64 = gains.iter().map(|gain| gain.0).sum();
        if gains.len() < 5 || total < 5.0 || time <= 0.0 || total / gains.len() as f64 > 2_000.0 {
            continue;
        }
        let rate = total / time;
        let is_steady = gains
            .iter()
            .all(|(time, gain)| (gain - rate * time).abs() <= 1.5 + 0.2 * rate * time);
        if !is_steady {
            continue;
        }
        let reading = Reading::plain(1.0);
        let proposal = Proposal::new(Role::Other, at, reading, "");
        let mut roles = vec![Role::OwnHeartbeat, Role::InverterHeartbeat];
        if (0.9..1.1).contains(&rate) {
            roles.extend([Role::Uptime, Role::InverterAge]);
        }
        let proposal = proposal.with(Evidence::CountsSeconds { per_second: rate });
        found
            .all
            .push(proposal.or(roles.into_iter().map(|role| (role, reading))));
    }
}

/// The ways in which a register may keep a temperature.
fn ways(found: &Found<'_>, at: Register) -> Vec<(Reading, Series)> {
    let mut all = Vec::new();
    for kind in [Kind::I16, Kind::F32] {
        for order in [WordOrder::HighFirst, WordOrder::LowFirst] {
            if kind == Kind::I16 && order == WordOrder::LowFirst {
                continue;
            }
            for (scale, offset) in TEMPERATURE_WAYS {
                let (scale, offset) = if kind == Kind::F32 {
                    (1.0, 0.0)
                } else {
                    (scale, offset)
                };
                let reading = Reading {
                    kind,
                    order,
                    scale,
                    offset,
                    positive: None,
                };
                if all.iter().any(|(known, _)| *known == reading) {
                    continue;
                }
                let series = reading.series(found.images, at, &[]);
                let is_usual = bounds(&series).is_some_and(|(low, high)| {
                    low >= USUAL_TEMPERATURE.0 && high <= USUAL_TEMPERATURE.1
                });
                let is_float_zero = kind == Kind::F32
                    && bounds(&series)
                        .is_some_and(|(low, high)| low.abs() < 0.01 && high.abs() < 0.01);
                if is_usual && movement(&series) <= 6.0 && !is_float_zero {
                    all.push((reading, series));
                }
            }
        }
    }
    all
}

/// Whether a series changes slowly, and neither with the cells nor with the pack.
fn is_slow(series: &Series, with: &[Option<&Series>]) -> bool {
    let mut with = with.iter().flatten();
    with.all(|other| correlation(&steps(series, other)).abs() < 0.4)
}

/// Temperatures: what is slow and lies where temperatures do.
pub(crate) fn temperatures(found: &mut Found<'_>) {
    let (cell, pack) = (found.cell.clone(), found.pack.clone());
    let known: Vec<(Register, Vec<(Reading, Series)>)> = found
        .free()
        .into_iter()
        .map(|at| (at, ways(found, at)))
        .filter(|(_, ways)| {
            ways.iter()
                .any(|(_, series)| is_slow(series, &[cell.as_ref(), pack.as_ref()]))
        })
        .collect();
    let proposals = alone(&known);
    found.all.extend(proposals);
}

/// A register that may keep a temperature, with the ways in which it may.
type Warm = (Register, Vec<(Reading, Series)>);

/// Registers that are slow and lie where temperatures do: what they are is left open. Those side by side that may be
/// kept in the same ways are those of the sensors.
fn alone(known: &[Warm]) -> Vec<Proposal> {
    let mut all = Vec::new();
    for run in side_by_side(known) {
        let Some((at, ways)) = run.first() else {
            continue;
        };
        let Some((first, _)) = ways.first() else {
            continue;
        };
        let moved = |(_, ways): &&Warm| ways.first().is_some_and(|(_, one)| movement(one) > 0.0);
        if run.iter().filter(moved).count() * 2 < run.len() {
            continue;
        }
        let mut proposal = Proposal::new(Role::Other, *at, *first, "");
        proposal.instances = run.iter().map(|(at, _)| at.address).collect();
        proposal.grade = Footing::Narrowed;
        let roles: &[Role] = if run.len() > 1 {
            &[Role::CellTemperature, Role::Other]
        } else {
            &[
                Role::CellTemperature,
                Role::CellTemperatureMax,
                Role::CellTemperatureMin,
            ]
        };
        let readings = ways.iter().map(|(reading, _)| *reading);
        let rivals: Vec<(Role, Reading)> = readings
            .flat_map(|reading| roles.iter().map(move |role| (*role, reading)))
            .filter(|(role, reading)| *role != Role::Other || reading == first)
            .collect();
        all.push(proposal.or(rivals));
    }
    all
}

/// Fewest registers side by side that are taken for sensors.
const FEWEST_SENSORS: usize = 4;

/// Runs of registers that may be kept in the same ways and lie near each other; shorter ones one by one.
fn side_by_side(known: &[Warm]) -> Vec<&[Warm]> {
    let goes_on = |one: &Warm, next: &Warm| {
        let width = one
            .1
            .first()
            .and_then(|(reading, _)| reading.width())
            .unwrap_or(1);
        let readings = |warm: &Warm| {
            warm.1
                .iter()
                .map(|(reading, _)| *reading)
                .collect::<Vec<_>>()
        };
        let near = |one: &Warm| one.1.first().and_then(|(_, series)| middle(series));
        let is_near = near(one)
            .zip(near(next))
            .is_some_and(|(a, b)| (a - b).abs() < 8.0);
        one.0.plus(width) == Some(next.0) && readings(one) == readings(next) && is_near
    };
    let mut all = Vec::new();
    for run in known.chunk_by(goes_on) {
        if run.len() >= FEWEST_SENSORS {
            all.push(run);
        } else {
            all.extend(run.chunks(1));
        }
    }
    all
}

#[cfg(test)]
mod tests {
    use packside_profiles::model::Table;

    use super::super::images::Images;
    use super::super::learn;
    use super::*;

    /// What is learnt of rows of words by image.
    fn learnt(words: impl Fn(u16) -> Vec<u16>) -> Vec<Role> {
        let mut images = Images::default();
        for image in 0u16..20 {
            let words = (100u16..).zip(words(image));
            let words = words.map(|(at, word)| (Register::new(Table::Holding, at), word));
            images.push(f64::from(image) * 5.0, words.collect::<Vec<_>>());
        }
        learn(&images).iter().map(|one| one.role).collect()
    }

    // Kind: derived (26214 and 16818, the low word first, are a float of 22.3; 26214 as a high word is a day of 2024)
    #[test]
    fn the_end_of_a_float_beside_a_counter_is_no_clock() {
        let clock = learnt(|image| vec![968 + 5 * image, 26_214, 7]);
        assert!(clock.contains(&Role::UnitClock), "{clock:?}");
        let float = learnt(|image| vec![968 + 5 * image, 26_214, 16_818]);
        assert!(!float.contains(&Role::UnitClock), "{float:?}");
    }
}
