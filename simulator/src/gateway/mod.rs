//! A gateway between a network and the line: takes clients' questions, asks the units one by one.
//!
//! Input: connections and bytes of clients with their times, what is heard on the line. Output:
//! bytes on the line, bytes and closed connections at the clients. Does not: read a clock or touch
//! a socket; [`crate::Site`] moves it together with the [`World`] whose line it is on.
//!
//! It speaks Modbus TCP, or passes all bytes on as they come in both directions (RTU over TCP). On
//! the line it is one more party with settings of its own: what disturbs the line disturbs it.
//!
//! # Invariants
//! - One question at a time on the line.
//! - Any bytes: no panic. At most [`CONNECTIONS`] connections, [`AGENDA`] things to come, the
//!   plan's queue, and one word for each register that was ever read.
//! - Same plan, seed and calls: same output to the byte.
//!
//! # Sources
//! - Modbus Messaging on TCP/IP Implementation Guide V1.0b (header, transactions, 4.3.2 access)
//! - Modbus Application Protocol V1.1b3, section 7 (exceptions 06, 0A, 0B)

mod check;
mod habits;
mod memory;
mod network;
mod plan;
mod serial;

use std::collections::{BTreeMap, VecDeque};
use std::time::Duration;

pub(crate) use check::check_gateway;
pub use plan::{GatewayPlan, GatewayState, Rival, WhenCrowded, WhenFull, WhenSilent};

use crate::dice::Dice;
use crate::frame::{Framing, Request, wrap};
use crate::mischief::{Answer, Rules};
use crate::mischief_plan::MischiefKind;
use crate::scenario::{Event, Scenario};
use crate::world::{Arrival, World};
use memory::Memory;
use network::Connection;
use packside_profiles::model::Profile;

/// Most connections that are kept, whatever the plan says.
const CONNECTIONS: usize = 64;

/// Most things that wait to happen.
const AGENDA: usize = 4096;

/// Most bytes that are kept of what is heard on the line.
const HEARD: usize = 1024;

/// Number of the gateway on the line.
const ON_THE_LINE: u32 = 0;

/// The client that the plan calls the rival.
const RIVAL: u32 = u32::MAX;

/// Wait after a question to everybody (Modbus over Serial Line V1.02, 2.4.1: turnaround delay,
/// typically 100 to 200 ms).
const TURNAROUND: Duration = Duration::from_millis(100);

/// What reaches a client.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum News {
    /// Bytes.
    Bytes(Arrival),
    /// Its connection was closed by the other side.
    Closed {
        /// When.
        at: Duration,
        /// Whose; every one where none is named, as on a line.
        client: Option<u32>,
    },
}

/// For whom a question is asked.
#[derive(Debug, Clone)]
struct Job {
    /// Nobody where the gateway polls by itself.
    client: Option<u32>,
    request: Request,
}

/// A question that is on the line.
#[derive(Debug, Clone)]
struct Exchange {
    job: Job,
    tries: u8,
    heard: Vec<u8>,
}

#[derive(Debug, Clone)]
enum Task {
    /// A client's bytes are here.
    Reached(u32, Vec<u8>),
    /// Bytes are at a client.
    Left(u32, Vec<u8>),
    /// A client learns that its connection is closed.
    Closed(u32),
    /// The next question may go on the line.
    Next,
    /// The wait for the answer to an exchange (by its number) is over.
    GiveUp(u64),
    /// The silence after which passed bytes are sent on.
    Pack,
    /// It is time to look for idle connections.
    Idle,
    /// The text for everybody.
    Says,
    /// It reads everything by itself.
    Poll,
    /// The rival connects.
    RivalComes,
    /// The rival asks.
    RivalAsks,
    /// The scenario changes what it is.
    Becomes(GatewayState),
}

/// A gateway.
#[derive(Debug, Clone)]
pub(crate) struct Gateway {
    plan: GatewayPlan,
    framing: Framing,
    state: GatewayState,
    connections: BTreeMap<u32, Connection>,
    connected: u64,
    jobs: VecDeque<Job>,
    current: Option<Exchange>,
    asked: u64,
    /// The line is left alone until then.
    rests_until: Duration,
    memory: Memory,
    whole_map: Vec<(u8, Vec<u8>)>,
    agenda: BTreeMap<(Duration, u64), Task>,
    pushed: u64,
    /// Passed on as it comes: what is not sent yet, and when the last of it came.
    packing: Vec<u8>,
    packed_at: Duration,
    rules: Rules,
    dice: Dice,
    rival_asked: u16,
    watches_idle: bool,
}

