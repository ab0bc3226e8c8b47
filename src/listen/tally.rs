//! Counts of an overheard conversation: requests, answers, times, damage.
//!
//! Does not: say what they mean (see [`super::picture()`]).
//!
//! # Sources
//! - E. B. Wilson, "Probable Inference, the Law of Succession, and Statistical Inference", J. Am.
//!   Stat. Assoc. 22 (1927) 209-212: the interval of a share

use std::collections::{BTreeMap, VecDeque};
use std::time::Duration;

use super::clients::{Clients, GAPS, Rhythm, count, rhythm};
use super::noise::Noise;
use super::overheard::{Fate, Overheard};
use crate::statistics::{median, wilson};
use crate::wire;

/// Most kinds of requests that are counted apart.
const KINDS: usize = 512;
/// Answer times kept, the newest.
const TIMES: usize = 4096;

/// What is asked: unit, function, and where it says so first register and count.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Asked {
    /// Unit address.
    pub unit: u8,
    /// Function code.
    pub function: u8,
    /// First register or coil.
    pub register: Option<u16>,
    /// How many.
    pub count: Option<u16>,
}

impl Asked {
    /// Whether it changes something in the unit.
    pub fn writes(&self) -> bool {
        matches!(self.function, 0x05 | 0x06 | 0x0f | 0x10 | 0x15..=0x17)
    }

    fn of(request: &[u8]) -> Self {
        let exchange = Overheard {
            at: Duration::ZERO,
            request: request.to_vec(),
            answer: Vec::new(),
            fate: Fate::Unanswered,
            waited: None,
            is_retry: false,
            is_ours: false,
        };
        Self::from(&exchange)
    }
}

impl From<&Overheard> for Asked {
    fn from(exchange: &Overheard) -> Self {
        Self {
            unit: exchange.unit(),
            function: exchange.function(),
            register: exchange.register(),
            count: exchange.count(),
        }
    }
}

/// Requests of one kind.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Poll {
    /// What is asked.
    pub asked: Asked,
    /// How often.
    pub requests: u32,
    /// Answers among them, exceptions not counted.
    pub answered: u32,
    /// Refusals among them.
    pub exceptions: u32,
    /// Middle of the gaps between them; `None` below two.
    pub period: Option<Duration>,
    /// When the last one was heard.
    pub last: Duration,
}

/// What was heard of one unit address.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct UnitTally {
    /// Requests to it.
    pub requests: u32,
    /// Answers and refusals from it, also those whose request was not heard.
    pub answers: u32,
}

/// A share with the interval that holds the true one in 95 of 100 cases.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Interval {
    /// Share seen.
    pub seen: f64,
    /// Lower end.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

impl Interval {
    /// That of `hits` among `tries`.
    fn of(hits: u64, tries: u64) -> Self {
        let (low, high) = wilson(hits, tries);
        Self {
            seen: hits as f64 / tries.max(1) as f64,
            low,
            high,
        }
    }
}

/// What was heard so far.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Summary {
    /// Bytes in all.
    pub bytes: u64,
    /// Frames with a right check.
    pub frames: u64,
    /// Bytes in no frame.
    pub noise_bytes: u64,
    /// Runs of them between frames that are proven to be damaged frames.
    pub damaged: u64,
    /// Runs of them between frames that are another protocol.
    pub foreign: u64,
    /// Runs of them between frames that are neither for certain.
    pub unclear: u64,
    /// Share of damaged ones among them and the frames: at least so many.
    pub damage: Interval,
    /// Frames with a right check that no standard allows: their function is unknown, or their exception
    /// code or count.
    pub unlisted: u64,
    /// What they are: function code, and how many.
    pub by_unlisted: BTreeMap<u8, u32>,
    /// Requests.
    pub requests: u64,
    /// Of these answered.
    pub answered: u64,
    /// Refused.
    pub exceptions: u64,
    /// Without answer.
    pub unanswered: u64,
    /// Followed by bytes that are no frame.
    pub garbled: u64,
    /// Answered with something else than what was asked for: by another unit, at another length.
    pub mismatched: u64,
    /// Answers whose request was not heard.
    pub unasked: u64,
    /// Requests that came back from the line before they were answered.
    pub echoes: u64,
    /// Requests that were sent again.
    pub retries: u64,
    /// Requests that this tool sent itself.
    pub ours: u64,
    /// Requests to all units.
    pub broadcasts: u64,
    /// Exceptions by code.
    pub by_exception: BTreeMap<u8, u32>,
    /// Unit addresses.
    pub units: BTreeMap<u8, UnitTally>,
    /// Kinds of requests, by unit, function, register.
    pub polls: Vec<Poll>,
    /// Middle answer time.
    pub answer_p50: Option<Duration>,
    /// Nine of ten answers took at most this.
    pub answer_p90: Option<Duration>,
    /// Ninety-nine of a hundred.
    pub answer_p99: Option<Duration>,
    /// The longest.
    pub answer_max: Option<Duration>,
    /// Who asks.
    pub clients: Clients,
}

impl Summary {
    /// Addresses that were asked at least twice and never answered.
    pub fn silent_units(&self) -> Vec<u8> {
        let silent = |(_, tally): &(&u8, &UnitTally)| tally.requests >= 2 && tally.answers == 0;
        let units = self.units.iter().filter(silent);
        units
            .map(|(unit, _)| *unit)
            .filter(|unit| *unit != 0)
            .collect()
    }

    /// Addresses that answered.
    pub fn answering_units(&self) -> Vec<u8> {
        let units = self.units.iter().filter(|(_, tally)| tally.answers > 0);
        units.map(|(unit, _)| *unit).collect()
    }
}

