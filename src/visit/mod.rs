//! The guided check: which step is next, what its answer means, and what is left open.
//!
//! Input: a profile, answers, and the judgements of the steps that are measured. Output: the next
//! step, and what stands open at the end. A state machine: it can be resumed from a recording.
//!
//! Does not: ask, read the wire, know a clock, or judge the unit ([`crate::judge`] does).
//!
//! # Where to look
//! [`steps()`] what is asked; [`storage`] fitness of stored modules; [`power_up`] when a followed
//! power-up is over; [`load`] resistance under a step of the current; [`swap`] whether a fault follows
//! its module; [`answers`] the file that answers in place of a person.

use std::collections::BTreeMap;

use packside_profiles::model::Profile;
use packside_profiles::{Foreign, clean};

use crate::event::{AnswerValue, Event, Fitness, FollowedEnd, Plugged, StepAnswer, What};
use crate::facts::{Finding, Judgement};
use crate::judge::version;

pub mod answers;
mod lamps;
pub mod load;
pub mod power_up;
mod steps;
pub mod storage;
pub mod swap;

#[cfg(test)]
mod tests;

pub use lamps::Lamps;
pub use steps::{AnswerKind, Measure, Part, VisitStep, steps};
use storage::{Judged, Stored, judge_storage};

/// Answers behind which nothing more is done: step, value, and what to do instead.
const STOPS: [(&str, AnswerValue, &str); 5] = [
    (
        "sound-outside",
        AnswerValue::NotInOrder,
        "Hot, hissing, smoking, swollen or smelling: leave, call the fire service. Flooded: stay out of the water. Dropped: do not \
         connect, set it apart, ask the maker. No more is diagnosed.",
    ),
    (
        "storage",
        AnswerValue::Stored(Fitness::Quarantine),
        "Do not connect, do not charge: set the modules apart, ask the maker.",
    ),
    (
        "earth",
        AnswerValue::NotInOrder,
        "Do not switch on: connect earth and bonding by the maker's manual, then answer again.",
    ),
    (
        "latches",
        AnswerValue::NotInOrder,
        "Do not switch on: latch every connector by the maker's manual, nothing under load, then answer again.",
    ),
    (
        "polarity",
        AnswerValue::NotInOrder,
        "Do not connect: correct the polarity by the maker's manual with the isolator open, measure it again, then answer again.",
    ),
];

/// Why nothing is put into service.
const FAULT_IS_OPEN: &str =
    "a fault is open: the unit is not connected to its inverter, and no current is sent through it";

/// Why nothing is switched off and on, or swapped, to see what becomes of it.
const STAYS_OFF: &str = "what was found must not be tried again: a restart or a swap could charge, close or connect what \
     should stay apart. Leave it as it is, and ask the maker";

/// A visit under way.
#[derive(Debug, Clone)]
pub struct Visit<'a> {
    profile: &'a Profile,
    steps: Vec<VisitStep>,
    /// The last answer to each step.
    answers: BTreeMap<String, StepAnswer>,
    /// Position of the step that is next.
    at: usize,
    /// Whether a measured step ended with a fault.
    fault_seen: bool,
    /// Whether what was found must not be switched on again to see whether it returns.
    stays_off: bool,
    /// Whether steps that a fault held back are asked after all: those answered are passed over.
    catches_up: bool,
}

impl<'a> Visit<'a> {
    /// A visit to a unit of this profile, nothing answered yet.
    pub fn new(profile: &'a Profile) -> Self {
        Self {
            profile,
            steps: steps(profile),
            answers: BTreeMap::new(),
            at: 0,
            fault_seen: false,
            stays_off: false,
            catches_up: false,
        }
    }

    /// Takes the answers of a recording: the visit goes on at the first step without one.
    pub fn resume(&mut self, events: &[Event]) {
        for event in events {
            if let What::Answer(answer) = &event.what {
                self.keep(answer.clone());
            }
        }
        self.at = 0;
        self.skip_done();
        // What stopped the visit is answered again, the storage by what it was computed from.
        let stopped = self.stop().map(|(step, _)| match step.id.as_str() {
            "storage" => "stored-charge".to_owned(),
            id => id.to_owned(),
        });
        let place = |id: String| self.steps.iter().position(|step| step.id == id);
        self.at = stopped.and_then(place).unwrap_or(self.at);
    }

