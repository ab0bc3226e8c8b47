//! A recording from its bytes: whole, cut, or changed.
//!
//! Does not: read a file, or judge.

use std::io::{BufRead, Read as _, Seek};
use std::panic::resume_unwind;
use std::sync::Arc;
use std::sync::mpsc::{SyncSender, sync_channel};

use super::chain::Chain;
use super::events::Events;
use super::lines::{RecordingLine, understand};
use super::{Entry, Header, Shown, Start};
use packside_profiles::Foreign;

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
    pub units: Vec<Foreign>,
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
    /// Changed after it was written; what stands before it is proven, what stands behind it is not.
    #[error(
        "line {line} was changed after it was written: its hash does not fit; it and what follows is left out"
    )]
    Broken {
        /// 1-based.
        line: u64,
    },
    /// A line so long that no recorder wrote it.
    #[error("line {line}: expected at most {} MB, found a longer one; it and what follows is left out", LONGEST_LINE >> 20)]
    TooLong {
        /// 1-based.
        line: u64,
    },
    /// Other line ends, as mail and some editors make them.
    #[error(
        "its line ends were changed to CRLF, as mail does; the lines themselves are as they were"
    )]
    LineEnds,
    /// A mark in front, as some editors put it.
    #[error(
        "a byte order mark was put in front, as some editors do; the lines themselves are as they were"
    )]
    ByteOrderMark,
    /// Lines of another version.
    #[error("line {line}: of the unknown type \"{}\", left out; a newer packside may know it", kind.clean())]
    Unknown {
        /// 1-based.
        line: u64,
        /// Its type.
        kind: Foreign,
    },
}

impl Missing {
    /// Whether every line is there and as it was written all the same.
    pub fn is_harmless(&self) -> bool {
        matches!(self, Self::LineEnds | Self::ByteOrderMark)
    }
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
    /// It was changed, and can therefore not be added to.
    #[error("{0}; nothing is added to it")]
    Changed(Missing),
    /// A sealed line says what cannot be.
    #[error("line {line}: {why}")]
    Senseless {
        /// 1-based.
        line: u64,
        /// What was expected and found.
        why: String,
    },
}

/// Reads a recording, up to where it was changed, if it was.
///
/// # Errors
/// Where it is none, or a sealed line says what cannot be.
pub fn read(bytes: &[u8]) -> Result<Recording, ReadError> {
    let (mut chain, mut reading) = (Chain::default(), RecordingReader::default());
    for line in bytes.split_inclusive(|byte| *byte == b'\n') {
        match check(&mut chain, line) {
            Checked::Fits => reading.line(line)?,
            Checked::Ends(missing) => {
                reading.breaks(missing);
                break;
            }
            Checked::NoRecording(why) => return Err(why),
        }
    }
    Ok(reading.finish(&chain))
}

/// Reads a recording from a file or the like, without holding its text. The hashes are checked
/// beside the reading, by a thread of their own: both take about as long. A changed one is read again,
/// up to its break.
///
/// # Errors
/// Outside, where it cannot be read; inside, where it is none, or a sealed line says what cannot be.
pub fn read_from(mut source: impl BufRead + Seek) -> std::io::Result<Result<Recording, ReadError>> {
    let (chain, ends, read) = std::thread::scope(|scope| {
        let (give, blocks) = sync_channel::<Arc<Vec<u8>>>(BLOCKS);
        let checker = scope.spawn(move || {
            let mut chain = Chain::default();
            for block in blocks {
                for line in block.split_inclusive(|byte| *byte == b'\n') {
                    match check(&mut chain, line) {
                        Checked::Fits => {}
                        ends => return (chain, Some(ends)),
                    }
                }
            }
            (chain, None)
        });
        let read = understand_all(&mut source, &give);
        drop(give);
        // The checker has seen every line that was read.
        let (chain, ends) = checker.join().unwrap_or_else(|panic| resume_unwind(panic));
        (chain, ends, read)
    });
    let (reading, senseless) = read?;
    let missing = match (ends, senseless) {
        (Some(Checked::NoRecording(why)), _) => return Ok(Err(why)),
        // A line that fits its hash and makes no sense comes before the break, or is the break itself.
        (_, Some(why)) if why.line() <= chain.lines => return Ok(Err(why)),
        (Some(Checked::Ends(missing)), _) => missing,
        (_, Some(why)) => return Ok(Err(why)),
        (_, None) => return Ok(Ok(reading.finish(&chain))),
    };
    source.rewind()?;
    up_to_break(&mut source, &chain, missing)
}

