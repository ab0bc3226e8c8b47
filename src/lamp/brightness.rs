//! Finds when a lamp is lit in samples of brightness.
//!
//! In: pairs of time and level, any scale, uneven sampling. Out: [`LampSeen`] with its edges.
//!
//! # How
//! A level is a slowly moving baseline, plus the swing of the lamp while it is lit, plus noise. For one
//! swing and one noise the cheapest history of lamp and baseline is found exactly, by dynamic programming
//! over a grid of baselines (costs are negative log-likelihoods). Swing and noise are those with the
//! cheapest history; "the lamp never changes" competes on equal terms.
//!
//! # Why not a threshold
//! A sun that moves shifts every fixed threshold, and a step of ambient light looks like an edge. Following
//! only a few cheap histories was tried: now and then it lost the true one at a step.
//!
//! # Invariants
//! - Work is bounded: [`MOST_LEVELS`] baselines, and swing and noise are chosen on at most
//!   [`MOST_CHOOSING`] samples.

mod ramps;
mod restless;

use super::numbers::{single, small};
use super::seen::{Edge, LampSeen, Observer, Unclear};
use crate::statistics::median;

/// Baselines of one grid.
const MOST_LEVELS: usize = 112;
/// Samples on which swing and noise are chosen.
const MOST_CHOOSING: usize = 3000;
/// Share of samples that carry an edge: of flashes, and of flickering, which changes with almost each.
const EDGE_SHARES: [f64; 3] = [0.08, 0.3, 0.65];
/// Cost of the baseline moving by one step of the grid between two samples.
const DRIFT: f32 = 4.0;
/// Cost of a step of ambient light.
const AMBIENT: f32 = 20.0;
/// Most that one sample can cost: anything may cross the picture.
const OUTLIER: f32 = 12.0;
/// Samples after which a model is compared with the best so far.
const GIVE_UP_EACH: usize = 16;
/// Cost by which a lamp that changes must beat one that does not.
const MARGIN: f32 = 8.0;
/// Fewer edges are steps of ambient light, or no cycle.
const LEAST_EDGES: usize = 3;
/// Swings tried, as shares of the range of the samples; what the steps between samples show comes to them.
const SWINGS: [f64; 15] = [
    0.13, 0.155, 0.18, 0.21, 0.245, 0.285, 0.33, 0.385, 0.45, 0.52, 0.6, 0.7, 0.81, 0.94, 1.1,
];
/// Swings tried around the best, as shares of it.
const FINER_SWINGS: [f64; 6] = [0.92, 0.95, 0.975, 1.025, 1.05, 1.08];
/// Noises tried, as shares of a first guess.
const NOISES: [f64; 4] = [0.3, 0.7, 1.0, 1.4];
/// Noises tried while flickering, as shares of the swing.
const DENSE_NOISES: [f64; 4] = [0.05, 0.08, 0.12, 0.18];
/// How unevenly a lamp may shine, as shares of the swing: a hand moves its rim, a camera saturates.
const UNEVEN: [f64; 2] = [0.06, 0.12];
/// What a model costs more where the lamp shines unevenly.
const UNEVEN_COST: f32 = 6.0;
/// Noise below this share of the range is not told apart.
/// The same for every model: costs compare only so.
const LEAST_NOISE: f64 = 0.02;
/// A step between samples that is this share of the largest is an edge, not noise.
const LARGE_STEP: f64 = 0.5;
/// A swing below this many times the noise is no swing.
const LEAST_SWING: f64 = 5.0;

/// Samples of a usual time lit or dark, from which on single ones are glitches.
const LONG_RUN: usize = 4;
/// Of so many times one may be a glitch.
const FEW_GLITCHES: usize = 8;

/// Finds the edges of the lamp.
pub(super) fn find_edges(samples: &[(f64, f64)]) -> LampSeen {
    let from_ms = samples.first().map_or(0.0, |sample| sample.0);
    let to_ms = samples.last().map_or(0.0, |sample| sample.0);
    let mut seen = LampSeen {
        edges: Vec::new(),
        from_ms,
        to_ms,
        observer: Observer::camera(frame_ms(samples)),
        lit_at_start: None,
        unclear: None,
    };
    let levels: Vec<f64> = samples.iter().map(|sample| sample.1).collect();
    let Some(scene) = LightScene::of(&levels) else {
        return seen;
    };
    let surplus = levels.len().saturating_sub(MOST_CHOOSING);
    let middle = levels
        .get(surplus / 2..surplus / 2 + levels.len().min(MOST_CHOOSING))
        .unwrap_or_default();
    let Some(model) = scene.choose(middle) else {
        seen.unclear = restless::in_levels(middle).then_some(Unclear::TooQuick);
        return seen;
    };
    let lit = without_glitches(model.history(&levels));
    let edges = edges_of(samples, &lit);
    if edges.len() >= LEAST_EDGES {
        seen.lit_at_start = lit.first().copied();
        seen.edges = edges;
        seen.unclear = if ramps::are_slow(&levels, &lit, seen.observer.frame_ms()) {
            Some(Unclear::SlowEdges)
        } else {
            ramps::is_wave(&levels, &lit).then_some(Unclear::TooQuick)
        };
    } else {
        seen.unclear = restless::in_levels(middle).then_some(Unclear::TooQuick);
    }
    seen
}