    /// The step whose answer ends the visit, and what to do instead; nothing where it may go on.
    pub fn stop(&self) -> Option<(&VisitStep, &'static str)> {
        let (id, _, what) = STOPS.into_iter().find(|(id, value, _)| {
            let answer = self.answers.get(*id);
            answer.is_some_and(|answer| answer.value == *value)
        })?;
        let step = self.steps.iter().find(|step| step.id == id)?;
        Some((step, what))
    }

    /// All steps, in order.
    pub fn steps(&self) -> &[VisitStep] {
        &self.steps
    }

    /// The step that is next; nothing at the end.
    pub fn next(&self) -> Option<&VisitStep> {
        self.steps.get(self.at)
    }

    /// Number of the next step, and of all that a person is asked, for people.
    pub fn progress(&self) -> (usize, usize) {
        let counts = |step: &&VisitStep| self.is_put(step);
        let before = |(place, step): &(usize, &VisitStep)| {
            // Those that were held back come after all others.
            let is_answered = self.catches_up && self.answers.contains_key(&step.id);
            self.is_put(step) && *place != self.at && (is_answered || *place < self.at)
        };
        let before = self.steps.iter().enumerate().filter(before).count();
        (before + 1, self.steps.iter().filter(counts).count())
    }

    /// Minutes that the next step and those after it may take.
    pub fn minutes_left(&self) -> u32 {
        let is_left = |(place, step): &(usize, &VisitStep)| {
            *place == self.at || self.is_put(step) && !self.answers.contains_key(&step.id)
        };
        let silence = self.profile.inverter.silence_s;
        let left = self.steps.iter().enumerate().filter(is_left);
        let minutes: f64 = left.map(|(_, step)| step.minutes(silence)).sum();
        // Whole minutes, and no more than a day of them.
        (1..1440)
            .find(|whole| f64::from(*whole) >= minutes)
            .unwrap_or(1440)
    }

    /// Whether it is put to a person: it applies, and no fault holds it back.
    fn is_put(&self, step: &VisitStep) -> bool {
        self.applies(step) && is_asked(step) && self.held_back(step).is_none()
    }

    /// Takes the answer to the next step, and goes on.
    pub fn take(&mut self, answer: StepAnswer) {
        self.keep(answer);
        if self.catches_up {
            self.at = 0;
            self.skip_done();
        } else {
            self.at += 1;
            self.skip_inapplicable();
        }
    }

    /// Goes back one step, to answer it again. `false` at the first.
    pub fn back(&mut self) -> bool {
        let before = self.steps.iter().take(self.at);
        let Some(at) = before
            .clone()
            .rposition(|step| self.applies(step) && is_asked(step))
        else {
            return false;
        };
        self.at = at;
        true
    }

    /// The last answer to a step.
    pub fn answer(&self, step: &str) -> Option<&StepAnswer> {
        self.answers.get(step)
    }

    /// What stands open: steps that are not in order, skipped, or not passed, with their answers.
    pub fn open(&self) -> Vec<(&VisitStep, &StepAnswer)> {
        let is_open = |answer: &StepAnswer| {
            use AnswerValue as V;
            !matches!(
                answer.value,
                V::InOrder | V::Measured(FollowedEnd::PassSoFar) | V::Stored(Fitness::Fit)
            )
        };
        let judged = |step: &VisitStep| {
            matches!(
                step.kind,
                AnswerKind::Confirm | AnswerKind::Storage | AnswerKind::Measured(_)
            ) || self.is_outside(step)
        };
        let with_answer = self
            .steps
            .iter()
            .filter_map(|step| Some((step, self.answers.get(&step.id)?)));
        with_answer
            .filter(|(step, answer)| answer.is_left_out() || judged(step) && is_open(answer))
            .collect()
    }

