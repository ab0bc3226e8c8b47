//! The search over settings and addresses of a line, and who answers there.
//!
//! Does not: know gateways, but for one that passes bytes on.

use packside_profiles::sunspec::{self, UnitAt, Walk};

use super::hunt::{FindProgress, Finder, Hunt};
use super::{describe_async, identify_async, search_async};
use crate::find::{FindEnd, Found, FoundIdentity, Search, Who};
use crate::link::{Asking, LinkTrouble};

/// Searches, and asks everybody found who they are.
pub(super) async fn search<F: Finder>(
    hunt: &mut Hunt<'_, F>,
    asking: &mut Asking,
    mut search: Search,
) -> Result<(), LinkTrouble> {
    search.bear_others(hunt.wanted.consent.beside_others);
    let finder = &mut *hunt.finder;
    let told = |progress: &_| finder.progress(&FindProgress::OnLine(progress));
    let done = search_async(asking, &mut search, told).await;
    hunt.finder.progress(&FindProgress::Naming);
    hunt.findings.garbled = search.garbled();
    hunt.findings.is_noisy = search.is_noisy();
    let result = match done {
        Ok(()) => name_all(hunt, asking, search.found()).await,
        Err(trouble) => Err(trouble),
    };
    if search.foreign().is_some() {
        hunt.findings.ended = FindEnd::Busy;
    } else if search.found().is_empty() {
        hunt.findings.ended = FindEnd::Exhausted;
        if result.is_err() {
            hunt.findings.resume = Some(search.progress().done.saturating_sub(1));
        }
    } else {
        hunt.findings.ended = FindEnd::Found;
    }
    result
}

async fn name_all<F: Finder>(
    hunt: &mut Hunt<'_, F>,
    asking: &mut Asking,
    found: &[Found],
) -> Result<(), LinkTrouble> {
    for found in found {
        if asking.line().is_some_and(|ours| ours != found.line) {
            asking.set_line_async(found.line).await?;
        }
        let mut who = Who::new(found, hunt.profiles);
        let done = identify_async(asking, &mut who).await;
        let mut identity = who.identity();
        let done = match done {
            Ok(()) => describe(asking, found, &mut identity).await,
            Err(trouble) => Err(trouble),
        };
        hunt.findings.found.push((found.clone(), identity));
        done?;
    }
    Ok(())
}

/// Reads the models of a unit that describes itself, where no known map fits it better.
pub(super) async fn describe(
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
    describe_async(asking, found.unit, &mut walk).await?;
    if let Some(chain) = walk.chain() {
        let at = UnitAt {
            unit: found.unit,
            line: found.line,
        };
        identity.take_chain(chain, at);
    }
    Ok(())
}
