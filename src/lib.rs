//! Reads a battery storage unit and says whether it has a real fault or only waits for its inverter.
//!
//! Bytes with timestamps are the only truth; everything else is derived from them by pure
//! functions. See `DEVELOPERS.md` for the map of the rooms.

pub mod ask;
#[cfg(feature = "cli")]
pub mod cli;
pub mod draft;
pub mod drive;
pub mod event;
pub mod evidence;
pub mod facts;
pub mod find;
pub mod judge;
pub mod lamp;
pub mod link;
pub mod listen;
pub mod physics;
pub mod poll;
pub mod recording;
pub mod session;
pub mod show;
#[cfg(feature = "simulated")]
pub mod simulated;
pub mod statistics;
#[cfg(feature = "cli")]
pub mod table;
pub mod visit;
pub mod wire;
pub mod words;
