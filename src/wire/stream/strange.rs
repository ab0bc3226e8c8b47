//! Frames of which no standard says what they look like, in the bytes between known ones.
//!
//! Input: a gap, and what stands on either side of it. Output: which windows of it are frames, and who
//! asks and who answers among them. Does not: look for known frames (see [`super`]).
//!
//! # Why bits
//! A window with a right CRC is an accident one time in 2^16, and many are tried. So each has 16 bits
//! of evidence, less what was free to choose: where it begins, unless something ends just there, and
//! how long it is, unless something begins just behind. Windows that meet share a border. A shape
//! that comes again, and a frame that the next one can answer, are evidence of their own. What has
//! [`ENOUGH`] bits is a frame.
//!
//! # Who asks
//! The one that is followed by a frame of its unit and function, or by its refusal: they take turns. Where
//! an odd number of one function is left until something else is said, one of them stood alone: a frame
//! as long as the one before, with another length behind it, is then the next question and not an
//! answer. Where nothing decides it stays [`PieceKind::Unknown`].

use super::*;
use crate::wire::window::sealed_windows;

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
    fn frames(&mut self, gap: &[u8], sides: (Side, Side), behind: &[u8]) -> Vec<(usize, usize)> {
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
fn may_answer(request: &[u8], next: &[u8]) -> bool {
    let ([unit, asked, ..], [other, said, ..]) = (request, next) else {
        return false;
    };
    unit == other && *asked < 0x80 && (said == asked || *said == asked | 0x80 && next.len() == 5)
}

impl Stream {
    /// Gives out the frames of unknown functions that end or lie between `decided` and `end`, with
    /// the noise before each. `next` is the known frame that begins at `end`.
    pub(super) fn strange(
        &mut self,
        end: usize,
        (right, next): (Side, (usize, usize)),
        most: usize,
        give: &mut dyn FnMut(Piece<'_>),
    ) {
        let start = self.decided;
        if end - start < SHORTEST || end - start > GAP {
            return;
        }
        let left = match (self.noise_is_cut, self.frame_before) {
            (true, _) => Side::Bytes,
            (false, true) => Side::Frame,
            (false, false) => Side::Silence,
        };
        let gap = self.bytes.get(start..end).unwrap_or_default();
        let behind = self.bytes.get(next.0..next.1).unwrap_or_default();
        let frames = self.strange.frames(gap, (left, right), behind);
        let mut frames: Vec<(usize, usize)> =
            frames.iter().map(|(a, b)| (a + start, b + start)).collect();
        if frames.is_empty() {
            return;
        }
        self.strange.is_spoken = true;
        self.settle_deferred(None, give);
        frames.push(next);
        for at in 0..frames.len() - 1 {
            let Some([this, rest @ ..]) = frames.get(at..) else {
                break;
            };
            if this.1 - start > most {
                break;
            }
            if this.0 > self.decided {
                self.asked.noise += this.0 - self.decided;
                self.emit(self.decided, this.0, PieceKind::Noise, give);
            }
            let kind = self.strange_kind(*this, rest);
            self.tell(this.0, this.1, kind, give);
            self.decided = this.1;
            self.noise_is_cut = false;
            self.frame_before = true;
            self.strange.is_searched = false;
        }
    }

    /// Whether an odd number of frames like this one follow each other, the question before it not counted.
    fn one_stands_alone(&self, here: &[u8], rest: &[(usize, usize)]) -> bool {
        let mut end = None;
        let alike = rest.iter().take_while(|(from, to)| {
            let next = self.bytes.get(*from..*to).unwrap_or_default();
            let is_alike = next.first_chunk::<2>() == here.first_chunk::<2>();
            end = (!is_alike).then_some(next);
            is_alike
        });
        let is_odd = alike.count() % 2 == 1;
        // Beyond the end of what is known nothing can be counted.
        end.is_some_and(|next| !next.is_empty()) && is_odd
    }

    /// Who speaks, as far as the frames on either side say so.
    fn strange_kind(&self, this: (usize, usize), rest: &[(usize, usize)]) -> PieceKind {
        let bytes = |(from, to): (usize, usize)| self.bytes.get(from..to).unwrap_or_default();
        let here = bytes(this);
        let code = here.get(1).copied().unwrap_or_default();
        let is_near = |from: usize, to: usize| to.saturating_sub(from) <= SPLINTERS;
        let next = rest
            .first()
            .filter(|next| is_near(this.1, next.0) && next.1 > next.0);
        let follows = next.is_some_and(|next| may_answer(here, bytes(*next)));
        let waited = self.time_of(this.0).saturating_sub(self.asked.at);
        let is_due = self.asked.noise <= SPLINTERS && waited <= ANSWER_WAIT;
        let asked = &self.asked.frame;
        if is_due && may_answer(asked, here) {
            if code >= 0x80 {
                return PieceKind::Exception { answers: true };
            }
            let asks_on = asked.len() == here.len()
                && next.is_some_and(|next| follows && next.1 - next.0 != here.len())
                && self.one_stands_alone(here, rest);
            let may_be = !shape::is_public(code) || shape::answers_oddly(asked, here);
            if !asks_on && may_be {
                return PieceKind::Answer { answers: true };
            }
        }
        match code {
            0x80.. if here.len() == 5 => PieceKind::Exception { answers: false },
            0x80.. => PieceKind::Unknown,
            _ if follows => PieceKind::Request,
            _ => PieceKind::Unknown,
        }
    }
}
