//! One unit at one address: physics, control unit and the server that answers by the profile.
//!
//! Input: time, events of the scenario, requests. Output: answers as PDUs, lamps, the truth. Does
//! not: know frames or the line (see [`crate::world`]).
//!
//! # What it answers
//! Functions that the profile lists, besides writes where they feed the inverter supervision.
//! Order of checks as in the specification's diagrams: function (exception 01), quantity (03),
//! address (02). Writes change nothing but the supervision.
//!
//! # Sources
//! - Modbus Application Protocol V1.1b3, sections 6 and 7

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;
use std::time::Duration;

use packside_profiles::model::{FedBy, Profile, Table};
use packside_profiles::{Layout, Role, StateKind};

use crate::cell_plan::Defect;
use crate::control::{Control, STEP};
use crate::control_plan::ControlPlan;
use crate::pack::{self, Pack};
use crate::registers::{self, Facts, Image, Sources};
use crate::scenario::{Event, Scenario, Stack};

/// When every scenario begins unless told otherwise: 2026-01-01T00:00:00Z, as time since 1970.
/// Kind: invented.
const BEGAN: Duration = Duration::from_secs(1_767_225_600);

/// Counters of function 08, as the specification numbers them from 0B on.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Counters {
    /// Frames seen on the line, for anybody.
    pub(crate) bus_messages: u16,
    /// Damaged frames seen.
    pub(crate) bus_errors: u16,
    exceptions: u16,
    messages: u16,
    unanswered: u16,
}

/// Who asks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Asker {
    /// A client, by connection.
    Client(u32),
    /// The inverter.
    Inverter,
    /// A second client on the line.
    Second,
}

/// One unit.
#[derive(Debug, Clone)]
pub(crate) struct Unit {
    /// Unit address.
    pub(crate) address: u8,
    profile: Arc<Profile>,
    layout: Arc<Layout>,
    pack: Pack,
    pub(crate) control: Control,
    facts: Facts,
    image: Image,
    time: Duration,
    /// When the scenario began, as time since 1970.
    began: Duration,
    refreshed: Duration,
    frozen: bool,
    dark_lamps: BTreeSet<String>,
    plan: ControlPlan,
    /// It hangs until then.
    hangs_until: Option<Duration>,
    /// Whether it answers at all.
    pub(crate) answers: bool,
    /// Counters of the line.
    pub(crate) counters: Counters,
}

/// What makes one unit differ from its sisters.
pub(crate) struct Birth {
    /// Unit address.
    pub(crate) address: u8,
    /// Number of the pack, from 1.
    pub(crate) index: u8,
    /// Dice of its own.
    pub(crate) dice: crate::dice::Dice,
}

impl Unit {
    /// A unit at power-up.
    pub(crate) fn new(
        profile: &Arc<Profile>,
        layout: &Arc<Layout>,
        stack: &Stack,
        scenario: &Scenario,
        mut birth: Birth,
    ) -> Self {
        let silence = stack
            .silence
            .unwrap_or(Duration::from_secs(profile.inverter.silence_s.into()));
        let oldest = profile.profile.firmware_from.clone();
        let facts = Facts {
            index: birth.index,
            packs: stack.packs_expected.unwrap_or(stack.packs),
            firmware: stack
                .firmware
                .clone()
                .or(oldest)
                .unwrap_or_else(|| "1.0".to_owned()),
            serial: birth.dice.next(),
            heartbeat: u16::from(birth.dice.byte()),
            log_read: false,
            is_marked: true,
            says: BTreeMap::new(),
        };
        let mut unit = Self {
            address: birth.address,
            profile: Arc::clone(profile),
            layout: Arc::clone(layout),
            pack: Pack::new(
                profile,
                stack,
                (&scenario.cells, &scenario.circuit),
                &mut birth.dice,
            ),
            control: Control::new(silence, &stack.suppress, &scenario.control),
            facts,
            image: Image::new(),
            time: Duration::ZERO,
            began: BEGAN,
            refreshed: Duration::ZERO,
            frozen: false,
            dark_lamps: BTreeSet::new(),
            plan: scenario.control.clone(),
            hangs_until: None,
            answers: true,
            counters: Counters::default(),
        };
        unit.refresh();
        unit
    }

