//! What bytes between frames are: a damaged frame, another protocol, or neither for certain.
//!
//! Input: runs of bytes that are no frame, and the frames around them. Output: counts. Does not: say
//! what is wrong with a line (see [`super::picture()`]).
//!
//! # What proves damage
//! That bytes fail their check is no proof: another protocol does so as well, and so does a function
//! whose frames nobody knows. A run is a damaged frame where it begins like the answer that was due
//! just then; like the question to an answer behind it that nobody asked for; or where four bytes in a
//! row are the begin or the end of a frame that was heard whole. That is an accident once in millions.
//!
//! # What proves another protocol
//! Readable text; or runs that begin alike and are equally long or end alike, where no frame begins
//! so: no damage makes the same bytes twice.
//!
//! # What counts
//! Only runs of four bytes and more that stand between frames: a recording may begin and end anywhere.

use std::collections::{BTreeMap, VecDeque};

/// Noise of so many bytes may have been a frame; less is what drivers leave on the line.
const COULD_BE_A_FRAME: usize = 4;
/// Bytes of a run that are kept.
const KEPT: usize = 300;
/// Frames that were heard whole and are remembered: requests, and answers.
const FRAMES: usize = 48;
/// Bytes in a row that are no accident.
const TRACE: usize = 4;
/// Ways to begin that are remembered.
const BEGINS: usize = 64;
/// Bytes of text that are no accident.
const TEXT: usize = 8;

/// Counts of runs.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(super) struct Counted {
    /// Damaged frames, proven.
    pub(super) damaged: u64,
    /// Of another protocol.
    pub(super) foreign: u64,
    /// Neither for certain.
    pub(super) open: u64,
}

/// How a run begins and goes on: its first two bytes, its length and its last byte.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Mark {
    length: usize,
    last: u8,
    /// Another run was like it.
    is_again: bool,
}

/// Looks at runs of bytes that are no frame.
#[derive(Debug, Clone, Default)]
pub(super) struct Noise {
    run: Vec<u8>,
    length: usize,
    /// Begin of the answer that was due when the run began.
    due: Vec<u8>,
    /// A frame stands before it.
    is_behind_frame: bool,
    /// First and last bytes of frames, newest last.
    traces: VecDeque<[u8; TRACE]>,
    /// Unit and function of frames.
    heads: VecDeque<[u8; 2]>,
    marks: BTreeMap<[u8; 2], Vec<Mark>>,
    counted: Counted,
}

impl Noise {
    /// More bytes that are no frame; `open` is the request that waits.
    pub(super) fn take(&mut self, bytes: &[u8], open: Option<&[u8]>) {
        if self.length == 0 {
            self.due.clear();
            self.due.extend(open.map(due).unwrap_or_default());
        }
        self.length += bytes.len();
        let room = KEPT.saturating_sub(self.run.len());
        self.run.extend(bytes.iter().take(room));
    }

    /// A frame: the run before it is over, and the frame is remembered. `is_unasked` where it answers
    /// nothing that was heard.
    pub(super) fn frame(&mut self, frame: &[u8], is_unasked: bool) {
        if self.length >= COULD_BE_A_FRAME && self.is_behind_frame {
            let behind = if is_unasked { frame } else { &[] };
            self.judge(behind);
        }
        self.run.clear();
        (self.length, self.is_behind_frame) = (0, true);
        let ends = [frame.first_chunk::<TRACE>(), frame.last_chunk::<TRACE>()];
        for trace in ends.into_iter().flatten() {
            remember(&mut self.traces, *trace, FRAMES * 2);
        }
        if let Some(head) = frame.first_chunk::<2>() {
            remember(&mut self.heads, *head, FRAMES);
        }
    }

    pub(super) fn counted(&self) -> Counted {
        self.counted
    }

    fn judge(&mut self, answer_behind: &[u8]) {
        if self.is_damaged() || was_its_question(&self.run, answer_behind) {
            self.counted.damaged += 1;
        } else if is_text(&self.run) {
            self.counted.foreign += 1;
        } else {
            self.compare();
        }
    }

    fn is_damaged(&self) -> bool {
        // Splinters may stand before it.
        let begins_due = |at: usize| {
            self.run
                .get(at..)
                .is_some_and(|run| run.starts_with(&self.due))
        };
        let is_due = self.due.len() >= 3 && (0..4).any(begins_due);
        let is_refusal = match (&*self.run, &*self.due) {
            ([unit, refused, _, _, _], [due, asked, ..]) => unit == due && *refused == asked | 0x80,
            _ => false,
        };
        let mut windows = self.run.windows(TRACE);
        is_due
            || is_refusal
            || windows.any(|window| self.traces.iter().any(|trace| trace == window))
    }

