//! Values over time, thinned out so that a picture of eight hours stays small.
//!
//! Input: the events of a session. Output: [`Series`]: curves of a few roles, steps of the state,
//! what every exchange was like, and what happened beside the wire.
//!
//! Does not: smooth or invent. Of every stretch of time the lowest and the highest value stay.

use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Duration;

use packside_profiles::model::Profile;
use packside_profiles::{Role, Value};

use super::PageSource;
use crate::ask::{Exchange, Outcome, Silence};
use crate::event::{Event, What};
use crate::evidence::Ended;
use crate::evidence::samples::Given;
use crate::evidence::unit::UnitMemory;
use crate::judge::Case;
use crate::recording::RecordedSession;
use crate::visit::load::MARKS;

/// Stretches of time that a curve is cut into; each keeps its lowest and highest value.
const STRETCHES: usize = 400;
/// Most notes beside the wire that are kept.
const NOTES: usize = 40;

/// A value and its time.
pub(crate) type Dot = (Duration, f64);

/// One value of one unit address over time.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Curve {
    pub(crate) unit: u8,
    pub(crate) role: Role,
    pub(crate) dots: Vec<Dot>,
}

/// How an exchange ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum ExchangeEnd {
    Answered,
    Refused,
    Silent,
    Damaged,
    /// Valid frames came, but none that answers this question.
    Foreign,
    Lost,
}

/// One exchange.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct ExchangeDot {
    pub(crate) at: Duration,
    pub(crate) end: ExchangeEnd,
    /// From the end of the question to the first byte of the answer, ms.
    pub(crate) answer_ms: Option<f64>,
}

/// Something that happened beside the answers.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Note {
    pub(crate) at: Duration,
    pub(crate) text: String,
}

/// All of it.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct Series {
    /// First and last event.
    pub(crate) span: (Duration, Duration),
    pub(crate) curves: Vec<Curve>,
    /// Changes of the state of the first unit: from when, name.
    pub(crate) states: Vec<(Duration, String)>,
    pub(crate) asked: Vec<ExchangeDot>,
    /// Lamp, pattern as seen, when.
    pub(crate) lamps: Vec<(String, String, Duration)>,
    /// Marks, verdicts shown, link lost and back.
    pub(crate) notes: Vec<Note>,
    /// Notes that were left out.
    pub(crate) more_notes: usize,
}

/// Roles that are drawn over time.
const DRAWN: [Role; 8] = [
    Role::PackVoltage,
    Role::TerminalVoltage,
    Role::PackCurrent,
    Role::CellVoltageMax,
    Role::CellVoltageMin,
    Role::CellTemperatureMax,
    Role::CellTemperatureMin,
    Role::Soc,
];

impl Series {
    /// Takes them from the session that the report is about.
    pub(crate) fn of(source: &PageSource) -> Self {
        let session = source.session;
        let courses = source.courses;
        let mut series = Self {
            span: session.events.span().unwrap_or_default(),
            asked: thin_asked(courses.asked.clone()),
            ..Self::default()
        };
        series.take_notes(session);
        for (unit, course) in &courses.units {
            for (role, dots) in DRAWN.into_iter().zip(&course.dots) {
                if !dots.is_empty() {
                    series.curves.push(Curve {
                        unit: *unit,
                        role,
                        dots: thin(dots),
                    });
                }
            }
            if series.states.is_empty() {
                series.states.clone_from(&course.states);
            }
        }
        series
    }

    /// What happened beside the answers in a session that is not drawn.
    pub(crate) fn beside(session: &RecordedSession) -> Self {
        let mut series = Self::default();
        series.take_notes(session);
        series
    }

    fn take_notes(&mut self, session: &RecordedSession) {
        let mut notes = Vec::new();
        for Event { at, what } in session.events.beside() {
            match what {
                What::Sighting { lamp, pattern } => {
                    let (lamp, pattern) = (lamp.clean(), pattern.clean());
                    self.lamps
                        .push((lamp.into_owned(), pattern.into_owned(), *at));
                }
                // The load test has a picture of its own.
                What::Mark(name) if MARKS.contains(&name.as_given()) => {}
                What::Mark(name) => notes.push(note(*at, format!("mark: {}", name.clean()))),
                What::Lost { why } => notes.push(note(*at, format!("link lost: {}", why.clean()))),
                What::Back => notes.push(note(*at, "link back".to_owned())),
                What::Listening(true) => notes.push(note(*at, "listening only".to_owned())),
                What::Listening(false) => notes.push(note(*at, "asking".to_owned())),
                _ => {}
            }
        }
        let shown = session.shown.iter();
        notes.extend(shown.map(|(_, s)| note(s.at, format!("shown: {}", s.verdict))));
        // The same thing again and again is said once.
        notes.sort_by_key(|note| note.at);
        notes.dedup_by(|later, earlier| later.text == earlier.text);
        self.more_notes = notes.len().saturating_sub(NOTES);
        notes.truncate(NOTES);
        self.notes = notes;
    }

