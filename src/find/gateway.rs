//! The search behind a Modbus TCP gateway: many questions outstanding, and what each silence means.
//!
//! Input: bytes, the time, lost connections. Output: [`VolleyWant`]s, and at the end what came for each
//! address. Does not: connect, send, or say who a unit is.
//!
//! # As many as the gateway stands
//! One question is outstanding at first. Every reply lets one more out, up to [`MOST`]; a busy (06)
//! or overloaded (0A) gateway, a closed connection or a reply that never comes halves them, and what
//! was under way is asked again. There is never more than one connection.
//!
//! # What a reply says
//! 0B: the gateway asked and the unit is silent. 0A: it has no path, or no room; alone it is asked
//! once more, and then it stands. Anything else: somebody answers, a unit or the gateway itself
//! (see [`VolleyReply::Somebody`] and [`crate::drive::find::is_past_the_line`]).
//!
//! # Sources
//! - Modbus Messaging on TCP/IP Implementation Guide V1.0b: up to 16 outstanding transactions
//! - Modbus Application Protocol V1.1b3, section 7 (06, 0A, 0B)

use std::collections::{BTreeMap, VecDeque};
use std::time::Duration;

use super::prior;
use crate::wire::Framing;
use crate::wire::{Adu, Ask, ByteStamp, Question, SpanKind, Splitter};

/// Most questions outstanding.
pub const MOST: usize = 16;
/// Wait for news before the oldest question counts as unanswered; so much more for each ahead of it.
const PATIENCE: Duration = Duration::from_secs(3);
const PATIENCE_EACH: Duration = Duration::from_millis(1_000);
/// Times that an address is asked alone where the gateway is busy or the connection closes.
const TRIES: u32 = 3;
/// Connections that may close with one question under way before that is what the gateway does.
const CLOSED: u32 = 3;

/// What to do next.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum VolleyWant {
    /// Send this; [`Volley::posted`] takes its transaction id.
    Post(Ask),
    /// Wait for bytes, at most until then.
    WaitUntil(Duration),
    /// All is said.
    Done,
}

/// What came for an address.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum VolleyReply {
    /// An answer, or a refusal with this code: a unit, or the gateway itself.
    Somebody(Option<u8>),
    /// 0B: asked on the line, and silent there.
    Silent,
    /// 0A: no path to it, or overloaded.
    NoPath,
    /// No reply at all.
    Nothing,
}

/// Asks many addresses at once.
#[derive(Debug, Clone)]
pub struct Volley {
    question: Question,
    waiting: VecDeque<u8>,
    /// By transaction id: address, and when it was sent.
    open: BTreeMap<u16, (u8, Duration)>,
    width: usize,
    most: usize,
    most_open: usize,
    tries: BTreeMap<u8, u32>,
    closed: u32,
    replies: BTreeMap<u8, VolleyReply>,
    last_news: Duration,
    splitter: Splitter,
    stops_at_first: bool,
    has_heard: bool,
}

impl Volley {
    /// Over these addresses, in this order.
    pub fn new(units: &[u8], question: Question, stops_at_first: bool) -> Self {
        Self {
            question,
            waiting: units.iter().copied().collect(),
            open: BTreeMap::new(),
            width: 1,
            most: MOST,
            most_open: 0,
            tries: BTreeMap::new(),
            closed: 0,
            replies: BTreeMap::new(),
            last_news: Duration::ZERO,
            splitter: Splitter::new(Framing::Tcp),
            stops_at_first,
            has_heard: false,
        }
    }

    /// The same with fewer outstanding.
    #[must_use]
    pub fn at_most(self, most: usize) -> Self {
        Self {
            most: most.clamp(1, MOST),
            ..self
        }
    }

    /// All unit addresses, likely ones first.
    pub fn likely_first() -> Vec<u8> {
        let mut units: Vec<u8> = (1..=247).collect();
        units.sort_by(|a, b| prior::address(*b).total_cmp(&prior::address(*a)));
        units
    }

    /// What to do now.
    pub fn next(&mut self, now: Duration) -> VolleyWant {
        self.give_up(now);
        if self.is_enough() {
            self.waiting.clear();
        }
        if self.open.len() < self.width
            && let Some(unit) = self.waiting.front()
        {
            return VolleyWant::Post(Ask {
                unit: *unit,
                question: self.question,
            });
        }
        match self.oldest() {
            Some((_, ends)) => VolleyWant::WaitUntil(ends),
            None => VolleyWant::Done,
        }
    }

    /// The question that was wanted is on its way.
    pub fn posted(&mut self, transaction: u16, now: Duration) {
        if let Some(unit) = self.waiting.pop_front() {
            self.open.insert(transaction, (unit, now));
            self.most_open = self.most_open.max(self.open.len());
        }
    }

