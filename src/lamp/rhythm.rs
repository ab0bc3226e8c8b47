//! What a lamp repeats, read off its edges alone: so many flashes, so long a pause.
//!
//! In: what was seen. Out: a [`Rhythm`], whose words name it by what it is, for patterns that are in no table.
//!
//! # Invariants
//! - A rhythm is claimed only where it was seen to repeat: two whole cycles, or a whole group of flashes between
//!   two pauses with nothing against it.
//! - Counts are counts: nothing here takes five flashes for four with one too many.

use super::numbers::{small, whole};
use super::pattern::Pattern;
use super::seen::LampSeen;
use crate::statistics::median;

/// Flashes of one cycle looked for.
const MOST_FLASHES: usize = 16;
/// A time may differ from its like by this share of it, beside what the observer errs.
const UNLIKE: f64 = 0.08;
/// Share of times that may differ more, though not as pauses do: a frame was lost.
const MOST_UNLIKE: f64 = 0.06;
/// A pause is at least so many times as long as the darkness between two flashes.
const PAUSE: f64 = 1.6;
/// Share of the groups of taps that must have the same count.
const SAME_COUNT: f64 = 0.7;
/// Times below so many frames say little.
const QUICK_FRAMES: f64 = 2.2;
/// Rate tolerance either way, as in ranking.
const RATE_TOLERANCE: f64 = 0.2;
/// Beyond the rate, one time may differ from a pattern's by this share of it.
const TIME_TOLERANCE: f64 = 0.15;
/// And by this part of a frame: exposure moves edges.
const FRAMES_TOLERANCE: f64 = 0.7;

/// What a lamp repeats.
#[derive(Debug, Clone, PartialEq)]
pub struct Rhythm {
    /// On, off, on, off, ... in ms; the longest darkness comes last.
    pub cycle_ms: Vec<f64>,
    /// Whether on and off were told apart; else half of each interval stands for either.
    pub lit_times: bool,
    /// Whether the length of the pause is known.
    pub pause_known: bool,
}

impl Rhythm {
    /// What was seen to repeat, if anything.
    #[must_use]
    pub fn of(seen: &LampSeen) -> Option<Self> {
        if seen.observer.is_person() {
            return tapped(seen);
        }
        let runs = runs_of(seen);
        let slack_ms = 4.0 * seen.observer.jitter_ms;
        repeated(&runs, slack_ms).or_else(|| one_group(&runs, slack_ms))
    }

    /// From times as told or listed, ms.
    #[must_use]
    pub fn of_times(cycle_ms: Vec<f64>) -> Self {
        Self {
            cycle_ms: pause_last(cycle_ms),
            lit_times: true,
            pause_known: true,
        }
    }

    /// From a count as told, and how long the pause is, if that was told.
    #[must_use]
    pub fn of_count(flashes: usize, pause_ms: Option<f64>) -> Self {
        let mut cycle_ms = vec![200.0; 2 * flashes];
        if let Some(pause) = cycle_ms.last_mut() {
            *pause = pause_ms.unwrap_or(1000.0);
        }
        Self {
            cycle_ms,
            lit_times: false,
            pause_known: pause_ms.is_some(),
        }
    }

    /// Whether it goes on from the beginning to the end: what began or ceased in between has changed.
    pub(super) fn fills(&self, seen: &LampSeen) -> bool {
        let longest = self.cycle_ms.iter().copied().fold(0.0, f64::max);
        let most = PAUSE * longest + 4.0 * seen.observer.jitter_ms;
        let ends = seen.edges.first().zip(seen.edges.last());
        seen.observer.is_person()
            || ends.is_some_and(|(first, last)| {
                first.at_ms - seen.from_ms <= most && seen.to_ms - last.at_ms <= most
            })
    }

    /// Whether a time is so short that frames decide how long it seems.
    pub(super) fn is_quick(&self, frame_ms: f64) -> bool {
        self.cycle_ms
            .iter()
            .any(|time| *time < QUICK_FRAMES * frame_ms)
    }

    /// Flashes in one cycle.
    #[must_use]
    pub fn flashes(&self) -> usize {
        self.cycle_ms.len() / 2
    }

    /// Length of one cycle, ms.
    #[must_use]
    pub fn period_ms(&self) -> f64 {
        self.cycle_ms.iter().sum()
    }

