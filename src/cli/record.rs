//! `--record` and `--recording`: the file beside a command.
//!
//! Does not: judge. Trouble with the file never stops a look: it is said at once and once more at
//! the end, and everything acknowledged before stays.

use std::fs::File;
use std::io::{BufReader, Read, Seek, SeekFrom};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use packside_profiles::Foreign;
use packside_profiles::model::Profile;

use super::args::{LinkArgs, RecordArgs, duration};
use super::failure::{Failure, LOCAL, USAGE};
use super::reach::LoadedProfile;
use super::{interrupt, keep, out};
use crate::event::Event;
use crate::facts::Judgement;
use crate::judge::Case;
use crate::link::{Quiet, wall};
use crate::recording::{
    Entry, Header, Missing, ProfileText, RecordedSession, Recorder, Recording, Shown, Start,
    WriteError, read_from,
};
use crate::show::screen::counted;
use crate::words;

/// Where what was seen is kept, for whoever reads the result.
#[derive(Debug, Clone)]
pub(crate) struct Saved {
    /// The file.
    pub(crate) path: PathBuf,
    /// Nobody asked for it: `last` opens it.
    pub(crate) by_itself: bool,
}

impl Saved {
    /// What it is called on a screen.
    pub(crate) fn name(&self) -> String {
        let name = self.path.file_name().filter(|_| self.by_itself);
        packside_profiles::shown(name.unwrap_or(self.path.as_os_str()))
    }
}

/// A recording under way, or none. Clones write to the same file.
#[derive(Debug, Clone, Default)]
pub(crate) struct Record(Arc<Mutex<RecordState>>);

#[derive(Debug, Default)]
struct RecordState {
    recorder: Option<Recorder>,
    /// What is gone on with, until the case of this session has it.
    earlier: Option<Recording>,
    /// What went wrong, once it did.
    trouble: Option<String>,
    /// That was another unit.
    is_another: bool,
    /// The file, once it is open.
    saved: Option<Saved>,
    /// Something happened on the link.
    has_events: bool,
    /// The unit that it is about was named.
    is_named: bool,
}

/// Kind of the failure where another unit answers than the one that is meant.
pub(crate) const ANOTHER_UNIT: &str = "another-unit";

impl Record {
    /// Begins a session in the file that was asked for, if one was.
    pub(crate) fn begin(
        args: &RecordArgs,
        loaded: Option<&LoadedProfile>,
        simulated_seed: Option<u64>,
    ) -> Result<Self, Failure> {
        let Some(path) = &args.record else {
            return Ok(Self::default());
        };
        let header = Header {
            tool: env!("CARGO_PKG_VERSION").to_owned(),
            profile: loaded.map(LoadedProfile::as_text),
            simulated_seed,
        };
        // A signal waits until the file can be sealed.
        let mut open = open_one();
        let mut earlier = None;
        let recorder = if args.go_on && path.exists() {
            let (recorder, recording) = Recorder::go_on(path, &header).map_err(|e| failure(&e))?;
            say_missing(path, &recording.missing);
            earlier = Some(recording);
            recorder
        } else {
            Recorder::create(path, &header).map_err(|e| failure(&e))?
        };
        let state = RecordState {
            recorder: Some(recorder),
            earlier,
            saved: Some(Saved {
                path: path.clone(),
                by_itself: false,
            }),
            ..RecordState::default()
        };
        let record = Self(Arc::new(Mutex::new(state)));
        *open = Some(record.clone());
        drop(open);
        record.session()?;
        out::note(&format!(
            "recording into {}",
            packside_profiles::shown(&path)
        ));
        Ok(record)
    }

    /// The same; where no file was asked for and the unit is real, it is kept all the same.
    pub(crate) fn of_look(
        link: &LinkArgs,
        what: keep::What,
        loaded: Option<&LoadedProfile>,
        simulated_seed: Option<u64>,
    ) -> Result<Self, Failure> {
        let args = &link.record;
        if args.record.is_some() || args.no_keep || link.place.simulated.is_some() {
            return Self::begin(args, loaded, simulated_seed);
        }
        let header = Header {
            tool: env!("CARGO_PKG_VERSION").to_owned(),
            profile: loaded.map(LoadedProfile::as_text),
            simulated_seed,
        };
        let mut open = open_one();
        let Some((recorder, path)) = keep::begin(what, &header) else {
            return Ok(Self::default());
        };
        let state = RecordState {
            recorder: Some(recorder),
            saved: Some(Saved {
                path,
                by_itself: true,
            }),
            ..RecordState::default()
        };
        let record = Self(Arc::new(Mutex::new(state)));
        *open = Some(record.clone());
        drop(open);
        if record.session().is_err() {
            return Ok(Self::default());
        }
        Ok(record)
    }

