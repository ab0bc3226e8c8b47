//! Numbers that were beyond their limit earlier and are good again: nothing says yet why.
//!
//! Input: what is remembered of a unit. Output: one finding for each class, and the doubt that keeps the
//! verdict open. Does not: say for how long ([`crate::evidence::excursion`] does).

use std::time::Duration;

use packside_profiles::model::{Profile, Severity};
use packside_profiles::{Class, Role};

use super::measure::class_of;
use super::shared::finding;
use crate::evidence::stamp::Stamp;
use crate::evidence::unit::UnitMemory;
use crate::facts::doubt::Doubt;
use crate::facts::fact::{Limit, Measured, PointIndex, Side, Spot};
use crate::facts::judgement::{Certainty, Finding};

/// Excursions that are still to be reckoned with, the furthest of each class.
pub(crate) fn excursions(unit: &UnitMemory, profile: &Profile, moment: Duration) -> Vec<Finding> {
    let now = Stamp {
        session: unit.session,
        at: moment,
    };
    let mut told: Vec<(Class, f64, Finding)> = Vec::new();
    for (instance, point, track) in unit.each(profile) {
        let Some(one) = track.excursion.as_deref().filter(|one| one.is_open(now)) else {
            continue;
        };
        let below_minimum = profile.cell.as_ref().is_some_and(|cell| {
            matches!(point.role, Role::CellVoltage | Role::CellVoltageMin)
                && one.worst < cell.never_charge_below
        });
        // A condition that was lifted is no memory.
        let class = if below_minimum {
            Some(Class::CellBelowMinimum)
        } else {
            class_of(point.role, !one.above).filter(|class| !class.is_condition())
        };
        let Some(class) = class else {
            continue;
        };
        let fact = Measured::WasBeyond {
            at: Spot {
                point: PointIndex(instance.point),
                place: instance.place,
            },
            number: one.worst,
            limit: Limit {
                number: one.limit,
                side: if one.above { Side::Above } else { Side::Below },
                severity: Severity::Alarm,
            },
            last: one.last.at,
        };
        // Neither time nor charge heals a cell that was below its absolute minimum.
        let severity = if below_minimum {
            Severity::Alarm
        } else {
            Severity::Warning
        };
        let mut found = finding(class, severity, unit.unit, instance.place, fact);
        found.sure = if below_minimum {
            Certainty::Likely
        } else {
            Certainty::Open
        };
        let far = (one.worst - one.limit).abs();
        match told.iter_mut().find(|(known, ..)| *known == class) {
            Some(known) if known.1 >= far => {}
            Some(known) => *known = (class, far, found),
            None => told.push((class, far, found)),
        }
    }
    told.into_iter().map(|(.., found)| found).collect()
}

/// What keeps the verdict open.
pub(crate) fn doubts(found: &[Finding]) -> impl Iterator<Item = Doubt> {
    let open = found.iter().filter(|finding| !finding.is_root_alarm());
    open.map(|finding| Doubt::WasBeyond {
        found: finding.fact.clone(),
    })
}
