//! `packside report`: the page to hand over, from a recording.
//!
//! Does not: judge by itself or lay out; reads and writes the files, and says what it did.

use std::fs::Metadata;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use clap::{Args, ValueEnum};
use sha2::{Digest as _, Sha256};

use super::args::Format;
use super::failure::{Failure, LOCAL, USAGE};
use super::output::Output;
use super::reach::LoadedProfile;
use super::{out, record};
use crate::event::What;
use crate::evidence::Ended;
use crate::facts::Judgement;
use crate::judge::{Case, judge};
use crate::recording::{RecordedSession, Recording, Shown};
use crate::show::csv;
use crate::show::json::compare::Compared;
use crate::show::json::report::{Report, Verified};
use crate::show::json::{self, Check};
use crate::show::page::{self, Courses, Options, PageSource, PhotoBytes, Reader};

/// Exit code where something does not hold.
const BROKEN: u8 = 7;
/// Largest photograph that is put into the page.
const PHOTO_AT_MOST: u64 = 4 << 20;
/// Most bytes of photographs in one page.
const PHOTOS_AT_MOST: u64 = 24 << 20;

/// Arguments of `report`.
#[derive(Debug, Clone, Args)]
pub(crate) struct ReportArgs {
    /// A recording; two of them are compared, the earlier visit first
    #[arg(value_name = "FILE", num_args = 1..=2, required = true)]
    files: Vec<PathBuf>,
    /// Page to write, one HTML file
    #[arg(short, long, value_name = "PAGE.html")]
    output: Option<PathBuf>,
    /// Write over a file, never over a recording
    #[arg(long, requires = "output")]
    replace: bool,
    /// For whom [default: desk]
    ///
    /// The desk gets registers and raw words, the customer plain words.
    #[arg(long = "for", value_name = "desk|customer", value_enum, default_value_t = ReaderArg::Desk)]
    reader: ReaderArg,
    /// Without names of people and places
    #[arg(long)]
    without_names: bool,
    /// Is it whole, and does it hold today?
    ///
    /// Whether nothing in it was changed, and whether it gives today what was shown on site; else exit 7.
    #[arg(long)]
    verify: bool,
}

/// How a report or a comparison as data begins.
const AS_JSON: [&str; 2] = [
    "{\"schema\":\"packside.report/",
    "{\"schema\":\"packside.compared/",
];

/// Reader as an argument.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum ReaderArg {
    /// Warranty desk or colleague.
    Desk,
    /// Customer.
    Customer,
}

/// A recording with what judging its last session gave.
struct OpenedRecording {
    recording: Recording,
    loaded: Option<LoadedProfile>,
    courses: Courses,
    judgement: Judgement,
    pictures: Vec<PhotoBytes>,
}

/// Runs the command.
pub(crate) fn run(args: &ReportArgs, format: Format) -> Result<u8, Failure> {
    let as_json = format == Format::Json;
    let options = Options {
        reader: match args.reader {
            ReaderArg::Desk => Reader::Desk,
            ReaderArg::Customer => Reader::Customer,
        },
        names: !args.without_names,
    };
    match args.files.as_slice() {
        [file] if format == Format::Csv && !args.verify => {
            write(args, &courses(file)?)?;
            Ok(0)
        }
        _ if format == Format::Csv => Err(failure(
            USAGE,
            "usage",
            "--format csv: expected one recording and no --verify".to_owned(),
        )),
        [file] if args.verify => verify(file, args, options, as_json),
        [file] => {
            let opened = OpenedRecording::read(file)?;
            write(args, &opened.text(options, as_json)?)?;
            Ok(0)
        }
        [one, other] if !args.verify => {
            let (one, other) = (OpenedRecording::read(one)?, OpenedRecording::read(other)?);
            let comparison = page::compare(one.source()?, other.source()?, options)
                .map_err(|why| failure(USAGE, "usage", why.to_string()))?;
            let text = if as_json {
                json::line(&Compared::from(&comparison))
            } else {
                page::comparison_page(&comparison, options)
            };
            write(args, &text)?;
            Ok(0)
        }
        _ => Err(failure(
            USAGE,
            "usage",
            "--verify: expected one recording, found two".to_owned(),
        )),
    }
}

