//! A link that asks: keeps the silences, sends what the asker says, waits, and records all of it.
//!
//! Takes one [`Ask`] at a time and gives its [`Exchange`]. At most one request is outstanding.
//!
//! Does not: decide which answer belongs to which question (see [`crate::ask`]), or send anything
//! that is not an [`Ask`].
//!
//! # Invariants
//! - Before a request, no byte has been on the line in either direction for a frame silence.
//! - After a valid foreign request was heard, nothing is sent any more; only
//!   [`Asking::into_quiet`] is left. The user's explicit word and a simulated link are exempt.
//! - Every wait is bounded.
//!
//! # Sources
//! - Modbus over Serial Line V1.02, 2.1 (one client at a time), 2.5.1.1 (silence of 3.5 characters)

use std::collections::BTreeSet;
use std::time::Duration;

use packside_profiles::LineSettings;
use packside_profiles::line::Parity;
use packside_profiles::model::Table;

use super::tap::{Tap, WaitHeard};
use super::{Grounds, LinkTrouble, NotShown, Notice, Pacing, Proof, Quiet, at_once};
use crate::ask::{Asker, Exchange, Next, Outcome, StrayKind};
use crate::event::BadCharacters;
use crate::event::{Event, LinkFacts, What};
use crate::listen::{Speaks, speaks};
use crate::poll::Read;
use crate::wire::Framing;
use crate::wire::{Ask, Question};

/// The line assumed behind a gateway, for silences and the length of waits: the commonest.
const BEHIND_A_GATEWAY: LineSettings = LineSettings {
    baud: 9600,
    parity: Parity::Even,
    stop_bits: 1,
};
/// What a network may add to an answer.
const NETWORK: Duration = Duration::from_secs(1);
/// Longest wait for a line that never falls silent.
const NEVER_SILENT: Duration = Duration::from_secs(3);
/// Longest wait for a lost link to come back.
const BACK_WITHIN: Duration = Duration::from_secs(20);
/// Fences in a row that may be answered without settling anything.
const FENCES: u32 = 2;
/// Questions in a row without a single byte after which a connection counts as dead.
const DEAD_CONNECTION: u32 = 3;

/// What came while many questions are open.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum VolleyCame {
    /// Bytes.
    Bytes(Vec<u8>),
    /// Nothing in the time.
    Nothing,
    /// The connection was closed and made anew: what was under way is lost.
    Anew,
}

/// An open link that asks.
pub struct Asking {
    tap: Tap,
    asker: Asker,
    functions: Vec<u8>,
    proof: Proof,
    pacing: Pacing,
    last_sent: Option<Duration>,
    /// Foreign requests do not end asking: the user said so, or nobody real is there.
    bears_others: bool,
    /// When asking began.
    began: Duration,
    last_request: Vec<u8>,
    /// Set for good once someone else was heard asking.
    someone_else: Option<LinkTrouble>,
    /// Whether a question was ever answered.
    has_answered: bool,
    /// Units that have ever answered.
    answered: BTreeSet<u8>,
    /// Exchanges in a row in which no byte came.
    unheard: u32,
    /// The connection was made anew and nothing has been heard on it yet.
    is_fresh: bool,
}

impl Quiet {
    /// Begins to ask. `functions` are the function codes that the unit is known to understand.
    ///
    /// # Errors
    /// Gives the quiet link back where bytes came since the silence was heard.
    pub fn ask(mut self, proof: Proof, functions: &[u8]) -> Result<Asking, Box<(Self, NotShown)>> {
        if let Grounds::HeardSilent(window) = proof.grounds {
            // Whatever came between the proof and now is read first: silence is judged up to now.
            let now = self.now();
            // A wait until now is over at once on every port.
            while let Ok(WaitHeard::Bytes(_)) = at_once(self.tap.wait(now)) {}
            let silent = self.silent_for();
            if silent < window {
                return Err(Box::new((self, NotShown::NotSilent { silent, window })));
            }
        }
        if proof.grounds == Grounds::CannotOverhear {
            self.tap.say(&Notice::AskingGently);
        }
        let now = self.now();
        self.tap.record(now, What::Listening(false));
        Ok(Asking::new(self.tap, functions, proof))
    }
}

