//! The search behind a Modbus TCP gateway: many questions outstanding, and what each silence means.
//!
//! Input: bytes, the time, lost connections. Output: [`VolleyWant`]s, and at the end what came for each
//! address. Does not: connect, send, or say who a unit is.
//!
//! # As many as the gateway stands
//! One question is outstanding at first. Every reply lets one more out, up to [`MOST`]; a busy (06)
//! or overloaded (0A) gateway, a closed connection or a reply that never comes halves them, and what
//! was under way is asked again. So many as one was lost among are never outstanding again; silent is only
//! whoever was asked alone. There is never more than one connection.
//!
//! # What a reply says
//! 0B: the gateway asked and the unit is silent. 0A: it has no path, or no room; alone it is asked
//! once more, and then it stands. Anything else: somebody answers, a unit or the gateway itself
//! (see [`VolleyReply::Somebody`] and [`crate::drive::find::is_past_the_line`]). Who refuses is asked
//! the other questions: what it refuses says nothing of what it has.
//!
//! # No reply
//! The first addresses are given a long time. Where they are silent the next ones get less, and a reply
//! that comes later than that still counts: it bears the number of its question. Then whoever
//! answers is slow, and is given a long time again.
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
/// The same once so many in a row were silent: late replies count all the same.
const SHORT_PATIENCE: Duration = Duration::from_millis(1_200);
const SILENT_IN_A_ROW: u32 = 3;
/// More addresses than this that answer alike are looked at as one device.
const MANY: usize = 8;
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

/// A question under way.
#[derive(Debug, Clone, Copy)]
struct Posted {
    unit: u8,
    question: usize,
    at: Duration,
    /// Most questions that were outstanding together with it, itself counted.
    company: usize,
}

/// What somebody said.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Said {
    question: usize,
    pdu: Vec<u8>,
    after: Duration,
}

/// Addresses at which the same is said: perhaps one device. Several only where they are many.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Alike {
    /// The addresses.
    pub units: Vec<u8>,
    /// Code with which everything is refused there.
    pub refused: Option<u8>,
    /// Code with which the first question was refused.
    pub first_refusal: Option<u8>,
    /// What was asked last.
    pub question: Question,
    /// From the question to the answer.
    pub answer_time: Option<Duration>,
}

/// Asks many addresses at once.
#[derive(Debug, Clone)]
pub struct Volley {
    /// What is asked; the later ones of who refuses the earlier ones.
    questions: Vec<Question>,
    /// Addresses, and which question comes next.
    waiting: VecDeque<(u8, usize)>,
    /// By transaction id.
    open: BTreeMap<u16, Posted>,
    /// Given up, but a reply still counts.
    late: BTreeMap<u16, Posted>,
    silent_in_a_row: u32,
    /// Code of the first refusal, by address.
    refused: BTreeMap<u8, u8>,
    answers: BTreeMap<u8, Said>,
    /// After so many silent addresses it is enough.
    tells_after: Option<usize>,
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
            questions: vec![question],
            waiting: units.iter().map(|unit| (*unit, 0)).collect(),
            open: BTreeMap::new(),
            late: BTreeMap::new(),
            silent_in_a_row: 0,
            refused: BTreeMap::new(),
            answers: BTreeMap::new(),
            tells_after: None,
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

    /// The same, and whoever refuses is asked these as well.
    #[must_use]
    pub fn then(mut self, questions: impl IntoIterator<Item = Question>) -> Self {
        self.questions.extend(questions);
        self.questions.dedup();
        self
    }

