//! Every id that a result can carry, with its meaning: the source of the reference page.
//!
//! Input: nothing. Output: [`Topic`]s, complete by construction: each list is the one that judging
//! itself uses.

use packside_profiles::Class;
use packside_profiles::model::Needs;

use super::causes::TABLE;
use super::doubt::DoubtKind;
use super::judgement::{Certainty, Disposition, VerdictKind};
use super::next::NOT_TESTED;
use super::notices::NOTICES;
use super::sight::Sight;
use super::step::Step;

/// A chapter of the reference.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Topic {
    /// Heading.
    pub title: &'static str,
    /// Where the ids stand in the JSON object.
    pub place: &'static str,
    /// Ids with their meaning.
    pub entries: Vec<Entry>,
}

/// One id.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Entry {
    /// Stable id.
    pub id: &'static str,
    /// What it means and what follows from it.
    pub meaning: String,
}

fn entry(id: &'static str, meaning: impl Into<String>) -> Entry {
    Entry {
        id,
        meaning: meaning.into(),
    }
}

/// The whole reference, in the order of the page.
pub fn topics() -> Vec<Topic> {
    vec![
        Topic {
            title: "Verdicts",
            place: "verdict.kind",
            entries: VerdictKind::ALL
                .map(|kind| {
                    entry(
                        kind.id(),
                        format!("{}. Exit code {}.", kind.meaning(), kind.exit_code()),
                    )
                })
                .to_vec(),
        },
        Topic {
            title: "Findings about the battery",
            place: "findings[].id",
            entries: Class::ALL
                .iter()
                .map(|class| entry(class.id(), of_class(*class)))
                .collect(),
        },
        Topic {
            title: "Remarks",
            place: "findings[].id",
            entries: NOTICES
                .iter()
                .map(|(id, meaning)| entry(id, format!("{meaning}.")))
                .collect(),
        },
        Topic {
            title: "What becomes of the part",
            place: "findings[].disposition",
            entries: Disposition::ALL
                .map(|one| entry(one.id(), format!("{}.", one.meaning())))
                .to_vec(),
        },
        Topic {
            title: "How sure a root is",
            place: "findings[].sure",
            entries: vec![
                entry(
                    Certainty::Proven.id(),
                    "a good number breaks a limit of a recognised map",
                ),
                entry(
                    Certainty::Likely.id(),
                    "the unit says so, no number shows it",
                ),
                entry(Certainty::Open.id(), "not confirmed"),
            ],
        },
        Topic {
            title: "What keeps a verdict open",
            place: "verdict.open[].id",
            entries: DoubtKind::ALL
                .iter()
                .map(|kind| {
                    let text =
                        format!("{}. Settled by `{}`.", kind.meaning(), kind.step().row().id);
                    entry(kind.id(), text)
                })
                .collect(),
        },
        Topic {
            title: "Causes on the line and of a silent inverter",
            place: "verdict.causes[].id",
            entries: TABLE
                .iter()
                .map(|row| {
                    let caution = if row.caution.is_empty() {
                        String::new()
                    } else {
                        format!(" Mind: {}.", row.caution)
                    };
                    entry(
                        row.id,
                        format!(
                            "{}. Settled by `{}`.{caution}",
                            row.meaning,
                            row.step.row().id
                        ),
                    )
                })
                .collect(),
        },
        Topic {
            title: "What causes are weighed by",
            place: "words in verdict.causes[].for and .against",
            entries: Sight::ALL
                .iter()
                .map(|sight| entry(sight.id(), format!("{}.", sight.words())))
                .collect(),
        },
        Topic {
            title: "Next steps",
            place: "verdict.next[].id",
            entries: Step::ALL
                .iter()
                .map(|step| {
                    let row = step.row();
                    let text = format!(
                        "{} ({}, {}, about {} min)",
                        row.text,
                        needs(row.needs),
                        row.who,
                        row.minutes
                    );
                    entry(row.id, text)
                })
                .collect(),
        },
        Topic {
            title: "Not tested",
            place: "not_tested[].id",
            entries: NOT_TESTED
                .iter()
                .map(|(id, meaning)| entry(id, format!("{meaning}.")))
                .collect(),
        },
    ]
}

/// Causes of a line without a valid answer on a pair that we are on ourselves, with their prior odds
/// in bits: for whoever measures how far shares can be relied on.
pub fn priors() -> Vec<(&'static str, i32)> {
    super::causes::priors_of_line()
}

/// What a step needs, in words.
pub fn needs(needs: Needs) -> &'static str {
    match needs {
        Needs::Look => "look only",
        Needs::LowVoltage => "low voltage",
        Needs::UnitOff => "unit off",
        Needs::LiveDc => "LIVE DC",
    }
}

fn of_class(class: Class) -> String {
    let what = super::roots::meaning(class);
    let weight = if class.is_status() {
        "A status: it follows from something, and keeps the verdict open where nothing explains it."
    } else if class == Class::InverterSilent {
        "Explains the statuses of open switches, dead terminals, zero limits and not ready, and nothing else."
    } else if class.is_condition() {
        "A condition: alone it makes the unit `not-ready`, not faulty."
    } else {
        "Always `fault`, whatever lamp or inverter say."
    };
    format!("{what}. {weight}")
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

    #[test]
    fn every_step_that_something_is_settled_by_is_a_step() {
        let ids: Vec<&str> = Step::ALL.iter().map(|step| step.row().id).collect();
        assert!(TABLE.iter().all(|row| ids.contains(&row.step.row().id)));
    }
}
