//! A line as the tests see it: an inverter polling, and a port that listens at some settings.
//!
//! Written from the reference model (`tests/data/uart_vectors.txt`), not from the code under test: the
//! line is a list of edges in picoseconds, the sender's clock is a little off, and the receiver looks
//! up levels at its sample times. Everything here is invented and comes from one seed.

use std::time::Duration;

use packside::listen::waveform::{Mark, Received};
use packside_profiles::{LineSettings, Parity};

/// The pair, and what the idle line reads as.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Pair {
    /// As it should be: idle reads high, biased or by the receiver itself.
    Straight,
    /// Swapped; the bias is turned round too, idle reads low.
    SwappedBiased,
    /// Swapped; nothing drives the idle line, the receiver reads it as high.
    SwappedFloating,
}

/// What the port says of bad characters.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Marks {
    /// Parity, framing and break apart.
    Full,
    /// Only that they are bad, or a break.
    Tty,
    /// Nothing.
    None,
}

/// A small generator of numbers (xorshift), the same for the same seed.
pub(crate) struct Dice(u64);

impl Dice {
    pub(crate) fn new(seed: u64) -> Self {
        Self(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1)
    }

    pub(crate) fn below(&mut self, end: u64) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 >> 16) % end.max(1)
    }
}

/// One frame and the silence before it.
pub(crate) struct Said {
    pub(crate) silence_ps: u64,
    pub(crate) bytes: Vec<u8>,
}

const MS: u64 = 1_000_000_000;

/// Some seconds of an inverter asking and a unit answering.
// Kind: invented
pub(crate) fn conversation(seed: u64, seconds: u64, line: LineSettings) -> Vec<Said> {
    let mut dice = Dice::new(seed);
    let unit = (1 + dice.below(12)) as u8;
    let function = if dice.below(2) == 0 { 3 } else { 4 };
    let blocks: Vec<(u16, u16)> = (0..2 + dice.below(3))
        .map(|n| {
            (
                (n * 40 + dice.below(30)) as u16,
                (3 + dice.below(18)) as u16,
            )
        })
        .collect();
    let writes = dice.below(2) == 0;
    let mut values: Vec<u16> = (0..256).map(|_| value(&mut dice)).collect();
    let (mut all, mut now, mut beat) = (Vec::new(), 0, 0_u16);
    while now < seconds * 1_000 * MS {
        for (address, count) in &blocks {
            let request = [
                unit,
                function,
                high(*address),
                low(*address),
                high(*count),
                low(*count),
            ];
            let mut answer = vec![unit, function, low(count * 2)];
            for place in 0..*count {
                let cell = &mut values[usize::from(address + place) % 256];
                if dice.below(3) == 0 {
                    *cell = cell.wrapping_add(dice.below(5) as u16).wrapping_sub(2);
                }
                answer.extend(cell.to_be_bytes());
            }
            now += say(&mut all, &request, (120 + dice.below(80)) * MS, line);
            now += say(&mut all, &answer, (6 + dice.below(25)) * MS, line);
        }
        if writes {
            beat += 1;
            let write = [unit, 6, 1, 44, high(beat), low(beat)];
            now += say(&mut all, &write, (60 + dice.below(40)) * MS, line);
            now += say(&mut all, &write, (6 + dice.below(20)) * MS, line);
        }
    }
    all
}

/// Words as batteries give them: millivolts, tenths, flags, zeros, not available.
fn value(dice: &mut Dice) -> u16 {
    match dice.below(8) {
        0 => 0,
        1 => 0xffff,
        2 | 3 => (3_250 + dice.below(60)) as u16,
        4 => (200 + dice.below(100)) as u16,
        5 => dice.below(1_000) as u16,
        6 => 1 << dice.below(16),
        _ => dice.below(65_536) as u16,
    }
}

fn high(word: u16) -> u8 {
    word.to_be_bytes()[0]
}

fn low(word: u16) -> u8 {
    word.to_be_bytes()[1]
}

fn say(all: &mut Vec<Said>, body: &[u8], silence_ps: u64, line: LineSettings) -> u64 {
    let mut bytes = body.to_vec();
    bytes.extend(check_value(body).to_le_bytes());
    let took = bytes.len() as u64 * 11 * bit_ps(line);
    all.push(Said { silence_ps, bytes });
    silence_ps + took
}

/// CRC-16 of Modbus, bit by bit (Modbus over Serial Line V1.02, appendix B).
pub(crate) fn check_value(bytes: &[u8]) -> u16 {
    bytes.iter().fold(0xffff, |mut register: u16, byte| {
        register ^= u16::from(*byte);
        for _ in 0..8 {
            let carry = register & 1;
            register = (register >> 1) ^ (0xa001 * carry);
        }
        register
    })
}

