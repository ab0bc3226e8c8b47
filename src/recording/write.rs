//! Adds lines to a recording, so that a line once written survives whatever comes.
//!
//! Does not: read a clock, or know what is worth recording.

use std::fs::{File, OpenOptions, TryLockError};
use std::io::{BufReader, Seek as _, SeekFrom, Write as _};
use std::path::{Path, PathBuf};

use packside_profiles::Foreign;
use serde_json::Value as Json;

use super::chain::Chain;
use super::{Entry, Header, ReadError, Recording, Start, lines, read_from};
use crate::event::Event;

/// An open recording.
#[derive(Debug)]
pub struct Recorder {
    path: PathBuf,
    file: File,
    chain: Chain,
    /// Bytes of whole lines: where a line that failed is cut off again.
    length: u64,
    /// Serial number of the unit that it is about, once known.
    unit: Option<Foreign>,
    /// What came over the link in a session of which it is not known yet whether it is that unit.
    held: Vec<Event>,
    is_held: bool,
}

/// No more is held back: a first look is much shorter.
const HELD: usize = 4096;

/// Why a recording was not written.
#[derive(Debug, thiserror::Error)]
pub enum WriteError {
    /// It is there already.
    #[error("recording {}: it exists already; expected a new name, or --continue to add to it", packside_profiles::shown(&path))]
    Exists {
        /// The file.
        path: PathBuf,
    },
    /// It is being written.
    #[error("recording {}: expected one that nobody writes, found it held by another recorder", packside_profiles::shown(&path))]
    Busy {
        /// The file.
        path: PathBuf,
    },
    /// The system refused.
    #[error("recording {}: cannot be written: {why}", packside_profiles::shown(&path))]
    System {
        /// The file.
        path: PathBuf,
        /// As the system says it.
        why: std::io::Error,
    },
    /// What is there cannot be added to.
    #[error("recording {}: {why}", packside_profiles::shown(&path))]
    Unfit {
        /// The file.
        path: PathBuf,
        /// Why.
        why: ReadError,
    },
    /// It is about another unit.
    #[error("recording {}: it is about the unit {}, but {} answers now", packside_profiles::shown(&path), recorded.clean(), answers.clean())]
    OtherUnit {
        /// The file.
        path: PathBuf,
        /// Serial number in it.
        recorded: Foreign,
        /// Serial number heard.
        answers: Foreign,
    },
    /// It was made with another register map.
    #[error("recording {}: it was made with the register map {recorded}, but {now} is given now", packside_profiles::shown(&path))]
    OtherProfile {
        /// The file.
        path: PathBuf,
        /// Id and fingerprint in it.
        recorded: String,
        /// Id and fingerprint now.
        now: String,
    },
}

impl Recorder {
    /// Begins a new recording.
    ///
    /// # Errors
    /// Where it exists already, or cannot be written.
    pub fn create(path: &Path, header: &Header) -> Result<Self, WriteError> {
        let opened = OpenOptions::new().write(true).create_new(true).open(path);
        let file = opened.map_err(|why| match why.kind() {
            std::io::ErrorKind::AlreadyExists => WriteError::Exists {
                path: path.to_owned(),
            },
            _ => system(path, why),
        })?;
        hold(&file, path)?;
        let mut recorder = Self {
            path: path.to_owned(),
            file,
            chain: Chain::default(),
            length: 0,
            unit: None,
            held: Vec::new(),
            is_held: false,
        };
        recorder.line(&lines::header(header), true)?;
        Ok(recorder)
    }

    /// Goes on with a recording, and gives it as it is. A line that was cut is taken off.
    ///
    /// # Errors
    /// Where it cannot be read or written, another recorder holds it, it was changed, or was made with another register map.
    pub fn go_on(path: &Path, header: &Header) -> Result<(Self, Recording), WriteError> {
        let opened = OpenOptions::new().read(true).write(true).open(path);
        let mut file = opened.map_err(|why| system(path, why))?;
        hold(&file, path)?;
        let unfit = |why| WriteError::Unfit {
            path: path.to_owned(),
            why,
        };
        let read = read_from(BufReader::new(&mut file)).map_err(|why| system(path, why))?;
        let recording = read.map_err(unfit)?;
        if let Some(missing) = recording.changed() {
            return Err(unfit(ReadError::Changed(missing)));
        }
        let named = |header: &Header| {
            let profile = header.profile.as_ref();
            profile.map_or_else(
                || "none".to_owned(),
                |p| format!("{} ({})", p.id, p.sha256.get(..12).unwrap_or(&p.sha256)),
            )
        };
        let recorded = recording.header.as_ref().unwrap_or(header);
        if recorded.profile != header.profile {
            return Err(WriteError::OtherProfile {
                path: path.to_owned(),
                recorded: named(recorded),
                now: named(header),
            });
        }
        let length = recording.whole_bytes as u64;
        let mut units = recording.sessions.iter().flat_map(|s| &s.units);
        let mut recorder = Self {
            path: path.to_owned(),
            unit: units.next_back().cloned(),
            file,
            chain: Chain::behind(&recording.fingerprint, recording.lines),
            length,
            held: Vec::new(),
            is_held: false,
        };
        recorder.cut_off().map_err(|why| system(path, why))?;
        if recording.header.is_none() {
            recorder.line(&lines::header(header), true)?;
        }
        Ok((recorder, recording))
    }

