//! The world in virtual time: units, the line with its timing, the inverter, clients.
//!
//! Input: bytes of clients with the times at which they left. Output: bytes that reach them with
//! the times of their arrival. Does not: read a clock; [`crate::serve`] moves it in real time.
//!
//! # Invariants
//! - Same scenario, profile, seed and calls: same output to the byte.
//! - At most [`QUEUED`] things wait; what a client sends beyond that is lost.
//!
//! # Times
//! A client's bytes end on the wire one character time each after they left. The unit takes a
//! frame as ended after 3.5 characters, then needs its answer time, then sends at character times.
//! Bytes arrive in chunks.
//!
//! # The line
//! Every party has its own settings and wires ([`World::set_tool`] for the one that the clients
//! share). What they send overlaps, is disturbed and is heard bit by bit where it matters (see
//! `air`); the terminal of the tool then makes of bad bytes what a terminal does. A network is
//! none of its affair: a gateway is one more client (see [`crate::Site`]).
//!
//! # Sources
//! - Modbus over Serial Line V1.02, 2.5.1.1 (silences) and 2.4.1 (broadcast is not answered)

mod air;
mod inverter;
mod line;
mod noise;
mod setup;

use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Duration;

use packside_profiles::model::Profile;
use packside_profiles::{LineSettings, StateKind};

use crate::cell_plan::LampPlan;
use crate::control::STEP;
use crate::dice::Dice;
use crate::frame::{Framing, Request, Splitter};
use crate::lamp::{is_lit, shines};
use crate::line_plan::{Chatter, Noise, SecondClient};
use crate::mischief::{Answer, Coming, Rules};
use crate::mischief_plan::MischiefKind;
use crate::scenario::{Event, InverterPlan};
use crate::uart::{Settings, Tty};
use crate::unit::{Asker, Unit};
use air::{Air, Party};
use inverter::Turn;
use setup::tty_of;

/// Most things that wait to happen.
const QUEUED: usize = 4096;

/// Most clients at a time; bytes of further ones are lost.
const CLIENTS: usize = 64;

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
    ClientBytes {
        client: u32,
        begins: Duration,
        bytes: Vec<u8>,
    },
    /// A poller takes its turn.
    Turn(Turn),
    /// A poller's question is at the units.
    Asked {
        turn: Turn,
        sent: Sent,
        request: Request,
    },
    /// The answer to a poller's question is over.
    Answered { turn: Turn, sent: Sent },
    /// Bytes reach a client; where they were on the wire, who sent them and since when.
    Arrives {
        client: Option<u32>,
        on_wire: Option<(Party, Duration)>,
        bytes: Vec<u8>,
    },
    /// Noise or late bits may have become bytes.
    Settle { client: Option<u32> },
    /// The tool's adapter hands over what it holds.
    Release,
    /// A source of noise spikes.
    Spike { source: usize },
    /// The other protocol's device says its line.
    Chatters,
    /// An event of the scenario.
    Event(Event),
}

/// When something was on the wire.
#[derive(Debug, Clone, Copy)]
struct Sent {
    begins: Duration,
    ends: Duration,
}

#[derive(Debug, Clone)]
struct Client {
    splitter: Splitter,
    /// When its last byte is on the wire.
    last_byte: Duration,
    /// When its last byte that the units have heard was on the wire.
    heard: Duration,
}

