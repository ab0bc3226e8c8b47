//! A recording from its bytes: whole, cut, or changed.
//!
//! Does not: read a file, or judge.

use super::chain::Chain;
use super::lines::{Line, understand};
use super::{Entry, Header, Start};
use crate::event::{Event, What};

/// A recording as read.
#[derive(Debug, Clone, PartialEq)]
pub struct Recording {
    /// First line; nothing where the file was cut inside it.
    pub header: Option<Header>,
    /// Every start of the tool.
    pub sessions: Vec<Session>,
    /// What is not there, in the order of the file.
    pub missing: Vec<Missing>,
    /// Hash of the last line.
    pub fingerprint: String,
    /// Whole lines.
    pub lines: u64,
    /// Bytes that the whole lines take.
    pub(super) whole_bytes: usize,
}

/// One start of the tool.
#[derive(Debug, Clone, PartialEq)]
pub struct Session {
    /// When.
    pub start: Start,
    /// What happened, in order.
    pub entries: Vec<Entry>,
}

impl Session {
    /// Its events.
    pub fn events(&self) -> Vec<Event> {
        let event = |entry: &Entry| match entry {
            Entry::Event(event) => Some(event.clone()),
            _ => None,
        };
        self.entries.iter().filter_map(event).collect()
    }

    /// Serial numbers of units that answered, in order.
    pub fn units(&self) -> impl Iterator<Item = &str> {
        self.entries.iter().filter_map(|entry| match entry {
            Entry::Unit(serial) => Some(serial.as_str()),
            _ => None,
        })
    }

    /// Time of a mark, the last of that name.
    pub fn mark(&self, name: &str) -> Option<std::time::Duration> {
        self.entries.iter().rev().find_map(|entry| match entry {
            Entry::Event(Event {
                at,
                what: What::Mark(mark),
            }) if mark == name => Some(*at),
            _ => None,
        })
    }
}

/// What a recording lacks. It can be used all the same.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Missing {
    /// Cut in the middle of a line.
    #[error("line {line}: cut in the middle, {bytes} bytes of it are left out")]
    Tail {
        /// 1-based.
        line: u64,
        /// Bytes that are there.
        bytes: usize,
    },
    /// No seal at the end.
    #[error("no seal at the end: it ended without being closed, more may have been in it")]
    Seal,
    /// Lines of another version.
    #[error("line {line}: of the unknown type \"{kind}\", left out; a newer packside may know it")]
    Unknown {
        /// 1-based.
        line: u64,
        /// Its type.
        kind: String,
    },
}

/// Why a recording cannot be used.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum ReadError {
    /// Something else.
    #[error(
        "not a recording: expected the first line to be a {}, found {found}",
        super::SCHEMA
    )]
    NotARecording {
        /// What it is instead.
        found: String,
    },
    /// A line is not as it was written.
    #[error(
        "line {line} was changed after it was written: its hash does not fit; nothing of the recording is used"
    )]
    Changed {
        /// 1-based.
        line: u64,
    },
    /// A sealed line says what cannot be.
    #[error("line {line}: {why}")]
    Senseless {
        /// 1-based.
        line: u64,
        /// What was expected and found.
        why: String,
    },
}

/// Reads a recording.
///
/// # Errors
/// Where it is none, or a line was changed.
pub fn read(bytes: &[u8]) -> Result<Recording, ReadError> {
    let mut recording = Recording {
        header: None,
        sessions: Vec::new(),
        missing: Vec::new(),
        fingerprint: String::new(),
        lines: 0,
        whole_bytes: 0,
    };
    let mut chain = Chain::default();
    let mut is_sealed = false;
    for piece in bytes.split_inclusive(|byte| *byte == b'\n') {
        let number = chain.lines + 1;
        let Some(line) = piece.strip_suffix(b"\n") else {
            recording.missing.push(Missing::Tail {
                line: number,
                bytes: piece.len(),
            });
            is_sealed = false;
            break;
        };
        let opened = std::str::from_utf8(line)
            .ok()
            .and_then(|line| chain.open(line));
        let Some(object) = opened else {
            return Err(if number == 1 && !looks_like_header(line) {
                ReadError::NotARecording {
                    found: beginning(line),
                }
            } else {
                ReadError::Changed { line: number }
            });
        };
        is_sealed = recording.take(&object, number)?;
        recording.whole_bytes += piece.len();
    }
    if !is_sealed {
        recording.missing.push(Missing::Seal);
    }
    recording.fingerprint = chain.last;
    recording.lines = chain.lines;
    Ok(recording)
}

impl Recording {
    /// Takes the object of one line. Gives whether it is a seal.
    fn take(&mut self, object: &str, number: u64) -> Result<bool, ReadError> {
        let senseless = |why: String| ReadError::Senseless { line: number, why };
        match understand(object).map_err(senseless)? {
            Line::Header(header) if number == 1 => self.header = Some(header),
            _ if number == 1 => {
                return Err(ReadError::NotARecording {
                    found: "another line".to_owned(),
                });
            }
            Line::Header(_) => return Err(senseless("a second header".to_owned())),
            Line::Start(start) => self.sessions.push(Session {
                start,
                entries: Vec::new(),
            }),
            Line::Entry(entry) => match self.sessions.last_mut() {
                Some(session) => session.entries.push(entry),
                None => return Err(senseless("an event before any session".to_owned())),
            },
            Line::Seal { lines } if lines + 1 == number => return Ok(true),
            Line::Seal { lines } => {
                return Err(senseless(format!("a seal over {lines} lines here")));
            }
            Line::Unknown(kind) => self.missing.push(Missing::Unknown { line: number, kind }),
        }
        Ok(false)
    }
}

fn looks_like_header(line: &[u8]) -> bool {
    line.starts_with(b"{\"type\":\"header\"")
}

/// The first characters of something, to be shown.
fn beginning(line: &[u8]) -> String {
    let text = String::from_utf8_lossy(line.get(..40).unwrap_or(line)).into_owned();
    format!("\"{}\"", text.escape_default())
}
