//! How a picture lies on the first one: moved by a hand that shakes, brighter or darker by a camera that
//! sets itself.
//!
//! In: means of squares. Out: a [`Pose`]. Found by least squares with outliers held down, so that lamps that
//! blink move nothing; from a search around the pose before, because a hand moves little between two frames.
//!
//! Does not: follow turning or zooming beyond what a square forgives.

use super::grid::Grid;
use crate::lamp::numbers::{nearest, small, whole};

/// Squares searched around the pose before.
const REACH: i32 = 3;
/// Steps of refinement.
const STEPS: usize = 5;
/// Weight of "nothing moved": where a picture shows nothing to hold on to it stands still.
const STAYS: f64 = 50.0;
/// Weight of "as bright as before", in squares of levels.
const AS_BRIGHT: f64 = 2000.0;
/// A typical difference beyond this many levels is another picture.
const LOST: f64 = 10.0;
/// Least squares that must overlap.
const LEAST_SHARE: f64 = 0.3;

/// How a picture lies on the first one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Pose {
    /// Squares to the right and down.
    pub(super) right: f64,
    pub(super) down: f64,
    /// Brightness is `gain` times that of the first, plus `lift`.
    pub(super) gain: f64,
    pub(super) lift: f64,
}

impl Pose {
    pub(super) const STILL: Self = Self {
        right: 0.0,
        down: 0.0,
        gain: 1.0,
        lift: 0.0,
    };
}

/// The first picture, with its slopes.
pub(super) struct FirstPicture {
    grid: Grid,
    levels: Vec<f32>,
    slopes: Vec<(f32, f32)>,
    /// What holds a picture in place, across and down.
    hold: (f64, f64),
}

impl FirstPicture {
    pub(super) fn of(grid: Grid, levels: Vec<f32>) -> Self {
        let slopes: Vec<(f32, f32)> = (0..grid.cells())
            .map(|cell| {
                let (column, row) = grid.place(cell);
                let level = |column: usize, row: usize| {
                    let at = grid.at(column.min(grid.columns - 1), row.min(grid.rows - 1));
                    levels.get(at).copied().unwrap_or_default()
                };
                (
                    (level(column + 1, row) - level(column.saturating_sub(1), row)) / 2.0,
                    (level(column, row + 1) - level(column, row.saturating_sub(1))) / 2.0,
                )
            })
            .collect();
        let sum = |pick: fn(&(f32, f32)) -> f32| {
            slopes
                .iter()
                .map(|slope| f64::from(pick(slope)).powi(2))
                .sum()
        };
        let hold = (sum(|slope| slope.0), sum(|slope| slope.1));
        Self {
            grid,
            levels,
            slopes,
            hold,
        }
    }

    /// Whether the picture shows enough to be followed.
    fn holds(&self) -> bool {
        self.hold.0.min(self.hold.1) > STAYS
    }

    /// The pose of another picture; nothing if it is another scene.
    pub(super) fn pose_of(&self, levels: &[f32], before: &Pose) -> Option<Pose> {
        let mut pose = *before;
        if self.holds() {
            let mut best = f64::INFINITY;
            let start = (before.right.round(), before.down.round());
            for across in -REACH..=REACH {
                for down in -REACH..=REACH {
                    let right = start.0 + f64::from(across);
                    let down = start.1 + f64::from(down);
                    let tried = Pose {
                        right,
                        down,
                        ..*before
                    };
                    let cost = self.rough_cost(levels, &tried);
                    if cost < best {
                        (best, pose) = (cost, tried);
                    }
                }
            }
        }
        let mut scale = 1.0;
        for step in 0..STEPS {
            if step % 2 == 0 {
                scale = 1.5 * self.typical_miss(levels, &pose).0.max(0.2);
            }
            pose = self.refined(levels, &pose, scale)?;
        }
        let (typical, share) = self.typical_miss(levels, &pose);
        (typical <= LOST * pose.gain.max(0.5) && share >= LEAST_SHARE).then_some(pose)
    }

    /// Every third square, whole squares only, differences held down.
    fn rough_cost(&self, levels: &[f32], pose: &Pose) -> f64 {
        let (mut sum, mut count) = (0.0, 0usize);
        let step = |by: f64| isize::try_from(nearest(by)).unwrap_or_default();
        let (right, down) = (step(pose.right), step(pose.down));
        for row in (1..self.grid.rows).step_by(3) {
            for column in (1..self.grid.columns).step_by(3) {
                let there = column
                    .checked_add_signed(right)
                    .zip(row.checked_add_signed(down))
                    .filter(|(column, row)| *column < self.grid.columns && *row < self.grid.rows);
                let Some((there_column, there_row)) = there else {
                    continue;
                };
                let here = self.levels.get(self.grid.at(column, row));
                let there = levels.get(self.grid.at(there_column, there_row));
                let Some((here, there)) = here.zip(there) else {
                    continue;
                };
                let expected = pose.gain * f64::from(*here) + pose.lift;
                sum += (f64::from(*there) - expected).abs().min(20.0);
                count += 1;
            }
        }
        if count == 0 {
            f64::INFINITY
        } else {
            sum / small(count)
        }
    }