/// What is known of the samples before anything is decided.
struct LightScene {
    low: f64,
    high: f64,
    /// Levels at which the camera saturates, if it does.
    floor: f64,
    ceiling: f64,
}

impl LightScene {
    /// Nothing if all samples are equal.
    fn of(levels: &[f64]) -> Option<Self> {
        let low = levels.iter().copied().fold(f64::INFINITY, f64::min);
        let high = levels.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let range = high - low;
        let often = |end: f64| {
            let count = levels
                .iter()
                .filter(|level| (**level - end).abs() < 1e-6 * range);
            // Noise meets the very same extreme seldom; a camera at its limit does all the time.
            count.count() > 4 + levels.len() / 33
        };
        (range > 0.0 && range.is_finite()).then(|| Self {
            low,
            high,
            floor: if often(low) { low } else { f64::NEG_INFINITY },
            ceiling: if often(high) { high } else { f64::INFINITY },
        })
    }

    fn range(&self) -> f64 {
        self.high - self.low
    }

    /// The model with the cheapest history, if a lamp that changes explains the samples best.
    fn choose(&self, levels: &[f64]) -> Option<Model> {
        let least = LEAST_NOISE * self.range();
        let guess = noise_between_neighbours(levels).max(least);
        let noises = NOISES.map(|share| (share * guess).max(least));
        let mut without = f32::INFINITY;
        for noise in noises.into_iter().chain([2.0 * guess, 3.0 * guess]) {
            let model = self.model(0.0, noise, 0.0);
            without = model.cost(levels, without).unwrap_or(without);
        }
        let mut best: Option<(f32, Model)> = None;
        let tried = SWINGS.map(|share| share * self.range());
        for swing in tried.into_iter().chain(steps_between(levels)) {
            for share in EDGE_SHARES {
                // Where most samples carry an edge the first guess shows the swing, not the noise.
                let dense = share > 0.2;
                let noises = if dense {
                    DENSE_NOISES.map(|part| part * swing)
                } else {
                    noises
                };
                let mut last = 0.0;
                for noise in noises.map(|noise| noise.max(least)) {
                    if noise > last {
                        self.try_model(swing, noise, share, levels, &mut best);
                        last = noise;
                    }
                }
                for uneven in UNEVEN.into_iter().filter(|_| !dense) {
                    let model = self.model(swing, guess, share).shining_unevenly(uneven);
                    Self::try_this(model, levels, &mut best);
                }
            }
        }
        if let Some((
            _,
            Model {
                swing,
                noise,
                edge_share,
                uneven,
                ..
            },
        )) = best
        {
            let finer = if uneven > 0.0 {
                UNEVEN.as_slice()
            } else {
                &[0.0]
            };
            for factor in FINER_SWINGS {
                for uneven in finer {
                    let model = self.model(swing * factor, noise, edge_share);
                    Self::try_this(model.shining_unevenly(*uneven), levels, &mut best);
                }
            }
        }
        best.filter(|(cost, _)| cost + MARGIN < without)
            .map(|(_, model)| model)
    }

    fn try_model(
        &self,
        swing: f64,
        noise: f64,
        edge_share: f64,
        levels: &[f64],
        best: &mut Option<(f32, Model)>,
    ) {
        Self::try_this(self.model(swing, noise, edge_share), levels, best);
    }

    fn try_this(model: Model, levels: &[f64], best: &mut Option<(f32, Model)>) {
        if model.swing < LEAST_SWING * model.noise {
            return;
        }
        let bar = best.as_ref().map_or(f32::INFINITY, |(so_far, _)| *so_far);
        if let Some(cost) = model.cost(levels, bar) {
            *best = Some((cost, model));
        }
    }