    /// Whether it is like a run before: then both are of another protocol.
    fn compare(&mut self) {
        let (Some(begin), Some(last)) = (self.run.first_chunk::<2>(), self.run.last()) else {
            return;
        };
        if self.heads.contains(begin) {
            self.counted.open += 1;
            return;
        }
        if !self.marks.contains_key(begin) && self.marks.len() >= BEGINS {
            self.marks.pop_first();
        }
        let marks = self.marks.entry(*begin).or_default();
        let is_like = |mark: &&mut Mark| mark.length == self.length || mark.last == *last;
        match marks.iter_mut().find(is_like) {
            Some(mark) => {
                self.counted.foreign += 1;
                if !std::mem::replace(&mut mark.is_again, true) {
                    self.counted.open = self.counted.open.saturating_sub(1);
                    self.counted.foreign += 1;
                }
            }
            None => {
                self.counted.open += 1;
                if marks.len() < BEGINS {
                    marks.push(Mark {
                        length: self.length,
                        last: *last,
                        is_again: false,
                    });
                }
            }
        }
    }
}

/// Whether a run begins like the question to the answer behind it.
fn was_its_question(run: &[u8], answer: &[u8]) -> bool {
    let ([unit, asked, ..], [other, said, ..]) = (run, answer) else {
        return false;
    };
    unit == other && *asked == said & 0x7f
}

/// The first bytes of the answer to a request; fewer than three where they are not known.
fn due(request: &[u8]) -> Vec<u8> {
    match *request {
        [unit, function @ (1 | 2), _, _, high, low, ..] => {
            let bits = u16::from_be_bytes([high, low]);
            vec![unit, function, bits.div_ceil(8).to_le_bytes()[0]]
        }
        [unit, function @ (3 | 4 | 0x17), _, _, _, low, ..] => {
            vec![unit, function, low.wrapping_mul(2)]
        }
        [unit, function @ (5 | 6 | 8 | 0x0f | 0x10 | 0x16), third, ..] => {
            vec![unit, function, third]
        }
        _ => Vec::new(),
    }
}

/// Keeps it as the newest.
fn remember<T: PartialEq>(known: &mut VecDeque<T>, one: T, most: usize) {
    // What was heard last is most often heard next.
    if known.iter().rev().any(|other| *other == one) {
        return;
    }
    if known.len() >= most {
        known.pop_front();
    }
    known.push_back(one);
}

/// Whether nearly all of it can be read.
pub(super) fn is_text(bytes: &[u8]) -> bool {
    let printable = |byte: &&u8| byte.is_ascii_graphic() || b" \t\r\n".contains(byte);
    bytes.len() >= TEXT && bytes.iter().filter(printable).count() * 100 >= bytes.len() * 95
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wire::sealed;

    fn counted(runs: &[&[u8]]) -> Counted {
        let mut noise = Noise::default();
        let ask = sealed(vec![1, 3, 0, 100, 0, 2]);
        let answer = sealed(vec![1, 3, 4, 0, 10, 0, 20]);
        noise.frame(&ask, false);
        noise.frame(&answer, false);
        for run in runs {
            noise.frame(&ask, false);
            noise.take(run, Some(&ask));
            noise.frame(&ask, false);
        }
        noise.counted()
    }

    // Kind: invented
    #[test]
    fn damage_needs_a_trace_of_the_frame_that_it_was() {
        let count = |damaged, foreign, open| Counted {
            damaged,
            foreign,
            open,
        };
        // Begins like the answer that is due.
        assert_eq!(counted(&[&[1, 3, 4, 0, 99, 0, 20, 7, 7]]), count(1, 0, 0));
        assert_eq!(counted(&[&[0xff, 1, 3, 4, 0, 99]]), count(1, 0, 0));
        // Ends like the request that was heard.
        let mut request = sealed(vec![1, 3, 0, 100, 0, 2]);
        request[0] = 9;
        assert_eq!(counted(&[&request]), count(1, 0, 0));
        // Splinters are nothing, random bytes are open.
        assert_eq!(counted(&[&[0xff, 0, 0]]), count(0, 0, 0));
        assert_eq!(
            counted(&[&[9, 8, 7, 6, 5], &[1, 8, 7, 6, 4]]),
            count(0, 0, 2)
        );
    }

    // Kind: invented
    #[test]
    fn other_protocol_is_text_or_begins_alike_again() {
        assert_eq!(counted(&[b"$T,12.5*33\r\n"]).foreign, 1);
        let telegrams: [&[u8]; 3] = [
            &[0x68, 4, 1, 2, 3, 0x16],
            &[0x68, 4, 9, 9, 9, 0x16],
            &[0x68, 4, 1, 0x16],
        ];
        let counted = counted(&telegrams);
        assert_eq!((counted.foreign, counted.damaged, counted.open), (3, 0, 0));
    }

    // Kind: invented
    #[test]
    fn begin_and_end_of_a_recording_prove_nothing() {
        let mut noise = Noise::default();
        noise.take(&[3, 4, 0, 99, 0, 20], None);
        noise.frame(&sealed(vec![1, 3, 0, 100, 0, 2]), false);
        noise.take(&[1, 3, 4, 0], Some(&[1, 3, 0, 100, 0, 2, 0, 0]));
        assert_eq!(noise.counted(), Counted::default());
    }
}