    /// The same, but after so many addresses without one valid frame it is enough.
    #[must_use]
    pub fn tells_after(self, silent: usize) -> Self {
        Self {
            tells_after: Some(silent),
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
            && let Some((unit, question)) = self.waiting.front().copied()
            && let Some(question) = self.questions.get(question).copied()
        {
            return VolleyWant::Post(Ask { unit, question });
        }
        match self
            .oldest()
            .map(|(_, ends)| ends)
            .or_else(|| self.lingers(now))
        {
            Some(ends) => VolleyWant::WaitUntil(ends),
            None => VolleyWant::Done,
        }
    }

    /// Until when the last ones given up may still reply, where all is asked.
    fn lingers(&self, now: Duration) -> Option<Duration> {
        let is_silent =
            |posted: &&Posted| self.replies.get(&posted.unit) == Some(&VolleyReply::Nothing);
        let last = self
            .late
            .values()
            .filter(is_silent)
            .map(|posted| posted.at)
            .max()?;
        Some(last + PATIENCE).filter(|ends| *ends > now && !self.is_enough())
    }

    /// The question that was wanted is on its way.
    pub fn posted(&mut self, transaction: u16, now: Duration) {
        if let Some((unit, question)) = self.waiting.pop_front() {
            let company = self.open.len() + 1;
            for other in self.open.values_mut() {
                other.company = company;
            }
            let posted = Posted {
                unit,
                question,
                at: now,
                company,
            };
            self.open.insert(transaction, posted);
            self.most_open = self.most_open.max(self.open.len());
        }
    }

    /// Bytes came; whether an answer to a question of ours is among them.
    pub fn take(&mut self, now: Duration, bytes: &[u8]) -> bool {
        let stamp = ByteStamp {
            at: now,
            during: None,
        };
        self.splitter.push(bytes, stamp);
        let mut is_answer = false;
        while let Some(span) = self.splitter.next(None, false) {
            let frame = Adu::read(&span.bytes).filter(|_| span.kind == SpanKind::Frame);
            is_answer |= frame.is_some_and(|frame| self.frame(now, frame));
        }
        is_answer
    }

    /// The connection was closed; it is made anew.
    pub fn closed(&mut self, now: Duration) {
        self.closed += u32::from(self.open.len() <= 1);
        self.halve();
        self.splitter = Splitter::new(Framing::Tcp);
        self.last_news = now;
        self.late.clear();
        for posted in std::mem::take(&mut self.open).into_values() {
            if posted.company == 1 {
                self.once_more(posted, VolleyReply::Nothing);
            } else {
                self.was_too_many(posted);
            }
        }
    }

    /// It was lost beside others: so many are never outstanding again, and it is asked once more.
    fn was_too_many(&mut self, posted: Posted) {
        self.most = self.most.min(posted.company - 1).max(1);
        self.width = self.width.min(self.most);
        self.waiting.push_back((posted.unit, posted.question));
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

    /// Who answers, those that give data first; many that answer alike stand together.
    pub fn alike(&self) -> Vec<Alike> {
        let mut data: Vec<(&Said, Vec<u8>)> = Vec::new();
        let mut refusing: BTreeMap<u8, Vec<u8>> = BTreeMap::new();
        for (unit, code) in self.answering() {
            let said = self.answers.get(&unit).filter(|_| code.is_none());
            match (said, code) {
                (Some(said), _) => {
                    let is_like = |(other, _): &&mut (&Said, Vec<u8>)| {
                        (other.question, &other.pdu) == (said.question, &said.pdu)
                    };
                    match data.iter_mut().find(is_like) {
                        Some((_, units)) => units.push(unit),
                        None => data.push((said, vec![unit])),
                    }
                }
                (None, code) => refusing
                    .entry(code.unwrap_or_default())
                    .or_default()
                    .push(unit),
            }
        }
        let data = data.into_iter().map(|(said, units)| {
            let question = self.questions.get(said.question);
            (units, None, question, Some(said.after))
        });
        let last = self.questions.last();
        let refusing = refusing
            .into_iter()
            .map(|(code, units)| (units, Some(code), last, None));
        let mut all = Vec::new();
        for (units, refused, question, answer_time) in data.chain(refusing) {
            let Some(question) = question.copied() else {
                continue;
            };
            let size = if units.len() > MANY { units.len() } else { 1 };
            all.extend(units.chunks(size).map(|units| {
                Alike {
                    first_refusal: units
                        .first()
                        .and_then(|unit| self.refused.get(unit))
                        .copied(),
                    units: units.to_vec(),
                    refused,
                    question,
                    answer_time,
                }
            }));
        }
        all
    }

    fn is_enough(&self) -> bool {
        let is_mute = |silent| !self.has_heard && self.replies.len() >= silent;
        let gives_data = || self.answering().any(|(_, code)| code.is_none());
        self.is_shut_out()
            || self.tells_after.is_some_and(is_mute)
            || self.stops_at_first && gives_data()
    }

    /// Whether a frame answers a question of ours, which is then taken.
    fn frame(&mut self, now: Duration, frame: Adu<'_>) -> bool {
        let id = frame.transaction;
        let posted = self.open.get(&id).or_else(|| self.late.get(&id));
        let Some(posted) = posted.copied().filter(|posted| posted.unit == frame.unit) else {
            return false;
        };
        if self.open.remove(&id).is_none() {
            // It was not silent but slow, and asked again in vain.
            self.late.remove(&id);
            self.waiting.retain(|(unit, _)| *unit != posted.unit);
        }
        (self.last_news, self.has_heard, self.silent_in_a_row) = (now, true, 0);
        let refused = match frame.pdu {
            [function, code] if *function >= 0x80 => Some(*code),
            _ => None,
        };
        match refused {
            Some(0x06) => {
                self.halve();
                self.once_more(posted, VolleyReply::Somebody(Some(0x06)));
            }
            Some(0x0a) => {
                self.halve();
                self.once_more(posted, VolleyReply::NoPath);
            }
            Some(0x0b) => self.reply(posted.unit, VolleyReply::Silent),
            Some(code) => self.refused(posted, code),
            None => {
                let said = Said {
                    question: posted.question,
                    pdu: frame.pdu.to_vec(),
                    after: now.saturating_sub(posted.at),
                };
                self.answers.insert(posted.unit, said);
                self.reply(posted.unit, VolleyReply::Somebody(None));
            }
        }
        true
    }

    /// Somebody refuses: the next question, if there is one.
    fn refused(&mut self, posted: Posted, code: u8) {
        let first = *self.refused.entry(posted.unit).or_insert(code);
        if posted.question + 1 < self.questions.len() {
            self.waiting.push_front((posted.unit, posted.question + 1));
            self.width = (self.width + 1).min(self.most);
        } else {
            self.reply(posted.unit, VolleyReply::Somebody(Some(first)));
        }
    }

    fn reply(&mut self, unit: u8, reply: VolleyReply) {
        // Who has refused and then falls silent is not silent.
        let reply = match (reply, self.refused.get(&unit)) {
            (VolleyReply::Silent, Some(code)) => VolleyReply::Somebody(Some(*code)),
            (reply, _) => reply,
        };
        self.replies.insert(unit, reply);
        self.width = (self.width + 1).min(self.most);
    }

    fn halve(&mut self) {
        self.width = (self.width / 2).max(1);
    }

    /// Asks again, and takes this for the reply where that was done often enough.
    fn once_more(&mut self, posted: Posted, otherwise: VolleyReply) {
        if !self.open.is_empty() {
            // With others under way it says nothing of this address.
            self.waiting.push_back((posted.unit, posted.question));
            return;
        }
        let tries = self.tries.entry(posted.unit).or_default();
        *tries += 1;
        if *tries >= TRIES {
            self.replies.insert(posted.unit, otherwise);
        } else {
            self.waiting.push_back((posted.unit, posted.question));
        }
    }

    /// The question that was sent first, and when what is under way counts as lost.
    fn oldest(&self) -> Option<(u16, Duration)> {
        let (id, posted) = self.open.iter().min_by_key(|(_, posted)| posted.at)?;
        let ahead = u32::try_from(self.open.len() - 1).unwrap_or(u32::MAX);
        let since = self.last_news.max(posted.at);
        let patience = if self.silent_in_a_row < SILENT_IN_A_ROW {
            PATIENCE
        } else {
            SHORT_PATIENCE
        };
        Some((*id, since + patience + PATIENCE_EACH * ahead))
    }

    /// No news for longer than the patience: what is under way is lost. One that was alone is
    /// answered by nobody, unless it still comes; several may have been too many, and are asked again.
    fn give_up(&mut self, now: Duration) {
        if self.oldest().is_none_or(|(_, ends)| ends > now) {
            return;
        }
        self.halve();
        self.last_news = now;
        for (id, posted) in std::mem::take(&mut self.open) {
            self.late.insert(id, posted);
            if posted.company == 1 {
                self.silent_in_a_row += 1;
                self.reply_of_silence(posted.unit);
            } else {
                self.was_too_many(posted);
            }
        }
    }

    /// Nothing came; who has refused something before is there all the same.
    fn reply_of_silence(&mut self, unit: u8) {
        let refused = self.refused.get(&unit).copied();
        let reply = refused.map_or(VolleyReply::Nothing, |code| {
            VolleyReply::Somebody(Some(code))
        });
        self.replies.insert(unit, reply);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wire::Question;

    const READ: Question = Question::Read {
        table: packside_profiles::model::Table::Holding,
        address: 0,
        count: 1,
    };

    const DATA: [u8; 4] = [3, 2, 0, 7];

    /// Plays a server that answers each question after some time, or not at all; it is told how many answers
    /// are still to come.
    fn play(
        mut volley: Volley,
        answers: impl Fn(u8, &[u8], usize) -> Option<(u64, Vec<u8>)>,
    ) -> (Volley, Vec<u8>) {
        let mut now = Duration::ZERO;
        let (mut asked, mut coming): (Vec<u8>, Vec<(Duration, Vec<u8>)>) = (Vec::new(), Vec::new());
        loop {
            coming.sort();
            while coming.first().is_some_and(|(at, _)| *at <= now) {
                volley.take(now, &coming.remove(0).1);
            }
            match volley.next(now) {
                VolleyWant::Done => return (volley, asked),
                VolleyWant::Post(ask) => {
                    let id = u16::try_from(asked.len()).unwrap();
                    asked.push(ask.unit);
                    let pdu = ask.encode_pdu();
                    if let Some((after, said)) = answers(ask.unit, pdu.as_slice(), coming.len()) {
                        let length = u8::try_from(said.len() + 1).unwrap();
                        let head =
                            [&id.to_be_bytes()[..], &[0, 0, 0, length, ask.unit], &said].concat();
                        coming.push((now + Duration::from_millis(after), head));
                    }
                    volley.posted(id, now);
                }
                VolleyWant::WaitUntil(until) => {
                    let next = coming.first().map_or(until, |(at, _)| *at);
                    now = next.min(until);
                }
            }
        }
    }

    // Kind: invented (a server that says nothing to any address but its own)
    #[test]
    fn every_address_is_found_where_all_others_are_silent() {
        for unit in 1..=247 {
            let (volley, asked) = play(
                Volley::new(&Volley::likely_first(), READ, true),
                |other, _, _| (other == unit).then(|| (20, DATA.to_vec())),
            );
            assert_eq!(volley.answering().collect::<Vec<_>>(), [(unit, None)]);
            assert_eq!(asked.last(), Some(&unit));
        }
    }

    // Kind: invented
    #[test]
    fn slow_answer_counts_though_others_were_asked_meanwhile() {
        for after in [900, 1_500, 2_900] {
            let (volley, _) = play(
                Volley::new(&Volley::likely_first(), READ, true),
                |unit, _, _| (unit == 40).then(|| (after, DATA.to_vec())),
            );
            assert_eq!(
                volley.answering().collect::<Vec<_>>(),
                [(40, None)],
                "{after} ms"
            );
        }
    }

    // Kind: invented
    #[test]
    fn nobody_but_those_wanted_is_asked() {
        let (_, asked) = play(Volley::new(&[31], READ, true), |_, _, _| None);
        assert!(asked.iter().all(|unit| *unit == 31), "{asked:?}");
    }

    // Kind: published (Modbus Application Protocol V1.1b3, 6.13 and section 7: 01 for what it does not know)
    #[test]
    fn who_refuses_is_asked_the_other_questions() {
        let server = |unit: u8, pdu: &[u8], _: usize| {
            Some(match (unit, pdu) {
                (9, [0x11]) => (5, vec![0x11, 3, 0x42, 0x43, 0xff]),
                (_, [function, ..]) => (5, vec![function | 0x80, 1]),
                _ => (5, vec![0x83, 1]),
            })
        };
        let volley = Volley::new(&Volley::likely_first(), READ, false).then([Question::ServerId]);
        let (volley, _) = play(volley, server);
        let alike = volley.alike();
        // It gives data and stands first; all others are one.
        assert_eq!(alike[0].units, [9]);
        assert_eq!(
            (alike[0].refused, alike[0].question),
            (None, Question::ServerId)
        );
        assert_eq!((alike[1].refused, alike[1].units.len()), (Some(1), 246));
        assert_eq!(alike.len(), 2);
    }

    // Kind: invented (poor firmware reads one frame and drops what came with it)
    #[test]
    fn address_is_found_where_only_one_question_is_taken_at_a_time() {
        for unit in [1, 16, 60, 200, 247] {
            let volley = Volley::new(&Volley::likely_first(), READ, true);
            let (volley, _) = play(volley, |other, _, under_way| {
                let is_unit = other == unit;
                let said = if is_unit {
                    DATA.to_vec()
                } else {
                    vec![0x83, 0x0b]
                };
                (under_way == 0).then_some((5, said))
            });
            assert_eq!(volley.answering().collect::<Vec<_>>(), [(unit, None)]);
        }
    }

    // Kind: invented
    #[test]
    fn one_device_at_every_address_is_one() {
        let (volley, _) = play(
            Volley::new(&Volley::likely_first(), READ, false),
            |_, _, _| Some((5, DATA.to_vec())),
        );
        let alike = volley.alike();
        assert_eq!(alike.len(), 1);
        assert_eq!(alike[0].units.len(), 247);
    }
}
