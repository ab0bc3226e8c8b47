//! The two ways in which a frame is put into bytes.

/// How frames are put into bytes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Framing {
    /// Address, PDU, CRC.
    Rtu,
    /// Modbus TCP header, PDU.
    Tcp,
}
