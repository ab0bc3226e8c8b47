//! The line at bit level: bytes become levels over time, and a receiver samples them its own way.
//!
//! Input: bytes with the settings of who sends; a [`Wave`] with the settings of who listens.
//! Output: edges in nanoseconds; bytes with marks and the time at which each was complete. Does
//! not: know frames, read a clock, throw dice (see [`crate::World`] for who talks when).
//!
//! # Model
//! - A driver holds the pair at its levels from its first start bit to its last stop bit, then
//!   lets go of it.
//! - A pair that nobody drives reads as 1 for everybody where it floats (receivers are
//!   fail-safe), and as a driven 1 where resistors bias it: a receiver whose pair is swapped then
//!   reads 0, a lasting break.
//! - Two drivers that agree make their level. Two that fight bring the pair near zero volts, which
//!   fail-safe receivers read as 1 whatever their polarity: a 0 is heard where all who talk send it.
//! - A receiver takes bits at their middles, counted from the falling edge; it checks the first
//!   stop bit only, and after a stop bit that is 0 it waits for a 1 before the next start.
//!
//! # Invariants
//! - Edges are rounded down and samples up, so a sample on an edge reads the level after it.
//! - Hearing up to a time in many steps gives the same bytes as in one.
//!
//! # Sources
//! - Modbus over Serial Line V1.02, 2.5.1 (order of the bits), 3.3 (idle levels of the pair)
//! - termios(3), `INPCK`, `IGNPAR`, `PARMRK` (what a terminal makes of a bad byte)

use std::time::Duration;

use packside_profiles::{LineSettings, Parity};

/// A second in the unit of [`Settings::rate`]: nanoseconds times millionths.
const SECOND: u64 = 1_000_000_000_000_000;

/// How one party sends and listens.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Settings {
    /// Nominal bits per second.
    pub baud: u32,
    /// How much faster its crystal runs, in parts per million.
    pub error_ppm: i32,
    /// Parity bit, if any.
    pub parity: Parity,
    /// Stop bits, 1 or 2.
    pub stop_bits: u8,
    /// Its two wires are swapped.
    pub swapped: bool,
}

impl From<LineSettings> for Settings {
    /// A party with an exact crystal and its wires where they belong.
    fn from(line: LineSettings) -> Self {
        Self {
            baud: line.baud,
            error_ppm: 0,
            parity: line.parity,
            stop_bits: line.stop_bits,
            swapped: false,
        }
    }
}

impl Settings {
    /// Millionths of a bit per second.
    fn rate(&self) -> u64 {
        let error = u64::try_from(i64::from(self.error_ppm) + 1_000_000).unwrap_or(1);
        u64::from(self.baud.max(1)).saturating_mul(error.max(1))
    }

    /// Time of so many halves of a bit, nanoseconds, rounded down.
    fn halves(&self, count: u64) -> u64 {
        let twice = self.rate().saturating_mul(2);
        match count.checked_mul(SECOND) {
            Some(narrow) => narrow / twice,
            None => saturated(u128::from(count) * u128::from(SECOND) / u128::from(twice)),
        }
    }

    /// Time of so few halves of a bit as are in a character, nanoseconds, rounded up.
    fn halves_up(&self, count: u64) -> u64 {
        count
            .saturating_mul(SECOND)
            .div_ceil(self.rate().saturating_mul(2))
    }

    /// Bits of a character.
    fn bits(&self) -> u64 {
        9 + u64::from(self.parity != Parity::None) + u64::from(self.stop_bits.clamp(1, 2))
    }

    /// Time of a bit, nanoseconds.
    pub fn bit(&self) -> u64 {
        self.halves(2)
    }

    /// Time that so many characters take back to back.
    pub fn characters(&self, count: usize) -> Duration {
        Duration::from_nanos(self.halves((count as u64).saturating_mul(2 * self.bits())))
    }

    /// Whether whoever listens like this takes every byte of such a sender as it was sent.
    ///
    /// The clocks may differ by 2 %: half of what the worst layout bears, so that no listener of
    /// the model is anywhere near its limit. The number of stop bits does not matter: only the
    /// first is checked.
    pub fn understands(&self, sender: &Self) -> bool {
        let (ours, theirs) = (self.rate(), sender.rate());
        self.swapped == sender.swapped
            && self.parity == sender.parity
            && ours.abs_diff(theirs).saturating_mul(50) < ours
    }
}

fn saturated(wide: u128) -> u64 {
    u64::try_from(wide).unwrap_or(u64::MAX)
}

