//! Finds when a lamp is lit in samples of brightness.
//!
//! In: pairs of time and level, any scale, uneven sampling. Out: [`Seen`] with its edges.
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

use super::seen::{Edge, Observer, Seen};

/// Baselines of one grid.
const MOST_LEVELS: usize = 160;
/// Samples on which swing and noise are chosen.
const MOST_CHOOSING: usize = 3000;
/// Share of samples that carry an edge: of flashes, and of flickering, which changes with almost each.
const EDGE_SHARES: [f64; 3] = [0.08, 0.3, 0.65];
/// Cost of the baseline moving by one step of the grid between two samples.
const DRIFT: f32 = 4.0;
/// Cost of a step of ambient light.
const AMBIENT: f32 = 12.0;
/// Most that one sample can cost: anything may cross the picture.
const OUTLIER: f32 = 12.0;
/// Cost by which a lamp that changes must beat one that does not.
const MARGIN: f32 = 8.0;
/// Fewer edges are steps of ambient light, or no cycle.
const LEAST_EDGES: usize = 3;
/// Swings tried, as shares of the range of the samples.
const SWINGS: [f64; 15] = [
    0.13, 0.155, 0.18, 0.21, 0.245, 0.285, 0.33, 0.385, 0.45, 0.52, 0.6, 0.7, 0.81, 0.94, 1.1,
];
/// Noises tried, as shares of a first guess.
const NOISES: [f64; 4] = [0.3, 0.7, 1.0, 1.4];
/// Noises tried while flickering, as shares of the swing.
const DENSE_NOISES: [f64; 4] = [0.05, 0.08, 0.12, 0.18];
/// Noise below this share of the range is not told apart.
const LEAST_NOISE: f64 = 0.012;
/// A swing below this many times the noise is no swing.
const LEAST_SWING: f64 = 5.0;

/// Finds the edges of the lamp.
pub(super) fn find_edges(samples: &[(f64, f64)]) -> Seen {
    let from_ms = samples.first().map_or(0.0, |sample| sample.0);
    let to_ms = samples.last().map_or(0.0, |sample| sample.0);
    let mut seen = Seen {
        edges: Vec::new(),
        from_ms,
        to_ms,
        observer: Observer::camera(frame_ms(samples)),
        lit_at_start: None,
    };
    let levels: Vec<f64> = samples.iter().map(|sample| sample.1).collect();
    let Some(scene) = Scene::of(&levels) else {
        return seen;
    };
    let surplus = levels.len().saturating_sub(MOST_CHOOSING);
    let middle = levels
        .get(surplus / 2..surplus / 2 + levels.len().min(MOST_CHOOSING))
        .unwrap_or_default();
    let Some(model) = scene.choose(middle) else {
        return seen;
    };
    let lit = model.history(&levels);
    let edges = edges_of(samples, &lit);
    if edges.len() >= LEAST_EDGES {
        seen.lit_at_start = lit.first().copied();
        seen.edges = edges;
    }
    seen
}

/// What is known of the samples before anything is decided.
struct Scene {
    low: f64,
    high: f64,
    /// Levels at which the camera saturates, if it does.
    floor: f64,
    ceiling: f64,
}

impl Scene {
    /// Nothing if all samples are equal.
    fn of(levels: &[f64]) -> Option<Self> {
        let low = levels.iter().copied().fold(f64::INFINITY, f64::min);
        let high = levels.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let range = high - low;
        let often = |end: f64| {
            let count = levels.iter().filter(|level| (**level - end).abs() < 1e-6 * range);
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
            without = without.min(self.model(0.0, noise, 0.0).cost(levels));
        }
        let mut best: Option<(f32, Model)> = None;
        for swing in SWINGS.map(|share| share * self.range()) {
            for share in EDGE_SHARES {
                // Where most samples carry an edge the first guess shows the swing, not the noise.
                let dense = share > 0.2;
                let noises = if dense { DENSE_NOISES.map(|part| part * swing) } else { noises };
                for noise in noises {
                    self.try_model(swing, noise, share, levels, &mut best);
                }
            }
        }
        if let Some((_, Model { swing, noise, edge_share, .. })) = best {
            for factor in [0.95, 1.05] {
                self.try_model(swing * factor, noise, edge_share, levels, &mut best);
            }
        }
        best.filter(|(cost, _)| cost + MARGIN < without)
            .map(|(_, model)| model)
    }

