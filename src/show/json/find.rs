//! The end of a search, `packside.find/1`.

use serde::Serialize;

use super::ms;
use crate::find::{
    Candidate as Weighed, Found as Answering, FoundIdentity, Garbled as Damaged, Listening,
};
use crate::link::LocalPort;
use crate::listen::settings::Protocol;
use crate::wire::hex;

/// Name and version of the schema.
pub const SCHEMA: &str = "packside.find/1";

/// One search.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Search {
    /// `packside.find/1`.
    pub schema: &'static str,
    /// Version of this tool.
    pub tool: &'static str,
    /// No real line: it came from the simulator.
    pub simulated: bool,
    /// `found`, `exhausted`, `busy`, `not-asked`, `stopped` or `trouble`.
    pub ended: &'static str,
    /// What went wrong, where something did.
    pub trouble: Option<String>,
    /// What is known of the local port.
    pub port: Option<Port>,
    /// What listening gave; null where nobody could be overheard.
    pub heard: Option<Heard>,
    /// Who answered.
    pub found: Vec<Unit>,
    /// Who answered, never readably.
    pub garbled: Vec<Garbled>,
    /// What was seen of a gateway; null on a line.
    pub gateway: Option<Gateway>,
    /// Whether the adapter gives back what it sends.
    pub echoes: bool,
    /// Whether bytes came that nobody can have sent.
    pub noisy: bool,
    /// Questions asked.
    pub questions: usize,
    /// From the first of them to the end.
    pub took_ms: u64,
    /// How long it was listened first.
    pub window_ms: u64,
    /// Until when the silence that was heard counts for a look: then it need not listen again.
    pub quiet_until: Option<String>,
    /// Where to go on.
    pub resume: Option<usize>,
    /// File in which the place was kept.
    pub saved: Option<String>,
    /// The complete next command.
    pub next: String,
}

/// A local port.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Port {
    /// Its name.
    pub name: String,
    /// Who made the adapter, as it says itself.
    pub maker: Option<String>,
    /// What the adapter is, as it says itself.
    pub product: Option<String>,
    /// Serial number of the adapter.
    pub serial: Option<String>,
    /// Driver of the system.
    pub driver: Option<String>,
    /// Name that stays when it is plugged in elsewhere.
    pub by_id: Option<String>,
    /// How long the adapter holds bytes back.
    pub hold_back_ms: Option<u64>,
    /// Whether this user may open it.
    pub allowed: Option<bool>,
    /// Programs that have it open.
    pub held_by: Vec<Holder>,
    /// What to do where it cannot be opened.
    pub fix: Option<String>,
}

/// A program that has a port open.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Holder {
    /// Its number.
    pub process: u32,
    /// Its name.
    pub name: String,
}

/// What listening gave.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Heard {
    /// `silent`, `conversation`, `swapped-pair`, `text`, `modbus-ascii` or `unknown`.
    pub what: &'static str,
    /// Line settings at which it was understood.
    pub line: Option<String>,
    /// Whether these are proven.
    pub proven: Option<bool>,
    /// Addresses that answered somebody else.
    pub units: Vec<u8>,
}

/// Somebody who answered.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Unit {
    /// Unit address.
    pub unit: u8,
    /// Further addresses at which the same unit answers.
    pub also_at: Vec<u8>,
    /// Line settings; null behind a gateway.
    pub line: Option<String>,
    /// Further line settings at which it answers.
    pub also_lines: Vec<String>,
    /// Exception code with which it refused.
    pub exception: Option<u8>,
    /// How long its answer took.
    pub answer_ms: Option<u64>,
    /// The register map that fits.
    pub profile: Option<String>,
    /// Serial number, by the map that fits.
    pub serial: Option<String>,
    /// Firmware, by the map that fits.
    pub firmware: Option<String>,
    /// Register maps, the best first.
    pub candidates: Vec<Candidate>,
    /// Register of the mark of the open models.
    pub sunspec_register: Option<u16>,
    /// Device identification.
    pub device: Vec<DeviceObject>,
    /// Data of the server id, hex.
    pub server_id: Option<String>,
    /// What is odd about it.
    pub oddities: Vec<String>,
}

