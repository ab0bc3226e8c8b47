//! What may be asked. The type can express reads only.

use packside_profiles::model::Table;

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
