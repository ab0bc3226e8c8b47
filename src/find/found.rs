//! A unit that answers, and the settings at which units are asked.

use std::time::Duration;

use packside_profiles::LineSettings;

use crate::wire::Ask;

/// A unit that answers. One that answers at several settings is one.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Found {
    /// Settings at which it answers.
    pub line: LineSettings,
    /// Its address.
    pub unit: u8,
    /// Its exception code where it refused.
    pub refused: Option<u8>,
    /// From the end of the question to the first byte of the answer, where measured.
    pub answer_time: Option<Duration>,
    /// What was asked of it.
    pub ask: Ask,
    /// Further settings at which it answers.
    pub also_lines: Vec<LineSettings>,
    /// Further addresses at which it answers.
    pub also_at: Vec<u8>,
}

/// The settings at which units with these are asked: of two stop bits only the first is checked.
pub fn asked_at(line: LineSettings) -> LineSettings {
    LineSettings {
        stop_bits: 1,
        ..line
    }
}
