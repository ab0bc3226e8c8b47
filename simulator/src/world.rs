//! The world in virtual time: units, the line with its timing, the inverter, clients.
//!
//! Input: bytes of clients with the times at which they left. Output: bytes that reach them with
//! the times of their arrival. Does not: read a clock; [`crate::serve`] moves it in real time.
//!
//! # Invariants
//! - Same scenario, profile, framing, seed and calls: same output to the byte.
//! - At most [`QUEUED`] things wait; what a client sends beyond that is lost.
//!
//! # Times
//! On RTU a client's bytes end on the wire one character time each after they left. The unit takes
//! a frame as ended after 3.5 characters, then needs its answer time, then sends at character
//! times. Bytes arrive in chunks. On TCP a gateway asks over such a line, and an answer arrives
//! as a whole.
//!
//! # Sources
//! - Modbus over Serial Line V1.02, 2.5.1.1 (silences) and 2.4.1 (broadcast is not answered)

mod inverter;
mod line;

use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Duration;

use packside_profiles::model::Profile;
use packside_profiles::{LineSettings, StateKind};

use crate::dice::Dice;
use crate::frame::{Framing, Request, Splitter, wrap};
use crate::lamp::shines;
use crate::mischief::{Answer, Coming, Rules};
use crate::scenario::{Event, InverterPlan, MischiefKind, Scenario};
use crate::unit::{Asker, Birth, Unit, shared_layout};

/// Most things that wait to happen.
const QUEUED: usize = 4096;

/// Most clients at a time; bytes of further ones are lost.
const CLIENTS: usize = 64;

/// Most questions of one client that a gateway keeps; further ones are lost.
// Kind:   published
// Source: Modbus Messaging on TCP/IP Implementation Guide V1.0b: up to 16 transactions may be
//         outstanding
const OUTSTANDING: usize = 16;

/// Longest that a client's bytes wait for the line; a real port would not take more either.
const BACKLOG: Duration = Duration::from_secs(10);

/// What is really the case with one unit.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct UnitTruth {
    /// Unit address.
    pub unit: u8,
    /// State.
    pub state: StateKind,
    /// Active flags (ids), also those that a code hides.
    pub flags: Vec<String>,
}

/// What is really the case.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Truth {
    /// By unit address.
    pub units: Vec<UnitTruth>,
}

/// Bytes that reach a client.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Arrival {
    /// When the last of them is there.
    pub at: Duration,
    /// Which client; every one where none is named, as on a shared line.
    pub client: Option<u32>,
    /// The bytes.
    pub bytes: Vec<u8>,
}

#[derive(Debug, Clone)]
enum Happening {
    /// A client's bytes are at the units.
    ClientBytes { client: u32, bytes: Vec<u8> },
    /// The inverter takes its turn: this step of its round.
    InverterTurn { step: usize },
    /// The inverter's request is at the units.
    InverterRequest { step: usize, request: Request },
    /// Bytes reach a client. `began` is when the first of them was on the wire.
    Arrives {
        client: Option<u32>,
        began: Duration,
        bytes: Vec<u8>,
    },
    /// An event of the scenario.
    Event(Event),
}

#[derive(Debug, Clone)]
struct Client {
    splitter: Splitter,
    /// When its last byte is on the wire.
    last_byte: Duration,
    /// When its last byte that the units have heard was on the wire.
    heard: Duration,
    /// On TCP: when each of its questions is answered.
    open: Vec<Duration>,
}

/// Everything, at a time.
#[derive(Debug, Clone)]
pub struct World {
    profile: Arc<Profile>,
    name: String,
    framing: Framing,
    line: LineSettings,
    answer_time: Duration,
    now: Duration,
    units: Vec<Unit>,
    rules: Rules,
    dice: Dice,
    inverter: Option<InverterPlan>,
    inverter_forced: Option<bool>,
    inverter_counter: u16,
    clients: BTreeMap<u32, Client>,
    queue: BTreeMap<(Duration, u64), Happening>,
    pushed: u64,
    /// End of the last thing on the wire that is known so far.
    line_free: Duration,
    arrived: Vec<Arrival>,
}

