//! What every Unix has: terminals and their flags, signals.
//!
//! # Sources
//! - POSIX.1-2017, chapter 11 (terminals), `<signal.h>`

use std::fs::{File, Metadata};
use std::path::Path;

use rustix::termios::{InputModes, OptionalActions, QueueSelector};
use rustix::termios::{isatty, tcflush, tcgetattr, tcgetpgrp, tcsetattr, ttyname};
use tokio::signal::unix::{Signal, SignalKind, signal};
use tokio_serial::ErrorKind;

use super::said::{Wanted, WhyNot};

/// A terminal can stop a program, which goes on later.
pub const CAN_PAUSE: bool = true;
/// Every terminal of today shows all letters, whatever it runs on.
pub const HAS_OLD_CONSOLES: bool = false;
/// A read of a socket that ends by its time limit harms nothing.
pub(in crate::link) const READS_END_IN_TIME: bool = true;

/// Settings of a terminal, to be put back.
pub type Modes = rustix::termios::Termios;

/// Whether something is there that can be no port: a file, a folder, a pipe, a device that is no terminal,
/// what makes pseudo-terminals, or the terminal that this program runs on.
pub(in crate::link) fn is_no_port(path: &Path) -> bool {
    let Ok(found) = path.metadata() else {
        return false;
    };
    let is_own = |real: std::path::PathBuf| {
        let own = ttyname(std::io::stdin(), Vec::new());
        let own = own.is_ok_and(|own| own.to_str().is_ok_and(|own| real == Path::new(own)));
        own || ["/dev/tty", "/dev/ptmx", "/dev/pts/ptmx"]
            .iter()
            .any(|name| real == Path::new(name))
    };
    !is_device(&found)
        || path.canonicalize().is_ok_and(is_own)
        || side_door(path).is_some_and(|door| !isatty(door))
}

/// Whether it takes bytes as they come, as `/dev/null` does. A pipe would wait for a reader.
pub fn is_device(found: &Metadata) -> bool {
    use std::os::unix::fs::FileTypeExt as _;

    found.file_type().is_char_device()
}

/// Since when the system has this port.
pub fn since(port: &Path) -> String {
    use std::os::unix::fs::MetadataExt as _;

    let node = std::fs::metadata(port);
    node.map_or_else(
        |_| String::new(),
        |node| format!(" since {}.{:09}", node.ctime(), node.ctime_nsec()),
    )
}

/// A second way into a terminal, for its flags only. To be opened before the port is held alone.
pub(in crate::link) fn side_door(device: &Path) -> Option<File> {
    use rustix::fs::{Mode, OFlags, open};

    let flags = OFlags::RDWR | OFlags::NOCTTY | OFlags::NONBLOCK | OFlags::CLOEXEC;
    open(device, flags, Mode::empty()).ok().map(Into::into)
}

/// Why a port was not opened, from what its library says of the system's error. `missing_group` is asked
/// where the user may not.
pub(super) fn why_not(
    port: &Path,
    kind: ErrorKind,
    message: &str,
    missing_group: fn(&Path) -> Option<String>,
) -> WhyNot {
    match kind {
        ErrorKind::Io(std::io::ErrorKind::PermissionDenied) => {
            let group = missing_group(port);
            WhyNot::Forbidden {
                group,
                or_busy: false,
            }
        }
        ErrorKind::NoDevice | ErrorKind::Io(std::io::ErrorKind::NotFound) if !port.exists() => {
            WhyNot::Missing
        }
        ErrorKind::NoDevice => WhyNot::Busy,
        // ENOTTY, in the words of several systems.
        _ if message.contains("typewriter") || message.contains("nappropriate ioctl") => {
            WhyNot::NotSerial
        }
        _ => WhyNot::Other,
    }
}

/// The settings of a port as they are.
pub(in crate::link) fn modes(door: &File) -> Option<Modes> {
    tcgetattr(door).ok()
}