/// Every value that was read in a recording, as a table.
fn courses(path: &Path) -> Result<String, Failure> {
    let recording = record::open(path)?;
    let profile = recorded_map(&recording)?.map(|loaded| Arc::new(loaded.profile));
    let mut table = csv::Courses::default();
    let mut long = record::judging(&recording);
    recording.replay_telling(
        profile.as_ref(),
        |_, _, _| {},
        |number, ended| {
            if let (Some(session), Some(profile)) = (recording.sessions.get(number), &profile) {
                table.take(number, &session.start, &ended, profile);
            }
        },
        || long.done(1),
    );
    Ok(table.into_text())
}

/// The register map in a recording, where one stands in it.
fn recorded_map(recording: &Recording) -> Result<Option<LoadedProfile>, Failure> {
    let recorded = recording.header.as_ref().and_then(|h| h.profile.as_ref());
    let Some(recorded) = recorded else {
        return Ok(None);
    };
    let profile = packside_profiles::load(&recorded.text, "the map in the recording")
        .map_err(|problems| failure(LOCAL, "profile", problems.to_string()))?;
    Ok(Some(LoadedProfile::new(profile, &recorded.text)))
}

/// Says what does not hold; writes the page too where one is asked for.
fn verify(file: &Path, args: &ReportArgs, options: Options, as_json: bool) -> Result<u8, Failure> {
    let opened = OpenedRecording::read(file)?;
    if args.output.is_some() {
        write(args, &opened.text(options, as_json)?)?;
    }
    let profile = opened.loaded.as_ref().map(|l| Arc::new(l.profile.clone()));
    let mut judged: Vec<(Shown, Judgement)> = Vec::new();
    let mut long = record::judging(&opened.recording);
    let shown = |_, shown: &Shown, case: &Case| {
        judged.push((shown.clone(), case.verdict(shown.at)));
    };
    let pushed = || long.done(1);
    opened
        .recording
        .replay_telling(profile.as_ref(), shown, |_, _| {}, pushed);
    drop(long);
    let broken = page::verify(&opened.recording, &judged);
    if as_json {
        out::result(&json::line(&Verified::of(&opened.recording, &broken)));
    } else if broken.is_empty() {
        out::result(&format!(
            "holds: whole, sealed, and judged today as shown on site; fingerprint {}\n",
            opened.recording.fingerprint
        ));
    } else {
        for broken in &broken {
            let broken = broken.to_string();
            let broken = packside_profiles::clean(&broken);
            out::result(&format!("does not hold: {broken}\n"));
        }
    }
    Ok(if broken.is_empty() { 0 } else { BROKEN })
}

impl OpenedRecording {
    /// Reads a recording and judges it at the moment that was shown last.
    fn read(path: &Path) -> Result<Self, Failure> {
        let recording = record::open(path)?;
        let Some(session) = page::session_of(&recording) else {
            return Err(no_session());
        };
        let loaded = recorded_map(&recording)?;
        let (judgement, courses) = shown_last(&recording, session, loaded.as_ref());
        let pictures = pictures(path, &recording);
        Ok(Self {
            recording,
            loaded,
            courses,
            judgement,
            pictures,
        })
    }

    fn source(&self) -> Result<PageSource<'_>, Failure> {
        Ok(PageSource {
            recording: &self.recording,
            session: page::session_of(&self.recording).ok_or_else(no_session)?,
            profile: self.loaded.as_ref().map(|l| &l.profile),
            profile_sha256: self.loaded.as_ref().map_or("", |l| l.sha256.as_str()),
            judgement: &self.judgement,
            courses: &self.courses,
            pictures: &self.pictures,
        })
    }

    /// The page, or the same as data.
    fn text(&self, options: Options, as_json: bool) -> Result<String, Failure> {
        let source = self.source()?;
        Ok(if as_json {
            let judged = self.judged(source.session);
            json::line(&Report::of(&source, options, judged))
        } else {
            page::page(&source, options)
        })
    }

    /// The result as `packside check` gives it.
    fn judged(&self, session: &RecordedSession) -> Check {
        let loaded = self.loaded.as_ref();
        Check::of(
            &self.judgement,
            loaded.map(|l| (&l.profile, l.sha256.as_str())),
            session.link(),
        )
    }
}

