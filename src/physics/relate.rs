//! How two series of numbers go together.
//!
//! Does not: know what they are.
//!
//! # Why movement is measured from the lowest to the highest
//! Whenever nothing moves, any constant equals any other. A deviation is made small by one step in many
//! images; the distance from lowest to highest is not.

use super::reading::Series;
use crate::statistics::median;

/// Pairs of numbers of the same image.
pub(crate) fn pairs(a: &[Option<f64>], b: &[Option<f64>]) -> Vec<(f64, f64)> {
    let both = a.iter().zip(b);
    both.filter_map(|(a, b)| Some(((*a)?, (*b)?))).collect()
}

/// What is there.
pub(crate) fn present(series: &[Option<f64>]) -> Vec<f64> {
    series.iter().flatten().copied().collect()
}

/// Lowest and highest.
pub(crate) fn bounds(series: &[Option<f64>]) -> Option<(f64, f64)> {
    let mut numbers = series.iter().flatten();
    let first = *numbers.next()?;
    Some(numbers.fold((first, first), |(low, high), number| {
        (low.min(*number), high.max(*number))
    }))
}

/// Highest minus lowest.
pub(crate) fn movement(series: &[Option<f64>]) -> f64 {
    bounds(series).map_or(0.0, |(low, high)| high - low)
}

/// The middle value.
pub(crate) fn middle(series: &[Option<f64>]) -> Option<f64> {
    median(present(series), f64::total_cmp)
}

/// Correlation of pairs, 0 where one of both stands still.
pub(crate) fn correlation(pairs: &[(f64, f64)]) -> f64 {
    let count = pairs.len() as f64;
    if pairs.len() < 3 {
        return 0.0;
    }
    let mean_a = pairs.iter().map(|pair| pair.0).sum::<f64>() / count;
    let mean_b = pairs.iter().map(|pair| pair.1).sum::<f64>() / count;
    let (mut ab, mut aa, mut bb) = (0.0, 0.0, 0.0);
    for (a, b) in pairs {
        ab += (a - mean_a) * (b - mean_b);
        aa += (a - mean_a).powi(2);
        bb += (b - mean_b).powi(2);
    }
    if aa <= 0.0 || bb <= 0.0 {
        return 0.0;
    }
    ab / (aa * bb).sqrt()
}

/// Slope of the second over the first, by least squares.
pub(crate) fn slope(pairs: &[(f64, f64)]) -> Option<f64> {
    let count = pairs.len() as f64;
    if pairs.len() < 2 {
        return None;
    }
    let mean_a = pairs.iter().map(|pair| pair.0).sum::<f64>() / count;
    let mean_b = pairs.iter().map(|pair| pair.1).sum::<f64>() / count;
    let ab: f64 = pairs.iter().map(|(a, b)| (a - mean_a) * (b - mean_b)).sum();
    let aa: f64 = pairs.iter().map(|(a, _)| (a - mean_a).powi(2)).sum();
    (aa > 0.0).then(|| ab / aa)
}

/// Steps from each image to the next, of both.
pub(crate) fn steps(a: &[Option<f64>], b: &[Option<f64>]) -> Vec<(f64, f64)> {
    let both = pairs(a, b);
    let next = both.iter().skip(1);
    both.iter()
        .zip(next)
        .map(|(old, new)| (new.0 - old.0, new.1 - old.1))
        .collect()
}

/// Two series that should be one and the same quantity.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Agreement {
    /// Images in which they agree.
    pub(crate) held: usize,
    /// Images that have both.
    pub(crate) of: usize,
    /// How far both moved, the less of both.
    pub(crate) moved: f64,
    /// Whether they moved, and together.
    pub(crate) together: bool,
    /// Mean distance.
    pub(crate) distance: f64,
}

impl Agreement {
    /// Whether they are the same in nearly all images.
    pub(crate) fn holds(self) -> bool {
        self.of > 0 && self.held * 10 >= self.of * 9
    }
}

/// Compares two series. `tolerance` is what may lie between them at rest, `step` the coarser of both steps.
///
/// Registers of one image are read up to two seconds apart: beside a change, as much as changed there
/// may lie between both.
pub(crate) fn agree(
    a: &[Option<f64>],
    b: &[Option<f64>],
    tolerance: impl Fn(f64) -> f64,
    step: f64,
) -> Agreement {
    let (mut held, mut of, mut total) = (0, 0, 0.0);
    let at = |series: &[Option<f64>], image: usize| series.get(image).copied().flatten();
    for image in 0..a.len().min(b.len()) {
        let (Some(left), Some(right)) = (at(a, image), at(b, image)) else {
            continue;
        };
        let near = [image.checked_sub(1), Some(image + 1)];
        let change = |series: &[Option<f64>], here: f64| {
            let around = near.iter().flatten().filter_map(|one| at(series, *one));
            around.map(|there| (there - here).abs()).fold(0.0, f64::max)
        };
        let skew = change(a, left).max(change(b, right));
        let apart = (left - right).abs();
        of += 1;
        total += apart;
        if apart <= tolerance(left.abs().max(right.abs())) + step + skew {
            held += 1;
        }
    }
    let (moved_a, moved_b) = (movement(a), movement(b));
    let moved = moved_a.min(moved_b);
    let similar = moved >= 0.6 * moved_a.max(moved_b) - 2.0 * step;
    let together = moved > 3.0 * step && moved > 0.0 && similar && correlation(&pairs(a, b)) > 0.8;
    Agreement {
        held,
        of,
        moved,
        together,
        distance: if of == 0 {
            f64::INFINITY
        } else {
            total / of as f64
        },
    }
}

