//! Every look keeps itself: where nobody said `--record`, a real look is recorded into the state folder.
//!
//! So what a unit showed is saved before anything is switched off, without a second run. The newest
//! [`MOST`] are kept, [`MOST_BYTES`] at most; the oldest go first.
//!
//! Does not: write a recording ([`super::record`] does), or keep what is simulated. Trouble with the folder
//! is said and never stops a look.

use std::fs::{File, TryLockError};
use std::path::{Path, PathBuf};
use std::time::SystemTime;

use super::failure::{Failure, LOCAL, failure};
use super::out;
use crate::link::wall;
use crate::recording::{Header, Recorder, WriteError};

/// So many looks are kept.
const MOST: usize = 50;
/// Bytes of all of them together.
pub(crate) const MOST_BYTES: u64 = 200_000_000;
/// How the name of a recording ends.
const ENDING: &str = ".visit.jsonl";
/// Looks begun in one minute have numbers behind their names.
const IN_A_MINUTE: u32 = 1000;
/// The word for the newest one.
const LAST: &str = "last";

/// What is kept, as its file is called.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum What {
    /// `check`.
    Look,
    /// `watch`.
    Watch,
    /// `find`.
    Find,
    /// `listen`.
    Listen,
}

impl What {
    const ALL: [Self; 4] = [Self::Look, Self::Watch, Self::Find, Self::Listen];
    /// Those with a verdict.
    const JUDGED: [Self; 2] = [Self::Look, Self::Watch];

    fn id(self) -> &'static str {
        match self {
            Self::Look => "look",
            Self::Watch => "watch",
            Self::Find => "find",
            Self::Listen => "listen",
        }
    }
}

/// Where looks are kept: `PACKSIDE_STATE`, else the usual folder of the system for such files.
fn folder() -> Option<PathBuf> {
    let given = std::env::var_os("PACKSIDE_STATE").filter(|value| !value.is_empty());
    packside_profiles::state_folder(given.map(PathBuf::from), |name| std::env::var_os(name))
}

/// Begins a recording in the state folder, and takes away what is too old there. Nothing where that is not
/// possible, which is said.
pub(crate) fn begin(what: What, header: &Header) -> Option<(Recorder, PathBuf)> {
    let begun = folder()
        .ok_or_else(|| "no folder for it is known on this computer".to_owned())
        .and_then(|folder| begin_in(&folder, what, &minute(), header));
    match begun {
        Ok((recorder, path)) => {
            tidy(path.parent().unwrap_or(Path::new(".")), &path);
            Some((recorder, path))
        }
        Err(why) => {
            out::say(&format!(
                "note: this look is not kept: {why}; --record FILE keeps it elsewhere"
            ));
            None
        }
    }
}

fn begin_in(
    folder: &Path,
    what: What,
    minute: &str,
    header: &Header,
) -> Result<(Recorder, PathBuf), String> {
    std::fs::create_dir_all(folder).map_err(|why| {
        format!(
            "{} cannot be made: {why}",
            packside_profiles::shown(&folder)
        )
    })?;
    for number in 1..=IN_A_MINUTE {
        let behind = if number == 1 {
            String::new()
        } else {
            format!("-{number}")
        };
        let path = folder.join(format!("{}-{minute}{behind}{ENDING}", what.id()));
        match Recorder::create(&path, header) {
            Ok(recorder) => return Ok((recorder, path)),
            Err(WriteError::Exists { .. }) => {}
            Err(why) => return Err(why.to_string()),
        }
    }
    Err(format!("{IN_A_MINUTE} looks in one minute"))
}

/// The minute of this computer's clock, as it stands in names: `20261130-0917`.
fn minute() -> String {
    let (utc, offset_minutes) = wall();
    let local = utc.parse::<jiff::Timestamp>().ok().and_then(|at| {
        let offset = jiff::tz::Offset::from_seconds(offset_minutes * 60).ok()?;
        Some(offset.to_datetime(at).strftime("%Y%m%d-%H%M").to_string())
    });
    local.unwrap_or_else(|| "undated".to_owned())
}

/// Takes away the oldest until what is left fits; never the one that is being written.
fn tidy(folder: &Path, own: &Path) {
    let mut bytes = 0;
    for (number, (path, size)) in kept_in(folder, &What::ALL).into_iter().enumerate() {
        bytes += size;
        if (number >= MOST || bytes > MOST_BYTES) && path != own && !is_held(&path) {
            // Another look may have taken it away already.
            std::fs::remove_file(path).ok();
        }
    }
}

/// Whether a look is still being kept there.
fn is_held(path: &Path) -> bool {
    let held = |file: File| matches!(file.try_lock(), Err(TryLockError::WouldBlock));
    File::open(path).is_ok_and(held)
}

