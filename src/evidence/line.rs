//! What a line did in one session: counts, answer times, who else was heard, what bytes came.
//!
//! Input: events, and what was said in them. Output: counts. Does not: keep a question or an answer, or
//! judge.
//!
//! # Invariants
//! - Bounded: at most [`TIMES`] different answer times, [`UNANSWERED`] bytes, [`BUCKETS`] counts of
//!   requests for each unit.

use std::cell::OnceCell;
use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::time::Duration;

use packside_profiles::LineSettings;

use super::health::Counting;
use crate::ask::{Exchange, Outcome, StrayKind};
use crate::event::{Event, LinkFacts, What};
use crate::listen::settings::{Explanation, explain};
use crate::listen::waveform::Received;

/// Most different answer times, to a tenth of a millisecond and coarser where there are more.
const TIMES: usize = 1024;
/// Newest bytes that are kept as long as nothing was answered.
const UNANSWERED: usize = 4096;
/// Stretches of time in which requests of others are counted.
const BUCKETS: usize = 16;
/// Length of such a stretch.
const BUCKET: Duration = Duration::from_secs(15);

/// What a line did.
#[derive(Debug, Clone, Default)]
pub(crate) struct LineMemory {
    /// The link as it was opened first.
    pub(crate) facts: Option<LinkFacts>,
    /// Own questions that ended.
    pub(crate) requests: u32,
    /// Answered with data.
    pub(crate) answered: u32,
    /// Answered by an exception, by code.
    pub(crate) exceptions: BTreeMap<u8, u32>,
    /// No accepted answer in time.
    pub(crate) timeouts: u32,
    /// Those of them in which damaged bytes came.
    pub(crate) damaged: u32,
    /// Bytes of noise while a question was open.
    pub(crate) noise_bytes: u64,
    /// Bytes while a question was open that are no accepted answer, by kind.
    strays: BTreeMap<StrayKind, u32>,
    /// From the end of a question to the first byte of its answer.
    pub(crate) answer_times: AnswerTimes,
    /// Units that we asked.
    pub(crate) asked: BTreeSet<u8>,
    /// Requests of somebody else, by unit.
    pub(crate) foreign: BTreeMap<u8, ForeignRequests>,
    /// Bytes received.
    pub(crate) bytes_in: u64,
    /// Of these, while we only listened.
    pub(crate) heard: u64,
    /// The bytes, as long as no answer to us was among them: what they look like is asked only then.
    pub(crate) unanswered: UnansweredBytes,
    /// The link was lost.
    pub(crate) was_lost: bool,
    /// And is not back.
    pub(crate) is_lost: bool,
    /// How well it does.
    pub(crate) health: Counting,
    /// The last event, but for what people answer: that may be said long after.
    pub(crate) end: Duration,
    listens_from: Option<Duration>,
    listened: Duration,
}

impl LineMemory {
    /// Takes an event.
    pub(crate) fn take(&mut self, event: &Event) {
        if !matches!(event.what, What::Answer(_)) {
            self.end = event.at;
        }
        match &event.what {
            What::Opened(facts) => {
                self.facts.get_or_insert_with(|| facts.clone());
            }
            What::In(bytes) => {
                self.bytes_in += bytes.len() as u64;
                if self.listens_from.is_some() {
                    self.heard += bytes.len() as u64;
                }
                if self.answered == 0 && self.exceptions.is_empty() {
                    self.unanswered.take(bytes);
                }
            }
            What::Lost { .. } => (self.was_lost, self.is_lost) = (true, true),
            What::Back => self.is_lost = false,
            What::Listening(true) => self.listens_from = Some(event.at),
            What::Listening(false) => {
                self.listened = self.listened();
                self.listens_from = None;
            }
            _ => {}
        }
    }

