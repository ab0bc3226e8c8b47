//! Answers, decoded against the question they answer.
//!
//! Input: a PDU (function code and data) and an [`Ask`]. Output: a [`Reply`], or the [`Misfit`]
//! that says why this PDU cannot answer that question.
//!
//! Does not: decide whose answer it is; two questions of one shape take the same PDU.
//!
//! # Sources
//! - Modbus Application Protocol V1.1b3, sections 6 and 7.

use packside_profiles::model::Table;

use super::cursor::Cursor;
use super::misfit::Misfit;
use super::question::{Ask, Question};

/// Content of an answer.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Answer {
    /// Registers, as many as asked for.
    Registers(Vec<u16>),
    /// Coils or discrete inputs, as many as asked for.
    Bits(Vec<bool>),
    /// The number given back.
    Echo(u16),
    /// A diagnostic counter.
    Counter(u16),
    /// Data of the server id, whose layout is up to the maker.
    ServerId(Vec<u8>),
    /// Device identification.
    DeviceId {
        /// Conformity level.
        conformity: u8,
        /// More objects follow.
        more: bool,
        /// Object to ask for next, where more follow.
        next: u8,
        /// Objects: id and content.
        objects: Vec<(u8, Vec<u8>)>,
    },
}

/// What a unit says to a question.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Reply {
    /// An answer.
    Answer(Answer),
    /// A refusal with its exception code.
    Exception(u8),
}

impl Ask {
    /// Decodes a PDU as the answer to this question.
    ///
    /// # Errors
    /// Where it cannot be one.
    pub fn decode(&self, pdu: &[u8]) -> Result<Reply, Misfit> {
        let mut cursor = Cursor::new(pdu);
        let (expected, found) = (self.function(), cursor.byte("function code")?);
        if found == expected | 0x80 {
            let code = cursor.byte("exception code")?;
            return cursor.end().map(|()| Reply::Exception(code));
        }
        if found != expected {
            return Err(Misfit::Function { expected, found });
        }
        let answer = match self.question {
            Question::Read { table, count, .. } => read(&mut cursor, table, count),
            Question::Echo(number) => echo(&mut cursor, number),
            Question::Counter(counter) => {
                sub_function(&mut cursor, counter.sub_function())?;
                cursor.word("counter").map(Answer::Counter)
            }
            Question::ServerId => {
                let count = cursor.byte("byte count")?;
                let data = cursor.take(count.into(), "server id")?;
                Ok(Answer::ServerId(data.to_vec()))
            }
            Question::DeviceId { code, .. } => device_id(&mut cursor, code),
        }?;
        cursor.end().map(|()| Reply::Answer(answer))
    }

    /// Data bytes that a read is answered with.
    pub(crate) fn read_bytes(&self) -> Option<usize> {
        let Question::Read { table, count, .. } = self.question else {
            return None;
        };
        Some(data_bytes(table, count))
    }

    /// Whether one answer could belong to either of the two.
    pub(crate) fn shares_answers_with(&self, other: &Self) -> bool {
        if self.unit != other.unit || self.function() != other.function() {
            return false;
        }
        match (self.question, other.question) {
            (Question::Read { .. }, Question::Read { .. }) => {
                self.read_bytes() == other.read_bytes()
            }
            (Question::Echo(one), Question::Echo(two)) => one == two,
            (Question::Counter(one), Question::Counter(two)) => one == two,
            (Question::DeviceId { code: one, .. }, Question::DeviceId { code: two, .. }) => {
                one == two
            }
            (Question::ServerId, Question::ServerId) => true,
            _ => false,
        }
    }
}

fn data_bytes(table: Table, count: u16) -> usize {
    match table {
        Table::Coil | Table::Discrete => usize::from(count).div_ceil(8),
        Table::Holding | Table::Input => usize::from(count) * 2,
    }
}

fn read(cursor: &mut Cursor, table: Table, count: u16) -> Result<Answer, Misfit> {
    let expected = data_bytes(table, count);
    let found = usize::from(cursor.byte("byte count")?);
    if found != expected {
        return Err(Misfit::ByteCount { expected, found });
    }
    let data = cursor.take(expected, "data")?;
    Ok(match table {
        Table::Coil | Table::Discrete => {
            let bits = data
                .iter()
                .flat_map(|byte| (0..8).map(move |bit| byte >> bit & 1 == 1));
            Answer::Bits(bits.take(count.into()).collect())
        }
        Table::Holding | Table::Input => {
            let (words, _) = data.as_chunks::<2>();
            Answer::Registers(words.iter().map(|w| u16::from_be_bytes(*w)).collect())
        }
    })
}

fn sub_function(cursor: &mut Cursor, expected: u16) -> Result<(), Misfit> {
    let found = cursor.word("sub-function")?;
    if found == expected {
        return Ok(());
    }
    Err(Misfit::SubFunction { expected, found })
}

fn echo(cursor: &mut Cursor, expected: u16) -> Result<Answer, Misfit> {
    sub_function(cursor, 0)?;
    let found = cursor.word("echoed number")?;
    if found == expected {
        return Ok(Answer::Echo(found));
    }
    Err(Misfit::EchoedNumber { expected, found })
}

fn device_id(cursor: &mut Cursor, code: u8) -> Result<Answer, Misfit> {
    sub_function(cursor, u16::from_be_bytes([0x0e, code]))?;
    let conformity = cursor.byte("conformity level")?;
    let more = cursor.byte("more follows")? != 0;
    let next = cursor.byte("next object")?;
    let mut objects = Vec::new();
    for _ in 0..cursor.byte("number of objects")? {
        let id = cursor.byte("object id")?;
        let length = cursor.byte("object length")?;
        objects.push((id, cursor.take(length.into(), "object")?.to_vec()));
    }
    Ok(Answer::DeviceId {
        conformity,
        more,
        next,
        objects,
    })
}

/// Name of an exception code, where the standard has one.
pub fn exception_name(code: u8) -> Option<&'static str> {
    Some(match code {
        0x01 => "illegal function",
        0x02 => "illegal data address",
        0x03 => "illegal data value",
        0x04 => "server device failure",
        0x05 => "acknowledge",
        0x06 => "server device busy",
        0x08 => "memory parity error",
        0x0a => "gateway path unavailable",
        0x0b => "gateway target device failed to respond",
        _ => return None,
    })
}