impl Gateway {
    /// A gateway at power-up of the units; `framing` is what its clients are told that it speaks.
    pub(crate) fn new(scenario: &Scenario, profile: &Profile, framing: Framing, seed: u64) -> Self {
        let plan = scenario.gateway.clone().unwrap_or_default();
        let units =
            (0..scenario.stack.packs.max(1)).map(|n| profile.answering.unit.saturating_add(n));
        let map = serial::whole_map(profile);
        let whole_map = units.flat_map(|unit| map.iter().map(move |pdu| (unit, pdu.clone())));
        let mut gateway = Self {
            framing: plan.speaks.unwrap_or(framing),
            state: GatewayState::Works,
            connections: BTreeMap::new(),
            connected: 0,
            jobs: VecDeque::new(),
            current: None,
            asked: 0,
            rests_until: Duration::ZERO,
            memory: Memory::default(),
            whole_map: whole_map.collect(),
            agenda: BTreeMap::new(),
            pushed: 0,
            packing: Vec::new(),
            packed_at: Duration::ZERO,
            rules: Rules::new(&plan.mischief, Dice::fork(seed, 1005)),
            dice: Dice::fork(seed, 1006),
            rival_asked: 0,
            watches_idle: false,
            plan,
        };
        gateway.begin(scenario);
        gateway
    }

    /// Puts on the agenda what happens by itself.
    fn begin(&mut self, scenario: &Scenario) {
        for event in &scenario.events {
            self.happens(event.at, event);
        }
        if self.plan.says.is_some() {
            self.push(self.plan.says_every, Task::Says);
        }
        if self.plan.polls_every.is_some() && self.framing == Framing::Tcp {
            self.push(Duration::ZERO, Task::Poll);
        }
        if let Some(rival) = &self.plan.rival {
            self.push(rival.from, Task::RivalComes);
        }
    }

    /// Something happens to it then.
    pub(crate) fn happens(&mut self, at: Duration, event: &Event) {
        if let Some(state) = event.gateway {
            self.push(at, Task::Becomes(state));
        }
    }

    fn push(&mut self, at: Duration, task: Task) {
        if self.agenda.len() < AGENDA {
            self.pushed += 1;
            self.agenda.insert((at, self.pushed), task);
        }
    }

    /// When something happens next without a client or the line.
    pub(crate) fn next_wake(&self) -> Option<Duration> {
        self.agenda.first_key_value().map(|(key, _)| key.0)
    }

    /// How often each bad habit of its own came through so far.
    pub(crate) fn mischief_counts(&self) -> BTreeMap<MischiefKind, u32> {
        self.rules.counts()
    }

    /// Whether a connection can be made.
    pub(crate) fn is_reachable(&self) -> bool {
        self.state != GatewayState::Off
    }

    /// A few words for people.
    pub(crate) fn describe(&self) -> String {
        let state = match self.state {
            GatewayState::Works => "works",
            GatewayState::NoPath => "has no path",
            GatewayState::Hangs => "hangs",
            GatewayState::Off => "is off",
        };
        format!(
            "the gateway {state}, connections {}, waiting {}",
            self.connections.len(),
            self.jobs.len() + usize::from(self.current.is_some())
        )
    }

    /// A client connects. Whether it may stay it learns later, if at all.
    pub(crate) fn connect(&mut self, at: Duration, client: u32) {
        if self.state == GatewayState::Off {
            return;
        }
        let most = usize::from(self.plan.connections).clamp(1, CONNECTIONS);
        let known = self.connections.iter().filter(|(_, one)| !one.is_lost);
        if known.clone().count() >= most {
            let oldest = known.min_by_key(|(_, one)| one.number).map(|(id, _)| *id);
            match (self.plan.when_crowded, oldest) {
                (WhenCrowded::OldestOut, Some(oldest)) => self.close(at, oldest),
                _ => return self.push(at + self.plan.latency, Task::Closed(client)),
            }
        }
        if self.connections.len() >= CONNECTIONS {
            self.connections.retain(|_, one| !one.is_lost);
        }
        self.connected += 1;
        let connection = Connection::new(self.framing, self.connected, at);
        self.connections.insert(client, connection);
        self.watch_idle();
    }

    /// A client is gone.
    pub(crate) fn disconnect(&mut self, client: u32) {
        self.connections.remove(&client);
    }

    fn close(&mut self, at: Duration, client: u32) {
        if let Some(mut connection) = self.connections.remove(&client) {
            let told = connection.outbound(at, &self.plan, &mut self.dice);
            self.push(told, Task::Closed(client));
        }
    }

    /// A client's bytes leave it.
    pub(crate) fn send_from(&mut self, at: Duration, client: u32, bytes: &[u8]) {
        if self.state == GatewayState::Off || bytes.is_empty() {
            return;
        }
        let Some(connection) = self.connections.get_mut(&client) else {
            // What has forgotten a connection, and is asked on it, resets it.
            return self.push(at + self.plan.latency, Task::Closed(client));
        };
        if !connection.is_lost {
            let reaches = connection.inbound(at, &self.plan, &mut self.dice);
            self.push(reaches, Task::Reached(client, bytes.to_vec()));
        }
    }

