//! The simulator as a link: the same machines as on a real one, in virtual time.
//!
//! Does not: touch a socket or a terminal, or pass as a real unit: what came from here says so.

mod port;
pub mod rehearsal;

pub use port::{Simulated, open_simulated, open_simulated_as, open_simulated_now};
