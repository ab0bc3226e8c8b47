//! Whether levels that show no lamp still beat, quicker than single edges could be told.
//!
//! In: levels, evenly sampled. Out: yes or no. A lamp that flickers and is exposed for whole frames shows no
//! two levels, and noise hides its edges; its beat stands out of a spectrum all the same.
//!
//! Does not: name what beats. A lamp dimmed by pulses and light from the mains beat against a camera too.

use crate::lamp::numbers::small;

/// Beats tried, from one of this many samples up to two samples.
const LONGEST: f64 = 10.0;
/// Samples looked at: enough for any beat that matters.
const MOST: usize = 600;
/// A beat must carry so many times the mean power: chance does that in one of e^14 frequencies.
const LEAST_POWER: f64 = 14.0;

/// Whether something beats.
pub(super) fn in_levels(levels: &[f64]) -> bool {
    let levels = levels.get(..levels.len().min(MOST)).unwrap_or_default();
    // Differences take out drift and steps of ambient light.
    let changes: Vec<f64> = levels
        .iter()
        .zip(levels.iter().skip(1))
        .map(|(before, after)| after - before)
        .collect();
    let count = small(changes.len());
    let mut sizes: Vec<f64> = changes.iter().map(|change| change.abs()).collect();
    sizes.sort_by(f64::total_cmp);
    // One step of ambient light must not count as a beat.
    let most = 4.0 * sizes.get(sizes.len() / 2).copied().unwrap_or(0.0);
    let clipped: Vec<f64> = changes.iter().map(|c| c.clamp(-most, most)).collect();
    let mean_power = clipped.iter().map(|c| c * c).sum::<f64>() / count.max(1.0);
    if changes.len() < 40 || mean_power <= 0.0 {
        return false;
    }
    let bins = changes.len();
    (0..bins).any(|bin| {
        let cycles = 1.0 / LONGEST + (0.5 - 1.0 / LONGEST) * small(bin) / count;
        let turn = std::f64::consts::TAU * cycles;
        let (mut real, mut imaginary, mut angle) = (0.0, 0.0, 0.0f64);
        for change in &clipped {
            real += change * angle.cos();
            imaginary += change * angle.sin();
            angle += turn;
        }
        // White noise of levels has this share of power after differences.
        let expected = 2.0 * (turn / 2.0).sin().powi(2) * mean_power;
        (real * real + imaginary * imaginary) / count > LEAST_POWER * expected
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Noise between -1 and 1, seeded.
    fn noise(count: u32) -> Vec<f64> {
        let mut word = 7u32;
        (0..count)
            .map(|_| {
                word = word.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                f64::from(word >> 8) / f64::from(1 << 23) - 1.0
            })
            .collect()
    }

    // Kind: derived (a beat of a sixth of the noise's deviation times four stands out of 200 samples)
    #[test]
    fn a_beat_in_noise_is_found_and_noise_alone_is_none() {
        let still = noise(216);
        assert!(!in_levels(&still));
        let beating = still
            .iter()
            .zip(0..)
            .map(|(level, n)| level + 0.9 * (std::f64::consts::TAU * f64::from(n) / 2.9).sin());
        assert!(in_levels(&beating.collect::<Vec<_>>()));
        assert!(!in_levels(&[7.0; 216]), "equal levels");
        let step: Vec<f64> = still
            .iter()
            .zip(0..)
            .map(|(l, n)| l + if n > 100 { 30.0 } else { 0.0 })
            .collect();
        assert!(!in_levels(&step), "one step of ambient light");
    }
}
