//! What is wrong with the `[control]` table of a scenario, and with what it has points say.
//!
//! Input: entries with their places, the register map where it is a shipped one. Output: mistakes
//! with theirs. Does not: read text.

use std::time::Duration;

use packside_profiles::model::{Kind, Profile};
use packside_profiles::{Class, encode_raw};

use crate::control_plan::ControlPlan;
use crate::scenario::Event;
use crate::scenario_file::{Entry, Mistakes};

/// Furthest that a clock is off: ten years. Kind: invented.
const FURTHEST_CLOCK: f64 = 315_576_000.0;

pub(crate) fn check_control(control: Option<&Entry<'_, ControlPlan>>, mistakes: &mut Mistakes<'_>) {
    let Some(entry) = control else { return };
    let plan = &entry.value;
    let mut expect = |is_right: bool, key: &str, expected: &str, found: &str| {
        if !is_right {
            let message = format!("control, {key}: expected {expected}, found {found}");
            mistakes.add(entry.at(key), message);
        }
    };
    if let Some(code) = plan.unconfigured {
        let is_right = (1..=127).contains(&code);
        expect(is_right, "unconfigured", "1 to 127", &code.to_string());
    }
    for code in &plan.hangs_on {
        let is_right = (1..=127).contains(code);
        expect(
            is_right,
            "hangs_on",
            "functions 1 to 127",
            &code.to_string(),
        );
    }
    let error = plan.clock_error_s;
    let is_right = error.abs() <= FURTHEST_CLOCK;
    let most = format!("-{FURTHEST_CLOCK} to {FURTHEST_CLOCK}");
    expect(is_right, "clock_error_s", &most, &error.to_string());
    let is_timed = plan.hangs_for.is_none() || !plan.hangs_on.is_empty();
    expect(is_timed, "hangs_for", "hangs_on beside it", "none");
    for (index, protection) in plan.protections.iter().enumerate() {
        let class = protection.class;
        // A status follows from other flags, and the silent inverter has its silence time.
        let is_protection = !class.is_status() && class != Class::InverterSilent;
        expect(
            is_protection,
            "protection",
            "a class that protects",
            class.id(),
        );
        let before = plan.protections.iter().take(index);
        let is_first = before.into_iter().all(|other| other.class != class);
        expect(is_first, "protection", "each class once", class.id());
        let hysteresis = protection.hysteresis;
        let is_right = (0.0..=1000.0).contains(&hysteresis);
        let found = format!("hysteresis = {hysteresis} for {class}");
        expect(is_right, "protection", "a hysteresis of 0 to 1000", &found);
        let hour = Duration::from_secs(3600);
        for (key, time) in [
            ("delay", Some(protection.delay)),
            ("retry", protection.retry),
        ] {
            let found = format!("{key} = {:?} for {class}", time.unwrap_or_default());
            let is_right = time.is_none_or(|time| time <= hour);
            expect(
                is_right,
                "protection",
                &format!("a {key} of at most 1h"),
                &found,
            );
        }
    }
}

/// What a point is made to say fits into it.
pub(crate) fn check_says(
    entry: &Entry<'_, Event>,
    profile: Option<&Profile>,
    mistakes: &mut Mistakes<'_>,
) {
    let Some((saying, profile)) = entry.value.says.as_ref().zip(profile) else {
        return;
    };
    let at = entry.at("says");
    let Some(point) = profile.points.iter().find(|p| p.id == saying.point) else {
        let found = &saying.point;
        let message = format!("event, says: expected a point of the map, found \"{found}\"");
        mistakes.add(at, message);
        return;
    };
    let mut words = vec![0; usize::from(point.width())];
    if let Err(why) = encode_raw(point, saying.raw, &mut words) {
        let message = format!("event, says: expected a raw value that fits: {why}");
        mistakes.add(at.clone(), message);
    }
    let has_bits = matches!(point.kind, Kind::Bits16 | Kind::Bits32);
    if saying.besides && !has_bits {
        let message = format!(
            "event, says: expected a point of bits for besides = true, found \"{}\"",
            point.id
        );
        mistakes.add(at, message);
    }
}
