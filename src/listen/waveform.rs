//! The level of a serial line over time: what a sender puts on it and what a receiver makes of it.
//!
//! Input: bytes and line settings, or levels over time. Output: levels over time, or characters as a
//! receiver with (perhaps other) settings gets them, with its marks. [`super::settings`] uses it to
//! ask "who could have sent what we received?".
//!
//! Does not: know frames, clocks or noise. Times are whole ticks of a clock that both bit rates divide.
//!
//! # Invariants
//! - Integer arithmetic only; never panics; a [`Receiver`] holds a few words, whatever it is fed.
//!
//! # Why a receiver of our own
//! What a wrongly set port delivers depends on where it samples and how it finds the next start
//! edge after a low stop bit. This one samples in the middle of each bit, looks at the first stop
//! bit only, and after a low stop bit waits for a high line; real parts differ in the last point.
//!
//! # Sources
//! - Modbus over Serial Line V1.02, section 2.5.1 (character), section 3.3 (idle line)
//! - `tests/data/uart_vectors.txt`, an independent reference model

use std::time::Duration;

use packside_profiles::{LineSettings, Parity};

/// What a receiver says of a character, as far as the system passes it on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Mark {
    /// The system gives no marks: nothing is known. The usual case.
    Unknown,
    /// Marks are given, and this character has none.
    Good,
    /// Wrong parity or a low stop bit, not told apart (what a Linux tty gives).
    Bad,
    /// The parity bit does not fit the byte; the stop bit may be low as well.
    Parity,
    /// The stop bit was low.
    Framing,
    /// All low, the stop bit too.
    Break,
}

/// One character as received.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Received {
    /// Its eight data bits.
    pub byte: u8,
    /// What the receiver said of it.
    pub mark: Mark,
    /// When it was read, if known: a hint only, adapters hold bytes back.
    pub at: Option<Duration>,
}

impl Received {
    /// Bytes from a system that gives no marks.
    pub fn unmarked(bytes: &[u8]) -> Vec<Self> {
        let one = |byte: &u8| Self {
            byte: *byte,
            mark: Mark::Unknown,
            at: None,
        };
        bytes.iter().map(one).collect()
    }
}

/// One character as sampled, before anybody judges it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Sampled {
    /// The eight data bits.
    pub byte: u8,
    /// The parity bit, if the settings have one.
    pub parity: Option<bool>,
    /// The first stop bit.
    pub stop: bool,
    /// Samples too near an edge to be trusted: bit 0 is the first data bit, then parity, then stop.
    pub unsure: u16,
}

impl Sampled {
    /// The mark a receiver gives it.
    pub fn mark(self, parity: Parity) -> Mark {
        let expected = parity_bit(self.byte, parity);
        match (self.stop, self.byte, self.parity == expected) {
            (false, 0, _) if self.parity != Some(true) => Mark::Break,
            (_, _, false) => Mark::Parity,
            (false, _, true) => Mark::Framing,
            (true, _, true) => Mark::Good,
        }
    }
}

/// The parity bit that belongs to a byte.
pub fn parity_bit(byte: u8, parity: Parity) -> Option<bool> {
    let odd_ones = byte.count_ones() % 2 == 1;
    match parity {
        Parity::None => None,
        Parity::Even => Some(odd_ones),
        Parity::Odd => Some(!odd_ones),
    }
}

/// Ticks per second of a clock whose ticks divide a twentieth of a bit of both rates.
pub fn common_clock(one: u32, other: u32) -> u64 {
    let (one, other) = (u64::from(one.max(1)), u64::from(other.max(1)));
    20 * one / greatest_common_divisor(one, other) * other
}

fn greatest_common_divisor(mut a: u64, mut b: u64) -> u64 {
    while b != 0 {
        (a, b) = (b, a % b);
    }
    a
}