impl World {
    /// A world at power-up.
    pub fn new(scenario: &Scenario, profile: &Profile, framing: Framing, seed: u64) -> Self {
        let profile = Arc::new(profile.clone());
        let stack = &scenario.stack;
        let layout = Arc::new(shared_layout(&profile, stack));
        let birth = |index: u8| {
            let address = profile.answering.unit.saturating_add(index - 1);
            Birth {
                address,
                index,
                dice: Dice::fork(seed, index.into()),
            }
        };
        let mut units: Vec<Unit> = (1..=stack.packs.max(1))
            .map(|i| Unit::new(&profile, &layout, stack, birth(i)))
            .collect();
        let wanted = scenario.inverter.as_ref().map_or(0.0, |plan| plan.current);
        units
            .iter_mut()
            .for_each(|unit| unit.control.wanted_current = wanted);
        let by_event = scenario.events.iter().any(|event| event.inverter.is_some());
        let answer_time = Duration::from_millis(profile.answering.answer_time_ms.into());
        let mut world = Self {
            name: scenario.name.clone(),
            framing,
            line: profile.answering.line,
            answer_time: stack.answer_time.unwrap_or(answer_time),
            now: Duration::ZERO,
            units,
            rules: Rules::new(&scenario.mischief, Dice::fork(seed, 1001)),
            dice: Dice::fork(seed, 1002),
            inverter: scenario
                .inverter
                .clone()
                .or_else(|| by_event.then(InverterPlan::default)),
            inverter_forced: (by_event && scenario.inverter.is_none()).then_some(false),
            inverter_counter: 0,
            clients: BTreeMap::new(),
            queue: BTreeMap::new(),
            pushed: 0,
            line_free: Duration::ZERO,
            arrived: Vec::new(),
            profile,
        };
        for event in &scenario.events {
            world.push(event.at, Happening::Event(event.clone()));
        }
        if let Some(from) = world.inverter.as_ref().map(|plan| plan.from) {
            world.push(from, Happening::InverterTurn { step: 0 });
        }
        world
    }

    /// Other line settings than those of the profile.
    pub fn set_line(&mut self, line: LineSettings) {
        self.line = line;
    }

    /// Another answer time than that of scenario and profile.
    pub fn set_answer_time(&mut self, time: Duration) {
        self.answer_time = time;
    }

    /// A client's bytes, leaving it at `at`.
    pub fn send(&mut self, at: Duration, bytes: &[u8]) {
        self.send_from(0, at, bytes);
    }

    /// Bytes of one of several clients.
    pub fn send_from(&mut self, client: u32, at: Duration, bytes: &[u8]) {
        let at = at.max(self.now);
        let known = self.clients.contains_key(&client) || self.clients.len() < CLIENTS;
        if bytes.is_empty() || self.queue.len() >= QUEUED || !known {
            return;
        }
        let framing = self.framing;
        let fresh = || Client {
            splitter: Splitter::new(framing),
            last_byte: at,
            heard: at,
            open: Vec::new(),
        };
        let entry = self.clients.entry(client).or_insert_with(fresh);
        let mut bytes = bytes.to_vec();
        if framing == Framing::Tcp {
            entry.last_byte = at;
            self.push(at, Happening::ClientBytes { client, bytes });
            return;
        }
        let begins = at.max(entry.last_byte);
        if begins > at + BACKLOG {
            return;
        }
        let ends = begins + self.line.characters(bytes.len());
        entry.last_byte = ends;
        if self.rules.echoes(begins) {
            self.transmit(Some(client), begins, &bytes, None);
        } else {
            self.collide(begins, ends, &mut bytes);
        }
        self.line_free = self.line_free.max(ends);
        self.push(ends, Happening::ClientBytes { client, bytes });
    }

