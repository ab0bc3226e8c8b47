//! Which line settings and wiring explain what was received.
//!
//! Input: characters received by a port (best with their marks) and the settings of that port.
//! Output: an [`Explanation`]: the values are right as they stand, or they are right under several
//! settings, or another setting or a swapped pair explains them, or they are lost and these settings
//! should be listened at next, or it is another protocol.
//!
//! Does not: read a clock, touch a port, or send. Listening again at other settings is up to the
//! caller.
//!
//! # Invariants
//! - Only the most recent [`RECENT`] characters are looked at; time and memory are bounded.
//! - *Proven* needs two different frames, and less than one accident in a million expected over
//!   everything that was tried. Everything else is at most *likely*.
//!
//! # How sure
//! A wrong hypothesis fits a 16-bit check value once in 65536 by accident, and a place that can be
//! read in `w` ways with a chance below `w / 65536`. Over all places of one hypothesis that gives the
//! chance of as many hits as there were. Any hypothesis tried may give as strong evidence by accident:
//! the chances of all of them to do so add up. Most that are wrong leave so few places to read that they
//! cannot, and add nothing. (The characters as they stand are no such hypothesis: they were tested
//! before, against the same limit.) The same frame heard again is no new evidence: the accident would
//! come again too.

mod next;
mod protocol;
mod rate;
mod recut;
mod shape;
#[cfg(test)]
mod tests;
mod words;

use std::collections::BTreeSet;
use std::time::Duration;

use packside_profiles::{LineSettings, Parity};

pub use rate::BAUDS;
use rate::{Rate, rate_of};

use super::picture::Strength;
use super::waveform::{Mark, Received, parity_bit};
use crate::wire::Framing;
use crate::wire::{ByteStamp, SpanKind, Splitter};

pub use next::next_settings;
pub use protocol::Protocol;
use recut::Cut;
pub use recut::Hypothesis;
pub use words::Sentences;

/// How many of the last characters are looked at.
pub const RECENT: usize = 4_096;
/// How many of those are cut again under other hypotheses.
const RECENT_RECUT: usize = 1_024;
/// Fewer characters than this say nothing.
const TOO_FEW: usize = 8;
/// A sender whose bits are longer than this many of ours leaves too little of itself.
const MOST_BITS_PER_BIT: u32 = 3;
/// Fewer accidental fits than this must be expected for a proof.
const PROOF: f64 = 1e-6;
/// And than this for the best reading that there is: where only two different frames come again and again
/// and bits are unseen, no time of listening makes a proof of them.
const LIKELY: f64 = 1e-4;

/// Character layouts that are tried: parity and stop bits.
pub const LAYOUTS: [(Parity, u8); 4] = [
    (Parity::None, 1),
    (Parity::Even, 1),
    (Parity::Odd, 1),
    (Parity::None, 2),
];

/// What explains the received characters.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Class {
    /// Nothing, or next to nothing, was received.
    Nothing,
    /// The values are right, and only these settings give them without contradiction.
    Exact(LineSettings),
    /// The values are right, and any of these settings can be the senders'. Never empty.
    Equivalent(Vec<LineSettings>),
    /// The received values are wrong, but each of these explains them. Never empty.
    Survives(Vec<Hypothesis>),
    /// Not Modbus RTU.
    OtherProtocol(Protocol),
    /// Too little of the senders' bits is left; listen at these settings next, in this order.
    Lost(Vec<LineSettings>),
}

/// What the explanation rests on.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Evidence {
    /// Characters looked at.
    pub characters: usize,
    /// Of those, characters that belong to the frames found.
    pub fitted: usize,
    /// Frames found.
    pub frames: usize,
    /// Different frames among them; where one place can be read as several right ones, that is one.
    pub different: usize,
    /// Check values looked at for them.
    pub windows: u64,
    /// Upper bound of the chance that all of it is an accident.
    pub accidental: f64,
}

/// Class and evidence.
#[derive(Debug, Clone, PartialEq)]
pub struct Explanation {
    /// What explains the characters.
    pub class: Class,
    /// What that rests on.
    pub evidence: Evidence,
    /// The settings we listened with.
    pub ours: LineSettings,
}

impl Explanation {
    /// Stable id of the class.
    pub fn id(&self) -> &'static str {
        match self.class {
            Class::Nothing => "nothing",
            Class::Exact(_) => "exact",
            Class::Equivalent(_) => "equivalent",
            Class::Survives(_) => "survives",
            Class::OtherProtocol(_) => "other-protocol",
            Class::Lost(_) => "lost",
        }
    }

    /// Whether the frames found cannot reasonably be an accident.
    pub fn is_proven(&self) -> bool {
        self.evidence.different >= 2 && self.evidence.accidental < PROOF
    }
}

impl Explanation {
    /// How sure it is.
    pub fn strength(&self) -> Strength {
        match self.class {
            Class::Nothing | Class::Lost(_) => Strength::Open,
            Class::OtherProtocol(Protocol::ModbusAscii { frames, .. }) if frames >= 4 => {
                Strength::Proven
            }
            Class::OtherProtocol(_) => Strength::Likely,
            _ if self.is_proven() => Strength::Proven,
            _ => Strength::Likely,
        }
    }
}