    /// Whether a number lies outside the profile's window for the site.
    fn is_outside(&self, step: &VisitStep) -> bool {
        let (Some(ambient), Some(value)) = (&self.profile.ambient, self.number(&step.id)) else {
            return false;
        };
        match step.id.as_str() {
            "ambient-temperature" => !(ambient.from_c..=ambient.to_c).contains(&value),
            "ambient-humidity" => value > ambient.humidity_to,
            _ => false,
        }
    }

    /// Fitness by the storage, from the answers so far; nothing where one is missing.
    pub fn storage(&self) -> Option<Judged> {
        let stored = Stored {
            charge: self.number("stored-charge")?,
            days: self.number("stored-days")?,
            warmest_c: self.number("stored-warmest")?,
            coldest_c: self.number("stored-coldest")?,
            capacity_ah: self.number("nameplate-capacity"),
        };
        Some(judge_storage(&stored, self.profile))
    }

    /// Whether a control unit of this firmware is new enough for a family of inverters, and from
    /// which edition; nothing where the family is not in the profile.
    pub fn firmware_fits(&self, family: &str, firmware: &str) -> Option<(bool, &str)> {
        let known = self.profile.inverter_families.iter();
        let found = known
            .into_iter()
            .find(|known| steps::family_id(known) == family)?;
        let from = found.firmware_from.as_str();
        Some((version(firmware) >= version(from), from))
    }

    /// The number in the answer to a step.
    pub fn number(&self, step: &str) -> Option<f64> {
        self.answers.get(step)?.value.number()
    }

    fn keep(&mut self, mut answer: StepAnswer) {
        // Older versions said only in words why they left a step out.
        if answer.is_left_out()
            && answer
                .note
                .as_ref()
                .is_some_and(|note| *note == FAULT_IS_OPEN)
        {
            answer.value = AnswerValue::HeldBack;
        }
        let measured = |step: &&VisitStep| {
            answer.step == *step.id && matches!(step.kind, AnswerKind::Measured(_))
        };
        if answer.value == AnswerValue::Measured(FollowedEnd::Fault)
            && self.steps.iter().any(|s| measured(&s))
        {
            self.fault_seen = true;
        }
        let is_clean_cycle = answer.step == "power-cycle"
            && answer.value == AnswerValue::Measured(FollowedEnd::PassSoFar);
        let step = answer.step.as_given().to_owned();
        self.answers.insert(step, answer);
        if is_clean_cycle {
            let before = self.answers.len();
            self.answers
                .retain(|_, answer| answer.value != AnswerValue::HeldBack);
            self.catches_up |= self.answers.len() < before;
        }
    }

    /// Takes note of what is known of the unit now.
    pub fn saw(&mut self, judgement: &Judgement) {
        self.stays_off = judgement.findings.iter().any(Finding::forbids_restart);
    }

    /// Why a step is left out now, if it is: a unit with an open fault is not put into service, and no
    /// current is sent through it. A power cycle that ended clean lifts this: the steps are asked then.
    pub fn held_back(&self, step: &VisitStep) -> Option<&'static str> {
        if self.stays_off && step.only_after_fault {
            return Some(STAYS_OFF);
        }
        let is = |id: &str, outcome: FollowedEnd| {
            let answer = self.answers.get(id);
            answer.is_some_and(|a| a.value == AnswerValue::Measured(outcome))
        };
        let is_measured = |step: &&VisitStep| matches!(step.kind, AnswerKind::Measured(_));
        let mut measured = self.steps.iter().filter(is_measured);
        let is_faulty = measured.any(|s| s.id != step.id && is(&s.id, FollowedEnd::Fault));
        let is_held = step.part == Part::WithInverter
            && is_faulty
            && !is("power-cycle", FollowedEnd::PassSoFar);
        is_held.then_some(FAULT_IS_OPEN)
    }

    fn applies(&self, step: &VisitStep) -> bool {
        self.fault_seen || !step.only_after_fault
    }

    fn skip_inapplicable(&mut self) {
        while self.next().is_some_and(|step| !self.applies(step)) {
            self.at += 1;
        }
    }

    fn skip_done(&mut self) {
        while self
            .next()
            .is_some_and(|step| !self.applies(step) || self.answers.contains_key(&step.id))
        {
            self.at += 1;
        }
    }
}

