//! What requests and answers of every public function code look like, from their first bytes.
//!
//! Input: bytes that may be the begin of a frame. Output: how long the frame would be, read as a
//! request or as an answer, or that it cannot be one. Used by [`super::Stream`], which hears both
//! directions and knows neither.
//!
//! Does not: check the CRC, or say whose frame it is.
//!
//! # Why so strict
//! A check value passes one time in 65536 by accident. Noise is tried at every byte, so every limit
//! that the standard sets on a count or a sub-function is used before a CRC is looked at. A frame
//! that the standard does not allow is still found where it stands tight between others.
//!
//! # Sources
//! - Modbus Application Protocol V1.1b3, section 6 (layout and limits), section 7 (exceptions)

/// Longest frame: unit, function, count, 127 registers, CRC. The standard ends at 256 bytes and 125
/// registers; units are known that give two more.
pub(super) const LONGEST: usize = 259;
/// Shortest frame: unit, function, CRC.
pub(super) const SHORTEST: usize = 4;

/// Bit n is set where n is a public function code whose length is known.
const KNOWN: u64 = {
    let codes = [
        0x01, 0x02, 0x03, 0x04, 0x05, 0x06, 0x07, 0x08, 0x0b, 0x0c, 0x0f, 0x10, 0x11, 0x14, 0x15,
        0x16, 0x17, 0x18, 0x2b_u64,
    ];
    let (mut mask, mut rest): (u64, &[u64]) = (0, &codes);
    while let [code, more @ ..] = rest {
        mask |= 1 << *code;
        rest = more;
    }
    mask
};

/// Whether this is a public function code, also with the bit that marks an exception.
#[inline]
pub(super) fn is_public(function: u8) -> bool {
    let code = function & 0x7f;
    code < 64 && KNOWN >> code & 1 == 1
}

/// What can be told of function codes before anything else is looked at.
#[derive(Clone, Copy, PartialEq)]
enum CodeClass {
    None,
    Plain,
    Exception,
}

#[expect(clippy::indexing_slicing, reason = "computed while compiling")]
static KINDS: [CodeClass; 256] = {
    let mut kinds = [CodeClass::None; 256];
    let mut code = 0;
    while code < 64 {
        if KNOWN >> code & 1 == 1 {
            kinds[code] = CodeClass::Plain;
            kinds[code | 0x80] = CodeClass::Exception;
        }
        code += 1;
    }
    kinds
};

/// Whether a frame can have this function code and this byte behind it.
#[inline]
pub(super) fn may_begin(function: u8, third: u8) -> bool {
    match KINDS.get(usize::from(function)) {
        Some(CodeClass::Plain) => true,
        Some(CodeClass::Exception) => (1..=0x0b).contains(&third),
        _ => false,
    }
}

/// Whether the standard knows the function of a frame, its exception code and its count of registers.
pub fn is_listed(frame: &[u8]) -> bool {
    match *frame {
        [_, function, ..] if !is_public(function) => false,
        [_, 0x80..=0xff, code, _, _] => (1..=0x0b).contains(&code),
        [_, 0x03 | 0x04, _, _, high, low, _, _] => word(high, low) <= 125,
        [_, 0x03 | 0x04, count, ..] => count <= 250,
        _ => true,
    }
}

/// Length of a frame, read in one way.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Length {
    /// This many bytes with unit and CRC.
    Is(usize),
    /// Not known before there are this many bytes.
    Needs(usize),
    /// No frame of this kind.
    Never,
}

use Length::{Is, Needs, Never};

/// Length as a refusal: the code must be one that the standard names.
pub(super) fn exception(bytes: &[u8]) -> Length {
    match *bytes {
        [_, function, code, ..]
            if function & 0x80 != 0 && is_public(function) && (1..=0x0b).contains(&code) =>
        {
            Is(5)
        }
        _ => Never,
    }
}

/// Length as a request.
#[inline]
pub(super) fn request(bytes: &[u8]) -> Length {
    let [_, function, a, b, ref rest @ ..] = *bytes else {
        return Needs(SHORTEST);
    };
    match function {
        0x01 | 0x02 => with_quantity(rest, 2000, 8),
        0x03 | 0x04 => with_quantity(rest, 127, 8),
        0x05 | 0x06 | 0x08 | 0x15 | 0x16 => echoed(function, a, b, rest),
        0x07 | 0x0b | 0x0c | 0x11 => Is(4),
        0x0f => multiple(rest, |quantity| quantity.div_ceil(8), 1968),
        0x10 => multiple(rest, |quantity| quantity * 2, 123),
        0x14 => file_read(a, b, rest),
        0x17 => match *rest {
            [high, low, _, _, write_high, write_low, count, ..] => {
                let read = word(high, low);
                let write = word(write_high, write_low);
                let fits = (1..=125).contains(&read)
                    && (1..=121).contains(&write)
                    && usize::from(count) == write * 2;
                if fits {
                    Is(13 + usize::from(count))
                } else {
                    Never
                }
            }
            _ => Needs(11),
        },
        0x18 => Is(6),
        0x2b if a != 0x0e || !(1..=4).contains(&b) => Never,
        0x2b => Is(7),
        _ => Never,
    }
}

