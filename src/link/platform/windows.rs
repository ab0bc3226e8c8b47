//! Windows. Built, and run under an emulation layer only (`tests/windows`).
//!
//! # What only a real Windows can show
//! - what its drivers say of a port, and the words of its errors
//! - an adapter that is pulled out while it is used
//! - closing the window, logging off, shutting down
//! - how long an adapter holds packets back: no number is read here, and none is set
//!
//! # Ports are not put back
//! Every program sets a port anew when it opens it, and nothing reads one that is held by another.

use std::fs::{File, Metadata};
use std::path::{Path, PathBuf};

use tokio::signal::windows::{
    CtrlBreak, CtrlC, CtrlClose, CtrlLogoff, CtrlShutdown, ctrl_break, ctrl_c, ctrl_close,
    ctrl_logoff, ctrl_shutdown,
};
use tokio_serial::ErrorKind;

use super::said::{SystemFacts, Wanted, WhyNot};

/// A console cannot stop a program to go on later.
pub const CAN_PAUSE: bool = false;
/// The console that older versions bring shows the letters of one country, and no bars.
pub const HAS_OLD_CONSOLES: bool = true;
/// A socket of which a read ended by its time limit is in no known state, as the system's manual says.
pub(in crate::link) const READS_END_IN_TIME: bool = false;

/// Nothing of a console has to be put back that its library does not put back.
pub type Modes = ();

/// The system can be asked for its ports.
pub(in crate::link) fn has_ports() -> bool {
    true
}

/// Whether something is there that can be no port. The name of a port is no path: to look at it as one would
/// open it, and opening may raise the control lines of its adapter.
pub(in crate::link) fn is_no_port(path: &Path) -> bool {
    !is_port_name(path) && path.exists()
}

/// `COM` and a number, in any letters, also as the system writes it in full.
fn is_port_name(path: &Path) -> bool {
    let Some(name) = path.to_str() else {
        return false;
    };
    let name = name.strip_prefix(r"\\.\").unwrap_or(name);
    let (Some(letters), Some(number)) = (name.get(..3), name.get(3..)) else {
        return false;
    };
    letters.eq_ignore_ascii_case("COM") && number.parse::<u32>().is_ok()
}

/// Why a port was not opened. Its library gives one word for three errors of the system; the system itself is asked
/// again. It refuses a port that is in use as it refuses one that is forbidden.
pub(in crate::link) fn why_not(port: &Path, kind: ErrorKind, _: &str) -> WhyNot {
    use std::io::ErrorKind::{NotFound, PermissionDenied};

    if kind != ErrorKind::NoDevice {
        return if is_port_name(port) {
            WhyNot::Other
        } else {
            WhyNot::NotSerial
        };
    }
    let name = port.to_str().unwrap_or_default().to_owned();
    let full = if name.starts_with('\\') {
        name
    } else {
        format!(r"\\.\{name}")
    };
    match File::options().read(true).write(true).open(full) {
        Err(error) if error.kind() == NotFound => WhyNot::Missing,
        Err(error) if error.kind() == PermissionDenied => WhyNot::Forbidden {
            group: None,
            or_busy: true,
        },
        _ => WhyNot::Busy,
    }
}

/// A port is opened once, and there is no way in beside it.
pub(in crate::link) fn side_door(_: &Path) -> Option<File> {
    None
}

/// See [`side_door`].
pub(in crate::link) fn modes(_: &File) -> Option<Modes> {
    None
}

/// See [`side_door`].
pub(in crate::link) fn put_back(_: &File, (): &Modes) {}

/// Bad characters are not marked among the bytes.
pub(in crate::link) fn can_mark(_: &Path) -> bool {
    false
}

/// See [`can_mark`].
pub(in crate::link) fn mark_bad_characters(_: &File) -> bool {
    false
}

/// What is known of a port comes with its name; nothing more is shown.
pub(in crate::link) fn facts(_: &Path, _: &str) -> SystemFacts {
    SystemFacts::default()
}

/// No timer is shown in one way for all drivers.
pub(in crate::link) fn latency_timer(_: &Path, _: &str) -> Option<PathBuf> {
    None
}

/// Since when a port is there is not shown.
pub fn since(_: &Path) -> String {
    String::new()
}

/// Who has a file open is not shown.
pub fn holders(_: &Path) -> Vec<(u32, String)> {
    Vec::new()
}

/// No file is a device here: `NUL` is not seen as one.
pub fn is_device(_: &Metadata) -> bool {
    false
}

/// See [`Modes`].
pub fn terminal_modes() -> Option<Modes> {
    None
}

/// See [`Modes`].
pub fn set_terminal((): &Modes) {}

/// What was typed before cannot be forgotten without reading it.
pub fn forget_typed() {}

/// See [`CAN_PAUSE`].
pub fn stop_here() {}

/// Events of a console. Closing the window, logging off and shutting down give five seconds.
#[derive(Debug)]
pub struct Signals {
    interrupt: CtrlC,
    stop: CtrlBreak,
    close: CtrlClose,
    log_off: CtrlLogoff,
    shut_down: CtrlShutdown,
}

impl Signals {
    /// Takes all. Inside a runtime only.
    ///
    /// # Errors
    /// Where the system gives none.
    pub fn take() -> std::io::Result<Self> {
        Ok(Self {
            interrupt: ctrl_c()?,
            stop: ctrl_break()?,
            close: ctrl_close()?,
            log_off: ctrl_logoff()?,
            shut_down: ctrl_shutdown()?,
        })
    }

    /// The next one.
    pub async fn next(&mut self) -> Wanted {
        tokio::select! {
            _ = self.interrupt.recv() => Wanted::Interrupt,
            _ = self.stop.recv() => Wanted::Interrupt,
            _ = self.close.recv() => Wanted::HangUp,
            _ = self.log_off.recv() => Wanted::HangUp,
            _ = self.shut_down.recv() => Wanted::Terminate,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // Kind: from memory (how Windows names ports)
    #[test]
    fn ports_are_known_by_their_names() {
        for name in ["COM1", "com5", "COM12", r"\\.\COM27"] {
            assert!(is_port_name(Path::new(name)), "{name}");
        }
        for name in ["COM", "COMX", "COM1.toml", "maps", r"C:\COM1\x"] {
            assert!(!is_port_name(Path::new(name)), "{name}");
        }
    }
}
