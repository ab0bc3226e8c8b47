//! The step of the current that a visit asks for: the cells before it and under load.
//!
//! Input: what was read between marks, live or from a recording. Output: a [`LoadStep`]. What it shows is
//! fitted by `diagnose::resistance`.

use std::borrow::Borrow;
use std::time::Duration;

use packside_profiles::model::Profile;
use packside_profiles::{Place, Role};

use crate::event::{Event, What, clock_breaks};
use crate::evidence::samples::{MemberEvidence, number};
use crate::judge::evidence_in;
use crate::judge::resistance::current_sign;
pub use crate::judge::resistance::{
    CellStep, Fitted, LEAST_STEP, LoadStep, NoFit, Resistance, fit,
};

/// Marks in a recording around the reading at rest and the one under load.
pub const MARKS: [&str; 4] = ["load-rest-begin", "load-rest-end", "load-begin", "load-end"];

/// Cells and current around one reading.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct LoadMoment {
    /// Current, A, positive into the battery.
    pub(crate) current: f64,
    /// How much it moved meanwhile, A.
    moved: f64,
    cells: Vec<(Place, f64)>,
}

/// Currents, A, positive into the battery.
pub(crate) fn currents(evidence: &MemberEvidence, profile: &Profile) -> Vec<(Duration, f64)> {
    let sign = current_sign(profile);
    let mut currents = evidence.series(profile, Role::PackCurrent);
    for (_, amperes) in &mut currents {
        *amperes *= sign;
    }
    currents
}

/// What was read between two times; nothing without cells or current.
pub(crate) fn moment(
    evidence: &MemberEvidence,
    profile: &Profile,
    (from, to): (Duration, Duration),
) -> Option<LoadMoment> {
    let inside = |at: Duration| (from..=to).contains(&at);
    let amperes = currents(evidence, profile)
        .into_iter()
        .filter(|(at, _)| inside(*at));
    let (low, high) = amperes.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), (_, a)| {
        (low.min(a), high.max(a))
    });
    let cells: Vec<(Place, f64)> = evidence
        .each(profile)
        .filter(|(_, point, _)| point.role == Role::CellVoltage)
        .filter_map(|(instance, _, samples)| {
            let last = samples.iter().rev().find(|sample| inside(sample.at))?;
            Some((instance.place, number(last)?))
        })
        .collect();
    (low <= high && !cells.is_empty()).then_some(LoadMoment {
        current: f64::midpoint(low, high),
        moved: high - low,
        cells,
    })
}

/// The last step of the current that was recorded between its marks, if it is whole. Where the
/// computer slept in the middle, nobody knows how long the load was on: no step.
///
/// `beside` are those of the events that are no traffic, or more.
pub(crate) fn recorded(
    beside: &[Event],
    events: impl IntoIterator<Item: Borrow<Event>>,
    profile: &Profile,
) -> Option<LoadStep> {
    let marked = |name: &str| {
        let is = |event: &&Event| matches!(&event.what, What::Mark(mark) if mark == name);
        beside.iter().rev().find(is).map(|event| event.at)
    };
    let [Some(a), Some(b), Some(c), Some(d)] = MARKS.map(marked) else {
        return None;
    };
    let belongs =
        |event: &Event| matches!(event.what, What::Opened(_)) || (a..=d).contains(&event.at);
    let between = events.into_iter().filter(|event| belongs(event.borrow()));
    let between: Vec<Event> = between.map(|event| event.borrow().clone()).collect();
    if !clock_breaks(&between).is_empty() {
        return None;
    }
    let evidence = evidence_in(&between, profile);
    let both = |evidence| {
        Some((
            moment(evidence, profile, (a, b))?,
            moment(evidence, profile, (c, d))?,
        ))
    };
    let (rest, under) = evidence.iter().find_map(both)?;
    let point = profile.points.iter().find(|p| p.role == Role::CellVoltage);
    let under_load = |place: Place| under.cells.iter().find(|(other, _)| *other == place);
    let cells = rest.cells.iter().filter_map(|(place, volts)| {
        Some(CellStep {
            place: *place,
            before: *volts,
            under_load: under_load(*place)?.1,
        })
    });
    Some(LoadStep {
        before: rest.current,
        under_load: under.current,
        current_moved: rest.moved.max(under.moved),
        resolution: point.map_or(0.001, |p| p.scale.value()),
        cells: cells.collect(),
    })
}