/// Length as an answer that is no exception.
#[inline]
pub(super) fn answer(bytes: &[u8]) -> Length {
    let [_, function, a, b, ref rest @ ..] = *bytes else {
        return Needs(SHORTEST);
    };
    match function {
        0x01 | 0x02 => counted(a, (1..=250).contains(&a)),
        0x03 | 0x04 => counted(a, a % 2 == 0 && a >= 2),
        0x17 => counted(a, a % 2 == 0 && (2..=250).contains(&a)),
        0x05 | 0x06 | 0x08 | 0x15 | 0x16 => echoed(function, a, b, rest),
        0x07 => Is(5),
        // A status that is either ready or busy, then the count of events.
        0x0b if a == b && (a == 0 || a == 0xff) => Is(8),
        0x0c => counted(a, (6..=70).contains(&a)),
        0x0f => with_quantity(rest, 1968, 8),
        0x10 => with_quantity(rest, 123, 8),
        0x11 => counted(a, a >= 1),
        0x14 => file_answer(bytes),
        0x18 => match *rest {
            [high, low, ..] => {
                let registers = word(high, low);
                let fits = registers <= 31 && word(a, b) == registers * 2 + 2;
                if fits { Is(8 + registers * 2) } else { Never }
            }
            _ => Needs(6),
        },
        0x2b if a == 0x0e && (1..=4).contains(&b) => objects(bytes),
        _ => Never,
    }
}

/// Whether a frame answers a request: both whole, with a right CRC. Exceptions included.
#[inline]
pub fn fits(request: &[u8], frame: &[u8]) -> bool {
    let ([unit, function, asked @ ..], [other, answered, said @ ..]) = (request, frame) else {
        return false;
    };
    // Nobody answers what is said to all.
    if unit != other || *unit == 0 {
        return false;
    }
    if *answered == function | 0x80 {
        // What is due is a refusal with any code, also with one that no standard names.
        return frame.len() == 5;
    }
    if answered != function {
        return false;
    }
    // These say what was asked once more: what the request may say the answer may.
    if matches!(function, 0x05 | 0x06 | 0x15 | 0x16) {
        return request == frame;
    }
    if answer(frame) != Is(frame.len()) {
        return false;
    }
    match *function {
        0x01 | 0x02 | 0x03 | 0x04 | 0x17 => Some(frame.len()) == answer_length(request),
        // The number for sub-function 0 comes back; counters answer with their own.
        0x08 if asked.starts_with(&[0, 0]) => request == frame,
        0x08 => asked.get(..2) == said.get(..2),
        0x0f | 0x10 => asked.get(..4) == said.get(..4),
        0x2b => asked.get(..2) == said.get(..2),
        _ => true,
    }
}

/// Whether a frame of a public function can answer a request that the standard does not allow: as its
/// copy where answers are copies, or as an answer of a length that the standard allows.
pub(super) fn answers_oddly(request: &[u8], frame: &[u8]) -> bool {
    match request {
        [_, 0x05 | 0x06 | 0x08 | 0x15 | 0x16, ..] => request == frame,
        // Nothing was asked for, and nothing comes.
        [_, 0x14, 0, ..] => request == frame,
        _ => request != frame && answer(frame) == Is(frame.len()),
    }
}

/// Length of the answer to a request, where the request says it.
pub(super) fn answer_length(request: &[u8]) -> Option<usize> {
    match *request {
        [_, 0x07, _, _] => Some(5),
        [_, 0x0b, _, _] => Some(8),
        [_, 0x01 | 0x02, _, _, high, low, ..] => Some(5 + word(high, low).div_ceil(8)),
        [_, 0x03 | 0x04 | 0x17, _, _, high, low, ..] => Some(5 + word(high, low) * 2),
        [_, 0x05 | 0x06 | 0x08 | 0x0f | 0x10, ..] => Some(8),
        [_, 0x15 | 0x16, ..] => Some(request.len()),
        _ => None,
    }
}

