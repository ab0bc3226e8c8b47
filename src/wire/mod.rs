//! Modbus frames: asks and answers as typed values, raw frames as bytes that judge nothing.
//!
//! [`Ask`] encodes a question and decodes what answers it; [`Splitter`] cuts what comes back to an asker
//! into frames and noise, [`Stream`] both directions of an overheard line. Whose frame it is, [`crate::ask`] decides.
//!
//! # Sources
//! - Modbus Application Protocol V1.1b3; Modbus over Serial Line V1.02; Modbus Messaging on TCP/IP
//!   Implementation Guide V1.0b.

mod answer;
mod crc;
mod cursor;
mod framing;
mod gap;
mod measure;
mod misfit;
pub mod question;
mod rtu;
mod shape;
mod split;
mod stream;
mod tcp;
#[cfg(test)]
mod tests;
mod window;

pub use answer::{Answer, Reply, exception_name};
pub use crc::{crc16, is_sealed, sealed};
pub use framing::Framing;
pub use misfit::Misfit;
pub use question::{Ask, Question};
pub(crate) use rtu::{is_request, read_request};
pub use shape::{fits as can_answer, is_listed};
pub use split::{ByteSpan, ByteStamp, SpanKind, Splitter};
pub use stream::{Piece, PieceKind, Stream};
pub use tcp::Adu;

/// Bytes as text, lower-case hex.
pub(crate) fn hex(bytes: &[u8]) -> String {
    // Formatting every byte by `{:02x}` took a third of the time of reading a recording.
    let digit = |nibble: u8| char::from_digit(nibble.into(), 16).unwrap_or('0');
    let mut text = String::with_capacity(bytes.len() * 2);
    for byte in bytes {
        text.push(digit(byte >> 4));
        text.push(digit(byte & 0xf));
    }
    text
}
