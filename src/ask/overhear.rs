//! The conversation of others, from the events of a session, as soon as each part of it is decided.
//!
//! Input: events. Output: [`Told`], one after the other; nothing is kept that was told. Where nobody of
//! us asked yet, the listener's own [`Stream`] tells it, so a verdict rests on what the listener shows.
//! Once we ask, [`Pairing`] first takes out what could be ours. What was overheard before stays as heard.
//!
//! Does not: take any frame that could be our own answer or echo.

use std::borrow::Borrow;
use std::collections::{BTreeMap, VecDeque};
use std::time::Duration;

use super::exchange::{Exchange, Outcome, Stray, StrayKind};
use super::frame::{FOREIGN_WAIT, unit_and_pdu};
use super::pairing::{Logged, Pairing};
use crate::event::{Event, What};
use crate::wire::Framing;
use crate::wire::{Adu, Answer, Ask, Piece, PieceKind, Reply, Stream, read_request};

/// Answered questions whose second answer is waited for.
const ANSWERED: usize = 4;
/// The same over Modbus TCP, where late ones come behind a slow gateway.
const NUMBERED: usize = 16;
/// Noise of more bytes between a question and an answer may hide another question.
const SPLINTERS: usize = 3;

/// Something that was said on a link.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Told {
    /// A question of ours that ended, with what came of it.
    Own(Exchange),
    /// A read request of somebody else with its answer.
    ///
    /// An answer counts if it follows its request directly, apart from splinters of noise, and fits
    /// it in unit, function and length. Only on RTU others can be overheard.
    Overheard(Exchange),
    /// A valid request of somebody else: when, and to which unit.
    Request(Duration, u8),
    /// A unit answered a question of ours a second time, with other content.
    ///
    /// Nobody else had asked in between: two units have this address, one slower than the other. The
    /// slower one may come when the next question is open already.
    Twice(u8),
    /// A question of ours was answered once more over Modbus TCP, where a number says which one: when, the
    /// question, and the registers of this answer.
    Again(Duration, Ask, Vec<u16>),
}

/// All that was said on a link, by us and by others, from one pairing of its events.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Talk {
    /// Our own questions with what came of each.
    pub own: Vec<Exchange>,
    /// Read requests of somebody else with their answers.
    pub overheard: Vec<Exchange>,
    /// Valid requests of somebody else: when, and to which unit.
    pub foreign_requests: Vec<(Duration, u8)>,
    /// Units that answered a question of ours a second time, and how often.
    pub second_answers: BTreeMap<u8, u32>,
}

impl Talk {
    /// Replays the events of a session that is over.
    pub fn of(events: impl IntoIterator<Item: Borrow<Event>>) -> Self {
        let mut talk = Self::default();
        let mut talking = Talking::new();
        for event in events {
            talking.take(event.borrow(), &mut |told| talk.add(told));
        }
        talking.finish(&mut |told| talk.add(told));
        talk
    }

    fn add(&mut self, told: Told) {
        match told {
            Told::Own(exchange) => self.own.push(exchange),
            Told::Overheard(exchange) => self.overheard.push(exchange),
            Told::Request(at, unit) => self.foreign_requests.push((at, unit)),
            Told::Twice(unit) => *self.second_answers.entry(unit).or_insert(0) += 1,
            Told::Again(..) => {}
        }
    }

    /// Own exchanges and those of others, in the order in which they ended: somebody else's
    /// questions and the answers to them are evidence like our own.
    pub fn all(&self) -> Vec<&Exchange> {
        let mut all: Vec<&Exchange> = self.own.iter().chain(&self.overheard).collect();
        all.sort_by_key(|exchange| exchange.ended_at);
        all
    }
}

/// A talk that goes on.
#[derive(Debug, Clone)]
pub(crate) struct Talking {
    is_opened: bool,
    pairing: Pairing,
    /// What others say, as long as nobody of us asked.
    only_heard: Option<Stream>,
    /// When bytes last came.
    last_in: Duration,
    /// Bytes that came no later were told as heard.
    heard_until: Option<Duration>,
    others: OthersTalk,
    /// Questions of ours that were answered, the last one first.
    answered: VecDeque<Ask>,
    /// The same over Modbus TCP, each with its number.
    numbered: VecDeque<(u16, Ask)>,
}