    /// Goes on to a time.
    pub(crate) fn run_to(&mut self, now: Duration) {
        while let Some(next) = self.time.checked_add(STEP).filter(|next| *next <= now) {
            self.time = next;
            if self.frozen || self.hangs() {
                self.pack.flow(STEP);
                continue;
            }
            self.control.step(next, &self.profile, &mut self.pack);
            let interval = Duration::try_from_secs_f64(self.profile.unit.refresh_s)
                .unwrap_or(STEP)
                .max(STEP);
            if next.saturating_sub(self.refreshed) >= interval {
                self.refreshed = next;
                self.facts.heartbeat = self.facts.heartbeat.wrapping_add(1);
                self.refresh();
            }
        }
    }

    fn refresh(&mut self) {
        let sources = Sources {
            profile: &self.profile,
            pack: &self.pack,
            control: &self.control,
            facts: &self.facts,
            now: self.time,
            unix_time: self.began + self.time,
        };
        self.image = registers::image(&sources, &self.layout);
    }

    /// Does what an event of the scenario says.
    pub(crate) fn apply(&mut self, event: &Event) {
        self.pack.apply(event);
        self.control.wanted_current = event.current.unwrap_or(self.control.wanted_current);
        self.control.raised.extend(event.raise.clone());
        if let Some(id) = &event.lower {
            self.control.raised.remove(id);
        }
        if let Some(lamp) = &event.lamp {
            if event.defect == Some(Defect::LampDark) {
                self.dark_lamps.insert(lamp.clone());
            } else {
                self.dark_lamps.remove(lamp);
            }
        }
        self.frozen = event.frozen.unwrap_or(self.frozen);
        self.answers = event.answers.unwrap_or(self.answers);
        match event.configured {
            Some(true) => self.plan.unconfigured = None,
            Some(false) => self.plan.unconfigured = Some(self.plan.unconfigured.unwrap_or(2)),
            None => {}
        }
        if let Some(saying) = &event.says {
            self.facts.says.insert(saying.point.clone(), saying.clone());
        }
        if let Some(button) = event.button {
            let was_off = self.control.state == StateKind::Off;
            self.control.press(button, self.time, &self.profile);
            if was_off && self.control.state != StateKind::Off {
                self.facts.heartbeat = 0;
            }
            self.refresh();
        }
        if event.restart == Some(true) {
            self.frozen = false;
            self.hangs_until = None;
            self.facts.log_read = false;
            self.facts.heartbeat = 0;
            self.control.restart(self.time, &self.profile);
            self.refresh();
        }
    }

    /// Says what time it is in the world around; see [`crate::World::set_unix_time`].
    pub(crate) fn set_unix_time(&mut self, since_1970: Duration) {
        self.began = since_1970.saturating_sub(self.time);
        self.refresh();
    }

    /// What a clock that is right shows now, as time since 1970.
    pub(crate) fn unix_time(&self) -> Duration {
        self.began + self.time
    }

    /// Takes the marks of the map away: nobody can recognise it any more.
    pub(crate) fn unmark(&mut self) {
        self.facts.is_marked = false;
        self.refresh();
    }

    /// Questions that reached it, 16 bits of them.
    pub(crate) fn asked(&self) -> u16 {
        self.counters.messages
    }

    /// A sign of life of the inverter that no wire shows.
    pub(crate) fn feed_unseen(&mut self, now: Duration, counter: u16) {
        self.control.feed(now);
        self.control.inverter_counter = counter;
    }

    /// Whether it listens to the line at all: switched on.
    pub(crate) fn is_on(&self) -> bool {
        self.answers && self.control.state != StateKind::Off && !self.hangs()
    }

