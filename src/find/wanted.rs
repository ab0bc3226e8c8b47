//! What a search is told, and what it comes to.
//!
//! Does not: search (see [`crate::drive::find`]).

use std::time::Duration;

use packside_profiles::LineSettings;

use super::found::asked_at;
use super::{Behind, Found, FoundIdentity, Garbled, Listening, Plan, prior};
use crate::event::{Consent, LinkFacts};
use crate::listen::Summary;
use crate::wire::Framing;

/// What a network may add to an answer behind a gateway that passes bytes on.
const NETWORK: Duration = Duration::from_millis(250);

/// What is looked for, and what is known of it beforehand.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Wanted {
    /// These line settings only.
    pub line: Option<LineSettings>,
    /// This address only.
    pub unit: Option<u8>,
    /// How a gateway puts frames into bytes, where somebody has said it.
    pub framing: Option<Framing>,
    /// Go on behind the first unit that answers.
    pub all: bool,
    /// Questions of an interrupted search that are not asked again.
    pub skip: usize,
    /// How long an adapter may hold an answer back.
    pub hold_back: Duration,
    /// Longest wait for an answer, where somebody has said it.
    pub time_out: Option<Duration>,
    /// How long is listened before the first question.
    pub window: Duration,
    /// What a person says about asking.
    pub consent: Consent,
}

impl Wanted {
    /// The plan on a line.
    pub fn plan(&self) -> Plan {
        let everything = Plan::everything(self.hold_back.max(self.time_out.unwrap_or_default()));
        Plan {
            lines: match self.line {
                Some(line) => vec![(asked_at(line), 1.0)],
                None => everything.lines,
            },
            units: self.unit.map_or(everything.units, |unit| vec![unit]),
            all: self.all,
            skip: self.skip,
            ..everything
        }
    }

    /// The plan behind a gateway that passes bytes on, at its own settings.
    pub fn plan_behind(&self, skip: usize) -> Plan {
        Plan {
            lines: vec![(prior::first_line(), 1.0)],
            hold_back: NETWORK.max(self.time_out.unwrap_or_default()),
            skip,
            ..self.plan()
        }
    }
}

/// How a search ended that came to its end.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FindEnd {
    /// Enough is found.
    Found,
    /// Everything was asked.
    Exhausted,
    /// Somebody else talks: nothing was asked, or no more.
    Busy,
    /// Nobody said that asking is right: not a byte was sent.
    NotAsked,
}

/// What a search has come to, also where it was broken off.
#[derive(Debug, Clone, PartialEq)]
pub struct Findings {
    /// The link, framed as it was last.
    pub facts: LinkFacts,
    /// How it ended.
    pub ended: FindEnd,
    /// What was heard before the first question, where that was listened to.
    pub listened: Option<(Listening, Summary)>,
    /// Who answers, and who they are.
    pub found: Vec<(Found, FoundIdentity)>,
    /// Who answers, never readably.
    pub garbled: Vec<Garbled>,
    /// Too much came that was no answer.
    pub is_noisy: bool,
    /// What was seen of a gateway.
    pub gateway: Option<Behind>,
    /// Questions asked, and the time from the first of them to the end.
    pub questions: usize,
    /// See `questions`.
    pub took: Duration,
    /// The adapter gives back what is sent.
    pub echoes: bool,
    /// Where an interrupted search goes on.
    pub resume: Option<usize>,
    /// The framing in which that number counts, where it is one.
    pub resume_in: Option<Framing>,
}

impl Findings {
    /// Of a search over this link that has not begun.
    pub fn new(facts: LinkFacts) -> Self {
        Self {
            facts,
            ended: FindEnd::Exhausted,
            listened: None,
            found: Vec::new(),
            garbled: Vec::new(),
            is_noisy: false,
            gateway: None,
            questions: 0,
            took: Duration::ZERO,
            echoes: false,
            resume: None,
            resume_in: None,
        }
    }

    /// Whether somebody was heard before the first question.
    pub fn is_occupied(&self) -> bool {
        let heard = self.listened.as_ref();
        heard.is_some_and(|(listening, _)| *listening != Listening::Silent)
    }
}
