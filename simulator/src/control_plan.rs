//! What a scenario says about the control unit beyond its map: timing of protections, habits, buttons.
//!
//! Input: tables of a scenario file. Output: plans with their defaults. Does not: act on them (see
//! [`crate::control`]).

use std::time::Duration;

use packside_profiles::Class;
use packside_profiles::model::Clears;
use serde::Deserialize;

use crate::scenario::{some_time, time};

/// Habits of the control unit that no map tells.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct ControlPlan {
    /// It is not configured yet: reads of measured values are refused with this exception code.
    pub unconfigured: Option<u8>,
    /// Function codes on which it hangs: it says nothing more, and nothing in it moves.
    pub hangs_on: Vec<u8>,
    /// How long it hangs; until it is switched off and on unless given.
    #[serde(deserialize_with = "some_time")]
    pub hangs_for: Option<Duration>,
    /// How long a black start holds the switches closed without a word of the inverter.
    #[serde(deserialize_with = "time")]
    pub black_start_for: Duration,
    /// It is asleep when the scenario begins.
    pub asleep: bool,
    /// Its clock is so far ahead (behind: negative), s.
    pub clock_error_s: f64,
    /// Timing of its protections.
    #[serde(rename = "protection")]
    pub protections: Vec<Protection>,
}

impl Default for ControlPlan {
    fn default() -> Self {
        Self {
            unconfigured: None,
            hangs_on: Vec::new(),
            hangs_for: None,
            black_start_for: Duration::from_secs(60),
            asleep: false,
            clock_error_s: 0.0,
            protections: Vec::new(),
        }
    }
}

/// Timing of the protections of one class; without it they follow their value at once.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Protection {
    /// Which.
    pub class: Class,
    /// The value is beyond its limit for so long before the flag rises.
    #[serde(default, deserialize_with = "time")]
    pub delay: Duration,
    /// The value comes back by so much, in its own unit, before the flag falls.
    #[serde(default)]
    pub hysteresis: f64,
    /// How the flag goes away, where that is not what the map says.
    pub clears: Option<Clears>,
    /// A flag that does not clear itself is tried again so long after it rose.
    #[serde(default, deserialize_with = "some_time")]
    pub retry: Option<Duration>,
}

/// What a hand does to the unit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Button {
    /// Switched on, or woken.
    On,
    /// Switched off.
    Off,
    /// Closes the switches although no inverter has spoken, where the map knows such a thing.
    BlackStart,
    /// What only the service tool clears is cleared, the stored alarms as well.
    Service,
}

/// What a point says in spite of what is the case: bits, codes and states of another firmware.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Saying {
    /// Point (id).
    pub point: String,
    /// Raw value.
    pub raw: u64,
    /// Its bits are set beside those that are the case.
    #[serde(default)]
    pub besides: bool,
}