/// Everything, at a time.
#[derive(Debug, Clone)]
pub struct World {
    profile: Arc<Profile>,
    name: String,
    line: LineSettings,
    answer_time: Duration,
    now: Duration,
    units: Vec<Unit>,
    /// Until when packs side by side have acted on each other.
    coupled: Duration,
    neighbour: Option<Unit>,
    neighbour_answer_time: Duration,
    neighbour_from: Duration,
    rules: Rules,
    noise_dice: Dice,
    air: Air,
    tty: Tty,
    lamps: LampPlan,
    has_common_wire: bool,
    noise: Vec<Noise>,
    second: Option<SecondClient>,
    chatter: Option<Chatter>,
    inverter: Option<InverterPlan>,
    inverter_forced: Option<bool>,
    inverter_counter: u16,
    inverter_is_cut: bool,
    /// Since when the terminals feed the inverter.
    battery_live_since: Option<Duration>,
    clients: BTreeMap<u32, Client>,
    queue: BTreeMap<(Duration, u64), Happening>,
    pushed: u64,
    /// End of the last thing on the wire that is known so far.
    line_free: Duration,
    /// End of what each party sends.
    talks_until: BTreeMap<Party, Duration>,
    arrived: Vec<Arrival>,
    /// How long the tool's adapter holds back, and what it holds.
    hold_back: Option<Duration>,
    held: Vec<(Option<u32>, Vec<u8>)>,
}

impl World {
    /// Other line settings than those of profile and scenario, for everybody on the line.
    pub fn set_line(&mut self, line: LineSettings) {
        self.line = line;
        for party in Party::ALL {
            self.reset(party, line);
        }
        self.tty = tty_of(line);
    }

    /// Other line settings of the tool alone; its wires stay as they are.
    pub fn set_tool(&mut self, line: LineSettings) {
        self.reset(Party::Tool, line);
        self.tty = tty_of(line);
    }

    /// Line settings of the tool.
    pub fn tool_line(&self) -> LineSettings {
        let settings = self.air.settings(Party::Tool);
        settings.map_or(self.line, |settings| LineSettings {
            baud: settings.baud,
            parity: settings.parity,
            stop_bits: settings.stop_bits,
        })
    }

    /// What the tool's terminal does with bad bytes, where it is not the usual.
    pub fn set_tty(&mut self, tty: Tty) {
        self.tty = tty;
    }

    fn reset(&mut self, party: Party, line: LineSettings) {
        let old = self.air.settings(party);
        let new = Settings {
            swapped: old.is_some_and(|old| old.swapped),
            error_ppm: old.map_or(0, |old| old.error_ppm),
            ..Settings::from(line)
        };
        self.air.set(party, new);
    }

    /// Makes the units ones that no map recognises, so that nobody judges what they say.
    pub fn unmark(&mut self) {
        self.units.iter_mut().for_each(Unit::unmark);
    }

    /// Says what time it is in the world around, as time since 1970, so that the clocks of the
    /// units are right but for their error; 2026-01-01 at power-up unless told.
    pub fn set_unix_time(&mut self, since_1970: Duration) {
        let units = self.units.iter_mut().chain(&mut self.neighbour);
        units.for_each(|unit| unit.set_unix_time(since_1970));
    }

    /// What a clock that is right shows now, as time since 1970.
    pub fn unix_time(&self) -> Duration {
        self.units.first().map_or(self.now, Unit::unix_time)
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
        let fresh = || Client {
            splitter: Splitter::new(Framing::Rtu),
            last_byte: at,
            heard: at,
        };
        let entry = self.clients.entry(client).or_insert_with(fresh);
        let begins = at.max(entry.last_byte);
        if begins > at + BACKLOG {
            return;
        }
        let ends = begins + self.air.characters(Party::Tool, bytes.len());
        entry.last_byte = ends;
        if self.rules.echoes(begins) {
            self.echo(client, begins, bytes);
        }
        self.air.add(self.now, Party::Tool, begins, ends, bytes);
        self.loosen(Party::Tool, begins);
        self.line_free = self.line_free.max(ends);
        let bytes = bytes.to_vec();
        self.push(
            ends,
            Happening::ClientBytes {
                client,
                begins,
                bytes,
            },
        );
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
        // Packs side by side act on each other at every step, however far the world is moved at once.
        while self.units.len() > 1 && self.coupled + STEP <= to {
            self.coupled += STEP;
            let step = self.coupled;
            self.units.iter_mut().for_each(|unit| unit.run_to(step));
            self.couple();
        }
        let neighbour = self.neighbour.iter_mut();
        let units = self.units.iter_mut().chain(neighbour);
        units.for_each(|unit| unit.run_to(to));
        let is_live = self.units.iter().any(Unit::has_live_terminals);
        let since = self.battery_live_since.unwrap_or(to);
        self.battery_live_since = is_live.then_some(since);
    }

