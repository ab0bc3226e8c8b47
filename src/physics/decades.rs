//! Decades of a document of which one was shown to be wrong: which of the others something else speaks for.
//!
//! Does not: find the decade of a point that others tell (see [`super::voltage`] and [`super::current`]).

use packside_profiles::Role;
use packside_profiles::model::{Footing, Key};

use super::bench::Bench;
use super::claim::{Evidence, Weighed, differences, is_near};
use super::plausible;
use super::reading::Reading;
use super::relate::{bounds, middle};
use super::viable::Candidate;

/// A document of which a decade was shown to be wrong is not believed where nothing else speaks for a decade.
pub(super) fn doubt_decades(bench: &Bench<'_>, points: &mut [Weighed]) {
    let is_stated = |index: usize| {
        let claim = bench.claims.get(index);
        claim.is_some_and(|claim| !claim.open.contains(&Key::Scale))
    };
    let mut wrong = points.iter().enumerate();
    if !wrong.any(|(index, one)| is_stated(index) && one.changed.contains(&Key::Scale)) {
        return;
    }
    let backed: Vec<bool> = (0..points.len())
        .map(|index| is_backed(bench, points, index))
        .collect();
    for ((index, weighed), backed) in points.iter_mut().enumerate().zip(backed) {
        let Some(claim) = bench.claims.get(index) else {
            continue;
        };
        let speaks = |one: &Evidence| {
            !matches!(
                one,
                Evidence::Possible { .. }
                    | Evidence::OtherOrderJumps
                    | Evidence::FallsBelowZero
                    | Evidence::BelowLimit { .. }
            )
        };
        let is_alone = weighed.grade == Footing::AsDocumentSays
            && !weighed.changed.contains(&Key::Scale)
            && !weighed.evidence.iter().any(speaks)
            && !backed
            && !is_time(claim.role)
            && plausible::usual_scales(claim.role).len() > 1;
        let own = bench.candidates(index).iter();
        let mut own = own.filter(|one| differences(&one.reading, &weighed.reading).is_empty());
        let Some(own) = own.next().filter(|_| is_alone) else {
            continue;
        };
        // Rarer numbers than the one that is stated need more than a doubt.
        let is_usual = is_mild(claim.role, own);
        let decades = bench.candidates(index).iter().filter(|one| {
            differences(&one.reading, &own.reading) == [Key::Scale]
                && !one.is_same(own)
                && one.cost <= own.cost + 1.0 + 1e-9
                && (!is_usual || is_mild(claim.role, one))
        });
        let decades: Vec<Reading> = decades.map(|one| one.reading).collect();
        if !decades.is_empty() {
            weighed.rivals.extend(decades);
            weighed.open.push(Key::Scale);
            weighed.grade = Footing::Narrowed;
        }
    }
}

/// Makers keep times in whole seconds.
// Kind: common practice
fn is_time(role: Role) -> bool {
    matches!(role, Role::Uptime | Role::InverterAge | Role::UnitClock)
}

/// Temperatures that most batteries have when somebody stands before them, degC.
// Kind: common practice
const MILD: (f64, f64) = (8.0, 48.0);

/// Whether a temperature is as usual.
fn is_mild(role: Role, one: &Candidate) -> bool {
    let mut all = one.series.iter().filter_map(|series| bounds(series));
    plausible::is_temperature(role) && all.all(|(low, high)| low >= MILD.0 && high <= MILD.1)
}

/// Roles that makers give the same step and that lie near each other: a decade that is wrong in one of them shows.
// Kind: common practice
const ALIKE: [&[Role]; 4] = [
    &[Role::ChargeLimit, Role::DischargeLimit],
    &[
        Role::CellTemperature,
        Role::CellTemperatureMax,
        Role::CellTemperatureMin,
    ],
    &[Role::PackVoltage, Role::TerminalVoltage],
    &[Role::Soc, Role::ModuleSoc],
];

/// Whether another point that would have the same step is stated with it, and both give numbers near each other.
fn is_backed(bench: &Bench<'_>, points: &[Weighed], index: usize) -> bool {
    let number = |index: usize| {
        let claim = bench.claims.get(index)?;
        let weighed = points.get(index)?;
        let is_stated = !claim.open.contains(&Key::Scale) && !weighed.changed.contains(&Key::Scale);
        let best = bench.best(index).filter(|_| is_stated)?;
        Some((claim.role, best.reading.scale, middle(best.first())?))
    };
    let Some((role, scale, own)) = number(index) else {
        return false;
    };
    if is_in_proportion(bench, role, own.abs(), &number) {
        return true;
    }
    let Some(like) = ALIKE.iter().find(|roles| roles.contains(&role)) else {
        return false;
    };
    let mut others = (0..points.len()).filter(|other| *other != index);
    others.any(|other| {
        number(other).is_some_and(|(other, step, theirs)| {
            let is_alike = (0.25..=4.0).contains(&(theirs / own));
            other != role && like.contains(&other) && is_alike && is_near(scale, step)
        })
    })
}

/// Whether a current, a limit or a capacity that are stated are in a proportion that no other decade would leave:
/// what flows is some part of what may flow, which fills the battery in some hours.
fn is_in_proportion(
    bench: &Bench<'_>,
    role: Role,
    own: f64,
    number: &impl Fn(usize) -> Option<(Role, f64, f64)>,
) -> bool {
    let is_limit = |role| matches!(role, Role::ChargeLimit | Role::DischargeLimit);
    let others = |is: &dyn Fn(Role) -> bool| {
        let all = (0..bench.claims.len()).filter_map(number);
        let fitting = all
            .filter(|(role, ..)| is(*role))
            .map(|(.., number)| number.abs());
        fitting.reduce(f64::max).filter(|number| *number > 0.0)
    };
    let within = |(low, high): (f64, f64), part: f64| part >= low && part <= high;
    if role == Role::PackCurrent {
        return others(&is_limit).is_some_and(|limit| within(FLOWING, own / limit));
    }
    if !is_limit(role) {
        return false;
    }
    let stored = bench
        .claims
        .iter()
        .enumerate()
        .filter(|(_, claim)| claim.is_ampere_hours && !claim.open.contains(&Key::Scale));
    let full = stored.filter_map(|(index, _)| middle(bench.best(index)?.first()));
    let full = full.reduce(f64::max).filter(|full| *full > 0.0);
    let flows = others(&|role| role == Role::PackCurrent);
    flows.is_some_and(|flows| within(FLOWING, flows / own))
        || full.is_some_and(|full| within(HOURLY, own / full))
}

/// The part of the larger limit that flows where current flows: a tenth of it and more.
// Kind: common practice
const FLOWING: (f64, f64) = (0.11, 1.1);

/// The part of its capacity that a battery may give or take in an hour.
// Kind: common practice
const HOURLY: (f64, f64) = (0.16, 1.6);
