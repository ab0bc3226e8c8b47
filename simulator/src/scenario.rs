//! A scenario: what stands there, what happens to it and when, and what a look must conclude.
//!
//! Input: TOML text. Output: a [`Scenario`], or all its mistakes at once. Does not: run anything
//! (see [`crate::World`]), or judge (its `expect` entries are for whoever judges).
//!
//! # Form of the file
//! ```toml
//! format = 1
//! name = "example"
//! title = "one line for people"
//! profile = "generic-hv-stack"
//! look_at = "90s"            # times: ms, s, min, h
//! [stack]
//! modules = 5
//! soc = 55
//! [inverter]                 # polls from power-up on; left out: there is none
//! from = "10s"
//! [[event]]
//! at = "20s"
//! raise = "door-open"
//! [[mischief]]
//! kind = "late"
//! delay = "800ms"
//! chance = 10
//! [[expect]]
//! at = "90s"
//! verdict = ["not-ready"]
//! roots = ["door-open"]
//! ```
//! With `format = 2` the line itself can be described: `[line]`, `[[noise]]`, `[second_client]`,
//! `[neighbour]`, `[chatter]` (see [`crate::LinePlan`] and its neighbours), and of the inverter
//! also `polls`, `retries` and `listens_first`. With `format = 3` the hardware can be described:
//! `[cells]`, `[circuit]`, `[lamps]`, and an `[[event]]` can bring a `defect` or say that one
//! `mends`, with `amount`, `pole`, `lamp` and `other` (see [`crate::Defect`] and its neighbours), or
//! that two modules `swap`.
//! Also the gateway on the line, `[gateway]` (see [`crate::GatewayPlan`]), with the events `gateway`
//! and `adapter`; the control unit, `[control]` (see [`crate::ControlPlan`]),
//! with the events `button`, `says` and `configured`; more habits of `[inverter]`, with the event
//! `inverter_cable`; and `[map]`: what is otherwise in the register map, written as there, entries
//! with an `id` found by it.

use std::path::Path;
use std::time::Duration;

use packside_profiles::Class;
use packside_profiles::model::InverterPort;
use serde::Deserialize;

use crate::cell_plan::{CellPlan, CircuitPlan, Defect, LampPlan, Pole, Swap};
use crate::control_plan::{Button, ControlPlan, Saying};
use crate::gateway::{GatewayPlan, GatewayState};
use crate::line_plan::{Chatter, LinePlan, Neighbour, Noise, SecondClient};
use crate::mischief_plan::Mischief;
use crate::scenario_error::ScenarioError;
use crate::site::Way;

/// Everything that a simulation needs besides the profile.
#[derive(Debug, Clone, PartialEq)]
pub struct Scenario {
    /// Stable name.
    pub name: String,
    /// One line for people.
    pub title: String,
    /// Register map, by name or file.
    pub profile: String,
    /// Seed of all chance, unless another is given.
    pub seed: u64,
    /// When a look is worth taking, since power-up.
    pub look_at: Duration,
    /// What a look must conclude.
    pub expects: Vec<Expect>,
    /// What stands there.
    pub stack: Stack,
    /// The inverter, if there is one.
    pub inverter: Option<InverterPlan>,
    /// What happens, by time.
    pub events: Vec<Event>,
    /// Bad habits of the line.
    pub mischief: Vec<Mischief>,
    /// How each party is set up on the line.
    pub line: LinePlan,
    /// What disturbs the line.
    pub noise: Vec<Noise>,
    /// Another client that asks.
    pub second_client: Option<SecondClient>,
    /// A unit on the line that does not belong to the stack.
    pub neighbour: Option<Neighbour>,
    /// A device that speaks another protocol.
    pub chatter: Option<Chatter>,
    /// The gateway between network and line, where it has habits of its own.
    pub gateway: Option<GatewayPlan>,
    /// Habits of the control unit.
    pub control: ControlPlan,
    /// What is otherwise in the register map, as far as maps can say it.
    pub map: toml::Table,
    /// How the cells are.
    pub cells: CellPlan,
    /// What stands between them and the inverter.
    pub circuit: CircuitPlan,
    /// How the lamps are driven.
    pub lamps: LampPlan,
}