impl Asking {
    /// Only [`Quiet::ask`] begins to ask.
    fn new(tap: Tap, functions: &[u8], proof: Proof) -> Self {
        let began = tap.port.now();
        let mut asker = Asker::new(tap.port.framing(), functions);
        // The asker's own account must be the one that a replay of the tape gives.
        asker.take(&Event {
            at: began,
            what: What::Opened(tap.port.facts().clone()),
        });
        let gentle = tap.port.framing() == Framing::Tcp;
        Self {
            asker,
            functions: functions.to_vec(),
            bears_others: matches!(proof.grounds(), Grounds::BesideOthers | Grounds::Simulated),
            proof,
            pacing: if gentle { Pacing::GENTLE } else { Pacing::FULL },
            began,
            last_sent: None,
            last_request: Vec::new(),
            someone_else: None,
            has_answered: false,
            answered: BTreeSet::new(),
            unheard: 0,
            is_fresh: false,
            tap,
        }
    }

    /// Sets how fast to ask; gentle on Modbus TCP until set otherwise.
    pub fn pace(&mut self, pacing: Pacing) {
        self.pacing = pacing;
    }

    /// The link as it was opened.
    pub fn facts(&self) -> &LinkFacts {
        self.tap.port.facts()
    }

    /// Line settings, where there is a line.
    pub fn line(&self) -> Option<LineSettings> {
        self.tap.port.line()
    }

    /// The time now.
    pub fn now(&self) -> Duration {
        self.tap.port.now()
    }

    /// Whether the link gives our own requests back.
    pub fn echoes(&self) -> bool {
        self.asker.echoes() == Some(true)
    }

    /// Events since the last drain.
    pub fn tape(&self) -> &[Event] {
        self.tap.tape()
    }

    /// Takes the events since the last call.
    pub fn drain(&mut self) -> Vec<Event> {
        self.tap.drain()
    }

    /// Stops asking and goes on listening.
    pub fn into_quiet(self) -> Quiet {
        Quiet::again(self.tap)
    }

    /// Lets time pass, listening; ends early where the link is lost, which the next call mends.
    ///
    /// # Errors
    /// Where the user stops, someone else asks, or a lost link does not come back.
    pub async fn idle_async(&mut self, until: Duration) -> Result<(), LinkTrouble> {
        self.bring_back().await?;
        while self.now() < until && !self.tap.is_lost() {
            self.hear(until).await?;
        }
        Ok(())
    }

    /// Asks, after a fence where one is needed, and gives what came of it.
    ///
    /// `time_out` is the longest time from the end of the request to the first byte of its answer;
    /// the time of the bytes themselves is added here. If a fence gets no answer, its own exchange
    /// is returned and the question was not sent.
    ///
    /// # Errors
    /// Where asking is not possible, or not right any more, or where what came is plainly not from
    /// a unit. A time-out is no error but an outcome.
    pub async fn ask_async(
        &mut self,
        ask: Ask,
        time_out: Duration,
    ) -> Result<Exchange, LinkTrouble> {
        self.may_ask(ask)?;
        for _ in 0..=FENCES {
            let fence = match self.asker.next(ask) {
                Next::Ask(ask) => return self.exchange(ask, time_out).await,
                Next::Fence(fence) => fence,
                Next::Stuck => return Err(LinkTrouble::Stuck),
            };
            self.may_fence(fence)?;
            let exchange = self.exchange(fence, time_out).await?;
            if !is_answer(&exchange.outcome) {
                return Ok(exchange);
            }
        }
        Err(LinkTrouble::Stuck)
    }

    /// Gives the line other settings. Answers still on their way can be read no more.
    ///
    /// # Errors
    /// Where the port is gone, is no line, or does not take them.
    pub async fn set_line_async(&mut self, line: LineSettings) -> Result<(), LinkTrouble> {
        self.bring_back().await?;
        let opened = self.tap.set_line(line, BadCharacters::Kept)?;
        self.take(&opened).map(drop)
    }

    /// Asks once, and gives up early where no byte has come within `first_byte` of the end of the
    /// question. An answer that comes later is a stray of a later exchange.
    ///
    /// # Errors
    /// As [`Asking::ask_async`].
    pub async fn probe_async(
        &mut self,
        ask: Ask,
        first_byte: Duration,
    ) -> Result<Exchange, LinkTrouble> {
        if self.asker.next(ask) != Next::Ask(ask) {
            return self.ask_async(ask, first_byte).await;
        }
        self.may_ask(ask)?;
        let patience = self.assumed_line().characters(REQUEST_BYTES) + first_byte;
        self.exchange_within(ask, first_byte, Some(patience)).await
    }

