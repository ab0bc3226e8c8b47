//! Serial line settings, and how long a character and a silence take on the wire.
//!
//! # Sources
//! - Modbus over Serial Line V1.02, sections 2.5.1 and 2.5.1.1: character of 11 bits, silence of
//!   3.5 characters between frames, fixed 1.750 ms above 19200 baud.

use std::fmt;
use std::str::FromStr;
use std::time::Duration;

use serde::Deserialize;

/// Parity of a serial character.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Parity {
    /// No parity bit.
    None,
    /// The number of ones in data and parity is even.
    Even,
    /// The number of ones in data and parity is odd.
    Odd,
}

/// Speed and character layout of a serial line, written `9600-8E1`. Always eight data bits.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Deserialize)]
#[serde(try_from = "String")]
pub struct LineSettings {
    /// Bits per second.
    pub baud: u32,
    /// Parity bit, if any.
    pub parity: Parity,
    /// Stop bits, 1 or 2.
    pub stop_bits: u8,
}

/// Why a text is no line setting.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error(
    "line settings: expected something like 9600-8E1 (300 to 1000000 baud, 8 data bits, N, E or O, 1 or 2 stop bits), found \"{found}\""
)]
pub struct LineSettingsError {
    /// The text as given.
    pub found: String,
}

impl LineSettings {
    /// Bits of one character on the wire: start, eight data, parity if any, stop.
    pub fn bits_per_character(self) -> u32 {
        let parity = u32::from(self.parity != Parity::None);
        1 + 8 + parity + u32::from(self.stop_bits)
    }

    /// Time that `count` characters take back to back.
    pub fn characters(self, count: usize) -> Duration {
        let bits = u64::from(self.bits_per_character()) * count as u64;
        Duration::from_nanos(bits.saturating_mul(1_000_000_000) / u64::from(self.baud.max(1)))
    }

    /// The silence that separates two frames (t3.5).
    ///
    /// "For baud rates greater than 19200 Bps, fixed values for the 2 timers should be used"
    /// (V1.02, 2.5.1.1). Below that the standard counts characters of 11 bits.
    pub fn frame_silence(self) -> Duration {
        if self.baud > 19_200 {
            return Duration::from_micros(1_750);
        }
        Duration::from_nanos(38_500_000_000 / u64::from(self.baud.max(1)))
    }
}

impl fmt::Display for LineSettings {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let parity = match self.parity {
            Parity::None => 'N',
            Parity::Even => 'E',
            Parity::Odd => 'O',
        };
        write!(f, "{}-8{parity}{}", self.baud, self.stop_bits)
    }
}

impl FromStr for LineSettings {
    type Err = LineSettingsError;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        parse(text).ok_or_else(|| LineSettingsError {
            found: text.to_owned(),
        })
    }
}

fn parse(text: &str) -> Option<LineSettings> {
    let (baud, layout) = text.split_once('-')?;
    let baud = baud
        .parse()
        .ok()
        .filter(|b| (300..=1_000_000).contains(b))?;
    let (parity, stop_bits) = match layout.to_ascii_uppercase().as_str() {
        "8N1" => (Parity::None, 1),
        "8N2" => (Parity::None, 2),
        "8E1" => (Parity::Even, 1),
        "8E2" => (Parity::Even, 2),
        "8O1" => (Parity::Odd, 1),
        "8O2" => (Parity::Odd, 2),
        _ => return None,
    };
    Some(LineSettings {
        baud,
        parity,
        stop_bits,
    })
}

impl TryFrom<String> for LineSettings {
    type Error = LineSettingsError;

    fn try_from(text: String) -> Result<Self, Self::Error> {
        text.parse()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(settings: &str, character_us: f64, silence_us: f64, full_answer_ms: f64) {
        let line: LineSettings = settings.parse().unwrap();
        let close = |a: Duration, b: f64| (a.as_secs_f64() * 1e6 - b).abs() < b * 1e-4;
        assert!(
            close(line.characters(1), character_us),
            "{settings}: {:?}",
            line.characters(1)
        );
        assert!(
            close(line.frame_silence(), silence_us),
            "{settings}: {:?}",
            line.frame_silence()
        );
        assert!(
            close(line.characters(255), full_answer_ms * 1e3),
            "{settings}"
        );
        assert_eq!(line.to_string(), settings);
    }

    // Kind:   derived
    // Source: Modbus over Serial Line V1.02, 2.5.1.1: 11 bits a character, silence 3.5 characters
    //         and fixed 1.750 ms above 19200; 11/9600 s = 1145.83 us, 38.5/9600 s = 4010.4 us,
    //         255 characters = 292.19 ms, and so on
    #[test]
    fn wire_times_match_the_serial_line_specification() {
        check("1200-8E1", 9166.67, 32083.3, 2337.5);
        check("9600-8E1", 1145.83, 4010.42, 292.1875);
        check("19200-8E1", 572.917, 2005.21, 146.09375);
        check("38400-8E1", 286.458, 1750.0, 73.046875);
        check("115200-8N2", 95.4861, 1750.0, 24.348958);
    }

    #[test]
    fn err_line_settings_says_what_is_expected() {
        let error = "9600,n,8,1"
            .parse::<LineSettings>()
            .unwrap_err()
            .to_string();
        assert_eq!(
            error,
            "line settings: expected something like 9600-8E1 (300 to 1000000 baud, 8 data bits, N, E or O, \
             1 or 2 stop bits), found \"9600,n,8,1\""
        );
    }
}
