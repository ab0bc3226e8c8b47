//! The file that answers a visit in place of a person.
//!
//! ```toml
//! format = 1
//! [answers]
//! site = "yes"
//! ambient-temperature = 21
//! earth = { answer = "no", note = "clamp missing" }
//! polarity = { skip = "cellar locked" }
//! [photos]
//! nameplates = ["plate-1.jpg"]
//! ```
//!
//! Input: its text and the steps. Output: answers by step, or all mistakes at once with their lines.
//! Does not: read a file, or answer what the tool finds out by itself.

use std::collections::BTreeMap;

use packside_profiles::{Foreign, Lines, whole_file};
use serde::Deserialize;
use toml::Spanned;

use super::{AnswerKind, VisitStep, understand};
use crate::event::AnswerValue;

/// Answers by step.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Answers {
    /// Value and note of each step.
    pub answers: BTreeMap<String, (AnswerValue, Option<Foreign>)>,
    /// Files of pictures by step.
    pub photos: BTreeMap<String, Vec<Foreign>>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct AnswersDraft {
    format: u32,
    #[serde(default)]
    answers: BTreeMap<Spanned<Foreign>, Spanned<toml::Value>>,
    #[serde(default)]
    photos: BTreeMap<Spanned<Foreign>, Vec<Foreign>>,
}

/// An answers file to be filled in: every step with its question, and an answer of its kind.
pub fn template(steps: &[VisitStep]) -> String {
    let mut text = "# Take the mark # away before what you answer; what is left is skipped, or measured.\nformat = 1\n\n[answers]\n".to_owned();
    for step in steps {
        let (answer, how) = match &step.kind {
            AnswerKind::Confirm => (
                "true".to_owned(),
                "true, false, or { answer = \"no\", note = \"why\" }".to_owned(),
            ),
            AnswerKind::Number { unit, lowest, .. } => {
                (lowest.max(0.0).to_string(), format!("a number, {unit}"))
            }
            AnswerKind::Words => ("\"...\"".to_owned(), "in words".to_owned()),
            AnswerKind::OneOf(choices) => {
                let ids: Vec<&str> = choices.iter().map(|(id, _)| id.as_str()).collect();
                let first = ids.first().copied().unwrap_or_default();
                (format!("\"{first}\""), ids.join(" | "))
            }
            AnswerKind::Lamps(lamps) => (
                format!("\"{}\"", lamps.example()),
                format!("lamps: {}; several parted by ;", lamps.lamps.join(", ")),
            ),
            AnswerKind::Measured(_) => (
                "{ skip = \"why\" }".to_owned(),
                "measured, or skipped".to_owned(),
            ),
            // Computed from the answers before it.
            AnswerKind::Storage => continue,
        };
        text.push_str(&format!(
            "\n# {} ({how})\n# {} = {answer}\n",
            step.text, step.id
        ));
    }
    text.push_str("\n# Photographs by step:\n# [photos]\n# nameplates = [\"plate.jpg\"]\n");
    text
}

/// Reads an answers file of this name.
///
/// # Errors
/// All mistakes, one line each: where, what was expected, what was found.
pub fn read(text: &str, name: &str, steps: &[VisitStep]) -> Result<Answers, String> {
    let lines = Lines::of(text);
    let draft: AnswersDraft =
        whole_file(text, "answers", name).map_err(|problems| problems.to_string())?;
    let line = |offset: usize| lines.at(offset).0 + 1;
    let clean = |step: &Spanned<Foreign>| step.get_ref().clean().into_owned();
    let mut mistakes = Vec::new();
    if draft.format != 1 {
        mistakes.push(format!("format: expected 1, found {}", draft.format));
    }
    let mut read = Answers::default();
    for (step, value) in &draft.answers {
        let found = steps
            .iter()
            .find(|known| *step.get_ref() == *known.id)
            .ok_or_else(|| format!("expected the name of a step, found \"{}\"", clean(step)))
            .and_then(|known| Ok((known.id.clone(), one(known, value.get_ref())?)));
        match found {
            Ok((id, answer)) => {
                read.answers.insert(id, answer);
            }
            Err(why) => mistakes.push(format!(
                "line {}, {}: {why}",
                line(step.span().start),
                clean(step)
            )),
        }
    }
    for (step, files) in draft.photos {
        if let Some(known) = steps.iter().find(|known| *step.get_ref() == *known.id) {
            read.photos.insert(known.id.clone(), files);
        } else {
            mistakes.push(format!(
                "line {}, photos: expected the name of a step, found \"{}\"",
                line(step.span().start),
                clean(&step)
            ));
        }
    }
    if mistakes.is_empty() {
        Ok(read)
    } else {
        let names: Vec<&str> = steps.iter().map(|step| step.id.as_str()).collect();
        mistakes.push(format!("the steps are: {}", names.join(", ")));
        Err(format!("{name}: {}", mistakes.join("\n")))
    }
}

/// Value and note of one answer.
fn one(step: &VisitStep, value: &toml::Value) -> Result<(AnswerValue, Option<Foreign>), String> {
    let text = |value: &toml::Value| match value {
        toml::Value::String(text) => Some(Foreign::from(text.as_str())),
        toml::Value::Integer(number) => Some(number.to_string().into()),
        toml::Value::Float(number) => Some(number.to_string().into()),
        toml::Value::Boolean(yes) => Some(if *yes { "yes" } else { "no" }.into()),
        _ => None,
    };
    let toml::Value::Table(table) = value else {
        let typed = text(value).ok_or("expected an answer, found a list or a date")?;
        return understand(step, &typed).map(|value| (value, None));
    };
    let known = |key: &&String| matches!(key.as_str(), "answer" | "note" | "skip");
    if let Some(other) = table.keys().find(|key| !known(key)) {
        let other = packside_profiles::clean(other);
        return Err(format!("expected answer, note or skip, found \"{other}\""));
    }
    let note = table.get("note").and_then(text);
    match (table.get("answer"), table.get("skip").and_then(text)) {
        (None, Some(reason)) => Ok((AnswerValue::LeftOut, Some(reason))),
        (Some(answer), None)
            if !matches!(step.kind, AnswerKind::Measured(_) | AnswerKind::Storage) =>
        {
            let typed = text(answer).ok_or("answer: expected a text or a number")?;
            understand(step, &typed).map(|value| (value, note))
        }
        (Some(_), None) => Err("expected skip only: the tool finds this out by itself".to_owned()),
        _ => Err("expected either answer or skip".to_owned()),
    }
}
