//! The only file of this package that knows how Unix keeps devices: groups, and words for "no tty".
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
