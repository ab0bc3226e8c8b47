//! The page to hand over, from a recording and the result of judging it.
//!
//! Input: a [`Recording`], a profile, the [`Judgement`] of it, pictures that were taken. Output:
//! [`page()`], one HTML document without any outside resource; [`crate::show::json::report`] is the same
//! as data.
//! [`compare()`] sets two visits to one unit side by side, [`verify()`] says what does not hold.
//!
//! Does not: decide anything, read a file or a clock. A mark in a picture is an extreme of the
//! numbers shown, or a place that a finding names.
//!
//! # Where to look
//! `facts` what the recording says beside the wire; `series` values over time; `document` the order of
//! the page; `figures` and the rooms below it the pictures; `html` the only place that writes markup.

mod beside;
mod canvas;
pub(super) mod cells;
pub(super) mod compare;
mod compare_page;
mod curves;
mod document;
pub(super) mod facts;
mod figures;
mod found;
mod html;
mod parts;
mod resistance;
mod sections;
pub(super) mod series;
mod style;
mod timeline;
pub(super) mod verify;
pub(crate) mod words;

pub use compare::{Comparison, Unequal, compare};
pub use compare_page::comparison_page;
pub use document::page;
pub use series::Courses;
pub use verify::{Broken, holds, verify};

use std::time::Duration;

use packside_profiles::Profile;

use crate::event::{Event, What};
use crate::facts::Judgement;
use crate::recording::{RecordedSession, Recording};

/// Name and version of the data form of a report.
pub const SCHEMA: &str = "packside.report/1";

/// What marks a page as one of this tool.
pub const MARK: &str = "name=\"generator\" content=\"packside report\"";

/// For whom the page is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Reader {
    /// Warranty desk or colleague: with raw words and registers.
    Desk,
    /// Customer: plain words.
    Customer,
}

/// How the page is to be.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Options {
    /// For whom.
    pub reader: Reader,
    /// Whether the names of people and places stand on it.
    pub names: bool,
}

/// Bytes of a picture whose hash fits the recording.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PhotoBytes {
    /// SHA-256, hex, as recorded.
    pub sha256: String,
    /// Its content.
    pub bytes: Vec<u8>,
}

/// What a report is made of.
#[derive(Debug, Clone, Copy)]
pub struct PageSource<'a> {
    /// The recording.
    pub recording: &'a Recording,
    /// The session of it that was judged.
    pub session: &'a RecordedSession,
    /// The register map that it was judged by.
    pub profile: Option<&'a Profile>,
    /// SHA-256 of that map, hex.
    pub profile_sha256: &'a str,
    /// The result.
    pub judgement: &'a Judgement,
    /// Values of the whole session over time.
    pub courses: &'a Courses,
    /// Pictures that were found beside the recording.
    pub pictures: &'a [PhotoBytes],
}

/// The session that a report is about: the last one in which a unit answered something, else the
/// last one.
pub fn session_of(recording: &Recording) -> Option<&RecordedSession> {
    let answered = |session: &&RecordedSession| {
        let is_answer = |event: Event| matches!(event.what, What::In(_));
        session.events.iter().any(is_answer)
    };
    let sessions = &recording.sessions;
    sessions.iter().rev().find(answered).or(sessions.last())
}

/// The moment of a session that a report judges: that of the last verdict displayed.
pub fn moment_of(session: &RecordedSession) -> Option<Duration> {
    session.last_shown().map(|shown| shown.at)
}