    fn hangs(&self) -> bool {
        self.hangs_until.is_some_and(|until| self.time < until)
    }

    /// Whether the terminals carry at least half of the pack's voltage.
    pub(crate) fn has_live_terminals(&self) -> bool {
        self.pack.circuit.terminals() > 0.5 * self.pack.voltage()
    }

    /// Current that flows, A, positive into the battery.
    pub(crate) fn current(&self) -> f64 {
        self.pack.current
    }

    /// Voltage that it holds at the terminals, if it is connected to them.
    pub(crate) fn holds(&self) -> Option<f64> {
        let pack = &self.pack;
        pack.circuit.is_connected().then(|| pack.voltage())
    }

    /// What it drives its sisters with, if it is connected to them: volts and Ohm.
    pub(crate) fn source(&self) -> Option<(f64, f64)> {
        let is_connected = self.pack.circuit.is_connected();
        is_connected.then(|| self.pack.source())
    }

    /// Takes what its sisters do at the common terminals: the voltage that they hold there, and
    /// the one at which the currents between all of them even out.
    pub(crate) fn set_bus(&mut self, held: Option<f64>, even: Option<f64>) {
        self.pack.circuit.bus = held;
        let current = even.zip(self.source());
        self.pack.equalising = current.map_or(0.0, |(even, (volts, ohm))| (even - volts) / ohm);
    }

    /// Everything that moves in it, as numbers, for comparing two runs.
    pub(crate) fn bits(&self) -> impl Iterator<Item = u64> {
        let words = self.image.values().map(|word| u64::from(*word));
        self.pack.bits().chain(words)
    }

    /// Voltage of a cell (both counted from 1) as the unit sees it.
    pub(crate) fn cell(&self, module: u16, cell: u16) -> Option<f64> {
        self.pack.cell(module, cell)
    }

    /// Active flags, also those that a code hides.
    pub(crate) fn flags(&self) -> Vec<String> {
        self.control.active.iter().cloned().collect()
    }

    /// One line for people.
    pub(crate) fn describe(&self) -> String {
        let flags = if self.control.active.is_empty() {
            "no flags".to_owned()
        } else {
            self.flags().join(", ")
        };
        format!(
            "unit {} {}: {flags}; {:.1} V",
            self.address,
            self.control.state,
            self.pack.voltage()
        )
    }

    /// Pattern of one of its lamps, as it shines.
    pub(crate) fn lamp_pattern(&self, lamp: &str) -> &str {
        if self.dark_lamps.contains(lamp) {
            return "off";
        }
        self.control.lamp_pattern(&self.profile, lamp)
    }

    /// Answers a request that reached it undamaged; nothing where it keeps silent.
    pub(crate) fn answer(&mut self, now: Duration, pdu: &[u8]) -> Option<Vec<u8>> {
        self.counters.messages = self.counters.messages.wrapping_add(1);
        let (&function, data) = pdu.split_first()?;
        if self.plan.hangs_on.contains(&function) {
            let until = self.plan.hangs_for.map(|time| now.saturating_add(time));
            self.hangs_until = Some(until.unwrap_or(Duration::MAX));
            return None;
        }
        self.supervise(now, function, data);
        let answer = self.serve(function, data);
        Some(match answer {
            Ok(data) => [&[function], data.as_slice()].concat(),
            Err(code) => {
                self.counters.exceptions = self.counters.exceptions.wrapping_add(1);
                vec![function | 0x80, code]
            }
        })
    }

    /// A frame for everybody: taken, never answered.
    pub(crate) fn overhear_broadcast(&mut self, now: Duration, pdu: &[u8]) {
        self.counters.unanswered = self.counters.unanswered.wrapping_add(1);
        if let Some((&function, data)) = pdu.split_first() {
            self.supervise(now, function, data);
        }
    }

