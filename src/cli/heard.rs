//! The silence that a search has heard, kept for the look that follows: the line is not listened to twice.
//!
//! One file in the config folder, `heard-quiet.toml`: which line, at which settings, how long it was
//! silent, and until when that counts. Only a look takes it, once, on the same line at the same settings.
//!
//! # How long it counts
//! What ends a silence is a person who plugs something in or switches an inverter on, and that person
//! stands beside. One minute ([`HOLDS`]) is enough for the next command, and short enough to know what was
//! done meanwhile. An adapter that was pulled and plugged in again is another line, whatever its name.
//! The look itself still stops where it hears anybody.

use std::path::{Path, PathBuf};
use std::time::Duration;

use jiff::{SignedDuration, Timestamp};
use serde::{Deserialize, Serialize};

use super::out;
use super::places;
use crate::event::{LinkFacts, LinkKind};
use crate::link::{Quiet, since, since_1970};

/// How long a silence counts that nobody has listened to any more.
const HOLDS: SignedDuration = SignedDuration::from_secs(60);
/// Version of the file.
const FORMAT: u32 = 1;

/// What was heard.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct HeardQuiet {
    format: u32,
    line: String,
    silent_ms: u64,
    until: String,
}

/// The time by the wall clock.
pub(super) fn now() -> Timestamp {
    let since = SignedDuration::try_from(since_1970()).unwrap_or_default();
    Timestamp::UNIX_EPOCH.checked_add(since).unwrap_or_default()
}

/// Keeps a silence for the next look. Nothing is kept where that cannot be written: then it listens.
pub(super) fn keep(
    facts: &LinkFacts,
    silent: Duration,
    now: Timestamp,
    config: Option<&Path>,
) -> Option<Timestamp> {
    let (line, path) = (name_of(facts)?, file(config)?);
    let until = now.checked_add(HOLDS).ok()?;
    let heard = HeardQuiet {
        format: FORMAT,
        line,
        silent_ms: u64::try_from(silent.as_millis()).ok()?,
        until: until.to_string(),
    };
    let text = format!(
        "format = {}\nline = {}\nsilent_ms = {}\nuntil = {}\n",
        heard.format,
        serde_json::Value::from(heard.line),
        heard.silent_ms,
        serde_json::Value::from(heard.until)
    );
    std::fs::create_dir_all(path.parent()?).ok()?;
    std::fs::write(&path, text).ok()?;
    Some(until)
}

/// Lets the silence count that a search has heard on this line, and says so.
pub(super) fn count(quiet: &mut Quiet, config: Option<&Path>) {
    if let Some((silent, until)) = take(quiet.facts(), now(), config) {
        out::note(&format!(
            "find heard {:.0} s of silence on this line just before: that counts until {}",
            silent.as_secs_f64(),
            until.strftime("%H:%M:%S UTC")
        ));
        quiet.was_silent(silent);
    }
}

/// The silence that was heard on this line and still counts, and until when. It is taken: a second look
/// listens by itself.
fn take(facts: &LinkFacts, now: Timestamp, config: Option<&Path>) -> Option<(Duration, Timestamp)> {
    let path = file(config)?;
    let text = std::fs::read_to_string(&path).ok()?;
    let heard: HeardQuiet = toml::from_str(&text).ok()?;
    let until: Timestamp = heard.until.parse().ok()?;
    if heard.format != FORMAT || Some(heard.line) != name_of(facts) {
        return None;
    }
    // Whatever it says, it is not looked at again.
    std::fs::remove_file(&path).ok()?;
    let left = until.duration_since(now);
    let counts = left > SignedDuration::ZERO && left <= HOLDS;
    counts.then_some((Duration::from_millis(heard.silent_ms), until))
}

/// The line: its port, by whatever name it was opened and since when it is there, and its settings.
fn name_of(facts: &LinkFacts) -> Option<String> {
    match &facts.kind {
        LinkKind::Serial { port, line } => {
            let real =
                std::fs::canonicalize(port.as_given()).unwrap_or_else(|_| PathBuf::from(port));
            Some(format!(
                "{}{} at {line}",
                packside_profiles::shown(&real),
                since(&real)
            ))
        }
        _ => None,
    }
}

fn file(config: Option<&Path>) -> Option<PathBuf> {
    let places = places::folder(config).ok()?;
    Some(places.parent()?.join("heard-quiet.toml"))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wire::Framing;

    fn facts(port: &str, line: &str) -> LinkFacts {
        LinkFacts {
            kind: LinkKind::Serial {
                port: port.into(),
                line: line.parse().unwrap(),
            },
            framing: Framing::Rtu,
            plugged: None,
            consent: crate::event::Consent::default(),
        }
    }

    // Kind: invented
    #[test]
    fn silence_counts_once_on_the_same_line_and_not_for_ever() {
        let folder = tempfile::tempdir().unwrap();
        let config = Some(folder.path());
        let now: Timestamp = "2026-01-02T03:04:05Z".parse().unwrap();
        let later = |seconds| now + SignedDuration::from_secs(seconds);
        let window = Duration::from_secs(12);
        let here = facts("/dev/nowhere0", "9600-8E1");
        let keep = || keep(&here, window, now, config).unwrap();
        assert_eq!(keep(), later(60));
        // Another port and other settings leave it for whom it was kept.
        assert_eq!(
            take(&facts("/dev/nowhere1", "9600-8E1"), later(5), config),
            None
        );
        assert_eq!(
            take(&facts("/dev/nowhere0", "9600-8N1"), later(5), config),
            None
        );
        assert_eq!(take(&here, later(5), config), Some((window, later(60))));
        assert_eq!(take(&here, later(6), config), None);
        keep();
        assert_eq!(take(&here, later(61), config), None);
        // A clock that was set back proves nothing.
        keep();
        assert_eq!(take(&here, later(-1), config), None);
    }
}