    /// Sends a question without waiting for its answer, and gives its transaction id. For Modbus TCP,
    /// whose ids tell answers apart; elsewhere nothing is sent.
    ///
    /// # Errors
    /// As [`Asking::ask_async`].
    pub async fn post_async(&mut self, ask: Ask) -> Result<u16, LinkTrouble> {
        if self.tap.port.framing() != Framing::Tcp {
            return Err(LinkTrouble::Stuck);
        }
        self.may_ask(ask)?;
        self.bring_back().await?;
        let (asked, bytes) = self.asker.open(self.now(), ask, NETWORK);
        let What::Asked {
            transaction: Some(transaction),
            ..
        } = asked.what
        else {
            return Err(LinkTrouble::Stuck);
        };
        self.tap.record(asked.at, asked.what);
        self.tap.asks_for(longest_answer(ask) + HEADER_BYTES);
        let (Ok(event) | Err(event)) = self.tap.send(&bytes).await;
        self.take(&event)?;
        Ok(transaction)
    }

    /// Waits for what comes, whichever question it answers.
    ///
    /// # Errors
    /// Where the user stops, or what came is plainly not from a unit.
    pub async fn receive_async(&mut self, until: Duration) -> Result<VolleyCame, LinkTrouble> {
        if self.tap.is_lost() {
            self.bring_back().await?;
            return Ok(VolleyCame::Anew);
        }
        let event = match self.tap.wait(until).await? {
            WaitHeard::Nothing => return Ok(VolleyCame::Nothing),
            WaitHeard::Bytes(event) | WaitHeard::Lost(event) => event,
        };
        self.take(&event)?;
        match event.what {
            What::In(bytes) => match self.speaks() {
                Some(speaker) => Err(LinkTrouble::WrongSpeaker(speaker)),
                None => Ok(VolleyCame::Bytes(bytes)),
            },
            _ => {
                self.bring_back().await?;
                Ok(VolleyCame::Anew)
            }
        }
    }

    /// What came was an answer to a question that was posted: the way works, and the next loss is a new one.
    /// Whoever posts must say so, since only its transaction id tells; other bytes are no answer.
    pub fn is_answered(&mut self) {
        self.tap.answered();
    }

    /// Whether this question may be sent at all.
    fn may_ask(&self, ask: Ask) -> Result<(), LinkTrouble> {
        if let Some(trouble) = &self.someone_else {
            return Err(trouble.clone());
        }
        if let Some(read) = read_of(ask)
            && self.proof.keeps_off(&read)
        {
            return Err(LinkTrouble::WouldWake { ask });
        }
        let function = match ask.question {
            Question::Read { .. } => return Ok(()),
            Question::Echo(_) | Question::Counter(_) => 0x08,
            Question::ServerId => 0x11,
            Question::DeviceId { .. } => 0x2b,
        };
        if self.functions.contains(&function) {
            return Ok(());
        }
        Err(LinkTrouble::NotUnderstood { ask })
    }

    /// Whether a question that nobody wanted may be sent: never one that clears what it reads.
    fn may_fence(&self, fence: Ask) -> Result<(), LinkTrouble> {
        self.may_ask(fence)?;
        match read_of(fence) {
            Some(read) if self.proof.would_clear(&read) => Err(LinkTrouble::Stuck),
            _ => Ok(()),
        }
    }

    /// One request and what comes of it.
    async fn exchange(&mut self, ask: Ask, time_out: Duration) -> Result<Exchange, LinkTrouble> {
        self.exchange_within(ask, time_out, None).await
    }

    /// The same; with `patience`, only so long from sending where no byte comes.
    async fn exchange_within(
        &mut self,
        ask: Ask,
        time_out: Duration,
        patience: Option<Duration>,
    ) -> Result<Exchange, LinkTrouble> {
        self.bring_back().await?;
        self.keep_pace().await?;
        self.keep_silence().await?;
        if self.tap.is_lost() {
            return Ok(self.not_sent(ask));
        }
        let now = self.now();
        self.asker.tick(now);
        let wait = self.whole_wait(ask, time_out);
        let (asked, bytes) = self.asker.open(now, ask, wait);
        let What::Asked {
            exchange, deadline, ..
        } = asked.what
        else {
            return Err(LinkTrouble::Stuck);
        };
        self.tap.record(asked.at, asked.what);
        self.tap.asks_for(longest_answer(ask) + HEADER_BYTES);
        self.last_sent = Some(now);
        self.last_request.clone_from(&bytes);
        let heard_before = self.tap.received();
        let done = match self.tap.send(&bytes).await {
            Ok(sent) => {
                let early = self.take(&sent)?;
                let patience = patience.map(|patience| asked.at + patience);
                self.await_end(exchange, deadline, patience, early).await?
            }
            Err(lost) => self.take(&lost)?,
        };
        let done = done
            .into_iter()
            .find(|done| done.number == exchange)
            .ok_or(LinkTrouble::Stuck)?;
        self.learn(&done, self.tap.received() > heard_before);
        if is_answer(&done.outcome) {
            self.has_answered = true;
            self.answered.insert(ask.unit);
            self.tap.answered();
        }
        if self.has_answered {
            return Ok(done);
        }
        match self.speaks() {
            Some(speaker) => Err(LinkTrouble::WrongSpeaker(speaker)),
            None => Ok(done),
        }
    }

