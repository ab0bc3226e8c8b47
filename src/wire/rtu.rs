//! Lengths of RTU frames, from what they begin with.
//!
//! RTU has no length field: a frame ends with a silence, which a USB adapter or a network hides.
//! So the length is taken from the content, for every way the content can be read, and the CRC
//! decides which of them it was.
//!
//! # Sources
//! - Modbus Application Protocol V1.1b3, section 6 (layout of requests and answers)

use super::crc::is_sealed;
use super::measure::FrameMeasure;
use super::question::{Ask, Question};

/// Longest frame: unit, PDU of 253 bytes, CRC.
pub(super) const LONGEST: usize = 256;

/// Length of a frame, read in one way.
enum RtuLength {
    /// This many bytes with unit and CRC.
    Is(usize),
    /// Not known yet.
    More,
    /// No frame of this kind.
    Never,
}

/// What stands at the begin of these bytes: the shortest frame whose CRC is right, but no read
/// request that the standard does not allow where a longer frame is right as well.
///
/// One byte 00 behind a valid frame makes a valid frame again. So one answer of two registers in
/// 256, the one whose check value ends in 00, is as valid without its last byte, in the shape of a
/// read request; what it would ask for is then most often more than can be asked for.
pub(super) fn measure(bytes: &[u8]) -> FrameMeasure {
    let Some(function) = bytes.get(1).copied() else {
        return FrameMeasure::More;
    };
    let ways = if function & 0x80 == 0 {
        [answer(function, bytes), request(function, bytes)]
    } else {
        [exception(function), RtuLength::Never]
    };
    let mut best: Option<usize> = None;
    let mut undecided = false;
    for way in ways {
        match way {
            RtuLength::Is(length) if length > LONGEST => {}
            RtuLength::Is(length) => match bytes.get(..length) {
                Some(frame) if is_sealed(frame) => {
                    best = Some(best.map_or(length, |other| better(bytes, length, other)));
                }
                Some(_) => {}
                None => undecided = true,
            },
            RtuLength::More => undecided = true,
            RtuLength::Never => {}
        }
    }
    match best {
        Some(length) => FrameMeasure::Frame(length),
        None if undecided => FrameMeasure::More,
        None => FrameMeasure::Nothing,
    }
}

/// Which of two lengths with a right CRC is to be believed.
fn better(bytes: &[u8], a: usize, b: usize) -> usize {
    let (short, long) = (a.min(b), a.max(b));
    if bytes.get(..short).is_some_and(is_request) {
        short
    } else {
        long
    }
}

/// Length of the frame at the begin of these bytes if it answers the question.
pub(super) fn measure_answer(ask: &Ask, bytes: &[u8]) -> Option<usize> {
    let (unit, function) = (*bytes.first()?, *bytes.get(1)?);
    if unit != ask.unit || function & 0x7f != ask.function() {
        return None;
    }
    let way = if function & 0x80 == 0 {
        answer(function, bytes)
    } else {
        exception(function)
    };
    let RtuLength::Is(length) = way else {
        return None;
    };
    let frame = bytes.get(..length).filter(|frame| is_sealed(frame))?;
    let pdu = frame.get(1..length.checked_sub(2)?)?;
    ask.decode(pdu).ok().map(|_| length)
}

/// Whether these bytes begin like the answer to this question and are too few for it yet.
///
/// The first bytes of an answer pass for a shorter request once in 65536: whoever waits for the
/// answer must not cut it there.
pub(super) fn begins_answer(ask: &Ask, bytes: &[u8]) -> bool {
    let function = ask.function();
    if !matches!(bytes, [unit, code, ..] if (*unit, *code) == (ask.unit, function)) {
        return false;
    }
    let counted = bytes.get(2).map(|count| usize::from(*count));
    let fits = ask.read_bytes().is_none_or(|data| counted == Some(data));
    fits && match answer(function, bytes) {
        RtuLength::Is(length) => length <= LONGEST && bytes.len() < length,
        RtuLength::More => true,
        RtuLength::Never => false,
    }
}

/// Whether a whole frame can be a request.
pub(crate) fn is_request(frame: &[u8]) -> bool {
    let Some(function) = frame.get(1).copied() else {
        return false;
    };
    let fits = matches!(request(function, frame), RtuLength::Is(length) if length == frame.len());
    fits && (!matches!(function, 0x01..=0x04) || read_request(frame).is_some())
}

/// The question in a whole frame, if it is a read request that the standard allows.
pub(crate) fn read_request(frame: &[u8]) -> Option<Ask> {
    let (unit, rest) = frame.split_first()?;
    let (pdu, _) = rest.split_last_chunk::<2>()?;
    let ask = Ask::from_pdu(*unit, pdu)?;
    matches!(ask.question, Question::Read { .. }).then_some(ask)
}

fn exception(function: u8) -> RtuLength {
    match function & 0x7f {
        0x01..=0x06 | 0x08 | 0x0f..=0x11 | 0x16 | 0x17 | 0x2b => RtuLength::Is(5),
        _ => RtuLength::Never,
    }
}

fn request(function: u8, bytes: &[u8]) -> RtuLength {
    match function {
        0x01..=0x06 | 0x08 => RtuLength::Is(8),
        0x0f | 0x10 => counted(bytes, 6),
        0x11 => RtuLength::Is(4),
        0x16 => RtuLength::Is(10),
        0x17 => counted(bytes, 10),
        0x2b => identification(bytes, |_| RtuLength::Is(7)),
        _ => RtuLength::Never,
    }
}

fn answer(function: u8, bytes: &[u8]) -> RtuLength {
    match function {
        // An odd number of bytes is no run of registers.
        0x03 | 0x04 | 0x17 if bytes.get(2).is_some_and(|count| count % 2 == 1) => RtuLength::Never,
        0x01..=0x04 if bytes.get(2) == Some(&0) => RtuLength::Never,
        0x01..=0x04 | 0x11 | 0x17 => counted(bytes, 2),
        0x05 | 0x06 | 0x08 | 0x0f | 0x10 => RtuLength::Is(8),
        0x16 => RtuLength::Is(10),
        0x2b => identification(bytes, objects),
        _ => RtuLength::Never,
    }
}

/// A frame with a count of the bytes that follow at this offset.
fn counted(bytes: &[u8], offset: usize) -> RtuLength {
    match bytes.get(offset) {
        Some(count) => RtuLength::Is(offset + 1 + usize::from(*count) + 2),
        None => RtuLength::More,
    }
}

/// Function 2B hex is only known with the type 0E hex.
fn identification(bytes: &[u8], length: impl Fn(&[u8]) -> RtuLength) -> RtuLength {
    match bytes.get(2) {
        Some(0x0e) => length(bytes),
        Some(_) => RtuLength::Never,
        None => RtuLength::More,
    }
}

/// Objects of a device identification, from their own lengths.
fn objects(bytes: &[u8]) -> RtuLength {
    let Some(count) = bytes.get(7) else {
        return RtuLength::More;
    };
    let mut end = 8;
    for _ in 0..*count {
        match bytes.get(end + 1) {
            Some(length) => end += 2 + usize::from(*length),
            None if end + 4 > LONGEST => return RtuLength::Never,
            None => return RtuLength::More,
        }
    }
    RtuLength::Is(end + 2)
}