    /// What is heard on the line.
    pub(crate) fn hears(&mut self, world: &World, arrival: &Arrival) {
        let at = arrival.at;
        if self.framing == Framing::Rtu {
            self.packing.extend(&arrival.bytes);
            self.packed_at = at;
            return self.push(at + self.plan.packs, Task::Pack);
        }
        let Some(exchange) = &mut self.current else {
            return;
        };
        exchange.heard.extend(&arrival.bytes);
        let excess = exchange.heard.len().saturating_sub(HEARD);
        exchange.heard.drain(..excess);
        let Request { unit, pdu, .. } = &exchange.job.request;
        let Some(answer) = serial::find_answer(&exchange.heard, *unit, pdu) else {
            return;
        };
        if let Some(Exchange { job, .. }) = self.current.take() {
            self.memory.remember(at, &job.request, &answer);
            self.reply(at, &job, answer);
        }
        self.rest(at + world.line().frame_silence());
    }

    /// The line is left alone until then.
    fn rest(&mut self, until: Duration) {
        self.rests_until = until;
        self.push(until, Task::Next);
    }

    /// Goes on to a time, asking on the line of the world; gives what reaches clients.
    pub(crate) fn run(&mut self, to: Duration, world: &mut World) -> Vec<News> {
        let mut news = Vec::new();
        while let Some(entry) = self
            .agenda
            .first_entry()
            .filter(|entry| entry.key().0 <= to)
        {
            let ((at, _), task) = entry.remove_entry();
            self.act(at, task, world, &mut news);
        }
        news
    }

    fn act(&mut self, at: Duration, task: Task, world: &mut World, news: &mut Vec<News>) {
        match task {
            Task::Reached(client, bytes) => self.reached(at, client, &bytes, world),
            Task::Left(RIVAL, _) => {}
            Task::Left(client, bytes) => news.push(News::Bytes(Arrival {
                at,
                client: Some(client),
                bytes,
            })),
            Task::Closed(RIVAL) => {
                let rival = self.plan.rival.as_ref().filter(|rival| rival.is_there(at));
                if let Some(after) = rival.and_then(|rival| rival.comes_back) {
                    self.push(at + after, Task::RivalComes);
                }
            }
            Task::Closed(client) => news.push(News::Closed {
                at,
                client: Some(client),
            }),
            Task::Next => self.next(at, world),
            Task::GiveUp(number) => self.give_up(at, number, world),
            Task::Pack => self.pass_on(at),
            Task::Idle => self.end_idle(at),
            Task::Says => {
                let text = self.plan.says.clone().unwrap_or_default();
                self.tell_everybody(at, text.as_bytes());
                let every = self.plan.says_every.max(Duration::from_millis(50));
                self.push(at + every, Task::Says);
            }
            Task::Poll => self.poll(at, world),
            Task::RivalComes => {
                self.connect(at, RIVAL);
                self.push(at, Task::RivalAsks);
            }
            Task::RivalAsks => self.rival_asks(at),
            Task::Becomes(state) => self.become_(at, state),
        }
    }

    /// Without supply all is forgotten; whoever asks on an old connection afterwards is reset.
    fn become_(&mut self, at: Duration, state: GatewayState) {
        self.state = state;
        if state == GatewayState::Off {
            self.connections.clear();
            self.jobs.clear();
            self.current = None;
            self.memory.clear();
            self.packing.clear();
            self.agenda.retain(|_, task| {
                !matches!(task, Task::Reached(..) | Task::Left(..) | Task::Closed(_))
            });
        }
        self.push(at, Task::Next);
    }

    fn reached(&mut self, at: Duration, client: u32, bytes: &[u8], world: &mut World) {
        let Some(connection) = self.connections.get_mut(&client) else {
            return;
        };
        connection.used = at;
        if matches!(self.state, GatewayState::Hangs | GatewayState::Off) {
            return;
        }
        if self.framing == Framing::Rtu {
            if self.state == GatewayState::Works {
                world.send_from(ON_THE_LINE, at, bytes);
            }
            return;
        }
        for request in connection.splitter.push(bytes) {
            let client = Some(client);
            self.take(at, Job { client, request });
        }
        self.next(at, world);
    }