    /// Curves of a role, by unit address.
    pub(crate) fn curves(&self, role: Role) -> impl Iterator<Item = &Curve> {
        self.curves.iter().filter(move |curve| curve.role == role)
    }
}

fn note(at: Duration, text: String) -> Note {
    Note { at, text }
}

/// What became of every question, and every value that is drawn: gathered while a session is judged.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Courses {
    asked: Vec<ExchangeDot>,
    /// By unit address.
    units: BTreeMap<u8, Course>,
}

/// Values of one unit.
#[derive(Debug, Clone, Default, PartialEq)]
struct Course {
    /// Places of what is drawn in its layout, and of the state; for as many instances as it has.
    places: Option<(usize, [Option<usize>; DRAWN.len()], Option<usize>)>,
    /// By role.
    dots: [Vec<Dot>; DRAWN.len()],
    /// Changes of the state: from when, name.
    states: Vec<(Duration, String)>,
}

impl Courses {
    /// Those of one session alone.
    pub fn of(session: &RecordedSession, profile: Option<&Arc<Profile>>) -> Self {
        let mut courses = Self::default();
        let mut case = Case::new(profile.cloned());
        for event in &session.events {
            case.push_telling(&event, &mut |ended| {
                courses.take(&ended, profile.map(Arc::as_ref));
            });
        }
        courses
    }

    /// Takes a question that ended.
    pub(crate) fn take(&mut self, ended: &Ended<'_>, profile: Option<&Profile>) {
        if ended.is_own {
            self.asked.push(asked(ended.exchange));
        }
        if let (Some(unit), Some(profile)) = (ended.unit, profile) {
            let course = self.units.entry(unit.unit).or_default();
            course.take(unit, ended.exchange.ended_at, profile);
        }
    }
}

impl Course {
    /// Takes what the answer that was complete at this moment says.
    fn take(&mut self, unit: &UnitMemory, at: Duration, profile: &Profile) {
        let instances = unit.layout.instances.len();
        let (_, places, state) = match self.places {
            Some(known) if known.0 == instances => known,
            _ => {
                let known = (
                    instances,
                    DRAWN.map(|role| unit.place(profile, role)),
                    unit.place(profile, Role::State),
                );
                *self.places.insert(known)
            }
        };
        for (place, dots) in places.into_iter().zip(&mut self.dots) {
            let track = place.and_then(|place| unit.tracks.get(place));
            let number = track.and_then(|track| track.number);
            if let Some((when, number)) = number
                && when.within(unit.session) == Some(at)
                && dots.last().is_none_or(|(last, _)| *last != at)
            {
                dots.push((at, number));
            }
        }
        if let Some(name) = state.and_then(|state| state_at(unit, state, at, profile))
            && self.states.last().is_none_or(|(_, last)| *last != name)
        {
            self.states.push((at, name));
        }
    }
}

/// The state in the answer that was complete at this moment, by the names of the profile.
fn state_at(unit: &UnitMemory, place: usize, at: Duration, profile: &Profile) -> Option<String> {
    let last = unit.tracks.get(place)?.last.as_ref()?;
    let Given::Decoded(decoded) = &last.what else {
        return None;
    };
    let Some(Value::Code(code)) = decoded.value else {
        return None;
    };
    if last.at.within(unit.session) != Some(at) {
        return None;
    }
    let point = profile
        .points
        .get(unit.layout.instances.get(place)?.point)?;
    let known = point.values.iter().find(|value| value.is == code);
    Some(known.map_or_else(
        || format!("unknown state {code}"),
        |value| value.name.clean().into_owned(),
    ))
}

