//! What changed between two visits to one unit.
//!
//! Input: two reports' sources. Output: [`Comparison`], plain data. Cells are compared by their
//! distance from the middle of their own visit, so that another state of charge does not show as a
//! change of every cell.
//!
//! Does not: compare units with different serial numbers, or call a change good or bad.

use std::collections::BTreeMap;

use packside_profiles::Role;

use super::cells::{Cell, Grid};
use super::facts::PageFacts;
use super::{Options, PageSource};
use crate::facts::{Finding, Judgement, VerdictKind};

/// Two visits cannot be compared.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Unequal {
    /// Two units.
    #[error("expected two visits to one unit, found the units {before} and {after}")]
    Serials {
        /// Serial number in the first.
        before: String,
        /// Serial number in the second.
        after: String,
    },
    /// Nobody knows which unit it is.
    #[error("expected a serial number in both recordings, found none in the {which}")]
    Unknown {
        /// `first` or `second`.
        which: &'static str,
    },
}

/// A pair of values, before and after.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct EarlierLater<T> {
    pub(crate) before: T,
    pub(crate) after: T,
}

/// What changed.
#[derive(Debug, Clone)]
pub struct Comparison<'a> {
    /// The earlier and the later visit.
    pub(crate) sources: EarlierLater<PageSource<'a>>,
    /// Serial number of the unit.
    pub(crate) serial: String,
    /// Verdicts as shown, or as judged where none was shown.
    pub(crate) verdicts: EarlierLater<Option<VerdictKind>>,
    /// Findings that are not there any more.
    pub(crate) gone: Vec<Finding>,
    /// Findings that are there now.
    pub(crate) new: Vec<Finding>,
    /// Findings of both visits.
    pub(crate) stayed: Vec<Finding>,
    /// Why cells are not compared, or how each moved against the middle, V.
    pub(crate) cells: Result<Grid, String>,
    /// All cells of both visits.
    pub(crate) grids: EarlierLater<Grid>,
    /// Temperatures of both visits.
    pub(crate) warm: EarlierLater<Grid>,
    /// Named things that differ: what, before, after.
    pub(crate) identity: Vec<(String, EarlierLater<String>)>,
    /// Answers that differ: question, before, after.
    pub(crate) answers: Vec<(String, EarlierLater<String>)>,
}

/// Compares two visits; the earlier one stands first afterwards.
///
/// # Errors
/// Where they are not about one unit, or that cannot be known.
pub fn compare<'a>(
    one: PageSource<'a>,
    other: PageSource<'a>,
    options: Options,
) -> Result<Comparison<'a>, Unequal> {
    let (Some(first), Some(second)) = (serial(&one), serial(&other)) else {
        let which = if serial(&one).is_none() {
            "first"
        } else {
            "second"
        };
        return Err(Unequal::Unknown { which });
    };
    if first != second {
        return Err(Unequal::Serials {
            before: first,
            after: second,
        });
    }
    let (before, after) = if begun(&one) <= begun(&other) {
        (one, other)
    } else {
        (other, one)
    };
    let findings = |source: &PageSource| distinct(&source.judgement.findings);
    let (old, now) = (findings(&before), findings(&after));
    let is_in = |finding: &Finding, list: &[Finding]| list.iter().any(|f| same(f, finding));
    let grid = |source: &PageSource, role| {
        Grid::of(&source.judgement.readings, &source.judgement.findings, role)
    };
    let grids = EarlierLater {
        before: grid(&before, Role::CellVoltage),
        after: grid(&after, Role::CellVoltage),
    };
    Ok(Comparison {
        serial: first,
        verdicts: EarlierLater {
            before: verdict(&before),
            after: verdict(&after),
        },
        gone: old.iter().filter(|f| !is_in(f, &now)).cloned().collect(),
        new: now.iter().filter(|f| !is_in(f, &old)).cloned().collect(),
        stayed: now.iter().filter(|f| is_in(f, &old)).cloned().collect(),
        cells: moved(&before, &after, &grids),
        grids,
        warm: EarlierLater {
            before: grid(&before, Role::CellTemperature),
            after: grid(&after, Role::CellTemperature),
        },
        identity: identity(before.judgement, after.judgement),
        answers: answers(&before, &after, options),
        sources: EarlierLater { before, after },
    })
}

fn serial(source: &PageSource) -> Option<String> {
    let recorded = || Some(source.session.units.last()?.clean().into_owned());
    source.judgement.identity.serial.clone().or_else(recorded)
}

/// When a visit began; a clock that cannot be read sorts as text.
fn begun(source: &PageSource) -> (Option<jiff::Timestamp>, String) {
    let utc = &source.session.start.utc;
    (utc.parse().ok(), utc.clone())
}

