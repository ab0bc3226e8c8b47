//! Searches what a sender with other settings must have sent to give what we received.
//!
//! Input: characters as received, the settings of our port, and a [`Hypothesis`] about the sender.
//! Output: the frames that a sender under this hypothesis can have sent, and how many check values
//! had to be looked at, since each of them fits by accident once in 65536.
//!
//! # How it works
//! The sender's line is built bit by bit and heard by a [`Receiver`] with our settings. A bit that
//! makes the receiver get anything else than what was received ends that path. Where our receiver
//! sampled nothing (after its stop bit, until the next start edge) both values of a bit live on:
//! that is the search over unknown idle lengths. The start and stop bits, the parity and the
//! [`Shape`] of a frame end most wrong paths early.
//!
//! # Invariants
//! - Bounded: no more than [`STEPS_PER_HYPOTHESIS`] bytes are tried, whatever was received, and
//!   [`STEPS_PER_FIND`] for each frame found.
//! - A check value is looked at only after all paths of a frame are known to be few.
//! - An answer counts only behind its request.
//!
//! Does not: judge how sure the result is (see the parent), or mend damaged frames.

use std::collections::BTreeSet;
use std::time::Duration;

use packside_profiles::LineSettings;

use super::shape::{Shape, Wanted, shape};
use crate::listen::waveform::{Mark, Received, Receiver, Sampled, common_clock, parity_bit};
use crate::wire::is_sealed;

/// Reads this far apart may be two exchanges; adapters hold bytes back for up to 16 ms.
const PAUSE: Duration = Duration::from_millis(40);
/// Bytes tried per frame: where the times show the places, and where every place is tried.
const STEPS_PER_FRAME: u32 = 2_000;
const STEPS_PER_FRAME_ANYWHERE: u32 = 500;
/// Bytes tried for each place where a request may begin, on average.
const STEPS_PER_START: u32 = 200;
/// Bytes tried in all, per hypothesis, and how many more each frame found is worth.
pub(super) const STEPS_PER_HYPOTHESIS: u32 = 30_000;
const STEPS_PER_FIND: u32 = 3_000;
/// More ways than this to read a frame prove nothing.
const MOST_WAYS: usize = 64;
/// Ways kept until those are left out that the following answer does not fit.
const MOST_RAW_WAYS: usize = 1_000;
/// A request that can be read in no more ways than this may go unanswered.
const FEW_WAYS: usize = 4;
/// Bytes of the answer that must fit behind a request.
const ANSWER_BEGIN: usize = 5;

/// How the line may really be.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Hypothesis {
    /// The settings of the senders.
    pub settings: LineSettings,
    /// The two wires of the pair are swapped at our end.
    pub is_swapped: bool,
}

/// What a hypothesis makes of the received characters.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub(super) struct Cut {
    /// Frames in order.
    pub(super) frames: Vec<Vec<u8>>,
    /// How many received characters they explain.
    pub(super) characters: usize,
}

/// Cuts the received characters as this hypothesis would have it.
///
/// `looked_at` gathers the frames whose check value was looked at, over all hypotheses: the same
/// bytes a second time are no second chance for an accident.
pub(super) fn recut(
    received: &[Received],
    ours: LineSettings,
    hypothesis: Hypothesis,
    looked_at: &mut BTreeSet<Vec<u8>>,
) -> Cut {
    let clock = common_clock(ours.baud, hypothesis.settings.baud);
    let starts = starts(received);
    let share = u32::try_from(starts.len())
        .unwrap_or(u32::MAX)
        .saturating_mul(STEPS_PER_START);
    let mut search = Search {
        received,
        hypothesis,
        bit: clock / u64::from(hypothesis.settings.baud.max(1)),
        fresh: Receiver::new(ours, clock, true),
        ours,
        steps_per_frame: match starts.len() == received.len() {
            true => STEPS_PER_FRAME_ANYWHERE,
            false => STEPS_PER_FRAME,
        },
        steps_left: share.min(STEPS_PER_HYPOTHESIS),
        looked_at,
    };
    let mut cut = Cut::default();
    let mut end = 0;
    for start in starts {
        if start < end || search.steps_left == 0 {
            continue;
        }
        if let Some((request, behind)) = search.frame(start, Wanted::Request, &mut cut) {
            end = search.answer(&request, behind, &mut cut);
        }
    }
    cut
}

