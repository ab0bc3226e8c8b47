//! Linux: what it shows of ports and programs under `/dev/serial`, `/sys` and `/proc`.
//!
//! # Sources
//! - Documentation/ABI of Linux, `latency_timer` of serial adapters: whole milliseconds, 1 to 255
//! - proc(5): `/proc/PID/fd`, `Groups`, `SigIgn`

use std::path::{Path, PathBuf};
use std::time::Duration;

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

/// Whether the system can be asked for its ports: the library panics where this folder is missing
/// (some containers).
pub(in crate::link) fn has_ports() -> bool {
    Path::new("/sys/class/tty").is_dir()
}

/// Whether bad characters can be marked there: a pseudo-terminal has no parity, and its flag is all that
/// its other side can see of ours.
pub(in crate::link) fn can_mark(device: &Path) -> bool {
    let is_pseudo = |real: PathBuf| real.starts_with("/dev/pts");
    !device.canonicalize().is_ok_and(is_pseudo)
}

/// Why a port was not opened.
pub(in crate::link) fn why_not(port: &Path, kind: ErrorKind, message: &str) -> WhyNot {
    posix::why_not(port, kind, message, missing_group)
}

/// The group that may open the device and that this process is not in, if joining it would help.
fn missing_group(device: &Path) -> Option<String> {
    use std::os::unix::fs::MetadataExt as _;

    let metadata = device.metadata().ok()?;
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let groups = std::fs::read_to_string("/etc/group").ok()?;
    group_to_join(metadata.mode(), metadata.gid(), &status, &groups)
}

impl Signals {
    /// Takes all that are heeded. Inside a runtime only.
    ///
    /// # Errors
    /// Where the system gives none.
    pub fn take() -> std::io::Result<Self> {
        Self::all_but(is_ignored)
    }
}

/// Whether whoever started this process has it ignore a signal.
fn is_ignored(signal: i32) -> bool {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let mask = status
        .lines()
        .find_map(|line| line.strip_prefix("SigIgn:"))
        .and_then(|mask| u64::from_str_radix(mask.trim(), 16).ok());
    let bit = u32::try_from(signal - 1).ok();
    let bit = bit.and_then(|bit| 1_u64.checked_shl(bit)).unwrap_or(0);
    mask.unwrap_or(0) & bit != 0
}

/// The folder in which a port is described, and the port by its real name. `root` is `/` but in tests.
fn described(root: &Path, port: &str) -> Option<(PathBuf, PathBuf)> {
    let device = root.join(port.trim_start_matches('/'));
    let real = device.canonicalize().ok()?;
    let tty = root.join("sys/class/tty").join(real.file_name()?);
    Some((tty.join("device"), real))
}

/// Where the adapter of a port keeps how long it holds short packets back, in milliseconds; it may not have such
/// a timer. `root` is `/` but in tests.
pub(in crate::link) fn latency_timer(root: &Path, port: &str) -> Option<PathBuf> {
    let (folder, _) = described(root, port)?;
    Some(folder.join("latency_timer"))
}

/// What the system shows of a port. `root` is `/` but in tests.
pub(in crate::link) fn facts(root: &Path, port: &str) -> SystemFacts {
    let Some((shown, real)) = described(root, port) else {
        return SystemFacts::default();
    };
    let driver = std::fs::canonicalize(shown.join("driver")).ok();
    let latency = std::fs::read_to_string(shown.join("latency_timer")).ok();
    // Built-in ports hang on an inner bus of the system, whose name says nothing.
    let driver = driver.and_then(|path| Some(path.file_name()?.to_str()?.to_owned()));
    SystemFacts {
        driver: driver.filter(|name| name != "port"),
        by_id: by_id(root, &real),
        hold_back: latency
            .and_then(|text| text.trim().parse().ok())
            .map(Duration::from_millis),
        is_allowed: Some(access(&real, Access::READ_OK | Access::WRITE_OK).is_ok()),
        missing_group: missing_group(&real),
        held_by: held_by(root, &real),
    }
}

/// The name under which udev keeps a device, whatever socket it is plugged into.
fn by_id(root: &Path, real: &Path) -> Option<String> {
    let names = std::fs::read_dir(root.join("dev/serial/by-id")).ok()?;
    let mut paths = names.filter_map(|entry| Some(entry.ok()?.path()));
    let found = paths.find(|path| path.canonicalize().is_ok_and(|target| target == real))?;
    let below_root = found.strip_prefix(root).ok()?;
    Some(Path::new("/").join(below_root).to_str()?.to_owned())
}

/// The programs that have a device open, but this one; those of other users are not shown to us.
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
pub fn holders(file: &Path) -> Vec<(u32, String)> {
    let real = file.canonicalize();
    real.map_or_else(|_| Vec::new(), |real| held_by(Path::new("/"), &real))
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