/// Levels over time: runs of one level, in ticks.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Waveform {
    /// Level and how long it lasts, in order; neighbours may have the same level.
    pub runs: Vec<(bool, u64)>,
}

impl Waveform {
    /// Adds a level for some ticks.
    pub fn hold(&mut self, level: bool, ticks: u64) {
        self.runs.push((level, ticks));
    }

    /// Adds characters, back to back, as a sender with these settings drives them.
    pub fn send(&mut self, bytes: &[u8], settings: LineSettings, clock: u64) {
        let bit = clock / u64::from(settings.baud.max(1));
        for byte in bytes {
            self.hold(false, bit);
            for place in 0..8 {
                self.hold(byte >> place & 1 == 1, bit);
            }
            if let Some(parity) = parity_bit(*byte, settings.parity) {
                self.hold(parity, bit);
            }
            self.hold(true, bit * u64::from(settings.stop_bits));
        }
    }

    /// The same with the two wires of the pair swapped.
    #[must_use]
    pub fn swapped(&self) -> Self {
        let runs = self.runs.iter().map(|(level, ticks)| (!level, *ticks));
        Self {
            runs: runs.collect(),
        }
    }

    /// What a receiver with these settings gets. A line that is low at the start is a break.
    pub fn receive(&self, settings: LineSettings, clock: u64) -> Vec<Received> {
        let as_received = |byte, mark| Received {
            byte,
            mark,
            at: None,
        };
        let mut all = Vec::new();
        let starts_low = self.runs.first().is_some_and(|(level, _)| !level);
        let mut receiver = Receiver::new(settings, clock, !starts_low);
        if starts_low {
            all.push(as_received(0, Mark::Break));
        }
        for (level, ticks) in &self.runs {
            receiver.hear(*level, *ticks, |sampled| {
                all.push(as_received(sampled.byte, sampled.mark(settings.parity)));
            });
        }
        all
    }
}

/// A receiver: start edge, samples in the middle of each bit, next start edge.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Receiver {
    half_bit: u64,
    samples: u8,
    has_parity: bool,
    level: bool,
    state: ReceiverState,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum ReceiverState {
    /// Low after a low stop bit: no start edge before the line has been high.
    WaitsForHigh,
    /// High, waiting for a start edge.
    Idle,
    /// In a character.
    Inside(Inside),
}

/// A character not yet complete.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Inside {
    elapsed: u64,
    /// Samples taken, the start bit included.
    taken: u8,
    bits: u16,
    unsure: u16,
}

impl Inside {
    /// Whether the data bits sampled so far are those of this byte.
    pub fn may_become(&self, byte: u8) -> bool {
        let known = (1_u16 << self.taken.saturating_sub(1).min(8)) - 1;
        (self.bits ^ u16::from(byte)) & known & !self.unsure == 0
    }
}

impl Receiver {
    /// A receiver on a line that is high or low now.
    pub fn new(settings: LineSettings, clock: u64, is_high: bool) -> Self {
        let has_parity = settings.parity != Parity::None;
        Self {
            half_bit: clock / (2 * u64::from(settings.baud.max(1))),
            samples: 10 + u8::from(has_parity),
            has_parity,
            level: is_high,
            state: if is_high {
                ReceiverState::Idle
            } else {
                ReceiverState::WaitsForHigh
            },
        }
    }

    /// The character under way, if any.
    pub fn inside(&self) -> Option<&Inside> {
        match &self.state {
            ReceiverState::Inside(inside) => Some(inside),
            _ => None,
        }
    }

    /// Ticks after which a character that begins now is complete.
    pub fn character_ticks(&self) -> u64 {
        self.half_bit * (2 * u64::from(self.samples) - 1)
    }

