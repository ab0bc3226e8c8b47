//! What a scenario says about the line: settings of each party, noise, others that talk there.
//!
//! Input: tables of a scenario file. Output: plans with their defaults. Does not: act on them (see
//! [`crate::World`]), or find mistakes across tables (see `scenario_file`).

use std::time::Duration;

use packside_profiles::LineSettings;
use serde::Deserialize;

use crate::scenario::{some_time, time};
use crate::uart::Idle;

/// How each party is set up. Left out: as the profile says, the wires where they belong.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct LinePlan {
    /// Settings of the units.
    pub unit: Option<LineSettings>,
    /// Settings of the inverter; those of the units unless given.
    pub inverter: Option<LineSettings>,
    /// Settings of the second client; those of the units unless given.
    pub second_client: Option<LineSettings>,
    /// The crystal of the units runs so much faster, parts per million.
    pub unit_ppm: i32,
    /// The two wires of the units are swapped.
    pub unit_swapped: bool,
    /// The two wires of the inverter are swapped.
    pub inverter_swapped: bool,
    /// The two wires of the tool are swapped.
    pub tool_swapped: bool,
    /// What the pair does while nobody drives it.
    pub idle: Idle,
    /// There is a third wire that holds everybody at one potential.
    pub common_wire: bool,
    /// Length of the pair, metres.
    pub length_m: f64,
    /// Terminating resistors, 0 to 3: two belong at the ends of the pair, a third sits in its middle.
    pub terminators: u8,
    /// Length of the longest branch off the pair, metres: a stub, or an arm of a star.
    pub stubs_m: f64,
    /// The tool's adapter hands over what it has taken only at every so much time, or when it has
    /// a full packet.
    #[serde(deserialize_with = "some_time")]
    pub hold_back: Option<Duration>,
}

/// What an adapter that holds back holds at most.
// Kind: common practice (a full packet of a USB adapter: 64 bytes, two of them status)
pub(crate) const HELD_BYTES: usize = 62;

impl Default for LinePlan {
    fn default() -> Self {
        Self {
            unit: None,
            inverter: None,
            second_client: None,
            unit_ppm: 0,
            unit_swapped: false,
            inverter_swapped: false,
            tool_swapped: false,
            idle: Idle::Biased,
            common_wire: true,
            length_m: 10.0,
            terminators: 2,
            stubs_m: 0.0,
            hold_back: None,
        }
    }
}

impl LinePlan {
    /// How long the pair rings after each edge, and one round of it.
    ///
    /// An edge comes back from an end without a resistor after a round trip, and is gone after a
    /// few of them: three for each such end. The end of a branch is such an end. What a third
    /// resistor throws back from the middle, the ends swallow. Whatever rings longest is heard.
    ///
    /// # Sources
    /// - Kind: derived, from a signal speed of 0.78 of light on a twisted pair (from memory); the
    ///   number of round trips is invented, and so is that each is strong enough to be heard
    pub(crate) fn ringing(&self) -> (Duration, Duration) {
        let round_trip = |metres: f64| {
            let seconds = 2.0 * metres / (0.78 * 299_792_458.0);
            Duration::try_from_secs_f64(seconds).unwrap_or_default()
        };
        let (pair, branch) = (round_trip(self.length_m), round_trip(self.stubs_m));
        let open_ends = u32::from(2u8.saturating_sub(self.terminators));
        let from_the_middle = if self.terminators > 2 {
            pair
        } else {
            Duration::ZERO
        };
        let ends = (pair * 3 * open_ends, pair);
        ends.max((branch * 3, branch))
            .max((from_the_middle, from_the_middle / 2))
    }
}

/// What noise depends on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum NoiseSource {
    /// Nothing.
    #[default]
    Constant,
    /// The share of its current that the inverter really makes flow.
    InverterPower,
}

/// Spikes on the pair: they turn bits over, and in a silence they are heard as bytes.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Noise {
    /// Spikes a second.
    pub per_second: f64,
    /// How long each lasts, microseconds, give or take a half.
    #[serde(default = "bit")]
    pub width_us: f64,
    /// What they depend on.
    #[serde(default)]
    pub follows: NoiseSource,
    /// From this time on.
    #[serde(default, deserialize_with = "time")]
    pub from: Duration,
    /// Until this time.
    #[serde(default, deserialize_with = "some_time")]
    pub until: Option<Duration>,
}

/// A bit at 9600 baud.
fn bit() -> f64 {
    104.0
}

/// A client that asks the first unit for a block of values, such as a monitoring box.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct SecondClient {
    /// First words, since power-up.
    #[serde(deserialize_with = "time")]
    pub from: Duration,
    /// Falls silent; never unless given.
    #[serde(deserialize_with = "some_time")]
    pub until: Option<Duration>,
    /// Period.
    #[serde(deserialize_with = "time")]
    pub every: Duration,
    /// Registers that it reads.
    pub registers: u16,
    /// How often it repeats a question that was not answered.
    pub retries: u8,
    /// It waits until nobody else talks.
    pub listens_first: bool,
}

impl Default for SecondClient {
    fn default() -> Self {
        Self {
            from: Duration::ZERO,
            until: None,
            every: Duration::from_secs(2),
            registers: 20,
            retries: 1,
            listens_first: false,
        }
    }
}

/// A unit of the same kind on the same line that is not one of the stack: a neighbour, or, behind a
/// gateway, the unit of another house to which its address has gone.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Neighbour {
    /// Its unit address; that of the stack for two units with one address.
    pub address: u8,
    /// It answers from this time on.
    #[serde(deserialize_with = "time")]
    pub from: Duration,
    /// Its state of charge, %.
    pub soc: f64,
    /// Its temperature, degC.
    pub temperature: f64,
    /// From the end of the silence after a question to its answer, if not that of the profile.
    #[serde(deserialize_with = "some_time")]
    pub answer_time: Option<Duration>,
    /// Flags (ids) that are up in it.
    pub raise: Vec<String>,
}

impl Default for Neighbour {
    fn default() -> Self {
        Self {
            address: 2,
            from: Duration::ZERO,
            soc: 50.0,
            temperature: 20.0,
            answer_time: None,
            raise: Vec::new(),
        }
    }
}

/// A device that says a line of text now and then.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Chatter {
    /// What it says.
    pub text: String,
    /// How often.
    #[serde(deserialize_with = "time")]
    pub every: Duration,
    /// Its settings; those of the units unless given.
    pub line: Option<LineSettings>,
    /// From this time on.
    #[serde(default, deserialize_with = "time")]
    pub from: Duration,
    /// Until this time.
    #[serde(default, deserialize_with = "some_time")]
    pub until: Option<Duration>,
}
