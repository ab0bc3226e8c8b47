//! Numbers from one form into another.

/// A count as a number.
#[expect(
    clippy::cast_precision_loss,
    reason = "counts of samples, edges and cells"
)]
pub(super) fn small(count: usize) -> f64 {
    count as f64
}

/// The nearest whole number of milliseconds, or of anything else that is small and positive.
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "clamped right here"
)]
pub(super) fn whole(number: f64) -> u32 {
    number.clamp(0.0, 1e9).round() as u32
}

/// With fewer digits.
#[expect(
    clippy::cast_possible_truncation,
    reason = "costs and levels need few digits"
)]
pub(super) fn single(number: f64) -> f32 {
    number as f32
}

/// The nearest whole number of squares or pixels, either way.
#[expect(clippy::cast_possible_truncation, reason = "clamped right here")]
pub(super) fn nearest(number: f64) -> i32 {
    number.clamp(-1e6, 1e6).round() as i32
}
