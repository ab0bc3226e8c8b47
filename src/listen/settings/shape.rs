//! What a request, or the answer to a given request, must look like byte by byte.
//!
//! A search that builds frames one byte at a time asks here whether a beginning can still become
//! a frame, and which byte is the only one possible next. Strict on purpose: whatever is refused
//! here needs no check value, and every check value looked at is a chance for an accident.
//!
//! Does not: know functions beyond reading and writing bits and registers. They prove the settings
//! of a line; other functions are the splitter's business.
//!
//! # Sources
//! - Modbus Application Protocol V1.1b3, sections 4.1 and 6 (limits, layout), 7 (exceptions)

/// What is looked for.
#[derive(Debug, Clone, Copy)]
pub(super) enum Wanted<'a> {
    /// A request to any unit.
    Request,
    /// The answer to this request.
    AnswerTo(&'a [u8]),
}

/// What the bytes so far can become.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Shape {
    /// No frame.
    Never,
    /// A frame, after more bytes.
    Open,
    /// A frame, if this byte comes next.
    Only(u8),
    /// A frame, if its check value fits.
    Whole,
}

/// What these bytes can become.
pub(super) fn shape(wanted: Wanted<'_>, bytes: &[u8]) -> Shape {
    match wanted {
        Wanted::Request => request(bytes),
        Wanted::AnswerTo(request) => answer(request, bytes),
    }
}

fn request(bytes: &[u8]) -> Shape {
    let (Some(unit), function) = (bytes.first(), bytes.get(1)) else {
        return Shape::Open;
    };
    if !(1..=247).contains(unit) {
        return Shape::Never;
    }
    let Some(function) = function else {
        return Shape::Open;
    };
    let is_read_of_registers = matches!(function, 3 | 4);
    match (function, bytes) {
        (1..=6 | 15 | 16, [_, _] | [_, _, _]) => Shape::Open,
        (3 | 4 | 16, [_, _, _, _]) => Shape::Only(0),
        (5, [_, _, _, _, value]) => only_if(matches!(value, 0 | 0xff), 0),
        (1..=6 | 15, [_, _, _, _]) => Shape::Open,
        (1 | 2 | 15, [_, _, _, _, high]) => open_if(*high <= 7),
        (1..=6 | 16, [_, _, _, _, _]) => Shape::Open,
        (1..=4, [_, _, _, _, high, low, rest @ ..]) => {
            let count = u16::from_be_bytes([*high, *low]);
            let most = if is_read_of_registers { 125 } else { 2000 };
            whole_if((1..=most).contains(&count), rest.len(), 2)
        }
        (5 | 6, [_, _, _, _, _, _, rest @ ..]) => whole_if(true, rest.len(), 2),
        (15 | 16, [_, _, _, _, high, low, rest @ ..]) => {
            let count = u16::from_be_bytes([*high, *low]);
            let (most, data) = match function {
                15 => (1968, count.div_ceil(8)),
                _ => (123, count.saturating_mul(2)),
            };
            match (u8::try_from(data), rest) {
                (Ok(data), []) if (1..=most).contains(&count) => Shape::Only(data),
                (Ok(data), [_, rest @ ..]) => whole_if(true, rest.len(), usize::from(data) + 2),
                _ => Shape::Never,
            }
        }
        _ => Shape::Never,
    }
}

fn answer(request: &[u8], bytes: &[u8]) -> Shape {
    let [unit, function, a, b, c, d, ..] = *request else {
        return Shape::Never;
    };
    let count = u16::from_be_bytes([c, d]);
    match *bytes {
        [] => Shape::Only(unit),
        [_] => Shape::Open,
        [_, kind, ..] if kind == function | 0x80 => match bytes.get(2) {
            None => Shape::Open,
            Some(code) => whole_if((1..=0x0b).contains(code), bytes.len() - 3, 2),
        },
        [_, kind, ..] if kind != function => Shape::Never,
        _ if matches!(function, 1..=4) => {
            let data = match function {
                1 | 2 => count.div_ceil(8),
                _ => count.saturating_mul(2),
            };
            match (u8::try_from(data), bytes.len()) {
                (Ok(data), 2) => Shape::Only(data),
                (Ok(data), length) => whole_if(true, length - 3, usize::from(data) + 2),
                _ => Shape::Never,
            }
        }
        _ => match [a, b, c, d].get(bytes.len() - 2) {
            Some(echo) => Shape::Only(*echo),
            None => whole_if(true, bytes.len() - 6, 2),
        },
    }
}