    /// What came of a question that was not sent, since the link was lost before.
    fn not_sent(&self, ask: Ask) -> Exchange {
        let now = self.now();
        Exchange {
            number: 0,
            ask,
            asked_at: now,
            sent_at: None,
            ended_at: now,
            first_byte_at: None,
            outcome: Outcome::LinkLost,
            strays: Vec::new(),
            fence: false,
        }
    }

    /// Waits for the exchange to end: at the deadline at the latest, or at the end of the patience
    /// where no byte has come by then.
    async fn await_end(
        &mut self,
        number: u32,
        deadline: Duration,
        patience: Option<Duration>,
        early: Vec<Exchange>,
    ) -> Result<Vec<Exchange>, LinkTrouble> {
        let mut done = early;
        let heard_before = self.tap.received();
        while !done.iter().any(|done| done.number == number) {
            let is_unheard = self.tap.received() == heard_before;
            let end = patience.filter(|_| is_unheard).unwrap_or(deadline);
            let event = match self.tap.wait(end.min(deadline)).await {
                Ok(WaitHeard::Bytes(event) | WaitHeard::Lost(event)) => event,
                Ok(WaitHeard::Nothing) => self.deadline_passed(number),
                Err(stopped) => {
                    // The question stays open on the wire; the asker must know that we left.
                    let passed = self.deadline_passed(number);
                    self.asker.take(&passed);
                    return Err(stopped);
                }
            };
            done = self.take(&event)?;
        }
        Ok(done)
    }

    fn deadline_passed(&mut self, exchange: u32) -> Event {
        let now = self.now();
        self.tap.record(now, What::DeadlinePassed { exchange })
    }

    /// Gives an event to the asker. Ends asking for good where someone else was heard.
    fn take(&mut self, event: &Event) -> Result<Vec<Exchange>, LinkTrouble> {
        let done = self.asker.take(event);
        self.look_for_others(&done)?;
        Ok(done)
    }

    /// Ends asking for good where a valid request was heard that is not ours.
    ///
    /// One that equals our last request may be an echo that came late, so it proves nothing.
    fn look_for_others(&mut self, done: &[Exchange]) -> Result<(), LinkTrouble> {
        if self.bears_others {
            return Ok(());
        }
        let outside = self.asker.pairing().strays_outside();
        let strays = outside.chain(done.iter().flat_map(|exchange| &exchange.strays));
        let other = strays
            .filter(|stray| stray.kind == StrayKind::ForeignRequest)
            .filter(|stray| stray.at >= self.began && stray.bytes != self.last_request)
            .find_map(|stray| match stray.bytes.as_slice() {
                [unit, function, ..] => Some((stray.at, *unit, *function)),
                _ => None,
            });
        let Some((at, unit, function)) = other else {
            return Ok(());
        };
        let trouble = LinkTrouble::SomeoneElseAsks { at, unit, function };
        self.someone_else = Some(trouble.clone());
        Err(trouble)
    }

    /// Listens for one event at most; what comes belongs to no open question.
    async fn hear(&mut self, until: Duration) -> Result<(), LinkTrouble> {
        match self.tap.wait(until).await? {
            WaitHeard::Bytes(event) => self.take(&event).map(drop),
            // It is told before it is brought back.
            WaitHeard::Lost(event) => self.take(&event).map(drop),
            WaitHeard::Nothing => Ok(()),
        }
    }