    /// Takes a question of ours that ended. `current` says whether current flowed then, where that is
    /// known.
    pub(crate) fn own(&mut self, exchange: &Exchange, current: Option<bool>) {
        self.requests = self.requests.saturating_add(1);
        self.asked.insert(exchange.ask.unit);
        match &exchange.outcome {
            Outcome::Answered(_) => self.answered = self.answered.saturating_add(1),
            Outcome::Exception(code) => *self.exceptions.entry(*code).or_insert(0) += 1,
            Outcome::TimedOut(_) => {
                self.timeouts = self.timeouts.saturating_add(1);
                let damaged = exchange.strays.iter().any(|s| s.kind == StrayKind::Damaged);
                self.damaged = self.damaged.saturating_add(damaged.into());
            }
            Outcome::LinkLost => self.timeouts = self.timeouts.saturating_add(1),
        }
        for stray in &exchange.strays {
            *self.strays.entry(stray.kind).or_insert(0) += 1;
            if stray.kind == StrayKind::Noise {
                self.noise_bytes += stray.bytes.len() as u64;
            }
        }
        if matches!(
            exchange.outcome,
            Outcome::Answered(_) | Outcome::Exception(_)
        ) {
            self.unanswered = UnansweredBytes::default();
            if let (Some(first), Some(sent)) = (exchange.first_byte_at, exchange.sent_at) {
                self.answer_times.take(first.saturating_sub(sent));
            }
        }
        self.health.take(exchange, current);
    }

    /// Takes a request of somebody else.
    pub(crate) fn request(&mut self, at: Duration, unit: u8) {
        self.foreign.entry(unit).or_default().take(at);
    }

    /// Strays of a kind while a question was open.
    pub(crate) fn strays(&self, kind: StrayKind) -> u32 {
        self.strays.get(&kind).copied().unwrap_or_default()
    }

    /// Requests of somebody else to units that are meant.
    pub(crate) fn requests_to(&self, is_meant: impl Fn(u8) -> bool) -> u32 {
        let meant = self.foreign.iter().filter(|(unit, _)| is_meant(**unit));
        meant.fold(0, |sum, (_, one)| sum.saturating_add(one.count))
    }

    /// Bytes that it holds, itself among them.
    pub(crate) fn held(&self) -> usize {
        let requests = self.foreign.values().map(|one| one.buckets.capacity() * 24);
        size_of::<Self>()
            + self.unanswered.newest.capacity()
            + self.answer_times.counts.len() * 16
            + requests.sum::<usize>()
            + self.foreign.len() * size_of::<ForeignRequests>()
            + self.health.held()
    }

    /// Time spent listening without asking.
    pub(crate) fn listened(&self) -> Duration {
        let since = self.listens_from;
        let now = since.map_or(Duration::ZERO, |from| self.end.saturating_sub(from));
        self.listened.saturating_add(now)
    }
}

/// Answer times, counted by their length.
#[derive(Debug, Clone, Default)]
pub(crate) struct AnswerTimes {
    /// By tenths of a millisecond.
    counts: BTreeMap<u64, u64>,
    all: u64,
    /// Times are rounded down to so many times two tenths.
    coarse: u32,
    longest: Option<Duration>,
}

impl AnswerTimes {
    fn take(&mut self, time: Duration) {
        let tenths = u64::try_from((time.as_nanos() + 50_000) / 100_000).unwrap_or(u64::MAX);
        *self.counts.entry(self.rounded(tenths)).or_insert(0) += 1;
        self.all += 1;
        self.longest = self.longest.max(Some(time));
        while self.counts.len() > TIMES {
            self.coarse += 1;
            let fine = std::mem::take(&mut self.counts);
            for (tenths, count) in fine {
                *self.counts.entry(self.rounded(tenths)).or_insert(0) += count;
            }
        }
    }

    fn rounded(&self, tenths: u64) -> u64 {
        tenths.checked_shr(self.coarse).unwrap_or_default() << self.coarse
    }

    /// The time than which so many tenths of all were faster.
    pub(crate) fn share(&self, tenths: u64) -> Option<Duration> {
        let place = self.all * tenths / 10;
        let mut before = 0;
        let found = self.counts.iter().find(|(_, count)| {
            before += **count;
            before > place
        });
        found.map(|(tenths, _)| Duration::from_micros(tenths.saturating_mul(100)))
    }

    pub(crate) fn longest(&self) -> Option<Duration> {
        self.longest
    }
}

/// Requests of somebody else to one unit.
#[derive(Debug, Clone, Default)]
pub(crate) struct ForeignRequests {
    count: u32,
    pub(crate) last: Duration,
    /// Begin of a stretch of time, and requests in it; the newest last.
    buckets: VecDeque<(Duration, u32)>,
}

impl ForeignRequests {
    fn take(&mut self, at: Duration) {
        self.count = self.count.saturating_add(1);
        self.last = self.last.max(at);
        match self.buckets.back_mut() {
            Some((from, count)) if at.saturating_sub(*from) < BUCKET => *count += 1,
            _ => {
                if self.buckets.len() >= BUCKETS {
                    self.buckets.pop_front();
                }
                self.buckets.push_back((at, 1));
            }
        }
    }

