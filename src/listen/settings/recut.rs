//! Searches what a sender with other settings must have sent to give what we received.
//!
//! Input: characters as received, the settings of our port, and a [`Hypothesis`] about the sender.
//! Output: the frames that a sender under this hypothesis can have sent, and what chance each place
//! had to give one by accident.
//!
//! # How it works
//! The sender's line is built bit by bit and heard by a [`Receiver`] with our settings. A bit that
//! makes the receiver get anything else than what was received ends that path. Where our receiver
//! sampled nothing (after its stop bit, until the next start edge) both values of a bit live on:
//! that is the search over unknown idle lengths. What can follow at a [`PathPoint`] is computed once.
//!
//! A request can then often be read in hundreds of ways. Left out are those whose answer cannot
//! stand behind them, at every place where the same characters were received: answers differ from
//! time to time, and each of them says again how many registers were asked for. Only then are the
//! check values looked at.
//!
//! # Invariants
//! - Bounded: no more than [`STEPS`] bytes are tried, whatever was received.
//! - Which ways are left out never depends on a check value.
//! - An answer counts only behind its request.
//!
//! Does not: judge how sure the result is (see the parent), or mend damaged frames.

use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

use packside_profiles::LineSettings;

use super::shape::{Shape, Wanted, shape};
use crate::listen::waveform::{Mark, Received, Receiver, Sampled, common_clock, parity_bit};
use crate::wire::is_sealed;

/// Reads this far apart may be two exchanges; adapters hold bytes back for up to 16 ms.
const PAUSE: Duration = Duration::from_millis(40);
/// Bytes tried in all, per hypothesis.
pub(super) const STEPS: u32 = 240_000;
/// Bytes tried for one frame: where the times show the places, and where every place is tried.
const STEPS_PER_FRAME: u32 = 20_000;
const STEPS_PER_FRAME_ANYWHERE: u32 = 2_000;
/// More ways than this to read a frame are not gone through: one of them fits by accident anyway.
const MOST_WAYS: usize = 8_192;
/// A request that can be read in no more ways than this may go unanswered.
const FEW_WAYS: usize = 4;
/// Places with the same characters whose answers are looked at.
const MOST_ANSWERS: usize = 12;
/// Characters of a sender that a request of fixed length has.
const REQUEST: u32 = 8;

/// How the line may really be.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Hypothesis {
    /// The settings of the senders.
    pub settings: LineSettings,
    /// The two wires of the pair are swapped at our end.
    pub is_swapped: bool,
}

/// What a hypothesis makes of the received characters.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct Cut {
    /// Frames in order of the places where they were found first.
    pub(super) frames: Vec<Vec<u8>>,
    /// How many received characters they explain.
    pub(super) characters: usize,
    /// For each place with different characters: the chance that one of its ways fits by accident.
    pub(super) chances: Vec<f64>,
    /// Of those, places with a frame.
    pub(super) hits: usize,
    /// Check values looked at.
    pub(super) windows: u64,
    looked_at: BTreeSet<Vec<u8>>,
}