#[derive(Debug, Clone, Default)]
struct PollCount {
    requests: u32,
    answered: u32,
    exceptions: u32,
    last: Duration,
    gaps: VecDeque<Duration>,
}

impl PollCount {
    fn gaps(&self) -> Vec<Duration> {
        self.gaps.iter().copied().collect()
    }
}

/// Counts while the conversation goes on.
#[derive(Debug, Clone, Default)]
pub(super) struct Tally {
    pub(super) bytes: u64,
    summary: Summary,
    kinds: BTreeMap<Asked, PollCount>,
    times: VecDeque<Duration>,
    longest: Option<Duration>,
    /// When the last request was heard, and what it was, until it is answered.
    pending: Option<(Duration, Asked)>,
    noise: Noise,
    hasty: u32,
}

impl Tally {
    pub(super) fn longest_answer(&self) -> Option<Duration> {
        self.longest
    }

    /// Bytes in no frame; `open` is the request that waits for its answer.
    pub(super) fn noise(&mut self, bytes: &[u8], open: Option<&[u8]>) {
        self.summary.noise_bytes += bytes.len() as u64;
        self.noise.take(bytes, open);
        // What was answered may be in there: nothing is known of who waits for what.
        self.pending = None;
    }

    /// A frame; `is_unasked` where it answers nothing that was heard.
    pub(super) fn frame(&mut self, frame: &[u8], is_unasked: bool) {
        self.summary.frames += 1;
        self.noise.frame(frame, is_unasked);
        if !wire::is_listed(frame) {
            self.summary.unlisted += 1;
            let function = frame.get(1).copied().unwrap_or_default();
            *self.summary.by_unlisted.entry(function & 0x7f).or_default() += 1;
        }
    }

    pub(super) fn request(&mut self, frame: &[u8], at: Duration, is_retry: bool, is_ours: bool) {
        let asked = Asked::of(frame);
        let summary = &mut self.summary;
        summary.requests += 1;
        summary.retries += u64::from(is_retry);
        summary.ours += u64::from(is_ours);
        summary.units.entry(asked.unit).or_default().requests += 1;
        // Nobody who waits for an answer asks something else before one could have come.
        if let (Some((before, other)), Some(longest)) = (self.pending, self.longest)
            && other != asked
            && other.unit != 0
            && !is_ours
            && at.saturating_sub(before) < longest
        {
            self.hasty += 1;
        }
        self.pending = (!is_ours).then_some((at, asked));
        if !self.kinds.contains_key(&asked) && self.kinds.len() >= KINDS {
            return;
        }
        let kind = self.kinds.entry(asked).or_default();
        if kind.requests > 0 && !is_retry && !is_ours {
            if kind.gaps.len() >= GAPS {
                kind.gaps.pop_front();
            }
            kind.gaps.push_back(at.saturating_sub(kind.last));
        }
        kind.requests += 1;
        kind.last = at;
    }

    pub(super) fn exchange(&mut self, exchange: &Overheard) {
        let asked = Asked::from(exchange);
        let summary = &mut self.summary;
        match exchange.fate {
            Fate::Answered => summary.answered += 1,
            Fate::Exception(code) => {
                summary.exceptions += 1;
                *summary.by_exception.entry(code).or_default() += 1;
            }
            Fate::Unanswered => summary.unanswered += 1,
            Fate::Damaged => summary.garbled += 1,
            Fate::Mismatched(_) => summary.mismatched += 1,
            Fate::Unasked => summary.unasked += 1,
            // Counted with the frames.
            Fate::Unlisted => {}
            Fate::Echo => summary.echoes += 1,
            Fate::Broadcast => summary.broadcasts += 1,
        }
        if let Some(unit) = exchange.answer.first() {
            summary.units.entry(*unit).or_default().answers += 1;
        }
        let Some(waited) = exchange.waited else {
            return;
        };
        self.pending = None;
        if self.times.len() >= TIMES {
            self.times.pop_front();
        }
        self.times.push_back(waited);
        self.longest = Some(self.longest.map_or(waited, |longest| longest.max(waited)));
        if let Some(kind) = self.kinds.get_mut(&asked) {
            match exchange.fate {
                Fate::Exception(_) => kind.exceptions += 1,
                _ => kind.answered += 1,
            }
        }
    }

    pub(super) fn summary(&self) -> Summary {
        let mut summary = self.summary.clone();
        summary.bytes = self.bytes;
        let counted = self.noise.counted();
        (summary.damaged, summary.foreign, summary.unclear) =
            (counted.damaged, counted.foreign, counted.open);
        summary.damage = Interval::of(summary.damaged, summary.damaged + summary.frames);
        let mut times: Vec<Duration> = self.times.iter().copied().collect();
        times.sort_unstable();
        let share = |per_mille: usize| times.get(times.len() * per_mille / 1000).copied();
        summary.answer_p50 = share(500);
        summary.answer_p90 = share(900);
        summary.answer_p99 = share(990);
        summary.answer_max = self.longest;
        let mut rhythms: Vec<(String, Rhythm)> = Vec::new();
        for (asked, kind) in &self.kinds {
            summary.polls.push(Poll {
                asked: *asked,
                requests: kind.requests,
                answered: kind.answered,
                exceptions: kind.exceptions,
                period: median(kind.gaps(), Duration::cmp),
                last: kind.last,
            });
            if let Some(rhythm) = rhythm(&kind.gaps()) {
                rhythms.push((name(asked), rhythm));
            }
        }
        summary.clients = count(&rhythms, self.hasty, summary.requests);
        summary
    }
}

/// What is asked, in a few words.
fn name(asked: &Asked) -> String {
    let from = asked
        .register
        .map_or_else(String::new, |from| format!(" register {from}"));
    format!(
        "function {:02X} to unit {}{from}",
        asked.function, asked.unit
    )
}