impl Talking {
    /// Nothing happened yet.
    pub(crate) fn new() -> Self {
        Self {
            is_opened: false,
            pairing: pairing(Framing::Rtu),
            only_heard: Some(Stream::new()),
            last_in: Duration::ZERO,
            heard_until: None,
            others: OthersTalk::default(),
            answered: VecDeque::new(),
            numbered: VecDeque::new(),
        }
    }

    /// Takes the next event, and gives what it decides.
    pub(crate) fn take(&mut self, event: &Event, give: &mut impl FnMut(Told)) {
        match &event.what {
            What::Opened(facts) if !self.is_opened => {
                self.is_opened = true;
                if facts.framing == Framing::Tcp {
                    self.pairing = pairing(Framing::Tcp);
                    self.only_heard = None;
                }
            }
            What::Asked { .. } | What::Out(_) => self.end_of_hearing(give),
            What::In(_) => self.last_in = event.at,
            _ => {}
        }
        if let Some(stream) = &mut self.only_heard {
            let others = &mut self.others;
            let mut take = |piece: Piece<'_>| others.take(heard(&piece), give);
            match &event.what {
                What::In(bytes) => stream.feed(bytes, event.at, &mut take),
                What::Lost { .. } => stream.finish(&mut take),
                _ => {}
            }
        }
        for exchange in self.pairing.take(event) {
            give(Told::Own(exchange));
        }
        self.tell_log(give);
    }

    /// The session is over: decides what is undecided. A question that is open stays without an end.
    pub(crate) fn finish(&mut self, give: &mut impl FnMut(Told)) {
        self.end_of_hearing(give);
        self.pairing.finish();
        self.tell_log(give);
    }