    /// Takes a request for a sign of life, where the profile says so.
    fn supervise(&mut self, now: Duration, function: u8, data: &[u8]) {
        let word = |at: usize| Some(u16::from_be_bytes([*data.get(at)?, *data.get(at + 1)?]));
        let writes = matches!(function, 5 | 6 | 15 | 16);
        let feeds = match self.profile.inverter.fed_by {
            // Not known is taken for the worse: it feeds.
            FedBy::AnyRequest | FedBy::Unknown => true,
            FedBy::Writes => writes,
            FedBy::OtherPort => false,
            FedBy::ReadsOf => word(0).zip(word(2)).is_some_and(|(from, count)| {
                let last = from.saturating_add(count.saturating_sub(1));
                let covers = |s: &packside_profiles::model::Span| from <= s.to && last >= s.from;
                let table = table_of(function);
                self.profile
                    .inverter
                    .reads_of
                    .iter()
                    .any(|s| Some(s.table) == table && covers(s))
            }),
        };
        if feeds && !self.frozen {
            self.control.feed(now);
        }
        let counter = self.layout.instances.iter().find(|i| {
            self.profile
                .points
                .get(i.point)
                .is_some_and(|p| p.role == Role::InverterHeartbeat)
        });
        if function == 6 && counter.is_some_and(|c| word(0) == Some(c.address)) {
            self.control.inverter_counter = word(2).unwrap_or_default();
        }
    }

    /// Data of the answer, or the exception code.
    fn serve(&mut self, function: u8, data: &[u8]) -> Result<Vec<u8>, u8> {
        let listed = self.profile.answering.functions.contains(&function);
        let writes = matches!(function, 6 | 16) && self.profile.inverter.fed_by == FedBy::Writes;
        if !listed && !writes {
            return Err(1);
        }
        match function {
            1..=4 => self.read(function, data),
            6 => exactly::<4>(data).map(|d| d.to_vec()),
            8 => self.diagnose(data),
            16 => write_many(data),
            17 => Ok([&[18, 1, 0xff], b"SIMULATED UNIT  ".as_slice()].concat()),
            43 => identify(data, &self.facts.firmware),
            _ => Err(1),
        }
    }

    fn read(&mut self, function: u8, data: &[u8]) -> Result<Vec<u8>, u8> {
        let &[a, b, c, d] = exactly::<4>(data)?;
        let (from, count) = (u16::from_be_bytes([a, b]), u16::from_be_bytes([c, d]));
        let table = table_of(function).ok_or(1)?;
        let most = if function <= 2 { 2000 } else { 125 };
        if !(1..=most).contains(&count) {
            return Err(3);
        }
        let last = from.checked_add(count - 1).ok_or(2)?;
        if let Some(code) = self.plan.unconfigured.filter(|_| table == Table::Input) {
            return Err(code);
        }
        let readable = |address: u16| {
            let spans = self.profile.spans.iter().filter(|s| s.table == table);
            spans
                .into_iter()
                .any(|s| (s.from..=s.to).contains(&address))
        };
        if !(from..=last).all(readable) {
            return Err(2);
        }
        let word = |address: u16| {
            self.image
                .get(&(table, address))
                .copied()
                .unwrap_or_default()
        };
        let bytes: Vec<u8> = if function <= 2 {
            let bits: Vec<bool> = (from..=last).map(|a| word(a) != 0).collect();
            let byte = |eight: &[bool]| {
                eight
                    .iter()
                    .rev()
                    .fold(0, |byte, bit| byte << 1 | u8::from(*bit))
            };
            bits.chunks(8).map(byte).collect()
        } else {
            (from..=last).flat_map(|a| word(a).to_be_bytes()).collect()
        };
        let forgets =
            |s: &packside_profiles::model::Span| s.table == table && from <= s.to && last >= s.from;
        if self.profile.clears_when_read.iter().any(forgets) {
            self.facts.log_read = true;
            self.refresh();
        }
        Ok([
            &[u8::try_from(bytes.len()).map_err(|_| 3u8)?],
            bytes.as_slice(),
        ]
        .concat())
    }