/// What a look at a moment must conclude.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Expect {
    /// Moment, since power-up.
    #[serde(deserialize_with = "time")]
    pub at: Duration,
    /// Kinds of verdict that are right (ids).
    pub verdict: Vec<String>,
    /// Root findings (class ids): all of these, and no other but those in `also`.
    #[serde(default)]
    pub roots: Vec<String>,
    /// Root findings that may stand beside them: what the same defect also shows, or not yet.
    #[serde(default)]
    pub also: Vec<String>,
    /// Causes on the link that must be named (ids).
    #[serde(default)]
    pub links: Vec<String>,
}

/// What stands there at power-up.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Stack {
    /// Modules in series in each pack.
    pub modules: u16,
    /// Packs side by side that answer.
    pub packs: u8,
    /// Packs that the first one expects; as many as answer unless given.
    pub packs_expected: Option<u8>,
    /// State of charge, %.
    pub soc: f64,
    /// Temperature of the cells, degC.
    pub temperature: f64,
    /// Spread of the cells at power-up, mV either way.
    pub spread_mv: f64,
    /// Insulation against earth, kOhm.
    pub insulation_kohm: f64,
    /// Capacity, Ah.
    pub capacity_ah: f64,
    /// Firmware of the control unit; the oldest of the profile unless given.
    pub firmware: Option<String>,
    /// Silence time, if not that of the profile.
    #[serde(deserialize_with = "some_time")]
    pub silence: Option<Duration>,
    /// Time from the end of the silence after a question to the answer, if not that of the profile.
    #[serde(deserialize_with = "some_time")]
    pub answer_time: Option<Duration>,
    /// Flags (ids) that the unit never raises, though it should.
    pub suppress: Vec<String>,
}

impl Default for Stack {
    fn default() -> Self {
        Self {
            modules: 1,
            packs: 1,
            packs_expected: None,
            soc: 55.0,
            temperature: 22.0,
            spread_mv: 3.0,
            insulation_kohm: 2500.0,
            capacity_ah: 50.0,
            firmware: None,
            silence: None,
            answer_time: None,
            suppress: Vec::new(),
        }
    }
}

/// When and how an inverter talks.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct InverterPlan {
    /// First words, since power-up.
    #[serde(deserialize_with = "time")]
    pub from: Duration,
    /// Falls silent; never unless given.
    #[serde(deserialize_with = "some_time")]
    pub until: Option<Duration>,
    /// Poll period.
    #[serde(deserialize_with = "time")]
    pub every: Duration,
    /// Current it asks for once the unit is ready, A, positive into the battery.
    pub current: f64,
    /// Unit addresses that it asks; those of the stack unless given.
    pub polls: Vec<u8>,
    /// How often it repeats a question that was not answered.
    pub retries: u8,
    /// It waits until nobody else talks; without that it talks into whatever is said.
    pub listens_first: bool,
    /// What it reads of each unit in one round.
    pub reads: InverterReads,
    /// Whether it writes a sign of life; where that feeds the unit unless given.
    pub writes: Option<bool>,
    /// Whether the counter that it writes moves.
    pub counts: bool,
    /// Which wire it talks on; the one on which the map says that the unit expects it unless given.
    pub port: Option<InverterPort>,
    /// It has no supply but the battery: it talks once the terminals have been live for this long.
    #[serde(deserialize_with = "some_time")]
    pub starts_from_battery: Option<Duration>,
}

/// What an inverter reads of each unit in one round.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum InverterReads {
    /// Nothing.
    Nothing,
    /// The state alone.
    #[default]
    State,
    /// All that stands in the block where the state stands.
    Block,
}

impl Default for InverterPlan {
    fn default() -> Self {
        Self {
            from: Duration::ZERO,
            until: None,
            every: Duration::from_secs(5),
            current: 0.0,
            polls: Vec::new(),
            retries: 0,
            listens_first: true,
            reads: InverterReads::State,
            writes: None,
            counts: true,
            port: None,
            starts_from_battery: None,
        }
    }
}