/// Where a request may begin: after a pause of the reads, or anywhere if the times show none.
///
/// A hint that saves most of the work, no proof: adapters hold bytes back, but the pauses between
/// the exchanges of a polling client are longer than that.
fn starts(received: &[Received]) -> Vec<usize> {
    let later = received.iter().enumerate().skip(1);
    let paused: Vec<usize> = later
        .zip(received)
        .filter(|((_, this), before)| {
            let times = this.at.zip(before.at);
            times.is_some_and(|(this, before)| this.saturating_sub(before) >= PAUSE)
        })
        .map(|((place, _), _)| place)
        .collect();
    if paused.len() >= 3 {
        return paused;
    }
    (0..received.len()).collect()
}

struct Search<'a> {
    received: &'a [Received],
    hypothesis: Hypothesis,
    /// Ticks of one bit of the sender.
    bit: u64,
    /// Our receiver on an idle line.
    fresh: Receiver,
    ours: LineSettings,
    steps_per_frame: u32,
    steps_left: u32,
    looked_at: &'a mut BTreeSet<Vec<u8>>,
}

/// A frame, and which received character comes behind it.
type Way = (Vec<u8>, usize);

/// A point on a path: our receiver there, and which received character it is at.
#[derive(Debug, Clone, Copy)]
struct Point {
    receiver: Receiver,
    next: usize,
}

/// A byte that fits at the end of a path.
#[derive(Debug, Clone, Copy)]
struct Step {
    point: Point,
    /// How many bytes the path has with this one.
    length: usize,
    byte: u8,
}

