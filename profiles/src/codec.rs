//! Registers to values and back, by a [`Point`].
//!
//! Input: the registers of one instance and the power of ten of its scale point. Output: the raw
//! content, the value, and how far it may be relied on. Decoding never fails on content: strange
//! content is a quality, not an error.
//!
//! # Precision
//! Value = raw x numerator / 10^places + offset, so that raw 4123 at scale 0.1 is 412.3 and not
//! 412.30000000000001: the sum is made in whole numbers and rounded once. A 64-bit raw value above
//! 2^53 loses digits in [`Value::Number`]; [`Decoded::raw`] keeps them all and [`encode_raw`] writes
//! them all.

use crate::foreign::Foreign;
use crate::lookup::words_of;
use crate::model::{Kind, Point, WordOrder};

/// A decoded value.
#[derive(Debug, Clone, PartialEq)]
pub enum Value {
    /// A measurement or counter in the unit of the point: raw x scale + offset.
    Number(f64),
    /// A text, without padding.
    Text(Foreign),
    /// A word of bits.
    Bits(u64),
    /// A value of an enumeration or code, by number.
    Code(u64),
}

/// How far a decoded value may be relied on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Quality {
    /// A usable value.
    Good,
    /// The point's not-available value, all ones in a word of bits, or an empty text.
    NotAvailable,
    /// At a rail, or outside the possible range.
    OutOfRange,
}

/// A value with the raw content it came from.
#[derive(Debug, Clone, PartialEq)]
pub struct Decoded {
    /// Raw content after word order and bit slice (for a text: its first four registers).
    pub raw: u64,
    /// The value; kept where it is out of range, absent where it is not available.
    pub value: Option<Value>,
    /// How far it may be relied on.
    pub quality: Quality,
}

/// Why a value cannot be coded.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum CodecError {
    /// Wrong number of registers.
    #[error("{point}: expected {needed} registers, found {found}")]
    Length {
        /// Point id.
        point: String,
        /// Registers the type takes.
        needed: usize,
        /// Registers given.
        found: usize,
    },
    /// The value does not fit the type.
    #[error("{point}: {value} does not fit its type")]
    Range {
        /// Point id.
        point: String,
        /// Value as text.
        value: String,
    },
}

impl Point {
    /// Registers that one instance takes.
    pub fn width(&self) -> u16 {
        words_of(self.kind).unwrap_or_else(|| self.registers.unwrap_or(1))
    }

    /// Bits of the raw value before slicing; 0 for a text.
    pub fn raw_bits(&self) -> u32 {
        match self.kind {
            Kind::U8Low | Kind::U8High | Kind::I8Low | Kind::I8High => 8,
            Kind::String => 0,
            _ => u32::from(self.width()) * 16,
        }
    }

    /// Bits of the raw value after slicing; 0 for a text.
    pub fn value_bits(&self) -> u32 {
        if self.kind == Kind::String {
            0
        } else {
            part(self).1
        }
    }

    fn is_signed(&self) -> bool {
        matches!(
            self.kind,
            Kind::I8Low | Kind::I8High | Kind::I16 | Kind::I32 | Kind::I64
        )
    }

    fn length_error(&self, found: usize) -> CodecError {
        CodecError::Length {
            point: self.id.clone(),
            needed: self.width().into(),
            found,
        }
    }

    fn range_error(&self, value: &Value) -> CodecError {
        CodecError::Range {
            point: self.id.clone(),
            value: format!("{value:?}"),
        }
    }
}