    /// Opens a lost link again. The asker learns that nothing under way can arrive any more.
    async fn bring_back(&mut self) -> Result<(), LinkTrouble> {
        if !self.tap.is_lost() {
            return Ok(());
        }
        let back = self.tap.bring_back(self.now() + BACK_WITHIN).await?;
        (self.unheard, self.is_fresh) = (0, true);
        self.take(&back).map(drop)
    }

    /// Waits until the next request is due, and reads what lies waiting.
    async fn keep_pace(&mut self) -> Result<(), LinkTrouble> {
        let now = self.now();
        let due = self
            .last_sent
            .map_or(now, |sent| now.max(sent + self.pacing.gap()));
        loop {
            self.hear(due).await?;
            if now >= due || self.now() >= due || self.tap.is_lost() {
                return Ok(());
            }
        }
    }

    /// Waits until no byte has been on the line for a frame silence.
    async fn keep_silence(&mut self) -> Result<(), LinkTrouble> {
        if self.tap.port.framing() == Framing::Tcp {
            return Ok(());
        }
        let silence = self.assumed_line().frame_silence();
        let give_up = self.now() + NEVER_SILENT;
        loop {
            let silent = self.tap.line_busy_until() + silence;
            if self.now() >= silent || self.tap.is_lost() {
                return Ok(());
            }
            if self.now() >= give_up {
                return Err(LinkTrouble::NeverSilent {
                    waited: NEVER_SILENT,
                });
            }
            self.hear(silent).await?;
        }
    }

    /// The line that the bytes go over, assumed where it is behind a gateway.
    fn assumed_line(&self) -> LineSettings {
        self.tap.port.line().unwrap_or(BEHIND_A_GATEWAY)
    }

    /// The longest wait for the end of the answer, from the moment of sending.
    fn whole_wait(&self, ask: Ask, time_out: Duration) -> Duration {
        let network = if self.tap.port.line().is_some() {
            Duration::ZERO
        } else {
            NETWORK
        };
        self.assumed_line()
            .characters(REQUEST_BYTES + longest_answer(ask))
            + time_out
            + network
    }

    /// Learns from an exchange how clean the way is, and whether the connection still lives.
    fn learn(&mut self, done: &Exchange, anything_came: bool) {
        self.pacing.learn(is_answer(&done.outcome));
        if anything_came {
            (self.unheard, self.is_fresh) = (0, false);
            return;
        }
        // A unit that never answered says nothing about the connection of those that do.
        if !self.answered.is_empty() && !self.answered.contains(&done.ask.unit) {
            return;
        }
        self.unheard += 1;
        let is_gateway = self.facts().is_gateway();
        // A fresh connection that stays silent as well shows that the unit is silent, not the
        // connection; making it anew again would only disturb the gateway.
        if is_gateway && self.unheard >= DEAD_CONNECTION && !self.is_fresh && !self.tap.is_lost() {
            let why = format!(
                "no byte came for {} questions; connecting anew",
                self.unheard
            );
            let lost = self.tap.lost(why);
            self.asker.take(&lost);
        }
    }

    /// What speaks on the other side, where it is plainly no unit with this framing.
    fn speaks(&self) -> Option<Speaks> {
        let speaker = speaks(self.tap.port.framing(), self.tap.first_received());
        // On a line, bytes that happen to look like a Modbus TCP header are none.
        speaker.filter(|speaker| *speaker != Speaks::Tcp || self.line().is_none())
    }
}

/// The registers that a question reads, if it does.
fn read_of(ask: Ask) -> Option<Read> {
    match ask.question {
        Question::Read {
            table,
            address,
            count,
        } => Some(Read {
            table,
            address,
            count,
            instances: Vec::new(),
        }),
        _ => None,
    }
}

/// Bytes that a Modbus TCP header and an echo add to an answer.
const HEADER_BYTES: usize = 32;

/// Bytes of the longest request that an [`Ask`] makes, RTU.
const REQUEST_BYTES: usize = 8;

/// Bytes of the longest RTU answer to this question.
fn longest_answer(ask: Ask) -> usize {
    match ask.question {
        Question::Read {
            table: Table::Coil | Table::Discrete,
            count,
            ..
        } => 5 + usize::from(count).div_ceil(8),
        Question::Read { count, .. } => 5 + 2 * usize::from(count),
        Question::Echo(_) | Question::Counter(_) => 8,
        Question::ServerId | Question::DeviceId { .. } => 256,
    }
}

/// Whether the unit has answered, if only by refusing.
fn is_answer(outcome: &Outcome) -> bool {
    matches!(outcome, Outcome::Answered(_) | Outcome::Exception(_))
}