/// Files of these kinds and their sizes, newest first.
fn kept_in(folder: &Path, kinds: &[What]) -> Vec<(PathBuf, u64)> {
    let entries = std::fs::read_dir(folder).into_iter().flatten().flatten();
    let mut all: Vec<(SystemTime, PathBuf, u64)> = entries
        .filter_map(|entry| {
            let name = entry.file_name();
            let stem = name.to_str()?.strip_suffix(ENDING)?;
            let kind = stem.split_once('-')?.0;
            let about = entry.metadata().ok().filter(std::fs::Metadata::is_file)?;
            let is_one = kinds.iter().any(|what| what.id() == kind);
            is_one.then_some((about.modified().ok()?, entry.path(), about.len()))
        })
        .collect();
    all.sort_unstable_by(|one, other| other.cmp(one));
    all.into_iter()
        .map(|(_, path, size)| (path, size))
        .collect()
}

/// The file that is meant: `last` is the newest look that was judged and kept.
///
/// # Errors
/// Where nothing is kept.
pub(crate) fn named(path: &Path) -> Result<PathBuf, Failure> {
    newest(path, &What::JUDGED)
}

/// The same of everything that was heard.
///
/// # Errors
/// Where nothing is kept.
pub(crate) fn heard(path: &Path) -> Result<PathBuf, Failure> {
    newest(path, &What::ALL)
}

fn newest(path: &Path, kinds: &[What]) -> Result<PathBuf, Failure> {
    if path != Path::new(LAST) {
        return Ok(path.to_owned());
    }
    let folder = folder();
    let kept = folder.as_deref().map(|folder| kept_in(folder, kinds));
    if let Some((newest, _)) = kept.into_iter().flatten().next() {
        return Ok(newest);
    }
    let place = folder.map_or_else(String::new, |folder| {
        format!(" in {}", packside_profiles::shown(&folder))
    });
    let message = format!("{LAST}: expected a look that kept itself, found none{place}");
    let hint = "looks at real units keep themselves; a file of that name is ./last".to_owned();
    Err(failure(LOCAL, "recording", message, Some(hint)))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn header() -> Header {
        Header {
            tool: "0".to_owned(),
            profile: None,
            simulated_seed: None,
        }
    }

    // Kind: invented
    #[test]
    fn looks_of_one_minute_have_names_of_their_own() {
        let folder = tempfile::tempdir().unwrap();
        let begin = |what| {
            begin_in(folder.path(), what, "20261130-0917", &header())
                .unwrap()
                .1
        };
        let names = [What::Look, What::Look, What::Watch].map(|what| {
            let path = begin(what);
            path.file_name().unwrap().to_str().unwrap().to_owned()
        });
        assert_eq!(
            names,
            [
                "look-20261130-0917.visit.jsonl",
                "look-20261130-0917-2.visit.jsonl",
                "watch-20261130-0917.visit.jsonl"
            ]
        );
    }

    // Kind: invented
    #[test]
    fn oldest_looks_go_first_and_the_one_being_written_never() {
        let folder = tempfile::tempdir().unwrap();
        let at = |name: &str| folder.path().join(name);
        let make = |name: &str, bytes: u64, age_s: u64| {
            let file = std::fs::File::create(at(name)).unwrap();
            file.set_len(bytes).unwrap();
            let made = SystemTime::UNIX_EPOCH + std::time::Duration::from_secs(1_000_000 - age_s);
            file.set_modified(made).unwrap();
        };
        for n in 0..60 {
            make(&format!("look-20261130-{n:04}.visit.jsonl"), 1, n);
        }
        make("look-mine.visit.jsonl", 1, 5000);
        make("notes.txt", 1, 9000);
        make("visit-20261130.visit.jsonl", 1, 9000);
        tidy(folder.path(), &at("look-mine.visit.jsonl"));
        let left = kept_in(folder.path(), &What::ALL);
        assert_eq!(left.len(), 51, "50 and the one that is being written");
        assert!(at("look-20261130-0049.visit.jsonl").exists());
        assert!(!at("look-20261130-0050.visit.jsonl").exists());
        assert!(at("notes.txt").exists() && at("visit-20261130.visit.jsonl").exists());

        make("look-big.visit.jsonl", MOST_BYTES - 1, 0);
        tidy(folder.path(), &at("look-mine.visit.jsonl"));
        let left = kept_in(folder.path(), &What::ALL);
        assert!(left.iter().map(|(_, size)| size).sum::<u64>() <= MOST_BYTES + 1);
        assert!(at("look-big.visit.jsonl").exists() && at("look-mine.visit.jsonl").exists());
    }
}