    /// One key, tapped evenly: the period is all that is known.
    fn even_taps(&self) -> bool {
        !self.lit_times && self.flashes() == 1 && self.pause_known
    }

    /// The same as a pattern that can be drawn, named by its words.
    #[must_use]
    pub fn pattern(&self) -> Pattern {
        let cycle_ms: Vec<u32> = self.cycle_ms.iter().map(|time| whole(*time)).collect();
        Pattern::new(&self.to_string(), &cycle_ms)
    }

    /// How far it is from a pattern, in tolerances: up to 1 it may bear the name, from [`FAR`] on it may not.
    pub(super) fn misfit(&self, pattern: &Pattern, frame_ms: f64) -> f64 {
        std::iter::once(&pattern.cycle_ms)
            .chain(&pattern.variants_ms)
            .map(|cycle| self.misfit_of_cycle(cycle, frame_ms))
            .fold(f64::INFINITY, f64::min)
    }

    fn misfit_of_cycle(&self, cycle_ms: &[u32], frame_ms: f64) -> f64 {
        if cycle_ms.len() != self.cycle_ms.len() || cycle_ms.is_empty() {
            return f64::INFINITY;
        }
        let listed: f64 = cycle_ms.iter().map(|time| f64::from(*time)).sum();
        let wanted = self.period_ms() / listed;
        let range = (1.0 + RATE_TOLERANCE).recip()..=(1.0 - RATE_TOLERANCE).recip();
        let stretch = wanted.clamp(*range.start(), *range.end());
        let beyond_rate = (wanted / stretch).max(stretch / wanted) - 1.0;
        let start = |start: usize| {
            let times = cycle_ms.iter().cycle().skip(start);
            let off = self.cycle_ms.iter().zip(times).map(|(seen, time)| {
                let expected = stretch * f64::from(*time);
                let tolerance = TIME_TOLERANCE * expected + FRAMES_TOLERANCE * frame_ms;
                (seen - expected).abs() / tolerance
            });
            off.fold(beyond_rate / 0.05, f64::max)
        };
        let starts = (0..cycle_ms.len()).step_by(2);
        starts.map(start).fold(f64::INFINITY, f64::min)
    }
}

/// Misfit from which on a pattern is another one.
pub(super) const FAR: f64 = 1.6;

/// Names it by what it is: `5 flashes, pause 1 s`, `on 0.5 s, off 0.5 s`.
impl std::fmt::Display for Rhythm {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let seconds = |ms: f64| {
            let text = format!("{:.2}", ms / 1000.0);
            format!("{} s", text.trim_end_matches('0').trim_end_matches('.'))
        };
        let lit = self.cycle_ms.iter().step_by(2).copied();
        let dark = self.cycle_ms.iter().skip(1).step_by(2).copied();
        let flashes = self.flashes();
        let pause = dark.clone().last().unwrap_or_default();
        if self.even_taps() {
            return write!(f, "1 flash every {}", seconds(self.period_ms()));
        }
        let between: Vec<f64> = dark.take(flashes.saturating_sub(1)).collect();
        let pauses = between.iter().all(|time| pause >= PAUSE * time);
        if flashes > 1 && pauses && alike(&between) && alike(&lit.clone().collect::<Vec<_>>()) {
            return match self.pause_known {
                true => write!(f, "{flashes} flashes, pause {}", seconds(pause)),
                false => write!(f, "{flashes} flashes, pause"),
            };
        }
        if !self.pause_known {
            return write!(
                f,
                "{flashes} flash{}, pause",
                if flashes == 1 { "" } else { "es" }
            );
        }
        let times = self.cycle_ms.iter().zip(["on", "off"].into_iter().cycle());
        let told: Vec<String> = times
            .map(|(time, word)| format!("{word} {}", seconds(*time)))
            .collect();
        f.write_str(&told.join(", "))
    }
}

/// Within a third of each other: one would say they are the same.
fn alike(times: &[f64]) -> bool {
    let least = times.iter().copied().fold(f64::INFINITY, f64::min);
    times.iter().all(|time| *time <= 1.5 * least + 40.0)
}

/// A time lit or dark.
#[derive(Debug, Clone, Copy)]
struct LitRun {
    lit: bool,
    ms: f64,
}

