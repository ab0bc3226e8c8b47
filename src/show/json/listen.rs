//! What was overheard, a line for each thing heard and a summary at the end: `packside.listen/1`.

use std::collections::BTreeMap;
use std::time::Duration;

use serde::Serialize;

use super::check::{Check, Finding, Reading, Verdict};
use super::{by_code, fine_ms, ms};
use crate::event::LinkFacts;
use crate::facts::{Judgement, ReadingQuality};
use crate::listen::{self, Fate, Overheard, Utterance};
use crate::wire::hex;

/// Name and version of the schema.
const SCHEMA: &str = "packside.listen/1";

/// One line.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(tag = "type", rename_all = "kebab-case")]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub enum Line {
    /// Before the first byte.
    Start {
        /// `packside.listen/1`.
        schema: &'static str,
        /// Version of this tool.
        tool: &'static str,
    },
    /// It is listened at these line settings from now on; all counts begin anew.
    Settings {
        /// Line settings.
        line: String,
    },
    /// A question and what came of it.
    Exchange(Exchange),
    /// Bytes in no frame.
    Noise {
        /// When they began.
        at_ms: u64,
        /// How many.
        bytes: usize,
    },
    /// The end.
    Summary(Box<Summary>),
}

/// A question that somebody else asked, and what came of it.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Exchange {
    /// When the question was complete.
    pub at_ms: u64,
    /// Unit address.
    pub unit: u8,
    /// Function code.
    pub function: u8,
    /// First register, from 0.
    pub register: Option<u16>,
    /// How many.
    pub count: Option<u16>,
    /// What came of it.
    pub outcome: &'static str,
    /// Exception code with which it was refused.
    pub exception: Option<u8>,
    /// The same question went unanswered just before.
    pub retry: bool,
    /// This tool asked it.
    pub ours: bool,
    /// From the end of the question to the answer.
    pub answer_ms: Option<f64>,
    /// The question as a whole frame, hex.
    pub request: Option<String>,
    /// The answer as a whole frame, hex.
    pub answer: Option<String>,
}

/// Everything that was heard.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Summary {
    /// No real line: it came from the simulator.
    pub simulated: bool,
    /// How long; null where the bytes came without times.
    pub listened_ms: Option<u64>,
    /// Bytes.
    pub bytes: u64,
    /// Frames with a right check.
    pub frames: u64,
    /// Questions that were answered or refused.
    pub exchanges: u64,
    /// Bytes in no frame.
    pub noise_bytes: u64,
    /// At least so many ask.
    pub clients: u8,
    /// What shows that it is more than one.
    pub clients_why: Option<String>,
    /// Questions.
    pub requests: u64,
    /// Answered.
    pub answered: u64,
    /// Refused.
    pub exceptions: u64,
    /// The same by exception code, hex.
    pub exceptions_by_code: BTreeMap<String, u32>,
    /// Without an answer.
    pub unanswered: u64,
    /// Followed by bytes that are no frame.
    pub damaged: u64,
    /// Answered with something else: by another unit, at another length.
    pub mismatched: u64,
    /// Answers whose question was not heard.
    pub unasked: u64,
    /// Questions that came back from the line.
    pub echoes: u64,
    /// Questions of our own, in a recording.
    pub ours: u64,
    /// Valid frames whose function, exception code or count no standard names.
    pub unlisted: u64,
    /// The same by function code, hex.
    pub unlisted_by_function: BTreeMap<String, u32>,
    /// Runs of bytes between frames that are another protocol.
    pub foreign_runs: u64,
    /// Runs of bytes between frames that are proven to be damaged frames.
    pub damaged_runs: u64,
    /// Runs of bytes between frames that are neither for certain.
    pub unclear_runs: u64,
    /// Questions that were asked again.
    pub retries: u64,
    /// Questions to all units.
    pub broadcasts: u64,
    /// Share of frames that are proven to be damaged.
    pub damage: Damage,
    /// Half of the answers were faster.
    pub answer_ms_p50: Option<f64>,
    /// Nine of ten were faster.
    pub answer_ms_p90: Option<f64>,
    /// Ninety-nine of a hundred were faster.
    pub answer_ms_p99: Option<f64>,
    /// The slowest.
    pub answer_ms_max: Option<f64>,
    /// Addresses.
    pub units: Vec<Unit>,
    /// Addresses that were asked twice or more and never answered.
    pub silent_units: Vec<u8>,
    /// Kinds of questions.
    pub polls: Vec<Poll>,
    /// What the line looks like, the most important first.
    pub pictures: Vec<Picture>,
    /// With a register map: the verdict, as in `packside.check/1`.
    pub verdict: Option<Verdict>,
    /// With a register map: what the other one read.
    pub readings: Option<Vec<Reading>>,
    /// With a register map: what was found.
    pub findings: Option<Vec<Finding>>,
    /// With a register map: points for which nobody asked.
    pub never_asked: Option<Vec<String>>,
}

/// Share of damaged frames with its 95 % interval, 0 to 1.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Damage {
    /// As counted.
    pub share: f64,
    /// Lower end.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

/// How often an address was asked and answered.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Unit {
    /// Unit address.
    pub unit: u8,
    /// Questions.
    pub requests: u32,
    /// Answers.
    pub answers: u32,
}

/// A kind of question.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Poll {
    /// Unit address.
    pub unit: u8,
    /// Function code.
    pub function: u8,
    /// First register, from 0.
    pub register: Option<u16>,
    /// How many.
    pub count: Option<u16>,
    /// Whether it changes something.
    pub writes: bool,
    /// How often it was asked.
    pub requests: u32,
    /// Answered.
    pub answered: u32,
    /// Refused.
    pub exceptions: u32,
    /// Usual time between two.
    pub period_ms: Option<f64>,
}

