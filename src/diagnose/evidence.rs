//! What the exchanges say about every point of every member, over time.
//!
//! Input: events and a profile. Output: per unit address the samples of every instance, own and
//! refused, in the order of time. Counts and scale factors are taken from the same events.
//!
//! Does not: judge freshness or limits. Only exchanges that were accepted give samples, so nothing
//! about the battery is ever drawn from a frame that failed its check.

use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

use packside_profiles::model::{Count, Point, Profile};
use packside_profiles::{Decoded, Instance, Known, Layout, Quality, Role, Value, decode};

use crate::ask::{Exchange, Outcome};
use crate::wire::{Answer, Ask, Question};

/// One observation of an instance.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Sample {
    /// When the answer was complete.
    pub(crate) at: Duration,
    /// What it was.
    pub(crate) what: Seen,
}

/// What an answer said about an instance.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Seen {
    /// Registers came.
    Decoded(Decoded),
    /// The unit refused exactly this one, with this exception.
    Refused(u8),
}

/// All that was seen of one unit address.
#[derive(Debug, Clone, Default)]
pub(crate) struct MemberEvidence {
    /// Unit address.
    pub(crate) unit: u8,
    /// Where everything stands.
    pub(crate) layout: Layout,
    /// Samples by instance index, in the order of time.
    pub(crate) samples: Vec<Vec<Sample>>,
    /// Valid answers of the unit, its exceptions included, those of a gateway not.
    pub(crate) answered: u32,
}

impl MemberEvidence {
    /// Instances with their point and samples.
    pub(crate) fn each<'a>(
        &'a self,
        profile: &'a Profile,
    ) -> impl Iterator<Item = (&'a Instance, &'a Point, &'a [Sample])> {
        self.layout
            .instances
            .iter()
            .zip(&self.samples)
            .filter_map(|(instance, samples)| {
                profile
                    .points
                    .get(instance.point)
                    .map(|point| (instance, point, samples.as_slice()))
            })
    }

    /// Packs of the rack as this one says, from its last answer that carries the number.
    pub(crate) fn pack_count(&self, profile: &Profile) -> Option<u16> {
        let name = profile.members.as_ref()?.count.as_ref()?;
        let (_, _, samples) = self.each(profile).find(|(_, point, _)| point.id == *name)?;
        samples.iter().rev().find_map(number).and_then(whole)
    }

    /// The last number but one that the first instance with this role gave.
    pub(crate) fn before_last(&self, profile: &Profile, role: Role) -> Option<f64> {
        let series = self.series(profile, role);
        let before = series.len().checked_sub(2)?;
        series.get(before).map(|(_, number)| *number)
    }

    /// Numbers that the first instance with this role gave, with their times.
    pub(crate) fn series(&self, profile: &Profile, role: Role) -> Vec<(Duration, f64)> {
        let Some((_, _, samples)) = self.each(profile).find(|(_, point, _)| point.role == role)
        else {
            return Vec::new();
        };
        samples
            .iter()
            .filter_map(|sample| Some((sample.at, number(sample)?)))
            .collect()
    }
}

/// The number in a sample, if it is a usable one.
pub(crate) fn number(sample: &Sample) -> Option<f64> {
    match &sample.what {
        Seen::Decoded(Decoded {
            value: Some(Value::Number(n)),
            quality: Quality::Good,
            ..
        }) => Some(*n),
        Seen::Decoded(Decoded {
            value: Some(Value::Bits(b) | Value::Code(b)),
            quality: Quality::Good,
            ..
        }) => u32::try_from(*b).ok().map(f64::from),
        _ => None,
    }
}

/// Sorts the exchanges by unit address and decodes them.
pub(crate) fn gather(exchanges: &[Exchange], profile: &Profile) -> Vec<MemberEvidence> {
    let units: BTreeSet<u8> = exchanges.iter().map(|e| e.ask.unit).collect();
    units
        .into_iter()
        .map(|unit| member(unit, exchanges, profile))
        .collect()
}

fn member(unit: u8, exchanges: &[Exchange], profile: &Profile) -> MemberEvidence {
    let mine: Vec<&Exchange> = exchanges.iter().filter(|e| e.ask.unit == unit).collect();
    let known = known(&mine, profile);
    let layout = Layout::new(profile, &known);
    let powers = powers(&mine, profile, &layout);
    let samples = layout
        .instances
        .iter()
        .map(|instance| {
            let point = profile.points.get(instance.point);
            point.map_or_else(Vec::new, |point| samples(&mine, instance, point, &powers))
        })
        .collect();
    // 0A and 0B are words of a gateway about a unit that it did not reach.
    let is_answer = |e: &&&Exchange| match e.outcome {
        Outcome::Answered(_) => true,
        Outcome::Exception(code) => !matches!(code, 0x0a | 0x0b),
        _ => false,
    };
    MemberEvidence {
        unit,
        layout,
        samples,
        answered: u32::try_from(mine.iter().filter(is_answer).count()).unwrap_or(u32::MAX),
    }
}