/// Whole runs in the longest part in which lit and dark alternate.
fn runs_of(seen: &LampSeen) -> Vec<LitRun> {
    let parts = seen.edges.chunk_by(|a, b| a.lit != b.lit);
    let longest = parts.max_by_key(|part| part.len()).unwrap_or_default();
    let runs = longest.windows(2).filter_map(|pair| match pair {
        [from, to] => Some(LitRun {
            lit: from.lit,
            ms: to.at_ms - from.at_ms,
        }),
        _ => None,
    });
    runs.collect()
}

/// The shortest cycle that was seen twice and repeats all along.
fn repeated(runs: &[LitRun], slack_ms: f64) -> Option<Rhythm> {
    (1..=MOST_FLASHES)
        .take_while(|flashes| runs.len() >= 4 * flashes)
        .find_map(|flashes| {
            let length = 2 * flashes;
            let mut unlike = 0;
            let mut cycle = Vec::with_capacity(length);
            for place in 0..length {
                let times: Vec<f64> = runs
                    .iter()
                    .skip(place)
                    .step_by(length)
                    .map(|run| run.ms)
                    .collect();
                let middle = median(times.clone(), f64::total_cmp)?;
                let most = UNLIKE * middle + slack_ms;
                let off = |time: &&f64| (**time - middle).abs() > most;
                let far = |time: &f64| (time - middle).abs() > 0.35 * middle + slack_ms;
                if times.iter().any(far) {
                    return None;
                }
                unlike += times.iter().filter(off).count();
                cycle.push(mean_near(&times, middle, most));
            }
            if small(unlike) > MOST_UNLIKE * small(runs.len()) {
                return None;
            }
            if runs.first().is_some_and(|run| !run.lit) {
                cycle.rotate_left(1);
            }
            Some(Rhythm::of_times(cycle))
        })
}

/// The mean of what lies near the middle: finer than a frame.
fn mean_near(times: &[f64], middle: f64, most: f64) -> f64 {
    let near = times.iter().filter(|time| (**time - middle).abs() <= most);
    let (sum, count) = near.fold((0.0, 0usize), |(sum, count), time| (sum + time, count + 1));
    sum / small(count.max(1))
}

/// The flashes between two pauses, where no more was seen: all alike, no other group longer.
fn one_group(runs: &[LitRun], slack_ms: f64) -> Option<Rhythm> {
    let dark: Vec<f64> = runs
        .iter()
        .filter(|run| !run.lit)
        .map(|run| run.ms)
        .collect();
    let shortest = dark.iter().copied().fold(f64::INFINITY, f64::min);
    let longest = dark.iter().copied().fold(0.0, f64::max);
    if longest < PAUSE * shortest + slack_ms {
        return None;
    }
    let bar = (shortest * longest).sqrt();
    let is_pause = |run: &LitRun| !run.lit && run.ms > bar;
    let groups: Vec<&[LitRun]> = runs.split(is_pause).collect();
    let [first, whole @ .., last] = groups.as_slice() else {
        return None;
    };
    let group = *whole.first()?;
    let same = whole.iter().all(|other| other.len() == group.len());
    let fits = first.len().max(last.len()) <= group.len();
    let lit: Vec<f64> = group
        .iter()
        .filter(|run| run.lit)
        .map(|run| run.ms)
        .collect();
    let between: Vec<f64> = group
        .iter()
        .filter(|run| !run.lit)
        .map(|run| run.ms)
        .collect();
    if !same || !fits || lit.len() > MOST_FLASHES || !alike(&lit) || !alike(&between) {
        return None;
    }
    let pauses: Vec<f64> = runs
        .iter()
        .filter(|run| is_pause(run))
        .map(|run| run.ms)
        .collect();
    let longest_pause = pauses.iter().copied().fold(0.0, f64::max);
    let pause = median(pauses.clone(), f64::total_cmp)?;
    // A pause that is longer than the others hides something: the lamp was out of sight.
    if pauses
        .iter()
        .any(|pause| longest_pause > 1.25 * pause + slack_ms)
    {
        return None;
    }
    let cycle = group.iter().map(|run| run.ms).chain([pause]).collect();
    Some(Rhythm::of_times(cycle))
}