/// Explains what a port with these settings received.
pub fn explain(received: &[Received], ours: LineSettings) -> Explanation {
    let recent = last(received, RECENT);
    let of_class = |class, evidence| Explanation {
        class,
        evidence,
        ours,
    };
    let as_it_stands = frames_as_received(recent);
    let evidence = as_it_stands.evidence(recent.len(), as_it_stands.windows);
    let covers_most = as_it_stands.frames.len() >= 2 && evidence.fitted * 2 >= recent.len();
    if covers_most || evidence.different >= 2 && evidence.accidental < PROOF {
        let class = match right_values(recent, &as_it_stands.in_frame, ours) {
            settings if settings == [ours] => Class::Exact(ours),
            settings => Class::Equivalent(settings),
        };
        return of_class(class, evidence);
    }
    if let Some((protocol, fitted)) = protocol::recognise(recent) {
        let evidence = Evidence {
            characters: recent.len(),
            fitted,
            ..Evidence::default()
        };
        return of_class(Class::OtherProtocol(protocol), evidence);
    }
    if recent.len() < TOO_FEW {
        let evidence = Evidence {
            characters: recent.len(),
            ..Evidence::default()
        };
        return of_class(Class::Nothing, evidence);
    }
    let (survivors, evidence) = survivors(last(recent, RECENT_RECUT), ours);
    if evidence.different >= 2 && evidence.accidental < LIKELY || evidence.is_one_question() {
        return of_class(Class::Survives(survivors), evidence);
    }
    of_class(Class::Lost(next_settings(recent, ours, &[])), evidence)
}

impl Evidence {
    /// One and the same request again and again, filling what was heard: likely, never proven.
    fn is_one_question(&self) -> bool {
        self.different == 1 && self.frames >= 4 && self.fitted * 10 >= self.characters * 9
    }
}

fn last(received: &[Received], most: usize) -> &[Received] {
    received
        .get(received.len().saturating_sub(most)..)
        .unwrap_or(received)
}

/// Frames found in some way of reading the characters.
#[derive(Debug, Default)]
struct Fit {
    frames: Vec<Vec<u8>>,
    fitted: usize,
    windows: u64,
    /// For each character, whether it is in a frame. Empty if not known.
    in_frame: Vec<bool>,
}

impl Fit {
    fn evidence(&self, characters: usize, windows: u64) -> Evidence {
        let different: BTreeSet<&Vec<u8>> = self.frames.iter().collect();
        Evidence {
            characters,
            fitted: self.fitted,
            frames: self.frames.len(),
            different: different.len(),
            windows,
            accidental: accident(windows, different.len()),
        }
    }
}

/// Upper bound of the chance that so many different frames fit by accident.
fn accident(windows: u64, different: usize) -> f64 {
    #[expect(
        clippy::cast_precision_loss,
        reason = "a bound; counts are far below 2^53"
    )]
    let expected = windows as f64 / 65_536.0;
    let mut chance = 1.0_f64;
    for n in 1..=different.min(1_000) {
        #[expect(clippy::cast_precision_loss, reason = "at most 1000")]
        let n = n as f64;
        chance *= expected / n;
    }
    chance.min(1.0)
}

/// The frames that stand in the bytes as they are.
fn frames_as_received(received: &[Received]) -> Fit {
    let mut splitter = Splitter::new(Framing::Rtu);
    let bytes: Vec<u8> = received.iter().map(|one| one.byte).collect();
    let stamp = ByteStamp {
        at: Duration::ZERO,
        during: None,
    };
    splitter.push(&bytes, stamp);
    // At most two ways to read a frame wherever a known function code stands.
    let known = |pair: &&[u8]| matches!(pair, [_, function] if matches!(function & 0x7f, 1..=8 | 15..=24 | 43));
    let mut fit = Fit {
        windows: 2 * bytes.windows(2).filter(known).count() as u64,
        ..Fit::default()
    };
    while let Some(span) = splitter.next(None, true) {
        let is_frame = span.kind == SpanKind::Frame;
        fit.in_frame
            .resize(fit.in_frame.len() + span.bytes.len(), is_frame);
        if is_frame {
            fit.fitted += span.bytes.len();
            fit.frames.push(span.bytes);
        }
    }
    fit
}

/// The layouts under which these right values and their marks can have come about, best first.
fn right_values(received: &[Received], in_frame: &[bool], ours: LineSettings) -> Vec<LineSettings> {
    let framed = || {
        let both = received.iter().zip(in_frame);
        both.filter(|(one, is_in)| **is_in && one.mark != Mark::Unknown)
            .map(|(one, _)| *one)
    };
    let marked = framed().count();
    let contradictions = |settings: &LineSettings| {
        framed()
            .filter(|one| (one.mark != Mark::Good) != is_marked(one.byte, *settings, ours))
            .count()
    };
    let mut possible: Vec<(usize, LineSettings)> = LAYOUTS
        .iter()
        .map(|(parity, stop_bits)| LineSettings {
            baud: ours.baud,
            parity: *parity,
            stop_bits: *stop_bits,
        })
        .map(|settings| (contradictions(&settings), settings))
        .collect();
    let least = possible.iter().map(|(count, _)| *count).min().unwrap_or(0);
    possible.retain(|(count, _)| *count <= least + marked / 20);
    possible.sort_by_key(|(_, settings)| (*settings != ours, *settings));
    possible.into_iter().map(|(_, settings)| settings).collect()
}