    /// Differences of all squares that overlap: the square, and how much brighter it is than the pose says.
    fn misses<'a>(
        &'a self,
        levels: &'a [f32],
        pose: &'a Pose,
    ) -> impl Iterator<Item = (usize, f64)> + 'a {
        (0..self.grid.cells()).filter_map(|cell| {
            let (column, row) = self.grid.place(cell);
            let there = between(
                &self.grid,
                levels,
                small(column) + pose.right,
                small(row) + pose.down,
            )?;
            let here = f64::from(*self.levels.get(cell)?);
            Some((cell, there - (pose.gain * here + pose.lift)))
        })
    }

    fn typical_miss(&self, levels: &[f32], pose: &Pose) -> (f64, f64) {
        let mut sizes: Vec<f64> = self
            .misses(levels, pose)
            .map(|(_, miss)| miss.abs())
            .collect();
        let middle = sizes.len() / 2;
        let share = small(sizes.len()) / small(self.grid.cells());
        if sizes.is_empty() {
            return (f64::INFINITY, 0.0);
        }
        let (_, typical, _) = sizes.select_nth_unstable_by(middle, f64::total_cmp);
        (*typical, share)
    }

    /// One step of least squares with outliers held down.
    fn refined(&self, levels: &[f32], pose: &Pose, scale: f64) -> Option<Pose> {
        let mut equations = [[0.0f64; 5]; 4];
        for (cell, miss) in self.misses(levels, pose) {
            let (across, down) = self.slopes.get(cell).copied()?;
            let here = f64::from(*self.levels.get(cell)?);
            let row = [
                -pose.gain * f64::from(across),
                -pose.gain * f64::from(down),
                here,
                1.0,
            ];
            // Beyond three times the scale it is a lamp, a hand, or nothing that moved.
            let weight = (1.0 - (miss / (3.0 * scale)).powi(2)).max(0.0).powi(2);
            for (equation, left) in equations.iter_mut().zip(row) {
                for (sum, right) in equation.iter_mut().zip(row.into_iter().chain([miss])) {
                    *sum += weight * left * right;
                }
            }
        }
        let pulls = [STAYS, STAYS, AS_BRIGHT, 1.0];
        for (at, (equation, pull)) in equations.iter_mut().zip(pulls).enumerate() {
            if let Some(own) = equation.get_mut(at) {
                *own += pull;
            }
        }
        let [right, down, gain, lift] = solved(equations)?;
        let step = |by: f64| by.clamp(-1.0, 1.0);
        let pose = Pose {
            right: pose.right + step(right),
            down: pose.down + step(down),
            gain: pose.gain + gain,
            lift: pose.lift + lift,
        };
        (0.1..10.0).contains(&pose.gain).then_some(pose)
    }
}

/// The level between four squares.
fn between(grid: &Grid, levels: &[f32], column: f64, row: f64) -> Option<f64> {
    if column < 0.0 || row < 0.0 {
        return None;
    }
    let square = |place: f64| usize::try_from(whole(place.floor())).unwrap_or(usize::MAX);
    let (left, top) = (square(column), square(row));
    let (across, down) = (column.fract(), row.fract());
    if left >= grid.columns - 1 || top >= grid.rows - 1 {
        return None;
    }
    let at = grid.at(left, top);
    let [one, two] = levels.get(at..at + 2)? else {
        return None;
    };
    let below = at + grid.columns;
    let [three, four] = levels.get(below..below + 2)? else {
        return None;
    };
    let mix = |a: f32, b: f32, share: f64| f64::from(a) * (1.0 - share) + f64::from(b) * share;
    Some(mix(*one, *two, across) * (1.0 - down) + mix(*three, *four, across) * down)
}

/// Solves four equations, each with what it comes to as the last number.
fn solved(mut equations: [[f64; 5]; 4]) -> Option<[f64; 4]> {
    for pivot in 0..4 {
        let own = *equations.get(pivot)?;
        let lead = *own.get(pivot)?;
        if lead.abs() < 1e-12 || !lead.is_finite() {
            return None;
        }
        for (at, equation) in equations.iter_mut().enumerate() {
            if at == pivot {
                equation.iter_mut().for_each(|number| *number /= lead);
                continue;
            }
            let factor = equation.get(pivot)? / lead;
            for (number, other) in equation.iter_mut().zip(own) {
                *number -= factor * other;
            }
        }
    }
    Some(equations.map(|[.., comes_to]| comes_to))
}
