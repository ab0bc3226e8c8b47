//! What of a recording does not hold: parts that are missing, and verdicts that would be others today.
//!
//! Does not: judge; the caller gives what judging gave.

use crate::facts::Judgement;
use crate::recording::{Missing, Recording, Shown, ShownFact};
use crate::words as sentence;

/// Something that does not hold.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Broken {
    /// A part is not there.
    #[error("{0}")]
    Missing(Missing),
    /// Nothing to compare with.
    #[error("no verdict was shown on site")]
    NothingShown,
    /// The lines before it give another verdict.
    #[error(
        "shown at {at_seconds} s by packside {tool}: {shown} (\"{summary}\"); judged today: {now} (\"{summary_now}\"){}",
        found_else(gone, new)
    )]
    Differs {
        /// Moment, whole seconds since the session began.
        at_seconds: u64,
        /// Version that showed it.
        tool: String,
        /// Id of the verdict shown.
        shown: String,
        /// Its line.
        summary: String,
        /// Id of the verdict today.
        now: String,
        /// Its line today.
        summary_now: String,
        /// What was found then and is not today.
        gone: Vec<ShownFact>,
        /// What is found today and was not then.
        new: Vec<ShownFact>,
    },
}

/// What is found otherwise, in words.
fn found_else(gone: &[ShownFact], new: &[ShownFact]) -> String {
    let ids = |facts: &[ShownFact]| {
        let ids: Vec<&str> = facts.iter().map(|fact| fact.id.as_str()).collect();
        ids.join(", ")
    };
    let mut text = String::new();
    if !gone.is_empty() {
        text.push_str(&format!("; found then and not today: {}", ids(gone)));
    }
    if !new.is_empty() {
        text.push_str(&format!("; found today and not then: {}", ids(new)));
    }
    text
}

impl Broken {
    /// The stable id.
    pub fn id(&self) -> &'static str {
        match self {
            Self::Missing(_) => "missing",
            Self::NothingShown => "nothing-shown",
            Self::Differs { .. } => "differs",
        }
    }
}

/// Says what does not hold. `judged` are verdicts that were shown, each with what judging the lines before
/// it gives today.
///
/// Another version must give the same verdict, the same version also the same findings. Sentences are not
/// compared: they may be put better.
pub fn verify(recording: &Recording, judged: &[(Shown, Judgement)]) -> Vec<Broken> {
    let missing = recording.missing.iter().filter(|one| !one.is_harmless());
    let missing = missing.cloned();
    let mut broken: Vec<Broken> = missing.map(Broken::Missing).collect();
    if judged.is_empty() {
        broken.push(Broken::NothingShown);
    }
    broken.extend(judged.iter().filter_map(|(shown, now)| differs(shown, now)));
    broken
}

/// Whether what was shown is what is judged now.
pub fn holds(shown: &Shown, now: &Judgement) -> bool {
    differs(shown, now).is_none()
}

fn differs(shown: &Shown, judgement: &Judgement) -> Option<Broken> {
    let now = &judgement.verdict;
    let same_version = shown.tool == env!("CARGO_PKG_VERSION");
    let then = shown.facts.as_ref().filter(|_| same_version);
    let found = ShownFact::all(judgement);
    let not_in = |some: &[ShownFact], others: &[ShownFact]| -> Vec<ShownFact> {
        let missing = some.iter().filter(|fact| !others.contains(fact));
        missing.cloned().collect()
    };
    let (gone, new) = then.map_or_else(Default::default, |then| {
        (not_in(then, &found), not_in(&found, then))
    });
    let same = shown.verdict == now.kind.id() && gone.is_empty() && new.is_empty();
    (!same).then(|| Broken::Differs {
        at_seconds: shown.at.as_secs(),
        tool: shown.tool.clone(),
        shown: shown.verdict.clone(),
        summary: shown.summary.clone(),
        now: now.kind.id().to_owned(),
        summary_now: sentence::summary(judgement),
        gone,
        new,
    })
}
