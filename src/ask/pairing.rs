//! The machine that pairs questions and answers.
//!
//! Everything it does is determined by the events it takes. It keeps: the open question, questions
//! without answer that may still be answered, answers seen lately, and a request heard from
//! somebody else that waits for its answer. What a frame is, `classify` says.

use std::collections::VecDeque;
use std::time::Duration;

use packside_profiles::LineSettings;

use super::exchange::{Exchange, Outcome, Silence, Stray, StrayKind};
use super::frame::{Named, looks_like_answer};
use crate::event::{Event, What};
use crate::wire::Framing;
use crate::wire::{Ask, ByteSpan, ByteStamp, SpanKind, Splitter};

/// Longest time that a path is taken to hold an answer back.
const HELD_BACK: Duration = Duration::from_secs(60);
/// A pause after which bytes of one frame no longer belong together, while nothing is asked.
const PAUSE: Duration = Duration::from_secs(1);
/// Most questions without answer that are remembered, of all units.
const UNANSWERED: usize = 1024;
/// Answers and transactions that are remembered to name duplicates.
const REMEMBERED: usize = 64;
/// Most strays of one exchange; further ones are dropped.
const STRAYS: usize = 64;
/// Longest run of noise kept in one piece.
const RUN: usize = 1024;
/// Most strays outside of exchanges that are kept; then the oldest go.
const OUTSIDE: usize = 4096;

/// The open question.
#[derive(Debug, Clone)]
pub(super) struct Open {
    pub(super) number: u32,
    pub(super) ask: Ask,
    pub(super) transaction: u16,
    pub(super) asked_at: Duration,
    pub(super) sent_at: Option<Duration>,
    /// Bytes of the request, empty until they went out.
    pub(super) request: Vec<u8>,
    /// A copy of the request was taken for its echo.
    pub(super) echo_seen: bool,
    /// A frame came in this exchange.
    pub(super) frame_seen: bool,
    /// Somebody else asks a question of this shape.
    pub(super) contested: bool,
    strays: Vec<Stray>,
    fence: bool,
}

/// A question whose answer has not come and may still come.
#[derive(Debug, Clone, Copy)]
pub(super) struct UnansweredAsk {
    pub(super) ask: Ask,
    at: Duration,
}

/// A request heard from somebody else.
#[derive(Debug, Clone)]
pub(super) struct ForeignRequest {
    pub(super) frame: Vec<u8>,
    /// Its question, if it is a read.
    pub(super) ask: Option<Ask>,
    pub(super) at: Duration,
}

/// An entry of the log that replay can keep.
#[derive(Debug, Clone)]
pub(super) enum Logged {
    Stray(Stray),
    /// An answer to this question of ours was accepted; over Modbus TCP with the number of the question.
    Ours(Ask, u16),
}

/// Pairs questions and answers.
#[derive(Debug, Clone)]
pub struct Pairing {
    pub(super) framing: Framing,
    line: Option<LineSettings>,
    splitter: Splitter,
    pub(super) open: Option<Open>,
    pub(super) unanswered: VecDeque<UnansweredAsk>,
    /// Accepted frames.
    pub(super) accepted: VecDeque<Vec<u8>>,
    /// Transaction ids and whether they were answered, oldest first.
    pub(super) transactions: VecDeque<(u16, bool)>,
    pub(super) foreign: Option<ForeignRequest>,
    /// When somebody else was last heard asking, and which unit.
    pub(super) heard_request: Option<(Duration, u8)>,
    echoes: Option<bool>,
    last_in: Duration,
    now: Duration,
    last_number: u32,
    /// Noise that may go on.
    run: Option<Stray>,
    outside: VecDeque<Stray>,
    pub(super) log: Option<Vec<Logged>>,
}

impl Pairing {
    /// Nothing happened yet.
    pub fn new(framing: Framing) -> Self {
        Self {
            framing,
            line: None,
            splitter: Splitter::new(framing),
            open: None,
            unanswered: VecDeque::new(),
            accepted: VecDeque::new(),
            transactions: VecDeque::new(),
            foreign: None,
            heard_request: None,
            echoes: None,
            last_in: Duration::ZERO,
            now: Duration::ZERO,
            last_number: 0,
            run: None,
            outside: VecDeque::new(),
            log: None,
        }
    }