/// What a line looks like.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Picture {
    /// Its id.
    pub id: &'static str,
    /// How sure.
    pub strength: &'static str,
    /// In one sentence.
    pub text: String,
    /// What shows it.
    pub why: Vec<String>,
    /// What to do next.
    pub next: String,
}

impl Line {
    /// Before the first byte.
    pub fn start() -> Self {
        Self::Start {
            schema: SCHEMA,
            tool: super::TOOL,
        }
    }

    /// The end: everything that was heard. `listened` where the bytes had times; a judgement where there is
    /// a register map.
    pub fn summary(
        summary: &listen::Summary,
        pictures: &[listen::Picture],
        judgement: Option<&Judgement>,
        listened: Option<Duration>,
        facts: Option<&LinkFacts>,
    ) -> Self {
        let summary = Summary::of(summary, pictures, judgement, listened, facts);
        Self::Summary(Box::new(summary))
    }

    /// Something that was heard.
    pub fn told(told: &Utterance) -> Self {
        match told {
            Utterance::Noise { at, bytes } => Self::Noise {
                at_ms: ms(*at),
                bytes: *bytes,
            },
            Utterance::Exchange(exchange) => Self::Exchange(Exchange::of(exchange)),
        }
    }
}

impl Exchange {
    fn of(exchange: &Overheard) -> Self {
        let frame = |bytes: &[u8]| (!bytes.is_empty()).then(|| hex(bytes));
        Self {
            at_ms: ms(exchange.at),
            unit: exchange.unit(),
            function: exchange.function(),
            register: exchange.register(),
            count: exchange.count(),
            outcome: exchange.fate.id(),
            exception: match exchange.fate {
                Fate::Exception(code) => Some(code),
                _ => None,
            },
            retry: exchange.is_retry,
            ours: exchange.is_ours,
            answer_ms: exchange.waited.map(fine_ms),
            request: frame(&exchange.request),
            answer: frame(&exchange.answer),
        }
    }
}

impl Summary {
    fn of(
        summary: &listen::Summary,
        pictures: &[listen::Picture],
        judgement: Option<&Judgement>,
        listened: Option<Duration>,
        facts: Option<&LinkFacts>,
    ) -> Self {
        let fine = |time: Option<Duration>| time.map(fine_ms);
        let check = judgement.map(|judgement| Check::of(judgement, None, facts));
        let (verdict, readings, findings) = check.map_or((None, None, None), |check| {
            (
                Some(check.verdict),
                Some(check.readings),
                Some(check.findings),
            )
        });
        let unasked = |judgement| never_asked(judgement).map(str::to_owned).collect();
        Self {
            simulated: facts.is_some_and(LinkFacts::is_simulated),
            listened_ms: listened.map(ms),
            bytes: summary.bytes,
            frames: summary.frames,
            exchanges: summary.answered + summary.exceptions,
            noise_bytes: summary.noise_bytes,
            clients: summary.clients.count,
            clients_why: summary.clients.why.clone(),
            requests: summary.requests,
            answered: summary.answered,
            exceptions: summary.exceptions,
            exceptions_by_code: by_code(summary.by_exception.iter().map(|(c, n)| (*c, *n))),
            unanswered: summary.unanswered,
            damaged: summary.garbled,
            mismatched: summary.mismatched,
            unasked: summary.unasked,
            echoes: summary.echoes,
            ours: summary.ours,
            unlisted: summary.unlisted,
            unlisted_by_function: by_code(summary.by_unlisted.iter().map(|(c, n)| (*c, *n))),
            foreign_runs: summary.foreign,
            damaged_runs: summary.damaged,
            unclear_runs: summary.unclear,
            retries: summary.retries,
            broadcasts: summary.broadcasts,
            damage: Damage {
                share: summary.damage.seen,
                low: summary.damage.low,
                high: summary.damage.high,
            },
            answer_ms_p50: fine(summary.answer_p50),
            answer_ms_p90: fine(summary.answer_p90),
            answer_ms_p99: fine(summary.answer_p99),
            answer_ms_max: fine(summary.answer_max),
            units: summary.units.iter().map(Unit::of).collect(),
            silent_units: summary.silent_units(),
            polls: summary.polls.iter().map(Poll::of).collect(),
            pictures: pictures.iter().map(Picture::of).collect(),
            verdict,
            readings,
            findings,
            never_asked: judgement.map(unasked),
        }
    }
}

/// Names of the points for which nobody asked.
pub fn never_asked(judgement: &Judgement) -> impl Iterator<Item = &str> {
    let readings = judgement.readings.iter();
    let unasked = readings.filter(|reading| reading.quality == ReadingQuality::NeverAsked);
    unasked.map(|reading| reading.name.as_str())
}

impl Unit {
    fn of((unit, tally): (&u8, &listen::UnitTally)) -> Self {
        Self {
            unit: *unit,
            requests: tally.requests,
            answers: tally.answers,
        }
    }
}

impl Poll {
    fn of(poll: &listen::Poll) -> Self {
        Self {
            unit: poll.asked.unit,
            function: poll.asked.function,
            register: poll.asked.register,
            count: poll.asked.count,
            writes: poll.asked.writes(),
            requests: poll.requests,
            answered: poll.answered,
            exceptions: poll.exceptions,
            period_ms: poll.period.map(fine_ms),
        }
    }
}

impl Picture {
    fn of(picture: &listen::Picture) -> Self {
        Self {
            id: picture.id.id(),
            strength: picture.strength.id(),
            text: picture.text.clone(),
            why: picture.why.clone(),
            next: picture.next.clone(),
        }
    }
}
