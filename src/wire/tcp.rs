//! Modbus TCP frames: a header with transaction id and length, then unit and PDU.
//!
//! # Sources
//! - Modbus Messaging on TCP/IP Implementation Guide V1.0b, 3.1.3 (MBAP header)

use super::measure::FrameMeasure;
use super::question::Ask;

/// Header without the unit.
const HEADER: usize = 6;
/// Values of the length field: unit and a PDU of 1 to 253 bytes.
const LENGTHS: std::ops::RangeInclusive<usize> = 2..=254;

/// A view of a whole frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Adu<'a> {
    /// Transaction id.
    pub transaction: u16,
    /// Unit address.
    pub unit: u8,
    /// Function code and data.
    pub pdu: &'a [u8],
}

impl<'a> Adu<'a> {
    /// Reads a whole Modbus TCP frame.
    pub fn read(frame: &'a [u8]) -> Option<Self> {
        let (header, body) = frame.split_first_chunk::<HEADER>()?;
        let [a, b, 0, 0, c, d] = *header else {
            return None;
        };
        let (unit, pdu) = body.split_first()?;
        (usize::from(u16::from_be_bytes([c, d])) == body.len()).then_some(Self {
            transaction: u16::from_be_bytes([a, b]),
            unit: *unit,
            pdu,
        })
    }
}

/// What stands at the begin of these bytes.
pub(super) fn measure(bytes: &[u8]) -> FrameMeasure {
    let is_odd = |at: usize| bytes.get(at).is_some_and(|byte| *byte != 0);
    if is_odd(2) || is_odd(3) || is_odd(4) {
        return FrameMeasure::Nothing;
    }
    let Some(length) = bytes.get(5).map(|length| usize::from(*length)) else {
        return FrameMeasure::More;
    };
    if !LENGTHS.contains(&length) {
        return FrameMeasure::Nothing;
    }
    if bytes.len() < HEADER + length {
        return FrameMeasure::More;
    }
    FrameMeasure::Frame(HEADER + length)
}

/// Length of the frame at the begin of these bytes if it answers the question.
pub(super) fn measure_answer(ask: &Ask, transaction: u16, bytes: &[u8]) -> Option<usize> {
    if !bytes.starts_with(&transaction.to_be_bytes()) {
        return None;
    }
    let FrameMeasure::Frame(length) = measure(bytes) else {
        return None;
    };
    let adu = Adu::read(bytes.get(..length)?)?;
    (adu.unit == ask.unit && ask.decode(adu.pdu).is_ok()).then_some(length)
}