/// Counts that points give, from the last answers that carry them.
pub(crate) fn known(mine: &[&Exchange], profile: &Profile) -> Known {
    let fixed = Layout::new(profile, &Known::default());
    let mut known = Known::default();
    for name in count_points(profile) {
        let found = fixed.instances.iter().find_map(|instance| {
            let point = profile
                .points
                .get(instance.point)
                .filter(|p| p.id == name)?;
            let last = samples(mine, instance, point, &BTreeMap::new())
                .into_iter()
                .rev()
                .find_map(|s| number(&s))?;
            whole(last)
        });
        if let Some(count) = found {
            known.counts.insert(name, count);
        }
    }
    known
}

/// Ids of the points whose values say how often something repeats.
pub(crate) fn count_points(profile: &Profile) -> BTreeSet<String> {
    let groups = profile.groups.iter().map(|g| &g.count);
    let repeats = profile
        .points
        .iter()
        .filter_map(|p| p.repeat.as_ref().map(|r| &r.count));
    let named = groups.chain(repeats).filter_map(|count| match count {
        Count::Named(name) if name != Count::REST_OF_MODEL => Some(name.clone()),
        _ => None,
    });
    let members = profile.members.as_ref().and_then(|m| m.count.clone());
    named.chain(members).collect()
}

/// A count as a whole number, if it is one.
pub(crate) fn whole(number: f64) -> Option<u16> {
    (0..=u16::MAX)
        .find(|whole| f64::from(*whole) >= number)
        .filter(|whole| (f64::from(*whole) - number).abs() < 0.5)
}

/// Powers of ten that scale points give.
fn powers(mine: &[&Exchange], profile: &Profile, layout: &Layout) -> BTreeMap<String, i8> {
    let mut powers = BTreeMap::new();
    for instance in &layout.instances {
        let Some(point) = profile
            .points
            .get(instance.point)
            .filter(|p| p.role == Role::ScaleFactor)
        else {
            continue;
        };
        let last = samples(mine, instance, point, &BTreeMap::new())
            .into_iter()
            .rev()
            .find_map(|s| number(&s));
        let power =
            last.and_then(|p| (-10i8..=10).find(|power| (f64::from(*power) - p).abs() < 0.5));
        if let Some(power) = power {
            powers.insert(point.id.clone(), power);
        }
    }
    powers
}

/// Every observation of one instance.
fn samples(
    mine: &[&Exchange],
    instance: &Instance,
    point: &Point,
    powers: &BTreeMap<String, i8>,
) -> Vec<Sample> {
    let power = match &point.scale_point {
        None => 0,
        Some(name) => match powers.get(name) {
            Some(power) => *power,
            None => return Vec::new(),
        },
    };
    mine.iter()
        .filter_map(|exchange| {
            let offset = offset_inside(&exchange.ask, instance)?;
            let what = match &exchange.outcome {
                Outcome::Answered(Answer::Registers(words)) => {
                    let words = words.get(offset..offset + usize::from(instance.registers))?;
                    Seen::Decoded(decode(point, words, power).ok()?)
                }
                Outcome::Exception(code) if is_alone(&exchange.ask, instance) => {
                    Seen::Refused(*code)
                }
                _ => return None,
            };
            Some(Sample {
                at: exchange.ended_at,
                what,
            })
        })
        .collect()
}

/// Position of the instance inside the registers asked for, if all of it is inside.
fn offset_inside(ask: &Ask, instance: &Instance) -> Option<usize> {
    let Question::Read {
        table,
        address,
        count,
    } = ask.question
    else {
        return None;
    };
    let first = u32::from(instance.address);
    let end = first + u32::from(instance.registers);
    let inside = table == instance.table
        && first >= u32::from(address)
        && end <= u32::from(address) + u32::from(count);
    inside.then(|| usize::from(instance.address - address))
}

/// Whether the question asked for this instance and nothing else.
fn is_alone(ask: &Ask, instance: &Instance) -> bool {
    matches!(ask.question, Question::Read { address, count, .. }
        if address == instance.address && count == instance.registers)
}
