//! Numbers with their units, and moments.

use std::time::Duration;

use packside_profiles::model::Positive;

/// A number with its unit, in as many digits as make sense for it.
pub(crate) fn with_unit(number: f64, unit: &str) -> String {
    let digits = match unit {
        "V" if (0.0005..10.0).contains(&number.abs()) => 3,
        "V" | "A" | "degC" | "%" | "s" => 1,
        _ => 0,
    };
    let unit = match unit {
        "degC" => "°C",
        "kOhm" => "kΩ",
        other => other,
    };
    if unit.is_empty() {
        return format!("{number}");
    }
    let text = format!("{number:.digits$}");
    // What rounds to nothing has no sign.
    let shown = match text.strip_prefix('-') {
        Some(rest) if rest.chars().all(|c| matches!(c, '0' | '.')) => rest,
        _ => &text,
    };
    format!("{shown} {unit}")
}

/// A current and which way it flows, where the map says so: maps differ in what they call positive.
pub(crate) fn current(amps: f64, unit: &str, positive: Option<Positive>) -> String {
    let plain = with_unit(amps, unit);
    let Some(positive) = positive.filter(|_| plain != with_unit(0.0, unit)) else {
        return plain;
    };
    let charges = (amps > 0.0) == (positive == Positive::Charge);
    let which = if charges { "charging" } else { "discharging" };
    format!("{} {which}", with_unit(amps.abs(), unit))
}

/// When something was seen; nothing where that was in an earlier session.
pub(super) fn moment(at: Option<Duration>) -> String {
    at.map_or_else(
        || "in an earlier session".to_owned(),
        |at| format!("at {:.0} s", at.as_secs_f64()),
    )
}