fn word(high: u8, low: u8) -> usize {
    usize::from(u16::from_be_bytes([high, low]))
}

/// A count of bytes behind the function code.
fn counted(count: u8, allowed: bool) -> Length {
    let length = 5 + usize::from(count);
    if allowed && length <= LONGEST {
        Is(length)
    } else {
        Never
    }
}

/// A quantity behind the address.
fn with_quantity(rest: &[u8], most: usize, length: usize) -> Length {
    match *rest {
        [high, low, ..] if (1..=most).contains(&word(high, low)) => Is(length),
        [_, _, ..] => Never,
        _ => Needs(6),
    }
}

/// Functions whose answer repeats the request.
#[inline]
fn echoed(function: u8, a: u8, b: u8, rest: &[u8]) -> Length {
    match (function, rest) {
        (0x05, [0x00 | 0xff, 0x00, ..]) | (0x06, _) => Is(8),
        (0x05, [_, _, ..]) => Never,
        (0x05, _) => Needs(6),
        // Sub-functions 00 to 04 and 0A to 14.
        (0x08, _) if a == 0 && b <= 0x14 => Is(8),
        (0x15, _) => file_write(a, b, rest),
        (0x16, _) => Is(10),
        _ => Never,
    }
}

/// Writing several: address, quantity, count of bytes, data.
fn multiple(rest: &[u8], bytes: impl Fn(usize) -> usize, most: usize) -> Length {
    match *rest {
        [high, low, count, ..] => {
            let quantity = word(high, low);
            let fits = (1..=most).contains(&quantity) && usize::from(count) == bytes(quantity);
            if fits {
                Is(9 + usize::from(count))
            } else {
                Never
            }
        }
        _ => Needs(7),
    }
}

/// Reading file records: groups of seven bytes, each beginning with 06.
fn file_read(count: u8, first: u8, rest: &[u8]) -> Length {
    if first != 6 || !count.is_multiple_of(7) || !(7..=0xf5).contains(&count) {
        return Never;
    }
    let groups = usize::from(count / 7);
    // `rest` begins behind the first 06.
    let wrong = rest.iter().skip(6).step_by(7).take(groups - 1);
    if wrong.into_iter().any(|kind| *kind != 6) {
        return Never;
    }
    Is(5 + usize::from(count))
}

/// Groups of a length, 06, and an even number of bytes.
fn file_answer(bytes: &[u8]) -> Length {
    let [_, _, count, groups @ ..] = bytes else {
        return Needs(SHORTEST);
    };
    let mut left = usize::from(*count);
    if !(4..=0xf5).contains(&left) {
        return Never;
    }
    let whole = Is(5 + left);
    let mut rest = groups;
    while left > 0 {
        let [length, after @ ..] = rest else {
            return whole;
        };
        let length = usize::from(*length);
        let is_kind = after.first().is_none_or(|kind| *kind == 6);
        if length % 2 == 0 || length < 3 || length + 1 > left || !is_kind {
            return Never;
        }
        left -= length + 1;
        rest = after.get(length..).unwrap_or_default();
    }
    whole
}

/// Writing file records: groups of 06, file, record, number of registers, data.
fn file_write(count: u8, first: u8, rest: &[u8]) -> Length {
    let mut left = usize::from(count);
    if first != 6 || !(9..=0xfb).contains(&left) {
        return Never;
    }
    let whole = Is(5 + left);
    // `rest` begins behind the first 06.
    let mut rest = rest;
    loop {
        let [_, _, _, _, high, low, after @ ..] = rest else {
            return whole;
        };
        let group = 7 + word(*high, *low) * 2;
        if group < 9 || group > left {
            return Never;
        }
        left -= group;
        if left == 0 {
            return whole;
        }
        match after.get(group - 7..) {
            Some([6, more @ ..]) => rest = more,
            Some([_, ..]) => return Never,
            _ => return whole,
        }
    }
}

/// Objects of a device identification, from their own lengths.
fn objects(bytes: &[u8]) -> Length {
    let [_, _, _, _, _, more, _, count, ..] = *bytes else {
        return Needs(8);
    };
    if !matches!(more, 0x00 | 0xff) || count == 0 {
        return Never;
    }
    let mut end = 8;
    for _ in 0..count {
        if end + 4 > LONGEST {
            return Never;
        }
        match bytes.get(end + 1) {
            Some(length) => end += 2 + usize::from(*length),
            None => return Needs(end + 2),
        }
    }
    if end + 2 <= LONGEST {
        Is(end + 2)
    } else {
        Never
    }
}