/// Puts the settings of a port back, once what was sent has left: closing waits for that as well.
pub(in crate::link) fn put_back(door: &File, modes: &Modes) {
    // A port that is gone has no settings.
    let _ = tcsetattr(door, OptionalActions::Drain, modes);
}

/// Has the terminal mark characters that fail their parity or stop bit, and keep their values;
/// otherwise they read as 00, and what a line with other settings says is lost. Only what is read
/// changes. Whether it does: then every FF comes doubled, see [`TtyMarks`].
///
/// # Sources
/// - termios(3), `INPCK`, `PARMRK`
///
/// [`TtyMarks`]: crate::listen::waveform::TtyMarks
pub(in crate::link) fn mark_bad_characters(door: &File) -> bool {
    let Ok(mut set) = tcgetattr(door) else {
        return false;
    };
    let marks = InputModes::INPCK | InputModes::PARMRK;
    set.input_modes.insert(marks);
    let hides = InputModes::IGNPAR | InputModes::IGNBRK | InputModes::BRKINT | InputModes::ISTRIP;
    set.input_modes.remove(hides);
    // Setting succeeds where only a part of it was: what counts is what stands there then.
    tcsetattr(door, OptionalActions::Now, &set).is_ok()
        && tcgetattr(door).is_ok_and(|set| set.input_modes.contains(marks))
}

/// The settings of the terminal at standard input, where one is there.
pub fn terminal_modes() -> Option<Modes> {
    tcgetattr(std::io::stdin()).ok()
}

/// Gives the terminal at standard input these settings, unless another program has it now.
pub fn set_terminal(modes: &Modes) {
    let stdin = std::io::stdin();
    // Whoever sets a terminal from the background is stopped for it.
    if tcgetpgrp(&stdin).is_ok_and(|group| group == rustix::process::getpgrp()) {
        let _ = tcsetattr(&stdin, OptionalActions::Now, modes);
    }
}

/// Forgets what was typed before: no answer to a question that comes only now.
pub fn forget_typed() {
    // Where nobody can type there is nothing to forget.
    let _ = tcflush(std::io::stdin(), QueueSelector::IFlush);
}

/// Stops this process until it is continued.
pub fn stop_here() {
    use rustix::process::{Signal, getpid, kill_process};

    let _ = kill_process(getpid(), Signal::STOP);
}

/// All signals that are heeded; those that whoever started this process has it ignore stay ignored, as `nohup`
/// wants it.
#[derive(Debug)]
pub struct Signals {
    heeded: [(Option<Signal>, Wanted); 4],
}

impl Signals {
    /// Takes all but those for which `is_ignored` holds. Inside a runtime only.
    ///
    /// # Errors
    /// Where the system gives none.
    pub(super) fn all_but(is_ignored: fn(i32) -> bool) -> std::io::Result<Self> {
        let one = |kind: SignalKind, wanted| {
            let is_heeded = !is_ignored(kind.as_raw_value());
            Ok::<_, std::io::Error>((is_heeded.then(|| signal(kind)).transpose()?, wanted))
        };
        let stop = SignalKind::from_raw(rustix::process::Signal::TSTP.as_raw());
        Ok(Self {
            heeded: [
                one(SignalKind::interrupt(), Wanted::Interrupt)?,
                one(SignalKind::terminate(), Wanted::Terminate)?,
                one(SignalKind::hangup(), Wanted::HangUp)?,
                one(stop, Wanted::Pause)?,
            ],
        })
    }

    /// The next one.
    pub async fn next(&mut self) -> Wanted {
        let [a, b, c, d] = &mut self.heeded;
        tokio::select! {
            () = came(&mut a.0) => a.1,
            () = came(&mut b.0) => b.1,
            () = came(&mut c.0) => c.1,
            () = came(&mut d.0) => d.1,
        }
    }
}

async fn came(stream: &mut Option<Signal>) {
    let came = match stream {
        Some(stream) => stream.recv().await,
        None => None,
    };
    if came.is_none() {
        std::future::pending().await
    }
}
