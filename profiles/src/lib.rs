//! Register maps of battery storage units: load, check, decode, encode.
//!
//! A *profile* is one TOML file that says where a unit keeps what: points, flags, lamps, limits and
//! how the unit supervises its inverter. This package reads such a file into a [`Profile`], finds
//! every mistake in it at once, and turns registers into values and back. It also holds the two
//! facts about a serial line that everybody needs: its settings and how long a character takes.
//!
//! Does not: talk to a unit, judge one, or know any device. Meaning comes only through the closed
//! sets [`Role`], [`Class`] and [`StateKind`].
//!
//! # Invariants
//! - No I/O beyond reading a profile file by path; no clock; no panic from any file or register.
//! - Register addresses are 0-based, as on the wire, everywhere.

mod begun;
mod blank;
pub mod codec;
pub mod coverage;
pub mod explain;
mod folder;
pub mod foreign;
mod item;
pub mod layout;
pub mod line;
pub mod load;
pub mod lookup;
pub mod meaning;
pub mod model;
mod numbering;
mod problem;
mod required;
mod rules;
pub mod sunspec;
pub mod text;
mod words;
pub mod write;

pub use begun::begun;
pub use blank::{BLANK, Blank};
pub use codec::{Decoded, Quality, Value, decode, encode, encode_raw};
pub use folder::{config_folder, state_folder};
pub use foreign::{Foreign, clean, shown};
pub use item::whole as whole_file;
pub use layout::{Instance, Known, Layout, Place, models_in_chain};
pub use line::{LineSettings, Parity};
pub use load::{
    Checked, FindError, Grade, Lines, Loaded, Problem, Problems, as_written, check, excerpt, find,
    load, shipped,
};
pub use lookup::{near_matches, words_of};
pub use meaning::{Class, Role, StateKind};
pub use model::Clears;
pub use model::Profile;
pub use rules::{STANDARD_PATTERNS, limits_needed};
pub use text::{open_file, read_text, text_of};
pub use write::draft_text;