/// What a person tapped: counts between long intervals, or even taps.
fn tapped(seen: &LampSeen) -> Option<Rhythm> {
    let ups: Vec<f64> = seen
        .edges
        .iter()
        .filter(|edge| edge.lit)
        .map(|edge| edge.at_ms)
        .collect();
    let gaps: Vec<f64> = ups
        .iter()
        .zip(ups.iter().skip(1))
        .map(|(from, to)| to - from)
        .collect();
    if gaps.len() < 3 {
        return None;
    }
    let lit_times = seen.observer.both_edges;
    let on_ms = |gap: f64| {
        if lit_times {
            lit_ms(seen).unwrap_or(gap / 2.0)
        } else {
            gap / 2.0
        }
    };
    let shortest = low_quarter(&gaps);
    let bar = split(&gaps).filter(|bar| *bar > 1.3 * shortest);
    let Some(bar) = bar else {
        let middle = median(gaps.clone(), f64::total_cmp)?;
        let near = gaps
            .iter()
            .filter(|gap| (**gap - middle).abs() < 0.35 * middle);
        let even = small(near.count()) >= SAME_COUNT * small(gaps.len());
        let on = on_ms(middle).min(0.95 * middle);
        return even.then(|| Rhythm {
            cycle_ms: vec![on, middle - on],
            lit_times,
            pause_known: true,
        });
    };
    let groups: Vec<usize> = gaps
        .split(|gap| *gap > bar)
        .map(|group| group.len() + 1)
        .collect();
    let [_, whole @ .., _] = groups.as_slice() else {
        return None;
    };
    let count = median(whole.to_vec(), usize::cmp)?;
    let same = whole.iter().filter(|other| **other == count).count();
    if count > MOST_FLASHES || small(same) < SAME_COUNT * small(whole.len()) {
        return None;
    }
    let short = median(
        gaps.iter().copied().filter(|gap| *gap <= bar).collect(),
        f64::total_cmp,
    )?;
    let long = median(
        gaps.iter().copied().filter(|gap| *gap > bar).collect(),
        f64::total_cmp,
    )?;
    let on = on_ms(short).min(0.95 * short);
    let mut cycle_ms: Vec<f64> = [on, short - on].repeat(count);
    if let Some(pause) = cycle_ms.last_mut() {
        *pause = long - on;
    }
    Some(Rhythm {
        cycle_ms,
        lit_times,
        pause_known: true,
    })
}

/// Where two keys tell it: how long it stays lit.
fn lit_ms(seen: &LampSeen) -> Option<f64> {
    let lit = runs_of(seen).into_iter().filter(|run| run.lit);
    median(lit.map(|run| run.ms).collect(), f64::total_cmp)
}

fn low_quarter(gaps: &[f64]) -> f64 {
    let mut sorted = gaps.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted.get(sorted.len() / 4).copied().unwrap_or_default()
}

/// Between the short and the long of two kinds of intervals: in the middle of the widest gap by ratio.
fn split(gaps: &[f64]) -> Option<f64> {
    let mut sorted = gaps.to_vec();
    sorted.sort_by(f64::total_cmp);
    let pairs = sorted.iter().zip(sorted.iter().skip(1));
    let widest = pairs.max_by(|a, b| (a.1 / a.0).total_cmp(&(b.1 / b.0)))?;
    (widest.1 > &(PAUSE * widest.0)).then(|| (widest.0 * widest.1).sqrt())
}