    fn model(&self, swing: f64, noise: f64, edge_share: f64) -> Model {
        // Where the lamp was lit all the time the baseline lies a swing below everything seen.
        let (from, span) = (self.low - swing, self.range() + swing);
        let step = (0.8 * noise).max(span / small(MOST_LEVELS - 1));
        let clip = |level: f64| level.clamp(self.floor, self.ceiling);
        let dark: Vec<f64> = (0..MOST_LEVELS)
            .map(|index| from + small(index) * step)
            .take_while(|level| *level <= self.high + step)
            .collect();
        Model {
            swing,
            noise,
            edge_share,
            edge: single(-edge_share.ln()),
            stay: single(-(1.0 - edge_share).ln()),
            uneven: 0.0,
            per_noise: [single(noise.recip()); 2],
            less_likely: 0.0,
            margin: single(2.0 * noise),
            // Evenly between dark and lit, and seldom: many cameras take a sample in no time.
            between: single((swing / noise).max(1.0).ln()) + 1.0,
            expected: [false, true].map(|lit| {
                let lift = if lit { swing } else { 0.0 };
                dark.iter()
                    .map(|level| single(clip(level + lift)))
                    .collect()
            }),
        }
    }
}

/// One swing and one noise, with the levels to expect on a grid of baselines.
struct Model {
    swing: f64,
    noise: f64,
    edge_share: f64,
    /// Costs of an edge, and of none.
    edge: f32,
    stay: f32,
    /// How unevenly it shines, as a share of the swing.
    uneven: f64,
    /// One over the noise: dark, then lit.
    per_noise: [f32; 2],
    /// Cost of a sample while lit for the wider noise.
    less_likely: f32,
    /// A sample this far beyond dark and lit may still lie between them.
    margin: f32,
    /// Cost of a sample during which the lamp changed.
    between: f32,
    /// Dark, then lit.
    expected: [Vec<f32>; 2],
}

/// Costs of all baselines while dark, and while lit.
type Costs = [Vec<f32>; 2];

/// A state of a history: baseline, and whether the lamp is lit.
type LampState = (usize, bool);

impl Model {
    /// The same of a lamp whose light, not the dark beside it, is uneven.
    fn shining_unevenly(self, uneven: f64) -> Self {
        let lit = self.noise.hypot(uneven * self.swing);
        let [dark, _] = self.per_noise;
        Self {
            uneven,
            per_noise: [dark, single(lit.recip())],
            less_likely: single((lit / self.noise).ln()),
            ..self
        }
    }

    /// Cost of the cheapest history, comparable between models, if it stays below the bar.
    fn cost(&self, levels: &[f64], bar: f32) -> Option<f32> {
        let more = if self.uneven > 0.0 { UNEVEN_COST } else { 0.0 };
        let fixed = single(small(levels.len()) * self.noise.ln()) + more;
        let cheapest = |costs: &Costs| {
            costs
                .iter()
                .flatten()
                .copied()
                .fold(f32::INFINITY, f32::min)
        };
        let mut sample = 0usize;
        let costs = self.run(levels, |costs| {
            sample += 1;
            // Costs only grow: a hopeless model is given up early.
            !sample.is_multiple_of(GIVE_UP_EACH) || cheapest(costs) + fixed < bar
        })?;
        Some(cheapest(&costs) + fixed).filter(|cost| *cost < bar)
    }

    /// Whether the lamp was lit, sample by sample, in the cheapest history.
    fn history(&self, levels: &[f64]) -> Vec<bool> {
        let mut layers: Vec<Costs> = Vec::with_capacity(levels.len());
        self.run(levels, |costs| {
            layers.push(costs.clone());
            true
        });
        let mut history = Vec::with_capacity(levels.len());
        let mut after: Option<(LampState, f32)> = None;
        for (layer, level) in layers.iter().zip(levels).rev() {
            let state = cheapest(layer, |from| {
                after.map_or(0.0, |(to, level)| self.step(from, to, level))
            });
            history.push(state.1);
            after = Some((state, single(*level)));
        }
        history.reverse();
        history
    }

    /// Costs at the end; `each` is told the costs after every sample, and whether to go on.
    fn run(&self, levels: &[f64], mut each: impl FnMut(&Costs) -> bool) -> Option<Costs> {
        let [dark, bright] = &self.expected;
        let mut costs: Costs = [vec![0.0; dark.len()], vec![0.0; bright.len()]];
        let mut moved = costs.clone();
        for level in levels {
            for (row, moved) in costs.iter().zip(&mut moved) {
                move_baseline(row, moved);
            }
            let [dark_costs, bright_costs] = &mut costs;
            let [dark_from, bright_from] = &moved;
            let before = dark_from.iter().zip(bright_from);
            let expected = dark.iter().zip(bright);
            let after = dark_costs.iter_mut().zip(bright_costs);
            for ((to, from), expected) in after.zip(before).zip(expected) {
                let miss = self.miss(single(*level), *expected.0, *expected.1);
                *to.0 = (from.0 + self.stay + miss.dark)
                    .min(from.1 + self.edge + miss.dark.min(miss.between));
                *to.1 = (from.1 + self.stay + miss.lit)
                    .min(from.0 + self.edge + miss.lit.min(miss.between));
            }
            if !each(&costs) {
                return None;
            }
        }
        Some(costs)
    }