fn asked(exchange: &Exchange) -> ExchangeDot {
    let end = match &exchange.outcome {
        Outcome::Answered(_) => ExchangeEnd::Answered,
        Outcome::Exception(_) => ExchangeEnd::Refused,
        Outcome::TimedOut(Silence::Nothing | Silence::OnlyEcho) => ExchangeEnd::Silent,
        Outcome::TimedOut(Silence::Damaged) => ExchangeEnd::Damaged,
        Outcome::TimedOut(Silence::OnlyNotOurs) => ExchangeEnd::Foreign,
        Outcome::LinkLost => ExchangeEnd::Lost,
    };
    let times = exchange.first_byte_at.zip(exchange.sent_at);
    let answer = times.map(|(first, sent)| first.saturating_sub(sent).as_secs_f64() * 1000.0);
    ExchangeDot {
        at: exchange.asked_at,
        end,
        answer_ms: answer.filter(|_| matches!(end, ExchangeEnd::Answered | ExchangeEnd::Refused)),
    }
}

/// Keeps every bad end, and of the good ones the fastest and slowest of every stretch.
fn thin_asked(all: Vec<ExchangeDot>) -> Vec<ExchangeDot> {
    if all.len() <= STRETCHES * 2 {
        return all;
    }
    let per_stretch = all.len().div_ceil(STRETCHES);
    let mut kept = Vec::new();
    for stretch in all.chunks(per_stretch) {
        let time = |asked: &&ExchangeDot| asked.answer_ms.map_or(0.0, |ms| ms);
        let good = || stretch.iter().filter(|asked| asked.answer_ms.is_some());
        let slowest = good().max_by(|a, b| time(a).total_cmp(&time(b)));
        let fastest = good().min_by(|a, b| time(a).total_cmp(&time(b)));
        kept.extend(fastest.copied());
        kept.extend(slowest.copied());
        // One of each kind of bad end is enough to see it in the picture.
        for end in [
            ExchangeEnd::Refused,
            ExchangeEnd::Silent,
            ExchangeEnd::Damaged,
            ExchangeEnd::Foreign,
            ExchangeEnd::Lost,
        ] {
            let found = stretch.iter().find(|asked| asked.end == end);
            kept.extend(found.filter(|asked| asked.answer_ms.is_none()).copied());
        }
    }
    kept.sort_by_key(|asked| asked.at);
    kept
}

/// Keeps the lowest and highest value of every stretch, in order, and both ends.
fn thin(dots: &[Dot]) -> Vec<Dot> {
    if dots.len() <= STRETCHES * 2 {
        return dots.to_vec();
    }
    let per_stretch = dots.len().div_ceil(STRETCHES);
    let mut kept: Vec<Dot> = Vec::new();
    for stretch in dots.chunks(per_stretch) {
        let low = stretch.iter().min_by(|a, b| a.1.total_cmp(&b.1));
        let high = stretch.iter().max_by(|a, b| a.1.total_cmp(&b.1));
        let mut both: Vec<Dot> = low.into_iter().chain(high).copied().collect();
        both.sort_by_key(|dot| dot.0);
        both.dedup();
        kept.extend(both);
    }
    if let Some(last) = dots.last().filter(|last| kept.last() != Some(last)) {
        kept.push(*last);
    }
    kept
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn thinning_keeps_order_ends_and_every_peak() {
        let at = |n: u32| Duration::from_secs(n.into());
        let mut dots: Vec<Dot> = (0..28_800).map(|n| (at(n), 50.0)).collect();
        dots[12_345].1 = 99.0;
        dots[20_000].1 = 1.0;
        let thinned = thin(&dots);
        assert!(thinned.len() <= STRETCHES * 2 + 1, "{}", thinned.len());
        assert!(thinned.contains(&(at(12_345), 99.0)));
        assert!(thinned.contains(&(at(20_000), 1.0)));
        assert_eq!(thinned.last(), Some(&(at(28_799), 50.0)));
        assert!(thinned.windows(2).all(|pair| pair[0].0 <= pair[1].0));
    }

    #[test]
    fn thinning_exchanges_keeps_what_went_wrong() {
        let at = |n: u32| Duration::from_secs(n.into());
        let good = |n: u32| ExchangeDot {
            at: at(n),
            end: ExchangeEnd::Answered,
            answer_ms: Some(30.0),
        };
        let mut all: Vec<ExchangeDot> = (0..28_800).map(good).collect();
        all[5_000] = ExchangeDot {
            at: at(5_000),
            end: ExchangeEnd::Silent,
            answer_ms: None,
        };
        let thinned = thin_asked(all);
        assert!(thinned.iter().any(|asked| asked.end == ExchangeEnd::Silent));
        assert!(thinned.len() < STRETCHES * 3);
    }
}