/// Begins after the longest darkness.
fn pause_last(mut cycle_ms: Vec<f64>) -> Vec<f64> {
    let dark = cycle_ms.iter().enumerate().skip(1).step_by(2);
    let longest = dark.max_by(|a, b| a.1.total_cmp(b.1).then(b.0.cmp(&a.0)));
    if let Some((at, _)) = longest {
        let length = cycle_ms.len();
        cycle_ms.rotate_left((at + 1) % length);
    }
    cycle_ms
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::lamp::{Edge, Observer, rank, standard_patterns};

    /// What a camera of 30 frames a second sees of a cycle, the edges on the grid of its frames.
    fn filmed(cycle_ms: &[u32], seconds: f64) -> LampSeen {
        let mut edges = Vec::new();
        let (mut at_ms, mut lit) = (-137.0, false);
        for time in cycle_ms.iter().cycle() {
            lit = !lit;
            if at_ms > seconds * 1000.0 {
                break;
            }
            if at_ms > 0.0 {
                edges.push(Edge {
                    at_ms: (at_ms / 33.3f64).round() * 33.3,
                    lit,
                });
            }
            at_ms += f64::from(*time);
        }
        LampSeen {
            edges,
            observer: Observer::camera(33.3),
            ..LampSeen::taps(&[], seconds * 1000.0)
        }
    }

    fn flashes(count: usize, pause_ms: u32) -> Vec<u32> {
        let mut cycle = [200, 200].repeat(count);
        if let Some(pause) = cycle.last_mut() {
            *pause = pause_ms;
        }
        cycle
    }

    // Kind: derived (the count of lighting-ups between two pauses)
    #[test]
    fn five_to_nine_flashes_are_counted_and_bear_no_name() {
        for count in 5..10 {
            let seen = filmed(&flashes(count, 1000), 10.0);
            let ranking = rank(&seen, &standard_patterns());
            assert_eq!(ranking.first(), None, "{count}");
            let rhythm = ranking.unnamed.expect("sure of what it does");
            assert_eq!(rhythm.to_string(), format!("{count} flashes, pause 1 s"));
        }
    }

    // Kind:   published
    // Source: CiA 303-3 (reprint): on and off times
    #[test]
    fn standard_counts_keep_their_names() {
        for (count, name) in [
            (2, "double-flash"),
            (3, "triple-flash"),
            (4, "quadruple-flash"),
        ] {
            let ranking = rank(&filmed(&flashes(count, 1000), 8.0), &standard_patterns());
            assert_eq!(ranking.name().as_deref(), Some(name));
        }
    }

    // Kind: derived (a map's own pattern of five flashes has a name there)
    #[test]
    fn a_pattern_of_a_map_gives_five_flashes_a_name() {
        let mut known = standard_patterns();
        known.push(Pattern::new("own-five", &flashes(5, 1000)));
        let ranking = rank(&filmed(&flashes(5, 1000), 10.0), &known);
        assert_eq!(ranking.name().as_deref(), Some("own-five"));
    }

    // Kind: derived (1 Hz tapped with one key: an interval of 1 s, as of a single flash of 200/1000 ms 17 % fast)
    #[test]
    fn one_key_at_1_hz_asks_for_the_second_and_two_keys_tell() {
        let known = standard_patterns();
        let taps: Vec<f64> = (0..9).map(|n| 1.0 + 1000.0 * f64::from(n)).collect();
        let one = rank(&LampSeen::taps(&taps, 8100.0), &known);
        assert_eq!(one.unclear, Some(crate::lamp::Unclear::LitTime));
        assert!(!one.enough);
        let edges = taps.iter().flat_map(|at| {
            [(0.0, true), (500.0, false)].map(|(later, lit)| Edge {
                at_ms: at + later,
                lit,
            })
        });
        let two = rank(&LampSeen::two_key_taps(edges.collect(), 8700.0), &known);
        assert_ne!(two.name().as_deref(), Some("single-flash"));
    }

    // Kind: derived (five taps 0.4 s apart, then 1.2 s: no fifth flash is a slip of the finger)
    #[test]
    fn five_taps_and_a_pause_are_five_flashes() {
        let taps: Vec<f64> = (0..4)
            .flat_map(|cycle| {
                (0..5).map(move |tap| 1.0 + 2800.0 * f64::from(cycle) + 400.0 * f64::from(tap))
            })
            .collect();
        let ranking = rank(&LampSeen::taps(&taps, 10_100.0), &standard_patterns());
        assert_eq!(
            ranking.unnamed.as_ref().map(Rhythm::flashes),
            Some(5),
            "{ranking:?}"
        );
    }

    // Kind: derived (a rhythm that was not seen twice is none)
    #[test]
    fn edges_without_a_rhythm_claim_none() {
        let times = [100.0, 350.0, 1400.0, 1500.0, 2900.0, 3300.0, 3500.0, 5100.0];
        let edges = times.iter().zip([true, false].into_iter().cycle());
        let seen = LampSeen {
            edges: edges
                .map(|(at_ms, lit)| Edge { at_ms: *at_ms, lit })
                .collect(),
            ..filmed(&[], 6.0)
        };
        assert_eq!(Rhythm::of(&seen), None);
    }
}