/// Decodes the registers of one point. `power` is the value of its scale point, 0 without one.
///
/// # Errors
/// [`CodecError::Length`] where the number of words is not that of the type.
pub fn decode(point: &Point, words: &[u16], power: i8) -> Result<Decoded, CodecError> {
    if words.len() != usize::from(point.width()) {
        return Err(point.length_error(words.len()));
    }
    if point.kind == Kind::String {
        return Ok(decode_text(words));
    }
    let whole = whole_raw(point, words);
    let raw = slice(point, whole);
    if point.not_available.contains(&raw) || is_all_ones(point, raw) {
        return Ok(Decoded {
            raw,
            value: None,
            quality: Quality::NotAvailable,
        });
    }
    let value = match point.kind {
        Kind::Bits16 | Kind::Bits32 => Value::Bits(raw),
        Kind::Enum16 | Kind::Enum32 => Value::Code(raw),
        Kind::F32 | Kind::F64 => match float(point, raw) {
            number if number.is_nan() => {
                return Ok(Decoded {
                    raw,
                    value: None,
                    quality: Quality::NotAvailable,
                });
            }
            number => Value::Number(scaled_float(point, number, power)),
        },
        Kind::Bcd16 | Kind::Bcd32 => match from_bcd(raw) {
            None => {
                return Ok(Decoded {
                    raw,
                    value: None,
                    quality: Quality::OutOfRange,
                });
            }
            Some(digits) => Value::Number(scaled(point, i128::from(digits), power)),
        },
        _ => Value::Number(scaled(point, signed(point, raw), power)),
    };
    let quality = if is_possible(point, raw, &value) {
        Quality::Good
    } else {
        Quality::OutOfRange
    };
    Ok(Decoded {
        raw,
        value: Some(value),
        quality,
    })
}

fn decode_text(words: &[u16]) -> Decoded {
    let bytes: Vec<u8> = words.iter().flat_map(|word| word.to_be_bytes()).collect();
    let text: String = bytes
        .iter()
        .take_while(|b| **b != 0)
        .map(|b| printable(*b))
        .collect();
    let text = text.trim().to_owned();
    let raw = words
        .iter()
        .take(4)
        .fold(0, |raw, word| raw << 16 | u64::from(*word));
    // All ones is what an erased memory gives; NUL is what the standards pad with.
    if text.is_empty() || words.iter().all(|word| *word == 0xffff) {
        return Decoded {
            raw,
            value: None,
            quality: Quality::NotAvailable,
        };
    }
    Decoded {
        raw,
        value: Some(Value::Text(text.into())),
        quality: Quality::Good,
    }
}

fn printable(byte: u8) -> char {
    if (0x20..0x7f).contains(&byte) {
        char::from(byte)
    } else {
        '\u{fffd}'
    }
}

/// Content of all registers (or the half) as one number.
fn whole_raw(point: &Point, words: &[u16]) -> u64 {
    let first = words.first().copied().unwrap_or_default();
    match point.kind {
        Kind::U8Low | Kind::I8Low => u64::from(first & 0xff),
        Kind::U8High | Kind::I8High => u64::from(first >> 8),
        _ => {
            let join = |raw: u64, word: &u16| raw << 16 | u64::from(*word);
            match point.order {
                WordOrder::HighFirst => words.iter().fold(0, join),
                WordOrder::LowFirst => words.iter().rev().fold(0, join),
            }
        }
    }
}

/// Lowest bit and width of the part that is the value.
fn part(point: &Point) -> (u32, u32) {
    match point.bits {
        Some([from, to]) => (
            u32::from(from).min(63),
            (u32::from(to.max(from) - from) + 1).min(64),
        ),
        None => (0, point.raw_bits().clamp(1, 64)),
    }
}

fn mask(width: u32) -> u64 {
    if width >= 64 {
        u64::MAX
    } else {
        (1 << width) - 1
    }
}

fn slice(point: &Point, whole: u64) -> u64 {
    let (from, width) = part(point);
    (whole >> from) & mask(width)
}

/// A word of bits that is all ones is an erased or absent word, not every alarm at once.
fn is_all_ones(point: &Point, raw: u64) -> bool {
    let word = matches!(point.kind, Kind::Bits16 | Kind::Bits32) && point.bits.is_none();
    let top = point.absent_if_top_bit && (raw >> (part(point).1 - 1).min(63)) & 1 == 1;
    word && (top || raw == mask(point.raw_bits()))
}

fn signed(point: &Point, raw: u64) -> i128 {
    let (_, width) = part(point);
    let negative = point.is_signed() && width > 0 && (raw >> (width - 1).min(63)) & 1 == 1;
    if negative {
        i128::from(raw) - (1i128 << width)
    } else {
        i128::from(raw)
    }
}

