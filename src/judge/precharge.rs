//! A pre-charge that lasts longer than the map gives it: its resistor, or a load or a leak behind it.
//!
//! Input: the states that a unit was read in. Output: a finding, and once it has ended the doubt that keeps the verdict
//! open. Does not: see one that is over between two readings, or say which of the reasons it is.

use std::time::Duration;

use packside_profiles::model::{Profile, Severity};
use packside_profiles::{Class, Role, StateKind};

use super::shared::finding;
use crate::evidence::unit::UnitMemory;
use crate::facts::doubt::Doubt;
use crate::facts::fact::{Compared, Fact, PointIndex, Spot};
use crate::facts::judgement::{Certainty, Finding};

/// What reading a state may add to its time, besides its refresh.
// Kind: common practice
const SLACK: Duration = Duration::from_secs(2);

/// The last pre-charge, where it lasted too long: while it goes on a root, afterwards open until one goes well.
pub(crate) fn too_long(
    evidence: &UnitMemory,
    profile: &Profile,
) -> Option<(Finding, Option<Doubt>)> {
    let [_, longest] = profile.unit.precharge_s?;
    let longest = Duration::from_secs_f64(longest);
    let refresh = Duration::from_secs_f64(profile.refresh_s());
    let (lasted, goes_on) = evidence.states.last_run(StateKind::Precharge)?;
    if lasted <= longest + refresh + SLACK {
        return None;
    }
    let (state, ..) = (evidence.each(profile)).find(|(_, point, _)| point.role == Role::State)?;
    let at = Spot {
        point: PointIndex(state.point),
        place: state.place,
    };
    let fact = Fact::from(Compared::PrechargeLasts {
        at,
        lasted,
        longest,
    });
    let severity = if goes_on {
        Severity::Alarm
    } else {
        Severity::Warning
    };
    let mut found = finding(
        Class::PrechargeFailed,
        severity,
        evidence.unit,
        state.place,
        fact.clone(),
    );
    found.sure = if goes_on {
        Certainty::Likely
    } else {
        Certainty::Open
    };
    let doubt = (!goes_on).then_some(Doubt::WasBeyond { found: fact });
    Some((found, doubt))
}
