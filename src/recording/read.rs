//! A recording from its bytes: whole, cut, or changed.
//!
//! Does not: read a file, or judge.

use std::io::{BufRead, Read as _};
use std::panic::resume_unwind;
use std::sync::Arc;
use std::sync::mpsc::{SyncSender, sync_channel};

use super::chain::Chain;
use super::events::Events;
use super::lines::{RecordingLine, understand};
use super::{Entry, Header, Shown, Start};
use crate::event::{Event, LinkFacts, What};

/// A recording as read.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Recording {
    /// First line; nothing where the file was cut inside it.
    pub header: Option<Header>,
    /// Every start of the tool.
    pub sessions: Vec<RecordedSession>,
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
pub struct RecordedSession {
    /// When.
    pub start: Start,
    /// What happened, in order.
    pub events: Events,
    /// Verdicts displayed, in order, each with the number of events that stand before it.
    pub shown: Vec<(usize, Shown)>,
    /// Serial numbers of units that answered, in order.
    pub units: Vec<String>,
    /// Where only what followed was judged, and where everything again, in order.
    pub afresh: Vec<Afresh>,
    /// What a person said, held until what came over the link before it is there: a recording that is gone
    /// on with has a person's lines at once, those of the link only when the unit has said who it is.
    pub(super) said: Vec<Event>,
}

/// A place in a session from which on only what follows was judged, or everything again.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Afresh {
    /// Only what follows.
    pub on: bool,
    /// Events that stand before it.
    pub events: usize,
    /// Verdicts displayed before it.
    pub shown: usize,
}

impl RecordedSession {
    fn new(start: Start) -> Self {
        Self {
            start,
            events: Events::default(),
            shown: Vec::new(),
            units: Vec::new(),
            afresh: Vec::new(),
            said: Vec::new(),
        }
    }

    fn take(&mut self, entry: Entry) {
        match entry {
            Entry::Event(event) if event.what.is_from_a_person() => self.said.push(event),
            Entry::Event(event) => {
                let is_before = |said: &Event| said.at <= event.at;
                let before = self.said.iter().take_while(|said| is_before(said)).count();
                self.said
                    .drain(..before)
                    .for_each(|said| self.events.push(said));
                self.events.push(event);
            }
            Entry::Shown(shown) => {
                self.settle();
                self.shown.push((self.events.len(), shown));
            }
            Entry::Unit(serial) => self.units.push(serial),
            Entry::Afresh(on) => {
                self.settle();
                self.afresh.push(Afresh {
                    on,
                    events: self.events.len(),
                    shown: self.shown.len(),
                });
            }
        }
    }

    /// Nothing that belongs before what a person said comes any more.
    fn settle(&mut self) {
        self.said.drain(..).for_each(|said| self.events.push(said));
    }

    /// The link as it was opened first.
    pub fn link(&self) -> Option<&LinkFacts> {
        self.events
            .beside()
            .iter()
            .find_map(|event| match &event.what {
                What::Opened(facts) => Some(facts),
                _ => None,
            })
    }

    /// The verdict displayed last.
    pub fn last_shown(&self) -> Option<&Shown> {
        self.shown.last().map(|(_, shown)| shown)
    }

