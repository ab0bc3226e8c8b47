//! Two visits to one unit beside each other, `packside.compared/1`.

use std::time::Duration;

use packside_profiles::model::Severity;
use serde::Serialize;

use super::tenths;
use crate::facts::{self, Judgement};
use crate::show::page::cells::Grid;
use crate::show::page::compare::{Comparison, EarlierLater};
use crate::show::page::{PageSource, words};
use crate::words as sentence;

/// What changed between two visits.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Compared {
    /// `packside.compared/1`.
    pub schema: &'static str,
    /// Version of this tool.
    pub tool: &'static str,
    /// Serial number of the unit.
    pub serial: String,
    /// The earlier visit.
    pub before: Visit,
    /// The later visit.
    pub after: Visit,
    /// Findings.
    pub findings: Findings,
    /// Why cells are not compared.
    pub cells_not_compared: Option<String>,
    /// How each cell moved against the middle.
    pub cells_moved: Vec<Moved>,
    /// Highest less lowest cell.
    pub apart_mv: BeforeAfter<Option<f64>>,
    /// The warmest sensor.
    pub warmest_c: BeforeAfter<Option<f64>>,
    /// What names the unit and its parts, where it differs.
    pub identity: Vec<Differing>,
    /// Answers that differ.
    pub answers: Vec<Differing>,
}

/// A visit.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Visit {
    /// Local time at which it began, RFC 3339.
    pub begun: String,
    /// Id of the verdict of today.
    pub verdict: &'static str,
    /// Id of the verdict that was shown.
    pub shown: Option<String>,
    /// Fingerprint of the recording, hex.
    pub fingerprint: String,
    /// What is missing of it or changed.
    pub missing: Vec<String>,
}

/// Findings of two visits.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Findings {
    /// There now.
    pub new: Vec<Finding>,
    /// Not there any more.
    pub gone: Vec<Finding>,
    /// Both times.
    pub stayed: Vec<Finding>,
}

/// Something that was found.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Finding {
    /// Id of its class.
    pub id: &'static str,
    /// How grave.
    #[cfg_attr(test, schemars(with = "String"))]
    pub severity: Severity,
    /// Unit address.
    pub unit: u8,
    /// Module, from 1.
    pub module: Option<u16>,
    /// Cell or sensor, from 1.
    pub cell: Option<u16>,
    /// What it says.
    pub text: String,
}

/// How a cell moved against the middle.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Moved {
    /// Unit address.
    pub unit: u8,
    /// Module, from 1.
    pub module: u16,
    /// Cell, from 1.
    pub cell: u16,
    /// By how much; null where it could not be read both times.
    pub mv: Option<f64>,
}

/// The same of both visits.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct BeforeAfter<T> {
    /// Of the earlier one.
    pub before: T,
    /// Of the later one.
    pub after: T,
}

/// Something that differs.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Differing {
    /// What.
    pub what: String,
    /// In the earlier visit.
    pub before: String,
    /// In the later visit.
    pub after: String,
}

impl From<&Comparison<'_>> for Compared {
    fn from(comparison: &Comparison<'_>) -> Self {
        let sources = &comparison.sources;
        let findings = |list: &[facts::Finding], source: &PageSource| {
            let findings = list.iter().map(|one| Finding::of(one, source.judgement));
            findings.collect()
        };
        Self {
            schema: "packside.compared/1",
            tool: super::TOOL,
            serial: comparison.serial.clone(),
            before: Visit::of(&comparison.sources.before),
            after: Visit::of(&comparison.sources.after),
            findings: Findings {
                new: findings(&comparison.new, &sources.after),
                gone: findings(&comparison.gone, &sources.before),
                stayed: findings(&comparison.stayed, &sources.after),
            },
            cells_not_compared: comparison.cells.as_ref().err().cloned(),
            cells_moved: comparison.cells.as_ref().map(moved).unwrap_or_default(),
            apart_mv: both(&comparison.grids, apart),
            warmest_c: both(&comparison.warm, highest),
            identity: comparison.identity.iter().map(Differing::of).collect(),
            answers: comparison.answers.iter().map(Differing::of).collect(),
        }
    }
}

impl Visit {
    fn of(source: &PageSource) -> Self {
        let recording = source.recording;
        Self {
            begun: words::rfc3339(&source.session.start, Duration::ZERO),
            verdict: source.judgement.verdict.kind.id(),
            shown: source
                .session
                .last_shown()
                .map(|shown| shown.verdict.clone()),
            fingerprint: recording.fingerprint.clone(),
            missing: recording.missing.iter().map(ToString::to_string).collect(),
        }
    }
}

impl Finding {
    fn of(finding: &facts::Finding, judgement: &Judgement) -> Self {
        Self {
            id: finding.id,
            severity: finding.severity,
            unit: finding.unit,
            module: finding.place.module,
            cell: finding.place.item,
            text: sentence::of_finding(judgement, finding),
        }
    }
}

impl Differing {
    fn of((what, pair): &(String, EarlierLater<String>)) -> Self {
        Self {
            what: what.clone(),
            before: pair.before.clone(),
            after: pair.after.clone(),
        }
    }
}

fn both<T>(pair: &EarlierLater<Grid>, of: impl Fn(&Grid) -> T) -> BeforeAfter<T> {
    BeforeAfter {
        before: of(&pair.before),
        after: of(&pair.after),
    }
}

/// Every cell with how it moved against the middle.
fn moved(grid: &Grid) -> Vec<Moved> {
    let moved = grid
        .cells
        .iter()
        .map(|(((unit, module), cell), value)| Moved {
            unit: *unit,
            module: *module,
            cell: *cell,
            mv: value.map(|volts| tenths(volts * 1000.0)),
        });
    moved.collect()
}

fn apart(grid: &Grid) -> Option<f64> {
    let (low, high) = grid.extremes()?;
    Some(tenths((high.0 - low.0) * 1000.0))
}

fn highest(grid: &Grid) -> Option<f64> {
    grid.extremes().map(|(_, high)| tenths(high.0))
}
