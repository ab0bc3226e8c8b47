//! Names what is not Modbus RTU: printable text and Modbus ASCII, also with a parity bit in bit 7.
//!
//! # Sources
//! - Modbus over Serial Line V1.02, section 2.5.2 (ASCII mode: `:`, hexadecimal digits, LRC, CR LF;
//!   default seven data bits with even parity)

use crate::listen::waveform::Received;

/// A protocol other than Modbus RTU.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Protocol {
    /// Modbus ASCII: this many frames with a right LRC.
    ModbusAscii {
        /// Frames with a right check value.
        frames: usize,
        /// The characters have seven data bits and a parity bit.
        is_seven_bit: bool,
    },
    /// Lines of printable text.
    Text {
        /// The characters have seven data bits and a parity bit.
        is_seven_bit: bool,
    },
}

/// The protocol, and how many characters belong to it.
pub(super) fn recognise(received: &[Received]) -> Option<(Protocol, usize)> {
    let eight: Vec<u8> = received.iter().map(|one| one.byte).collect();
    let has_parity_in_bit_7 = same_parity(&eight);
    let seven: Vec<u8> = eight.iter().map(|byte| byte & 0x7f).collect();
    let ascii = |bytes: &[u8], is_seven_bit| {
        let (frames, fitted) = ascii_frames(bytes);
        (frames > 0).then_some((
            Protocol::ModbusAscii {
                frames,
                is_seven_bit,
            },
            fitted,
        ))
    };
    let text = |bytes: &[u8], is_seven_bit| {
        is_text(bytes).then_some((Protocol::Text { is_seven_bit }, bytes.len()))
    };
    ascii(&eight, false)
        .or_else(|| ascii(&seven, true))
        .or_else(|| text(&eight, false))
        .or_else(|| text(&seven, true).filter(|_| has_parity_in_bit_7))
}

/// Whether the eight bits of nearly all characters have one and the same parity.
fn same_parity(bytes: &[u8]) -> bool {
    let odd = bytes.iter().filter(|b| b.count_ones() % 2 == 1).count();
    let rarer = odd.min(bytes.len() - odd);
    rarer * 50 <= bytes.len()
}

/// Mostly printable, in lines, and more than a stray word.
fn is_text(bytes: &[u8]) -> bool {
    let printable = |b: &u8| matches!(b, b' '..=b'~' | b'\t' | b'\r' | b'\n');
    let fitting = bytes.iter().filter(|b| printable(b)).count();
    let has_lines = bytes.iter().any(|b| matches!(b, b'\r' | b'\n'));
    bytes.len() >= 16 && has_lines && fitting * 20 >= bytes.len() * 19
}

/// Frames from `:` to CR with a right LRC, and their characters.
fn ascii_frames(bytes: &[u8]) -> (usize, usize) {
    let (mut frames, mut characters) = (0, 0);
    for part in bytes.split(|byte| *byte == b':').skip(1) {
        let digits = part.split(|byte| *byte == b'\r').next().unwrap_or(part);
        let is_ended = digits.len() < part.len();
        let Some(frame) = from_hexadecimal(digits).filter(|_| is_ended) else {
            continue;
        };
        let sum = frame.iter().fold(0_u8, |sum, byte| sum.wrapping_add(*byte));
        if frame.len() >= 3 && sum == 0 {
            frames += 1;
            characters += 1 + digits.len() + 2;
        }
    }
    (frames, characters.min(bytes.len()))
}

fn from_hexadecimal(digits: &[u8]) -> Option<Vec<u8>> {
    let value = |digit: u8| match digit {
        b'0'..=b'9' => Some(digit - b'0'),
        b'A'..=b'F' => Some(digit - b'A' + 10),
        _ => None,
    };
    let (pairs, []) = digits.as_chunks::<2>() else {
        return None;
    };
    let byte = |[high, low]: &[u8; 2]| Some(value(*high)? << 4 | value(*low)?);
    pairs.iter().map(byte).collect()
}