fn open_if(fits: bool) -> Shape {
    if fits { Shape::Open } else { Shape::Never }
}

fn only_if(fits: bool, byte: u8) -> Shape {
    if fits {
        Shape::Only(byte)
    } else {
        Shape::Never
    }
}

/// Whole once `needed` bytes stand behind the part that was looked at.
fn whole_if(fits: bool, there: usize, needed: usize) -> Shape {
    match there.cmp(&needed) {
        _ if !fits => Shape::Never,
        std::cmp::Ordering::Less => Shape::Open,
        std::cmp::Ordering::Equal => Shape::Whole,
        std::cmp::Ordering::Greater => Shape::Never,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Grows the frame byte by byte: every beginning must stay possible, the end must be whole.
    fn check(wanted: Wanted<'_>, frame: &[u8]) {
        for length in 0..frame.len() {
            match shape(wanted, &frame[..length]) {
                Shape::Open => {}
                Shape::Only(byte) => assert_eq!(byte, frame[length], "{frame:02x?} at {length}"),
                other => panic!("{frame:02x?} cut to {length}: {other:?}"),
            }
        }
        assert_eq!(shape(wanted, frame), Shape::Whole, "{frame:02x?}");
    }

    // Kind:   published
    // Source: Modbus Application Protocol V1.1b3, sections 6.1 to 6.6, 6.11, 6.12, 7; unit 11 hex
    //         added, the check value left as zero (it is not looked at here)
    #[test]
    fn accepts_the_examples_of_the_standard() {
        let cases: [(&[u8], &[u8]); 8] = [
            (
                &[0x11, 1, 0, 0x13, 0, 0x13, 0, 0],
                &[0x11, 1, 3, 0xcd, 0x6b, 5, 0, 0],
            ),
            (
                &[0x11, 2, 0, 0xc4, 0, 0x16, 0, 0],
                &[0x11, 2, 3, 0xac, 0xdb, 0x35, 0, 0],
            ),
            (
                &[0x11, 3, 0, 0x6b, 0, 3, 0, 0],
                &[0x11, 3, 6, 2, 0x2b, 0, 0, 0, 0x64, 0, 0],
            ),
            (&[0x11, 4, 0, 8, 0, 1, 0, 0], &[0x11, 4, 2, 0, 0x0a, 0, 0]),
            (
                &[0x11, 5, 0, 0xac, 0xff, 0, 0, 0],
                &[0x11, 5, 0, 0xac, 0xff, 0, 0, 0],
            ),
            (&[0x11, 6, 0, 1, 0, 3, 0, 0], &[0x11, 6, 0, 1, 0, 3, 0, 0]),
            (
                &[0x11, 16, 0, 1, 0, 2, 4, 0, 0x0a, 1, 2, 0, 0],
                &[0x11, 16, 0, 1, 0, 2, 0, 0],
            ),
            (&[0x11, 1, 4, 0xa1, 0, 1, 0, 0], &[0x11, 0x81, 2, 0, 0]),
        ];
        for (request, answer) in cases {
            check(Wanted::Request, request);
            check(Wanted::AnswerTo(request), answer);
        }
    }

    #[test]
    fn refuses_counts_beyond_the_standard_and_foreign_answers() {
        // Kind:   published
        // Source: V1.1b3, 6.3: 1 to 125 registers; 6.1: 1 to 2000 coils
        let never: [&[u8]; 5] = [
            &[0],
            &[248],
            &[1, 7],
            &[1, 3, 0, 0, 0, 126],
            &[1, 1, 0, 0, 7, 0xd1],
        ];
        for bytes in never {
            assert_eq!(shape(Wanted::Request, bytes), Shape::Never, "{bytes:02x?}");
        }
        let asked = [0x11, 3, 0, 0x6b, 0, 3, 0, 0];
        assert_eq!(shape(Wanted::AnswerTo(&asked), &[0x11, 4]), Shape::Never);
    }
}
