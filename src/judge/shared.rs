//! What the judging of all members has in common.
//!
//! Does not: judge.

use std::time::Duration;

use packside_profiles::Value;
use packside_profiles::model::Profile;

use crate::event::{Answer, LinkFacts, Plugged};
use crate::evidence::Seen;

/// A lamp and the pattern it showed.
pub(crate) type Sighting = (String, String);

/// What all members share.
pub(crate) struct Shared<'a> {
    /// The profile.
    pub(crate) profile: &'a Profile,
    /// What the events come to.
    pub(crate) seen: &'a Seen,
    /// Lamps as seen.
    pub(crate) sightings: &'a [Sighting],
    /// What a person found not in order.
    pub(crate) said: &'a [Answer],
    /// Moment judged.
    pub(crate) moment: Duration,
}

impl Shared<'_> {
    /// The link.
    pub(crate) fn facts(&self) -> Option<&LinkFacts> {
        self.seen.line.facts.as_ref()
    }

    /// Whether any question of ours was asked.
    pub(crate) fn we_asked(&self) -> bool {
        self.seen.we_asked()
    }
}

/// A value for people.
pub(crate) fn value_text(value: &Value) -> String {
    match value {
        Value::Number(number) => number.to_string(),
        Value::Text(text) => text.clean().into_owned(),
        Value::Bits(bits) => format!("0x{bits:04x}"),
        Value::Code(code) => code.to_string(),
    }
}

/// Whether we sit in the inverter's socket and silenced it ourselves.
pub(crate) fn we_hold_its_socket(facts: Option<&LinkFacts>) -> bool {
    facts.is_some_and(|f| f.plugged == Some(Plugged::InsteadOfInverter))
}
