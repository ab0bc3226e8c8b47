//! In which order to listen at other settings when the received characters are lost.
//!
//! Does not: switch anything; the caller listens again, never sends.
//!
//! # What the bytes still tell
//! A bit of a slower sender is several of our bits long, so runs of equal bits inside our characters
//! are never shorter: the shortest common run is the ratio of the rates. Nothing but zeros: the sender
//! is slower than a whole character of ours. Runs of one bit: the rate is ours or higher, or the
//! layout is another. The rates of the field come before rare ones.
//!
//! # Why 8N1 comes first at each rate
//! A receiver without parity gets the right values from senders with one, marks aside, and so
//! covers all layouts with ten or more bits; unless it takes a low stop bit for the next start
//! bit, which is why 8E1 comes second.

use packside_profiles::{LineSettings, Parity};

use super::{BAUDS, LAYOUTS};
use crate::listen::waveform::Received;

/// Rates in the order in which they are met (common practice).
const COMMON: [u32; 8] = [9_600, 19_200, 115_200, 38_400, 57_600, 4_800, 2_400, 1_200];

/// What the run lengths say of the senders' rate.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Rate {
    /// One bit of theirs is about this many of ours.
    SlowerBy(u32),
    /// Ours or higher.
    OursOrFaster,
}

/// Settings to listen at, most promising first, without our own and those already tried.
pub fn next_settings(
    received: &[Received],
    ours: LineSettings,
    tried: &[LineSettings],
) -> Vec<LineSettings> {
    let rate = rate_of(received);
    let mut order: Vec<(u32, LineSettings)> = Vec::new();
    for baud in BAUDS {
        for (layout, (parity, stop_bits)) in (0_u32..).zip(LAYOUTS) {
            let settings = LineSettings {
                baud,
                parity,
                stop_bits,
            };
            if settings != ours && !tried.contains(&settings) {
                order.push((cost(settings, layout, rate, ours), settings));
            }
        }
    }
    order.sort_unstable();
    order.into_iter().map(|(_, settings)| settings).collect()
}

/// The lower, the sooner.
fn cost(settings: LineSettings, layout: u32, rate: Rate, ours: LineSettings) -> u32 {
    let rarity = (0_u32..)
        .zip(COMMON)
        .find(|(_, baud)| *baud == settings.baud);
    let rarity = rarity.map_or(8, |(place, _)| place);
    let layout = [0, 6, 16, 20].get(layout as usize).copied().unwrap_or(24);
    let distance = match rate {
        Rate::OursOrFaster if settings.baud == ours.baud => match ours.parity {
            // Without parity we would have got the values of any layout at this rate.
            Parity::None => 30,
            _ => 0,
        },
        Rate::OursOrFaster if settings.baud > ours.baud => 2,
        Rate::OursOrFaster => 14,
        Rate::SlowerBy(times) => {
            let guess = u64::from(ours.baud) / u64::from(times.max(1));
            let (low, high) = (
                guess.min(settings.baud.into()),
                guess.max(settings.baud.into()),
            );
            // In quarters of a doubling, roughly; rates above ours are out of the question.
            let off = u32::try_from((high - low) * 8 / low.max(1)).unwrap_or(u32::MAX);
            off.min(30) + if settings.baud > ours.baud { 30 } else { 0 }
        }
    };
    distance + layout + rarity
}

/// What the lengths of runs of equal bits say.
fn rate_of(received: &[Received]) -> Rate {
    let mut counts = [0_u32; 10];
    for one in received {
        for length in runs(one.byte) {
            if let Some(count) = counts.get_mut(length) {
                *count += 1;
            }
        }
    }
    let bounded: u32 = counts.iter().sum();
    let zeros = received.iter().filter(|one| one.byte == 0).count();
    if zeros * 10 >= received.len() * 9 {
        return Rate::SlowerBy(12);
    }
    let mut seen = 0;
    for (length, count) in (0_u32..).zip(counts) {
        seen += count;
        if seen * 8 > bounded {
            return match length {
                0 | 1 => Rate::OursOrFaster,
                times => Rate::SlowerBy(times),
            };
        }
    }
    Rate::SlowerBy(9)
}

/// Lengths of the runs of equal bits that begin and end inside a character, start bit included.
fn runs(byte: u8) -> impl Iterator<Item = usize> {
    let bits = u16::from(byte) << 1;
    let mut begin = 0;
    (1_usize..9).filter_map(move |place| {
        let changes = (bits >> place ^ bits >> (place - 1)) & 1 == 1;
        changes.then(|| {
            let length = place - begin;
            begin = place;
            length
        })
    })
}
