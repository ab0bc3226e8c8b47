//! A unit that is watched, a line for each look and each change: `packside.watch/1`.

use std::time::Duration;

use serde::Serialize;

use super::check::Check;
use super::ms;
use crate::event::LinkFacts;
use crate::facts::{Judgement, NextStep};
use crate::words;

/// Name and version of the schema.
const SCHEMA: &str = "packside.watch/1";

/// One line.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(tag = "type", rename_all = "kebab-case")]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub enum Line {
    /// Before the first look.
    Start(Start),
    /// Something is otherwise than it was.
    Change(Change),
    /// A look.
    Look(Look),
    /// The end.
    End {
        /// Moment of the last look.
        at_ms: u64,
        /// Local time by RFC 3339, where the wall clock is known.
        time: Option<String>,
        /// The last look in full.
        result: Box<Check>,
    },
}

/// What is watched.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Start {
    /// `packside.watch/1`.
    pub schema: &'static str,
    /// Version of this tool.
    pub tool: &'static str,
    /// No real unit: it comes from the simulator.
    pub simulated: bool,
    /// By which register map.
    pub profile: Profile,
    /// How it is reached, in words.
    pub place: Option<String>,
}

/// A register map.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Profile {
    /// Its id.
    pub id: String,
    /// Fingerprint of its text, hex.
    pub sha256: String,
}

/// Something is otherwise than it was.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Change {
    /// When.
    pub at_ms: u64,
    /// Local time by RFC 3339, where the wall clock is known.
    pub time: Option<String>,
    /// What it is about.
    pub about: &'static str,
    /// What it is.
    pub id: &'static str,
    /// The same in words.
    pub text: String,
}

/// A look in short.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Look {
    /// When.
    pub at_ms: u64,
    /// Local time by RFC 3339, where the wall clock is known.
    pub time: Option<String>,
    /// The verdict.
    pub verdict: Verdict,
    /// Numbers that are followed.
    pub numbers: Vec<Number>,
}

/// A verdict in short.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Verdict {
    /// Its id.
    pub kind: &'static str,
    /// One sentence.
    pub summary: String,
    /// Id of the first step.
    pub next: Option<&'static str>,
}

/// A number that is followed.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Number {
    /// Unit address.
    pub unit: u8,
    /// What it is.
    pub name: &'static str,
    /// The number.
    pub value: f64,
    /// Physical unit.
    pub value_unit: &'static str,
}

impl Line {
    /// Before the first look: the map, the fingerprint of its text, the link and its words.
    pub fn start(map: &str, sha256: &str, link: Option<(&LinkFacts, String)>) -> Self {
        Self::Start(Start {
            schema: SCHEMA,
            tool: super::TOOL,
            simulated: link.as_ref().is_some_and(|(facts, _)| facts.is_simulated()),
            profile: Profile {
                id: map.to_owned(),
                sha256: sha256.to_owned(),
            },
            place: link.map(|(_, words)| words),
        })
    }

    /// A change; `time` is the local time, where the wall clock is known.
    pub fn change(
        at: Duration,
        time: Option<String>,
        about: &'static str,
        id: &'static str,
        text: &str,
    ) -> Self {
        Self::Change(Change {
            at_ms: ms(at),
            time,
            about,
            id,
            text: text.to_owned(),
        })
    }

    /// A look in short, with the numbers that are followed.
    pub fn look(judgement: &Judgement, time: Option<String>, numbers: Vec<Number>) -> Self {
        let verdict = &judgement.verdict;
        Self::Look(Look {
            at_ms: ms(judgement.moment),
            time,
            verdict: Verdict {
                kind: verdict.kind.id(),
                summary: words::summary(judgement),
                next: verdict.next.first().map(NextStep::id),
            },
            numbers,
        })
    }

    /// The end, with the last look in full.
    pub fn end(at: Duration, time: Option<String>, result: Check) -> Self {
        Self::End {
            at_ms: ms(at),
            time,
            result: Box::new(result),
        }
    }
}
