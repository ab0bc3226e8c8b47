//! The conversation of others, from the events of a session.
//!
//! Where nobody of us asked, the listener's own [`Stream`] tells it, so a verdict rests on what the
//! listener shows. Where we asked as well, [`Pairing`] first takes out what could be ours.
//!
//! Does not: take any frame that could be our own answer or echo.

use std::borrow::Borrow;
use std::collections::{BTreeMap, VecDeque};
use std::time::Duration;

use super::classify::{FOREIGN_WAIT, unit_and_pdu};
use super::exchange::{Exchange, Outcome, Stray, StrayKind};
use super::pairing::{Logged, Pairing};
use crate::event::{Event, What};
use crate::wire::Framing;
use crate::wire::{Ask, Piece, PieceKind, Reply, Stream, read_request};

/// Answered questions whose second answer is waited for.
const ANSWERED: usize = 4;
/// Noise of more bytes between a question and an answer may hide another question.
const SPLINTERS: usize = 3;

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

/// All that was said on a link, by us and by others, from one pairing of its events.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Talk {
    /// Our own questions with what came of each.
    pub own: Vec<Exchange>,
    /// Read requests of somebody else with their answers.
    ///
    /// An answer counts if it follows its request directly, apart from splinters of noise, and fits
    /// it in unit, function and length. Only on RTU others can be overheard.
    pub overheard: Vec<Exchange>,
    /// Valid requests of somebody else: when, and to which unit.
    pub foreign_requests: Vec<(Duration, u8)>,
    /// Units that answered a question of ours a second time, with other content, and how often.
    ///
    /// Nobody else had asked in between: two units have this address, one slower than the other. The
    /// slower one may come when the next question is open already.
    pub second_answers: BTreeMap<u8, u32>,
}

impl Talk {
    /// Replays the events of a session.
    pub fn of(events: impl IntoIterator<Item: Borrow<Event>> + Copy) -> Self {
        let mut talking = Talking::new(super::framing(events));
        for event in events {
            talking.take(event.borrow());
        }
        talking.finish()
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
#[derive(Debug)]
pub(crate) struct Talking {
    pairing: Pairing,
    own: Vec<Exchange>,
    /// What others said, as long as nobody of us asked.
    only_heard: Option<OnlyHeard>,
}

impl Talking {
    /// Nothing happened yet.
    pub(crate) fn new(framing: Framing) -> Self {
        let is_rtu = framing == Framing::Rtu;
        let mut pairing = Pairing::new(framing);
        pairing.log = is_rtu.then(Vec::new);
        Self {
            pairing,
            own: Vec::new(),
            only_heard: is_rtu.then(OnlyHeard::default),
        }
    }

    /// Takes the next event.
    pub(crate) fn take(&mut self, event: &Event) {
        if matches!(event.what, What::Asked { .. } | What::Out(_)) {
            self.only_heard = None;
        }
        if let Some(heard) = &mut self.only_heard {
            heard.take(event);
        }
        self.own.extend(self.pairing.take(event));
    }

    /// Our own questions that ended so far, with what came of each.
    pub(crate) fn own(&self) -> &[Exchange] {
        &self.own
    }

    /// All that was said.
    pub(crate) fn finish(mut self) -> Talk {
        self.pairing.finish();
        let log = self.pairing.log.unwrap_or_default();
        let second_answers = second_answers(&log);
        let said = match self.only_heard {
            Some(heard) => heard.finish(),
            None => log.into_iter().map(said).collect(),
        };
        Talk {
            own: self.own,
            foreign_requests: requests(&said),
            overheard: overheard(said),
            second_answers,
        }
    }
}

fn requests(said: &[Said]) -> Vec<(Duration, u8)> {
    let requests = said.iter().filter_map(|said| match said {
        Said::Request(at, frame) => Some((*at, *frame.first()?)),
        _ => None,
    });
    requests.collect()
}

fn overheard(all: Vec<Said>) -> Vec<Exchange> {
    let mut exchanges = Vec::new();
    let mut asked: Option<(Duration, Ask)> = None;
    let mut noise = 0;
    for said in all {
        match said {
            Said::Noise(bytes) => {
                noise += bytes;
                if noise > SPLINTERS {
                    asked = None;
                }
            }
            Said::Request(at, frame) => {
                asked = read_request(&frame).map(|ask| (at, ask));
                noise = 0;
            }
            Said::Answer(at, frame) => {
                let number = u32::try_from(exchanges.len() + 1).unwrap_or(u32::MAX);
                let answered = asked.take();
                let answered = answered.and_then(|asked| answered_by(number, asked, at, &frame));
                exchanges.extend(answered);
            }
            Said::Other => asked = None,
        }
    }
    exchanges
}

fn second_answers(log: &[Logged]) -> BTreeMap<u8, u32> {
    let mut counts = BTreeMap::new();
    let mut answered: VecDeque<Ask> = VecDeque::new();
    for logged in log {
        match logged {
            Logged::Ours(ask) => {
                answered.push_front(*ask);
                answered.truncate(ANSWERED);
            }
            Logged::Stray(stray) if stray.kind == StrayKind::ForeignRequest => answered.clear(),
            Logged::Stray(stray) if is_for_another_question(stray.kind) => {
                let Some((unit, pdu)) = unit_and_pdu(&stray.bytes) else {
                    continue;
                };
                let fits = |ask: &Ask| ask.unit == unit && ask.decode(pdu).is_ok();
                if let Some(place) = answered.iter().position(fits) {
                    answered.remove(place);
                    *counts.entry(unit).or_insert(0) += 1;
                }
            }
            Logged::Stray(_) => {}
        }
    }
    counts
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
        Logged::Ours(_) => Said::Other,
        Logged::Stray(Stray { at, kind, bytes }) => match kind {
            StrayKind::Noise | StrayKind::Damaged => Said::Noise(bytes.len()),
            StrayKind::ForeignRequest => Said::Request(at, bytes),
            _ => Said::Answer(at, bytes),
        },
    }
}

/// The same where we only listened.
#[derive(Debug, Default)]
struct OnlyHeard {
    stream: Stream,
    said: Vec<Said>,
}

impl OnlyHeard {
    fn take(&mut self, event: &Event) {
        let said = &mut self.said;
        let mut take = |piece: Piece<'_>| said.push(heard(&piece));
        match &event.what {
            What::In(bytes) => self.stream.feed(bytes, event.at, &mut take),
            What::Lost { .. } => self.stream.finish(&mut take),
            _ => {}
        }
    }

    fn finish(mut self) -> Vec<Said> {
        let said = &mut self.said;
        self.stream
            .finish(|piece: Piece<'_>| said.push(heard(&piece)));
        self.said
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
