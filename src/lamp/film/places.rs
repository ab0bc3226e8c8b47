//! Finds the places of a film that switch between two levels, and what each did.
//!
//! In: squares of all frames, laid on the first picture. Out: [`Spot`]s, the strongest first.
//!
//! # How
//! What a whole row does at once is light from the mains, a camera that sets itself, or the room: taken out.
//! A square whose levels fall into two groups, far apart beside their width, may be a lamp; squares that touch
//! and do the same are one.
//!
//! Does not: judge a pattern.

use super::history::FilmHistory;
use crate::lamp::numbers::{single, small};
use crate::statistics::median;

/// Spots looked for.
const MOST_SPOTS: usize = 12;
/// Two groups are so many times as far apart as they are wide: chance gives 2.7, a drift 3.5.
const APART: f32 = 3.2;
/// Least distance of the groups, in levels and in times of the usual noise of a square, of which nine have a third.
const LEAST_SWING: f32 = 2.5;
const NOISES: f32 = 2.0;
/// Frames in the smaller group at least.
const LEAST_FRAMES: usize = 3;
/// How alike two squares of one lamp are.
const ALIKE: f32 = 0.6;
/// A weaker spot that does the same as a stronger one is its glow.
const SAME: f32 = 0.9;
const GLOW: f32 = 0.35;
/// Squares around a lamp that may be its rim, and how strong the rim is at most.
const RIM: usize = 3;
const WEAK: f32 = 0.8;
/// How alike it is to the lamp at least.
const RIM_ALIKE: f32 = 0.3;
/// Squares of a spot from this share of the strongest swing on count.
const CORE: f32 = 0.4;

/// A place that switches.
pub(super) struct Spot {
    pub(super) cells: Vec<usize>,
    /// FilmFrame and level, where it was in the picture.
    pub(super) samples: Vec<(usize, f32)>,
    /// How far its level switches.
    pub(super) swing: f32,
    /// Brightness and colour while lit beyond those while dark: brightness, blue, red difference.
    pub(super) shine: [f32; 3],
}

/// A square that switches.
struct BlinkingCell {
    cell: usize,
    swing: f32,
    trace: Vec<f32>,
}

/// The places that switch, the strongest first.
pub(super) fn find(history: &FilmHistory) -> Vec<Spot> {
    let common = common_of_rows(history);
    let steps = steps_of_cells(history);
    let noise = median(steps.clone(), f32::total_cmp).unwrap_or_default();
    let least = LEAST_SWING.max(NOISES * noise);
    let mut candidates: Vec<BlinkingCell> = (0..history.grid.cells())
        .filter_map(|cell| {
            let trace = trace_of(history, &common, cell);
            let swing = two_levels(&trace, least)?;
            Some(BlinkingCell { cell, swing, trace })
        })
        .collect();
    candidates.sort_by(|a, b| b.swing.total_cmp(&a.swing));
    let mut spots: Vec<(Spot, Vec<f32>)> = Vec::new();
    let mut free: Vec<bool> = vec![true; candidates.len()];
    for seed in 0..candidates.len() {
        if spots.len() >= MOST_SPOTS || !free.get(seed).copied().unwrap_or(false) {
            continue;
        }
        let Some(strongest) = candidates.get(seed) else {
            continue;
        };
        // The rim of a lamp moves in and out of its squares with the hand.
        let is_rim = |(spot, trace): &(Spot, Vec<f32>)| {
            let near = |cell: &usize| history.grid.distance(*cell, strongest.cell) <= RIM;
            strongest.swing < WEAK * spot.swing
                && spot.cells.iter().any(near)
                && alike(trace, &strongest.trace) > RIM_ALIKE
        };
        if spots.iter().any(is_rim) {
            continue;
        }
        let cells = grown(history, &candidates, seed, &mut free);
        let same = |(spot, trace): &(Spot, Vec<f32>)| {
            strongest.swing < GLOW * spot.swing && alike(trace, &strongest.trace).abs() > SAME
        };
        if spots.iter().any(same) {
            continue;
        }
        let spot = measured(history, &common, cells, strongest.swing);
        spots.push((spot, strongest.trace.clone()));
    }
    spots.into_iter().map(|(spot, _)| spot).collect()
}

