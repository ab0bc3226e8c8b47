//! Where a user keeps own register maps, scenarios' maps and places, and where looks keep themselves: one folder
//! each, for every command, by the custom of the system.
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
    let usual = if cfg!(windows) {
        ("APPDATA", "")
    } else if cfg!(target_os = "macos") {
        ("", "Library/Application Support")
    } else {
        ("XDG_CONFIG_HOME", ".config")
    };
    given.or_else(|| Some(base(usual, variable)?.join("packside")))
}

/// The folder of what a program keeps by itself, as [`config_folder`].
///
/// # Sources
/// - XDG Base Directory Specification 0.8: `$XDG_STATE_HOME`, else `$HOME/.local/state`
/// - Windows: `%LOCALAPPDATA%`, which stays on this computer (from memory)
/// - macOS: `~/Library/Application Support` (from memory)
pub fn state_folder(
    given: Option<PathBuf>,
    variable: impl Fn(&str) -> Option<OsString>,
) -> Option<PathBuf> {
    let usual = if cfg!(windows) {
        ("LOCALAPPDATA", "")
    } else if cfg!(target_os = "macos") {
        ("", "Library/Application Support")
    } else {
        ("XDG_STATE_HOME", ".local/state")
    };
    given.or_else(|| Some(base(usual, variable)?.join("packside")))
}

/// What a variable names, else a folder below the home folder; either may be `""`, none.
fn base(
    (named, below_home): (&str, &str),
    variable: impl Fn(&str) -> Option<OsString>,
) -> Option<PathBuf> {
    let from = |name: &str| {
        let path = variable(name).map(PathBuf::from);
        path.filter(|path| path.is_absolute())
    };
    let is_below = |name: &&str| !name.is_empty();
    let named = Some(named).filter(is_below).and_then(from);
    let below = Some(below_home).filter(is_below);
    named.or_else(|| Some(from("HOME")?.join(below?)))
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
        let state = state_folder(None, |name| (name == "HOME").then(|| "/h".into()));
        assert_eq!(state, Some("/h/.local/state/packside".into()));
    }
}
