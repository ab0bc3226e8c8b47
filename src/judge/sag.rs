//! A cell that gives way under current: told by its sisters, where the current itself was read at other
//! moments than the cells.
//!
//! Input: how the cells of one member moved between two answers, and what its flags say. Output: one
//! finding with the cell and its numbers. Does not: give a resistance (that needs voltage and current of
//! one answer, see `resistance`).
//!
//! # Why the sisters tell it
//! All cells of a pack carry the same current. Where the middle cell moved by so much, the current did
//! change; a cell that moved many times as far is the odd one, whatever the current was.

use std::collections::BTreeMap;
use std::time::Duration;

use packside_profiles::model::{Profile, Severity};
use packside_profiles::{Class, Place, Role};

use super::measure::finding;
use crate::evidence::samples::{MemberEvidence, number};
use crate::facts::fact::{Compared, Fact};
use crate::facts::judgement::{Certainty, Finding, Reading, ReadingQuality, Source};

/// The middle cell moves at least this far under a change of the current worth speaking of, V.
// Kind: derived (10 A through 1 mOhm, the order of a cell of such packs)
const MIDDLE_MOVED: f64 = 0.010;
/// The odd cell moves at least so many times as far as the middle one.
const TIMES: f64 = 4.0;
/// And at least this much further, V.
// Kind: invented (many steps of a register, far above the noise of a measurement)
const FURTHER: f64 = 0.100;
/// Fewer cells in one answer have no middle worth the name.
const SISTERS: usize = 8;
/// Answers further apart than this are of two states of charge.
// Kind: invented (a pack at its rated current moves less than a percent in that time)
const TOGETHER: Duration = Duration::from_secs(120);
/// So many newest answers are compared.
const NEWEST: usize = 24;
/// A cell that stands this far below the middle of all is the odd one, V.
// Kind: common practice (cells of one pack agree within some 20 mV on the flat part of the curve)
const BELOW: f64 = 0.050;

/// The cell that gives way, if one does. `flagged` is what the unit itself says.
pub(crate) fn gives_way(
    evidence: &MemberEvidence,
    readings: &[Reading],
    profile: &Profile,
    flagged: &[Finding],
) -> Option<Finding> {
    between_two_answers(evidence, profile).or_else(|| recovered(readings, profile, flagged))
}

/// What one cell did between two answers, beside the middle cell.
struct Moved {
    place: Place,
    from: f64,
    to: f64,
    middle: f64,
}

fn between_two_answers(evidence: &MemberEvidence, profile: &Profile) -> Option<Finding> {
    let mut answers: BTreeMap<Duration, Vec<(Place, f64)>> = BTreeMap::new();
    for (instance, point, samples) in evidence.each(profile) {
        if point.role != Role::CellVoltage {
            continue;
        }
        let newest = samples.len().saturating_sub(NEWEST);
        for sample in samples.iter().skip(newest) {
            if let Some(volts) = number(sample) {
                let cells = answers.entry(sample.at).or_default();
                cells.push((instance.place, volts));
            }
        }
    }
    let answers: Vec<_> = answers.into_iter().collect();
    let newest = answers.len().saturating_sub(NEWEST);
    let answers = answers.get(newest..)?;
    let odd = answers
        .iter()
        .enumerate()
        .find_map(|(index, (at, cells))| {
            let later = answers.iter().skip(index + 1);
            later
                .take_while(|(then, _)| then.saturating_sub(*at) <= TOGETHER)
                .find_map(|(_, then)| odd_one(cells, then))
        })?;
    let (low, high) = (odd.from.min(odd.to), odd.from.max(odd.to));
    let fact = Compared::GivesWay {
        place: odd.place,
        low,
        high,
        middle: odd.middle,
    };
    Some(finding(
        Class::CellResistance,
        Severity::Alarm,
        evidence.unit,
        odd.place,
        fact,
    ))
}