    /// Takes the next event and gives the exchanges that it ends.
    pub fn take(&mut self, event: &Event) -> Vec<Exchange> {
        let mut done = Vec::new();
        self.now = self.now.max(event.at);
        match &event.what {
            What::Opened(facts) => {
                let line = facts.line();
                if self.line.is_some() && self.line != line {
                    // What is still on its way comes at the old settings and makes no frame now.
                    self.finish();
                    self.unanswered.clear();
                }
                self.line = line;
            }
            What::Asked {
                exchange,
                ask,
                transaction,
                ..
            } => self.asked(*exchange, *ask, transaction.unwrap_or(0), &mut done),
            What::Out(bytes) => self.sent(bytes),
            What::In(bytes) => self.received(bytes, event.at, &mut done),
            What::DeadlinePassed { exchange } => {
                if self.open.as_ref().is_some_and(|o| o.number == *exchange) {
                    self.give_up(false, &mut done);
                }
            }
            What::Lost { .. } => {
                self.give_up(true, &mut done);
                self.foreign = None;
                // What comes back may be wired otherwise.
                self.echoes = None;
            }
            What::Back
            | What::Marked(_)
            | What::Listening(_)
            | What::Clock(_)
            | What::Sighting { .. }
            | What::Mark(_)
            | What::Answer(_)
            | What::Photo { .. } => {}
        }
        done
    }

    /// Strays heard while no question was open, oldest first.
    pub fn strays_outside(&self) -> impl Iterator<Item = &Stray> {
        self.outside.iter()
    }

    /// Whether the link gives our own requests back: `None` until it was shown either way.
    pub fn echoes(&self) -> Option<bool> {
        self.echoes
    }

    /// When somebody else was last heard asking, and which unit.
    pub fn heard_request(&self) -> Option<(Duration, u8)> {
        self.heard_request
    }

    /// Number of the last exchange.
    pub(super) fn last_number(&self) -> u32 {
        self.last_number
    }

    /// Time has passed without an event.
    pub(super) fn tick(&mut self, now: Duration) {
        self.now = self.now.max(now);
        let now = self.now;
        self.unanswered
            .retain(|u| now.saturating_sub(u.at) < HELD_BACK);
    }

    /// Questions to a unit whose answers may still come.
    pub(super) fn unanswered_of(&self, unit: u8) -> impl Iterator<Item = &Ask> {
        let asks = self.unanswered.iter().map(|u| &u.ask);
        asks.filter(move |ask| ask.unit == unit)
    }

    /// Decides what is still undecided, as if the wait was over.
    pub(super) fn finish(&mut self) {
        self.sort_out(true, &mut Vec::new());
        self.end_run();
    }

    fn asked(&mut self, number: u32, ask: Ask, transaction: u16, done: &mut Vec<Exchange>) {
        if self.open.as_ref().is_some_and(|o| o.number == number) {
            return;
        }
        // Bytes that are still undecided may be the begin of a late answer or of somebody else's
        // request, whose rest comes during this exchange: they stay undecided.
        if self.open.is_some() {
            self.give_up(false, done);
        }
        self.tick(self.now);
        if self.now.saturating_sub(self.last_in) > PAUSE {
            self.sort_out(true, done);
        }
        self.end_run();
        self.last_number = number;
        self.forget_old_foreign(self.now);
        let fence = self.framing == Framing::Rtu && self.unanswered_of(ask.unit).next().is_some();
        let contested = self
            .awaited()
            .is_some_and(|other| other.shares_answers_with(&ask));
        self.open = Some(Open {
            number,
            ask,
            transaction,
            asked_at: self.now,
            sent_at: None,
            request: Vec::new(),
            echo_seen: false,
            frame_seen: false,
            contested,
            strays: Vec::new(),
            fence,
        });
    }

    fn sent(&mut self, bytes: &[u8]) {
        let Some(open) = &mut self.open else { return };
        let on_wire = self
            .line
            .map(|line| open.asked_at + line.characters(bytes.len()));
        open.sent_at = Some(on_wire.map_or(self.now, |end| end.max(self.now)));
        open.request.extend(bytes);
        open.request.truncate(RUN);
    }

    fn received(&mut self, bytes: &[u8], at: Duration, done: &mut Vec<Exchange>) {
        if self.open.is_none() && self.now.saturating_sub(self.last_in) > PAUSE {
            self.sort_out(true, done);
            self.end_run();
        }
        self.last_in = self.now;
        // Bytes read before the question may lie in a queue until after it was sent.
        let is_during = |open: &&Open| !open.request.is_empty() && at >= open.asked_at;
        let during = self.open.as_ref().filter(is_during).map(|o| o.number);
        self.splitter.push(bytes, ByteStamp { at, during });
        self.sort_out(false, done);
    }

    /// Takes all spans that can be told.
    fn sort_out(&mut self, is_over: bool, done: &mut Vec<Exchange>) {
        loop {
            let expected = self.open.as_ref().map(|open| (&open.ask, open.transaction));
            let unanswered = self.unanswered.iter().map(|u| u.ask);
            let others: Vec<Ask> = unanswered.chain(self.awaited().copied()).collect();
            let Some(span) = self.splitter.next_knowing(expected, &others, is_over) else {
                return;
            };
            match span.kind {
                SpanKind::Noise => self.noise(span),
                SpanKind::Frame => {
                    self.end_run();
                    self.frame(span, done);
                }
            }
        }
    }

