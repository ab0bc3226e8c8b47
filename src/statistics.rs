//! The middle of several values, and the interval of a share.
//!
//! Does not: know what is counted.
//!
//! # Sources
//! - Wilson score interval: E. B. Wilson, JASA 22 (1927) 209-212

use std::cmp::Ordering;

/// Quantile of the normal distribution that leaves 2.5 % on either side.
// Kind: derived (97.5 % quantile of the normal distribution)
const Z: f64 = 1.959_963_984_540_054;

/// Wilson's 95 % interval of `hits` among `tries`, 0 to 1; all of it where nothing was tried.
pub fn wilson(hits: u64, tries: u64) -> (f64, f64) {
    if tries == 0 {
        return (0.0, 1.0);
    }
    let n = tries as f64;
    let p = hits.min(tries) as f64 / n;
    let scale = 1.0 + Z * Z / n;
    let centre = (p + Z * Z / (2.0 * n)) / scale;
    let half = Z * (p * (1.0 - p) / n + Z * Z / (4.0 * n * n)).sqrt() / scale;
    ((centre - half).max(0.0), (centre + half).min(1.0))
}

/// The middle value, of an even number the upper one of both; none where there is none.
pub fn median<T: Copy>(mut values: Vec<T>, order: impl Fn(&T, &T) -> Ordering) -> Option<T> {
    values.sort_by(order);
    values.get(values.len() / 2).copied()
}

#[cfg(test)]
mod tests {
    use super::*;

    // Kind:   published
    // Source: R. G. Newcombe, "Two-sided confidence intervals for the single proportion", Statist.
    //         Med. 17 (1998) 857-872, table I, method 3 (Wilson score): 81/263, 15/148, 0/20, 1/29
    #[test]
    fn wilson_interval_matches_the_published_table() {
        let cases = [
            (81, 263, 0.2553, 0.3662),
            (15, 148, 0.0624, 0.1605),
            (0, 20, 0.0000, 0.1611),
            (1, 29, 0.0061, 0.1718),
        ];
        for (hits, tries, low, high) in cases {
            let (a, b) = wilson(hits, tries);
            assert!((a - low).abs() < 5e-5, "{hits}/{tries}: {a} {b}");
            assert!((b - high).abs() < 5e-5, "{hits}/{tries}: {a} {b}");
        }
        assert_eq!(wilson(0, 0), (0.0, 1.0));
    }

    // Kind: derived
    #[test]
    fn median_is_the_middle_one_or_the_upper_of_two() {
        assert_eq!(median(vec![3.0, 1.0, 2.0], f64::total_cmp), Some(2.0));
        assert_eq!(median(vec![4, 1, 3, 2], u8::cmp), Some(3));
        assert_eq!(median(Vec::new(), u8::cmp), None);
    }
}
