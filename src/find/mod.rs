//! From an unknown cable to a talking unit: line settings, address, and who it is.
//!
//! Every part is a machine that takes what happened and says what to do next; none sends, waits or
//! reads a clock by itself. [`prior`] is what is likely before anything was asked, [`order`] the order that
//! follows from it and why it is best, [`search`] asks in that order and follows hints, [`gateway`] asks behind a
//! gateway and [`behind`] says what that means, [`overhear`] only listens, [`who`] asks a unit that answers who it is;
//! [`crate::drive::find`] moves them over a link, each by itself or all of them as one search for what is [`Wanted`].
//!
//! Does not: decide whether asking is right ([`crate::link::Quiet`] does), or judge a battery.

pub mod behind;
mod found;
pub mod gateway;
pub mod order;
pub mod overhear;
pub mod prior;
pub mod search;
mod wanted;
pub mod who;

pub use behind::Behind;
pub use found::{Found, asked_at};
pub use gateway::{Alike, Volley, VolleyReply};
pub use overhear::{Listening, Overhear};
pub use search::{Garbled, Plan, Search, SearchProgress, SearchWant};
pub use wanted::{FindEnd, Findings, Wanted};
pub use who::{Candidate, FoundIdentity, Oddity, SelfMap, Who};