    /// Where what was seen is, as far as it is whole.
    pub(crate) fn saved(&self) -> Option<Saved> {
        let state = self.state();
        let is_whole = state.recorder.is_some() && state.has_events;
        state.saved.clone().filter(|_| is_whole)
    }

    /// The file; a thread that panicked while writing has left whole lines.
    fn state(&self) -> MutexGuard<'_, RecordState> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Begins another session in the same file: a link that was opened anew, with its own times.
    pub(crate) fn session(&self) -> Result<(), Failure> {
        let (utc, offset_minutes) = wall();
        let start = Start {
            utc,
            offset_minutes,
        };
        match &mut self.state().recorder {
            Some(recorder) => recorder.session(&start).map_err(|e| failure(&e)),
            None => Ok(()),
        }
    }

    /// The case of what is gone on with, to be gone on with.
    pub(crate) fn earlier_case(&self, profile: &Arc<Profile>) -> Option<Case> {
        let earlier = self.state().earlier.take()?;
        Some(earlier.replay(Some(profile), |_, _, _| {}))
    }

    /// Only what comes from now on is judged, or everything again.
    pub(crate) fn afresh(&self, on: bool) {
        self.entry(&Entry::Afresh(on));
    }

    /// Records a verdict that is displayed.
    pub(crate) fn shown(&self, judgement: &Judgement) {
        let summary = words::summary(judgement);
        self.entry(&Entry::Shown(Shown::of(judgement, summary)));
    }

    /// Records everything that happens on this link.
    pub(crate) fn follow(&self, quiet: &mut Quiet) {
        if self.state().recorder.is_some() || out::is_verbose() {
            let record = self.clone();
            quiet.record_to(Box::new(move |event| {
                record.event(event.clone());
                if out::is_verbose()
                    && let Some(line) = words::progress::happened(event)
                {
                    out::say(&line);
                }
            }));
        }
    }

    /// Adds an event.
    pub(crate) fn event(&self, event: Event) {
        self.entry(&Entry::Event(event));
    }

    /// Adds a line.
    pub(crate) fn entry(&self, entry: &Entry) {
        let mut state = self.state();
        state.has_events |= matches!(entry, Entry::Event(_));
        if matches!(entry, Entry::Unit(_)) {
            // What keeps itself is about whatever answered: another unit is what the verdict is to tell.
            let by_itself = state.saved.as_ref().is_some_and(|saved| saved.by_itself);
            if std::mem::replace(&mut state.is_named, true) && by_itself {
                return;
            }
        }
        let Some(Err(error)) = state.recorder.as_mut().map(|r| r.entry(entry)) else {
            if let Entry::Shown(_) = entry {
                state.ends_when_too_long();
            }
            return;
        };
        out::say(&format!(
            "error: {error}; recording ends here, everything before is kept"
        ));
        state.recorder = None;
        state.is_another = matches!(error, WriteError::OtherUnit { .. });
        state.trouble = Some(error.to_string());
    }

    /// Notes which unit answers.
    ///
    /// # Errors
    /// Where the recording is about another one.
    pub(crate) fn unit(&self, serial: &str) -> Result<(), Failure> {
        self.entry(&Entry::Unit(serial.into()));
        let by_itself = |saved: &Saved| saved.by_itself;
        let is_kept = self.state().saved.as_ref().is_some_and(by_itself);
        if is_kept || !self.state().is_another {
            return Ok(());
        }
        let hint = "nothing of this unit was recorded: give it a recording of its own, --record NEW.visit.jsonl";
        Err(Failure {
            exit: LOCAL,
            kind: ANOTHER_UNIT,
            message: self.state().trouble.clone().unwrap_or_default(),
            hint: Some(hint.to_owned()),
        })
    }

