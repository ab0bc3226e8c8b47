//! Lamps as they shine over time: a pattern name and a time give on or off.
//!
//! Input: pattern names of the standard and of the profile, how they are dimmed. Output: on or off. Does not: know what
//! a pattern means.
//!
//! # Sources
//! - CiA 303-3 indicator states as quoted in public code: flickering 50/50 ms, blinking 200/200 ms,
//!   flashes of 200 ms with 200 ms between and 1000 ms after the last. All sources say "approximately".

use std::time::Duration;

use packside_profiles::model::LampPattern;

use crate::cell_plan::LampPlan;

// Kind:   published
// Source: CiA 303-3 as quoted in public code (see above), ms on, off, on, off, ...
const STANDARD: &[(&str, &[u32])] = &[
    ("flickering", &[50, 50]),
    ("blinking", &[200, 200]),
    ("single-flash", &[200, 1000]),
    ("double-flash", &[200, 200, 200, 1000]),
    ("triple-flash", &[200, 200, 200, 200, 200, 1000]),
    (
        "quadruple-flash",
        &[200, 200, 200, 200, 200, 200, 200, 1000],
    ),
];

/// Whether a lamp with this pattern shines at a time; unknown names stay dark.
pub(crate) fn shines(pattern: &str, own: &[LampPattern], at: Duration) -> bool {
    if pattern == "on" {
        return true;
    }
    let standard = STANDARD
        .iter()
        .find(|(id, _)| *id == pattern)
        .map(|(_, cycle)| *cycle);
    let cycle = standard.or_else(|| {
        own.iter()
            .find(|p| p.id == pattern)
            .map(|p| p.cycle_ms.as_slice())
    });
    let cycle = cycle.unwrap_or_default();
    let period: u128 = cycle.iter().map(|ms| u128::from(*ms)).sum();
    if period == 0 {
        return false;
    }
    let mut left = at.as_millis() % period;
    for (index, ms) in cycle.iter().enumerate() {
        if left < u128::from(*ms) {
            return index % 2 == 0;
        }
        left -= u128::from(*ms);
    }
    false
}

/// Whether a lamp that shines is lit at a time: dimmed by switching it quickly, it is dark for a
/// share of it.
pub(crate) fn is_lit(plan: &LampPlan, at: Duration) -> bool {
    let cycles = at.as_secs_f64() * plan.pwm_hz;
    plan.bright >= 100.0 || (cycles - cycles.floor()) * 100.0 < plan.bright
}

#[cfg(test)]
mod tests {
    use super::*;

    // Kind: derived (a duty cycle of 30 %, sampled evenly over whole cycles)
    #[test]
    fn dimmed_lamp_is_lit_for_its_share_of_the_time() {
        let plan = LampPlan {
            bright: 30.0,
            pwm_hz: 250.0,
        };
        let lit = (0..40_000u64).filter(|n| is_lit(&plan, Duration::from_micros(n * 10 + 3)));
        let share = f64::from(u32::try_from(lit.count()).unwrap()) / 40_000.0;
        assert!((share - 0.3).abs() < 0.005, "{share}");
        assert!(is_lit(&LampPlan::default(), Duration::from_millis(7)));
    }

    fn edges(pattern: &str) -> Vec<(u64, bool)> {
        let own = [LampPattern {
            id: "long-wink".to_owned(),
            cycle_ms: vec![800, 400],
        }];
        let on = |ms| shines(pattern, &own, Duration::from_millis(ms));
        (1..4800)
            .filter(|ms| on(*ms) != on(ms - 1))
            .map(|ms| (ms, on(ms)))
            .take(4)
            .collect()
    }

    // Kind:   published
    // Source: CiA 303-3 indicator states (see the module)
    #[test]
    fn shines_with_standard_patterns_changes_at_the_standard_times() {
        assert_eq!(
            edges("blinking"),
            [(200, false), (400, true), (600, false), (800, true)]
        );
        assert_eq!(
            edges("double-flash"),
            [(200, false), (400, true), (600, false), (1600, true)]
        );
        assert_eq!(
            edges("flickering"),
            [(50, false), (100, true), (150, false), (200, true)]
        );
        assert_eq!(
            edges("single-flash"),
            [(200, false), (1200, true), (1400, false), (2400, true)]
        );
    }

    // Kind: invented (a pattern of the demo maps)
    #[test]
    fn shines_with_steady_own_and_unknown_patterns() {
        assert_eq!(
            edges("long-wink"),
            [(800, false), (1200, true), (2000, false), (2400, true)]
        );
        assert!(shines("on", &[], Duration::ZERO));
        assert!(!shines("off", &[], Duration::ZERO));
        assert!(!shines("no such pattern", &[], Duration::ZERO));
    }
}