fn float(point: &Point, raw: u64) -> f64 {
    match point.kind {
        Kind::F32 => f64::from(f32::from_bits(
            u32::try_from(raw & 0xffff_ffff).unwrap_or_default(),
        )),
        _ => f64::from_bits(raw),
    }
}

fn from_bcd(raw: u64) -> Option<u64> {
    (0..16).rev().try_fold(0u64, |value, nibble| {
        let digit = (raw >> (nibble * 4)) & 0xf;
        (digit <= 9).then_some(value * 10 + digit)
    })
}

fn to_bcd(mut value: u64) -> u64 {
    let mut raw = 0;
    for nibble in 0..16 {
        raw |= (value % 10) << (nibble * 4);
        value /= 10;
    }
    raw
}

/// raw x numerator x 10^power / 10^places + offset, rounded once: the sum is made in whole numbers.
fn scaled(point: &Point, raw: i128, power: i8) -> f64 {
    exact(point, raw, power).unwrap_or_else(|| {
        #[expect(
            clippy::cast_precision_loss,
            reason = "only where the exact sum does not fit into 128 bits"
        )]
        let raw = raw as f64;
        scaled_float(point, raw, power)
    })
}

#[expect(
    clippy::cast_precision_loss,
    reason = "the one rounding; the raw value is kept beside it"
)]
fn exact(point: &Point, raw: i128, power: i8) -> Option<f64> {
    let places = places(point, power);
    let offset_places = i32::try_from(point.offset.places).ok()?;
    let common = places.max(offset_places).max(0);
    let widen = |from: i32| 10i128.checked_pow(u32::try_from(common - from).ok()?);
    let product = raw
        .checked_mul(point.scale.numerator.into())?
        .checked_mul(widen(places)?)?;
    let offset = i128::from(point.offset.numerator).checked_mul(widen(offset_places)?)?;
    Some(product.checked_add(offset)? as f64 / 10f64.powi(common))
}

#[expect(
    clippy::cast_precision_loss,
    reason = "numerators are short literals of a profile"
)]
fn scaled_float(point: &Point, raw: f64, power: i8) -> f64 {
    let product = raw * point.scale.numerator as f64;
    let places = places(point, power);
    let number = if places >= 0 {
        product / 10f64.powi(places)
    } else {
        product * 10f64.powi(-places)
    };
    number + point.offset.value()
}

/// Digits behind the point that the scale gives, less the power of the scale point.
fn places(point: &Point, power: i8) -> i32 {
    i32::try_from(point.scale.places).unwrap_or(0) - i32::from(power)
}

fn is_possible(point: &Point, raw: u64, value: &Value) -> bool {
    if point.rail.contains(&raw) {
        return false;
    }
    match (value, point.limits.possible) {
        (Value::Number(number), Some([lowest, highest])) => (lowest..=highest).contains(number),
        (Value::Number(number), None) => number.is_finite(),
        _ => true,
    }
}

/// Writes a value into the registers of one point; bits outside its slice or half stay as they are.
///
/// # Errors
/// Where the number of words is wrong or the value does not fit.
pub fn encode(
    point: &Point,
    value: &Value,
    power: i8,
    words: &mut [u16],
) -> Result<(), CodecError> {
    if words.len() != usize::from(point.width()) {
        return Err(point.length_error(words.len()));
    }
    let raw = match (point.kind, value) {
        (Kind::String, Value::Text(text)) => return encode_text(point, text.as_given(), words),
        (Kind::Bits16 | Kind::Bits32, Value::Bits(raw))
        | (Kind::Enum16 | Kind::Enum32, Value::Code(raw)) => *raw,
        (Kind::F32, Value::Number(number)) => {
            #[expect(
                clippy::cast_possible_truncation,
                reason = "single precision is what the type holds"
            )]
            let single = unscaled(point, *number, power) as f32;
            if single.is_infinite() && number.is_finite() {
                return Err(point.range_error(value));
            }
            u64::from(single.to_bits())
        }
        (Kind::F64, Value::Number(number)) => unscaled(point, *number, power).to_bits(),
        (kind, Value::Number(number)) if kind != Kind::String => {
            integer(point, unscaled(point, *number, power))
                .ok_or_else(|| point.range_error(value))?
        }
        _ => return Err(point.range_error(value)),
    };
    let (from, width) = part(point);
    if raw & !mask(width) != 0 {
        return Err(point.range_error(value));
    }
    let whole = whole_raw(point, words) & !(mask(width) << from) | raw << from;
    put_whole(point, whole, words);
    Ok(())
}

