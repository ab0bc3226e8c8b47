//! Whether modules from stock may be installed, from what is known of their storage.
//!
//! Input: charge and date of the last charge, the warmest it was, capacity, the profile's windows
//! and the electronics' own consumption. Output: a range of the charge now, and what follows.
//!
//! Does not: measure. What the cells really have is read at power-up; this comes before it, when
//! connecting an exhausted module would already be the mistake.
//!
//! # Why a range
//! Self-discharge of lithium cells differs by maker, age and temperature. The lower end takes the
//! high rate at the warmest temperature for the whole time, the upper end takes none.

use packside_profiles::model::Profile;

pub use crate::event::Fitness;

// Kind: common practice (trade knowledge without a source: at most 3 % a month near 25 degC, and
// about twice as much for every 10 K more)
/// Highest self-discharge of cells at [`RATE_AT_C`], % of the capacity a month of 30 days.
const RATE_PER_MONTH: f64 = 3.0;
/// Temperature of that rate.
const RATE_AT_C: f64 = 25.0;
/// Warmer by so much, twice the rate.
const DOUBLES_EVERY_K: f64 = 10.0;
/// Charge below which nothing is connected before the cells were measured, %.
const TOO_LOW: f64 = 5.0;
/// Charge below which it is charged before it is stored or installed for long, %.
const CHARGE_FIRST: f64 = 20.0;

/// What is known of the storage.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stored {
    /// State of charge at the last charge, %.
    pub charge: f64,
    /// Days since then.
    pub days: f64,
    /// The warmest it may have been, degC.
    pub warmest_c: f64,
    /// The coldest it may have been, degC.
    pub coldest_c: f64,
    /// Capacity of a module, Ah, where its nameplate says it.
    pub capacity_ah: Option<f64>,
}

/// The result with its range and reasons.
#[derive(Debug, Clone, PartialEq)]
pub struct Judged {
    /// What follows.
    pub fitness: Fitness,
    /// Charge now, lowest and highest, %.
    pub charge_now: (f64, f64),
    /// Why, one line each.
    pub why: Vec<String>,
}

/// Judges the storage.
pub fn judge_storage(stored: &Stored, profile: &Profile) -> Judged {
    let months = stored.days / 30.0;
    let warmth = ((stored.warmest_c - RATE_AT_C) / DOUBLES_EVERY_K).max(0.0);
    let cells = RATE_PER_MONTH * warmth.exp2() * months;
    let (own, mut why) = own_consumption(stored, profile);
    let lowest = (stored.charge - cells - own.unwrap_or(0.0)).max(0.0);
    let highest = (stored.charge - own.unwrap_or(0.0)).max(0.0);
    why.insert(
        0,
        format!(
            "{:.0} % at the last charge, {:.0} days ago; cells may have lost up to {cells:.0} % at {:.0} degC",
            stored.charge,
            stored.days,
            stored.warmest_c,
            cells = cells.min(100.0)
        ),
    );
    let (allowed, window) = allowed_days(stored, profile);
    why.push(window);
    let too_long = allowed.is_some_and(|days| stored.days > days);
    let fitness = if highest < TOO_LOW || (lowest < TOO_LOW && too_long) {
        Fitness::Quarantine
    } else if lowest < CHARGE_FIRST || too_long || own.is_none() {
        Fitness::ChargeFirst
    } else {
        Fitness::Fit
    };
    why.push(
        match fitness {
            Fitness::Fit => "enough charge is left in the worst case",
            Fitness::ChargeFirst => {
                "not certain to be enough: measure the cells first, then charge as the maker's manual says"
            }
            Fitness::Quarantine => {
                "cells may be exhausted: do not connect, do not charge, set apart, ask the maker"
            }
        }
        .to_owned(),
    );
    Judged {
        fitness,
        charge_now: (lowest, highest),
        why,
    }
}