/// Cuts the received characters as this hypothesis would have it.
pub(super) fn recut(received: &[Received], ours: LineSettings, hypothesis: Hypothesis) -> Cut {
    let clock = common_clock(ours.baud, hypothesis.settings.baud);
    let starts = starts(received);
    let mut search = PathSearch {
        received,
        hypothesis,
        ours,
        bit: clock / u64::from(hypothesis.settings.baud.max(1)),
        fresh: Receiver::new(ours, clock, true),
        has_pauses: starts.len() < received.len(),
        steps_left: STEPS,
        following: BTreeMap::new(),
    };
    let mut cut = Cut::default();
    for places in search.alike(&starts) {
        search.request(&places, &mut cut);
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

/// A place where a request may begin, and where what follows it must end, if the times show that.
#[derive(Debug, Clone, Copy)]
struct RequestStart {
    start: usize,
    until: Option<usize>,
}

/// A frame, and how many received characters it takes.
type FrameTaken = (Vec<u8>, usize);

/// A point on a path: our receiver there, and which received character it is at.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
struct PathPoint {
    receiver: Receiver,
    next: usize,
}

/// A byte that fits at the end of a path.
#[derive(Debug, Clone, Copy)]
struct NextByte {
    point: PathPoint,
    /// How many bytes the path has with this one.
    length: usize,
    byte: u8,
}

struct PathSearch<'a> {
    received: &'a [Received],
    hypothesis: Hypothesis,
    ours: LineSettings,
    /// Ticks of one bit of the sender.
    bit: u64,
    /// Our receiver on an idle line.
    fresh: Receiver,
    has_pauses: bool,
    steps_left: u32,
    /// The bytes that can follow at a point, and where each leads.
    following: BTreeMap<PathPoint, Vec<(u8, PathPoint)>>,
}

impl PathSearch<'_> {
    /// The places where requests may begin, those with the same characters together.
    fn alike(&self, starts: &[usize]) -> Vec<Vec<RequestStart>> {
        let bits = |line: LineSettings| line.bits_per_character();
        let theirs = (REQUEST + 1) * bits(self.hypothesis.settings) * self.ours.baud;
        let reach = theirs / (bits(self.ours) * self.hypothesis.settings.baud.max(1)) + 1;
        let mut by_characters: BTreeMap<Vec<(u8, Mark)>, Vec<RequestStart>> = BTreeMap::new();
        for (index, start) in starts.iter().enumerate() {
            let until = starts.get(index + 1).copied();
            let until = until.filter(|_| self.has_pauses);
            let last = self.received.len().min(start + reach as usize);
            let last = until.map_or(last, |until| until.min(last));
            let key = self.received.get(*start..last).unwrap_or_default();
            let key = key.iter().map(|one| (one.byte, one.mark)).collect();
            let place = RequestStart {
                start: *start,
                until,
            };
            by_characters.entry(key).or_default().push(place);
        }
        let mut all: Vec<Vec<RequestStart>> = by_characters.into_values().collect();
        all.sort_by_key(|places| places.first().map(|place| place.start));
        all
    }

    /// Looks for the one request that these places, which received the same, can be.
    fn request(&mut self, places: &[RequestStart], cut: &mut Cut) {
        let Some(first) = places.first() else { return };
        let Some(mut ways) = self.ways(first.start, Wanted::Request) else {
            return;
        };
        for place in places.iter().take(MOST_ANSWERS) {
            let fitting = self.answered(*place, &ways);
            // None: the answer is missing or damaged, and says nothing of the request.
            if !fitting.is_empty() {
                ways = fitting;
            } else if places.len() == 1 && ways.len() > FEW_WAYS {
                return;
            }
        }
        let Some((request, length)) = cut.test(ways) else {
            return;
        };
        for place in places {
            cut.found(&request, length);
            self.answer(*place, &request, length, cut);
        }
    }

    /// Looks for the answer, directly or one stray character behind its request.
    fn answer(&mut self, place: RequestStart, request: &[u8], length: usize, cut: &mut Cut) {
        let wanted = Wanted::AnswerTo(request);
        let behind = place.start + length;
        for start in [behind, behind + 1] {
            let few = 1..=MOST_WAYS as u64;
            let kinds = [0, 0x80].map(|bit| self.paths(start, wanted, bit, place.until));
            if !few.contains(&(kinds[0].saturating_add(kinds[1]))) {
                continue;
            }
            let Some(mut ways) = self.ways(start, wanted) else {
                continue;
            };
            ways.retain(|(_, length)| is_end(start + length, place.until));
            if let Some((answer, length)) = cut.test(ways) {
                cut.found(&answer, length);
                return;
            }
        }
    }

    /// Leaves out the ways that what was received behind them cannot answer. Nothing at all may
    /// follow, too.
    fn answered(&mut self, place: RequestStart, ways: &[FrameTaken]) -> Vec<FrameTaken> {
        let mut known: BTreeMap<(usize, Vec<u8>), bool> = BTreeMap::new();
        let fits = |way: &&FrameTaken| {
            let (request, length) = way;
            let behind = place.start + length;
            if place.until.is_some() && is_end(behind, place.until) {
                return true;
            }
            // Where a read begins makes no difference to its answer.
            let from = if matches!(request.get(1), Some(1..=4)) {
                4
            } else {
                2
            };
            let asked = [request.get(..2), request.get(from..6)];
            let asked = asked.into_iter().flatten().flatten().copied().collect();
            *known.entry((behind, asked)).or_insert_with(|| {
                let wanted = Wanted::AnswerTo(request);
                [behind, behind + 1].into_iter().any(|start| {
                    let mut paths = |bit| self.paths(start, wanted, bit, place.until);
                    paths(0) > 0 || paths(0x80) > 0
                })
            })
        };
        ways.iter().filter(fits).cloned().collect()
    }

    /// In how many ways an answer can stand here, to its end; `exception` is the bit that makes it
    /// one. Not stricter than [`Self::ways`], and much faster, as paths that meet go on together.
    fn paths(
        &mut self,
        start: usize,
        wanted: Wanted<'_>,
        exception: u8,
        until: Option<usize>,
    ) -> u64 {
        let Wanted::AnswerTo([unit, function, ..]) = wanted else {
            return 0;
        };
        let (unit, function) = (*unit, function | exception);
        let first = PathPoint {
            receiver: self.fresh,
            next: start,
        };
        let mut points = BTreeMap::from([(first, 1_u64)]);
        let mut bytes: Vec<u8> = Vec::new();
        // Which byte comes next is fixed or free, whatever the free ones before it were.
        while !points.is_empty() {
            let only = match (shape(wanted, &bytes), bytes.len()) {
                (Shape::Whole, _) => break,
                (Shape::Never, _) => return 0,
                (_, 0) => Some(unit),
                (_, 1) => Some(function),
                (Shape::Only(byte), _) => Some(byte),
                (Shape::Open, _) => None,
            };
            // 1 stands for every code of an exception, and for data.
            bytes.push(only.unwrap_or(1));
            let cost = u32::try_from(points.len()).unwrap_or(u32::MAX);
            let Some(left) = self.steps_left.checked_sub(cost) else {
                // Not known: neither left out nor few.
                return u64::MAX;
            };
            self.steps_left = left;
            let mut after = BTreeMap::new();
            for (point, count) in points {
                for (byte, point) in self.following(point) {
                    if only.is_none_or(|only| only == *byte) {
                        let sum: &mut u64 = after.entry(*point).or_default();
                        *sum = sum.saturating_add(count);
                    }
                }
            }
            points = after;
        }
        let ends_here = |point| self.end(point).is_some_and(|end| is_end(end, until));
        let ending = points.into_iter().filter(|(point, _)| ends_here(*point));
        ending.fold(0, |sum: u64, (_, count)| sum.saturating_add(count))
    }

    /// All ways to read a frame here, unless they are too many to go through.
    fn ways(&mut self, start: usize, wanted: Wanted<'_>) -> Option<Vec<FrameTaken>> {
        let mut steps = match self.has_pauses {
            true => STEPS_PER_FRAME,
            false => STEPS_PER_FRAME_ANYWHERE,
        };
        let mut ways = Vec::new();
        let mut bytes: Vec<u8> = Vec::new();
        let mut open = Vec::new();
        let first = PathPoint {
            receiver: self.fresh,
            next: start,
        };
        self.extend(first, &bytes, wanted, &mut open);
        while let Some(step) = open.pop() {
            bytes.truncate(step.length - 1);
            bytes.push(step.byte);
            steps = steps.checked_sub(1)?;
            self.steps_left = self.steps_left.checked_sub(1)?;
            if shape(wanted, &bytes) == Shape::Whole {
                let end = self.end(step.point);
                ways.extend(end.map(|end| (bytes.clone(), end - start)));
                if ways.len() > MOST_WAYS {
                    return None;
                }
            } else {
                self.extend(step.point, &bytes, wanted, &mut open);
            }
        }
        Some(ways)
    }

    /// Adds every byte that can follow.
    fn extend(
        &mut self,
        point: PathPoint,
        bytes: &[u8],
        wanted: Wanted<'_>,
        open: &mut Vec<NextByte>,
    ) {
        let only = match shape(wanted, bytes) {
            Shape::Open => None,
            Shape::Only(byte) => Some(byte),
            Shape::Never | Shape::Whole => return,
        };
        let length = bytes.len() + 1;
        let following = self.following(point).iter();
        let fitting = following.filter(|(byte, _)| only.is_none_or(|only| only == *byte));
        open.extend(fitting.map(|(byte, point)| NextByte {
            point: *point,
            length,
            byte: *byte,
        }));
    }

    /// The bytes that can follow at a point, computed once.
    fn following(&mut self, point: PathPoint) -> &[(u8, PathPoint)] {
        if !self.following.contains_key(&point) {
            self.steps_left = self.steps_left.saturating_sub(1);
            let mut bytes = Vec::new();
            if let Some(begun) = self.drive(point, false, 1) {
                self.data(begun, 0, 0, &mut bytes);
            }
            self.following.insert(point, bytes);
        }
        self.following.get(&point).map_or(&[], Vec::as_slice)
    }

    /// Tries both values of a data bit and goes on to the next one.
    fn data(&self, point: PathPoint, byte: u8, place: u8, bytes: &mut Vec<(u8, PathPoint)>) {
        if place == 8 {
            bytes.extend(self.finish(point, byte).map(|point| (byte, point)));
            return;
        }
        for value in [false, true] {
            if let Some(point) = self.drive(point, value, 1) {
                self.data(point, byte | u8::from(value) << place, place + 1, bytes);
            }
        }
    }

    /// Parity and stop bits of a character.
    fn finish(&self, mut point: PathPoint, byte: u8) -> Option<PathPoint> {
        let settings = self.hypothesis.settings;
        if let Some(parity) = parity_bit(byte, settings.parity) {
            point = self.drive(point, parity, 1)?;
        }
        self.drive(point, true, settings.stop_bits)
    }

    /// Lets our receiver hear some bits of one value; `None` if it would have got anything else.
    fn drive(&self, mut point: PathPoint, value: bool, bits: u8) -> Option<PathPoint> {
        let level = value != self.hypothesis.is_swapped;
        self.hear(&mut point, level, self.bit * u64::from(bits))
            .then_some(point)
    }

    fn hear(&self, point: &mut PathPoint, level: bool, ticks: u64) -> bool {
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
    /// A driver lets go some time after the stop bit. On a swapped pair the level turns round then
    /// where nothing biases the line: at any moment, as far as this search goes.
    fn end(&self, point: PathPoint) -> Option<usize> {
        let ticks = point.receiver.character_ticks() + self.bit;
        let completed = |driven: u64| {
            let mut point = point;
            let driven = driven.min(ticks);
            let level = !self.hypothesis.is_swapped;
            let fits = self.hear(&mut point, level, driven)
                && (driven == ticks || self.hear(&mut point, true, ticks - driven));
            fits.then_some(point.next)
        };
        if !self.hypothesis.is_swapped {
            return completed(ticks);
        }
        let half_bits = (0..).map(|n| n * self.bit / 2 + 1);
        let moments = half_bits
            .take_while(|driven| *driven < ticks)
            .chain([ticks]);
        moments.filter_map(completed).next()
    }
}

impl Cut {
    /// Looks at the check values of all ways to read one place; the frame if there is exactly one.
    ///
    /// What was looked at before is no second chance for an accident, and no second proof.
    fn test(&mut self, ways: Vec<FrameTaken>) -> Option<FrameTaken> {
        let is_new = |frame: &Vec<u8>| !self.looked_at.contains(frame);
        let new: BTreeSet<Vec<u8>> = ways.iter().map(|(f, _)| f.clone()).filter(is_new).collect();
        if !new.is_empty() {
            self.windows += new.len() as u64;
            #[expect(clippy::cast_precision_loss, reason = "at most MOST_WAYS")]
            self.chances.push((new.len() as f64 / 65_536.0).min(1.0));
            self.hits += usize::from(new.iter().any(|frame| is_sealed(frame)));
            self.looked_at.extend(new);
        }
        let mut sealed = ways.into_iter().filter(|(frame, _)| is_sealed(frame));
        let way = sealed.next()?;
        sealed.all(|(other, _)| other == way.0).then_some(way)
    }

    fn found(&mut self, frame: &[u8], characters: usize) {
        self.characters += characters;
        self.frames.push(frame.to_vec());
    }
}

/// Whether what ends here, perhaps with a stray character behind it, ends where the times say.
fn is_end(end: usize, until: Option<usize>) -> bool {
    until.is_none_or(|until| end == until || end + 1 == until)
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