    /// Requests since a moment, those before it in the same stretch of time included.
    pub(crate) fn since(&self, from: Duration) -> u32 {
        if self.last < from {
            return 0;
        }
        let recent = self.buckets.iter().filter(|(at, _)| *at + BUCKET > from);
        recent.map(|(_, count)| count).sum()
    }
}

/// Bytes to which no answer of ours belongs.
#[derive(Debug, Clone)]
pub(crate) struct UnansweredBytes {
    newest: VecDeque<u8>,
    counts: [u64; 256],
    all: u64,
    /// What explains them; worked out once for each state of the line.
    explained: OnceCell<Explanation>,
}

impl Default for UnansweredBytes {
    fn default() -> Self {
        Self {
            newest: VecDeque::new(),
            counts: [0; 256],
            all: 0,
            explained: OnceCell::new(),
        }
    }
}

impl UnansweredBytes {
    fn take(&mut self, bytes: &[u8]) {
        for byte in bytes {
            if let Some(count) = self.counts.get_mut(usize::from(*byte)) {
                *count += 1;
            }
        }
        self.all += bytes.len() as u64;
        // Room first, so that it never takes twice what it may hold.
        let newest = bytes.len().saturating_sub(UNANSWERED);
        let newest = bytes.get(newest..).unwrap_or_default();
        let surplus = (self.newest.len() + newest.len()).saturating_sub(UNANSWERED);
        self.newest.drain(..surplus);
        self.newest.extend(newest);
        self.explained = OnceCell::new();
    }

    /// How many came.
    pub(crate) fn len(&self) -> u64 {
        self.all
    }

    /// Share of bytes of a kind, in percent.
    pub(crate) fn share(&self, is: impl Fn(u8) -> bool) -> u64 {
        let of_kind = (0..=u8::MAX)
            .zip(&self.counts)
            .filter(|(byte, _)| is(*byte));
        of_kind.map(|(_, count)| count).sum::<u64>() * 100 / self.all.max(1)
    }

    /// What explains the newest of them, heard at these settings.
    pub(crate) fn explanation(&self, ours: LineSettings) -> &Explanation {
        self.explained.get_or_init(|| {
            let bytes: Vec<u8> = self.newest.iter().copied().collect();
            explain(&Received::unmarked(&bytes), ours)
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // Kind: derived (the times are made here)
    #[test]
    fn shares_of_answer_times_are_those_of_the_sorted_list() {
        let mut times = AnswerTimes::default();
        let list: Vec<u64> = (0..50).map(|n| (n * 37) % 50 + 10).collect();
        for ms in &list {
            times.take(Duration::from_millis(*ms));
        }
        let mut sorted = list;
        sorted.sort_unstable();
        for tenths in [0u64, 5, 9] {
            let place = sorted.len() * usize::try_from(tenths).unwrap() / 10;
            let expected = sorted.get(place).map(|ms| Duration::from_millis(*ms));
            assert_eq!(times.share(tenths), expected);
        }
        assert_eq!(times.longest(), Some(Duration::from_millis(59)));
    }

    #[test]
    fn many_different_answer_times_are_counted_coarser() {
        let mut times = AnswerTimes::default();
        for n in 0..100_000 {
            times.take(Duration::from_micros(100 * n));
        }
        assert!(times.counts.len() <= TIMES);
        let half = times.share(5).unwrap().as_secs_f64();
        assert!((half - 5.0).abs() < 0.02, "{half}");
    }

    #[test]
    fn requests_of_others_are_counted_since_a_moment() {
        let mut foreign = ForeignRequests::default();
        for second in 0..1000 {
            foreign.take(Duration::from_secs(second));
        }
        let since = |second| foreign.since(Duration::from_secs(second));
        assert_eq!(since(1000), 0);
        assert!((45..=60).contains(&since(955)), "{}", since(955));
        assert!(foreign.buckets.len() <= BUCKETS);
    }

    #[test]
    fn bytes_without_an_answer_are_counted_all_and_the_newest_kept() {
        let mut bytes = UnansweredBytes::default();
        for _ in 0..100 {
            bytes.take(&[0x7f; 60]);
            bytes.take(&[b'a'; 40]);
        }
        assert_eq!((bytes.len(), bytes.share(|b| b == 0x7f)), (10_000, 60));
        assert_eq!(bytes.newest.len(), UNANSWERED);
    }
}