fn verdict(source: &PageSource) -> Option<VerdictKind> {
    match source.session.last_shown() {
        Some(shown) => super::words::kind_of(&shown.verdict),
        None => Some(source.judgement.verdict.kind),
    }
}

/// Two findings are the same if they say the same of the same place.
fn same(one: &Finding, other: &Finding) -> bool {
    let (one, other) = (one.key(), other.key());
    (one.kind, one.unit, one.place) == (other.kind, other.unit, other.place)
}

/// Each once: the gravest comes first already.
fn distinct(findings: &[Finding]) -> Vec<Finding> {
    let mut distinct: Vec<Finding> = Vec::new();
    for finding in findings {
        if !distinct.iter().any(|known| same(known, finding)) {
            distinct.push(finding.clone());
        }
    }
    distinct
}

/// How every cell moved against the middle, where both visits saw it at rest.
fn moved(
    before: &PageSource,
    after: &PageSource,
    grids: &EarlierLater<Grid>,
) -> Result<Grid, String> {
    for (source, which) in [(before, "earlier"), (after, "later")] {
        let rest = source.profile.map_or(0.5, |p| p.unit.rest_current);
        let current = source
            .judgement
            .readings
            .iter()
            .find(|r| r.role == Role::PackCurrent);
        match current.and_then(crate::facts::Reading::number) {
            None => return Err(format!("in the {which} visit the current was not read")),
            Some(amps) if amps.abs() > rest => {
                return Err(format!(
                    "in the {which} visit a current of {amps:.1} A flowed: not at rest"
                ));
            }
            Some(_) => {}
        }
    }
    let (Some(old), Some(now)) = (grids.before.median(), grids.after.median()) else {
        return Err("cells were not read in both visits".to_owned());
    };
    let move_of = |cell: &Cell, value: &Option<f64>| {
        let before = grids.before.cells.get(cell).copied().flatten()?;
        // Registers are millivolts: what is smaller comes from the arithmetic.
        let moved = (*value)? - now - (before - old);
        Some((moved * 10_000.0).round() / 10_000.0)
    };
    let cells: BTreeMap<Cell, Option<f64>> = grids
        .after
        .cells
        .iter()
        .map(|(cell, value)| (*cell, move_of(cell, value)))
        .collect();
    Ok(Grid {
        cells,
        named: grids.after.named.clone(),
    })
}

/// Firmware, modules, model that differ.
fn identity(before: &Judgement, after: &Judgement) -> Vec<(String, EarlierLater<String>)> {
    let all = |judgement: &Judgement| {
        let text = |known: &Option<String>| known.clone().unwrap_or_else(|| "not read".to_owned());
        let identity = &judgement.identity;
        let mut all: BTreeMap<String, String> = BTreeMap::new();
        all.insert("model".to_owned(), text(&identity.model));
        all.insert(
            "firmware of the control unit".to_owned(),
            text(&identity.firmware),
        );
        for module in &identity.modules {
            let position = module.position;
            all.insert(
                format!("module {position}, serial number"),
                text(&module.serial),
            );
            all.insert(
                format!("module {position}, firmware"),
                text(&module.firmware),
            );
        }
        for member in identity.members.iter().skip(1) {
            all.insert(
                format!("pack {}, serial number", member.unit),
                text(&member.serial),
            );
            all.insert(
                format!("pack {}, firmware", member.unit),
                text(&member.firmware),
            );
        }
        all
    };
    differing(&all(before), &all(after))
}

/// Answers that differ, by question.
fn answers(
    before: &PageSource,
    after: &PageSource,
    options: Options,
) -> Vec<(String, EarlierLater<String>)> {
    let all = |source: &PageSource| {
        let facts = PageFacts::of(source.recording, options);
        let pairs = facts.answers.into_iter();
        pairs
            .map(|a| (a.question, a.value.text().clean().into_owned()))
            .collect::<BTreeMap<String, String>>()
    };
    differing(&all(before), &all(after))
}

fn differing(
    before: &BTreeMap<String, String>,
    after: &BTreeMap<String, String>,
) -> Vec<(String, EarlierLater<String>)> {
    let mut names: Vec<&String> = before.keys().chain(after.keys()).collect();
    names.sort();
    names.dedup();
    let of = |map: &BTreeMap<String, String>, name: &String| {
        map.get(name)
            .cloned()
            .unwrap_or_else(|| "nothing".to_owned())
    };
    names
        .into_iter()
        .filter(|name| before.get(*name) != after.get(*name))
        .map(|name| {
            let pair = EarlierLater {
                before: of(before, name),
                after: of(after, name),
            };
            (name.clone(), pair)
        })
        .collect()
}