/// Something that happens: one of the keys, with the place it concerns.
#[derive(Debug, Clone, PartialEq, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Event {
    /// When, since power-up.
    #[serde(deserialize_with = "time")]
    pub at: Duration,
    /// Pack, 1-based; all unless given.
    pub pack: Option<u8>,
    /// Module, 1-based; all unless given.
    pub module: Option<u16>,
    /// Cell, 1-based; all unless given. With `volts` or `lost`.
    pub cell: Option<u16>,
    /// Sensor, 1-based; all unless given. With `celsius` or `lost`.
    pub sensor: Option<u16>,
    /// Cells have this voltage from now on.
    pub volts: Option<f64>,
    /// Sensors have this temperature from now on.
    pub celsius: Option<f64>,
    /// The chosen cell or sensor gives no value (true) or gives one again.
    pub lost: Option<bool>,
    /// Insulation from now on.
    pub insulation_kohm: Option<f64>,
    /// State of charge from now on.
    pub soc: Option<f64>,
    /// Current that flows while the switches are closed, A, positive into the battery.
    pub current: Option<f64>,
    /// This flag (id) is up from now on.
    pub raise: Option<String>,
    /// This flag (id) is not held up any more.
    pub lower: Option<String>,
    /// The control unit hangs: it answers, and nothing in it moves (true), or works again.
    pub frozen: Option<bool>,
    /// The inverter talks (true) or is silent.
    pub inverter: Option<bool>,
    /// The unit answers (true) or is silent on the wire.
    pub answers: Option<bool>,
    /// The unit is switched off and on.
    pub restart: Option<bool>,
    /// The gateway is so from now on.
    pub gateway: Option<GatewayState>,
    /// The tool's adapter is pulled out (false) or plugged in again.
    pub adapter: Option<bool>,
    /// A hand at the unit.
    pub button: Option<Button>,
    /// A point says this from now on.
    pub says: Option<Saying>,
    /// The unit is configured from now on (true), or not any more.
    pub configured: Option<bool>,
    /// The inverter's communication cable is cut (false) or whole again.
    pub inverter_cable: Option<bool>,
    /// Something of the hardware is broken from now on.
    pub defect: Option<Defect>,
    /// It is in order again.
    pub mends: Option<Defect>,
    /// How much, for some defects.
    pub amount: Option<f64>,
    /// Pole of a switch, for some defects; both unless given.
    pub pole: Option<Pole>,
    /// The modules `module` and `other` change places.
    pub swap: Option<Swap>,
    /// Lamp (id), for some defects.
    pub lamp: Option<String>,
    /// The other module, 1-based, for some defects and with `swap`.
    pub other: Option<u16>,
}

impl Event {
    fn actions(&self) -> usize {
        let keys = [
            self.volts.is_some(),
            self.celsius.is_some(),
            self.lost.is_some(),
            self.insulation_kohm.is_some(),
            self.soc.is_some(),
            self.current.is_some(),
            self.raise.is_some(),
            self.lower.is_some(),
            self.frozen.is_some(),
            self.inverter.is_some(),
            self.answers.is_some(),
            self.restart.is_some(),
            self.gateway.is_some(),
            self.adapter.is_some(),
            self.button.is_some(),
            self.says.is_some(),
            self.configured.is_some(),
            self.inverter_cable.is_some(),
            self.defect.is_some(),
            self.mends.is_some(),
            self.swap.is_some(),
        ];
        keys.iter().filter(|set| **set).count()
    }
}

fn parse_time(text: &str) -> Option<Duration> {
    let unit_at = text.find(|c: char| c.is_ascii_alphabetic())?;
    let (number, unit) = text.split_at(unit_at);
    let number: f64 = number.trim().parse().ok()?;
    let factor = match unit {
        "ms" => 0.001,
        "s" => 1.0,
        "min" => 60.0,
        "h" => 3600.0,
        _ => return None,
    };
    let seconds = number * factor;
    (0.0..=31_536_000.0)
        .contains(&seconds)
        .then(|| Duration::from_secs_f64(seconds))
}

/// Reads a time as scenarios write it: `20s`, `800ms`, `2min`, `1h`.
///
/// # Errors
/// Where the text is none, in the words of a scenario's mistakes.
pub fn time_from_text(text: &str) -> Result<Duration, String> {
    parse_time(text).ok_or_else(|| no_time(text))
}

