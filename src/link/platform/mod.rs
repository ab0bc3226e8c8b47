//! How a system keeps devices, terminals and signals: one file for each system, and nobody else asks which it is.
//!
//! All three have the same names. `posix` is what two of them share. What a system does not show is left out,
//! never a guess: where no group, holder or timer can be seen, none is named.
//!
//! # What was run
//! - Linux: everything.
//! - Windows: built, and run under an emulation layer (`tests/windows`). Never on Windows itself.
//! - macOS: never built, never run.

#[cfg(target_os = "linux")]
mod linux;
#[cfg(all(unix, not(target_os = "linux")))]
mod macos;
#[cfg(unix)]
mod posix;
mod said;
#[cfg(windows)]
mod windows;

#[cfg(target_os = "linux")]
use linux as system;
#[cfg(all(unix, not(target_os = "linux")))]
use macos as system;
#[cfg(windows)]
use windows as system;

pub(super) use said::WhyNot;
pub use said::{SystemFacts, Wanted};
pub use system::{
    CAN_PAUSE, HAS_OLD_CONSOLES, Modes, Signals, forget_typed, holders, is_device, set_terminal,
    since, stop_here, terminal_modes,
};
pub(super) use system::{
    READS_END_IN_TIME, can_mark, facts, has_ports, is_no_port, latency_timer, mark_bad_characters,
    modes, put_back, side_door, why_not,
};