    /// Closes the file, and says its fingerprint.
    ///
    /// # Errors
    /// Where it is not whole.
    pub(crate) fn close(&self) -> Result<(), Failure> {
        let mut state = self.state();
        if state.saved.as_ref().is_some_and(|saved| saved.by_itself) {
            state.close_kept();
            return Ok(());
        }
        if let Some(mut recorder) = state.recorder.take() {
            match recorder.seal() {
                Ok(fingerprint) => {
                    let path = packside_profiles::shown(recorder.path());
                    let line = format!(
                        "recorded into {path}, fingerprint {fingerprint}: note it elsewhere, it proves that nothing was changed since"
                    );
                    out::kept(line, interrupt::is_stopped());
                }
                Err(error) => state.trouble = Some(error.to_string()),
            }
        }
        match &state.trouble {
            Some(trouble) => Err(Failure {
                exit: LOCAL,
                kind: "recording",
                message: format!("the recording is not whole: {trouble}"),
                hint: Some("what was written before can be read all the same".to_owned()),
            }),
            None => Ok(()),
        }
    }

    /// Closes the file at the end of a command. Where it is not whole, that is the last thing said
    /// and the exit code; the result that was printed stands all the same.
    pub(crate) fn end(&self, result: Result<u8, Failure>) -> Result<u8, Failure> {
        match (self.close(), result) {
            (Err(failure), Ok(_)) => Ok(super::failure::finish(None, Err(failure), false)),
            (_, result) => result,
        }
    }
}

impl RecordState {
    /// What nobody asked for may not fill the disk: a very long watch is kept as far as it fits.
    fn ends_when_too_long(&mut self) {
        let Some(saved) = self.saved.as_ref().filter(|saved| saved.by_itself) else {
            return;
        };
        let bytes = std::fs::metadata(&saved.path).map_or(0, |about| about.len());
        if bytes > keep::MOST_BYTES && self.recorder.is_some() {
            self.close_kept();
            out::say("note: what comes now is not kept, it got too long: --record FILE keeps all");
        }
    }

    /// Closes what nobody asked for. What holds nothing is taken away, and trouble with it is no failure.
    fn close_kept(&mut self) {
        let (Some(mut recorder), Some(saved)) = (self.recorder.take(), &self.saved) else {
            return;
        };
        let sealed = recorder.seal();
        drop(recorder);
        if !self.has_events {
            std::fs::remove_file(&saved.path).ok();
        } else if let Ok(fingerprint) = sealed {
            let path = packside_profiles::shown(&saved.path);
            let line = format!("kept in {path}, fingerprint {fingerprint}");
            out::kept(line, interrupt::is_stopped());
        }
    }
}

/// The recording of this process, for the end that nobody chose.
static OPEN: Mutex<Option<Record>> = Mutex::new(None);

fn open_one() -> MutexGuard<'static, Option<Record>> {
    OPEN.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Closes the recording that is under way, if there is one: the program ends.
pub(crate) fn seal_open() {
    let open = open_one().take();
    if let Some(Err(failure)) = open.map(|record| record.close()) {
        out::kept(format!("error: {}", failure.message), true);
    }
}

fn failure(error: &WriteError) -> Failure {
    let exit = match error {
        WriteError::Exists { .. } => USAGE,
        _ => LOCAL,
    };
    let hint = match error {
        WriteError::Busy { path } => who_has(path),
        _ => None,
    };
    Failure {
        exit,
        kind: "recording",
        message: error.to_string(),
        hint,
    }
}

/// Who writes a recording, where the system shows it.
fn who_has(path: &Path) -> Option<String> {
    let names: Vec<String> = crate::link::holders(path)
        .into_iter()
        .map(|(number, name)| format!("{name} (process {number})"))
        .collect();
    (!names.is_empty()).then(|| {
        format!(
            "{} has it: let it end, or give another name",
            names.join(", ")
        )
    })
}

fn say_missing(path: &Path, missing: &[Missing]) {
    for missing in missing {
        out::say(&format!(
            "note: {}, {missing}",
            packside_profiles::shown(&path)
        ));
    }
}

/// Reads a recording.
pub(crate) fn load(path: &Path) -> Result<Recording, Failure> {
    let unreadable = |why| trouble(path, &format!("cannot be read: {why}"));
    let file = packside_profiles::open_file(path).map_err(unreadable)?;
    let size = file.metadata().map_or(0, |file| file.len());
    let long = out::Long::new("reading the recording", size);
    let read = read_from(BufReader::new(Counted { file, long })).map_err(unreadable)?;
    read.map_err(|why| trouble(path, &why.to_string()))
}

