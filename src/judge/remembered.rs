//! Numbers that were beyond their limit earlier and are good again: nothing says yet why.
//!
//! Input: what is remembered of a unit. Output: one finding for each class, and the doubt that keeps the
//! verdict open. Does not: say for how long ([`crate::evidence::excursion`] does).

use std::time::Duration;

use packside_profiles::model::{Profile, Severity};
use packside_profiles::{Class, Place, Role};

use super::measure::class_of;
use super::shared::finding;
use crate::evidence::charge::ChargedOutside;
use crate::evidence::stamp::Stamp;
use crate::evidence::track::{CONFIRMS, Track};
use crate::evidence::unit::UnitMemory;
use crate::facts::doubt::Doubt;
use crate::facts::fact::{Fact, Limit, Measured, PointIndex, Side, Spot};
use crate::facts::judgement::{Certainty, Finding};

/// All that is still to be reckoned with, and what keeps the verdict open.
pub(crate) fn all(
    unit: &UnitMemory,
    profile: &Profile,
    moment: Duration,
) -> (Vec<Finding>, Vec<Doubt>) {
    let now = Stamp::new(unit.session, moment);
    let mut found = excursions(unit, profile, now);
    found.extend(charged_outside(unit, now));
    let open = found
        .iter()
        .filter(|f| !f.is_root_alarm() && f.severity != Severity::Notice);
    let doubts = open.map(|finding| Doubt::WasBeyond {
        found: finding.fact.clone(),
    });
    let doubts = doubts.collect();
    (found, doubts)
}

/// One sample beyond a limit is likely; two of them, or the unit's own flag beside it, prove it.
pub(crate) fn confirm(findings: &mut [Finding], unit: &UnitMemory, profile: &Profile) {
    let apart = CONFIRMS.max(Duration::from_secs_f64(profile.refresh_s()));
    let at = |finding: &Finding| match finding.fact {
        Fact::Measured(Measured::BeyondLimit { at, .. } | Measured::BelowMinimum { at, .. }) => {
            Some(at)
        }
        Fact::Measured(
            Measured::UnreadableCell { at, .. } | Measured::UnreadableSensor { at, .. },
        ) => Some(at),
        Fact::Measured(Measured::ManyBeyondLimit { worst, .. }) => Some(worst),
        _ => None,
    };
    for finding in findings {
        if matches!(
            finding.fact,
            Fact::Measured(Measured::ChargesOutside { .. })
        ) {
            let charge = unit.charged_outside.as_deref();
            if charge.is_some_and(ChargedOutside::is_proven) {
                finding.sure = Certainty::Proven;
            }
            continue;
        }
        if let Fact::Measured(Measured::TooFarApart {
            point,
            low,
            high,
            limit,
            ..
        }) = finding.fact
        {
            if were_apart(unit, (point, low.0, high.0), limit, apart) {
                finding.sure = Certainty::Proven;
            }
            continue;
        }
        let Some(at) = at(finding) else { continue };
        let mut both = unit.layout.instances.iter().zip(&unit.tracks);
        let track = both.find(|(one, _)| one.point == at.point.0 && one.place == at.place);
        let is_confirmed = |track: &Track| {
            let excursion = track.excursion.as_deref();
            track.lost_twice || excursion.is_some_and(|one| one.spell.is_confirmed())
        };
        if track.is_some_and(|(_, track)| is_confirmed(track)) {
            finding.sure = Certainty::Proven;
        }
    }
}

/// Whether two readings were that far apart in the samples before as well.
fn were_apart(
    unit: &UnitMemory,
    (point, low, high): (PointIndex, Place, Place),
    limit: f64,
    least: Duration,
) -> bool {
    let before = |place: Place| {
        let mut both = unit.layout.instances.iter().zip(&unit.tracks);
        let (_, track) = both.find(|(one, _)| one.point == point.0 && one.place == place)?;
        let (now, (then, number)) = (track.number?.0, track.before?);
        let apart = now.since(then);
        apart.is_none_or(|apart| apart >= least).then_some(number)
    };
    before(low)
        .zip(before(high))
        .is_some_and(|(low, high)| high - low > limit)
}

/// A charge outside of its window that has ended. A long one is a root: what plates stays plated.
fn charged_outside(unit: &UnitMemory, now: Stamp) -> Option<Finding> {
    let charge = unit.charged_outside.as_deref()?;
    let instance = unit.layout.instances.get(charge.outside.place)?;
    if !charge.spell.is_open(now) {
        return None;
    }
    let fact = Measured::ChargedOutside {
        at: Spot {
            point: PointIndex(instance.point),
            place: instance.place,
        },
        celsius: charge.outside.celsius,
        limit: charge.outside.limit,
        amps: charge.amps,
        last: charge.spell.last().at(),
        lasted: charge.spell.length(),
    };
    let is_long = charge.is_long();
    let severity = if is_long {
        Severity::Alarm
    } else {
        Severity::Warning
    };
    let class = Class::ChargingOutside;
    let mut found = finding(class, severity, unit.unit, instance.place, fact);
    found.sure = if is_long {
        Certainty::Likely
    } else {
        Certainty::Open
    };
    Some(found)
}

/// Excursions that are still to be reckoned with, the furthest of each class, and as remarks those that are
/// over.
fn excursions(unit: &UnitMemory, profile: &Profile, now: Stamp) -> Vec<Finding> {
    let mut told: Vec<(Class, f64, Finding)> = Vec::new();
    for (instance, point, track) in unit.each(profile) {
        let Some(one) = track.excursion.as_deref() else {
            continue;
        };
        // What is beyond now is no memory; what has hardly come back is not back.
        let hardly_back = !one.spell.is_over();
        let is_beyond = |number: f64| one.above == (number > one.limit);
        if hardly_back && track.number.is_none_or(|(_, number)| is_beyond(number)) {
            continue;
        }
        let is_open = one.is_open(now);
        let below_minimum = profile.cell.as_ref().is_some_and(|cell| {
            matches!(point.role, Role::CellVoltage | Role::CellVoltageMin)
                && one.worst < cell.never_charge_below
        });
        // A condition that was lifted is no memory.
        let class = if below_minimum {
            Some(Class::CellBelowMinimum)
        } else {
            class_of(point.role, !one.above).filter(|class| hardly_back || !class.is_condition())
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
            last: one.spell.last().at(),
        };
        // Neither time nor charge heals a cell that was below its absolute minimum.
        let severity = match (below_minimum || hardly_back, is_open) {
            (true, _) => Severity::Alarm,
            (false, true) => Severity::Warning,
            (false, false) => Severity::Notice,
        };
        let mut found = finding(class, severity, unit.unit, instance.place, fact);
        found.sure = if below_minimum || hardly_back {
            Certainty::Likely
        } else {
            Certainty::Open
        };
        let far = (one.worst - one.limit).abs();
        let weight = |found: &Finding, far: f64| (found.severity, far);
        match told.iter_mut().find(|(known, ..)| *known == class) {
            Some(known) if weight(&known.2, known.1) >= weight(&found, far) => {}
            Some(known) => *known = (class, far, found),
            None => told.push((class, far, found)),
        }
    }
    told.into_iter().map(|(.., found)| found).collect()
}