/// Adds series image by image; none where one is missing.
pub(crate) fn sum(series: &[Vec<Option<f64>>]) -> Vec<Option<f64>> {
    fold(series, |values| values.iter().sum())
}

/// Makes one number of all series, image by image; none where one is missing.
pub(crate) fn fold(series: &[Vec<Option<f64>>], make: impl Fn(&[f64]) -> f64) -> Vec<Option<f64>> {
    let length = series.iter().map(Vec::len).max().unwrap_or_default();
    let image = |image: usize| -> Option<Vec<f64>> {
        let values = series.iter();
        values
            .map(|one| one.get(image).copied().flatten())
            .collect()
    };
    (0..length)
        .map(|at| {
            image(at)
                .filter(|values| !values.is_empty())
                .map(|values| make(&values))
        })
        .collect()
}

/// The highest of several numbers.
pub(crate) fn highest(values: &[f64]) -> f64 {
    values.iter().copied().fold(f64::NEG_INFINITY, f64::max)
}

/// The lowest of several numbers.
pub(crate) fn lowest(values: &[f64]) -> f64 {
    values.iter().copied().fold(f64::INFINITY, f64::min)
}

/// Most cells in series of a storage unit.
// Kind: common practice
pub(crate) const MOST_CELLS: f64 = 480.0;

/// Whether a series goes with another, by its level or from image to image.
pub(crate) fn follows(one: &Series, other: &Series) -> bool {
    correlation(&pairs(one, other)) > 0.8 || correlation(&steps(one, other)) > 0.8
}

/// Whether a series moves as another does, as far as its step shows it.
pub(crate) fn moves_with(series: &Series, with: &Series, step: f64) -> bool {
    let moved = movement(series);
    let other = movement(with);
    if other < 2.0 * step {
        // Too coarse to show it: at least it must not move more.
        return moved <= other + 2.0 * step;
    }
    let pairs = pairs(series, with);
    let needed = if other < 6.0 * step { 0.5 } else { 0.8 };
    let is_alike = moved < 2.0 * other + 2.0 * step && moved > 0.5 * other - 2.0 * step;
    moved > 0.0 && correlation(&pairs) > needed && is_alike
}

/// Whether a series jumps where another does, or goes with it all the way: a temperature drifts along by chance. One too
/// coarse for that must at least not stand still.
pub(crate) fn jumps_with(series: &Series, with: &Series, step: f64) -> bool {
    let level = correlation(&pairs(series, with));
    if movement(with) < 3.0 * step {
        return level > 0.3;
    }
    let jumps = correlation(&steps(series, with));
    jumps > 0.25 || level > 0.93
}

/// The whole number of cells between a highest and a lowest that makes a voltage in nearly all images.
pub(crate) fn whole_cells(
    series: &Series,
    step: f64,
    (high, low): (&Series, &Series),
    mean: &Series,
) -> Option<f64> {
    let around = (middle(series)? / middle(mean)?).round();
    let spread = middle(high)? / middle(low)? - 1.0;
    let reach = (around * spread / 2.0).ceil().max(1.0);
    let holds = |count: f64| {
        let triples = series.iter().zip(high).zip(low);
        let all: Vec<bool> = triples
            .filter_map(|((volts, high), low)| {
                let (volts, high, low) = ((*volts)?, (*high)?, (*low)?);
                // Kind: common practice (one part in a thousand between two ways to measure)
                let bears = step + 0.001 * volts;
                Some(volts >= count * low - bears && volts <= count * high + bears)
            })
            .collect();
        let held = all.iter().filter(|held| **held).count();
        !all.is_empty() && held * 10 >= all.len() * 9
    };
    let mut apart = 0.0;
    while apart <= reach {
        for count in [around - apart, around + apart] {
            if (4.0..=MOST_CELLS).contains(&count) && holds(count) {
                return Some(count);
            }
        }
        apart += 1.0;
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    fn all(numbers: &[f64]) -> Vec<Option<f64>> {
        numbers.iter().copied().map(Some).collect()
    }

    // Kind: invented
    #[test]
    fn a_constant_agrees_but_proves_nothing() {
        let still = all(&[50.0; 20]);
        let found = agree(&still, &still, |_| 0.1, 0.1);
        assert!(found.holds() && !found.together);
    }

    // Kind: invented
    #[test]
    fn what_moves_together_proves_and_what_moves_otherwise_does_not() {
        let numbers: Vec<f64> = (0..20).map(|i| 50.0 + f64::from(i % 7)).collect();
        let found = agree(&all(&numbers), &all(&numbers), |_| 0.1, 0.1);
        assert!(found.holds() && found.together);
        let other: Vec<f64> = (0..20).map(|i| 50.0 + f64::from(i % 5)).collect();
        assert!(!agree(&all(&numbers), &all(&other), |_| 0.1, 0.1).together);
    }

    // Kind: derived (a line through three points)
    #[test]
    fn slope_and_correlation_of_a_line() {
        let line = [(0.0, 1.0), (1.0, 3.0), (2.0, 5.0)];
        assert_eq!(slope(&line), Some(2.0));
        assert!((correlation(&line) - 1.0).abs() < 1e-12);
        assert_eq!(correlation(&[(0.0, 1.0), (1.0, 1.0), (2.0, 1.0)]), 0.0);
    }
}