/// A register map that may fit.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Candidate {
    /// Its id.
    pub profile: String,
    /// Whether its marks fit; null where none was asked.
    pub fits: Option<bool>,
    /// Whether the unit answers at the settings of the factory.
    pub factory: bool,
    /// What speaks for or against it.
    pub reasons: Vec<String>,
}

/// An object of a device identification.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct DeviceObject {
    /// Its number.
    pub object: u8,
    /// Its text.
    pub text: String,
}

/// Somebody who answered, never readably.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Garbled {
    /// Unit address.
    pub unit: u8,
    /// Line settings.
    pub line: String,
    /// How often.
    pub times: u32,
}

/// What was seen of a gateway.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Gateway {
    /// `rtu` or `tcp`.
    pub framing: &'static str,
    /// Addresses of which it says that the unit is silent.
    pub silent: usize,
    /// Addresses to which it says that it has no path.
    pub no_path: usize,
    /// Addresses of which it says nothing.
    pub nothing: usize,
    /// Addresses at which it answers itself.
    pub own: Vec<u8>,
    /// Addresses at which everything is refused, beside one that gives data.
    pub refusing: Vec<u8>,
    /// Most questions that were outstanding.
    pub most_open: usize,
}

impl From<&LocalPort> for Port {
    fn from(port: &LocalPort) -> Self {
        let adapter = port.adapter.as_ref();
        let system = &port.system;
        Self {
            name: port.name.clone(),
            maker: adapter.and_then(|a| a.maker.clone()),
            product: adapter.and_then(|a| a.product.clone()),
            serial: adapter.and_then(|a| a.serial.clone()),
            driver: system.driver.clone(),
            by_id: system.by_id.clone(),
            hold_back_ms: system.hold_back.map(ms),
            allowed: system.is_allowed,
            held_by: system
                .held_by
                .iter()
                .map(|(process, name)| Holder {
                    process: *process,
                    name: name.clone(),
                })
                .collect(),
            fix: port.fix(),
        }
    }
}

impl Heard {
    /// What listening gave, and who answered somebody else.
    pub fn of(listening: &Listening, units: Vec<u8>) -> Self {
        let (what, line, proven) = match listening {
            Listening::Silent | Listening::At { .. } => ("silent", None, None),
            Listening::Heard { line, is_proven } => ("conversation", Some(line), Some(*is_proven)),
            Listening::Swapped(line) => ("swapped-pair", Some(line), None),
            Listening::Other(Protocol::Text { .. }) => ("text", None, None),
            Listening::Other(Protocol::ModbusAscii { .. }) => ("modbus-ascii", None, None),
            Listening::Unknown { .. } => ("unknown", None, None),
        };
        Self {
            what,
            line: line.map(ToString::to_string),
            proven,
            units,
        }
    }
}

impl Unit {
    /// Who answered; `has_line` where it was not behind a gateway.
    pub fn of(found: &Answering, identity: &FoundIdentity, has_line: bool) -> Self {
        Self {
            unit: found.unit,
            also_at: found.also_at.clone(),
            line: has_line.then(|| found.line.to_string()),
            also_lines: found.also_lines.iter().map(ToString::to_string).collect(),
            exception: found.refused,
            answer_ms: found.answer_time.map(ms),
            profile: identity.profile().map(str::to_owned),
            serial: identity.serial.clone(),
            firmware: identity.firmware.clone(),
            candidates: identity.candidates.iter().map(Candidate::of).collect(),
            sunspec_register: identity.sunspec,
            device: identity
                .device
                .iter()
                .map(|(object, text)| DeviceObject {
                    object: *object,
                    text: text.clone(),
                })
                .collect(),
            server_id: identity.server_id.as_deref().map(hex),
            oddities: identity.oddities.iter().map(ToString::to_string).collect(),
        }
    }
}

impl Candidate {
    fn of(candidate: &Weighed) -> Self {
        Self {
            profile: candidate.profile.clone(),
            fits: candidate.fits,
            factory: candidate.factory,
            reasons: candidate.reasons.clone(),
        }
    }
}

impl From<&Damaged> for Garbled {
    fn from(garbled: &Damaged) -> Self {
        Self {
            unit: garbled.unit,
            line: garbled.line.to_string(),
            times: garbled.times,
        }
    }
}