/// What the verdict displayed last in a session is today, from the lines before it; where none was, what
/// the whole session gives. Beside it what the values of that session did over time.
fn shown_last(
    recording: &Recording,
    session: &RecordedSession,
    loaded: Option<&LoadedProfile>,
) -> (Judgement, Courses) {
    let profile = loaded.map(|loaded| Arc::new(loaded.profile.clone()));
    let (mut shown_so_far, mut judgement) = (0, None);
    let mut courses = Courses::default();
    let is_meant = |number: usize| {
        let one = recording.sessions.get(number);
        one.is_some_and(|one| std::ptr::eq(one, session))
    };
    let ended = |number, one: Ended<'_>| {
        if is_meant(number) {
            courses.take(&one, profile.as_deref());
        }
    };
    let shown = |number, shown: &Shown, case: &Case| {
        if is_meant(number) {
            shown_so_far += 1;
            if shown_so_far == session.shown.len() {
                judgement = Some(case.verdict(shown.at));
            }
        }
    };
    let mut long = record::judging(recording);
    recording.replay_telling(profile.as_ref(), shown, ended, || long.done(1));
    drop(long);
    let whole = || judge(&session.events, profile.as_deref(), None);
    (judgement.unwrap_or_else(whole), courses)
}

/// Photographs that lie beside the recording, are not too large, and fit their hash.
fn pictures(recording_path: &Path, recording: &Recording) -> Vec<PhotoBytes> {
    let folder = recording_path.parent().unwrap_or(Path::new(""));
    let mut found: Vec<PhotoBytes> = Vec::new();
    let mut room = PHOTOS_AT_MOST;
    for event in recording.sessions.iter().flat_map(|s| s.events.beside()) {
        let What::Photo { file, sha256, .. } = &event.what else {
            continue;
        };
        // Only a bare name: a recording must not make anybody read elsewhere.
        let Some(name) = Path::new(file).file_name() else {
            continue;
        };
        let path = folder.join(name);
        let there = std::fs::metadata(&path).ok().filter(Metadata::is_file);
        let size = there.map_or(u64::MAX, |file| file.len());
        let is_known = found.iter().any(|picture| picture.sha256 == *sha256);
        if is_known || size > PHOTO_AT_MOST.min(room) {
            continue;
        }
        let Ok(bytes) = std::fs::read(&path) else {
            continue;
        };
        if hash(&bytes) == sha256.to_ascii_lowercase() {
            room = room.saturating_sub(size);
            found.push(PhotoBytes {
                sha256: sha256.clone(),
                bytes,
            });
        } else {
            out::say(&format!(
                "note: {}: its content is not what was recorded, left out",
                packside_profiles::shown(&path)
            ));
        }
    }
    found
}

fn hash(bytes: &[u8]) -> String {
    crate::wire::hex(&Sha256::digest(bytes))
}

/// Writes the page.
fn write(args: &ReportArgs, text: &str) -> Result<(), Failure> {
    let Some(path) = &args.output else {
        out::result(text);
        return Ok(());
    };
    let output = Output {
        option: "--output",
        path,
        kind: "a report",
        is_kind: |begin| {
            begin.contains(page::MARK)
                || begin.starts_with(csv::COURSES)
                || AS_JSON.iter().any(|lead| begin.starts_with(lead))
        },
        inputs: &args.files,
        replace: Some(args.replace),
    };
    output.write(text)?;
    out::note(&format!("written: {}", packside_profiles::shown(&path)));
    Ok(())
}

fn failure(exit: u8, kind: &'static str, message: String) -> Failure {
    Failure {
        exit,
        kind,
        message,
        hint: None,
    }
}

fn no_session() -> Failure {
    failure(
        LOCAL,
        "recording",
        "recording: expected at least one session, found none".to_owned(),
    )
}