/// Whether our receiver marks this byte when it comes from a sender with these settings.
fn is_marked(byte: u8, sender: LineSettings, ours: LineSettings) -> bool {
    let behind_data = parity_bit(byte, sender.parity).unwrap_or(true);
    match parity_bit(byte, ours.parity) {
        None => !behind_data,
        Some(expected) => behind_data != expected,
    }
}

/// The hypotheses that explain most characters, and what they rest on.
fn survivors(received: &[Received], ours: LineSettings) -> (Vec<Hypothesis>, Evidence) {
    let tried: Vec<(Hypothesis, Cut)> = hypotheses(received, ours)
        .map(|hypothesis| (hypothesis, recut::recut(received, ours, hypothesis)))
        .collect();
    let most = tried.iter().map(|(_, cut)| cut.characters).max();
    let is_best = |cut: &Cut| cut.characters > 0 && Some(cut.characters) == most;
    let best = || tried.iter().filter(|(_, cut)| is_best(cut));
    let evidence = best().next().map(|(_, cut)| {
        let own = at_least(cut.hits, &cut.chances);
        let accidents = tried
            .iter()
            .map(|(_, other)| as_strong(own, &other.chances));
        Evidence {
            characters: received.len(),
            fitted: cut.characters,
            frames: cut.frames.len(),
            different: cut.hits,
            windows: cut.windows,
            accidental: accidents.sum::<f64>().min(1.0),
        }
    });
    let evidence = evidence.unwrap_or(Evidence {
        characters: received.len(),
        ..Evidence::default()
    });
    let best: Vec<Hypothesis> = best().map(|(hypothesis, _)| *hypothesis).collect();
    (with_fewer_stop_bits(best), evidence)
}

/// A character with two stop bits is one with one stop bit and a pause of a bit behind it: what fits two
/// never rules out one, also where the search for one, which has more ways to read, found less.
fn with_fewer_stop_bits(mut best: Vec<Hypothesis>) -> Vec<Hypothesis> {
    for hypothesis in best.clone() {
        let mut one_stop_bit = hypothesis;
        one_stop_bit.settings.stop_bits = 1;
        if !best.contains(&one_stop_bit) {
            best.push(one_stop_bit);
        }
    }
    best
}

/// The chance that independent accidents give evidence at least as strong as `chance`: so many hits that
/// fewer would be weaker. Nothing where even all of them together are not as strong.
fn as_strong(chance: f64, chances: &[f64]) -> f64 {
    let attainable = (1..=chances.len()).map(|hits| at_least(hits, chances));
    attainable
        .into_iter()
        .find(|one| *one <= chance)
        .unwrap_or(0.0)
}

/// The chance that at least so many of some independent accidents happen.
fn at_least(hits: usize, chances: &[f64]) -> f64 {
    // For n = 0, 1, ... the chance of exactly n; the last one stands for that many or more.
    let mut exactly = vec![0.0; hits + 1];
    if let Some(none) = exactly.first_mut() {
        *none = 1.0;
    }
    for chance in chances {
        let mut from_below = 0.0;
        for (n, one) in exactly.iter_mut().enumerate() {
            let stays = if n == hits {
                *one
            } else {
                *one * (1.0 - chance)
            };
            (from_below, *one) = (*one * chance, stays + from_below);
        }
    }
    exactly.last().copied().unwrap_or(1.0)
}

/// Everything that may still be found in the characters, besides what they are as they stand.
fn hypotheses(received: &[Received], ours: LineSettings) -> impl Iterator<Item = Hypothesis> {
    let baud = match rate_of(received, ours) {
        Rate::SlowestFitting(baud) => Some(baud),
        Rate::FarBelow => None,
    };
    let baud = baud.filter(|baud| ours.baud <= baud.saturating_mul(MOST_BITS_PER_BIT));
    let each = baud.into_iter().flat_map(|baud| {
        LAYOUTS.iter().flat_map(move |(parity, stop_bits)| {
            let settings = LineSettings {
                baud,
                parity: *parity,
                stop_bits: *stop_bits,
            };
            [false, true].map(|is_swapped| Hypothesis {
                settings,
                is_swapped,
            })
        })
    });
    each.filter(move |hypothesis| {
        hypothesis.is_swapped || changes_values(hypothesis.settings, ours)
    })
}

/// Whether a sender with these settings gives us other values than it sent.
fn changes_values(sender: LineSettings, ours: LineSettings) -> bool {
    let fits_our_character = sender.bits_per_character() >= 11 || ours.parity == Parity::None;
    sender.baud != ours.baud || !fits_our_character
}