    /// Cost of one step of a history that ends with a sample.
    fn step(&self, from: LampState, to: LampState, level: f32) -> f32 {
        let moves = match from.0.abs_diff(to.0) {
            0 => 0.0,
            1 => DRIFT,
            _ => AMBIENT,
        };
        let expected = |row: &Vec<f32>| row.get(to.0).copied().unwrap_or_default();
        let [dark, bright] = self.expected.each_ref().map(expected);
        let miss = self.miss(level, dark, bright);
        let wanted = if to.1 { miss.lit } else { miss.dark };
        moves
            + if from.1 == to.1 {
                self.stay + wanted
            } else {
                self.edge + wanted.min(miss.between)
            }
    }

    /// How far a sample misses what was expected.
    fn miss(&self, level: f32, dark: f32, bright: f32) -> Miss {
        let off = |expected: f32, per_noise: f32| {
            let off = (level - expected) * per_noise;
            0.5 * off * off
        };
        let [of_dark, of_lit] = self.per_noise;
        let inside = level > dark - self.margin && level < bright + self.margin;
        Miss {
            dark: off(dark, of_dark).min(OUTLIER),
            lit: (off(bright, of_lit) + self.less_likely).min(OUTLIER),
            between: if inside { self.between } else { OUTLIER },
        }
    }
}

/// Costs of one sample: with the lamp dark, lit, or changing while the sample was taken.
struct Miss {
    dark: f32,
    lit: f32,
    between: f32,
}

/// The cheapest state of a layer, with the cost of the way on added.
fn cheapest(layer: &Costs, way_on: impl Fn(LampState) -> f32) -> LampState {
    let states = layer.iter().zip([false, true]).flat_map(|(row, lit)| {
        let cells = row.iter().enumerate();
        cells.map(move |(index, cost)| ((index, lit), *cost))
    });
    states
        .map(|(state, cost)| (state, cost + way_on(state)))
        .min_by(|a, b| a.1.total_cmp(&b.1))
        .map_or((0, false), |(state, _)| state)
}

/// Costs after the baseline had its chance to move: not at all, by one, or anywhere.
fn move_baseline(costs: &[f32], moved: &mut [f32]) {
    let jump = AMBIENT + costs.iter().copied().fold(f32::INFINITY, f32::min);
    for (to, cost) in moved.iter_mut().zip(costs) {
        *to = cost.min(jump);
    }
    for (to, above) in moved.iter_mut().zip(costs.iter().skip(1)) {
        *to = to.min(above + DRIFT);
    }
    for (to, below) in moved.iter_mut().skip(1).zip(costs) {
        *to = to.min(below + DRIFT);
    }
}

/// Single samples that break long times lit or dark are glitches where they are few, or all of one moment: a frame
/// that lies beside, a hand that jumped. They go with the shorter one of their neighbours.
fn without_glitches(mut lit: Vec<bool>) -> Vec<bool> {
    let mut from = 0;
    let runs: Vec<std::ops::Range<usize>> = lit
        .chunk_by(|a, b| a == b)
        .map(|run| {
            from += run.len();
            from - run.len()..from
        })
        .collect();
    let usual = median(
        runs.iter().map(ExactSizeIterator::len).collect(),
        usize::cmp,
    );
    let usual = usual.unwrap_or_default();
    let is_single = |run: &std::ops::Range<usize>| run.len() == 1;
    let single = || runs.iter().filter(|run| is_single(run));
    let (first, last) = (single().next(), single().next_back());
    let lasts = first
        .zip(last)
        .map_or(0, |(first, last)| last.end - first.start);
    let few = single().count() * FEW_GLITCHES <= runs.len() || lasts <= 2 * usual;
    if usual < LONG_RUN || !few {
        return lit;
    }
    for glitch in runs.chunk_by(|a, b| is_single(a) && is_single(b)) {
        let (Some(first), Some(last)) = (glitch.first(), glitch.last()) else {
            continue;
        };
        let before = runs.iter().find(|run| run.end == first.start);
        let after = runs.iter().find(|run| run.start == last.end);
        let (true, Some((before, after))) = (is_single(first), before.zip(after)) else {
            continue;
        };
        let near = if before.len() < after.len() {
            before
        } else {
            after
        };
        let state = lit.get(near.start).copied().unwrap_or_default();
        if let Some(glitch) = lit.get_mut(first.start..last.end) {
            glitch.fill(state);
        }
    }
    lit
}

