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

use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Duration;

use packside_profiles::model::{FedBy, InverterPort, Profile, Table};
use packside_profiles::{LineSettings, Role, StateKind};

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
    last_byte: Duration,
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
        };
        let entry = self.clients.entry(client).or_insert_with(fresh);
        let mut bytes = bytes.to_vec();
        if framing == Framing::Tcp {
            entry.last_byte = at;
            self.push(at, Happening::ClientBytes { client, bytes });
            return;
        }
        let begins = at.max(entry.last_byte);
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

    /// Two talk at once: both are damaged.
    fn collide(&mut self, begins: Duration, ends: Duration, bytes: &mut [u8]) {
        let mut hit = false;
        for (at, what) in &mut self.queue {
            if let Happening::Arrives { began, bytes, .. } = what
                && *began < ends
                && at.0 > begins
            {
                hit = true;
                bytes.iter_mut().for_each(|byte| *byte ^= self.dice.byte());
            }
        }
        if hit {
            bytes.iter_mut().for_each(|byte| *byte ^= self.dice.byte());
        }
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
        let silent = at.saturating_sub(sent).saturating_sub(entry.last_byte);
        if self.framing == Framing::Rtu && entry.last_byte < at && silent > patience {
            entry.splitter.forget();
        }
        let requests = entry.splitter.push(bytes);
        let errors = entry.splitter.damaged.wrapping_sub(errors);
        for unit in &mut self.units {
            unit.counters.bus_errors = unit.counters.bus_errors.wrapping_add(errors);
        }
        for request in requests {
            self.request(at, Asker::Client(client), &request);
        }
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

    /// A gateway says that its unit is silent; a serial line says nothing.
    fn nobody(&mut self, at: Duration, asker: Asker, request: &Request) -> Option<Duration> {
        let Asker::Client(client) = asker else {
            return None;
        };
        if self.framing != Framing::Tcp {
            return None;
        }
        // A gateway that is set up well gives up a little before its client does.
        let patience = Duration::from_millis(self.profile.answering.time_out_ms.into()) * 4 / 5;
        let pdu = [request.pdu.first()? | 0x80, 0x0b];
        let bytes = wrap(Framing::Tcp, request.transaction, request.unit, &pdu);
        let ends = at.max(self.line_free) + patience;
        self.line_free = ends;
        self.push(
            ends,
            Happening::Arrives {
                client: Some(client),
                began: ends,
                bytes,
            },
        );
        Some(ends)
    }

    /// Puts what comes of an answer on the line. Gives its end.
    fn answer(
        &mut self,
        at: Duration,
        asker: Asker,
        request: &Request,
        coming: &[Coming],
    ) -> Option<Duration> {
        if self.queue.len() >= QUEUED {
            return None;
        }
        let client = match asker {
            Asker::Client(client) => Some(client),
            Asker::Inverter => None,
        };
        let silence = self.line.frame_silence();
        let mut end = None;
        for part in coming {
            let started = if self.framing == Framing::Tcp {
                at.max(self.line_free) + self.line.characters(request.pdu.len() + 3)
            } else {
                at.max(self.line_free)
            };
            let begins = started + silence + self.answer_time + part.later;
            end = Some(match self.framing {
                Framing::Rtu => self.transmit(client, begins, &part.bytes, part.bytewise),
                Framing::Tcp => self.deliver(client, begins, part),
            });
        }
        end
    }

    /// Sends bytes at character times, in chunks. Gives the end of the last one.
    fn transmit(
        &mut self,
        client: Option<u32>,
        begins: Duration,
        bytes: &[u8],
        bytewise: Option<Duration>,
    ) -> Duration {
        let size = if bytewise.is_some() {
            1
        } else {
            chunk_size(self.line)
        };
        let mut sent = 0;
        let mut waited = Duration::ZERO;
        let mut ends = begins;
        for chunk in bytes.chunks(size) {
            let began = begins + waited + self.line.characters(sent);
            sent += chunk.len();
            ends = begins + waited + self.line.characters(sent);
            self.push(
                ends,
                Happening::Arrives {
                    client,
                    began,
                    bytes: chunk.to_vec(),
                },
            );
            waited += bytewise.unwrap_or_default();
        }
        self.line_free = self.line_free.max(ends);
        ends
    }

    /// Delivers what a gateway has received as a whole, or byte by byte.
    fn deliver(&mut self, client: Option<u32>, begins: Duration, part: &Coming) -> Duration {
        let mut ends = begins + self.line.characters(part.bytes.len().saturating_sub(4));
        self.line_free = self.line_free.max(ends);
        let size = if part.bytewise.is_some() {
            1
        } else {
            part.bytes.len().max(1)
        };
        for chunk in part.bytes.chunks(size) {
            self.push(
                ends,
                Happening::Arrives {
                    client,
                    began: ends,
                    bytes: chunk.to_vec(),
                },
            );
            ends += part.bytewise.unwrap_or_default();
        }
        ends
    }

    /// Whether the inverter talks now.
    pub fn inverter_talks(&self) -> bool {
        let planned = self.inverter.as_ref().is_some_and(|plan| {
            self.now >= plan.from && plan.until.is_none_or(|until| self.now < until)
        });
        self.inverter_forced.unwrap_or(planned)
    }

    /// One step of the inverter's round: at the first it also plans its next round.
    fn inverter_turn(&mut self, at: Duration, step: usize) {
        let Some(every) = self.inverter.as_ref().map(|plan| plan.every) else {
            return;
        };
        let on_this_line =
            self.framing == Framing::Rtu && self.profile.inverter.port == InverterPort::ThisBus;
        if on_this_line && at < self.line_free && self.inverter_talks() {
            let free = self.line_free + self.line.frame_silence() + Duration::from_millis(2);
            self.push(free, Happening::InverterTurn { step });
            return;
        }
        if step == 0 {
            self.push(
                at + every.max(Duration::from_millis(200)),
                Happening::InverterTurn { step: 0 },
            );
            self.inverter_counter = self.inverter_counter.wrapping_add(1);
        }
        if !self.inverter_talks() {
            return;
        }
        if !on_this_line {
            let counter = self.inverter_counter;
            self.units
                .iter_mut()
                .filter(|unit| unit.is_on())
                .for_each(|unit| unit.feed_unseen(at, counter));
            return;
        }
        let Some((unit, pdu)) = self.round().into_iter().nth(step) else {
            return;
        };
        let bytes = wrap(Framing::Rtu, 0, unit, &pdu);
        let ends = self.transmit(None, at, &bytes, None);
        let request = Request {
            transaction: 0,
            unit,
            pdu,
        };
        self.push(ends, Happening::InverterRequest { step, request });
    }

    /// What the inverter asks in one round: a sign of life where writes feed the unit, and the
    /// state, of every unit.
    fn round(&self) -> Vec<(u8, Vec<u8>)> {
        let first_of = |role| self.profile.points.iter().find(|p| p.role == role);
        let mut round = Vec::new();
        for unit in &self.units {
            if self.profile.inverter.fed_by == FedBy::Writes {
                let [a, b] = first_of(Role::InverterHeartbeat)
                    .map_or(0, |p| p.address)
                    .to_be_bytes();
                let [c, d] = self.inverter_counter.to_be_bytes();
                round.push((unit.address, vec![6, a, b, c, d]));
            }
            if let Some(state) = first_of(Role::State) {
                let function = if state.table == Some(Table::Holding) {
                    3
                } else {
                    4
                };
                let [a, b] = state.address.to_be_bytes();
                round.push((unit.address, vec![function, a, b, 0, 1]));
            }
        }
        round
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

/// Characters that arrive together: few enough that a listener sees a frame grow, many enough that
/// a real driver can keep up.
fn chunk_size(line: LineSettings) -> usize {
    if line.baud > 38_400 { 32 } else { 8 }
}
