//! Which windows of a gap between known frames are frames, though no standard says what they look like.
//!
//! Input: the bytes of a gap, and what stands on either side. Output: windows. Does not: say who speaks,
//! or look for known frames (see [`super::Stream`]).
//!
//! # Why bits
//! A window with a right CRC is an accident one time in 2^16, and many are tried. So each has 16 bits
//! of evidence, less what was free to choose: where it begins, unless something ends just there, and
//! how long it is, unless something begins just behind. Windows that meet share a border. A shape
//! that comes again, and a frame that the next one can answer, are evidence of their own. What has
//! [`ENOUGH`] bits is a frame.

use std::collections::VecDeque;

use super::shape::LONGEST;
use super::window::sealed_windows;

/// What a right CRC is worth, and what makes a frame.
const SEAL: i32 = 16;
const ENOUGH: i32 = 16;
/// Free to choose: where it begins in a gap, how long it is, and either beside a silence.
const ANYWHERE: i32 = 9;
const ANY_LENGTH: i32 = 8;
const BESIDE_SILENCE: i32 = 4;
/// Unit and function are among those seen before, and the length as well.
const SEEN: i32 = 12;
const SEEN_SO_LONG: i32 = 4;
/// Unit and function come again in the next frame.
const ANSWERED: i32 = 15;
/// Longest gap that is looked into at once.
pub(super) const GAP: usize = 2 * LONGEST;
/// Frames of unknown functions that are remembered.
const SHAPES: usize = 16;

/// Unit, function and length.
type Shape = (u8, u8, usize);

/// What stands beside a gap.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Side {
    /// A frame that is known.
    Frame,
    /// The begin or the end of all, or a long pause.
    Silence,
    /// More bytes that are no frame.
    Bytes,
}

impl Side {
    fn cost(self, free: i32) -> i32 {
        match self {
            Self::Frame => 0,
            Self::Silence => BESIDE_SILENCE,
            Self::Bytes => free,
        }
    }
}

/// A row of windows that meet.
#[derive(Debug, Clone, Default)]
struct Row {
    bits: i32,
    windows: Vec<(usize, usize)>,
}

/// What is remembered of such frames.
#[derive(Debug, Clone, Default)]
pub(super) struct Strange {
    shapes: VecDeque<Shape>,
    /// Such frames are spoken here.
    pub(super) is_spoken: bool,
    /// The run of bytes that goes on now was looked into.
    pub(super) is_searched: bool,
}

impl Strange {
    fn seen(&self, (unit, function, length): Shape) -> i32 {
        let mut shapes = self
            .shapes
            .iter()
            .filter(|(u, f, _)| (*u, *f) == (unit, function));
        match shapes.next() {
            None => 0,
            Some((_, _, first)) if *first == length => SEEN + SEEN_SO_LONG,
            Some(_) if shapes.any(|(.., other)| *other == length) => SEEN + SEEN_SO_LONG,
            Some(_) => SEEN,
        }
    }

    fn keep(&mut self, shape: Shape) {
        if self.shapes.contains(&shape) {
            return;
        }
        if self.shapes.len() >= SHAPES {
            self.shapes.pop_front();
        }
        self.shapes.push_back(shape);
    }

    /// The frames of a gap, in order. `behind` is the known frame that follows.
    pub(super) fn frames(
        &mut self,
        gap: &[u8],
        sides: (Side, Side),
        behind: &[u8],
    ) -> Vec<(usize, usize)> {
        let mut windows = sealed_windows(gap);
        let shape = |(from, to): &(usize, usize)| -> Option<Shape> {
            let unit = gap.get(*from)?;
            let function = gap.get(from + 1)?;
            Some((*unit, *function, to - from))
        };
        windows.sort_by_key(|(_, to)| *to);
        let rows = self.rows(gap, &windows, sides, behind);
        let best = rows.iter().max_by_key(|row| row.bits);
        let Some(best) = best.filter(|row| row.bits >= ENOUGH) else {
            for (window, row) in windows.iter().zip(&rows) {
                // Half the evidence: a second one of its kind will do.
                if row.bits >= ENOUGH / 2 && row.windows.len() == 1 {
                    self.shapes_of(shape(window));
                }
            }
            return Vec::new();
        };
        for window in &best.windows {
            self.shapes_of(shape(window));
        }
        let (from, to) = match best.windows.as_slice() {
            [(from, to)] => (*from, *to),
            [(from, _), .., (_, to)] => (*from, *to),
            [] => return Vec::new(),
        };
        let before = gap.get(..from).unwrap_or_default();
        let after = gap.get(to..).unwrap_or_default();
        let next = best
            .windows
            .first()
            .and_then(|(from, to)| gap.get(*from..*to));
        let mut all = self.frames(before, (sides.0, Side::Frame), next.unwrap_or_default());
        all.extend(&best.windows);
        let later = self.frames(after, (Side::Frame, sides.1), behind);
        all.extend(later.iter().map(|(a, b)| (a + to, b + to)));
        all
    }

