//! What is likely before anything was asked: line settings, unit addresses, answer times.
//!
//! One table, ours to state; the order of the search is derived from it and from nothing else. Does
//! not: know profiles, whose factory settings the search puts in front by itself.
//!
//! # Sources
//! - Kind: common practice, all of it. No survey stands behind these shares: they say in which order
//!   a technician would try, and a search that covers everything is only made faster or slower.

use packside_profiles::{LineSettings, Parity};

/// Rates and their shares, per cent.
pub const BAUDS: [(u32, f64); 8] = [
    (9_600, 45.0),
    (19_200, 22.0),
    (115_200, 15.0),
    (38_400, 7.0),
    (57_600, 6.0),
    (4_800, 3.0),
    (2_400, 1.0),
    (1_200, 1.0),
];

/// Layouts and their shares, per cent: parity and stop bits.
pub const LAYOUTS: [(Parity, u8, f64); 4] = [
    (Parity::None, 1, 52.0),
    (Parity::Even, 1, 33.0),
    (Parity::None, 2, 8.0),
    (Parity::Odd, 1, 7.0),
];

/// Address 1; addresses 2 to 16, falling as one over the address; 17 to 247, even. Per cent.
pub const ADDRESSES: [f64; 3] = [55.0, 30.0, 15.0];

/// The first of the addresses that are all alike.
pub const HIGH_FROM: u8 = 17;

/// Answer times: so many ms after it has noticed the end of the question, a unit has begun to
/// answer with this share, per cent; straight in between.
pub const ANSWERED: [(f64, f64); 4] = [(0.0, 0.0), (50.0, 60.0), (200.0, 95.0), (500.0, 100.0)];

/// The settings worth asking at, with their shares of one.
///
/// A receiver checks the first stop bit only, so 8N1 asks units with one stop bit and with two.
pub fn lines() -> impl Iterator<Item = (LineSettings, f64)> {
    BAUDS.into_iter().flat_map(|(baud, rate)| {
        [Parity::None, Parity::Even, Parity::Odd].map(|parity| {
            let alike = LAYOUTS.iter().filter(|(other, ..)| *other == parity);
            let layout: f64 = alike.map(|(_, _, share)| share).sum();
            let line = LineSettings {
                baud,
                parity,
                stop_bits: 1,
            };
            (line, rate * layout / 10_000.0)
        })
    })
}

/// The most likely settings, at which listening begins.
pub fn first_line() -> LineSettings {
    let usual = LineSettings {
        baud: 9_600,
        parity: Parity::None,
        stop_bits: 1,
    };
    lines().next().map_or(usual, |(line, _)| line)
}

/// Share of one that a unit has this address.
pub fn address(unit: u8) -> f64 {
    let [first, low, high] = ADDRESSES.map(|share| share / 100.0);
    match unit {
        1 => first,
        2..=16 => {
            let all: f64 = (2..=16).map(|unit| 1.0 / f64::from(unit)).sum();
            low / f64::from(unit) / all
        }
        17..=247 => high / 231.0,
        _ => 0.0,
    }
}

/// Share of one that has begun to answer by then, ms.
pub fn answered_by(ms: f64) -> f64 {
    let mut before = (0.0, 0.0);
    for (end, share) in ANSWERED {
        if ms < end {
            let part = (ms - before.0) / (end - before.0);
            return (before.1 + part * (share - before.1)).max(0.0) / 100.0;
        }
        before = (end, share);
    }
    1.0
}

/// Share of one per ms that begins to answer just then.
pub fn answers_at(ms: f64) -> f64 {
    const STEP: f64 = 0.5;
    let from = (ms - STEP).max(0.0);
    answered_by(from + 2.0 * STEP) - answered_by(from)
}

#[cfg(test)]
mod tests {
    use super::*;

    // Kind: derived (shares of everything there can be are one; 8N1 and 8N2 together 60 %)
    #[test]
    fn shares_add_up_to_one() {
        let close = |a: f64, b: f64| assert!((a - b).abs() < 1e-9, "{a} {b}");
        close(lines().map(|(_, share)| share).sum(), 1.0);
        close((1..=247).map(address).sum(), 1.0);
        close((2..=16).map(address).sum(), 0.30);
        close(answered_by(50.0), 0.60);
        close(answered_by(125.0), 0.775);
        close(answered_by(9_999.0), 1.0);
        let first = lines().next().unwrap();
        assert_eq!(first.0.to_string(), "9600-8N1");
        close(first.1, 0.45 * 0.60);
        assert!((2..16).all(|unit| address(unit) > address(unit + 1)));
    }
}