    /// A client is gone; nothing more reaches it.
    pub fn drop_client(&mut self, client: u32) {
        self.clients.remove(&client);
        self.queue.retain(
            |_, what| !matches!(what, Happening::Arrives { client: Some(c), .. } if *c == client),
        );
    }

    /// When something happens next without a client.
    pub fn next_wake(&self) -> Option<Duration> {
        self.queue.first_key_value().map(|(key, _)| key.0)
    }

    /// Goes on to a time; gives the bytes that reach the client until then, with their times.
    pub fn advance(&mut self, to: Duration) -> Vec<(Duration, Vec<u8>)> {
        self.advance_all(to)
            .into_iter()
            .map(|arrival| (arrival.at, arrival.bytes))
            .collect()
    }

    /// Goes on to a time; gives the bytes that reach any client until then.
    pub fn advance_all(&mut self, to: Duration) -> Vec<Arrival> {
        let to = to.max(self.now);
        while let Some(entry) = self.queue.first_entry().filter(|entry| entry.key().0 <= to) {
            let ((at, _), what) = entry.remove_entry();
            self.run_units(at);
            self.happen(at, what);
        }
        self.run_units(to);
        std::mem::take(&mut self.arrived)
    }

    fn run_units(&mut self, to: Duration) {
        self.now = self.now.max(to);
        self.units.iter_mut().for_each(|unit| unit.run_to(to));
    }

    fn push(&mut self, at: Duration, what: Happening) {
        self.pushed += 1;
        self.queue.insert((at, self.pushed), what);
    }

    fn happen(&mut self, at: Duration, what: Happening) {
        match what {
            Happening::Arrives { client, bytes, .. } => {
                self.arrived.push(Arrival { at, client, bytes })
            }
            Happening::ClientBytes { client, bytes } => self.client_bytes(at, client, &bytes),
            Happening::InverterTurn { step } => self.inverter_turn(at, step),
            Happening::InverterRequest { step, request } => {
                let end = self.request(at, Asker::Inverter, &request);
                let time_out = Duration::from_millis(self.profile.answering.time_out_ms.into());
                let gap = self.line.frame_silence() + Duration::from_millis(10);
                self.push(
                    end.unwrap_or(at + time_out) + gap,
                    Happening::InverterTurn { step: step + 1 },
                );
            }
            Happening::Event(event) => {
                self.inverter_forced = event.inverter.or(self.inverter_forced);
                let mut packs = 1u8..;
                for unit in &mut self.units {
                    let index = packs.next();
                    if event.pack.is_none() || event.pack == index {
                        unit.apply(&event);
                    }
                }
            }
        }
    }

    fn client_bytes(&mut self, at: Duration, client: u32, bytes: &[u8]) {
        // Far longer than any silence within a frame, since adapters hold bytes back.
        let patience = self.line.frame_silence() + Duration::from_millis(50);
        let sent = self.line.characters(bytes.len());
        let Some(entry) = self.clients.get_mut(&client) else {
            return;
        };
        let errors = entry.splitter.damaged;
        let silent = at.saturating_sub(sent).saturating_sub(entry.heard);
        entry.heard = at;
        if self.framing == Framing::Rtu && silent > patience {
            entry.splitter.forget();
        }
        let requests = entry.splitter.push(bytes);
        let errors = entry.splitter.damaged.wrapping_sub(errors);
        for unit in &mut self.units {
            unit.counters.bus_errors = unit.counters.bus_errors.wrapping_add(errors);
        }
        for request in requests {
            if self.is_overrun(at, client) {
                continue;
            }
            let end = self.request(at, Asker::Client(client), &request);
            if let (Some(end), Some(entry)) = (end, self.clients.get_mut(&client)) {
                entry.open.push(end);
            }
        }
    }