fn bit_ps(line: LineSettings) -> u64 {
    1_000_000_000_000 / u64::from(line.baud)
}

/// Levels over time: each entry is when a level begins.
pub(crate) struct Wire {
    edges: Vec<(u64, bool)>,
    end: u64,
}

impl Wire {
    /// The frames as driven, by senders whose clocks are up to 0.8 % off.
    pub(crate) fn of(said: &[Said], line: LineSettings, pair: Pair, seed: u64) -> Self {
        let mut dice = Dice::new(seed ^ 0x5eed);
        let idle = pair != Pair::SwappedBiased;
        let turned = pair != Pair::Straight;
        let mut wire = Self {
            edges: vec![(0, idle)],
            end: 0,
        };
        let senders = [0, 1].map(|_| bit_ps(line) * (9_920 + dice.below(161)) / 10_000);
        for (turn, frame) in said.iter().enumerate() {
            let bit = senders[turn % 2];
            wire.hold(idle, frame.silence_ps);
            for byte in &frame.bytes {
                wire.hold(turned, bit);
                let ones = byte.count_ones() % 2 == 1;
                for place in 0..8 {
                    wire.hold((byte >> place & 1 == 1) != turned, bit);
                }
                match line.parity {
                    Parity::None => {}
                    Parity::Even => wire.hold(ones != turned, bit),
                    Parity::Odd => wire.hold(ones == turned, bit),
                }
                wire.hold(!turned, bit * u64::from(line.stop_bits));
            }
            // The driver lets go some time after the last stop bit.
            wire.hold(!turned, bit * dice.below(3) / 2);
        }
        wire.hold(idle, 200 * MS);
        wire
    }

    fn hold(&mut self, level: bool, ps: u64) {
        if ps > 0 && self.edges.last().is_none_or(|(_, last)| *last != level) {
            self.edges.push((self.end, level));
        }
        self.end += ps;
    }

    /// What a port with these settings gets.
    pub(crate) fn heard(&self, ours: LineSettings, marks: Marks) -> Vec<Received> {
        let bit = bit_ps(ours);
        let places = 8 + u64::from(ours.parity != Parity::None);
        let mut all = Vec::new();
        // Number of the edge in force at the time looked at.
        let (mut at, mut now) = (0, 0);
        loop {
            // The next falling edge after `now`.
            while self
                .edges
                .get(at)
                .is_some_and(|(when, level)| *level || *when <= now)
            {
                at += 1;
            }
            let Some((start, _)) = self.edges.get(at).copied() else {
                return all;
            };
            let mut look = at;
            let mut level = |time: u64| {
                while self
                    .edges
                    .get(look + 1)
                    .is_some_and(|(when, _)| *when <= time)
                {
                    look += 1;
                }
                self.edges[look].1
            };
            if level(start + bit / 2) {
                now = start + bit / 2;
                continue;
            }
            let bits: Vec<bool> = (1..=places)
                .map(|n| level(start + bit / 2 + n * bit))
                .collect();
            now = start + bit / 2 + (places + 1) * bit;
            let stop = level(now);
            // The adapter hands over every 16 ms.
            let read = Duration::from_millis((now / MS / 16 + 1) * 16);
            all.push(Received {
                at: Some(read),
                ..received(&bits, stop, ours, marks)
            });
            if !stop {
                let rises = self.edges[look..]
                    .iter()
                    .find(|(when, level)| *level && *when > now);
                let Some((when, _)) = rises else { return all };
                now = *when;
            }
        }
    }
}

fn received(bits: &[bool], stop: bool, ours: LineSettings, marks: Marks) -> Received {
    let byte = (0..8).fold(0_u8, |byte, place| byte | u8::from(bits[place]) << place);
    let is_odd = bits.iter().filter(|bit| **bit).count() % 2 == 1;
    let is_parity_wrong = match ours.parity {
        Parity::None => false,
        Parity::Even => is_odd,
        Parity::Odd => !is_odd,
    };
    let is_break = !stop && bits.iter().all(|bit| !bit);
    let mark = match (marks, is_break, is_parity_wrong, stop) {
        (Marks::None, ..) => Mark::Unknown,
        (_, true, ..) => Mark::Break,
        (_, _, false, true) => Mark::Good,
        (Marks::Tty, ..) => Mark::Bad,
        (_, _, true, _) => Mark::Parity,
        (_, _, false, false) => Mark::Framing,
    };
    Received {
        byte,
        mark,
        at: None,
    }
}