    fn shapes_of(&mut self, shape: Option<Shape>) {
        if let Some(shape) = shape {
            self.keep(shape);
        }
    }

    /// The best row that ends with each window.
    fn rows(
        &self,
        gap: &[u8],
        windows: &[(usize, usize)],
        (left, right): (Side, Side),
        behind: &[u8],
    ) -> Vec<Row> {
        let bytes = |(from, to): (usize, usize)| gap.get(from..to).unwrap_or_default();
        let mut open: Vec<Row> = Vec::with_capacity(windows.len());
        for window in windows {
            let (from, to) = *window;
            let here = bytes(*window);
            let [unit, function, ..] = here else {
                continue;
            };
            let start = if from == 0 {
                left.cost(ANYWHERE)
            } else {
                ANYWHERE
            };
            let mut best = Row {
                bits: -start,
                windows: Vec::new(),
            };
            for row in &open {
                let Some(last) = row.windows.last().filter(|(_, end)| *end == from) else {
                    continue;
                };
                let answered = if may_answer(bytes(*last), here) {
                    ANSWERED
                } else {
                    0
                };
                let bits = row.bits - ANY_LENGTH + answered;
                if bits > best.bits {
                    best = Row {
                        bits,
                        windows: row.windows.clone(),
                    };
                }
            }
            best.bits += SEAL + self.seen((*unit, *function, to - from));
            best.windows.push(*window);
            open.push(best);
        }
        for row in &mut open {
            let Some(last) = row.windows.last().copied() else {
                continue;
            };
            let ends_it = last.1 == gap.len();
            row.bits -= if ends_it {
                right.cost(ANY_LENGTH)
            } else {
                ANY_LENGTH
            };
            if ends_it && may_answer(bytes(last), behind) {
                row.bits += ANSWERED;
            }
        }
        open
    }
}

/// Whether a frame can be answered by the next one, of which only unit and function are known.
pub(super) fn may_answer(request: &[u8], next: &[u8]) -> bool {
    let ([unit, asked, ..], [other, said, ..]) = (request, next) else {
        return false;
    };
    unit == other && *asked < 0x80 && (said == asked || *said == asked | 0x80 && next.len() == 5)
}

#[cfg(test)]
mod tests {
    use super::super::crc::sealed;
    use super::*;

    fn found(gap: &[u8], sides: (Side, Side), behind: &[u8]) -> Vec<(usize, usize)> {
        Strange::default().frames(gap, sides, behind)
    }

    // Kind: derived (bits of evidence as this file counts them)
    #[test]
    fn window_needs_what_is_not_free_to_choose() {
        let strange = sealed(vec![7, 0x65, 1, 2, 3, 4, 5]);
        let noise = [0x55, 0xaa, 0x55];
        let length = strange.len();
        let tight = (Side::Frame, Side::Frame);
        // Between two frames nothing is free; before noise its length is.
        assert_eq!(found(&strange, tight, &[]), [(0, length)]);
        assert_eq!(found(&[&*strange, &noise].concat(), tight, &[]), []);
        assert_eq!(found(&strange, (Side::Bytes, Side::Bytes), &[]), []);
        // Its refusal behind it, or a second one of its kind.
        let refusal = sealed(vec![7, 0xe5, 1]);
        let both = [&noise, &*strange, &refusal, &noise].concat();
        assert_eq!(
            found(&both, (Side::Bytes, Side::Bytes), &[]),
            [(3, 3 + length), (3 + length, 8 + length)]
        );
        let mut known = Strange::default();
        let one = [&*strange, &noise].concat();
        assert_eq!(known.frames(&one, tight, &[]), []);
        assert_eq!(known.frames(&one, tight, &[]), [(0, length)]);
    }

    // Kind: derived (2^-16 a window, some 200 windows in gaps as long as these)
    #[test]
    fn random_gaps_hold_no_frames() {
        let mut state = 88_172_645_463_325_252_u64;
        let mut byte = || {
            state ^= state << 13;
            state ^= state >> 7;
            state ^= state << 17;
            state.to_le_bytes()[3]
        };
        let mut strange = Strange::default();
        let mut frames = 0;
        for round in 0..2_000 {
            let gap: Vec<u8> = (0..4 + round % 40).map(|_| byte()).collect();
            frames += strange.frames(&gap, (Side::Frame, Side::Frame), &[]).len();
        }
        assert!(frames <= 2, "{frames}");
    }
}