    /// Packs side by side: what is connected holds the terminals of all, and evens out.
    fn couple(&mut self) {
        let held = self.units.iter().filter_map(Unit::holds).reduce(f64::max);
        let sources = self.units.iter().filter_map(Unit::source);
        let (driven, leads) = sources.fold((0.0, 0.0), |(driven, leads), (volts, ohm)| {
            (driven + volts / ohm, leads + 1.0 / ohm)
        });
        let even = (leads > 0.0).then(|| driven / leads);
        let units = self.units.iter_mut();
        units.for_each(|unit| unit.set_bus(held, even));
    }

    fn push(&mut self, at: Duration, what: Happening) {
        self.pushed += 1;
        self.queue.insert((at, self.pushed), what);
    }

    fn happen(&mut self, at: Duration, what: Happening) {
        match what {
            Happening::Arrives {
                client,
                on_wire,
                bytes,
            } => self.arrive(at, client, on_wire, bytes),
            Happening::ClientBytes {
                client,
                begins,
                bytes,
            } => self.client_bytes(at, client, begins, bytes),
            Happening::Turn(turn) => self.take_turn(at, turn),
            Happening::Asked {
                turn,
                sent,
                request,
            } => self.asked(at, turn, sent, &request),
            Happening::Answered { turn, sent } => self.answered(at, turn, sent),
            Happening::Settle { client } => self.settle(at, client),
            Happening::Release => self.release(at),
            Happening::Spike { source } => self.spike(at, source),
            Happening::Chatters => self.chatters(at),
            Happening::Event(event) => self.happens(&event),
        }
    }

    /// Something happens now, whatever the scenario foresaw: as its `[[event]]`, the time apart.
    /// What concerns adapter or gateway happens to the [`crate::Site`].
    pub fn happens(&mut self, event: &Event) {
        self.inverter_forced = event.inverter.or(self.inverter_forced);
        let whole = event.inverter_cable.unwrap_or(!self.inverter_is_cut);
        self.inverter_is_cut = !whole;
        for (index, unit) in (1u8..).zip(&mut self.units) {
            if event.pack.is_none_or(|pack| pack == index) {
                unit.apply(event);
            }
        }
    }

    fn client_bytes(&mut self, at: Duration, client: u32, begins: Duration, bytes: Vec<u8>) {
        // Far longer than any silence within a frame, since adapters hold bytes back.
        let patience = self.line.frame_silence() + Duration::from_millis(50);
        let (bytes, damaged) = self.units_hear(Party::Tool, begins, at, bytes);
        let Some(entry) = self.clients.get_mut(&client) else {
            return;
        };
        let errors = entry.splitter.damaged;
        let silent = begins.saturating_sub(entry.heard);
        entry.heard = at;
        if silent > patience || damaged {
            entry.splitter.forget();
        }
        let requests = entry.splitter.push(&bytes);
        let errors = entry.splitter.damaged.wrapping_sub(errors);
        self.count_damage(errors.wrapping_add(u16::from(damaged)));
        for request in requests {
            self.request(at, Asker::Client(client), &request);
        }
    }

    fn count_damage(&mut self, errors: u16) {
        for unit in &mut self.units {
            unit.counters.bus_errors = unit.counters.bus_errors.wrapping_add(errors);
        }
    }

