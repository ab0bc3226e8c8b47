//! Whether a lamp takes longer to light up than a camera needs to see it.
//!
//! A camera mixes dark and lit in one sample at each edge. A lamp that is dimmed by pulses and drifts
//! against the rate of the camera lights up over many: its "flashes" are none.

use crate::lamp::numbers::small;
use crate::statistics::median;

/// A level between these shares of the swing is neither dark nor lit.
const BETWEEN: std::ops::Range<f64> = 0.2..0.8;
/// Edges looked at.
const MOST_EDGES: usize = 200;
/// On average an edge may be between for no longer than this: our choice, above the 0.6 frames of an exposure
/// that lasts whole frames.
const LONGEST_FRAMES: f64 = 1.0;
/// And this, ms: lamps have some glow.
const LONGEST_MS: f64 = 40.0;

/// Whether most edges are ramps.
pub(super) fn are_slow(levels: &[f64], lit: &[bool], frame_ms: f64) -> bool {
    let runs: Vec<&[f64]> = runs_of(levels, lit);
    let (mut between, mut edges) = (0usize, 0usize);
    for pair in runs.windows(2).take(MOST_EDGES) {
        let [before, after] = pair else { continue };
        // What is too short shows no level of its own.
        if before.len().min(after.len()) < 4 {
            continue;
        }
        let (from, to) = (middle(before), middle(after));
        let is_between = |level: &&f64| BETWEEN.contains(&((**level - from) / (to - from)));
        // From the edge on until a level is reached: what lies between later is noise.
        between += before.iter().rev().take_while(is_between).count();
        between += after.iter().take_while(is_between).count();
        edges += 1;
    }
    let frames = small(between) / small(edges.max(1));
    edges >= 3 && frames > LONGEST_FRAMES && frames * frame_ms > LONGEST_MS
}

fn middle(levels: &[f64]) -> f64 {
    median(levels.to_vec(), f64::total_cmp).unwrap_or_default()
}

/// Samples looked at together: what drifts stays small.
const TOGETHER: usize = 60;
/// Share of samples between the levels from which on a quick beat shows no two levels: a lamp that flickers, exposed
/// for two thirds of a frame, has less, a wave of light from the mains has 0.33.
const MOST_BETWEEN: f64 = 0.22;
/// The middle half of the swing.
const MIDDLE: std::ops::Range<f64> = 0.25..0.75;

/// Whether a beat of a few samples is a wave, and no switching between two levels.
pub(super) fn is_wave(levels: &[f64], lit: &[bool]) -> bool {
    let lengths = runs_of(levels, lit).iter().map(|run| run.len()).collect();
    if median(lengths, usize::cmp).is_none_or(|length| length >= 4) {
        return false;
    }
    let (mut between, mut all) = (0usize, 0usize);
    for (levels, lit) in levels.chunks(TOGETHER).zip(lit.chunks(TOGETHER)) {
        let level = |wanted: bool| {
            let own = levels.iter().zip(lit).filter(|(_, lit)| **lit == wanted);
            middle(&own.map(|(level, _)| *level).collect::<Vec<_>>())
        };
        let (dark, bright) = (level(false), level(true));
        let is_between = |level: &&f64| MIDDLE.contains(&((**level - dark) / (bright - dark)));
        between += levels.iter().filter(is_between).count();
        all += levels.len();
    }
    small(between) > MOST_BETWEEN * small(all)
}

/// The samples of each time lit, and dark.
fn runs_of<'a>(levels: &'a [f64], lit: &[bool]) -> Vec<&'a [f64]> {
    let mut rest = levels;
    let runs = lit.chunk_by(|a, b| a == b).map(|run| {
        let (this, after) = rest.split_at_checked(run.len()).unwrap_or((rest, &[]));
        rest = after;
        this
    });
    runs.collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Twelve samples lit, twelve dark, with so many between at each edge.
    fn lamp(between: usize) -> (Vec<f64>, Vec<bool>) {
        let level = |n: usize| {
            let place = n % 24;
            let ramp = |from: usize| (from as f64 + 1.0) / (between as f64 + 1.0);
            match place {
                place if place < between => ramp(place),
                place if place < 12 => 1.0,
                place if place < 12 + between => 1.0 - ramp(place - 12),
                _ => 0.0,
            }
        };
        let levels: Vec<f64> = (0..240).map(level).collect();
        let lit = levels.iter().map(|level| *level > 0.5).collect();
        (levels, lit)
    }

    // Kind: derived (a sample that an edge falls into lies between, four samples of 33 ms are a ramp)
    #[test]
    fn one_sample_between_is_an_exposure_and_four_are_a_ramp() {
        for (between, slow) in [(0, false), (1, false), (4, true)] {
            let (levels, lit) = lamp(between);
            assert_eq!(are_slow(&levels, &lit, 33.3), slow, "{between}");
        }
    }
}
