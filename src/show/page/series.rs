//! Values over time, thinned out so that a picture of eight hours stays small.
//!
//! Input: the events of a session. Output: [`Series`]: curves of a few roles, steps of the state,
//! what every exchange was like, and what happened beside the wire.
//!
//! Does not: smooth or invent. Of every stretch of time the lowest and the highest value stay.

use std::borrow::Cow;
use std::time::Duration;

use packside_profiles::model::Profile;
use packside_profiles::{Role, Value};

use super::Source;
use crate::ask::{Exchange, Outcome, Silence, Talk};
use crate::event::{Event, What};
use crate::evidence::map::count_points;
use crate::evidence::samples::{self, Given, MemberEvidence};
use crate::recording::Session;
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
pub(crate) enum End {
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
pub(crate) struct Asked {
    pub(crate) at: Duration,
    pub(crate) end: End,
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
    pub(crate) asked: Vec<Asked>,
    /// Lamp, pattern as seen, when.
    pub(crate) lamps: Vec<(String, String, Duration)>,
    /// Marks, verdicts shown, link lost and back.
    pub(crate) notes: Vec<Note>,
    /// Notes that were left out.
    pub(crate) more_notes: usize,
}

/// Roles that are drawn over time.
const DRAWN: [Role; 9] = [
    Role::State,
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
    pub(crate) fn of(source: &Source) -> Self {
        let session = source.session;
        let events = &session.events;
        let mut series = Self {
            span: events.span().unwrap_or_default(),
            ..Self::default()
        };
        series.take_notes(session);
        let talk = source
            .talk
            .map_or_else(|| Cow::Owned(Talk::of(events)), Cow::Borrowed);
        series.asked = thin_asked(talk.own.iter().map(asked).collect());
        let Some(profile) = source.profile else {
            return series;
        };
        let drawn = only_drawn(profile);
        for member in samples::gather(talk.all(), &drawn) {
            series.take_member(&member, &drawn);
        }
        series
    }

    fn take_member(&mut self, member: &MemberEvidence, profile: &Profile) {
        for role in DRAWN.into_iter().filter(|role| *role != Role::State) {
            let dots = thin(&member.series(profile, role));
            if !dots.is_empty() {
                self.curves.push(Curve {
                    unit: member.unit,
                    role,
                    dots,
                });
            }
        }
        if self.states.is_empty() {
            self.states = states(member, profile);
        }
    }

    fn take_notes(&mut self, session: &Session) {
        let mut notes = Vec::new();
        for Event { at, what } in session.events.beside() {
            match what {
                What::Sighting { lamp, pattern } => {
                    self.lamps.push((lamp.clone(), pattern.clone(), *at));
                }
                // The load test has a picture of its own.
                What::Mark(name) if MARKS.contains(&name.as_str()) => {}
                What::Mark(name) => notes.push(note(*at, format!("mark: {name}"))),
                What::Lost { why } => notes.push(note(*at, format!("link lost: {why}"))),
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

/// The profile with nothing but what is drawn and what is needed to decode it: eight hours of every
/// cell would fill the memory for no picture.
fn only_drawn(profile: &Profile) -> Profile {
    let mut drawn = profile.clone();
    let counts = count_points(profile);
    drawn.points.retain(|point| {
        DRAWN.contains(&point.role)
            || counts.contains(&point.id)
            || matches!(
                point.role,
                Role::ModuleCount | Role::ScaleFactor | Role::MapMark
            )
    });
    drawn
}

/// Changes of the state, by the names of the profile.
fn states(member: &MemberEvidence, profile: &Profile) -> Vec<(Duration, String)> {
    let mut states: Vec<(Duration, String)> = Vec::new();
    let found = member
        .each(profile)
        .find(|(_, point, _)| point.role == Role::State);
    let Some((_, point, samples)) = found else {
        return states;
    };
    for sample in samples {
        let Given::Decoded(decoded) = &sample.what else {
            continue;
        };
        let Some(Value::Code(code)) = decoded.value else {
            continue;
        };
        let known = point.values.iter().find(|value| value.is == code);
        let name = known.map_or_else(
            || format!("unknown state {code}"),
            |v| v.name.clean().into_owned(),
        );
        if states.last().is_none_or(|(_, last)| *last != name) {
            states.push((sample.at, name));
        }
    }
    states
}

fn asked(exchange: &Exchange) -> Asked {
    let end = match &exchange.outcome {
        Outcome::Answered(_) => End::Answered,
        Outcome::Exception(_) => End::Refused,
        Outcome::TimedOut(Silence::Nothing | Silence::OnlyEcho) => End::Silent,
        Outcome::TimedOut(Silence::Damaged) => End::Damaged,
        Outcome::TimedOut(Silence::OnlyNotOurs) => End::Foreign,
        Outcome::LinkLost => End::Lost,
    };
    let times = exchange.first_byte_at.zip(exchange.sent_at);
    let answer = times.map(|(first, sent)| first.saturating_sub(sent).as_secs_f64() * 1000.0);
    Asked {
        at: exchange.asked_at,
        end,
        answer_ms: answer.filter(|_| matches!(end, End::Answered | End::Refused)),
    }
}

/// Keeps every bad end, and of the good ones the fastest and slowest of every stretch.
fn thin_asked(all: Vec<Asked>) -> Vec<Asked> {
    if all.len() <= STRETCHES * 2 {
        return all;
    }
    let per_stretch = all.len().div_ceil(STRETCHES);
    let mut kept = Vec::new();
    for stretch in all.chunks(per_stretch) {
        let time = |asked: &&Asked| asked.answer_ms.map_or(0.0, |ms| ms);
        let good = || stretch.iter().filter(|asked| asked.answer_ms.is_some());
        let slowest = good().max_by(|a, b| time(a).total_cmp(&time(b)));
        let fastest = good().min_by(|a, b| time(a).total_cmp(&time(b)));
        kept.extend(fastest.copied());
        kept.extend(slowest.copied());
        // One of each kind of bad end is enough to see it in the picture.
        for end in [
            End::Refused,
            End::Silent,
            End::Damaged,
            End::Foreign,
            End::Lost,
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
        let good = |n: u32| Asked {
            at: at(n),
            end: End::Answered,
            answer_ms: Some(30.0),
        };
        let mut all: Vec<Asked> = (0..28_800).map(good).collect();
        all[5_000] = Asked {
            at: at(5_000),
            end: End::Silent,
            answer_ms: None,
        };
        let thinned = thin_asked(all);
        assert!(thinned.iter().any(|asked| asked.end == End::Silent));
        assert!(thinned.len() < STRETCHES * 3);
    }
}