/// Writes a raw value (as [`Decoded::raw`]) into the registers of one point.
///
/// # Errors
/// Where the number of words is wrong or the raw value is too wide.
pub fn encode_raw(point: &Point, raw: u64, words: &mut [u16]) -> Result<(), CodecError> {
    if words.len() != usize::from(point.width()) {
        return Err(point.length_error(words.len()));
    }
    let (from, width) = part(point);
    if point.kind == Kind::String || raw & !mask(width) != 0 {
        return Err(CodecError::Range {
            point: point.id.clone(),
            value: format!("0x{raw:x}"),
        });
    }
    let whole = whole_raw(point, words) & !(mask(width) << from) | raw << from;
    put_whole(point, whole, words);
    Ok(())
}

#[expect(
    clippy::cast_precision_loss,
    reason = "numerators are short literals of a profile"
)]
fn unscaled(point: &Point, number: f64, power: i8) -> f64 {
    let places = places(point, power);
    let number = number - point.offset.value();
    let product = if places >= 0 {
        number * 10f64.powi(places)
    } else {
        number / 10f64.powi(-places)
    };
    product / point.scale.numerator as f64
}

/// The nearest raw integer, if it fits.
#[expect(clippy::cast_possible_truncation, reason = "checked against the width")]
fn integer(point: &Point, number: f64) -> Option<u64> {
    if !number.is_finite() || number.abs() > 2e19 {
        return None;
    }
    let whole = number.round() as i128;
    let (_, width) = part(point);
    if matches!(point.kind, Kind::Bcd16 | Kind::Bcd32) {
        let digits = u64::try_from(whole).ok()?;
        let raw = to_bcd(digits);
        return (from_bcd(raw) == Some(digits)).then_some(raw);
    }
    let (lowest, highest) = if point.is_signed() {
        (-(1i128 << (width - 1)), (1i128 << (width - 1)) - 1)
    } else {
        (0, (1i128 << width) - 1)
    };
    if !(lowest..=highest).contains(&whole) {
        return None;
    }
    u64::try_from(whole & ((1i128 << width) - 1)).ok()
}

fn put_whole(point: &Point, whole: u64, words: &mut [u16]) {
    let count = words.len();
    if let (Kind::U8Low | Kind::I8Low | Kind::U8High | Kind::I8High, Some(word)) =
        (point.kind, words.first_mut())
    {
        let byte = u16::try_from(whole & 0xff).unwrap_or_default();
        *word = match point.kind {
            Kind::U8Low | Kind::I8Low => *word & 0xff00 | byte,
            _ => *word & 0x00ff | byte << 8,
        };
        return;
    }
    for (index, word) in words.iter_mut().enumerate() {
        let place = match point.order {
            WordOrder::HighFirst => count - 1 - index,
            WordOrder::LowFirst => index,
        };
        *word = u16::try_from((whole >> (16 * place)) & 0xffff).unwrap_or_default();
    }
}

fn encode_text(point: &Point, text: &str, words: &mut [u16]) -> Result<(), CodecError> {
    if text.len() > words.len() * 2 || !text.bytes().all(|b| (0x20..0x7f).contains(&b)) {
        return Err(point.range_error(&Value::Text(text.into())));
    }
    let mut bytes = text.bytes().chain(std::iter::repeat(0));
    for word in words {
        *word = u16::from_be_bytes([bytes.next().unwrap_or(0), bytes.next().unwrap_or(0)]);
    }
    Ok(())
}
