//! What the command line tells of a session under way, and asks a person meanwhile.
//!
//! Does not: decide what comes next ([`crate::session::Session`] does).

use indicatif::ProgressBar;

use super::args::CheckArgs;
use super::out;
use super::record::Record;
use crate::drive::Sink;
use crate::event::{Event, What};
use crate::link::{MayWake, OpenError, Quiet};
use crate::session::{Manner, Progress, Word};
use crate::words::progress;

/// Tells what a session does, and records it.
pub(crate) struct Telling {
    record: Record,
    /// Keeps what happened since it was last taken away.
    pub(crate) events: Vec<Event>,
    /// Why the link could not be opened.
    pub(crate) not_opened: Option<OpenError>,
    draws: bool,
    bar: Option<ProgressBar>,
}

impl Telling {
    /// Tells, and draws the progress of looks where that is wanted and can be seen.
    pub(crate) fn new(record: Record, draws: bool) -> Self {
        Self {
            record,
            events: Vec::new(),
            not_opened: None,
            draws: draws && out::draws_progress(),
            bar: None,
        }
    }

    /// Takes the bar away.
    pub(crate) fn clear(&mut self) {
        out::waited();
        if let Some(bar) = self.bar.take() {
            bar.finish_and_clear();
        }
    }

    fn draw(&mut self, done: usize, planned: usize, unit: u8) {
        out::waited();
        if !self.draws {
            return;
        }
        if self.bar.is_none() {
            self.bar = out::bar("  {msg} {bar:24} {pos}/{len} questions, about {eta} left");
        }
        let Some(bar) = &self.bar else { return };
        bar.set_length(planned as u64);
        bar.set_position(done as u64);
        bar.set_message(format!("reading address {unit}"));
    }
}

impl Sink for Telling {
    fn opened(&mut self, quiet: &mut Quiet) {
        self.record.follow(quiet);
    }

    fn not_opened(&mut self, why: &OpenError) {
        self.not_opened = Some(why.clone());
    }

    fn event(&mut self, event: &Event) {
        self.events.push(event.clone());
    }

    fn progress(&mut self, progress: &Progress) {
        if let Progress::Looking {
            done,
            planned,
            unit,
        } = progress
        {
            self.draw(*done, *planned, *unit);
            return;
        }
        out::waited();
        match (progress, progress::line(progress)) {
            (Progress::MayWake(_), Some(caution)) => out::say(&caution),
            (_, Some(line)) => out::note(&line),
            (_, None) => {}
        }
        if let Some(time) = progress::lasts(progress) {
            out::wait(Some(time));
        }
    }

    fn word(&mut self, word: &Word) -> bool {
        match word {
            Word::MayWake(_) => confirmed(),
            // Who wants to ask beside others says so on the command line.
            Word::BesideOthers { .. } => false,
        }
    }
}

/// How a look is made by these arguments.
pub(crate) fn manner(args: &CheckArgs, unit: u8) -> Manner {
    Manner {
        unit: args.ask.only.or(args.ask.unit).unwrap_or(unit),
        only: args.ask.only.is_some(),
        listen_first: args.ask.listen_first,
        consent: args.ask.consent.said(),
        time_out: args.ask.time_out,
        heard_silent: std::time::Duration::ZERO,
    }
}

/// Whether somebody said that the unit may wake, where it may: on the command line, or by a key after
/// the caution where a person can answer.
pub(crate) fn may_wake(why: Option<MayWake>, is_said: bool) -> bool {
    let Some(why) = why else {
        return is_said;
    };
    out::say(&progress::caution(why));
    is_said || confirmed()
}

fn confirmed() -> bool {
    if !out::interactive() {
        return false;
    }
    crate::link::forget_typed();
    out::say("Ask it all the same? Type y and Enter; anything else leaves it alone.");
    out::answer().as_deref() == Some("y")
}

/// A lamp as seen.
pub(crate) fn sighting(at: std::time::Duration, lamp: &str, pattern: &str) -> Event {
    Event {
        at,
        what: What::sighting(lamp, pattern),
    }
}
