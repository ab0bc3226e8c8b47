//! The world in virtual time: units, line, inverter, mischief.

use std::time::Duration;

use packside_profiles::{LineSettings, Profile, StateKind};

use crate::frame::Framing;
use crate::scenario::Scenario;

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

/// Everything, at a time.
#[derive(Debug, Clone)]
pub struct World {
    now: Duration,
    line: LineSettings,
}

impl World {
    /// A world at power-up.
    pub fn new(_scenario: &Scenario, profile: &Profile, _framing: Framing, _seed: u64) -> Self {
        Self {
            now: Duration::ZERO,
            line: profile.answering.line,
        }
    }

    /// A client's bytes, leaving it at `at`.
    pub fn send(&mut self, at: Duration, _bytes: &[u8]) {
        self.now = self.now.max(at);
    }

    /// When something happens next without a client.
    pub fn next_wake(&self) -> Option<Duration> {
        None
    }

    /// Goes on to a time; gives the bytes that reach the client until then, with their times.
    pub fn advance(&mut self, to: Duration) -> Vec<(Duration, Vec<u8>)> {
        self.now = self.now.max(to);
        Vec::new()
    }

    /// Line settings.
    pub fn line(&self) -> LineSettings {
        self.line
    }

    /// Whether a lamp of the first unit shines now.
    pub fn lamp(&self, _id: &str) -> bool {
        false
    }

    /// Pattern of a lamp of the first unit now.
    pub fn lamp_pattern(&self, _id: &str) -> String {
        "off".to_owned()
    }

    /// One line for people.
    pub fn state_line(&self) -> String {
        format!("simulated, {:.1} s after power-up", self.now.as_secs_f64())
    }

    /// What is really the case now.
    pub fn truth(&self) -> Truth {
        Truth { units: Vec::new() }
    }
}
