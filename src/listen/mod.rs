//! The conversation on a line that we only listen to: who asks whom, how often, answered how.
//!
//! Input: received bytes with their times. Output: exchanges as they end, and a [`Summary`]; what
//! that amounts to in words is [`picture()`].
//!
//! Does not: own anything it could transmit with, judge the battery ([`crate::judge`] does, on
//! the same bytes), read a clock.

pub mod clients;
pub mod conversation;
mod fuzz;
mod noise;
mod ours;
mod overheard;
pub mod picture;
pub mod settings;
mod speaks;
pub mod tally;
pub mod waveform;

pub use clients::Clients;
pub use conversation::{Conversation, Utterance};
pub use fuzz::{any_conversation, any_stream};
pub use ours::Numbered;
pub use overheard::{Fate, Mismatch, Overheard};
pub use picture::{Explained, Id, Picture, Scene, Strength, picture};
pub use speaks::{Speaks, speaks};
pub use tally::{Asked, Interval, Poll, Summary, UnitTally};