pub(crate) fn time<'de, D: serde::Deserializer<'de>>(source: D) -> Result<Duration, D::Error> {
    let text = String::deserialize(source)?;
    time_from_text(&text).map_err(serde::de::Error::custom)
}

fn no_time(text: &str) -> String {
    format!("expected a time like \"20s\", \"800ms\", \"2min\" or \"1h\", found \"{text}\"")
}

pub(crate) fn some_time<'de, D: serde::Deserializer<'de>>(
    source: D,
) -> Result<Option<Duration>, D::Error> {
    time(source).map(Some)
}

impl Scenario {
    /// Reads a scenario; `origin` is the file name for messages.
    ///
    /// # Errors
    /// All mistakes of the file at once.
    pub fn load(text: &str, origin: &str) -> Result<Self, ScenarioError> {
        crate::scenario_file::read(text).map_err(|list| ScenarioError::Mistakes {
            origin: origin.into(),
            list,
        })
    }

    /// The scenarios that come with the simulator: name and text.
    pub fn shipped() -> &'static [(&'static str, &'static str)] {
        crate::shipped::SCENARIOS
    }

    /// The way to its units: through its gateway, where it has one.
    pub fn way(&self) -> Way {
        if self.gateway.is_some() {
            Way::Tcp
        } else {
            Way::Serial
        }
    }

    /// Finds a scenario: a name with a separator or ending in `.toml` is a file, else a shipped one.
    ///
    /// # Errors
    /// Where there is no such scenario, it cannot be read, or has mistakes.
    pub fn find(name_or_file: &str) -> Result<Self, ScenarioError> {
        let is_file = name_or_file.contains(['/', '\\'])
            || Path::new(name_or_file)
                .extension()
                .is_some_and(|e| e == "toml");
        if is_file {
            let text = packside_profiles::read_text(Path::new(name_or_file)).map_err(|error| {
                ScenarioError::Unreadable {
                    path: name_or_file.into(),
                    why: error.to_string(),
                }
            })?;
            return Self::load(&text, name_or_file);
        }
        let shipped = Self::shipped()
            .iter()
            .find(|(name, _)| *name == name_or_file);
        let (name, text) = shipped.ok_or_else(|| ScenarioError::Unknown {
            name: name_or_file.into(),
        })?;
        Self::load(text, &format!("shipped:{name}"))
    }
}

/// What is wrong with an event by itself.
pub(crate) fn event_mistake(event: &Event) -> Option<String> {
    match event.actions() {
        1 => None,
        0 => Some(
            "event: expected one thing that happens (volts, celsius, lost, raise, ...), found none"
                .to_owned(),
        ),
        n => Some(format!(
            "event: expected one thing that happens, found {n}: write an [[event]] for each"
        )),
    }
}

/// Whether a text is the id of a class.
pub(crate) fn is_class(id: &str) -> bool {
    Class::ALL.iter().any(|class| class.id() == id)
}

#[cfg(test)]
mod tests {
    use super::*;

    // Kind: invented
    #[test]
    fn time_texts_are_read() {
        let check = |text, millis: Option<u64>| {
            assert_eq!(
                parse_time(text),
                millis.map(Duration::from_millis),
                "{text}"
            )
        };
        check("20s", Some(20_000));
        check("1.5s", Some(1_500));
        check("800ms", Some(800));
        check("2 min", Some(120_000));
        check("1h", Some(3_600_000));
        check("20", None);
        check("-1s", None);
        check("NaNs", None);
        check("9999999h", None);
    }

    #[test]
    fn shipped_scenarios_have_no_mistakes() {
        for (name, _) in Scenario::shipped() {
            match Scenario::find(name) {
                Ok(scenario) => {
                    assert_eq!(scenario.name, *name);
                    assert!(!scenario.expects.is_empty(), "{name} expects nothing");
                }
                Err(error) => panic!("{error}"),
            }
        }
    }

    #[test]
    fn err_scenario_unknown_names_what_is_near() {
        let error = Scenario::find("hv-wating").unwrap_err().to_string();
        assert_eq!(
            error,
            "scenario \"hv-wating\": expected a file or a name of `packside-simulator list`, found no such scenario \
             (near it: hv-waiting)"
        );
    }
}
