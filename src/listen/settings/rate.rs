//! The rate of the senders, from the bits inside the received characters alone.
//!
//! A bit of a slower sender is several of our bits long, so runs of equal bits inside our characters
//! fit a sender of that rate or a faster one, never a slower one. The slowest rate that fits is the
//! sender's, or the sender is faster than we are.
//!
//! Does not: use times, or know frames.

use packside_profiles::LineSettings;

use crate::listen::waveform::{Received, Receiver, common_clock};

/// Rates that are tried.
pub const BAUDS: [u32; 8] = [1_200, 2_400, 4_800, 9_600, 19_200, 38_400, 57_600, 115_200];

/// A rate fits if its sender can have caused this share of the characters, in percent.
const LEAST_SHARE: usize = 85;
/// Fewer characters than this, zeros aside, say nothing.
const TOO_FEW: usize = 6;

/// What the characters say of the senders' rate.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Rate {
    /// This one, at or below ours. If ours: that, or any higher one.
    SlowestFitting(u32),
    /// Nearly all is zero: a character of ours is shorter than a bit of theirs.
    FarBelow,
}

/// The slowest rate that fits.
pub(super) fn rate_of(received: &[Received], ours: LineSettings) -> Rate {
    let mut counts = [0_usize; 256];
    for one in received {
        if let Some(count) = counts.get_mut(usize::from(one.byte)) {
            *count += 1;
        }
    }
    // A zero fits every rate below ours.
    let [_, informative @ ..] = counts;
    let informative_count: usize = informative.iter().sum();
    if informative_count < TOO_FEW || informative_count * 12 < received.len() {
        return Rate::FarBelow;
    }
    let fits = |baud: &u32| {
        let clock = common_clock(ours.baud, *baud);
        let bit = clock / u64::from((*baud).max(1));
        let receiver = Receiver::new(ours, clock, true);
        let fitting: usize = (1..=u8::MAX)
            .zip(informative)
            .filter(|(byte, count)| *count > 0 && can_cause(receiver, bit, false, *byte))
            .map(|(_, count)| count)
            .sum();

        fitting * 100 >= informative_count * LEAST_SHARE
    };
    let slower = BAUDS.into_iter().filter(|baud| *baud < ours.baud);
    Rate::SlowestFitting(slower.into_iter().find(fits).unwrap_or(ours.baud))
}

/// Whether some bits of the sender, the first of this level, complete this character.
fn can_cause(mut receiver: Receiver, bit: u64, level: bool, byte: u8) -> bool {
    let mut complete = None;
    receiver.hear(level, bit, |sampled| complete = Some(sampled));
    if let Some(sampled) = complete {
        let [unsure, _] = sampled.unsure.to_le_bytes();
        return (sampled.byte ^ byte) & !unsure == 0;
    }
    let fits = receiver
        .inside()
        .is_some_and(|inside| inside.may_become(byte));
    fits && [false, true]
        .into_iter()
        .any(|level| can_cause(receiver, bit, level, byte))
}