    /// Time of a mark, the last of that name.
    pub fn mark(&self, name: &str) -> Option<std::time::Duration> {
        let marks = self.events.beside().iter().rev();
        marks
            .filter(|event| matches!(&event.what, What::Mark(mark) if mark == name))
            .map(|event| event.at)
            .next()
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

impl ReadError {
    /// Line that it is about, 1-based.
    fn line(&self) -> u64 {
        match self {
            Self::NotARecording { .. } => 1,
            Self::Changed { line } | Self::Senseless { line, .. } => *line,
        }
    }
}

/// Reads a recording.
///
/// # Errors
/// Where it is none, or a line was changed.
pub fn read(bytes: &[u8]) -> Result<Recording, ReadError> {
    let (mut chain, mut reading) = (Chain::default(), RecordingReader::default());
    for line in bytes.split_inclusive(|byte| *byte == b'\n') {
        check(&mut chain, line)?;
        reading.line(line)?;
    }
    Ok(reading.finish(&chain))
}

/// Reads a recording from a file or the like, without holding its text. The hashes are checked
/// beside the reading, by a thread of their own: both take about as long.
///
/// # Errors
/// Outside, where it cannot be read; inside, where it is none, or a line was changed.
pub fn read_from(mut source: impl BufRead) -> std::io::Result<Result<Recording, ReadError>> {
    std::thread::scope(|scope| {
        let (give, blocks) = sync_channel::<Arc<Vec<u8>>>(BLOCKS);
        let checker = scope.spawn(move || -> Result<Chain, ReadError> {
            let mut chain = Chain::default();
            for block in blocks {
                for line in block.split_inclusive(|byte| *byte == b'\n') {
                    check(&mut chain, line)?;
                }
            }
            Ok(chain)
        });
        let read = understand_all(&mut source, &give);
        drop(give);
        // The checker has seen every line that was read. What it finds comes first: a changed line
        // is one, whatever it seems to say.
        let checked = checker.join().unwrap_or_else(|panic| resume_unwind(panic));
        let (reading, senseless) = read?;
        Ok(match (checked, senseless) {
            (Err(changed), None) => Err(changed),
            (Err(changed), Some(why)) if changed.line() <= why.line() => Err(changed),
            (_, Some(why)) => Err(why),
            (Ok(chain), None) => Ok(reading.finish(&chain)),
        })
    })
}

/// Reads to the end, or to the first line that says what cannot be. Everything read is given on.
fn understand_all(
    source: &mut impl BufRead,
    give: &SyncSender<Arc<Vec<u8>>>,
) -> std::io::Result<(RecordingReader, Option<ReadError>)> {
    let mut reading = RecordingReader::default();
    loop {
        let mut block = Vec::with_capacity(BLOCK);
        while block.len() < BLOCK {
            let length = source.take(LONGEST_LINE).read_until(b'\n', &mut block)?;
            // Cut: nothing can follow. A device that never ends gives no line either.
            if length == 0 || block.last() != Some(&b'\n') {
                break;
            }
        }
        let is_last = block.len() < BLOCK || block.last() != Some(&b'\n');
        let block = Arc::new(block);
        // Not taken any more: a changed line was found.
        let is_over = give.send(Arc::clone(&block)).is_err();
        for line in block.split_inclusive(|byte| *byte == b'\n') {
            if let Err(why) = reading.line(line) {
                return Ok((reading, Some(why)));
            }
        }
        if is_last || is_over {
            return Ok((reading, None));
        }
    }
}

/// No line of a recording is longer, the register map included.
const LONGEST_LINE: u64 = 64 << 20;
/// Whole lines of about so many bytes are read at once.
const BLOCK: usize = 256 << 10;
/// So many of these may wait for their check.
const BLOCKS: usize = 4;

/// Checks the hash of the next line, given with its end; one without was cut and has none.
fn check(chain: &mut Chain, piece: &[u8]) -> Result<(), ReadError> {
    let Some(line) = piece.strip_suffix(b"\n") else {
        return Ok(());
    };
    let number = chain.lines + 1;
    let text = std::str::from_utf8(line).ok();
    if text.is_some_and(|text| chain.open(text)) {
        return Ok(());
    }
    Err(if number == 1 && !looks_like_header(line) {
        ReadError::NotARecording {
            found: beginning(line),
        }
    } else {
        ReadError::Changed { line: number }
    })
}

/// A recording that is being read, line by line. Says nothing of hashes.
#[derive(Debug, Default)]
struct RecordingReader {
    recording: Recording,
    is_sealed: bool,
}

impl RecordingReader {
    /// Takes the next line with its end; one without an end is the last and was cut.
    ///
    /// # Errors
    /// Where it is no recording, or says what cannot be.
    fn line(&mut self, piece: &[u8]) -> Result<(), ReadError> {
        let number = self.recording.lines + 1;
        let Some(line) = piece.strip_suffix(b"\n") else {
            // Somebody's own file must not be taken for a recording that was cut in its first line.
            if number == 1 && !may_be_header(piece) {
                return Err(ReadError::NotARecording {
                    found: beginning(piece),
                });
            }
            self.recording.missing.push(Missing::Tail {
                line: number,
                bytes: piece.len(),
            });
            self.is_sealed = false;
            return Ok(());
        };
        let object = std::str::from_utf8(line).map_err(|why| ReadError::Senseless {
            line: number,
            why: why.to_string(),
        })?;
        self.is_sealed = self.recording.take(object, number)?;
        self.recording.lines = number;
        self.recording.whole_bytes += piece.len();
        Ok(())
    }

    /// The recording, with what it lacks.
    fn finish(self, chain: &Chain) -> Recording {
        let mut recording = self.recording;
        recording
            .sessions
            .iter_mut()
            .for_each(RecordedSession::settle);
        if !self.is_sealed {
            recording.missing.push(Missing::Seal);
        }
        recording.fingerprint = chain.fingerprint();
        recording
    }
}

impl Recording {
    /// Takes the object of one line. Gives whether it is a seal.
    fn take(&mut self, object: &str, number: u64) -> Result<bool, ReadError> {
        let senseless = |why: String| ReadError::Senseless { line: number, why };
        match understand(object).map_err(senseless)? {
            RecordingLine::Header(header) if number == 1 => self.header = Some(header),
            _ if number == 1 => {
                return Err(ReadError::NotARecording {
                    found: "another line".to_owned(),
                });
            }
            RecordingLine::Header(_) => return Err(senseless("a second header".to_owned())),
            RecordingLine::Start(start) => self.sessions.push(RecordedSession::new(start)),
            RecordingLine::Entry(entry) => match self.sessions.last_mut() {
                Some(session) => session.take(entry),
                None => return Err(senseless("an event before any session".to_owned())),
            },
            RecordingLine::Seal { lines } if lines + 1 == number => return Ok(true),
            RecordingLine::Seal { lines } => {
                return Err(senseless(format!("a seal over {lines} lines here")));
            }
            RecordingLine::Unknown(kind) => {
                self.missing.push(Missing::Unknown { line: number, kind })
            }
        }
        Ok(false)
    }
}

/// How every recording begins.
const HEADER: &[u8] = b"{\"type\":\"header\"";

fn looks_like_header(line: &[u8]) -> bool {
    line.starts_with(HEADER)
}

/// Whether it is the begin of a header, however short.
fn may_be_header(piece: &[u8]) -> bool {
    looks_like_header(piece) || HEADER.starts_with(piece)
}

/// The first characters of something, to be shown.
fn beginning(line: &[u8]) -> String {
    let text = String::from_utf8_lossy(line.get(..40).unwrap_or(line)).into_owned();
    format!("\"{}\"", text.escape_default())
}