/// A file of which it is told how much was read.
struct Counted {
    file: File,
    long: out::Long,
}

impl Read for Counted {
    fn read(&mut self, into: &mut [u8]) -> std::io::Result<usize> {
        let read = self.file.read(into)?;
        self.long.done(read as u64);
        Ok(read)
    }
}

impl Seek for Counted {
    fn seek(&mut self, to: SeekFrom) -> std::io::Result<u64> {
        self.file.seek(to)
    }
}

/// All events of a recording are to be judged.
pub(crate) fn judging(recording: &Recording) -> out::Long {
    let events = recording.sessions.iter().map(|one| one.events.len() as u64);
    out::Long::new("judging it", events.sum())
}

fn trouble(path: &Path, message: &str) -> Failure {
    Failure {
        exit: LOCAL,
        kind: "recording",
        message: format!("recording {}: {message}", packside_profiles::shown(&path)),
        hint: None,
    }
}

/// Opens a recording to be judged, and says what it is and what is missing.
pub(crate) fn open(path: &Path) -> Result<Recording, Failure> {
    let path = &keep::named(path)?;
    let recording = load(path)?;
    out::note(&format!(
        "recording {}: {}, {}, fingerprint {}",
        packside_profiles::shown(&path),
        counted(recording.lines, "line"),
        counted(recording.sessions.len() as u64, "session"),
        recording.fingerprint
    ));
    say_missing(path, &recording.missing);
    if recording.sessions.is_empty() {
        return Err(trouble(path, "expected at least one session, found none"));
    }
    Ok(recording)
}

/// The session that is played: the one asked for, by number, or the last one. Says which where there
/// are several.
pub(crate) fn session(
    recording: &Recording,
    number: Option<usize>,
) -> Result<&RecordedSession, Failure> {
    let count = recording.sessions.len();
    let number = number.unwrap_or(count);
    let found = number
        .checked_sub(1)
        .and_then(|n| recording.sessions.get(n));
    let Some(session) = found else {
        let message = format!("--session: expected 1 to {count}, found {number}");
        return Err(Failure {
            exit: USAGE,
            kind: "usage",
            message,
            hint: None,
        });
    };
    if count > 1 {
        out::note(&format!(
            "session {number} of {count}, begun {}; --session N plays another one",
            session.start.utc
        ));
    }
    Ok(session)
}

/// Times on screens are whole seconds: the last of them may lie behind the end.
const ROUNDED: Duration = Duration::from_secs(1);

/// The session that is judged, and until when: the last one, or the one that holds the mark.
pub(crate) fn moment<'r>(
    recording: &'r Recording,
    text: Option<&Foreign>,
) -> Result<(&'r RecordedSession, Option<Duration>), Failure> {
    let wrong = |message: String| Failure {
        exit: USAGE,
        kind: "usage",
        message,
        hint: None,
    };
    let Some(last) = recording.sessions.last() else {
        return Err(wrong("--recording: no session".to_owned()));
    };
    let Some(text) = text else {
        return Ok((last, None));
    };
    let marked = recording.sessions.iter().rev();
    if let Some(found) = marked
        .filter_map(|session| Some((session, Some(session.mark(text.as_given())?))))
        .next()
    {
        return Ok(found);
    }
    let end = last.events.span().map_or(Duration::ZERO, |(_, end)| end);
    match duration(text.as_given()) {
        // Nothing is known of what came later, and what is known would be called old.
        Ok(time) if time.saturating_sub(end) > ROUNDED => Err(wrong(format!(
            "--moment {}: expected at most {:.1} s, at which the session ends",
            text.clean(),
            end.as_secs_f64()
        ))),
        Ok(time) => Ok((last, Some(time))),
        Err(_) => Err(wrong(format!(
            "--moment: expected seconds, for example 90s, or the name of a mark, found \"{}\"",
            text.clean()
        ))),
    }
}

impl LoadedProfile {
    /// As it stands in a recording.
    fn as_text(&self) -> ProfileText {
        ProfileText {
            id: self.profile.profile.id.clone(),
            sha256: self.sha256.clone(),
            text: self.text.clone(),
        }
    }
}