    /// Bytes came.
    pub fn take(&mut self, now: Duration, bytes: &[u8]) {
        let stamp = ByteStamp {
            at: now,
            during: None,
        };
        self.splitter.push(bytes, stamp);
        while let Some(span) = self.splitter.next(None, false) {
            let frame = Adu::read(&span.bytes).filter(|_| span.kind == SpanKind::Frame);
            if let Some(frame) = frame {
                self.frame(now, frame);
            }
        }
    }

    /// The connection was closed; it is made anew.
    pub fn closed(&mut self, now: Duration) {
        self.closed += u32::from(self.open.len() <= 1);
        self.halve();
        self.splitter = Splitter::new(Framing::Tcp);
        self.last_news = now;
        let under_way = std::mem::take(&mut self.open);
        let is_alone = under_way.len() == 1;
        for (unit, _) in under_way.into_values() {
            if is_alone {
                self.once_more(unit, VolleyReply::Nothing);
            } else {
                self.waiting.push_back(unit);
            }
        }
    }

    /// Whether the gateway closes the connection whenever it is asked.
    pub fn is_shut_out(&self) -> bool {
        self.closed >= CLOSED && !self.has_heard
    }

    /// Whether a valid Modbus TCP frame has come.
    pub fn has_heard(&self) -> bool {
        self.has_heard
    }

    /// What came, by address.
    pub fn replies(&self) -> &BTreeMap<u8, VolleyReply> {
        &self.replies
    }

    /// Addresses for which somebody answers.
    pub fn answering(&self) -> impl Iterator<Item = (u8, Option<u8>)> {
        self.replies.iter().filter_map(|(unit, reply)| match reply {
            VolleyReply::Somebody(code) => Some((*unit, *code)),
            _ => None,
        })
    }

    /// Most questions that were outstanding at once.
    pub fn most_open(&self) -> usize {
        self.most_open
    }

    /// Addresses done, and in all.
    pub fn progress(&self) -> (usize, usize) {
        let done = self.replies.len();
        (done, done + self.open.len() + self.waiting.len())
    }

    fn is_enough(&self) -> bool {
        self.is_shut_out() || self.stops_at_first && self.answering().next().is_some()
    }

    fn frame(&mut self, now: Duration, frame: Adu<'_>) {
        let Some((unit, _)) = self.open.get(&frame.transaction).copied() else {
            return;
        };
        if frame.unit != unit {
            return;
        }
        self.open.remove(&frame.transaction);
        (self.last_news, self.has_heard) = (now, true);
        let refused = match frame.pdu {
            [function, code] if *function >= 0x80 => Some(*code),
            _ => None,
        };
        match refused {
            Some(0x06) => {
                self.halve();
                self.once_more(unit, VolleyReply::Somebody(Some(0x06)));
            }
            Some(0x0a) => {
                self.halve();
                self.once_more(unit, VolleyReply::NoPath);
            }
            Some(0x0b) => self.reply(unit, VolleyReply::Silent),
            code => self.reply(unit, VolleyReply::Somebody(code)),
        }
    }

    fn reply(&mut self, unit: u8, reply: VolleyReply) {
        self.replies.insert(unit, reply);
        self.width = (self.width + 1).min(self.most);
    }

    fn halve(&mut self) {
        self.width = (self.width / 2).max(1);
    }

    /// Asks again, and takes this for the reply where that was done often enough.
    fn once_more(&mut self, unit: u8, otherwise: VolleyReply) {
        if !self.open.is_empty() {
            // With others under way it says nothing of this address.
            self.waiting.push_back(unit);
            return;
        }
        let tries = self.tries.entry(unit).or_default();
        *tries += 1;
        if *tries >= TRIES {
            self.replies.insert(unit, otherwise);
        } else {
            self.waiting.push_back(unit);
        }
    }

    /// The question that was sent first, and when what is under way counts as lost.
    fn oldest(&self) -> Option<(u16, Duration)> {
        let (id, (_, sent)) = self.open.iter().min_by_key(|(_, (_, sent))| *sent)?;
        let ahead = u32::try_from(self.open.len() - 1).unwrap_or(u32::MAX);
        let since = self.last_news.max(*sent);
        Some((*id, since + PATIENCE + PATIENCE_EACH * ahead))
    }

    /// No news for longer than the patience: what is under way is lost. One that was alone is
    /// answered by nobody; several may have been too many, and are asked again.
    fn give_up(&mut self, now: Duration) {
        if self.oldest().is_none_or(|(_, ends)| ends > now) {
            return;
        }
        self.halve();
        self.last_news = now;
        let under_way = std::mem::take(&mut self.open);
        let is_alone = under_way.len() == 1;
        for (unit, _) in under_way.into_values() {
            if is_alone {
                self.replies.insert(unit, VolleyReply::Nothing);
            } else {
                self.waiting.push_back(unit);
            }
        }
    }
}
