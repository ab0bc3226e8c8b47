//! What the events of a case come to, before anybody judges it.
//!
//! Input: events, a register map. Output: what the line did and what is known of each unit (`seen`), all of
//! it bounded and kept up to date event by event. `samples` holds whole courses of values, for pages and
//! load tests.
//!
//! Does not: find anything, or know a limit.
//!
//! # Where to look
//! `seen` takes the events; `line` and `health` count what the line does; `unit` decodes what a unit answers
//! and remembers what the rules need, `track` for each instance; `words`, `cells`, `current`, `heartbeat`, `inverter_age`, `flag_and_age`, `transitions` are its
//! memories; `map` is what follows from a register map alone.

pub(crate) mod cells;
pub(crate) mod charge;
pub(crate) mod current;
pub(crate) mod excursion;
pub(crate) mod flag_and_age;
mod followed;
pub(crate) mod health;
pub(crate) mod heartbeat;
pub(crate) mod heat;
pub(crate) mod inverter_age;
pub(crate) mod line;
pub(crate) mod map;
pub(crate) mod questions;
pub(crate) mod said;
pub(crate) mod samples;
pub(crate) mod seen;
pub(crate) mod share;
pub(crate) mod spell;
pub(crate) mod stamp;
pub(crate) mod track;
pub(crate) mod transitions;
pub(crate) mod unit;
pub(crate) mod warm;
pub(crate) mod words;

pub(crate) use seen::{Ended, Seen};
