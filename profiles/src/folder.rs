//! Where a user keeps own register maps, scenarios' maps and places: one folder for every command.
//!
//! Does not: read anything in it, or make it.

use std::ffi::OsString;
use std::path::PathBuf;

/// The config folder: what was given, else the one that the platform has for it. `variable` gives the
/// variables of the environment.
///
/// # Sources
/// - XDG Base Directory Specification 0.8: `$XDG_CONFIG_HOME`, else `$HOME/.config`; a relative path counts
///   as none
/// - Windows: `%APPDATA%`, the roaming folder of the user (from memory)
/// - macOS: `~/Library/Application Support` (from memory)
pub fn config_folder(
    given: Option<PathBuf>,
    variable: impl Fn(&str) -> Option<OsString>,
) -> Option<PathBuf> {
    let from = |name: &str| {
        let path = variable(name).map(PathBuf::from);
        path.filter(|path| path.is_absolute())
    };
    given.or_else(|| {
        let base = if cfg!(windows) {
            from("APPDATA")
        } else if cfg!(target_os = "macos") {
            from("HOME").map(|home| home.join("Library/Application Support"))
        } else {
            from("XDG_CONFIG_HOME").or_else(|| Some(from("HOME")?.join(".config")))
        };
        base.map(|base| base.join("packside"))
    })
}

#[cfg(all(test, target_os = "linux"))]
mod tests {
    use super::*;

    // Kind: published (XDG Base Directory Specification 0.8)
    #[test]
    fn what_was_given_goes_before_the_usual_folder() {
        let folder = |given: Option<&str>, set: &[(&str, &str)]| {
            let variable = |name: &str| {
                let found = set.iter().find(|(known, _)| *known == name);
                found.map(|(_, value)| OsString::from(value))
            };
            config_folder(given.map(PathBuf::from), variable)
        };
        let both = [("XDG_CONFIG_HOME", "/x"), ("HOME", "/h")];
        assert_eq!(folder(Some("mine"), &both), Some("mine".into()));
        assert_eq!(folder(None, &both), Some("/x/packside".into()));
        assert_eq!(folder(None, &both[1..]), Some("/h/.config/packside".into()));
        let relative = [("XDG_CONFIG_HOME", "x"), ("HOME", "/h")];
        assert_eq!(folder(None, &relative), Some("/h/.config/packside".into()));
        assert_eq!(folder(None, &[("HOME", "")]), None);
    }
}
