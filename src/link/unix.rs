//! The only file of this package that knows how Unix keeps devices: groups, words for "no tty", what
//! a terminal does with characters that fail their check, its settings, signals, and what Linux shows of a
//! port.
//!
//! On other systems it knows nothing and says so.

use std::path::Path;

use super::SystemFacts;

/// Whether a message of the system says that a device is no terminal (ENOTTY).
pub(crate) fn says_no_tty(message: &str) -> bool {
    message.contains("typewriter") || message.contains("nappropriate ioctl")
}

/// The group that may open the device and that this process is not in, if joining it would help.
#[cfg(unix)]
pub(crate) fn missing_group(device: &Path) -> Option<String> {
    use std::os::unix::fs::MetadataExt;

    let metadata = device.metadata().ok()?;
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let groups = std::fs::read_to_string("/etc/group").ok()?;
    group_to_join(metadata.mode(), metadata.gid(), &status, &groups)
}

/// See the one for Unix.
#[cfg(not(unix))]
pub(crate) fn missing_group(_: &Path) -> Option<String> {
    None
}

/// Whether something is there that can be no port: a file, a folder, a pipe, a device that is no terminal,
/// what makes pseudo-terminals, or the terminal that this program runs on.
#[cfg(unix)]
pub(crate) fn is_no_port(path: &Path) -> bool {
    use std::os::unix::fs::FileTypeExt;

    use rustix::termios::{isatty, ttyname};

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
    !found.file_type().is_char_device()
        || path.canonicalize().is_ok_and(is_own)
        || side_door(path).is_some_and(|door| !isatty(door))
}

/// See the one for Unix.
#[cfg(not(unix))]
pub(crate) fn is_no_port(path: &Path) -> bool {
    path.is_file() || path.is_dir()
}

/// A second way into a terminal, for its flags only. To be opened before the port is held alone.
#[cfg(unix)]
pub(crate) fn side_door(device: &Path) -> Option<std::fs::File> {
    use rustix::fs::{Mode, OFlags, open};

    let flags = OFlags::RDWR | OFlags::NOCTTY | OFlags::NONBLOCK | OFlags::CLOEXEC;
    open(device, flags, Mode::empty()).ok().map(Into::into)
}

/// Whether bad characters can be marked there: a pseudo-terminal has no parity, and its flag is all that
/// its other side can see of ours.
pub(crate) fn can_mark(device: &Path) -> bool {
    let is_pseudo = |real: std::path::PathBuf| real.starts_with("/dev/pts");
    cfg!(target_os = "linux") && !device.canonicalize().is_ok_and(is_pseudo)
}

/// Settings of a terminal, to be put back.
#[cfg(unix)]
pub type Modes = rustix::termios::Termios;
/// See the one for Unix.
#[cfg(not(unix))]
pub type Modes = ();

/// The settings of a port as they are.
#[cfg(unix)]
pub(crate) fn modes(door: &std::fs::File) -> Option<Modes> {
    rustix::termios::tcgetattr(door).ok()
}

/// Puts the settings of a port back, once what was sent has left: closing waits for that as well.
#[cfg(unix)]
pub(crate) fn put_back(door: &std::fs::File, modes: &Modes) {
    use rustix::termios::{OptionalActions, tcsetattr};

    // A port that is gone has no settings.
    let _ = tcsetattr(door, OptionalActions::Drain, modes);
}

/// The settings of the terminal at standard input, where one is there.
#[cfg(unix)]
pub fn terminal_modes() -> Option<Modes> {
    rustix::termios::tcgetattr(std::io::stdin()).ok()
}

/// Gives the terminal at standard input these settings, unless another program has it now.
#[cfg(unix)]
pub fn set_terminal(modes: &Modes) {
    use rustix::termios::{OptionalActions, tcgetpgrp, tcsetattr};

    let stdin = std::io::stdin();
    // Whoever sets a terminal from the background is stopped for it.
    if tcgetpgrp(&stdin).is_ok_and(|group| group == rustix::process::getpgrp()) {
        let _ = tcsetattr(&stdin, OptionalActions::Now, modes);
    }
}

/// Number of the signal by which a terminal stops a program.
#[cfg(unix)]
pub fn stop_signal() -> i32 {
    rustix::process::Signal::TSTP.as_raw()
}

/// Stops this process until it is continued.
#[cfg(unix)]
pub fn stop_here() {
    use rustix::process::{Signal, getpid, kill_process};

    let _ = kill_process(getpid(), Signal::STOP);
}