/// What the pair is at.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Level {
    /// Nobody drives it.
    Free,
    /// Driven to 1.
    High,
    /// Driven to 0.
    Low,
    /// Driven both ways at once.
    Fought,
}

/// What an undriven pair does.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Idle {
    /// Resistors hold it at 1.
    #[default]
    Biased,
    /// Nothing holds it.
    Floating,
}

/// Levels of the pair over time. Before the first edge nobody drives it.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Wave {
    /// From this time (ns) on, this level; times rise.
    edges: Vec<(u64, Level)>,
}

impl Wave {
    /// The edges: time in nanoseconds and the level from then on.
    pub fn edges(&self) -> &[(u64, Level)] {
        &self.edges
    }

    /// The level at a time.
    pub fn level(&self, at: u64) -> Level {
        let next = self.edges.partition_point(|(time, _)| *time <= at);
        next.checked_sub(1)
            .and_then(|index| self.edges.get(index))
            .map_or(Level::Free, |(_, level)| *level)
    }

    fn set(&mut self, at: u64, level: Level) {
        if self.edges.last().is_some_and(|(time, _)| *time == at) {
            self.edges.pop();
        }
        if self.edges.last().map_or(Level::Free, |(_, level)| *level) != level {
            self.edges.push((at, level));
        }
    }

    /// What the pair is at where all of these drive it.
    pub fn combined(waves: &[&Self]) -> Self {
        let mut times: Vec<u64> = waves
            .iter()
            .flat_map(|wave| wave.edges.iter().map(|(time, _)| *time))
            .collect();
        times.sort_unstable();
        times.dedup();
        let mut places = vec![0usize; waves.len()];
        let mut all = Self::default();
        for time in times {
            let mut level = Level::Free;
            for (wave, place) in waves.iter().zip(&mut places) {
                while wave.edges.get(*place).is_some_and(|(t, _)| *t <= time) {
                    *place += 1;
                }
                let own = place.checked_sub(1).and_then(|at| wave.edges.get(at));
                level = both(level, own.map_or(Level::Free, |(_, level)| *level));
            }
            all.set(time, level);
        }
        all
    }

    /// Lets every edge come back and forth for a while: after it the old and the new level take
    /// turns, a round trip each.
    #[must_use]
    pub fn ringing(&self, lasts: u64, round_trip: u64) -> Self {
        let mut rung = self.clone();
        if round_trip == 0 {
            return rung;
        }
        for (edge, (time, _)) in self.edges.iter().enumerate() {
            let next = self.edges.get(edge + 1).map_or(u64::MAX, |(time, _)| *time);
            let end = time.saturating_add(lasts).min(next);
            let mut at = time.saturating_add(round_trip);
            while at < end {
                rung.disturb(at, at.saturating_add(round_trip).min(end));
                at = at.saturating_add(2 * round_trip);
            }
        }
        rung
    }

    /// Turns the level over between two times: noise stronger than the driver. A free pair is
    /// pulled to 0, so that noise in a silence is heard.
    pub fn disturb(&mut self, from: u64, until: u64) {
        if from >= until {
            return;
        }
        let mut disturbed = Self::default();
        let (at_start, at_end) = (self.level(from), self.level(until));
        for (time, level) in self.edges.iter().filter(|(time, _)| *time < from) {
            disturbed.set(*time, *level);
        }
        disturbed.set(from, turned(at_start));
        for (time, level) in &self.edges {
            if (from..until).contains(time) {
                disturbed.set(*time, turned(*level));
            }
        }
        disturbed.set(until, at_end);
        for (time, level) in self.edges.iter().filter(|(time, _)| *time > until) {
            disturbed.set(*time, *level);
        }
        *self = disturbed;
    }
}

fn both(one: Level, other: Level) -> Level {
    match (one, other) {
        (Level::Free, level) | (level, Level::Free) => level,
        (one, other) if one == other => one,
        _ => Level::Fought,
    }
}

fn turned(level: Level) -> Level {
    match level {
        Level::High | Level::Free => Level::Low,
        Level::Low => Level::High,
        Level::Fought => Level::Low,
    }
}

