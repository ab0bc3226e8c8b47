//! The one rule by which every file is written that a person named.
//!
//! A recording is evidence and is never written over, through links either. Anything else that is there
//! is written over only where it is of the same kind, or the user says so. A file is written beside its
//! place first and then put there: it is whole, or as it was.
//!
//! Does not: write recordings, which are only ever added to ([`crate::recording::Recorder`]).

use std::fs::{File, Metadata, OpenOptions};
use std::io::{Error, ErrorKind, Read as _, Write as _};
use std::path::{Path, PathBuf};

use super::failure::{Failure, LOCAL, USAGE, failure};
use crate::link::is_device;

/// So much of a file shows what it is.
const BEGIN: u64 = 4096;
/// How a recording begins.
const RECORDING: &str = "{\"type\":\"header\"";
/// What mail and editors may have put before it.
const BYTE_ORDER_MARK: char = '\u{feff}';

/// A file that is to be written.
pub(crate) struct Output<'a> {
    /// The option that names it.
    pub(crate) option: &'a str,
    /// Where it is to stand.
    pub(crate) path: &'a Path,
    /// What is written, with its article.
    pub(crate) kind: &'static str,
    /// Whether a file that begins like this is one too.
    pub(crate) is_kind: fn(&str) -> bool,
    /// What it is made of, which is not written over either.
    pub(crate) inputs: &'a [PathBuf],
    /// The user's word that anything else may be written over; nothing where it cannot be given.
    pub(crate) replace: Option<bool>,
}

impl Output<'_> {
    /// Writes it.
    ///
    /// # Errors
    /// Where something is there that is not written over, or the system refuses.
    pub(crate) fn write(&self, text: &str) -> Result<(), Failure> {
        let trouble = |why: Error| self.refused(LOCAL, &format!("cannot be written: {why}"), None);
        match std::fs::metadata(self.path) {
            Ok(found) if found.is_file() => {
                // What a link points at is written, not the link.
                let real = std::fs::canonicalize(self.path).map_err(trouble)?;
                self.may_replace(&real)?;
                whole(&real, text, Some(&found)).map_err(trouble)
            }
            Ok(found) if is_device(&found) => std::fs::write(self.path, text).map_err(trouble),
            Ok(found) => {
                let what = if found.is_dir() { "folder" } else { "pipe" };
                let why = format!("expected the name of a file, found a {what}");
                Err(self.refused(USAGE, &why, None))
            }
            Err(why) if why.kind() == ErrorKind::NotFound => {
                whole(self.path, text, None).map_err(trouble)
            }
            Err(why) => Err(trouble(why)),
        }
    }

    fn may_replace(&self, real: &Path) -> Result<(), Failure> {
        let mut begin = Vec::new();
        let read = File::open(real).and_then(|file| file.take(BEGIN).read_to_end(&mut begin));
        let begin = String::from_utf8_lossy(&begin);
        let begin = begin.trim_start_matches(BYTE_ORDER_MARK);
        let is_input = |input: &PathBuf| std::fs::canonicalize(input).is_ok_and(|one| one == real);
        let is_recording = begin.starts_with(RECORDING);
        if is_recording || self.inputs.iter().any(is_input) {
            let why = "it is a recording, which is never written over";
            let hint = format!("give {} another name", self.kind);
            return Err(self.refused(USAGE, why, Some(hint)));
        }
        let is_alike = read.is_ok() && (begin.is_empty() || (self.is_kind)(begin));
        if is_alike || self.replace == Some(true) {
            return Ok(());
        }
        let why = format!("it exists already and is not {}", self.kind);
        let hint = match self.replace {
            Some(_) => "give another name, or --replace to write over it",
            None => "give another name, or move it away",
        };
        Err(self.refused(USAGE, &why, Some(hint.to_owned())))
    }

    fn refused(&self, exit: u8, why: &str, hint: Option<String>) -> Failure {
        let message = format!(
            "{} {}: {why}",
            self.option,
            packside_profiles::shown(&self.path)
        );
        failure(exit, "output", message, hint)
    }
}

/// Beside it first, then in its place, with the rights of what was there.
fn whole(path: &Path, text: &str, before: Option<&Metadata>) -> std::io::Result<()> {
    let beside = path.with_file_name(format!(".packside-{}.part", std::process::id()));
    let opened = OpenOptions::new()
        .write(true)
        .create_new(true)
        .open(&beside);
    let written = opened.and_then(|mut file| {
        file.write_all(text.as_bytes())?;
        file.sync_all()?;
        if let Some(before) = before {
            // A file system without rights has none to lose.
            file.set_permissions(before.permissions()).ok();
        }
        std::fs::rename(&beside, path)
    });
    if written.is_err() {
        let _ = std::fs::remove_file(&beside);
    }
    written
}

#[cfg(test)]
mod tests {
    use super::*;

    fn write(path: &Path, replace: Option<bool>) -> Result<(), String> {
        let output = Output {
            option: "--output",
            path,
            kind: "a list",
            is_kind: |begin| begin.starts_with("list"),
            inputs: &[],
            replace,
        };
        output.write("list of today").map_err(|why| why.message)
    }

    // Kind: invented
    #[test]
    fn only_its_own_kind_or_nothing_is_written_over_without_a_word() {
        let folder = tempfile::tempdir().unwrap();
        let path = |name: &str| folder.path().join(name);
        let content = |name: &str| std::fs::read_to_string(path(name)).unwrap();
        std::fs::write(path("old"), "list of yesterday").unwrap();
        std::fs::write(path("notes"), "years of measurements").unwrap();
        for name in ["old", "new"] {
            write(&path(name), None).unwrap();
            assert_eq!(content(name), "list of today");
        }
        let refused = write(&path("notes"), Some(false)).unwrap_err();
        assert!(
            refused.ends_with("it exists already and is not a list"),
            "{refused}"
        );
        assert_eq!(content("notes"), "years of measurements");
        write(&path("notes"), Some(true)).unwrap();
        assert_eq!(content("notes"), "list of today");
        assert_eq!(
            std::fs::read_dir(folder.path()).unwrap().count(),
            3,
            "nothing beside"
        );
    }

    #[test]
    fn no_word_lets_a_recording_be_written_over() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("visit");
        for text in [
            RECORDING.to_owned(),
            format!("\u{feff}{RECORDING},\"x\":1}}\r\n"),
        ] {
            std::fs::write(&path, &text).unwrap();
            let refused = write(&path, Some(true)).unwrap_err();
            assert!(refused.ends_with("never written over"), "{refused}");
            assert_eq!(std::fs::read_to_string(&path).unwrap(), text);
        }
    }

    #[cfg(unix)]
    #[test]
    fn what_a_link_points_at_is_what_counts() {
        let folder = tempfile::tempdir().unwrap();
        let (real, link) = (folder.path().join("real"), folder.path().join("link"));
        std::fs::write(&real, "years of measurements").unwrap();
        std::os::unix::fs::symlink(&real, &link).unwrap();
        assert!(write(&link, None).is_err());
        assert_eq!(
            std::fs::read_to_string(&real).unwrap(),
            "years of measurements"
        );
    }
}
