//! Whether any window of some bytes ends with its own CRC, in constant time.
//!
//! Input: bytes, growing at the end and cut at the begin. Output: for any window of at most [`LONGEST`]
//! bytes whether its CRC register is 0 at its end.
//!
//! # How
//! CRC-16 is linear. Let R(k) be the register after the first k bytes from any start value. The
//! register of the window from i to j, started with FFFF, differs from R(j) by R(i) ^ FFFF moved
//! through j - i bytes of 00, and moving is a linear map that only depends on the length. So one
//! register per byte, and one map of four small tables per length, are all it takes. Registers are
//! computed only once a window needs them: a stream of clean frames never does.
//!
//! # Sources
//! - Modbus over Serial Line V1.02, 2.5.1.2 and appendix B (polynomial A001 hex reflected, start FFFF)

use super::shape::{LONGEST, SHORTEST};

/// Windows are computed as long as that costs no more bytes than this for each byte passed. In noise
/// it rarely does; bytes made for it are looked up.
const WORK: usize = 6;
/// Most bytes of work that are saved up.
const SAVED: usize = 4096;
const POLYNOMIAL: u16 = 0xa001;

/// One byte 00 through the register.
const fn through_zero(mut register: u16) -> u16 {
    let mut bit = 0;
    while bit < 8 {
        let carry = register & 1 == 1;
        register >>= 1;
        if carry {
            register ^= POLYNOMIAL;
        }
        bit += 1;
    }
    register
}

/// What each byte does to an empty register, with 0 to 7 bytes of 00 behind it.
#[expect(clippy::indexing_slicing, reason = "computed while compiling")]
static STEPS: [[u16; 256]; 8] = {
    let mut tables = [[0; 256]; 8];
    let mut byte: u16 = 0;
    while byte < 256 {
        let mut register = byte;
        let mut behind = 0;
        while behind < 8 {
            register = through_zero(register);
            tables[behind][byte as usize] = register;
            behind += 1;
        }
        byte += 1;
    }
    tables
};

#[inline]
fn look_up(table: &[u16; 256], byte: u8) -> u16 {
    table.get(usize::from(byte)).copied().unwrap_or_default()
}

/// The register after one more byte.
#[inline]
fn step(register: u16, byte: u8) -> u16 {
    let [low, high] = register.to_le_bytes();
    let [first, ..] = &STEPS;
    look_up(first, low ^ byte) ^ u16::from(high)
}

/// Whether a frame ends with its own CRC: its register is 0 then.
///
/// Eight bytes at once, as frames are short: faster than sixteen for what is left over.
#[inline]
pub(super) fn ends_with_its_crc(frame: &[u8]) -> bool {
    let [t0, t1, t2, t3, t4, t5, t6, t7] = &STEPS;
    let (eights, rest) = frame.as_chunks::<8>();
    let mut register = u16::MAX;
    for [a, b, c, d, e, f, g, h] in eights {
        let [low, high] = register.to_le_bytes();
        register = look_up(t7, a ^ low)
            ^ look_up(t6, b ^ high)
            ^ look_up(t5, *c)
            ^ look_up(t4, *d)
            ^ look_up(t3, *e)
            ^ look_up(t2, *f)
            ^ look_up(t1, *g)
            ^ look_up(t0, *h);
    }
    for byte in rest {
        register = step(register, *byte);
    }
    register == 0
}

/// The map of one length: what each value of each quarter of the register becomes.
type Move = [[u16; 16]; 4];

/// The map of every length.
#[expect(clippy::indexing_slicing, reason = "computed while compiling")]
static MOVES: [Move; LONGEST + 1] = {
    let mut moves = [[[0; 16]; 4]; LONGEST + 1];
    let mut quarter = 0;
    while quarter < 4 {
        let mut value: u16 = 0;
        while value < 16 {
            let mut register = value << (4 * quarter);
            let mut length = 0;
            while length <= LONGEST {
                moves[length][quarter][value as usize] = register;
                register = through_zero(register);
                length += 1;
            }
            value += 1;
        }
        quarter += 1;
    }
    moves
};

/// A register moved through this many bytes of 00.
#[inline]
fn moved(register: u16, length: usize) -> Option<u16> {
    let [a, b, c, d] = MOVES.get(length)?;
    let quarter =
        |table: &[u16; 16], shift: u32| table.get(usize::from(register >> shift & 15)).copied();
    Some(quarter(a, 0)? ^ quarter(b, 4)? ^ quarter(c, 8)? ^ quarter(d, 12)?)
}

/// Registers along some bytes, as far as they were needed.
#[derive(Debug, Clone, Default)]
pub(super) struct Windows {
    /// Where the registers begin.
    origin: usize,
    /// Register before the byte at `origin + n`.
    registers: Vec<u16>,
    /// Bytes that may still be computed instead of looked up.
    credit: usize,
    /// Up to where bytes were passed.
    paid: usize,
}

