//! Modbus frames: asks and answers as typed values, raw frames as bytes that judge nothing.
//!
//! # Sources
//! - Modbus Application Protocol V1.1b3; Modbus over Serial Line V1.02; Modbus Messaging on TCP/IP
//!   Implementation Guide V1.0b.

pub mod question;

pub use question::{Ask, Question};
