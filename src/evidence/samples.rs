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
use packside_profiles::{
    Decoded, Instance, Known, Layout, Quality, Role, StateKind, Value, decode,
};

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
            point.map_or_else(Vec::new, |point| {
                thinned(point.role, samples(&mine, instance, point, &powers))
            })
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
        answered: u32::try_from(exchanges.iter().filter(is_answer).count()).unwrap_or(u32::MAX),
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
            powers.insert(point.id.clone(), power);
        }
    }
    powers
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
    let power = match &point.scale_point {
        None => 0,
        Some(name) => match powers.get(name) {
            Some(power) => *power,
            None => return Vec::new(),
        },
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
                    Seen::Decoded(decoded)
                }
                Outcome::Exception(code) if is_alone(ask, instance) => Seen::Refused(*code),
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

/// Fewer samples than this are all kept, and of more of them the latest.
const KEPT: usize = 512;
/// Of so many older samples in a row the lowest and the highest number are kept.
const STRETCH: usize = 128;

/// Of a long history what still says something: eight hours of every cell would fill the memory. Of
/// older samples the extremes of every stretch stay, of words and codes the ends of every run.
fn thinned(role: Role, samples: Vec<Sample>) -> Vec<Sample> {
    // Counters of time say something by each of their steps.
    let counts_time = matches!(
        role,
        Role::OwnHeartbeat | Role::InverterHeartbeat | Role::InverterAge | Role::Uptime
    );
    let Some(older) = samples.len().checked_sub(KEPT).filter(|_| !counts_time) else {
        return samples;
    };
    let mut keeps = vec![false; older];
    for (n, stretch) in samples.chunks(STRETCH).enumerate() {
        let of =
            |(place, sample): (usize, &Sample)| Some((n * STRETCH + place, number_only(sample)?));
        let numbers = || stretch.iter().enumerate().filter_map(of);
        let lowest = numbers().min_by(|a, b| a.1.total_cmp(&b.1));
        let highest = numbers().max_by(|a, b| a.1.total_cmp(&b.1));
        for (place, _) in lowest.into_iter().chain(highest) {
            if let Some(keep) = keeps.get_mut(place) {
                *keep = true;
            }
        }
    }
    let is_like = |a: Option<&Sample>, b: &Sample| a.is_some_and(|a| a.what == b.what);
    let ends_run = |place: usize, sample: &Sample| {
        number_only(sample).is_none()
            && !(place
                .checked_sub(1)
                .is_some_and(|p| is_like(samples.get(p), sample))
                && is_like(samples.get(place + 1), sample))
    };
    let kept = samples.iter().enumerate().filter(|(place, sample)| {
        keeps.get(*place).copied().unwrap_or(true) || ends_run(*place, sample)
    });
    kept.map(|(_, sample)| sample.clone()).collect()
}

/// The number in a sample, where it is one and no word or code.
fn number_only(sample: &Sample) -> Option<f64> {
    match &sample.what {
        Seen::Decoded(Decoded {
            value: Some(Value::Number(number)),
            quality: Quality::Good,
            ..
        }) => Some(*number),
        _ => None,
    }
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

#[cfg(test)]
mod tests {
    use super::*;

    fn sample(second: u64, value: Value) -> Sample {
        Sample {
            at: Duration::from_secs(second),
            what: Seen::Decoded(Decoded {
                value: Some(value),
                raw: 0,
                quality: Quality::Good,
            }),
        }
    }

    #[test]
    fn thinning_keeps_the_latest_samples_and_every_extreme() {
        let mut samples: Vec<Sample> = (0..28_800).map(|n| sample(n, Value::Number(3.3))).collect();
        samples[12_345] = sample(12_345, Value::Number(3.9));
        samples[20_000] = sample(20_000, Value::Number(2.1));
        let kept = thinned(Role::CellVoltage, samples.clone());
        assert!(kept.len() < KEPT + 2 * 28_800 / STRETCH, "{}", kept.len());
        assert!(kept.contains(&samples[12_345]) && kept.contains(&samples[20_000]));
        assert!(kept.ends_with(&samples[samples.len() - KEPT..]));
        assert!(kept.windows(2).all(|pair| pair[0].at < pair[1].at));
        assert_eq!(thinned(Role::Uptime, samples.clone()), samples);
    }

    #[test]
    fn thinning_keeps_both_ends_of_every_run_of_a_word() {
        let word = |n: u64| sample(n, Value::Bits(u64::from((500..600).contains(&n))));
        let samples: Vec<Sample> = (0..2_000).map(word).collect();
        let kept = thinned(Role::AlarmWord, samples.clone());
        for n in [0, 499, 500, 599, 600] {
            assert!(kept.contains(&samples[n]), "{n}");
        }
        assert_eq!(kept.len(), 5 + 1 + KEPT - 1, "and the end of the last run");
    }
}
