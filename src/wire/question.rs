//! What may be asked. The type can express reads only.

use packside_profiles::model::Table;

use super::crc::sealed;

/// A question to one unit address.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Ask {
    /// Unit address: 1 to 247 on a serial line, 0 to 255 over TCP.
    pub unit: u8,
    /// The question.
    pub question: Question,
}

/// The only questions there are. None of them changes a unit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Question {
    /// Function codes 01 to 04: `count` coils, inputs or registers from `address`.
    Read {
        /// Address space, which is also the function code.
        table: Table,
        /// First item, 0-based.
        address: u16,
        /// Number of items: 1..=125 registers, 1..=2000 bits.
        count: u16,
    },
    /// Function code 08, sub-function 00: give these two bytes back.
    Echo(u16),
    /// Function code 08, sub-functions 02 and 0B to 12: a diagnostic register or counter.
    Counter(Counter),
    /// Function code 11 hex: report server id.
    ServerId,
    /// Function code 2B hex / 0E hex: device identification.
    DeviceId {
        /// Which set: 01 basic, 02 regular, 03 extended, 04 one object.
        code: u8,
        /// First object.
        object: u8,
    },
}

/// Diagnostic counters (function 08) that are safe to read: all but 00, and never one that clears.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Counter {
    /// 02, diagnostic register.
    DiagnosticRegister,
    /// 0B, good messages seen on the bus.
    BusMessages,
    /// 0C, communication errors seen on the bus.
    BusErrors,
    /// 0D, exceptions answered.
    Exceptions,
    /// 0E, messages addressed to this unit.
    ServerMessages,
    /// 0F, messages not answered.
    NoResponse,
    /// 10, negative acknowledges.
    Naks,
    /// 11, busy answers.
    Busy,
    /// 12, character overruns.
    Overruns,
}

/// All of them.
const COUNTERS: [Counter; 9] = [
    Counter::DiagnosticRegister,
    Counter::BusMessages,
    Counter::BusErrors,
    Counter::Exceptions,
    Counter::ServerMessages,
    Counter::NoResponse,
    Counter::Naks,
    Counter::Busy,
    Counter::Overruns,
];

impl Ask {
    /// Function code.
    pub fn function(&self) -> u8 {
        match self.question {
            Question::Read { table, .. } => match table {
                Table::Coil => 0x01,
                Table::Discrete => 0x02,
                Table::Holding => 0x03,
                Table::Input => 0x04,
            },
            Question::Echo(_) | Question::Counter(_) => 0x08,
            Question::ServerId => 0x11,
            Question::DeviceId { .. } => 0x2b,
        }
    }

    /// Function code and data.
    pub fn encode_pdu(&self) -> Vec<u8> {
        let mut pdu = Vec::with_capacity(5);
        pdu.push(self.function());
        match self.question {
            Question::Read { address, count, .. } => {
                pdu.extend(address.to_be_bytes());
                pdu.extend(count.to_be_bytes());
            }
            Question::Echo(number) => {
                pdu.extend([0, 0]);
                pdu.extend(number.to_be_bytes());
            }
            Question::Counter(counter) => {
                pdu.extend(counter.sub_function().to_be_bytes());
                pdu.extend([0, 0]);
            }
            Question::ServerId => {}
            Question::DeviceId { code, object } => pdu.extend([0x0e, code, object]),
        }
        pdu
    }

    /// The question in the PDU of a request, if it is one that this type can express.
    pub fn from_pdu(unit: u8, pdu: &[u8]) -> Option<Self> {
        let word = |high: u8, low: u8| u16::from_be_bytes([high, low]);
        let question = match *pdu {
            [function @ 0x01..=0x04, a, b, c, d] => {
                let (table, most) = match function {
                    0x01 => (Table::Coil, 2000),
                    0x02 => (Table::Discrete, 2000),
                    0x03 => (Table::Holding, 125),
                    _ => (Table::Input, 125),
                };
                let (address, count) = (word(a, b), word(c, d));
                if !(1..=most).contains(&count) {
                    return None;
                }
                Question::Read {
                    table,
                    address,
                    count,
                }
            }
            [0x08, 0, 0, c, d] => Question::Echo(word(c, d)),
            [0x08, a, b, 0, 0] => {
                let is_meant = |counter: &Counter| counter.sub_function() == word(a, b);
                Question::Counter(COUNTERS.into_iter().find(is_meant)?)
            }
            [0x11] => Question::ServerId,
            [0x2b, 0x0e, code, object] => Question::DeviceId { code, object },
            _ => return None,
        };
        Some(Self { unit, question })
    }

    /// The frame for a serial line: unit, PDU, CRC.
    pub fn encode_rtu(&self) -> Vec<u8> {
        let mut frame = vec![self.unit];
        frame.extend(self.encode_pdu());
        sealed(frame)
    }

    /// The frame for Modbus TCP: header with this transaction id, PDU.
    pub fn encode_tcp(&self, transaction: u16) -> Vec<u8> {
        let pdu = self.encode_pdu();
        // The longest question has 5 bytes.
        let length = u16::try_from(pdu.len() + 1).unwrap_or(u16::MAX);
        let mut frame = Vec::with_capacity(7 + pdu.len());
        frame.extend(transaction.to_be_bytes());
        frame.extend([0, 0]);
        frame.extend(length.to_be_bytes());
        frame.push(self.unit);
        frame.extend(pdu);
        frame
    }
}

impl Counter {
    /// Sub-function of function code 08.
    pub fn sub_function(self) -> u16 {
        match self {
            Self::DiagnosticRegister => 0x02,
            Self::BusMessages => 0x0b,
            Self::BusErrors => 0x0c,
            Self::Exceptions => 0x0d,
            Self::ServerMessages => 0x0e,
            Self::NoResponse => 0x0f,
            Self::Naks => 0x10,
            Self::Busy => 0x11,
            Self::Overruns => 0x12,
        }
    }
}
