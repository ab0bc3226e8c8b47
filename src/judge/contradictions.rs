//! What a unit says in one look that cannot be true together. Each keeps the verdict open and names both
//! numbers: a clean verdict from one of them would hide the other.
//!
//! Input: readings of one member. Output: doubts. Does not: say which of the two is wrong.
//!
//! # Sources
//! - The allowances are common practice: a fifth of the silence time, and what reading one after the
//!   other, the refresh of the unit and one step of its clock may add.

use std::time::Duration;

use packside_profiles::model::{CrossCheck, CrossCheckKind, Profile, Terminals};
use packside_profiles::{Role, Value};

use super::flags::is_up;
use super::inverter::{age_stands, is_silent_by_age, ours_cannot_feed};
use super::measure::{charging, perhaps_charges_outside};
use super::shared::{first, first_good};
use crate::evidence::charge;
use crate::evidence::flag_and_age::{NOT_OVER, ON_THE_WAY_S, differ, is_at_its_end, slack_s};
use crate::evidence::heartbeat::Pulse;
use crate::evidence::unit::UnitMemory;
use crate::facts::doubt::{Contradiction, Doubt};
use crate::facts::judgement::{Reading, ReadingQuality};

/// All contradictions of one look at a member.
pub(crate) fn contradictions(
    readings: &[Reading],
    evidence: &UnitMemory,
    profile: &Profile,
) -> Vec<Doubt> {
    let flag_up = flag_up(readings, profile);
    let is_silent = flag_up.unwrap_or_else(|| is_silent_by_age(evidence, profile));
    let found = [
        flag_against_age(readings, evidence, profile, flag_up),
        counts_though_silent(evidence, profile, flag_up),
        age_against_uptime(readings, profile).filter(|_| !evidence.uptime.wrapped),
        counter_stands(evidence, profile).filter(|_| flag_up == Some(false)),
        current_without_inverter(readings, profile, is_silent),
        beyond_granted(readings, profile).filter(|_| flag_up != Some(true)),
        cells_stand(evidence, profile),
        power_against_current(readings, profile),
        perhaps_charges_outside(readings, profile)
            .map(|(amps, celsius)| Contradiction::PerhapsChargesOutside { amps, celsius }),
    ];
    let found = found.into_iter().flatten().chain(same_module(readings));
    found.map(|what| Doubt::Contradiction { what }).collect()
}

/// Whether the unit's own flag for a silent inverter is up in the newest reading of it.
fn flag_up(readings: &[Reading], profile: &Profile) -> Option<bool> {
    let Some(id) = &profile.inverter.flag else {
        return Some(first_good(readings, Role::InverterFlag)?.raw? != 0);
    };
    let flag = profile.flags.iter().find(|flag| flag.id == *id)?;
    let word = readings
        .iter()
        .find(|r| r.point == flag.point && r.quality == ReadingQuality::Good)?;
    Some(is_up(flag, word.raw?))
}

/// Time since the inverter was heard, s, and what may be added to it. A counter at the end of its range
/// says "at least", which is no number.
fn age(readings: &[Reading], profile: &Profile) -> Option<(f64, f64)> {
    let reading = first_good(readings, Role::InverterAge)?;
    let point = profile.points.iter().find(|p| p.id == reading.point)?;
    if is_at_its_end(point, reading.raw?) {
        return None;
    }
    let oldest = readings
        .iter()
        .filter(|r| is_of_link(r))
        .filter_map(|r| r.age)
        .max()?;
    let skew = oldest.saturating_sub(reading.age?).as_secs_f64();
    Some((reading.number()?, skew + slack_s(point, profile)))
}

/// Readings that together tell about the inverter.
fn is_of_link(reading: &Reading) -> bool {
    matches!(
        reading.role,
        Role::AlarmWord
            | Role::WarningWord
            | Role::FaultCode
            | Role::InverterFlag
            | Role::InverterAge
            | Role::Uptime
    )
}

/// The flag is down and the inverter was heard long ago, or up and it was heard just now. An age that stands says "at
/// least", which is long ago as well; our own questions may have set the age of a unit that they feed. Where both agreed
/// in another look, one look in which they differ shows one of each.
fn flag_against_age(
    readings: &[Reading],
    evidence: &UnitMemory,
    profile: &Profile,
    flag_up: Option<bool>,
) -> Option<Contradiction> {
    let (age_s, slack) = age(readings, profile)?;
    let (is_up, silence_s) = (flag_up?, profile.inverter.silence_s);
    let both = &evidence.inverter.against_age;
    if !differ(is_up, age_s, silence_s, slack) || both.may_be_of_two_moments() {
        return None;
    }
    let once = !both.in_two_looks();
    if !is_up {
        return Some(Contradiction::HeardLongAgo {
            age_s,
            silence_s,
            once,
        });
    }
    (ours_cannot_feed(profile) && !age_stands(evidence, profile)).then_some(
        Contradiction::SilentJustHeard {
            age_s,
            silence_s,
            once,
        },
    )
}

/// The flag is up, and the counter that the inverter writes moves on within the silence time.
fn counts_though_silent(
    evidence: &UnitMemory,
    profile: &Profile,
    flag_up: Option<bool>,
) -> Option<Contradiction> {
    let within_s = evidence
        .inverter_counter
        .moved_twice_within()?
        .as_secs_f64();
    let silence_s = profile.inverter.silence_s;
    let is_not_over =
        within_s < NOT_OVER * f64::from(silence_s) - profile.refresh_s() - ON_THE_WAY_S;
    (flag_up == Some(true) && is_not_over).then_some(Contradiction::SilentYetCounts {
        within_s,
        silence_s,
    })
}