    fn noise(&mut self, span: ByteSpan) {
        match &mut self.run {
            Some(run) if run.bytes.len() + span.bytes.len() <= RUN => {
                run.at = span.last.at;
                run.bytes.extend(span.bytes);
            }
            _ => {
                self.end_run();
                self.run = Some(Stray {
                    at: span.last.at,
                    kind: StrayKind::Noise,
                    bytes: span.bytes,
                });
            }
        }
    }

    /// The noise so far is over: names it.
    fn end_run(&mut self) {
        let Some(mut run) = self.run.take() else {
            return;
        };
        let open = self.open.as_ref();
        if open.is_some_and(|open| looks_like_answer(&run.bytes, &open.ask, self.framing)) {
            run.kind = StrayKind::Damaged;
        }
        self.stray(run);
    }

    fn frame(&mut self, span: ByteSpan, done: &mut Vec<Exchange>) {
        let named = self.name(&span);
        if let Some(open) = &mut self.open {
            open.frame_seen = true;
        }
        match named {
            Named::Accepted(outcome) => self.accept(span, outcome, done),
            Named::Stray(kind) => self.stray(Stray {
                at: span.last.at,
                kind,
                bytes: span.bytes,
            }),
        }
    }

    fn accept(&mut self, span: ByteSpan, outcome: Outcome, done: &mut Vec<Exchange>) {
        let Some(open) = self.open.take() else { return };
        self.learn_echo(&open, &span.bytes);
        // Order is kept on the way to a unit: what was asked of it before cannot be answered now.
        // A refusal proves no order: a gateway may give it by itself, past the queue of the line.
        if matches!(outcome, Outcome::Answered(_)) {
            self.unanswered.retain(|u| u.ask.unit != open.ask.unit);
        }
        remember(&mut self.transactions, (open.transaction, true));
        remember(&mut self.accepted, span.bytes);
        if let Some(log) = &mut self.log {
            log.push(Logged::Ours(open.ask, open.transaction));
        }
        let times = (span.last.at, Some(span.first.at));
        done.push(ended(open, outcome, times));
    }

    /// An answer was accepted: now it is known whether the request came back before it.
    fn learn_echo(&mut self, open: &Open, frame: &[u8]) {
        if open.echo_seen {
            self.echoes = Some(true);
        } else if self.echoes.is_none() && frame != open.request && open.strays.is_empty() {
            self.echoes = Some(false);
        }
    }

    /// A copy of the request came that can be nothing but its echo.
    pub(super) fn note_echo(&mut self) {
        self.echoes = Some(true);
    }

    /// Ends the open question without an answer.
    fn give_up(&mut self, is_lost: bool, done: &mut Vec<Exchange>) {
        self.sort_out(true, done);
        self.end_run();
        let Some(open) = self.open.take() else { return };
        let outcome = if is_lost {
            Outcome::LinkLost
        } else {
            Outcome::TimedOut(silence(&open.strays))
        };
        remember(&mut self.transactions, (open.transaction, false));
        if self.framing == Framing::Rtu && !open.request.is_empty() {
            if self.unanswered.len() >= UNANSWERED {
                self.unanswered.pop_front();
            }
            let at = self.now;
            self.unanswered
                .push_back(UnansweredAsk { ask: open.ask, at });
        }
        done.push(ended(open, outcome, (self.now, None)));
    }

    fn stray(&mut self, stray: Stray) {
        if let Some(log) = &mut self.log {
            log.push(Logged::Stray(stray.clone()));
        }
        match &mut self.open {
            Some(open) if open.strays.len() < STRAYS => open.strays.push(stray),
            Some(_) => {}
            None => {
                if self.outside.len() >= OUTSIDE {
                    self.outside.pop_front();
                }
                self.outside.push_back(stray);
            }
        }
    }
}

fn remember<T>(list: &mut VecDeque<T>, item: T) {
    if list.len() >= REMEMBERED {
        list.pop_front();
    }
    list.push_back(item);
}

fn ended(open: Open, outcome: Outcome, times: (Duration, Option<Duration>)) -> Exchange {
    Exchange {
        number: open.number,
        ask: open.ask,
        asked_at: open.asked_at,
        sent_at: open.sent_at,
        ended_at: times.0,
        first_byte_at: times.1,
        outcome,
        strays: open.strays,
        fence: open.fence,
    }
}

/// What the strays of a wait amount to.
fn silence(strays: &[Stray]) -> Silence {
    let is = |kinds: &[StrayKind]| strays.iter().any(|stray| kinds.contains(&stray.kind));
    if strays.is_empty() {
        Silence::Nothing
    } else if is(&[StrayKind::Damaged, StrayKind::Noise]) {
        Silence::Damaged
    } else if strays.iter().all(|stray| stray.kind == StrayKind::Echo) {
        Silence::OnlyEcho
    } else {
        Silence::OnlyNotOurs
    }
}