    /// The file.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Begins a session.
    ///
    /// # Errors
    /// Where it cannot be written.
    pub fn session(&mut self, start: &Start) -> Result<(), WriteError> {
        self.release()?;
        self.is_held = self.unit.is_some();
        self.line(&lines::start(start), true)
    }

    /// Adds a line. What a person said or was shown is on the disk when this returns; the rest is
    /// with the system. In a recording that is gone on with, what comes over the link is held back
    /// until the unit has said who it is: of another one nothing is recorded.
    ///
    /// # Errors
    /// Where it cannot be written, or another unit answers than the one recorded.
    pub fn entry(&mut self, entry: &Entry) -> Result<(), WriteError> {
        let sync = match entry {
            Entry::Event(event) => {
                let is_theirs = event.what.is_from_a_person();
                if self.is_held && !is_theirs && self.held.len() < HELD {
                    self.held.push(event.clone());
                    return Ok(());
                }
                is_theirs
            }
            Entry::Unit(serial) => {
                if let Some(recorded) = self.unit.as_ref().filter(|known| *known != serial) {
                    self.held.clear();
                    return Err(WriteError::OtherUnit {
                        path: self.path.clone(),
                        recorded: recorded.clone(),
                        answers: serial.clone(),
                    });
                }
                self.is_held = false;
                self.release()?;
                if self.unit.is_some() {
                    return Ok(());
                }
                self.unit = Some(serial.clone());
                true
            }
            Entry::Shown(_) | Entry::Afresh(_) => {
                self.release()?;
                true
            }
        };
        self.line(&lines::entry(entry), sync)
    }

    /// Ends the recording: whoever reads it then knows that it is whole. Gives the fingerprint.
    ///
    /// # Errors
    /// Where it cannot be written.
    pub fn seal(&mut self) -> Result<String, WriteError> {
        self.release()?;
        self.line(&lines::seal(self.chain.lines), true)?;
        Ok(self.chain.fingerprint())
    }

    /// Writes what was held back.
    fn release(&mut self) -> Result<(), WriteError> {
        for event in std::mem::take(&mut self.held) {
            self.line(&lines::entry(&Entry::Event(event)), false)?;
        }
        Ok(())
    }

    /// Writes one line in one piece. Where that fails, what was written of it is cut off again.
    fn line(&mut self, object: &Json, sync: bool) -> Result<(), WriteError> {
        let mut chain = self.chain.clone();
        let line = chain.seal(&object.to_string()) + "\n";
        let written = self
            .file
            .write_all(line.as_bytes())
            .and_then(|()| if sync { self.file.sync_data() } else { Ok(()) });
        if let Err(why) = written {
            let _ = self.cut_off();
            return Err(system(&self.path, why));
        }
        self.chain = chain;
        self.length += line.len() as u64;
        Ok(())
    }

    /// Takes off whatever stands behind the last whole line.
    fn cut_off(&mut self) -> std::io::Result<()> {
        self.file.set_len(self.length)?;
        self.file.seek(SeekFrom::Start(self.length)).map(drop)
    }
}

/// Holds the file alone while it is open: two recorders would write into each other's lines.
fn hold(file: &File, path: &Path) -> Result<(), WriteError> {
    match file.try_lock() {
        Err(TryLockError::WouldBlock) => Err(WriteError::Busy {
            path: path.to_owned(),
        }),
        // Some file systems cannot; nobody else can hold it there either.
        Ok(()) | Err(TryLockError::Error(_)) => Ok(()),
    }
}

fn system(path: &Path, why: std::io::Error) -> WriteError {
    WriteError::System {
        path: path.to_owned(),
        why,
    }
}
