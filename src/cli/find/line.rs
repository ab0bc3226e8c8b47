//! The search over settings and addresses of a line, and who answers there.
//!
//! Does not: know gateways, but for one that passes bytes on.

use packside_profiles::Profile;
use packside_profiles::sunspec::{self, UnitAt, Walk};

use super::args::FindArgs;
use super::progress::{bar, long, settings_text};
use super::report::{FindReport, SearchEnd};
use super::way::hold_back;
use crate::drive::find as moves;
use crate::find::{Found, FoundIdentity, Plan, Search, Who, asked_at};
use crate::link::{Asking, LinkTrouble};

/// What ended a search early, and the link where it is still there.
pub(super) struct Stopped(pub(super) LinkTrouble, pub(super) Option<Box<Asking>>);

impl From<LinkTrouble> for Stopped {
    fn from(trouble: LinkTrouble) -> Self {
        Self(trouble, None)
    }
}

pub(super) fn plan(args: &FindArgs, report: &FindReport) -> Plan {
    let given = args.time_out.unwrap_or_default();
    let everything = Plan::everything(hold_back(report.port.as_ref()).max(given));
    Plan {
        lines: match args.link.place.line {
            Some(line) => vec![(asked_at(line), 1.0)],
            None => everything.lines,
        },
        units: args.only.map_or(everything.units, |unit| vec![unit]),
        all: args.all,
        skip: args.resume,
        ..everything
    }
}

/// The search over settings and addresses.
pub(super) fn on_a_line(
    asking: &mut Asking,
    mut search: Search,
    profiles: &[Profile],
    report: &mut FindReport,
    bears_others: bool,
) -> Result<(), LinkTrouble> {
    search.bear_others(bears_others);
    let bar = bar("questions");
    let facts = report.facts.clone();
    let done = moves::search(asking, &mut search, |progress| {
        let (Some(bar), Some(trial)) = (&bar, progress.now) else {
            return;
        };
        bar.set_length(progress.of as u64);
        bar.set_position(progress.done as u64);
        let why = if progress.by_hint {
            ", since something was heard"
        } else {
            ""
        };
        bar.set_message(format!(
            "asking at {}, address {}{why}; at most {} more",
            settings_text(&facts, trial.line),
            trial.unit,
            long(progress.left)
        ));
    });
    if let Some(bar) = bar {
        bar.finish_and_clear();
    }
    report.garbled = search.garbled();
    report.is_noisy = search.is_noisy();
    let result = done.and_then(|()| identify(asking, search.found(), profiles, report));
    if search.foreign().is_some() {
        report.ended = SearchEnd::Busy;
    } else if search.found().is_empty() {
        report.ended = SearchEnd::Exhausted;
        if result.is_err() {
            report.resume = Some(search.progress().done.saturating_sub(1));
        }
    } else {
        report.ended = SearchEnd::Found;
    }
    result
}

/// Asks everybody found who they are.
pub(super) fn identify(
    asking: &mut Asking,
    found: &[Found],
    profiles: &[Profile],
    report: &mut FindReport,
) -> Result<(), LinkTrouble> {
    for found in found {
        if asking.line().is_some_and(|ours| ours != found.line) {
            asking.set_line(found.line)?;
        }
        let mut who = Who::new(found, profiles);
        let done = moves::identify(asking, &mut who);
        let mut identity = who.identity();
        let done = done.and_then(|()| describe(asking, found, &mut identity));
        report.found.push((found.clone(), identity));
        done?;
    }
    Ok(())
}

/// Reads the models of a unit that describes itself, where no known map fits it better.
pub(super) fn describe(
    asking: &mut Asking,
    found: &Found,
    identity: &mut FoundIdentity,
) -> Result<(), LinkTrouble> {
    let Some(mark) = identity.sunspec else {
        return Ok(());
    };
    let Ok(models) = sunspec::models() else {
        return Ok(());
    };
    let mut walk = Walk::from_mark(&models, mark);
    moves::describe(asking, found.unit, &mut walk)?;
    if let Some(chain) = walk.chain() {
        let at = UnitAt {
            unit: found.unit,
            line: found.line,
        };
        identity.take_chain(chain, at);
    }
    Ok(())
}
