//! Every id that a result can carry, with its meaning: the source of the reference page.
//!
//! Input: nothing. Output: [`Chapter`]s, complete by construction: each list is the one that judging
//! itself uses.

use packside_profiles::Class;
use packside_profiles::model::LiesIn;

use crate::facts::doubt::DoubtKind;
use crate::facts::fact::{FactKind, REMARKS};
use crate::facts::judgement::{Certainty, Disposition, VerdictKind};
use crate::facts::not_tested::Untested;
use crate::facts::sight::SightKind;
use crate::facts::step::StepKind;
use crate::judge::causes::{CauseRow, TABLE};
use crate::judge::shared;
use crate::words;

/// A chapter of the reference.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Chapter {
    /// Heading.
    pub title: &'static str,
    /// Where the ids stand in the JSON object.
    pub place: &'static str,
    /// Ids with their meaning.
    pub entries: Vec<ReferenceEntry>,
}

/// One id.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ReferenceEntry {
    /// Stable id.
    pub id: &'static str,
    /// What it means and what follows from it.
    pub meaning: String,
    /// Where the reason usually lies; a map may say otherwise. Nothing where that is no question.
    pub lies_in: Option<LiesIn>,
    /// What to do about it. Empty where there is nothing to do.
    pub to_do: String,
}

fn entry(id: &'static str, meaning: impl Into<String>) -> ReferenceEntry {
    ReferenceEntry {
        id,
        meaning: meaning.into(),
        lies_in: None,
        to_do: String::new(),
    }
}

impl ReferenceEntry {
    fn with_step(self, step: StepKind) -> Self {
        let (needs, who, _) = step.usual();
        let (needs, who) = (words::needs(needs), words::who(who));
        let to_do = format!("{} ({needs}, {who})", words::step_means(step));
        Self { to_do, ..self }
    }
}

/// The whole reference, in the order of the page.
pub fn topics() -> Vec<Chapter> {
    let topic = |title, place, entries| Chapter {
        title,
        place,
        entries,
    };
    let verdict = |kind: VerdictKind| {
        entry(
            kind.id(),
            format!("{}. Exit code {}.", kind.meaning(), kind.exit_code()),
        )
    };
    let classes = Class::ALL.iter().map(|class| of_class(*class));
    let untested = Untested::ALL.into_iter().map(|what| {
        let meaning = words::untested_means(what);
        entry(what.id(), format!("{meaning}."))
    });
    let others = FactKind::ALL.iter().filter(|kind| !REMARKS.contains(kind));
    let others: Vec<FactKind> = others.copied().collect();
    let dispositions = Disposition::ALL.map(|one| entry(one.id(), format!("{}.", one.meaning())));
    let sure = [Certainty::Proven, Certainty::Likely, Certainty::Open];
    let sure = sure.map(|one| entry(one.id(), format!("{}.", one.meaning())));
    let doubts = DoubtKind::ALL.iter().map(|kind| {
        let step = kind.step().id();
        let meaning = format!("{}. Settled by `{step}`.", words::doubt_means(*kind));
        entry(kind.id(), meaning).with_step(kind.step())
    });
    let sights = SightKind::ALL
        .iter()
        .map(|kind| entry(kind.id(), format!("{}.", words::sight_means(*kind))));
    vec![
        topic(
            "Verdicts",
            "verdict.kind",
            VerdictKind::ALL.map(verdict).to_vec(),
        ),
        topic(
            "Findings about the battery",
            "findings[].id",
            classes.collect(),
        ),
        topic("Remarks", "findings[].id", facts(&REMARKS)),
        topic("What a finding rests on", "findings[].fact", facts(&others)),
        topic(
            "What becomes of the part",
            "findings[].disposition",
            dispositions.to_vec(),
        ),
        topic("How sure a root is", "findings[].sure", sure.to_vec()),
        topic(
            "What keeps a verdict open",
            "verdict.open[].id",
            doubts.collect(),
        ),
        topic(
            "Causes on the line and of a silent inverter",
            "verdict.causes[].id",
            causes(),
        ),
        topic(
            "What causes are weighed by",
            "words in verdict.causes[].for and .against",
            sights.collect(),
        ),
        topic("Next steps", "verdict.next[].id", steps()),
        topic("Not tested", "not_tested[].id", untested.collect()),
    ]
}

fn facts(kinds: &[FactKind]) -> Vec<ReferenceEntry> {
    let of_kind = |kind: &FactKind| entry(kind.id(), format!("{}.", kind.meaning()));
    kinds.iter().map(of_kind).collect()
}

fn causes() -> Vec<ReferenceEntry> {
    let of_row = |row: &CauseRow| {
        let mind = match words::mind_of(row.kind) {
            "" => String::new(),
            caution => format!(" Mind: {caution}."),
        };
        let step = row.step.id();
        let meaning = words::cause(row.kind);
        let meaning = format!("{meaning}. Settled by `{step}`.{mind}");
        entry(row.kind.id(), meaning).with_step(row.step)
    };
    TABLE.iter().map(of_row).collect()
}

fn steps() -> Vec<ReferenceEntry> {
    let of_step = |step: &StepKind| {
        let (needs, who, minutes) = step.usual();
        let (needs, who) = (words::needs(needs), words::who(who));
        let meaning = words::step_means(*step);
        entry(
            step.id(),
            format!("{meaning} ({needs}, {who}, about {minutes} min)"),
        )
    };
    StepKind::ALL.iter().map(of_step).collect()
}

fn of_class(class: Class) -> ReferenceEntry {
    let what = words::class(class);
    let follows = class.is_status() || class == Class::InverterSilent;
    let weight = if class.is_status() {
        "A status: it follows from something, and keeps the verdict open where nothing explains it."
    } else if class == Class::InverterSilent {
        "Explains the statuses of open switches, dead terminals, zero limits and not ready, and nothing else."
    } else if class.is_condition() {
        "A condition: alone it makes the unit `not-ready`, not faulty."
    } else {
        "As an alarm always `fault`, whatever lamp or inverter say."
    };
    let told = entry(class.id(), format!("{what}. {weight}"));
    if follows {
        return told;
    }
    ReferenceEntry {
        lies_in: Some(shared::lies_in(class)),
        to_do: words::usual(class).to_owned(),
        ..told
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_id_means_two_things_within_its_place() {
        let mut seen: Vec<(&str, &str)> = Vec::new();
        for topic in topics() {
            for entry in &topic.entries {
                assert!(
                    !seen.contains(&(topic.place, entry.id)),
                    "{} in {}",
                    entry.id,
                    topic.place
                );
                assert!(entry.meaning.len() > 8, "{}", entry.id);
                seen.push((topic.place, entry.id));
            }
        }
    }
}
