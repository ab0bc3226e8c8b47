//! Registers to values and back, by a [`Point`].

use crate::model::Point;

/// A decoded value.
#[derive(Debug, Clone, PartialEq)]
pub enum Value {
    /// A measurement or counter in the unit of the point: raw x scale + offset.
    Number(f64),
    /// A text, without padding.
    Text(String),
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

/// Decodes the registers of one point. `power` is the value of its scale point, 0 without one.
///
/// # Errors
/// [`CodecError::Length`] where the number of words is not that of the type.
pub fn decode(_point: &Point, _words: &[u16], _power: i8) -> Result<Decoded, CodecError> {
    todo!()
}

/// Writes a value into the registers of one point; bits outside its slice or half stay as they are.
///
/// # Errors
/// Where the number of words is wrong or the value does not fit.
pub fn encode(_point: &Point, _value: &Value, _power: i8, _words: &mut [u16]) -> Result<(), CodecError> {
    todo!()
}
