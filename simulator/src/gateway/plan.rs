//! What a scenario says about the gateway: the network before it, its queue, its habits.
//!
//! Input: the `[gateway]` table of a scenario. Output: a plan with its defaults. Does not: act on
//! it (see [`super::Gateway`]).

use std::time::Duration;

use packside_profiles::LineSettings;
use serde::Deserialize;

use crate::frame::Framing;
use crate::mischief_plan::Mischief;
use crate::scenario::{some_time, time};

/// A gateway as a scenario sets it up. Left out: one that does its work.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct GatewayPlan {
    /// What it speaks, where that is not what its clients are told.
    pub speaks: Option<Framing>,
    /// Settings of its serial side; those of the units unless given.
    pub line: Option<LineSettings>,
    /// Time that bytes are on the network, each way.
    #[serde(deserialize_with = "time")]
    pub latency: Duration,
    /// Mean of what comes on top of that by chance: mostly less, now and then up to four times it.
    #[serde(deserialize_with = "time")]
    pub jitter: Duration,
    /// Percent of the packets, each way, that the network loses. They are sent again: what is lost
    /// comes late, and all behind it with it.
    pub loss: f64,
    /// How long it waits for a unit.
    #[serde(deserialize_with = "time")]
    pub time_out: Duration,
    /// How often it repeats a question that a unit has not answered.
    pub retries: u8,
    /// It waits until nobody else talks on the line.
    pub listens_first: bool,
    /// What it says of a unit that is silent.
    pub when_silent: WhenSilent,
    /// It answers from what it has read within this time, without asking.
    #[serde(deserialize_with = "some_time")]
    pub cache: Option<Duration>,
    /// It answers from what it has read once when a unit is silent, however old that is.
    pub cache_outlives: bool,
    /// It reads all registers of the stack by itself, so often.
    #[serde(deserialize_with = "some_time")]
    pub polls_every: Option<Duration>,
    /// Unit addresses at which it answers with registers of its own.
    pub own_units: Vec<u8>,
    /// Questions that wait in it at most.
    pub queue: u16,
    /// What it does with a question beyond that.
    pub when_full: WhenFull,
    /// Connections at a time.
    pub connections: u8,
    /// What it does with a connection beyond that.
    pub when_crowded: WhenCrowded,
    /// It closes a connection on which nothing was said for so long.
    #[serde(deserialize_with = "some_time")]
    pub idle_close: Option<Duration>,
    /// It (or something on the way) forgets such a connection without telling anybody.
    #[serde(deserialize_with = "some_time")]
    pub idle_lost: Option<Duration>,
    /// Text that it puts into the stream of every client.
    pub says: Option<String>,
    /// How often.
    #[serde(deserialize_with = "time")]
    pub says_every: Duration,
    /// Where it passes bytes on as they come: the silence after which it sends what it has.
    #[serde(deserialize_with = "time")]
    pub packs: Duration,
    /// Another client on the network.
    pub rival: Option<Rival>,
    /// What becomes of its own answers; beside what happens on the line.
    pub mischief: Vec<Mischief>,
}

impl Default for GatewayPlan {
    fn default() -> Self {
        Self {
            speaks: None,
            line: None,
            latency: Duration::from_millis(2),
            jitter: Duration::ZERO,
            loss: 0.0,
            time_out: Duration::from_millis(500),
            retries: 0,
            listens_first: true,
            when_silent: WhenSilent::Exception,
            cache: None,
            cache_outlives: false,
            polls_every: None,
            own_units: Vec::new(),
            queue: 64,
            when_full: WhenFull::Busy,
            connections: 8,
            when_crowded: WhenCrowded::Refuse,
            idle_close: None,
            idle_lost: None,
            says: None,
            says_every: Duration::from_secs(10),
            packs: Duration::from_millis(5),
            rival: None,
            mischief: Vec::new(),
        }
    }
}

/// What a gateway says of a unit that is silent.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum WhenSilent {
    /// Exception 0B: the target does not answer.
    #[serde(rename = "exception-0b")]
    Exception,
    /// Nothing.
    Nothing,
}

/// What a gateway does with a question for which it has no room.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum WhenFull {
    /// Exception 06: busy.
    #[serde(rename = "exception-06")]
    Busy,
    /// Exception 0A: no path, as some say it when they are overloaded.
    #[serde(rename = "exception-0a")]
    NoPath,
    /// It is lost.
    Drop,
}

/// What a gateway does with a connection for which it has no room.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum WhenCrowded {
    /// Closes the new one.
    Refuse,
    /// Closes the oldest one.
    OldestOut,
}

/// Another client on the network, such as a monitoring server: asks the first unit for a block.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Rival {
    /// Connects, since power-up.
    #[serde(deserialize_with = "time")]
    pub from: Duration,
    /// Asks so often.
    #[serde(deserialize_with = "time")]
    pub every: Duration,
    /// Vanishes then without a word, and holds its place until the gateway closes the connection;
    /// never unless given.
    #[serde(deserialize_with = "some_time")]
    pub until: Option<Duration>,
    /// Connects again so long after it was thrown out; never unless given.
    #[serde(deserialize_with = "some_time")]
    pub comes_back: Option<Duration>,
}

impl Default for Rival {
    fn default() -> Self {
        Self {
            from: Duration::ZERO,
            every: Duration::from_secs(5),
            until: None,
            comes_back: None,
        }
    }
}

impl Rival {
    /// Whether it has not vanished yet.
    pub(super) fn is_there(&self, at: Duration) -> bool {
        self.until.is_none_or(|until| at < until)
    }
}

/// How a gateway is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum GatewayState {
    /// It does its work.
    #[default]
    Works,
    /// It answers every question with exception 0A: it has no path to the line.
    NoPath,
    /// It takes connections and questions, and answers nothing.
    Hangs,
    /// It has no supply: nothing reaches it, and nobody is told.
    Off,
}
