//! What of a recording does not hold: parts that are missing, and verdicts that would be others today.
//!
//! Does not: judge; the caller gives what judging gave.

use crate::facts::Judgement;
use crate::recording::{Missing, Recording, Shown};
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
    /// The same bytes give another verdict.
    #[error(
        "shown at {at_seconds} s by packside {tool}: {shown} (\"{summary}\"); judged today: {now} (\"{summary_now}\")"
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
    },
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

/// Says what does not hold. `judged` are verdicts that were shown, each with what judging at its
/// moment gives today.
///
/// Texts are not stable between versions: another version must give the same kind, the same version
/// also the same line.
pub fn verify(recording: &Recording, judged: &[(&Shown, Judgement)]) -> Vec<Broken> {
    let mut broken: Vec<Broken> = recording
        .missing
        .iter()
        .cloned()
        .map(Broken::Missing)
        .collect();
    if judged.is_empty() {
        broken.push(Broken::NothingShown);
    }
    for (shown, judgement) in judged {
        let (now, summary) = (&judgement.verdict, sentence::summary(judgement));
        let same_version = shown.tool == env!("CARGO_PKG_VERSION");
        let same = shown.verdict == now.kind.id() && (!same_version || shown.summary == summary);
        if !same {
            broken.push(Broken::Differs {
                at_seconds: shown.at.as_secs(),
                tool: shown.tool.clone(),
                shown: shown.verdict.clone(),
                summary: shown.summary.clone(),
                now: now.kind.id().to_owned(),
                summary_now: summary,
            });
        }
    }
    broken
}
