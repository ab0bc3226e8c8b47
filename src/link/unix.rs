//! The only file of this package that knows how Unix keeps devices: groups, words for "no tty", and
//! what a terminal does with characters that fail their check.
//!
//! On other systems it knows nothing and says so.

use std::path::Path;

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

/// A second way into a terminal, for its flags only. To be opened before the port is held alone.
#[cfg(unix)]
pub(crate) fn side_door(device: &Path) -> Option<std::fs::File> {
    use std::os::unix::fs::OpenOptionsExt;

    // Kind: published (fcntl.h of Linux: O_NOCTTY 0o400, O_NONBLOCK 0o4000; left out elsewhere)
    let flags = if cfg!(target_os = "linux") { 0o4400 } else { 0 };
    // A pseudo-terminal has no parity; its flag is all that its other side can see of ours.
    let is_pseudo = device.canonicalize().ok()?.starts_with("/dev/pts");
    let mut options = std::fs::OpenOptions::new();
    options.read(true).write(true).custom_flags(flags);
    options
        .open(device)
        .ok()
        .filter(|_| !is_pseudo && cfg!(target_os = "linux"))
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
pub(crate) fn side_door(_: &Path) -> Option<std::fs::File> {
    None
}

/// See the one for Unix.
#[cfg(not(unix))]
pub(crate) fn mark_bad_characters(_: &std::fs::File) -> bool {
    false
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
