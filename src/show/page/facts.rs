//! What the recording says beside the wire: who and where, answers, pictures, marks, clocks.
//!
//! Does not: judge, or write markup. Names of people and places are taken out here, so that no room
//! behind this one has to remember it.

use std::collections::BTreeMap;
use std::time::Duration;

use packside_profiles::Role;

use super::{Options, PageSource};
use crate::event::{AnswerValue, Event, LinkFacts, LinkKind, What, clock_offset_ms};
use crate::facts::Reading;
use crate::recording::{Recording, Start};

/// Steps whose answers name people and places.
const NAMING: [&str; 2] = ["who", "where"];
/// What stands in their place.
pub(crate) const TAKEN_OUT: &str = "(taken out)";

/// An answer, with those that it replaced.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Answered {
    /// Step.
    pub(crate) step: String,
    /// Question as it was put.
    pub(crate) question: String,
    /// The last answer.
    pub(crate) value: AnswerValue,
    /// Reason or remark.
    pub(crate) note: String,
    /// Local time of it.
    pub(crate) when: String,
    /// The same for programs.
    pub(crate) stamp: String,
    /// Earlier answers.
    pub(crate) before: Vec<AnswerValue>,
}

/// A picture that was taken.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Taken {
    pub(crate) step: String,
    pub(crate) file: String,
    pub(crate) sha256: String,
    pub(crate) when: String,
    pub(crate) stamp: String,
}

/// Everything beside the wire.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct PageFacts {
    /// Answers in the order of their steps' first answer.
    pub(crate) answers: Vec<Answered>,
    /// Pictures.
    pub(crate) taken: Vec<Taken>,
    /// What may not stand on the page.
    removed: Vec<String>,
}

impl PageFacts {
    /// Collects them from all sessions.
    pub(crate) fn of(recording: &Recording, options: Options) -> Self {
        let mut facts = Self::default();
        let mut place: BTreeMap<String, usize> = BTreeMap::new();
        for session in &recording.sessions {
            for event in session.events.beside() {
                facts.take(event, &session.start, &mut place);
            }
        }
        if !options.names {
            facts.take_names_out();
        }
        facts
    }

    fn take(&mut self, event: &Event, start: &Start, place: &mut BTreeMap<String, usize>) {
        match &event.what {
            What::Answer(answer) => {
                let new = Answered {
                    step: answer.step.clean().into_owned(),
                    question: answer.question.clean().into_owned(),
                    value: answer.value.clone(),
                    note: answer
                        .note
                        .as_ref()
                        .map_or_else(String::new, |n| n.clean().into_owned()),
                    when: super::words::local(start, event.at),
                    stamp: super::words::rfc3339(start, event.at),
                    before: Vec::new(),
                };
                let known = place.get(answer.step.as_given()).copied();
                match known.and_then(|index| self.answers.get_mut(index)) {
                    Some(old) => {
                        let mut before = std::mem::take(&mut old.before);
                        before.push(old.value.clone());
                        *old = Answered { before, ..new };
                    }
                    None => {
                        place.insert(answer.step.as_given().to_owned(), self.answers.len());
                        self.answers.push(new);
                    }
                }
            }
            What::Photo { step, file, sha256 } => self.taken.push(Taken {
                step: step.clean().into_owned(),
                file: file.clean().into_owned(),
                sha256: sha256.clone(),
                when: super::words::local(start, event.at),
                stamp: super::words::rfc3339(start, event.at),
            }),
            _ => {}
        }
    }

    /// Takes out names, also where another answer repeats them.
    fn take_names_out(&mut self) {
        let naming = |answer: &&mut Answered| NAMING.contains(&answer.step.as_str());
        for answer in self.answers.iter_mut().filter(naming) {
            let taken_out = AnswerValue::Words(TAKEN_OUT.into());
            let value = std::mem::replace(&mut answer.value, taken_out);
            self.removed.push(std::mem::take(&mut answer.note));
            for value in answer.before.drain(..).chain([value]) {
                self.removed.push(value.text().clean().into_owned());
            }
        }
        self.removed.retain(|text| text.chars().count() >= 3);
        // The longest first, so that a name inside another leaves nothing behind.
        self.removed
            .sort_by_key(|text| std::cmp::Reverse(text.len()));
        let mut answers = std::mem::take(&mut self.answers);
        for answer in &mut answers {
            for text in [&mut answer.note, &mut answer.question] {
                *text = self.without_names(text);
            }
            for value in std::iter::once(&mut answer.value).chain(&mut answer.before) {
                if let AnswerValue::Words(text) | AnswerValue::Untyped(text) = value {
                    *text = self.without_names(&text.clean()).into();
                }
            }
        }
        self.answers = answers;
        let mut taken = std::mem::take(&mut self.taken);
        for picture in &mut taken {
            picture.file = self.without_names(&picture.file);
        }
        self.taken = taken;
    }

    /// A text without what was taken out.
    pub(crate) fn without_names(&self, text: &str) -> String {
        self.removed.iter().fold(text.to_owned(), |text, name| {
            text.replace(name.as_str(), TAKEN_OUT)
        })
    }

    /// The answer at a step.
    pub(crate) fn answer(&self, step: &str) -> Option<&Answered> {
        self.answers.iter().find(|answer| answer.step == step)
    }
}

/// How the unit was reached, in one phrase.
pub(crate) fn link_text(facts: &LinkFacts, options: Options) -> String {
    match &facts.kind {
        LinkKind::Serial { port, line } => format!("serial adapter {}, {line}", port.clean()),
        // An address on the net is the address of somebody's house.
        LinkKind::Gateway { .. } if !options.names => format!("gateway {TAKEN_OUT}"),
        LinkKind::Gateway { address } => format!("gateway {}", address.clean()),
        LinkKind::Simulated { scenario, line } => {
            let way = line.map_or("behind a gateway".to_owned(), |line| line.to_string());
            let scenario = scenario.clean();
            format!("SIMULATED scenario {scenario}, {way}: no real unit")
        }
    }
}

/// How far the unit's own clock is ahead of this computer's (behind: negative), s. Nothing where it
/// was not read, or where it is not known how long ago.
pub(crate) fn clock_error(source: &PageSource) -> Option<f64> {
    let judgement = source.judgement;
    let is_clock = |reading: &&Reading| reading.role == Role::UnitClock;
    let reading = judgement.readings.iter().find(is_clock)?;
    let read_at = judgement.moment.checked_sub(reading.age?)?;
    let notes = source
        .session
        .events
        .beside()
        .iter()
        .take_while(|e| e.at <= read_at);
    let noted = notes.filter_map(|event| match &event.what {
        What::Clock(utc) => clock_offset_ms(event.at, utc),
        _ => None,
    });
    let begun = clock_offset_ms(Duration::ZERO, &source.session.start.utc);
    let offset_ms = noted.last().or(begun)?;
    Some(reading.any_number()? - offset_ms as f64 / 1000.0 - read_at.as_secs_f64())
}

/// Whether the data come from the simulator.
pub(crate) fn is_simulated(source: &PageSource) -> bool {
    let header = source.recording.header.as_ref();
    header.is_some_and(|h| h.simulated_seed.is_some())
        || source
            .session
            .link()
            .is_some_and(|l| matches!(l.kind, LinkKind::Simulated { .. }))
}