    /// A request is at the units. Gives when the answer is on the wire, if one comes.
    fn request(&mut self, at: Duration, asker: Asker, request: &Request) -> Option<Sent> {
        for unit in &mut self.units {
            unit.counters.bus_messages = unit.counters.bus_messages.wrapping_add(1);
        }
        let neighbour = self.neighbour.iter_mut();
        if request.unit == 0 {
            let units = self.units.iter_mut().chain(neighbour);
            for unit in units.filter(|unit| unit.is_on()) {
                unit.overhear_broadcast(at, &request.pdu);
            }
            return None;
        }
        let has_come = at >= self.neighbour_from;
        let own = self.own_answer(at, asker, request);
        let other = self.neighbour.as_mut();
        let is_meant = |unit: &&mut Unit| unit.address == request.unit && unit.is_on();
        let other = other.filter(|unit| has_come && is_meant(unit));
        let other = other.and_then(|unit| unit.answer(at, &request.pdu));
        let other = other.and_then(|pdu| {
            let coming = [Coming::plain(request, &pdu)];
            self.answer(at, (Party::Neighbour, asker), &coming)
        });
        own.or(other)
    }

    /// What the units of the stack answer.
    fn own_answer(&mut self, at: Duration, asker: Asker, request: &Request) -> Option<Sent> {
        let address = request.unit;
        let is_meant = |unit: &&mut Unit| unit.address == address && unit.is_on();
        let unit = self.units.iter_mut().find(is_meant)?;
        if self.rules.absent(at, address) {
            return None;
        }
        let mut pdu = unit.answer(at, &request.pdu)?;
        if !matches!(asker, Asker::Client(_)) {
            let coming = [Coming::plain(request, &pdu)];
            return self.answer(at, (Party::Units, asker), &coming);
        }
        let refused = self
            .rules
            .refusal(at, address, |role| unit.covers_role(&request.pdu, role));
        if let (Some(code), Some(function)) = (refused, request.pdu.first()) {
            pdu = vec![function | 0x80, code];
        }
        let answer = Answer {
            transaction: request.transaction,
            unit: request.unit,
            pdu,
        };
        let coming = self.rules.spoil(at, Framing::Rtu, &answer);
        self.answer(at, (Party::Units, asker), &coming)
    }

    /// Line settings of the units.
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
        let pattern = self.lamp_pattern(id);
        shines(&pattern, &self.profile.lamp_patterns, self.now) && is_lit(&self.lamps, self.now)
    }

    /// Volts of a cell (module and cell counted from 1) of the first unit as that unit sees it,
    /// not rounded to a register; nothing where it sees none.
    pub fn cell_volts(&self, module: u16, cell: u16) -> Option<f64> {
        self.units.first()?.cell(module, cell)
    }

    /// A number over everything that moves in the units: two runs that end alike have the same.
    pub fn fingerprint(&self) -> u64 {
        // Kind: published (FNV-1a, 64 bits: offset basis and prime)
        let bits = self.units.iter().flat_map(Unit::bits);
        bits.flat_map(u64::to_le_bytes)
            .fold(0xcbf2_9ce4_8422_2325, |hash, byte| {
                (hash ^ u64::from(byte)).wrapping_mul(0x0000_0100_0000_01b3)
            })
    }

    /// Share of its full light that a lamp of the first unit gives now to whoever is too slow for
    /// its dimming, as an eye or a camera.
    pub fn lamp_level(&self, id: &str) -> f64 {
        let pattern = self.lamp_pattern(id);
        if shines(&pattern, &self.profile.lamp_patterns, self.now) {
            self.lamps.bright.clamp(0.0, 100.0) / 100.0
        } else {
            0.0
        }
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
        let inverter = match (self.inverter_talks(), self.inverter_is_cut) {
            (true, false) => "talks",
            (true, true) => "talks, its cable is cut",
            (false, _) => "is silent",
        };
        format!(
            "simulated {} at {:.1} s: {}; lamps {}; the inverter {inverter}",
            self.name,
            self.now.as_secs_f64(),
            units.join("; "),
            lamps.join(", ")
        )
    }

    /// Questions that have reached the units, modulo 65,536.
    pub fn questions(&self) -> u16 {
        let asked = self.units.iter().map(Unit::asked);
        asked.fold(0, u16::wrapping_add)
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
