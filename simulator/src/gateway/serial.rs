//! The serial side of a gateway: which bytes answer its question, and what it reads by itself.
//!
//! Input: bytes heard on the line, a question, a profile. Output: the answer's PDU, questions.
//! Does not: share code with the tool's pairing, on purpose.
//!
//! # Sources
//! - Modbus Application Protocol V1.1b3, section 6 (lengths of answers) and 7 (exceptions)

use packside_profiles::model::{Base, Profile, Table};

use crate::frame::crc;

/// Registers that a gateway reads at once when it polls by itself.
const BLOCK: u16 = 100;

/// The PDU of the first answer to a question among these bytes: same unit, same function, length
/// as asked, CRC right.
pub(super) fn find_answer(heard: &[u8], unit: u8, question: &[u8]) -> Option<Vec<u8>> {
    let function = *question.first()?;
    (0..heard.len()).find_map(|start| {
        let rest = heard.get(start..)?;
        if *rest.first()? != unit {
            return None;
        }
        let length = if *rest.get(1)? == function | 0x80 {
            5
        } else if *rest.get(1)? == function {
            answer_length(question).unwrap_or(rest.len())
        } else {
            return None;
        };
        let frame = rest.get(..length)?;
        let fits = length >= 4 && crc(frame) == 0;
        fits.then(|| frame.get(1..length - 2).unwrap_or_default().to_vec())
    })
}

/// Bytes of the RTU answer to this question; nothing where only its end tells.
fn answer_length(question: &[u8]) -> Option<usize> {
    let count = || {
        Some(usize::from(u16::from_be_bytes([
            *question.get(3)?,
            *question.get(4)?,
        ])))
    };
    match question.first()? {
        1 | 2 => Some(5 + count()?.div_ceil(8)),
        3 | 4 => Some(5 + 2 * count()?),
        5 | 6 | 15 | 16 => Some(8),
        8 => Some(question.len() + 3),
        _ => None,
    }
}

/// Reads that together cover all readable registers, but none that are cleared by reading.
pub(super) fn whole_map(profile: &Profile) -> Vec<Vec<u8>> {
    let mut questions = Vec::new();
    let spans = profile.spans.iter().filter(|span| {
        let clears = |other: &packside_profiles::model::Span| {
            other.table == span.table && other.from <= span.to && other.to >= span.from
        };
        span.base == Base::Absolute && !profile.clears_when_read.iter().any(clears)
    });
    for span in spans {
        let function = match span.table {
            Table::Holding => 3,
            Table::Input => 4,
            Table::Coil | Table::Discrete => continue,
        };
        let mut from = span.from;
        loop {
            let count = (span.to - from).saturating_add(1).min(BLOCK);
            questions.push(read(function, from, count));
            match from.checked_add(count).filter(|next| *next <= span.to) {
                Some(next) => from = next,
                None => break,
            }
        }
    }
    questions
}

/// A question for registers.
pub(super) fn read(function: u8, from: u16, count: u16) -> Vec<u8> {
    let mut pdu = vec![function];
    pdu.extend(from.to_be_bytes());
    pdu.extend(count.to_be_bytes());
    pdu
}

/// Function, first register and count, where a question reads registers.
pub(super) fn as_read(question: &[u8]) -> Option<(u8, u16, u16)> {
    let &[function @ (3 | 4), a, b, c, d] = question else {
        return None;
    };
    Some((
        function,
        u16::from_be_bytes([a, b]),
        u16::from_be_bytes([c, d]),
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    // Kind:   published
    // Source: Modbus Application Protocol V1.1b3, 6.3, answer with registers 108 to 110; the CRC
    //         by the published rule; what stands around it is invented
    #[test]
    fn answer_is_found_between_other_bytes() {
        let question = [3, 0, 0x6b, 0, 3];
        let mut frame = vec![0x11, 3, 6, 2, 0x2b, 0, 0, 0, 0x64];
        let pdu = frame[1..].to_vec();
        frame.extend(crc(&frame).to_le_bytes());
        let heard = [&[0x11, 0xff, 3], frame.as_slice(), &[0]].concat();
        assert_eq!(find_answer(&heard, 0x11, &question), Some(pdu));
        assert_eq!(find_answer(&heard, 0x12, &question), None);
        assert_eq!(find_answer(&heard, 0x11, &[3, 0, 0x6b, 0, 2]), None);
        assert_eq!(find_answer(&heard[..10], 0x11, &question), None);
    }

    // Kind:   published
    // Source: the same, section 7: function code with its highest bit set, and a code
    #[test]
    fn answer_may_be_an_exception() {
        let mut frame = vec![1, 0x84, 2];
        frame.extend(crc(&frame).to_le_bytes());
        let found = find_answer(&frame, 1, &[4, 0, 0, 0, 1]);
        assert_eq!(found, Some(vec![0x84, 2]));
    }
}