    /// Answers a question at once, or lets it wait for the line.
    fn take(&mut self, at: Duration, job: Job) {
        let Request { unit, pdu, .. } = &job.request;
        let refused = |code: u8| vec![pdu.first().copied().unwrap_or_default() | 0x80, code];
        let kept = self.plan.cache.map(|age| at.saturating_sub(age));
        let answer = if self.state == GatewayState::NoPath {
            Some(refused(0x0a))
        } else if self.plan.own_units.contains(unit) {
            Some(self.own_answer(pdu))
        } else if let Some(cached) = kept.and_then(|since| self.memory.answer(&job.request, since))
        {
            Some(cached)
        } else if self.jobs.len() >= usize::from(self.plan.queue) {
            match self.plan.when_full {
                WhenFull::Busy => Some(refused(6)),
                WhenFull::NoPath => Some(refused(0x0a)),
                WhenFull::Drop => return,
            }
        } else {
            None
        };
        match answer {
            Some(answer) => self.reply(at, &job, answer),
            None => self.jobs.push_back(job),
        }
    }

    /// Puts the next question on the line, if nothing is there.
    fn next(&mut self, at: Duration, world: &mut World) {
        if self.current.is_some() || self.state != GatewayState::Works || self.jobs.is_empty() {
            return;
        }
        let free = if self.plan.listens_first {
            world.free_from(at)
        } else {
            at
        };
        let free = free.max(self.rests_until);
        if free > at {
            return self.push(free, Task::Next);
        }
        if let Some(job) = self.jobs.pop_front() {
            let heard = Vec::new();
            self.ask(
                at,
                Exchange {
                    job,
                    tries: 0,
                    heard,
                },
                world,
            );
        }
    }

    fn ask(&mut self, at: Duration, exchange: Exchange, world: &mut World) {
        let Request { unit, pdu, .. } = &exchange.job.request;
        let frame = wrap(Framing::Rtu, 0, *unit, pdu);
        let sent = at + world.line().characters(frame.len());
        world.send_from(ON_THE_LINE, at, &frame);
        if *unit == 0 {
            // Nobody answers a question to everybody.
            return self.rest(sent + TURNAROUND);
        }
        self.asked += 1;
        self.push(sent + self.plan.time_out, Task::GiveUp(self.asked));
        self.current = Some(exchange);
    }

    /// A unit has not answered in time.
    fn give_up(&mut self, at: Duration, number: u64, world: &mut World) {
        let Some(exchange) = self.current.take_if(|_| number == self.asked) else {
            return;
        };
        if exchange.tries < self.plan.retries {
            let again = Exchange {
                tries: exchange.tries + 1,
                heard: Vec::new(),
                ..exchange
            };
            return self.ask(at, again, world);
        }
        let Exchange { job, .. } = exchange;
        let old = self.plan.cache_outlives;
        let answer = old
            .then(|| self.memory.answer(&job.request, Duration::ZERO))
            .flatten();
        let silent = self.plan.when_silent == WhenSilent::Exception;
        let function = job.request.pdu.first().copied().unwrap_or_default();
        if let Some(answer) = answer.or_else(|| silent.then(|| vec![function | 0x80, 0x0b])) {
            self.reply(at, &job, answer);
        }
        self.next(at, world);
    }

    /// Sends an answer to whoever asked, as far as the gateway's own habits let it.
    fn reply(&mut self, at: Duration, job: &Job, pdu: Vec<u8>) {
        let Some(client) = job.client else { return };
        let answer = Answer {
            transaction: job.request.transaction,
            unit: job.request.unit,
            pdu,
        };
        for part in self.rules.spoil(at, Framing::Tcp, &answer) {
            let size = part.bytewise.map_or(part.bytes.len().max(1), |_| 1);
            let mut leaves = at + part.later;
            for chunk in part.bytes.chunks(size) {
                self.tell(leaves, client, chunk);
                leaves += part.bytewise.unwrap_or_default();
            }
        }
    }

    fn tell(&mut self, at: Duration, client: u32, bytes: &[u8]) {
        let Some(connection) = self.connections.get_mut(&client) else {
            return;
        };
        if connection.is_lost || matches!(self.state, GatewayState::Hangs | GatewayState::Off) {
            return;
        }
        connection.used = at;
        let there = connection.outbound(at, &self.plan, &mut self.dice);
        self.push(there, Task::Left(client, bytes.to_vec()));
    }

    fn tell_everybody(&mut self, at: Duration, bytes: &[u8]) {
        let everybody: Vec<u32> = self.connections.keys().copied().collect();
        for client in everybody {
            self.tell(at, client, bytes);
        }
    }

    /// Sends on what came from the line, once it is silent for a while or enough of it is there.
    fn pass_on(&mut self, at: Duration) {
        let is_silent = at >= self.packed_at + self.plan.packs;
        if !self.packing.is_empty() && (is_silent || self.packing.len() >= HEARD) {
            let bytes = std::mem::take(&mut self.packing);
            self.tell_everybody(at, &bytes);
        }
    }
}