/// The counter that the inverter writes was seen moving and stands for the silence time. One that never
/// moved says nothing.
fn counter_stands(evidence: &UnitMemory, profile: &Profile) -> Option<Contradiction> {
    let refresh = Duration::from_secs_f64(profile.refresh_s());
    let counter = &evidence.inverter_counter;
    let Pulse::Frozen { stood } = counter.pulse(refresh) else {
        return None;
    };
    if !counter.has_moved() {
        return None;
    }
    let (stood_s, silence_s) = (stood.as_secs_f64(), profile.inverter.silence_s);
    (stood_s >= f64::from(silence_s).max(STANDS_S))
        .then_some(Contradiction::CounterStands { stood_s, silence_s })
}

/// No counter stands that was still for less, s.
// Kind: common practice
const STANDS_S: f64 = 15.0;

fn age_against_uptime(readings: &[Reading], profile: &Profile) -> Option<Contradiction> {
    let (age_s, slack) = age(readings, profile)?;
    let uptime_s = first(readings, Role::Uptime)?;
    (age_s > uptime_s + slack).then_some(Contradiction::HeardBeforePowerUp { age_s, uptime_s })
}

/// Cells that keep their very value across a step of the current. Steps of a coarse register hide what they do.
fn cells_stand(evidence: &UnitMemory, profile: &Profile) -> Option<Contradiction> {
    let (cells, amps) = evidence.cells.frozen()?;
    let mut points = profile.points_with(Role::CellVoltage);
    let is_fine = points.all(|point| point.scale.value().abs() <= FINE_V);
    is_fine.then_some(Contradiction::CellsStand { cells, amps })
}

/// A step of a register in which no cell can hide a step of the current, V.
// Kind: common practice
const FINE_V: f64 = 0.001;

/// Current above which a pack is not at rest for certain, A.
fn certain_current(profile: &Profile) -> f64 {
    (2.0 * profile.unit.rest_current).max(1.5)
}

fn current_without_inverter(
    readings: &[Reading],
    profile: &Profile,
    is_silent: bool,
) -> Option<Contradiction> {
    let amps = first(readings, Role::PackCurrent)?;
    let dead = profile.unit.terminals_without_inverter == Terminals::Dead;
    (dead && is_silent && amps.abs() > certain_current(profile))
        .then_some(Contradiction::CurrentWithoutInverter { amps })
}

/// Where the map holds the power against volts times amperes, that tells more.
fn power_against_current(readings: &[Reading], profile: &Profile) -> Option<Contradiction> {
    let is_product = |check: &CrossCheck| check.what == CrossCheckKind::VoltsTimesAmpsMakePower;
    if profile.cross_checks.iter().any(is_product) {
        return None;
    }
    let of = |role| readings.iter().find(|r| r.role == role);
    let (current, power) = (of(Role::PackCurrent)?, of(Role::PackPower)?);
    let charging = |reading: &Reading| {
        let point = profile.points.iter().find(|p| p.id == reading.point)?;
        charge::charging(point, reading.number()?)
    };
    if current.age != power.age {
        return None;
    }
    let (amps, watts) = (current.number()?, power.number()?);
    let differ = charging(current)? * charging(power)? < 0.0;
    if differ && amps.abs() > certain_current(profile) {
        return Some(Contradiction::PowerAgainstCurrent { amps, watts });
    }
    let product = first(readings, Role::PackVoltage)? * amps;
    let low = product.abs().min(watts.abs());
    let high = product.abs().max(watts.abs());
    (high > SEEN_W && high > OTHER_SIZE * low).then_some(Contradiction::PowerOfOtherSize {
        amps,
        watts,
        product,
    })
}

/// Less power than this says nothing of a scale, W.
// Kind: invented
const SEEN_W: f64 = 500.0;
/// A decade is ten times; what a unit calculates from other moments is not so far off.
// Kind: invented
const OTHER_SIZE: f64 = 5.0;

/// What the unit grants, with a quarter and the current of rest on it: limits follow the current slowly.
fn beyond_granted(readings: &[Reading], profile: &Profile) -> Option<Contradiction> {
    let amps = charging(readings, profile)?;
    let is_charging = amps > 0.0;
    let role = if is_charging {
        Role::ChargeLimit
    } else {
        Role::DischargeLimit
    };
    let granted = first(readings, role)?.abs();
    (amps.abs() > 1.25 * granted + certain_current(profile)).then_some(
        Contradiction::BeyondGranted {
            amps: amps.abs(),
            granted,
            charging: is_charging,
        },
    )
}

/// The same nameplate twice is one module read twice, or a copied number: not two modules for certain.
fn same_module(readings: &[Reading]) -> Option<Contradiction> {
    let serials = readings
        .iter()
        .filter(|r| r.role == Role::ModuleSerial && r.quality == ReadingQuality::Good);
    let named: Vec<(&Reading, &packside_profiles::Foreign)> = serials
        .filter_map(|r| match &r.value {
            Some(Value::Text(text)) if !text.is_blank() => Some((r, text)),
            _ => None,
        })
        .collect();
    named.iter().enumerate().find_map(|(n, (reading, serial))| {
        let (other, _) = named.iter().take(n).find(|(_, before)| before == serial)?;
        Some(Contradiction::SameModule {
            first: other.place.module,
            second: reading.place.module,
            serial: (*serial).clone(),
        })
    })
}