/// Squares that touch the seed, or each other, and do the same.
fn grown(
    history: &FilmHistory,
    all: &[BlinkingCell],
    seed: usize,
    free: &mut [bool],
) -> Vec<usize> {
    let Some(strongest) = all.get(seed) else {
        return Vec::new();
    };
    let mut core = vec![strongest.cell];
    let mut ahead = vec![strongest.cell];
    if let Some(own) = free.get_mut(seed) {
        *own = false;
    }
    while let Some(cell) = ahead.pop() {
        let near: Vec<usize> = history.grid.around(cell, 2).collect();
        for (candidate, free) in all.iter().zip(free.iter_mut()) {
            if !*free
                || !near.contains(&candidate.cell)
                || alike(&strongest.trace, &candidate.trace) < ALIKE
            {
                continue;
            }
            *free = false;
            ahead.push(candidate.cell);
            if candidate.swing >= CORE * strongest.swing {
                core.push(candidate.cell);
            }
        }
    }
    core
}

/// What each row of each frame has beyond its own mean, taken from the middle one of its squares.
fn common_of_rows(history: &FilmHistory) -> Vec<f32> {
    let grid = history.grid;
    let mut sums = vec![(0.0f32, 0.0f32); grid.cells()];
    for frame in 0..history.frames {
        for ((sum, count), level) in sums.iter_mut().zip(history.frame(frame)) {
            if let Some(level) = level {
                *sum += level;
                *count += 1.0;
            }
        }
    }
    let means: Vec<f32> = sums
        .iter()
        .map(|(sum, count)| sum / count.max(1.0))
        .collect();
    let mut common = Vec::with_capacity(history.frames * grid.rows);
    let mut beyond: Vec<f32> = Vec::with_capacity(grid.columns);
    for frame in 0..history.frames {
        let levels: Vec<Option<f32>> = history.frame(frame).collect();
        for (row, means) in levels.chunks(grid.columns).zip(means.chunks(grid.columns)) {
            beyond.clear();
            let pairs = row.iter().zip(means);
            beyond.extend(pairs.filter_map(|(level, mean)| Some((*level)? - mean)));
            let middle = beyond.len() / 2;
            common.push(if beyond.is_empty() {
                0.0
            } else {
                *beyond.select_nth_unstable_by(middle, f32::total_cmp).1
            });
        }
    }
    common
}

/// The usual step of each square from frame to frame.
fn steps_of_cells(history: &FilmHistory) -> Vec<f32> {
    let mut sums = vec![0.0f32; history.grid.cells()];
    let pairs = history.frames.saturating_sub(1).min(300);
    for frame in 0..pairs {
        let both = history.frame(frame).zip(history.frame(frame + 1));
        for (sum, (before, after)) in sums.iter_mut().zip(both) {
            *sum += before
                .zip(after)
                .map_or(0.0, |(before, after)| (after - before).abs());
        }
    }
    // A mean step of noise is 1.13 of its deviations.
    sums.iter()
        .map(|sum| sum / (1.13 * single(small(pairs.max(1)))))
        .collect()
}

/// The mean level of a square and those around it, without what their rows do: what moves from one into the next
/// with a hand that shakes stays counted. Missing ones as no number.
fn trace_of(history: &FilmHistory, common: &[f32], cell: usize) -> Vec<f32> {
    let cells: Vec<usize> = history.grid.around(cell, 1).chain([cell]).collect();
    let count = single(small(cells.len()));
    let level = |frame: usize| {
        let beyond_row = |cell: &usize| {
            let (_, row) = history.grid.place(*cell);
            let common = common.get(frame * history.grid.rows + row);
            let level = history.level(frame, *cell).zip(common);
            level.map_or(f32::NAN, |(level, common)| level - common)
        };
        cells.iter().map(beyond_row).sum::<f32>() / count
    };
    (0..history.frames).map(level).collect()
}