/// Share of the capacity that the electronics took; nothing where the profile or nameplate does
/// not say.
fn own_consumption(stored: &Stored, profile: &Profile) -> (Option<f64>, Vec<String>) {
    let drawn = profile.ambient.as_ref().map(|a| a.own_consumption_ma);
    match (drawn, stored.capacity_ah) {
        (Some(milliampere), Some(capacity)) if capacity > 0.0 => {
            let share = milliampere / 1000.0 * stored.days * 24.0 / capacity * 100.0;
            let why = format!(
                "the electronics took about {:.0} % ({milliampere} mA from {capacity} Ah)",
                share.min(100.0)
            );
            (Some(share), vec![why])
        }
        (Some(0.0) | None, _) => (
            Some(0.0),
            vec!["the map knows no own consumption of the electronics".to_owned()],
        ),
        _ => (
            None,
            vec!["what the electronics took is not known: the capacity is missing".to_owned()],
        ),
    }
}

/// Longest storage by the window that covers all temperatures it may have had.
fn allowed_days(stored: &Stored, profile: &Profile) -> (Option<f64>, String) {
    let covering = profile
        .storage_windows
        .iter()
        .filter(|w| w.from_c <= stored.coldest_c && stored.warmest_c <= w.to_c);
    match covering.max_by_key(|w| w.days) {
        Some(window) => (
            Some(window.days.into()),
            format!(
                "between {:.0} and {:.0} degC {} days are allowed",
                window.from_c, window.to_c, window.days
            ),
        ),
        None if profile.storage_windows.is_empty() => {
            (None, "the map has no storage window".to_owned())
        }
        None => (
            Some(0.0),
            format!(
                "stored between {:.0} and {:.0} degC, outside every window of the map",
                stored.coldest_c, stored.warmest_c
            ),
        ),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(charge: f64, days: f64, warmest_c: f64, capacity_ah: Option<f64>) -> Judged {
        let profile = packside_profiles::find("generic-hv-stack", None)
            .unwrap()
            .profile;
        let stored = Stored {
            charge,
            days,
            warmest_c,
            coldest_c: 5.0,
            capacity_ah,
        };
        judge_storage(&stored, &profile)
    }

    // Kind: derived (3 %/month x 2^0 x 2 months = 6 %; 2.5 mA x 24 h x 60 d / 50 Ah = 7.2 %)
    #[test]
    fn charge_now_is_a_range_from_self_discharge_and_own_consumption() {
        let judged = check(50.0, 60.0, 25.0, Some(50.0));
        let (low, high) = judged.charge_now;
        assert!(
            (low - 36.8).abs() < 1e-9 && (high - 42.8).abs() < 1e-9,
            "{low} {high}"
        );
        assert_eq!(judged.fitness, Fitness::Fit);
    }

    // Kind: derived (10 K warmer, twice the rate: 12 % instead of 6 %)
    #[test]
    fn ten_kelvin_more_double_the_rate() {
        let judged = check(50.0, 60.0, 35.0, Some(50.0));
        assert!((judged.charge_now.0 - 30.8).abs() < 1e-9, "{judged:?}");
    }

    // Kind: invented (windows of the shipped map: 180 days up to 35 degC, 30 days up to 45 degC)
    #[test]
    fn time_shrinks_as_the_band_widens() {
        assert_eq!(check(60.0, 100.0, 30.0, Some(50.0)).fitness, Fitness::Fit);
        let warm = check(60.0, 100.0, 40.0, Some(50.0));
        assert_eq!(warm.fitness, Fitness::ChargeFirst, "{warm:?}");
        assert_eq!(
            check(60.0, 20.0, 60.0, Some(50.0)).fitness,
            Fitness::ChargeFirst
        );
    }

    #[test]
    fn exhausted_modules_are_never_connected() {
        assert_eq!(
            check(10.0, 400.0, 30.0, Some(50.0)).fitness,
            Fitness::Quarantine
        );
        assert_eq!(
            check(30.0, 300.0, 30.0, Some(10.0)).fitness,
            Fitness::Quarantine
        );
    }

    #[test]
    fn what_is_not_known_is_never_fit() {
        let judged = check(60.0, 30.0, 25.0, None);
        assert_eq!(judged.fitness, Fitness::ChargeFirst);
        assert!(judged.why.iter().any(|w| w.contains("capacity is missing")));
    }
}