impl Windows {
    /// Whether `bytes[start..start + length]` ends with its own CRC.
    #[inline]
    pub(super) fn is_sealed(&mut self, bytes: &[u8], start: usize, length: usize) -> bool {
        let passed = start.saturating_sub(self.paid);
        self.paid = start;
        self.credit = (self.credit + passed * WORK).min(SAVED);
        if length > 8 && length > self.credit {
            return self.is_known_sealed(bytes, start, length).unwrap_or(false);
        }
        self.credit = self.credit.saturating_sub(length);
        let window = bytes.get(start..start + length);
        window.is_some_and(ends_with_its_crc)
    }

    fn is_known_sealed(&mut self, bytes: &[u8], start: usize, length: usize) -> Option<bool> {
        let end = start + length;
        self.reach(bytes, start, end)?;
        let before = self.registers.get(start - self.origin)?;
        let after = self.registers.get(end - self.origin)?;
        Some(*after == moved(before ^ 0xffff, length)?)
    }

    /// Computes registers up to and at `end`.
    fn reach(&mut self, bytes: &[u8], start: usize, end: usize) -> Option<()> {
        let reached = self.origin + self.registers.len();
        if self.registers.is_empty() || start < self.origin || start >= reached {
            self.origin = start;
            self.registers.clear();
            self.registers.push(0);
        }
        let next = self.origin + self.registers.len() - 1;
        let mut register = *self.registers.last()?;
        let more = bytes.get(next..end.max(next))?;
        self.registers.extend(more.iter().map(|byte| {
            register = step(register, *byte);
            register
        }));
        Some(())
    }

    /// The first `count` bytes were taken away.
    pub(super) fn forget(&mut self, count: usize) {
        self.paid = self.paid.saturating_sub(count);
        if count <= self.origin {
            self.origin -= count;
            return;
        }
        let known = count - self.origin;
        if known >= self.registers.len() {
            self.registers.clear();
        } else {
            self.registers.drain(..known);
        }
        self.origin = 0;
    }
}

/// A register moved through any number of bytes of 00.
fn moved_far(mut register: u16, mut length: usize) -> u16 {
    while length > 0 {
        let step = length.min(LONGEST);
        register = moved(register, step).unwrap_or_default();
        length -= step;
    }
    register
}

/// Every window of a run that ends with its own CRC: its begin and its end.
///
/// Registers before its begin and at its end agree once both are moved to the end of the run, so that
/// sorting finds all of them: no window is tried by itself.
pub(super) fn sealed_windows(run: &[u8]) -> Vec<(usize, usize)> {
    let mut register = 0;
    let mut ends = Vec::with_capacity(run.len());
    let mut begins = Vec::with_capacity(run.len());
    for (at, byte) in run.iter().enumerate() {
        begins.push(moved_far(register ^ 0xffff, run.len() - at));
        register = step(register, *byte);
        ends.push((moved_far(register, run.len() - at - 1), at + 1));
    }
    ends.sort_unstable();
    let mut found = Vec::new();
    for (begin, wanted) in begins.iter().enumerate() {
        let first =
            ends.partition_point(|(value, end)| (*value, *end) < (*wanted, begin + SHORTEST));
        let alike = ends.get(first..).unwrap_or_default().iter();
        let alike = alike.take_while(|(value, end)| value == wanted && *end <= begin + LONGEST);
        found.extend(alike.map(|(_, end)| (begin, *end)));
    }
    found
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::super::crc::{is_sealed, sealed};
    use super::*;

    // Kind: derived (against the table CRC, which published values pin)
    proptest! {
        #[test]
        fn window_of_any_length_agrees_with_the_crc_of_its_bytes(
            noise in proptest::collection::vec(any::<u8>(), 0..600),
            body in proptest::collection::vec(any::<u8>(), 2..254),
            cut in 0usize..300,
        ) {
            let mut bytes = noise.clone();
            let frame = sealed(body);
            bytes.extend(&frame);
            bytes.extend(&noise);
            let mut windows = Windows::default();
            for start in (0..noise.len()).step_by(7) {
                for length in [13, 100, 256] {
                    let expected = bytes.get(start..start + length).is_some_and(is_sealed);
                    prop_assert_eq!(windows.is_sealed(&bytes, start, length), expected);
                }
            }
            let cut = cut.min(noise.len());
            bytes.drain(..cut);
            windows.forget(cut);
            prop_assert!(windows.is_sealed(&bytes, noise.len() - cut, frame.len()));
            let last = bytes.len() - noise.len() - 1;
            bytes[last] ^= 1;
            let mut fresh = Windows::default();
            prop_assert!(!fresh.is_sealed(&bytes, noise.len() - cut, frame.len()));
        }
    }
}
