//! Listening: what is said on a line by others, without sending a byte.

pub mod settings;
pub mod waveform;
