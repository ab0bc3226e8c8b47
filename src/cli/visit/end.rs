//! The end of a visit: the last screen, or the same as JSON.
//!
//! Does not: judge, or decide what stands open ([`Visit`]'s).

use std::borrow::Cow;
use std::fmt::Write as _;
use std::path::Path;

use packside_profiles::Foreign;

use super::super::failure::INTERRUPTED;
use crate::cli::args::typed;
use crate::cli::reach::LoadedProfile;
use crate::event::{AnswerValue, LinkFacts, StepAnswer};
use crate::facts::Judgement;
use crate::show::json::visit::{Stop, Visited};
use crate::show::json::{self, Check};
use crate::show::screen;
use crate::visit::{Visit, VisitStep, in_words};
use crate::words;

/// Exit code where nothing was measured.
const NOTHING_KNOWN: u8 = 6;

/// Everything that is shown.
pub(super) struct VisitEnd<'a> {
    pub(super) visit: &'a Visit<'a>,
    /// With the answers given after the last look; nothing where the unit was never read.
    pub(super) judgement: Option<Judgement>,
    pub(super) facts: Option<&'a LinkFacts>,
    pub(super) loaded: &'a LoadedProfile,
    pub(super) path: &'a Path,
    /// Arguments that lead to the unit.
    pub(super) place: &'a str,
    /// Whether steps are left.
    pub(super) stopped: bool,
}

impl VisitEnd<'_> {
    /// That of the verdict; without one, whether the person stopped it or an answer did.
    pub(super) fn exit(&self) -> u8 {
        match &self.judgement {
            Some(judgement) => judgement.verdict.kind.exit_code(),
            None if self.stopped && self.visit.stop().is_none() => INTERRUPTED,
            None => NOTHING_KNOWN,
        }
    }

    /// Answers in the order of the steps.
    fn answers(&self) -> impl Iterator<Item = &StepAnswer> {
        let steps = self.visit.steps().iter();
        steps.filter_map(|step| self.visit.answer(&step.id))
    }

    pub(super) fn object(&self) -> Visited {
        let profile = (&self.loaded.profile, self.loaded.sha256.as_str());
        let judgement = self.judgement.as_ref();
        let open = self.visit.open();
        Visited {
            schema: json::visit::SCHEMA,
            recording: packside_profiles::shown(&self.path),
            complete: !self.stopped,
            stopped_by: self.visit.stop().map(|(step, what)| Stop {
                step: step.id.clone(),
                text: what.to_owned(),
            }),
            steps: self.answers().map(Into::into).collect(),
            open: open.iter().map(|(step, _)| step.id.clone()).collect(),
            check: judgement.map(|judgement| Check::of(judgement, Some(profile), self.facts)),
        }
    }

    pub(super) fn text(&self, colour: bool) -> String {
        let mut text = String::from("\n");
        let stop = self.visit.stop();
        if let Some((step, what)) = stop {
            screen::wrap(&mut text, &format!("STOP  {what}"), "", "      ");
            screen::wrap(
                &mut text,
                &format!("(answered at: {})", step.text),
                "      ",
                "      ",
            );
            text.push('\n');
        }
        match &self.judgement {
            Some(judgement) => {
                screen::headline(&mut text, "", judgement, colour);
                let why = words::reasons(judgement);
                let why = why.iter().map(String::as_str);
                screen::section(&mut text, "Why", why);
                screen::next(&mut text, judgement);
            }
            None => text.push_str("Nothing was measured: nothing is known of the unit.\n"),
        }
        self.open(&mut text);
        let not_tested: Vec<String> = self
            .judgement
            .iter()
            .flat_map(|judgement| &judgement.not_tested)
            .map(|not| words::untested(not.what))
            .collect();
        if !not_tested.is_empty() {
            text.push_str(
                "\nNot tested, may still be broken (why, and when it can be: on the page)\n",
            );
            screen::wrap(&mut text, &not_tested.join(", "), "  ", "  ");
        }
        let path = typed(self.path);
        let _ = writeln!(text, "\nrecording: {path}");
        let _ = match (self.stopped, stop) {
            (true, Some(_)) => writeln!(
                text,
                "next: as said above; when put right, packside visit {} --record {path} --continue",
                self.place
            ),
            (true, None) => writeln!(
                text,
                "next: packside visit {} --record {path} --continue",
                self.place
            ),
            (false, _) => writeln!(text, "next: packside report {path} -o page.html"),
        };
        text
    }

    /// How much was answered, and what stands open.
    fn open(&self, text: &mut String) {
        let is_skipped = |answer: &&StepAnswer| answer.is_left_out();
        let skipped = self.answers().filter(is_skipped).count();
        // What is computed from answers is no step to a person.
        let computed = |answer: &&StepAnswer| matches!(answer.value, AnswerValue::Stored(_));
        let computed = self.answers().filter(computed).count();
        let answered = self.answers().count() - skipped - computed;
        let open = self.visit.open();
        let (left_out, open): (Vec<_>, Vec<_>) =
            open.into_iter().partition(|(_, answer)| is_skipped(answer));
        let _ = writeln!(
            text,
            "\n{} answered or measured, {skipped} left out, {} not in order or not settled",
            screen::counted(answered as u64, "step"),
            open.len()
        );
        for (step, answer) in &open {
            screen::wrap(text, &line(step, answer), "  - ", "    ");
        }
        // One line for each reason: most have the same.
        let mut reasons: Vec<(Cow<'_, str>, Vec<String>)> = Vec::new();
        for (step, answer) in &left_out {
            let reason = answer
                .note
                .as_ref()
                .map_or("no reason given".into(), Foreign::clean);
            match reasons.iter_mut().find(|(known, _)| *known == reason) {
                Some((_, steps)) => steps.push(step.name()),
                None => reasons.push((reason, vec![step.name()])),
            }
        }
        for (reason, steps) in reasons {
            let left_out = format!("left out ({reason}): {}", steps.join(", "));
            screen::wrap(text, &left_out, "  - ", "    ");
        }
    }
}

/// A step that is open, in words.
fn line(step: &VisitStep, answer: &StepAnswer) -> String {
    let note = answer
        .note
        .as_ref()
        .map(|note| format!(": {}", note.clean()));
    format!(
        "{}: {}{}",
        step.name(),
        in_words(&answer.value),
        note.unwrap_or_default()
    )
}