/// An answer in words.
pub fn in_words(value: &AnswerValue) -> String {
    let text = match value {
        AnswerValue::InOrder => "in order",
        AnswerValue::NotInOrder => "not in order",
        AnswerValue::NotDone => "still to be done",
        AnswerValue::LeftOut | AnswerValue::HeldBack => "left out",
        AnswerValue::Measured(end) => match end {
            FollowedEnd::PassSoFar => "nothing wrong so far",
            FollowedEnd::Fault => "a fault",
            FollowedEnd::NotYet => "not settled yet",
            FollowedEnd::StayedAtPosition => "the fault stayed at the position",
            FollowedEnd::FollowedModule => "the fault followed the module",
            FollowedEnd::Gone => "gone",
        },
        AnswerValue::Stored(fitness) => match fitness {
            Fitness::Fit => "fit to install",
            Fitness::ChargeFirst => "charge first",
            Fitness::Quarantine => "do not connect, do not charge, set apart",
        },
        AnswerValue::Choice(_) | AnswerValue::Untyped(_) => {
            match Plugged::ALL.into_iter().find(|p| value.is_choice(p.id())) {
                Some(Plugged::Service) => "a service socket, or a gateway",
                Some(Plugged::InsteadOfInverter) => "the inverter's own socket",
                Some(Plugged::AcrossThePair) => "across the pair, as a second device",
                None => return value.text().clean().into_owned(),
            }
        }
        AnswerValue::Number(..) => return value.text().clean().replace("degC", "°C"),
        AnswerValue::Lamps(_) | AnswerValue::Words(_) => {
            return value.text().clean().into_owned();
        }
    };
    text.to_owned()
}

/// Whether a person answers it.
fn is_asked(step: &VisitStep) -> bool {
    !matches!(step.kind, AnswerKind::Storage)
}

/// What was typed as the answer to a step, brought into its one form.
///
/// # Errors
/// What was expected and found.
pub fn understand(step: &VisitStep, answer: &Foreign) -> Result<AnswerValue, String> {
    let (typed, found) = (answer.as_given().trim(), || clean(answer.as_given().trim()));
    match &step.kind {
        AnswerKind::Confirm => match typed.to_lowercase().as_str() {
            "y" | "yes" => Ok(AnswerValue::InOrder),
            // What is left to do before leaving says nothing about the unit.
            "n" | "no" if step.part == Part::After => Ok(AnswerValue::NotDone),
            "n" | "no" => Ok(AnswerValue::NotInOrder),
            _ => Err(format!("expected y or n, found \"{}\"", found())),
        },
        AnswerKind::Number {
            unit,
            lowest,
            highest,
        } => {
            let plain = typed.strip_suffix(unit).unwrap_or(typed).trim();
            let number = plain.replace(',', ".").parse::<f64>().ok();
            match number.filter(|n| (*lowest..=*highest).contains(n)) {
                Some(number) => Ok(AnswerValue::Number(number, (*unit).into())),
                None => Err(format!(
                    "expected a number from {lowest} to {highest} ({unit}), found \"{}\"",
                    found()
                )),
            }
        }
        AnswerKind::Words if typed.is_empty() => {
            Err("expected a few words, found nothing".to_owned())
        }
        AnswerKind::Words => Ok(AnswerValue::Words(typed.into())),
        AnswerKind::OneOf(choices) => {
            let number = typed.parse::<usize>().ok().and_then(|n| n.checked_sub(1));
            let chosen = number.and_then(|n| choices.get(n));
            let named = choices.iter().find(|(id, _)| id == typed);
            chosen
                .or(named)
                .map(|(id, _)| AnswerValue::Choice(id.as_str().into()))
                .ok_or_else(|| {
                    let ids: Vec<&str> = choices.iter().map(|(id, _)| id.as_str()).collect();
                    format!(
                        "expected 1 to {} or one of {}, found \"{}\"",
                        choices.len(),
                        ids.join(", "),
                        found()
                    )
                })
        }
        AnswerKind::Lamps(known) => known.understand(answer),
        AnswerKind::Storage | AnswerKind::Measured(_) => Err(
            "expected nothing: the tool finds this out by itself; it can only be skipped"
                .to_owned(),
        ),
    }
}