    /// Hears a level for some ticks; gives every character that becomes complete.
    pub fn hear(&mut self, level: bool, ticks: u64, mut give: impl FnMut(Sampled)) {
        let had_edge = level != self.level;
        let fell = had_edge && !level;
        self.level = level;
        let mut passed = 0;
        match self.state {
            ReceiverState::Idle if fell => self.state = ReceiverState::Inside(Inside::at_edge()),
            ReceiverState::WaitsForHigh if level => self.state = ReceiverState::Idle,
            _ => {}
        }
        while let ReceiverState::Inside(mut inside) = self.state {
            let due = self.half_bit * (2 * u64::from(inside.taken) + 1);
            let wait = due.saturating_sub(inside.elapsed);
            if wait >= ticks - passed {
                inside.elapsed += ticks - passed;
                self.state = ReceiverState::Inside(inside);
                return;
            }
            passed += wait;
            inside.elapsed = due;
            let near = self.half_bit * 2 / 5;
            let is_unsure = had_edge && passed < near || ticks - passed < near;
            self.state = self.sample(inside, level, is_unsure, &mut give);
        }
    }

    fn sample(
        &self,
        mut inside: Inside,
        level: bool,
        is_unsure: bool,
        give: &mut impl FnMut(Sampled),
    ) -> ReceiverState {
        if inside.taken == 0 && level {
            return ReceiverState::Idle;
        }
        if let Some(place) = inside.taken.checked_sub(1) {
            inside.bits |= u16::from(level) << place;
            inside.unsure |= u16::from(is_unsure) << place;
        }
        inside.taken += 1;
        if inside.taken < self.samples {
            return ReceiverState::Inside(inside);
        }
        let [byte, above] = inside.bits.to_le_bytes();
        give(Sampled {
            byte,
            parity: self.has_parity.then_some(above & 1 == 1),
            stop: level,
            unsure: inside.unsure,
        });
        if level {
            ReceiverState::Idle
        } else {
            ReceiverState::WaitsForHigh
        }
    }
}

impl Inside {
    fn at_edge() -> Self {
        Self {
            elapsed: 0,
            taken: 0,
            bits: 0,
            unsure: 0,
        }
    }
}

/// Turns what a Linux tty gives with `INPCK` and `PARMRK` into characters with marks.
///
/// "FF 00 X" is a bad X, "FF 00 00" a break (or a bad 00, which it hides), "FF FF" a good FF.
/// The state is kept from call to call, as a mark may be cut by a read.
///
/// # Sources
/// - termios(3), `PARMRK`
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct TtyMarks {
    held: Held,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
enum Held {
    #[default]
    Nothing,
    Escape,
    EscapeZero,
}

impl TtyMarks {
    /// Takes what a read gave: the characters, and the places of the bad ones among them.
    pub fn split(&mut self, read: &[u8]) -> (Vec<u8>, Vec<usize>) {
        let received = read.iter().filter_map(|byte| self.take(*byte, None));
        let received: Vec<Received> = received.collect();
        let bad = (0..)
            .zip(&received)
            .filter(|(_, one)| one.mark != Mark::Good);
        let bad = bad.map(|(place, _)| place).collect();
        (received.iter().map(|one| one.byte).collect(), bad)
    }

    /// Takes one byte of the tty; gives a character when one is complete.
    pub fn take(&mut self, byte: u8, at: Option<Duration>) -> Option<Received> {
        let (held, given) = match (self.held, byte) {
            (Held::Nothing, 0xff) => (Held::Escape, None),
            (Held::Nothing, _) => (Held::Nothing, Some((byte, Mark::Good))),
            (Held::Escape, 0x00) => (Held::EscapeZero, None),
            (Held::Escape, _) => (Held::Nothing, Some((byte, Mark::Good))),
            (Held::EscapeZero, 0x00) => (Held::Nothing, Some((0, Mark::Break))),
            (Held::EscapeZero, _) => (Held::Nothing, Some((byte, Mark::Bad))),
        };
        self.held = held;
        given.map(|(byte, mark)| Received { byte, mark, at })
    }
}

#[cfg(test)]
#[path = "waveform_tests.rs"]
mod tests;