    fn diagnose(&mut self, data: &[u8]) -> Result<Vec<u8>, u8> {
        let (sub, rest) = data.split_first_chunk::<2>().ok_or(3)?;
        let counter = match u16::from_be_bytes(*sub) {
            0x00 => return Ok(data.to_vec()),
            0x0b => self.counters.bus_messages,
            0x0c => self.counters.bus_errors,
            0x0d => self.counters.exceptions,
            0x0e => self.counters.messages,
            0x0f => self.counters.unanswered,
            _ => return Err(1),
        };
        // "Data field: 00 00" for the counters.
        if rest != [0, 0] {
            return Err(3);
        }
        Ok([*sub, counter.to_be_bytes()].concat())
    }

    /// Which span-less addresses and roles a read covers: whether one of a role is among them.
    pub(crate) fn covers_role(&self, pdu: &[u8], role: Role) -> bool {
        let &[function, a, b, c, d] = pdu else {
            return false;
        };
        let from = u16::from_be_bytes([a, b]);
        let last = from.saturating_add(u16::from_be_bytes([c, d]).saturating_sub(1));
        self.layout.instances.iter().any(|i| {
            let is_role = self
                .profile
                .points
                .get(i.point)
                .is_some_and(|p| p.role == role);
            let end = i.address.saturating_add(i.registers.saturating_sub(1));
            is_role && Some(i.table) == table_of(function) && from <= end && last >= i.address
        })
    }
}

fn table_of(function: u8) -> Option<Table> {
    Some(match function {
        1 => Table::Coil,
        2 => Table::Discrete,
        3 => Table::Holding,
        4 => Table::Input,
        _ => return None,
    })
}

fn exactly<const N: usize>(data: &[u8]) -> Result<&[u8; N], u8> {
    data.try_into().map_err(|_| 3)
}

/// Function 16 is acknowledged and changes nothing.
fn write_many(data: &[u8]) -> Result<Vec<u8>, u8> {
    let (&[a, b, c, d, bytes], values) = data.split_first_chunk::<5>().ok_or(3)?;
    let count = u16::from_be_bytes([c, d]);
    let fits = (1..=123).contains(&count)
        && usize::from(bytes) == values.len()
        && u16::from(bytes) == count * 2;
    if fits { Ok(vec![a, b, c, d]) } else { Err(3) }
}

/// Function 2B/0E, basic objects only.
fn identify(data: &[u8], firmware: &str) -> Result<Vec<u8>, u8> {
    let (code, object) = match data {
        [0x0e, code, object] => (*code, *object),
        [0x0e, ..] => return Err(3),
        _ => return Err(1),
    };
    let texts = ["Simulated, no maker", "SIMULATED", firmware];
    let chosen: Vec<usize> = match code {
        1..=3 if usize::from(object) < texts.len() => (usize::from(object)..texts.len()).collect(),
        1..=3 => (0..texts.len()).collect(),
        4 if usize::from(object) < texts.len() => vec![object.into()],
        4 => return Err(2),
        _ => return Err(3),
    };
    let mut answer = vec![
        0x0e,
        code,
        0x81,
        0,
        0,
        u8::try_from(chosen.len()).unwrap_or(0),
    ];
    for id in chosen {
        let text = texts.get(id).copied().unwrap_or_default().as_bytes();
        answer.extend([
            u8::try_from(id).unwrap_or(0),
            u8::try_from(text.len()).unwrap_or(0),
        ]);
        answer.extend(text);
    }
    Ok(answer)
}

/// The layout that all units of a rack share.
pub(crate) fn shared_layout(profile: &Profile, stack: &Stack) -> Layout {
    let packs = stack.packs_expected.unwrap_or(stack.packs);
    pack::layout(profile, pack::module_count(profile, stack.modules), packs)
}
