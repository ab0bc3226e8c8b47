//! In which order to listen at other settings when the received characters are lost.
//!
//! Does not: switch anything; the caller listens again, never sends.
//!
//! # What the bytes still tell
//! The slowest rate that fits the runs of equal bits, see [`super::rate`]. If that is ours, the
//! senders may also be faster or use another layout. The rates of the field come before rare ones.
//!
//! # Why 8N1 comes first at each rate
//! A receiver without parity gets the right values from senders with one, marks aside, and so
//! covers all layouts with ten or more bits; unless it takes a low stop bit for the next start
//! bit, which is why 8E1 comes second. A receiver with parity loses senders without at its own rate
//! too: it takes their next start bit for the stop bit. The bytes look as if from faster senders, so
//! there the same rate without parity comes first, one try before the next faster rate.

use packside_profiles::{LineSettings, Parity};

use super::rate::{Rate, rate_of};
use super::{BAUDS, LAYOUTS};
use crate::listen::waveform::Received;

/// Rates in the order in which they are met (common practice).
const COMMON: [u32; 8] = [9_600, 19_200, 115_200, 38_400, 57_600, 4_800, 2_400, 1_200];

/// Settings to listen at, most promising first, without our own and those already tried.
pub fn next_settings(
    received: &[Received],
    ours: LineSettings,
    tried: &[LineSettings],
) -> Vec<LineSettings> {
    let rate = rate_of(received, ours);
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
    let is_ours = settings.baud == ours.baud;
    let distance = match rate {
        // Without parity we would have got the values of any layout at this rate.
        Rate::SlowestFitting(baud) if baud == ours.baud && is_ours => match ours.parity {
            Parity::None => 30,
            _ => 0,
        },
        Rate::SlowestFitting(baud) if baud == ours.baud => match settings.baud > ours.baud {
            true => 2,
            false => 14,
        },
        Rate::SlowestFitting(baud) => u32::from(settings.baud != baud) * 20,
        Rate::FarBelow => u32::from(settings.baud.saturating_mul(8) > ours.baud) * 20,
    };
    distance + layout + rarity
}