fn edges_of(samples: &[(f64, f64)], lit: &[bool]) -> Vec<Edge> {
    let times = samples.iter().map(|sample| sample.0);
    let states: Vec<(f64, bool)> = times.zip(lit.iter().copied()).collect();
    states
        .windows(2)
        .filter_map(|pair| match pair {
            [before, after] if before.1 != after.1 => Some(Edge {
                at_ms: f64::midpoint(before.0, after.0),
                lit: after.1,
            }),
            _ => None,
        })
        .collect()
}

/// How far the level steps where it does: between neighbours, and over one sample that an edge may split.
fn steps_between(levels: &[f64]) -> impl Iterator<Item = f64> {
    [1, 2].into_iter().filter_map(|apart| {
        let later = levels.iter().skip(apart);
        let mut steps: Vec<f64> = levels
            .iter()
            .zip(later)
            .map(|(a, b)| (b - a).abs())
            .collect();
        steps.sort_by(f64::total_cmp);
        let large = LARGE_STEP * steps.get(steps.len() * 98 / 100)?;
        let first = steps.partition_point(|step| *step < large);
        let large = steps.get(first..)?;
        large
            .get(large.len() / 2)
            .copied()
            .filter(|step| *step > 0.0)
    })
}

/// Noise as the smaller differences between neighbours show it; too much where most samples carry an edge.
fn noise_between_neighbours(levels: &[f64]) -> f64 {
    let mut rises: Vec<f64> = levels
        .windows(2)
        .filter_map(|pair| match pair {
            [before, after] => Some((after - before).abs()),
            _ => None,
        })
        .collect();
    rises.sort_by(f64::total_cmp);
    // Three in ten lie below 0.385 deviations of a difference, which are sqrt(2) of a sample.
    rises.get(rises.len() * 3 / 10).copied().unwrap_or(0.0) / 0.545
}

/// Time between two samples: where they come unevenly, one that nine in ten stay below.
fn frame_ms(samples: &[(f64, f64)]) -> f64 {
    let mut gaps: Vec<f64> = samples
        .windows(2)
        .filter_map(|pair| match pair {
            [before, after] => Some(after.0 - before.0),
            _ => None,
        })
        .collect();
    gaps.sort_by(f64::total_cmp);
    gaps.get(gaps.len() * 9 / 10).copied().unwrap_or(40.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A flash of 200 ms each second, 30 samples a second: dark at 164 and quiet, as bright as `shine` says.
    fn flashes(shine: impl Fn(usize) -> f64) -> Vec<(f64, f64)> {
        let mut word = 7u32;
        let mut noise = || {
            word = word.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            f64::from(word >> 8) / f64::from(1 << 24)
        };
        let level = |n: usize| if n % 30 < 6 { shine(n) } else { 164.0 };
        (0..240)
            .map(|n| (n as f64 * 33.3, level(n) + noise()))
            .collect()
    }

    // Kind: derived (eight flashes have sixteen edges, one of them before the film began)
    #[test]
    fn a_lamp_that_shines_unevenly_in_the_quiet_dark_is_seen() {
        let swings = [40.0, 36.0, 34.0, 37.0, 43.0, 41.0, 39.0, 45.0];
        let seen = find_edges(&flashes(|n| {
            164.0 + swings[n / 30] + if n % 2 == 0 { 1.5 } else { -1.0 }
        }));
        assert_eq!((seen.edges.len(), seen.unclear), (15, None));
        let steady = find_edges(&flashes(|_| 164.0));
        assert!(steady.edges.is_empty(), "{:?}", steady.edges);
    }

    #[test]
    fn single_samples_are_glitches_only_among_long_times() {
        let run = |lit: bool, length: usize| std::iter::repeat_n(lit, length);
        let steady = |glitch: bool| {
            let mut lit: Vec<bool> = (0..10).flat_map(|n| run(n % 2 == 0, 6)).collect();
            if glitch {
                lit[33] = !lit[33];
            }
            lit
        };
        assert_eq!(without_glitches(steady(true)), steady(false));
        // Short flashes are flashes.
        let short: Vec<bool> = (0..16)
            .flat_map(|n| run(n % 2 == 0, if n % 2 == 0 { 1 } else { 30 }))
            .collect();
        assert_eq!(without_glitches(short.clone()), short);
    }
}