impl Search<'_> {
    /// The answer, directly or one stray character behind its request. Gives where to go on.
    fn answer(&mut self, request: &[u8], end: usize, cut: &mut Cut) -> usize {
        let wanted = Wanted::AnswerTo(request);
        [end, end + 1]
            .into_iter()
            .find_map(|start| self.frame(start, wanted, cut))
            .map_or(end, |(_, end)| end)
    }

    /// The one frame that can begin with this received character, and where it ends.
    fn frame(
        &mut self,
        start: usize,
        wanted: Wanted<'_>,
        cut: &mut Cut,
    ) -> Option<(Vec<u8>, usize)> {
        let ways = self
            .ways(start, wanted)
            .map(|ways| self.answered(ways, wanted));
        let ways = ways.filter(|ways| ways.len() <= MOST_WAYS)?;
        self.looked_at
            .extend(ways.iter().map(|(frame, _)| frame.clone()));
        let mut sealed = ways.into_iter().filter(|(frame, _)| is_sealed(frame));
        let (frame, end) = sealed.next()?;
        if sealed.next().is_some() {
            return None;
        }
        cut.characters += end - start;
        cut.frames.push(frame.clone());
        self.steps_left += STEPS_PER_FIND;
        Some((frame, end))
    }

    /// Leaves out the requests that what follows cannot answer. A request that can be read in few
    /// ways only needs no answer.
    fn answered(&mut self, ways: Vec<Way>, wanted: Wanted<'_>) -> Vec<Way> {
        if ways.len() <= 1 || !matches!(wanted, Wanted::Request) {
            return ways;
        }
        let fitting: Vec<Way> = ways
            .iter()
            .filter(|(request, end)| self.can_begin(*end, Wanted::AnswerTo(request)))
            .cloned()
            .collect();
        if fitting.is_empty() && ways.len() <= FEW_WAYS {
            ways
        } else {
            fitting
        }
    }

    /// Whether the first bytes of this frame can stand here.
    fn can_begin(&mut self, start: usize, wanted: Wanted<'_>) -> bool {
        let mut begins = false;
        self.walk(start, wanted, &mut |bytes, _| {
            begins = bytes.len() >= ANSWER_BEGIN;
            !begins
        });
        begins
    }

    /// All ways to read a frame here, unless they are too many to go through.
    fn ways(&mut self, start: usize, wanted: Wanted<'_>) -> Option<Vec<Way>> {
        let mut ways = Vec::new();
        let mut ends = Vec::new();
        let is_through = self.walk(start, wanted, &mut |bytes, point| {
            if shape(wanted, bytes) == Shape::Whole {
                ways.push(bytes.to_vec());
                ends.push(point);
            }
            ways.len() <= MOST_RAW_WAYS
        });
        let ends = ends.into_iter().map(|point| self.end(point));
        let ways = ways.into_iter().zip(ends);
        is_through.then(|| ways.filter_map(|(way, end)| Some((way, end?))).collect())
    }

    /// Visits every path that can begin a frame here, byte by byte, until the visitor or the budget
    /// ends it. Gives whether all were visited.
    fn walk(
        &mut self,
        start: usize,
        wanted: Wanted<'_>,
        visit: &mut impl FnMut(&[u8], Point) -> bool,
    ) -> bool {
        let mut bytes: Vec<u8> = Vec::new();
        let mut open = Vec::new();
        let first = Point {
            receiver: self.fresh,
            next: start,
        };
        self.extend(first, &bytes, wanted, &mut open);
        for _ in 0..self.steps_per_frame {
            let Some(step) = open.pop() else {
                return true;
            };
            self.steps_left = self.steps_left.saturating_sub(1);
            bytes.truncate(step.length - 1);
            bytes.push(step.byte);
            if !visit(&bytes, step.point) {
                return false;
            }
            self.extend(step.point, &bytes, wanted, &mut open);
        }
        false
    }

    /// Adds every byte that can follow.
    fn extend(&self, point: Point, bytes: &[u8], wanted: Wanted<'_>, open: &mut Vec<Step>) {
        let only = match shape(wanted, bytes) {
            Shape::Open => None,
            Shape::Only(byte) => Some(byte),
            Shape::Never | Shape::Whole => return,
        };
        let Some(point) = self.drive(point, false, 1) else {
            return;
        };
        let length = bytes.len() + 1;
        self.data(
            Step {
                point,
                length,
                byte: 0,
            },
            0,
            only,
            open,
        );
    }

    /// Tries both values of a data bit and goes on to the next one.
    fn data(&self, step: Step, place: u8, only: Option<u8>, open: &mut Vec<Step>) {
        if place == 8 {
            open.extend(self.finish(step));
            return;
        }
        for value in [false, true] {
            if only.is_some_and(|byte| (byte >> place & 1 == 1) != value) {
                continue;
            }
            if let Some(point) = self.drive(step.point, value, 1) {
                let byte = step.byte | u8::from(value) << place;
                self.data(
                    Step {
                        point,
                        byte,
                        ..step
                    },
                    place + 1,
                    only,
                    open,
                );
            }
        }
    }

    /// Parity and stop bits of a character.
    fn finish(&self, step: Step) -> Option<Step> {
        let settings = self.hypothesis.settings;
        let mut point = step.point;
        if let Some(parity) = parity_bit(step.byte, settings.parity) {
            point = self.drive(point, parity, 1)?;
        }
        point = self.drive(point, true, settings.stop_bits)?;
        Some(Step { point, ..step })
    }

    /// Lets our receiver hear some bits of one value; `None` if it would have got anything else.
    fn drive(&self, mut point: Point, value: bool, bits: u8) -> Option<Point> {
        let level = value != self.hypothesis.is_swapped;
        self.hear(&mut point, level, self.bit * u64::from(bits))
            .then_some(point)
    }

    fn hear(&self, point: &mut Point, level: bool, ticks: u64) -> bool {
        let mut fits = true;
        let next = &mut point.next;
        point.receiver.hear(level, ticks, |sampled| {
            let received = self.received.get(*next);
            fits &= received.is_some_and(|received| agrees(sampled, *received, self.ours));
            *next += 1;
        });
        let inside = point.receiver.inside();
        fits && inside.is_none_or(|inside| {
            let received = self.received.get(point.next);
            received.is_some_and(|received| inside.may_become(received.byte))
        })
    }

    /// Which received character comes behind a frame, if the idle line completes the last one right.
    ///
    /// On a swapped pair the idle level depends on the bias, so what it adds is not looked at.
    fn end(&self, mut point: Point) -> Option<usize> {
        if self.hypothesis.is_swapped {
            return Some(point.next + usize::from(point.receiver.inside().is_some()));
        }
        let ticks = point.receiver.character_ticks() + self.bit;
        self.hear(&mut point, true, ticks).then_some(point.next)
    }
}

/// Whether a sampled character is the received one, as far as it was sampled surely.
fn agrees(sampled: Sampled, received: Received, ours: LineSettings) -> bool {
    let is_sure = |place: u8| sampled.unsure >> place & 1 == 0;
    let [unsure_data, _] = sampled.unsure.to_le_bytes();
    if (sampled.byte ^ received.byte) & !unsure_data != 0 {
        return false;
    }
    let expected = parity_bit(received.byte, ours.parity);
    let stop_place = if expected.is_some() { 9 } else { 8 };
    let parity = (expected.is_none() || is_sure(8)).then_some(sampled.parity == expected);
    let stop = is_sure(stop_place).then_some(sampled.stop);
    match received.mark {
        Mark::Unknown => true,
        Mark::Good => parity != Some(false) && stop != Some(false),
        Mark::Bad => parity != Some(true) || stop != Some(true),
        Mark::Parity => parity != Some(true),
        Mark::Framing | Mark::Break => stop != Some(true),
    }
}
