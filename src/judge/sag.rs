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

use packside_profiles::model::{Profile, Severity};
use packside_profiles::{Class, Place, Role};

use super::shared::finding;
use crate::evidence::cells::FURTHER;
use crate::evidence::unit::UnitMemory;
use crate::facts::fact::{Compared, Fact};
use crate::facts::judgement::{Certainty, Finding, Reading, ReadingQuality, Source};

/// Fewer cells in one answer have no middle worth the name.
const SISTERS: usize = 8;
/// A cell that stands this far below the middle of all is the odd one, V.
// Kind: common practice (cells of one pack agree within some 20 mV on the flat part of the curve)
const BELOW: f64 = 0.050;

/// The cell that gives way, if one does. `flagged` is what the unit itself says.
pub(crate) fn gives_way(
    evidence: &UnitMemory,
    readings: &[Reading],
    profile: &Profile,
    flagged: &[Finding],
) -> Option<Finding> {
    between_two_answers(evidence).or_else(|| recovered(readings, profile, flagged))
}

fn between_two_answers(evidence: &UnitMemory) -> Option<Finding> {
    let odd = evidence.cells.odd?;
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
