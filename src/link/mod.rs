//! The way to the unit: opens it, listens first, and asks only where that is shown to be right.
//!
//! [`open()`] gives a [`Quiet`] link. [`Quiet::prove`] says by rule whether asking is right, and
//! [`Quiet::ask`] then makes it an [`Asking`] one. All bytes pass one tap and stand on the tape as
//! [`crate::event::Event`]s. A [`Port`] moves the bytes and tells the time; it is real (a worker
//! thread) or virtual (the simulator).
//!
//! Does not: interpret registers, or say which answer belongs to which question ([`crate::ask`]).
//!
//! # Invariants
//! - A [`Quiet`] link sends nothing.
//! - An [`Asking`] link sends nothing but an [`crate::wire::Ask`], and nothing after a valid
//!   foreign request was heard.
//! - Every wait is bounded, and ends within 100 ms when the user stops.

mod asking;
mod at_once;
mod awaited;
mod blocking;
mod clock;
mod interrupt;
mod latency;
mod local;
mod notice;
mod on_thread;
mod open;
mod opening;
mod pacing;
mod platform;
pub mod port;
mod port_name;
mod proof;
mod quiet;
mod serial;
mod tap;
mod tcp;
mod trouble;
mod worker;

pub use crate::session::{Blame, LinkTrouble, MayWake, NotShown, PortGone, Wake, quiet_window};
pub use asking::{Asking, VolleyCame};
pub use at_once::at_once;
pub use clock::Clock;
pub(crate) use clock::ClockWatch;
pub use clock::{since_1970, wall};
pub use interrupt::Interrupt;
pub use local::{AdapterFacts, LocalPort, ports, wait_for_new};
pub use notice::Notice;
pub use open::{MODBUS_TCP_PORT, OpenOptions, Target, open};
pub use opening::{Opening, SayShared, side_by_side};
pub use pacing::Pacing;
pub use platform::{
    CAN_PAUSE, HAS_OLD_CONSOLES, Modes, Signals, SystemFacts, Wanted, forget_typed, holders,
    is_device, set_terminal, since, stop_here, terminal_modes,
};
pub use port::{Arrived, Port};
pub use port_name::SerialPortName;
pub use proof::{Grounds, Proof};
pub use quiet::Quiet;
pub use serial::{list, put_back_all};
pub use tap::{EventSink, Say};
pub use tcp::CONNECT_TIME_OUT;
pub use trouble::OpenError;