/// The cell that moved much further than the middle one, and the same way.
fn odd_one(before: &[(Place, f64)], after: &[(Place, f64)]) -> Option<Moved> {
    let mut moves: Vec<(Place, f64, f64)> = before
        .iter()
        .enumerate()
        .filter_map(|(index, (place, from))| {
            // Answers to one question have the same cells in the same order.
            let same = after.get(index).filter(|(other, _)| other == place);
            let (_, to) = same.or_else(|| after.iter().find(|(other, _)| other == place))?;
            Some((*place, *from, *to))
        })
        .collect();
    let any_far = moves
        .iter()
        .any(|(_, from, to)| (to - from).abs() >= FURTHER);
    if moves.len() < SISTERS || !any_far {
        return None;
    }
    moves.sort_by(|a, b| (a.2 - a.1).total_cmp(&(b.2 - b.1)));
    let (_, from, to) = *moves.get(moves.len() / 2)?;
    let middle = to - from;
    let (place, from, to) = if middle < 0.0 {
        *moves.first()?
    } else {
        *moves.last()?
    };
    let (far, usual) = ((to - from).abs(), middle.abs());
    let is_odd = usual >= MIDDLE_MOVED && far >= TIMES * usual && far - usual >= FURTHER;
    is_odd.then_some(Moved {
        place,
        from,
        to,
        middle,
    })
}

/// The unit says that a cell is below its limit, and now none is: the one that stands below its sisters
/// falls only under current. Where none stands out (any more) nothing is concluded: an empty pack comes back as well.
fn recovered(readings: &[Reading], profile: &Profile, flagged: &[Finding]) -> Option<Finding> {
    // Up now, or up earlier in this very look: what is only seen earlier is `Open`.
    let says_so = |f: &&Finding| f.is_root_alarm() || f.sure == Certainty::Open;
    let says = flagged
        .iter()
        .filter(|f| f.class == Some(Class::CellUnderVoltage))
        .find(says_so)?;
    let Fact::Flagged(flag) = &says.fact else {
        return None;
    };
    let point = profile
        .points
        .iter()
        .find(|p| p.role == Role::CellVoltage)?;
    let limit = point.limits.alarm_below?;
    let cells = || readings.iter().filter(|r| r.role == Role::CellVoltage);
    if cells().any(|r| r.quality != ReadingQuality::Good) {
        return None;
    }
    let mut volts: Vec<(f64, Place)> = cells()
        .filter_map(|r| Some((r.number()?, r.place)))
        .collect();
    volts.sort_by(|a, b| a.0.total_cmp(&b.0));
    let (lowest, place) = *volts.first()?;
    let (middle, _) = *volts.get(volts.len() / 2)?;
    if volts.len() < SISTERS || lowest < limit + FURTHER || middle - lowest < BELOW {
        return None;
    }
    let fact = Compared::LowOnlyUnderCurrent {
        says: flag.clone(),
        place,
        lowest,
        middle,
    };
    Some(Finding {
        source: Source::Flag,
        ..finding(
            Class::CellResistance,
            Severity::Alarm,
            says.unit,
            place,
            fact,
        )
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn cells(volts: impl Fn(u16) -> f64) -> Vec<(Place, f64)> {
        (1..=20)
            .map(|item| {
                let place = Place {
                    module: Some(1),
                    item: Some(item),
                };
                (place, volts(item))
            })
            .collect()
    }

    // Kind: derived (50 A through 0.6 mOhm and, in one cell, 12 mOhm more)
    #[test]
    fn cell_that_moves_far_more_than_its_sisters_is_the_odd_one_both_ways() {
        let rest = cells(|_| 3.26);
        let load = cells(|item| if item == 17 { 2.63 } else { 3.23 });
        for (one, other) in [(&rest, &load), (&load, &rest)] {
            let odd = odd_one(one, other).unwrap();
            assert_eq!(odd.place.item, Some(17));
        }
    }

    #[test]
    fn alike_cells_and_cells_without_a_step_name_nobody() {
        let rest = cells(|_| 3.26);
        assert!(odd_one(&rest, &cells(|item| 3.23 + 0.001 * f64::from(item % 4))).is_none());
        // One cell was changed or read wrongly, no current moved the others.
        let jumped = cells(|item| if item == 3 { 3.05 } else { 3.26 });
        assert!(odd_one(&rest, &jumped).is_none());
    }
}