/// Reads the lines whose hashes fit once more, without those behind them.
fn up_to_break(
    source: &mut impl BufRead,
    chain: &Chain,
    missing: Missing,
) -> std::io::Result<Result<Recording, ReadError>> {
    let mut reading = RecordingReader::default();
    for _ in 0..chain.lines {
        let mut line = Vec::new();
        source.take(LONGEST_LINE).read_until(b'\n', &mut line)?;
        if let Err(why) = reading.line(&line) {
            return Ok(Err(why));
        }
    }
    reading.breaks(missing);
    Ok(Ok(reading.finish(chain)))
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
        // Not taken any more: the checker has found an end.
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
const LONGEST_LINE: u64 = 8 << 20;
/// Whole lines of about so many bytes are read at once.
const BLOCK: usize = 256 << 10;
/// So many of these may wait for their check.
const BLOCKS: usize = 4;
/// What some editors put in front of a text.
const BYTE_ORDER_MARK: &[u8] = b"\xef\xbb\xbf";

/// What the hash of a line says.
enum Checked {
    /// It fits, or the line was cut and has none.
    Fits,
    /// Here it ends.
    Ends(Missing),
    /// It never began.
    NoRecording(ReadError),
}

/// Checks the hash of the next line, given with its end; one without was cut and has none.
fn check(chain: &mut Chain, piece: &[u8]) -> Checked {
    let number = chain.lines + 1;
    let Some(line) = bare(piece, number) else {
        return if piece.len() as u64 == LONGEST_LINE && (number > 1 || may_be_header(piece)) {
            Checked::Ends(Missing::TooLong { line: number })
        } else {
            Checked::Fits
        };
    };
    let text = std::str::from_utf8(line).ok();
    if text.is_some_and(|text| chain.open(text)) {
        Checked::Fits
    } else if number == 1 && !looks_like_header(line) {
        Checked::NoRecording(ReadError::NotARecording {
            found: beginning(line),
        })
    } else {
        Checked::Ends(Missing::Broken { line: number })
    }
}

/// A line without its end and without what mail and editors add to it; nothing where it was cut.
fn bare(piece: &[u8], number: u64) -> Option<&[u8]> {
    let line = piece.strip_suffix(b"\n")?;
    let line = line.strip_suffix(b"\r").unwrap_or(line);
    let marked = line.strip_prefix(BYTE_ORDER_MARK).filter(|_| number == 1);
    Some(marked.unwrap_or(line))
}

impl ReadError {
    /// Line that it is about, 1-based.
    fn line(&self) -> u64 {
        match self {
            Self::Senseless { line, .. } => *line,
            Self::NotARecording { .. } | Self::Changed(_) => 1,
        }
    }
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
        let Some(line) = bare(piece, number) else {
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
        if number == 1 {
            self.note_mail(piece);
        }
        self.recording.lines = number;
        self.recording.whole_bytes += piece.len();
        Ok(())
    }

    /// What mail and editors did to it, seen at its first line.
    fn note_mail(&mut self, piece: &[u8]) {
        let missing = &mut self.recording.missing;
        missing.extend(piece.ends_with(b"\r\n").then_some(Missing::LineEnds));
        let is_marked = piece.starts_with(BYTE_ORDER_MARK);
        missing.extend(is_marked.then_some(Missing::ByteOrderMark));
    }

    /// It ends here, although more stands in the file.
    fn breaks(&mut self, missing: Missing) {
        self.recording.missing.push(missing);
        self.is_sealed = false;
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
    /// What keeps anything from being added to it: it is not as it was written.
    pub(super) fn changed(&self) -> Option<Missing> {
        let is_cut = |missing: &&Missing| {
            matches!(
                missing,
                Missing::Tail { .. } | Missing::Seal | Missing::Unknown { .. }
            )
        };
        self.missing.iter().find(|one| !is_cut(one)).cloned()
    }

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
