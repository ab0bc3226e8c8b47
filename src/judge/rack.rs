//! Packs side by side: compared before they may connect.
//!
//! Input: the members of a rack. Output: the same, with what tells them apart. Packs that are
//! connected already share one voltage; packs that are not may drive a large current when they do.

use packside_profiles::Role;
use packside_profiles::model::{LiesIn, Profile, Severity};

use super::measure::first;
use super::member::Member;
use super::notices::notice;
use crate::facts::doubt::Doubt;
use crate::facts::fact::{Compared, Fact, FactKind};
use crate::facts::judgement::{Reading, Source, VerdictKind, Why};
use crate::facts::step::{NextStep, Step};

/// Packs may connect while they are no further apart than this share of their voltage.
// Kind: invented (about 1 V at 51 V; a profile key would be better)
const LIKE_ENOUGH: f64 = 0.02;

/// Compares the packs that are not connected yet.
pub(crate) fn compare(members: &mut [Member], profile: &Profile) {
    let volts: Vec<(u8, f64)> = members
        .iter()
        .filter(|m| !is_closed(&m.readings, profile))
        .filter_map(|m| Some((m.unit, first(&m.readings, Role::PackVoltage)?)))
        .collect();
    let any_volts = members
        .iter()
        .filter_map(|m| Some((m.unit, first(&m.readings, Role::PackVoltage)?)));
    let all: Vec<(u8, f64)> = any_volts.collect();
    let low = all.iter().min_by(|a, b| a.1.total_cmp(&b.1)).copied();
    let high = all.iter().max_by(|a, b| a.1.total_cmp(&b.1)).copied();
    let (Some(low), Some(high), false) = (low, high, volts.is_empty()) else {
        return;
    };
    if high.1 - low.1 <= LIKE_ENOUGH * high.1 {
        return;
    }
    let fact = Fact::from(Compared::PacksUnlike {
        low,
        high,
        limit: LIKE_ENOUGH * high.1,
    });
    let Some(member) = members.iter_mut().find(|m| m.unit == low.0) else {
        return;
    };
    let doubt = Doubt::PacksUnlike {
        found: fact.clone(),
    };
    let mut found = notice(low.0, fact);
    found.severity = Severity::Warning;
    found.source = Source::Measured;
    found.lies_in = LiesIn::SiteCondition;
    let reason = Why::of(&found);
    member.findings.push(found);
    if !matches!(member.kind, VerdictKind::Fault | VerdictKind::BusProblem) {
        member.kind = VerdictKind::Undecided;
        member.why.insert(0, reason);
    }
    member.doubts.push(doubt);
    if member.without_roots != VerdictKind::BusProblem {
        member.without_roots = VerdictKind::Undecided;
    }
}

/// The step that keeps unlike packs apart, where none of the steps does: whatever else is wrong, what is
/// mended must not connect onto packs of another voltage.
pub(crate) fn keep_apart(members: &[Member], steps: &[NextStep]) -> Option<NextStep> {
    let unlike = |m: &Member| {
        m.findings
            .iter()
            .any(|f| f.fact.kind() == FactKind::PacksUnlike)
    };
    let is_told = steps.iter().any(|s| s.id == Step::LikePacks.row().id);
    (members.iter().any(unlike) && !is_told).then(|| Step::LikePacks.plain())
}

/// Whether the unit reports its switches closed; without such a point it may be.
fn is_closed(readings: &[Reading], profile: &Profile) -> bool {
    let closed = profile.unit.switches_closed;
    let switches = readings.iter().find(|r| r.role == Role::Switches);
    switches.is_none_or(|r| r.raw.is_some_and(|raw| raw & closed == closed))
}