/// Bytes on the pair, back to back from a time (ns) on; then the pair is let go.
pub fn transmit(bytes: &[u8], settings: &Settings, begins: u64) -> Wave {
    let mut wave = Wave::default();
    let mut sent = 0u64;
    let mut put = |bit: bool, bits: u64| {
        let level = if bit != settings.swapped {
            Level::High
        } else {
            Level::Low
        };
        wave.set(begins.saturating_add(settings.halves(2 * sent)), level);
        sent += bits;
    };
    for byte in bytes {
        put(false, 1);
        for place in 0..8 {
            put(byte >> place & 1 == 1, 1);
        }
        if let Some(bit) = parity_bit(*byte, settings.parity) {
            put(bit, 1);
        }
        put(true, u64::from(settings.stop_bits.clamp(1, 2)));
    }
    wave.set(
        begins.saturating_add(settings.halves(2 * sent)),
        Level::Free,
    );
    wave
}

fn parity_bit(byte: u8, parity: Parity) -> Option<bool> {
    let odd = byte.count_ones() % 2 == 1;
    match parity {
        Parity::None => None,
        Parity::Even => Some(odd),
        Parity::Odd => Some(!odd),
    }
}

/// A byte as a receiver takes it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Heard {
    /// Its data bits.
    pub byte: u8,
    /// The parity bit does not fit.
    pub parity_error: bool,
    /// The stop bit is 0.
    pub framing_error: bool,
    /// Every sample was 0: a break.
    pub is_break: bool,
    /// Time of its falling edge, ns.
    pub began: u64,
    /// Time of its last sample, ns.
    pub at: u64,
}

impl Heard {
    /// Whether nothing is wrong with it.
    pub fn is_good(&self) -> bool {
        !self.parity_error && !self.framing_error
    }
}

/// How a receiver notices a falling edge.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Edge {
    /// At once.
    #[default]
    Ideal,
    /// At the next tick of a clock of sixteen times its rate, so many quarters of a tick late.
    Sixteenth {
        /// 0 to 3.
        quarters: u8,
    },
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum State {
    /// Just switched on.
    Fresh,
    /// Has seen a 1, waits for a falling edge.
    Armed,
    /// Has seen a 0 for a stop bit, waits for a 1.
    Low,
}

/// A receiver that goes on listening where it left off.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Ear {
    /// How it listens.
    pub settings: Settings,
    /// What the pair is at when nobody drives it.
    pub idle: Idle,
    /// How it notices a falling edge.
    pub edge: Edge,
    state: State,
    from: u64,
    within: bool,
}

impl Ear {
    /// A receiver that is switched on at a time (ns).
    pub fn new(settings: Settings, idle: Idle, from: u64) -> Self {
        Self {
            settings,
            idle,
            edge: Edge::Ideal,
            state: State::Fresh,
            from,
            within: false,
        }
    }

    /// What was before this time (ns) does not matter to it any more.
    pub fn needs_from(&self) -> u64 {
        self.from
    }

    /// Whether it is in the middle of a character, or of a 0 that lasts.
    pub fn is_within(&self) -> bool {
        self.within || self.state == State::Low
    }

    /// Whether it waits for the rest of a character.
    pub fn is_in_character(&self) -> bool {
        self.within
    }

    /// It has heard everything up to a time (ns) as it was sent.
    pub fn skip_to(&mut self, at: u64) {
        self.from = self.from.max(at);
        self.state = State::Armed;
        self.within = false;
    }

    fn reads(&self, level: Level) -> bool {
        match level {
            Level::High => !self.settings.swapped,
            Level::Low => self.settings.swapped,
            Level::Fought => true,
            Level::Free => self.idle == Idle::Floating || !self.settings.swapped,
        }
    }

    /// First change to a level as this receiver reads it, at or after a time.
    fn change(&self, wave: &Wave, to: bool, after: u64) -> Option<u64> {
        let next = wave.edges.partition_point(|(time, _)| *time <= after);
        let mut before = self.reads(wave.level(after));
        for (time, level) in wave.edges.get(next..)? {
            let now = self.reads(*level);
            if now != before && now == to {
                return Some(*time);
            }
            before = now;
        }
        None
    }

    /// Listens on up to a time (ns): the bytes that are complete by then.
    pub fn hear(&mut self, wave: &Wave, until: u64) -> Vec<Heard> {
        let mut heard = Vec::new();
        if until <= self.from {
            return heard;
        }
        self.within = false;
        // An edge right at the end is left for the next time: it shows only beside what is before.
        let before = until - 1;
        if self.state == State::Fresh {
            self.state = State::Armed;
            if !self.reads(wave.level(self.from)) {
                heard.push(broken_from(self.from));
                self.state = State::Low;
            }
        }
        loop {
            if self.state == State::Low {
                let is_high = self.reads(wave.level(self.from));
                let high = if is_high {
                    Some(self.from)
                } else {
                    self.change(wave, true, self.from)
                };
                let Some(high) = high.filter(|at| *at < until) else {
                    self.from = before.max(self.from);
                    return heard;
                };
                self.from = high;
                self.state = State::Armed;
            }
            let falls = self.change(wave, false, self.from);
            let Some(falls) = falls.filter(|at| *at < until) else {
                self.from = before.max(self.from);
                return heard;
            };
            let Some(taken) = self.take(wave, falls, until) else {
                self.within = true;
                return heard;
            };
            heard.extend(taken);
        }
    }

