//! Whole courses of values: what the exchanges say about every point of every unit, over time.
//!
//! Input: events and a profile. Output: per unit address the samples of every instance, own and
//! refused, in the order of time. Counts and scale factors are taken from the same events.
//!
//! Does not: judge freshness or limits. Only exchanges that were accepted give samples, so nothing
//! about the battery is ever drawn from a frame that failed its check.

use std::collections::BTreeMap;
use std::time::Duration;

use packside_profiles::layout::name;
use packside_profiles::model::{Point, Profile};
use packside_profiles::{
    Decoded, Instance, Known, Layout, Place, Quality, Role, StateKind, Value, decode,
};

use super::map::count_points;
use crate::ask::{Exchange, Outcome};
use crate::wire::{Answer, Ask, Question};

/// One observation of an instance.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Sample {
    /// When the answer was complete.
    pub(crate) at: Duration,
    /// What it was.
    pub(crate) what: Given,
}

/// What an answer said about an instance.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Given {
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

    /// States that the unit was read in, as far as the profile knows them, with their times.
    pub(crate) fn states(&self, profile: &Profile) -> Vec<(Duration, StateKind)> {
        let point = profile.points.iter().find(|p| p.role == Role::State);
        let kind = |raw: f64| {
            let named = point?.values.iter().find(|v| v.is as f64 == raw)?;
            named.state
        };
        self.series(profile, Role::State)
            .into_iter()
            .filter_map(|(at, raw)| Some((at, kind(raw)?)))
            .collect()
    }
}

/// The number in a sample, if it is a usable one.
pub(crate) fn number(sample: &Sample) -> Option<f64> {
    usable(&sample.what)
}

/// The number that an answer gave, if it is a usable one.
pub(crate) fn usable(given: &Given) -> Option<f64> {
    match given {
        Given::Decoded(Decoded {
            value: Some(Value::Number(n)),
            quality: Quality::Good,
            ..
        }) => Some(*n),
        Given::Decoded(Decoded {
            value: Some(Value::Bits(b) | Value::Code(b)),
            quality: Quality::Good,
            ..
        }) => u32::try_from(*b).ok().map(f64::from),
        _ => None,
    }
}

/// Sorts the exchanges by unit address and decodes them.
pub(crate) fn gather<'e>(
    exchanges: impl IntoIterator<Item = &'e Exchange>,
    profile: &Profile,
) -> Vec<MemberEvidence> {
    let mut units: BTreeMap<u8, Vec<&Exchange>> = BTreeMap::new();
    for exchange in exchanges {
        units.entry(exchange.ask.unit).or_default().push(exchange);
    }
    units
        .into_iter()
        .map(|(unit, mine)| member(unit, &mine, profile))
        .collect()
}

fn member(unit: u8, exchanges: &[&Exchange], profile: &Profile) -> MemberEvidence {
    let known = known(exchanges, profile);
    let layout = Layout::new(profile, &known);
    let mine = ByQuestion::of(exchanges);
    let powers = powers(&mine, profile, &layout);
    let samples = layout
        .instances
        .iter()
        .map(|instance| {
            let point = profile.points.get(instance.point);
            point.map_or_else(Vec::new, |point| samples(&mine, instance, point, &powers))
        })
        .collect();
    MemberEvidence {
        unit,
        layout,
        samples,
    }
}

/// Counts that points give, from the last answers that carry them.
pub(crate) fn known(mine: &[&Exchange], profile: &Profile) -> Known {
    let mine = ByQuestion::of(mine);
    let fixed = Layout::new(profile, &Known::default());
    let mut known = Known::default();
    for name in count_points(profile) {
        let found = fixed.instances.iter().find_map(|instance| {
            let point = profile
                .points
                .get(instance.point)
                .filter(|p| p.id == name)?;
            let last = samples(&mine, instance, point, &BTreeMap::new())
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

/// A count as a whole number, if it is one.
pub(crate) fn whole(number: f64) -> Option<u16> {
    (0..=u16::MAX)
        .find(|whole| f64::from(*whole) >= number)
        .filter(|whole| (f64::from(*whole) - number).abs() < 0.5)
}

/// Powers of ten that scale points give.
fn powers(mine: &ByQuestion, profile: &Profile, layout: &Layout) -> BTreeMap<String, i8> {
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
            powers.insert(instance.name(profile), power);
        }
    }
    powers
}

/// Power of ten of an instance: that of its own instance of the group, else the one that stands
/// alone. Nothing where it is not known yet.
pub(crate) fn power_of(
    powers: &BTreeMap<String, i8>,
    point: &Point,
    instance: &Instance,
) -> Option<i8> {
    let Some(id) = &point.scale_point else {
        return Some(0);
    };
    let beside = Place {
        item: None,
        ..instance.place
    };
    let own = instance
        .place
        .module
        .and_then(|_| powers.get(&name(id, beside)));
    own.or_else(|| powers.get(id)).copied()
}

/// Exchanges of one unit by what was asked: a poll asks the same few questions over and over, and an
/// instance stands in one or two of them.
struct ByQuestion<'e>(Vec<(Ask, Vec<&'e Exchange>)>);

impl<'e> ByQuestion<'e> {
    fn of(exchanges: &[&'e Exchange]) -> Self {
        let mut groups: Vec<(Ask, Vec<&Exchange>)> = Vec::new();
        for exchange in exchanges {
            match groups.iter_mut().find(|(ask, _)| *ask == exchange.ask) {
                Some((_, group)) => group.push(exchange),
                None => groups.push((exchange.ask, vec![exchange])),
            }
        }
        Self(groups)
    }
}

/// Every observation of one instance, in the order of time.
fn samples(
    mine: &ByQuestion,
    instance: &Instance,
    point: &Point,
    powers: &BTreeMap<String, i8>,
) -> Vec<Sample> {
    let Some(power) = power_of(powers, point, instance) else {
        return Vec::new();
    };
    let mut samples = Vec::new();
    for (ask, group) in &mine.0 {
        let Some(offset) = offset_inside(ask, instance) else {
            continue;
        };
        let mut last: Option<(&[u16], Decoded)> = None;
        for exchange in group {
            let what = match &exchange.outcome {
                Outcome::Answered(Answer::Registers(words)) => {
                    let Some(words) = words.get(offset..offset + usize::from(instance.registers))
                    else {
                        continue;
                    };
                    // Most registers say the same as a second ago.
                    // Without the call that comparing slices makes: they have one word or two.
                    let is_same = |before: &[u16]| before.iter().eq(words);
                    let known = last.take().filter(|(before, _)| is_same(before));
                    let Some((_, decoded)) =
                        known.or_else(|| Some((words, decode(point, words, power).ok()?)))
                    else {
                        continue;
                    };
                    last = Some((words, decoded.clone()));
                    Given::Decoded(decoded)
                }
                Outcome::Exception(code) if is_alone(ask, instance) => Given::Refused(*code),
                _ => continue,
            };
            samples.push(Sample {
                at: exchange.ended_at,
                what,
            });
        }
    }
    samples.sort_by_key(|sample| sample.at);
    samples
}

/// Position of the instance inside the registers asked for, if all of it is inside.
pub(crate) fn offset_inside(ask: &Ask, instance: &Instance) -> Option<usize> {
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
pub(crate) fn is_alone(ask: &Ask, instance: &Instance) -> bool {
    matches!(ask.question, Question::Read { table, address, count }
        if table == instance.table && address == instance.address && count == instance.registers)
}