    fn try_model(&self, swing: f64, noise: f64, edge_share: f64, levels: &[f64], best: &mut Option<(f32, Model)>) {
        if swing < LEAST_SWING * noise {
            return;
        }
        let model = self.model(swing, noise, edge_share);
        let cost = model.cost(levels);
        if best.as_ref().is_none_or(|(so_far, _)| cost < *so_far) {
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
            expected: [false, true].map(|lit| {
                let lift = if lit { swing } else { 0.0 };
                dark.iter().map(|level| single(clip(level + lift))).collect()
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
    /// Dark, then lit.
    expected: [Vec<f32>; 2],
}

/// Where the cheapest way to a state came from: baseline, and whether the lamp was lit.
#[derive(Clone, Copy, Default)]
struct Back {
    level: u8,
    lit: bool,
}

/// Costs of all baselines while dark, and while lit.
type Costs = [Vec<f32>; 2];

impl Model {
    /// Cost of the cheapest history, comparable between models.
    fn cost(&self, levels: &[f64]) -> f32 {
        let (costs, _) = self.run(levels, false);
        let cheapest = costs.iter().flatten().copied().fold(f32::INFINITY, f32::min);
        cheapest + single(small(levels.len()) * self.noise.ln())
    }

    /// Whether the lamp was lit, sample by sample, in the cheapest history.
    fn history(&self, levels: &[f64]) -> Vec<bool> {
        let (costs, backs) = self.run(levels, true);
        let states = costs.iter().zip([false, true]);
        let ends = states.flat_map(|(costs, lit)| {
            costs.iter().zip(0u8..).map(move |(cost, level)| (*cost, Back { level, lit }))
        });
        let Some((_, mut state)) = ends.min_by(|a, b| a.0.total_cmp(&b.0)) else {
            return Vec::new();
        };
        let mut history = vec![state.lit];
        for layer in backs.iter().rev() {
            let from = layer.get(usize::from(state.lit)).and_then(|row| row.get(usize::from(state.level)));
            state = from.copied().unwrap_or_default();
            history.push(state.lit);
        }
        history.reverse();
        history
    }

    /// Costs at the end, and the ways back where they are wanted.
    fn run(&self, levels: &[f64], with_ways: bool) -> (Costs, Vec<[Vec<Back>; 2]>) {
        let mut costs: Costs = self.expected.each_ref().map(|expected| vec![0.0; expected.len()]);
        if self.swing == 0.0 {
            costs = costs.map(|row| row);
            if let [_, lit] = &mut costs {
                lit.fill(f32::INFINITY);
            }
        }
        let mut backs = Vec::new();
        for (index, level) in levels.iter().enumerate() {
            let level = single(*level);
            if index == 0 {
                for (row, expected) in costs.iter_mut().zip(&self.expected) {
                    for (cost, expected) in row.iter_mut().zip(expected) {
                        *cost += self.miss(level, *expected);
                    }
                }
                continue;
            }
            let moved = costs.each_ref().map(|row| moved(row));
            let mut layer: [Vec<Back>; 2] = [Vec::new(), Vec::new()];
            for (lit, ways) in [false, true].into_iter().zip(&mut layer) {
                self.settle(level, lit, &moved, &mut costs, with_ways.then_some(ways));
            }
            if with_ways {
                backs.push(layer);
            }
        }
        (costs, backs)
    }

    /// Takes one sample for the states with the lamp lit or dark.
    fn settle(&self, level: f32, lit: bool, moved: &[Vec<(f32, u8)>; 2], costs: &mut Costs, ways: Option<&mut Vec<Back>>) {
        let [dark, bright] = &self.expected;
        let ([dark_from, bright_from], [dark_costs, bright_costs]) = (moved, costs);
        let (same, other, row, here) = if lit {
            (bright_from, dark_from, bright_costs, bright)
        } else {
            (dark_from, bright_from, dark_costs, dark)
        };
        // A sample during which the lamp changed lies anywhere between dark and lit.
        let part = single((self.swing / self.noise).max(1.0).ln()) - 0.2;
        let margin = single(2.0 * self.noise);
        let both = dark.iter().zip(bright);
        let from = same.iter().zip(other);
        let mut ways = ways;
        for ((cost, expected), ((dark, bright), (same, other))) in row.iter_mut().zip(here).zip(both.zip(from)) {
            let miss = self.miss(level, *expected);
            let between = level > dark - margin && level < bright + margin;
            let at_edge = if between { miss.min(part) } else { miss };
            let (stays, changes) = (same.0 + self.stay + miss, other.0 + self.edge + at_edge);
            *cost = stays.min(changes);
            if let Some(ways) = ways.as_deref_mut() {
                ways.push(if stays <= changes {
                    Back { level: same.1, lit }
                } else {
                    Back { level: other.1, lit: !lit }
                });
            }
        }
    }

    /// Cost of a sample that misses what was expected.
    fn miss(&self, level: f32, expected: f32) -> f32 {
        let off = (level - expected) / single(self.noise);
        (0.5 * off * off).min(OUTLIER)
    }
}

/// Costs after the baseline had its chance to move, and the baseline it came from.
fn moved(costs: &[f32]) -> Vec<(f32, u8)> {
    let (jump, jump_from) = costs
        .iter()
        .zip(0u8..)
        .fold((f32::INFINITY, 0), |best, (cost, index)| if *cost < best.0 { (*cost, index) } else { best });
    let jump = jump + AMBIENT;
    let below = std::iter::once(&f32::INFINITY).chain(costs);
    let above = costs.iter().skip(1).chain(std::iter::once(&f32::INFINITY));
    costs
        .iter()
        .zip(below)
        .zip(above)
        .zip(0u8..)
        .map(|(((cost, below), above), index)| {
            let mut best = (*cost, index);
            for (cost, from) in [
                (below + DRIFT, index.saturating_sub(1)),
                (above + DRIFT, index.saturating_add(1)),
                (jump, jump_from),
            ] {
                if cost < best.0 {
                    best = (cost, from);
                }
            }
            best
        })
        .collect()
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

#[expect(clippy::cast_possible_truncation, reason = "costs and levels need few digits")]
fn single(number: f64) -> f32 {
    number as f32
}

#[expect(clippy::cast_precision_loss, reason = "at most 36000 samples")]
fn small(count: usize) -> f64 {
    count as f64
}