/// How far two groups of levels are apart, if there are two.
fn two_levels(trace: &[f32], least: f32) -> Option<f32> {
    let mut sorted: Vec<f32> = trace
        .iter()
        .copied()
        .filter(|level| !level.is_nan())
        .collect();
    let range = |levels: &[f32]| {
        let low = levels.iter().copied().fold(f32::INFINITY, f32::min);
        levels.iter().copied().fold(f32::NEG_INFINITY, f32::max) - low
    };
    if sorted.len() < 4 * LEAST_FRAMES || range(&sorted) < least {
        return None;
    }
    sorted.sort_by(f32::total_cmp);
    let count = small(sorted.len());
    let (sum, squares) = sorted
        .iter()
        .fold((0.0f64, 0.0f64), |(sum, squares), level| {
            (sum + f64::from(*level), squares + f64::from(*level).powi(2))
        });
    let mut best: (f64, f64) = (0.0, 0.0);
    let mut below = 0.0;
    for (at, level) in sorted.iter().enumerate().take(sorted.len() - LEAST_FRAMES) {
        below += f64::from(*level);
        let low = at + 1;
        if low < LEAST_FRAMES {
            continue;
        }
        let share = small(low) / count;
        let swing = (sum - below) / (count - small(low)) - below / small(low);
        let between = share * (1.0 - share) * swing * swing;
        if between > best.0 {
            best = (between, swing);
        }
    }
    let mean = sum / count;
    let within = (squares / count - mean * mean - best.0).max(0.0).sqrt();
    let swing = single(best.1);
    (swing >= least && swing >= APART * single(within)).then_some(swing)
}

/// How alike two traces are: 1 the same, -1 one the reverse of the other.
fn alike(one: &[f32], other: &[f32]) -> f32 {
    let pairs = || {
        one.iter()
            .zip(other)
            .filter(|(a, b)| !a.is_nan() && !b.is_nan())
    };
    let count = single(small(pairs().count().max(1)));
    let mean = |pick: fn((&f32, &f32)) -> f32| pairs().map(pick).sum::<f32>() / count;
    let (mean_a, mean_b) = (mean(|(a, _)| *a), mean(|(_, b)| *b));
    let (mut both, mut a_alone, mut b_alone) = (0.0, 0.0, 0.0);
    for (a, b) in pairs() {
        let (a, b) = (a - mean_a, b - mean_b);
        both += a * b;
        a_alone += a * a;
        b_alone += b * b;
    }
    both / (a_alone * b_alone).sqrt().max(1e-9)
}

/// The levels of all squares of a spot together, and its colour.
fn measured(history: &FilmHistory, common: &[f32], cells: Vec<usize>, swing: f32) -> Spot {
    let traces: Vec<Vec<f32>> = cells
        .iter()
        .map(|cell| trace_of(history, common, *cell))
        .collect();
    let count = single(small(traces.len().max(1)));
    let level = |frame: usize| {
        let sum: f32 = traces.iter().filter_map(|trace| trace.get(frame)).sum();
        (!sum.is_nan()).then_some((frame, sum / count))
    };
    let samples: Vec<(usize, f32)> = (0..history.frames).filter_map(level).collect();
    let mut sorted: Vec<f32> = samples.iter().map(|sample| sample.1).collect();
    sorted.sort_by(f32::total_cmp);
    let low = sorted.get(sorted.len() / 50).copied().unwrap_or_default();
    let high = sorted
        .get(sorted.len() * 49 / 50)
        .copied()
        .unwrap_or_default();
    let colour = |lit: bool| {
        let (mut sum, mut count) = ([0.0f32; 3], 0.0f32);
        for (frame, level) in &samples {
            let share = (level - low) / (high - low).max(0.1);
            if (lit && share > 0.7) || (!lit && share < 0.3) {
                let [mut blue, mut red] = [0.0; 2];
                for cell in &cells {
                    let [b, r] = history.colour(*frame, *cell);
                    blue += b;
                    red += r;
                }
                let [level_sum, blue_sum, red_sum] = &mut sum;
                *level_sum += level;
                *blue_sum += blue / single(small(cells.len().max(1)));
                *red_sum += red / single(small(cells.len().max(1)));
                count += 1.0;
            }
        }
        sum.map(|sum| sum / count.max(1.0))
    };
    let ([y, b, r], [y0, b0, r0]) = (colour(true), colour(false));
    Spot {
        cells,
        samples,
        swing,
        shine: [y - y0, b - b0, r - r0],
    }
}