    /// Whether a gateway has as many open questions of a client as it keeps. On a serial line
    /// nothing is kept: whoever asks on top of an answer damages it.
    fn is_overrun(&mut self, at: Duration, client: u32) -> bool {
        let Some(entry) = self.clients.get_mut(&client) else {
            return true;
        };
        entry.open.retain(|end| *end > at);
        self.framing == Framing::Tcp && entry.open.len() >= OUTSTANDING
    }

    /// A request is at the units. Gives the end of the answer, if one comes.
    fn request(&mut self, at: Duration, asker: Asker, request: &Request) -> Option<Duration> {
        for unit in &mut self.units {
            unit.counters.bus_messages = unit.counters.bus_messages.wrapping_add(1);
        }
        if request.unit == 0 && self.framing == Framing::Rtu {
            for unit in self.units.iter_mut().filter(|unit| unit.is_on()) {
                unit.overhear_broadcast(at, asker, &request.pdu);
            }
            return None;
        }
        let first = self.units.first().map(|unit| unit.address);
        // A unit that sits on the network itself goes by FF or 0 there.
        let direct = self.framing == Framing::Tcp && matches!(request.unit, 0 | 255);
        let address = if direct { first? } else { request.unit };
        let Some(unit) = self
            .units
            .iter_mut()
            .find(|unit| unit.address == address && unit.is_on())
        else {
            return self.nobody(at, asker, request);
        };
        if self.rules.absent(at, address) {
            return None;
        }
        let mut pdu = unit.answer(at, asker, &request.pdu)?;
        let client = matches!(asker, Asker::Client(_));
        let refused = client.then(|| {
            self.rules
                .refusal(at, address, |role| unit.covers_role(&request.pdu, role))
        });
        if let (Some(Some(code)), Some(function)) = (refused, request.pdu.first()) {
            pdu = vec![function | 0x80, code];
        }
        let answer = Answer {
            transaction: request.transaction,
            unit: request.unit,
            pdu,
        };
        let coming = if client {
            self.rules.spoil(at, self.framing, &answer)
        } else {
            let bytes = wrap(self.framing, answer.transaction, answer.unit, &answer.pdu);
            vec![Coming {
                later: Duration::ZERO,
                bytes,
                bytewise: None,
            }]
        };
        self.answer(at, asker, request, &coming)
    }

    /// Line settings.
    pub fn line(&self) -> LineSettings {
        self.line
    }

    /// Now.
    pub fn now(&self) -> Duration {
        self.now
    }

    /// How often each bad habit came through so far.
    pub fn mischief_counts(&self) -> BTreeMap<MischiefKind, u32> {
        self.rules.counts()
    }

    /// Whether a lamp of the first unit shines now.
    pub fn lamp(&self, id: &str) -> bool {
        shines(
            &self.lamp_pattern(id),
            &self.profile.lamp_patterns,
            self.now,
        )
    }

    /// Pattern of a lamp of the first unit now.
    pub fn lamp_pattern(&self, id: &str) -> String {
        self.units
            .first()
            .map_or("off", |unit| unit.lamp_pattern(id))
            .to_owned()
    }

    /// One line for people.
    pub fn state_line(&self) -> String {
        let units: Vec<String> = self.units.iter().map(Unit::describe).collect();
        let lamp = |lamp: &packside_profiles::model::Lamp| {
            format!("{} {}", lamp.id, self.lamp_pattern(&lamp.id))
        };
        let lamps: Vec<String> = self.profile.lamps.iter().map(lamp).collect();
        let inverter = if self.inverter_talks() {
            "talks"
        } else {
            "is silent"
        };
        format!(
            "simulated {} at {:.1} s: {}; lamps {}; the inverter {inverter}",
            self.name,
            self.now.as_secs_f64(),
            units.join("; "),
            lamps.join(", ")
        )
    }

    /// What is really the case now.
    pub fn truth(&self) -> Truth {
        let unit = |unit: &Unit| UnitTruth {
            unit: unit.address,
            state: unit.control.state,
            flags: unit.flags(),
        };
        Truth {
            units: self.units.iter().map(unit).collect(),
        }
    }
}
