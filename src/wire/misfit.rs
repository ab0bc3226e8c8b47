//! Why an answer does not fit its question.

/// Why a PDU cannot answer a question.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum Misfit {
    /// Another function code.
    #[error("function code: expected {expected:02X} hex, found {found:02X} hex")]
    Function {
        /// As asked.
        expected: u8,
        /// As found.
        found: u8,
    },
    /// Another number of data bytes.
    #[error("byte count: expected {expected}, found {found}")]
    ByteCount {
        /// As asked.
        expected: usize,
        /// As found.
        found: usize,
    },
    /// Another sub-function, or another kind of identification.
    #[error("sub-function: expected {expected:04X} hex, found {found:04X} hex")]
    SubFunction {
        /// As asked.
        expected: u16,
        /// As found.
        found: u16,
    },
    /// Another number given back.
    #[error("echoed number: expected {expected:04X} hex, found {found:04X} hex")]
    EchoedNumber {
        /// As asked.
        expected: u16,
        /// As found.
        found: u16,
    },
    /// It ends too early.
    #[error("{0}: missing, the frame ends before it")]
    Missing(&'static str),
    /// It goes on too long.
    #[error("end of frame: expected here, found {bytes} more bytes")]
    LeftOver {
        /// Bytes too many.
        bytes: usize,
    },
}
