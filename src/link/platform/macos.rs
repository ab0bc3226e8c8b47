//! macOS, and every other Unix but Linux. **Never built and never run.**
//!
//! What these systems would show of a port, its group, its holders and its timer, is known to nobody here:
//! nothing of it is read, and nothing is named. What they share with Linux stands in `posix`.

use std::path::{Path, PathBuf};

use rustix::fs::{Access, access};
use tokio_serial::ErrorKind;

use super::posix;
use super::said::{SystemFacts, WhyNot};

pub use super::posix::{
    CAN_PAUSE, HAS_OLD_CONSOLES, Modes, Signals, forget_typed, is_device, set_terminal, since,
    stop_here, terminal_modes,
};
pub(in crate::link) use super::posix::{
    READS_END_IN_TIME, is_no_port, mark_bad_characters, modes, put_back, side_door,
};

/// The system can be asked for its ports.
pub(in crate::link) fn has_ports() -> bool {
    true
}

/// Whether bad characters can be marked: how they would look here was never seen.
pub(in crate::link) fn can_mark(_: &Path) -> bool {
    false
}

/// Why a port was not opened.
pub(in crate::link) fn why_not(port: &Path, kind: ErrorKind, message: &str) -> WhyNot {
    posix::why_not(port, kind, message, |_| None)
}

/// What the system shows of a port: whether this user may open it.
pub(in crate::link) fn facts(_: &Path, port: &str) -> SystemFacts {
    SystemFacts {
        is_allowed: Path::new(port)
            .exists()
            .then(|| access(port, Access::READ_OK | Access::WRITE_OK).is_ok()),
        ..SystemFacts::default()
    }
}

/// No timer is shown.
pub(in crate::link) fn latency_timer(_: &Path, _: &str) -> Option<PathBuf> {
    None
}

/// Who has a file open is not shown.
pub fn holders(_: &Path) -> Vec<(u32, String)> {
    Vec::new()
}

impl Signals {
    /// Takes all. Which ones whoever started this process has it ignore is not shown. Inside a runtime only.
    ///
    /// # Errors
    /// Where the system gives none.
    pub fn take() -> std::io::Result<Self> {
        Self::all_but(|_| false)
    }
}