    /// From now on somebody of us asks.
    fn end_of_hearing(&mut self, give: &mut impl FnMut(Told)) {
        let Some(mut stream) = self.only_heard.take() else {
            return;
        };
        let others = &mut self.others;
        stream.finish(|piece: Piece<'_>| others.take(heard(&piece), give));
        self.heard_until = Some(self.last_in);
    }

    /// What the pairing found to be no answer to us.
    fn tell_log(&mut self, give: &mut impl FnMut(Told)) {
        let Some(log) = &mut self.pairing.log else {
            return;
        };
        let log = std::mem::take(log);
        if self.pairing.framing == Framing::Tcp {
            // Nobody else can be overheard there.
            for logged in &log {
                self.numbered(logged, give);
            }
            return;
        }
        for logged in log {
            if let Some(unit) = second_answer(&mut self.answered, &logged) {
                give(Told::Twice(unit));
            }
            let is_told = match &logged {
                Logged::Ours(..) => false,
                Logged::Stray(stray) => {
                    self.only_heard.is_some() || self.heard_until.is_some_and(|at| stray.at <= at)
                }
            };
            if !is_told {
                self.others.take(said(logged), give);
            }
        }
    }

    /// Whether an answer over Modbus TCP is the second one to a question of ours, by its number.
    fn numbered(&mut self, logged: &Logged, give: &mut impl FnMut(Told)) {
        let stray = match logged {
            Logged::Ours(ask, number) => {
                self.numbered.push_front((*number, *ask));
                self.numbered.truncate(NUMBERED);
                return;
            }
            Logged::Stray(stray) if stray.kind == StrayKind::Duplicate => stray,
            Logged::Stray(_) => return,
        };
        let Some(adu) = Adu::read(&stray.bytes) else {
            return;
        };
        let mut known = self.numbered.iter();
        let ask = known.find(|(number, ask)| *number == adu.transaction && ask.unit == adu.unit);
        if let Some((_, ask)) = ask
            && let Ok(Reply::Answer(Answer::Registers(words))) = ask.decode(adu.pdu)
        {
            give(Told::Again(stray.at, *ask, words));
        }
    }
}

fn pairing(framing: Framing) -> Pairing {
    let mut pairing = Pairing::new(framing);
    pairing.log = Some(Vec::new());
    pairing
}

/// Something that others said, in order.
#[derive(Debug)]
enum Said {
    Request(Duration, Vec<u8>),
    /// When, and its bytes.
    Answer(Duration, Vec<u8>),
    Noise(usize),
    /// Something of ours, or an answer that belongs to nobody: what was asked before is over.
    Other,
}

/// What others say among each other.
#[derive(Debug, Clone, Default)]
struct OthersTalk {
    /// The read request that waits for its answer.
    asked: Option<(Duration, Ask)>,
    /// Bytes of noise since then.
    noise: usize,
    /// Exchanges so far.
    count: u32,
}

impl OthersTalk {
    fn take(&mut self, said: Said, give: &mut impl FnMut(Told)) {
        match said {
            Said::Noise(bytes) => {
                self.noise += bytes;
                if self.noise > SPLINTERS {
                    self.asked = None;
                }
            }
            Said::Request(at, frame) => {
                if let Some(unit) = frame.first() {
                    give(Told::Request(at, *unit));
                }
                self.asked = read_request(&frame).map(|ask| (at, ask));
                self.noise = 0;
            }
            Said::Answer(at, frame) => {
                let number = self.count.saturating_add(1);
                let answered = self.asked.take();
                let answered = answered.and_then(|asked| answered_by(number, asked, at, &frame));
                if let Some(exchange) = answered {
                    self.count = number;
                    give(Told::Overheard(exchange));
                }
            }
            Said::Other => self.asked = None,
        }
    }
}

/// The unit that answered a question of ours a second time, if this says so.
fn second_answer(answered: &mut VecDeque<Ask>, logged: &Logged) -> Option<u8> {
    match logged {
        Logged::Ours(ask, _) => {
            answered.push_front(*ask);
            answered.truncate(ANSWERED);
            None
        }
        Logged::Stray(stray) if stray.kind == StrayKind::ForeignRequest => {
            answered.clear();
            None
        }
        Logged::Stray(stray) if is_for_another_question(stray.kind) => {
            let (unit, pdu) = unit_and_pdu(&stray.bytes)?;
            let fits = |ask: &Ask| ask.unit == unit && ask.decode(pdu).is_ok();
            let place = answered.iter().position(fits)?;
            answered.remove(place);
            Some(unit)
        }
        Logged::Stray(_) => None,
    }
}

/// Valid, from the unit, and no answer to the question that is open.
fn is_for_another_question(kind: StrayKind) -> bool {
    matches!(
        kind,
        StrayKind::ForeignAnswer | StrayKind::WrongCount | StrayKind::WrongFunction
    )
}

/// The exchange, if this frame answers that request.
fn answered_by(
    number: u32,
    (asked_at, ask): (Duration, Ask),
    at: Duration,
    frame: &[u8],
) -> Option<Exchange> {
    let (unit, pdu) = unit_and_pdu(frame)?;
    let in_time = at.saturating_sub(asked_at) <= FOREIGN_WAIT;
    let reply = ask
        .decode(pdu)
        .ok()
        .filter(|_| unit == ask.unit && in_time)?;
    Some(Exchange {
        number,
        ask,
        asked_at,
        sent_at: Some(asked_at),
        ended_at: at,
        first_byte_at: None,
        outcome: match reply {
            Reply::Answer(answer) => Outcome::Answered(answer),
            Reply::Exception(code) => Outcome::Exception(code),
        },
        strays: Vec::new(),
        fence: false,
    })
}

/// What others said in something that was no answer to us.
fn said(logged: Logged) -> Said {
    match logged {
        Logged::Ours(..) => Said::Other,
        Logged::Stray(Stray { at, kind, bytes }) => match kind {
            StrayKind::Noise | StrayKind::Damaged => Said::Noise(bytes.len()),
            StrayKind::ForeignRequest => Said::Request(at, bytes),
            _ => Said::Answer(at, bytes),
        },
    }
}

fn heard(piece: &Piece<'_>) -> Said {
    match piece.kind {
        PieceKind::Noise => Said::Noise(piece.bytes.len()),
        PieceKind::Request => Said::Request(piece.last, piece.bytes.to_vec()),
        PieceKind::Answer { answers: true } | PieceKind::Exception { answers: true } => {
            Said::Answer(piece.last, piece.bytes.to_vec())
        }
        PieceKind::Answer { .. } | PieceKind::Exception { .. } | PieceKind::Unknown => Said::Other,
    }
}