/// Whether whoever started this process has it ignore a signal, as `nohup` does: it goes on ignoring it.
/// Only Linux shows that.
#[cfg(unix)]
pub fn is_ignored(signal: i32) -> bool {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let mask = status
        .lines()
        .find_map(|line| line.strip_prefix("SigIgn:"))
        .and_then(|mask| u64::from_str_radix(mask.trim(), 16).ok());
    let bit = u32::try_from(signal - 1).ok();
    let bit = bit.and_then(|bit| 1_u64.checked_shl(bit)).unwrap_or(0);
    mask.unwrap_or(0) & bit != 0
}

/// Has the terminal mark characters that fail their parity or stop bit, and keep their values;
/// otherwise they read as 00, and what a line with other settings says is lost. Only what is read
/// changes. Whether it does: then every FF comes doubled, see [`TtyMarks`].
///
/// # Sources
/// - termios(3), `INPCK`, `PARMRK`
///
/// [`TtyMarks`]: crate::listen::waveform::TtyMarks
#[cfg(unix)]
pub(crate) fn mark_bad_characters(door: &std::fs::File) -> bool {
    use rustix::termios::{InputModes, OptionalActions, tcgetattr, tcsetattr};

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

/// See the one for Unix.
#[cfg(not(unix))]
pub(crate) fn modes(_: &std::fs::File) -> Option<Modes> {
    None
}

/// See the one for Unix.
#[cfg(not(unix))]
pub(crate) fn put_back(_: &std::fs::File, (): &Modes) {}

/// See the one for Unix.
#[cfg(not(unix))]
pub fn terminal_modes() -> Option<Modes> {
    None
}

/// See the one for Unix.
#[cfg(not(unix))]
pub fn set_terminal((): &Modes) {}

/// See the one for Unix.
#[cfg(not(unix))]
pub(crate) fn side_door(_: &Path) -> Option<std::fs::File> {
    None
}

/// Forgets what was typed before: no answer to a question that comes only now.
#[cfg(unix)]
pub fn forget_typed() {
    use rustix::termios::{QueueSelector, tcflush};

    // Where nobody can type there is nothing to forget.
    let _ = tcflush(std::io::stdin(), QueueSelector::IFlush);
}

/// See the one for Unix.
#[cfg(not(unix))]
pub fn forget_typed() {}

/// See the one for Unix.
#[cfg(not(unix))]
pub(crate) fn mark_bad_characters(_: &std::fs::File) -> bool {
    false
}

/// What the system shows of a port. `root` is `/` but in tests.
#[cfg(unix)]
pub(crate) fn facts(root: &Path, port: &str) -> SystemFacts {
    use rustix::fs::{Access, access};

    let device = root.join(port.trim_start_matches('/'));
    if !device.exists() {
        return SystemFacts::default();
    }
    let real = device.canonicalize().unwrap_or_else(|_| device.clone());
    let shown = root
        .join("sys/class/tty")
        .join(real.file_name().unwrap_or_default())
        .join("device");
    let driver = std::fs::canonicalize(shown.join("driver")).ok();
    let latency = std::fs::read_to_string(shown.join("latency_timer")).ok();
    // Built-in ports hang on an inner bus of the system, whose name says nothing.
    let driver = driver.and_then(|path| Some(path.file_name()?.to_string_lossy().into_owned()));
    SystemFacts {
        driver: driver.filter(|name| name != "port"),
        by_id: by_id(root, &real),
        hold_back: latency
            .and_then(|text| text.trim().parse().ok())
            .map(std::time::Duration::from_millis),
        is_allowed: Some(access(&device, Access::READ_OK | Access::WRITE_OK).is_ok()),
        missing_group: missing_group(&device),
        held_by: held_by(root, &real),
    }
}

/// See the one for Unix.
#[cfg(not(unix))]
pub(crate) fn facts(_: &Path, _: &str) -> SystemFacts {
    SystemFacts::default()
}

/// The name under which udev keeps a device, whatever socket it is plugged into.
#[cfg(unix)]
fn by_id(root: &Path, real: &Path) -> Option<String> {
    let names = std::fs::read_dir(root.join("dev/serial/by-id")).ok()?;
    let mut paths = names.filter_map(|entry| Some(entry.ok()?.path()));
    let found = paths.find(|path| path.canonicalize().is_ok_and(|target| target == real))?;
    let below_root = found.strip_prefix(root).ok()?;
    Some(
        Path::new("/")
            .join(below_root)
            .to_string_lossy()
            .into_owned(),
    )
}

/// The programs that have a device open, but this one; those of other users are not shown to us.
#[cfg(unix)]
fn held_by(root: &Path, real: &Path) -> Vec<(u32, String)> {
    let Ok(entries) = std::fs::read_dir(root.join("proc")) else {
        return Vec::new();
    };
    let numbers = entries.filter_map(|entry| entry.ok()?.file_name().to_str()?.parse::<u32>().ok());
    let has_open = |number: &u32| {
        let open = std::fs::read_dir(root.join(format!("proc/{number}/fd")));
        let mut links = open
            .into_iter()
            .flatten()
            .filter_map(|link| std::fs::read_link(link.ok()?.path()).ok());
        *number != std::process::id() && links.any(|link| link == real)
    };
    let mut holders: Vec<(u32, String)> = numbers
        .filter(has_open)
        .map(|number| {
            let name = std::fs::read_to_string(root.join(format!("proc/{number}/comm")));
            (
                number,
                name.map_or_else(|_| "a program".to_owned(), |name| name.trim().to_owned()),
            )
        })
        .collect();
    holders.sort();
    holders
}

/// The programs, by number and name, that have a file open besides this one.
#[cfg(unix)]
pub fn holders(file: &Path) -> Vec<(u32, String)> {
    let real = file.canonicalize();
    real.map_or_else(|_| Vec::new(), |real| held_by(Path::new("/"), &real))
}

/// See the one for Unix.
#[cfg(not(unix))]
pub fn holders(_: &Path) -> Vec<(u32, String)> {
    Vec::new()
}

/// From mode and group of a device, `/proc/self/status` and `/etc/group`.
fn group_to_join(mode: u32, gid: u32, status: &str, groups: &str) -> Option<String> {
    const GROUP_READ_WRITE: u32 = 0o060;
    let ours = status
        .lines()
        .find_map(|line| line.strip_prefix("Groups:"))?;
    let is_member = ours
        .split_whitespace()
        .any(|group| group.parse() == Ok(gid));
    if mode & GROUP_READ_WRITE != GROUP_READ_WRITE || gid == 0 || is_member {
        return None;
    }
    groups.lines().find_map(|line| {
        let mut fields = line.split(':');
        let name = fields.next()?;
        let id = fields.nth(1)?;
        (id.parse() == Ok(gid)).then(|| name.to_owned())
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    // Kind: invented (a folder laid out as Linux lays out devices; kernel documentation of sysfs, procfs)
    #[cfg(unix)]
    #[test]
    fn port_is_described_by_what_the_system_shows() {
        use std::os::unix::fs::symlink;

        let root = tempfile::tempdir().unwrap();
        let path = |name: &str| root.path().join(name);
        for folder in [
            "dev/serial/by-id",
            "sys/class/tty/ttyUSB7/device",
            "sys/bus/drivers/some_sio",
            "proc/4711/fd",
        ] {
            std::fs::create_dir_all(path(folder)).unwrap();
        }
        std::fs::write(path("dev/ttyUSB7"), "").unwrap();
        std::fs::write(path("sys/class/tty/ttyUSB7/device/latency_timer"), "16\n").unwrap();
        std::fs::write(path("proc/4711/comm"), "logger\n").unwrap();
        let real = path("dev/ttyUSB7").canonicalize().unwrap();
        symlink(&real, path("dev/serial/by-id/usb-Some_Adapter_A1")).unwrap();
        symlink(&real, path("proc/4711/fd/5")).unwrap();
        symlink(
            path("sys/bus/drivers/some_sio"),
            path("sys/class/tty/ttyUSB7/device/driver"),
        )
        .unwrap();

        let shown = facts(root.path(), "/dev/ttyUSB7");
        assert_eq!(shown.driver.as_deref(), Some("some_sio"));
        assert_eq!(
            shown.by_id.as_deref(),
            Some("/dev/serial/by-id/usb-Some_Adapter_A1")
        );
        assert_eq!(shown.hold_back, Some(std::time::Duration::from_millis(16)));
        assert_eq!(shown.held_by, [(4711, "logger".to_owned())]);
        assert_eq!(shown.is_allowed, Some(true));
        assert_eq!(facts(root.path(), "/dev/ttyUSB8"), SystemFacts::default());
    }

    // Kind: invented
    #[test]
    fn group_is_named_only_where_joining_it_would_help() {
        let groups = "root:x:0:\ndialout:x:20:someone\n";
        let joined = |mode, gid, ours: &str| {
            group_to_join(mode, gid, &format!("Name:\tx\nGroups:\t{ours}\n"), groups)
        };
        assert_eq!(joined(0o20660, 20, "4 27"), Some("dialout".to_owned()));
        assert_eq!(joined(0o20660, 20, "4 20"), None, "already a member");
        assert_eq!(
            joined(0o20600, 20, "4 27"),
            None,
            "the group may not either"
        );
        assert_eq!(joined(0o20660, 0, "4 27"), None, "root's own group");
        assert_eq!(joined(0o20660, 99, "4 27"), None, "no such group");
    }
}