    /// Takes the character that begins with a falling edge. `None`: not complete yet; an empty
    /// one: the edge was none.
    fn take(&mut self, wave: &Wave, falls: u64, until: u64) -> Option<Option<Heard>> {
        let start = self.noticed(falls);
        let sample = |halves: u64| {
            let at = start.saturating_add(self.settings.halves_up(halves));
            (at <= until).then(|| (at, self.reads(wave.level(at))))
        };
        let (middle, is_high) = sample(1)?;
        if is_high {
            self.from = middle;
            return Some(None);
        }
        let (mut byte, mut any) = (0, false);
        for place in 0..8u8 {
            let bit = sample(3 + 2 * u64::from(place))?.1;
            byte |= u8::from(bit) << place;
            any |= bit;
        }
        let mut halves = 19;
        let mut parity_error = false;
        if let Some(expected) = parity_bit(byte, self.settings.parity) {
            let bit = sample(halves)?.1;
            parity_error = bit != expected;
            any |= bit;
            halves += 2;
        }
        let (at, stop) = sample(halves)?;
        self.from = at;
        self.state = if stop { State::Armed } else { State::Low };
        Some(Some(Heard {
            byte,
            parity_error,
            framing_error: !stop,
            is_break: !stop && !any,
            began: start,
            at,
        }))
    }

    /// When the receiver notices an edge.
    fn noticed(&self, falls: u64) -> u64 {
        let Edge::Sixteenth { quarters } = self.edge else {
            return falls;
        };
        // In quarters of a tick: 64 to a bit.
        let rate = 64 * u128::from(self.settings.rate());
        let second = u128::from(SECOND);
        let phase = u128::from(quarters % 4);
        let passed = (u128::from(falls) * rate).saturating_sub(phase * second);
        let ticks = passed.div_ceil(4 * second);
        saturated(((4 * ticks + phase) * second).div_ceil(rate))
    }
}

fn broken_from(at: u64) -> Heard {
    Heard {
        byte: 0,
        parity_error: false,
        framing_error: true,
        is_break: true,
        began: at,
        at,
    }
}

/// All that a receiver makes of a wave from its beginning on.
pub fn receive(wave: &Wave, settings: &Settings, idle: Idle) -> Vec<Heard> {
    Ear::new(*settings, idle, 0).hear(wave, u64::MAX)
}

/// What a terminal does with a bad byte.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Tty {
    /// Errors are not looked at (no `INPCK`): as it was taken.
    Unchecked,
    /// `INPCK` alone: it reads as 00.
    Zeroed,
    /// `INPCK` and `IGNPAR`: it is left out.
    Dropped,
    /// `INPCK` and `PARMRK`: FF 00 and then the byte; a good FF is FF FF.
    Marked,
}

impl Tty {
    /// The bytes that a program reads of characters that are all good.
    pub fn read_good(self, bytes: Vec<u8>) -> Vec<u8> {
        if self != Self::Marked {
            return bytes;
        }
        let doubled = |byte: u8| {
            [0xff]
                .into_iter()
                .filter(move |_| byte == 0xff)
                .chain([byte])
        };
        bytes.into_iter().flat_map(doubled).collect()
    }

    /// The bytes that a program reads.
    pub fn read(self, heard: &[Heard]) -> Vec<u8> {
        let mut bytes = Vec::with_capacity(heard.len());
        for one in heard {
            match self {
                _ if one.is_break && self != Self::Marked => bytes.push(0),
                Self::Marked if one.is_break => bytes.extend([0xff, 0, 0]),
                Self::Marked if !one.is_good() => bytes.extend([0xff, 0, one.byte]),
                Self::Marked if one.byte == 0xff => bytes.extend([0xff, 0xff]),
                Self::Zeroed if !one.is_good() => bytes.push(0),
                Self::Dropped if !one.is_good() => {}
                _ => bytes.push(one.byte),
            }
        }
        bytes
    }
}

#[cfg(test)]
#[path = "uart_tests.rs"]
mod tests;
