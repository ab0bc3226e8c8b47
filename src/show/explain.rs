//! `check --explain`: how the verdict came about, every cause considered, what would change it.
//! `check --explain ID`: what one id means. Also writes the reference page `REFERENCE.md`.
//!
//! Input: a judgement and its profile. Output: text. Does not: judge.

use std::fmt::Write as _;

use packside_profiles::model::{Profile, Severity};

use super::reference::{Chapter, ReferenceEntry, topics};
use super::screen::{self, wrap};
use crate::facts::{Cause, Doubt, Judgement, Reading, ReadingQuality, Sight, VerdictKind};
use crate::judge;
use crate::show::json::explain::Explained;
use crate::show::page::words;
use crate::words::{self as sentence, with_unit};

/// How the verdict came about.
pub fn explanation(judgement: &Judgement, profile: &Profile) -> String {
    let mut out = String::from("HOW THIS VERDICT CAME ABOUT\n");
    order_of_judging(&mut out, judgement, profile);
    evidence(&mut out, judgement);
    causes(&mut out, &judgement.verdict.considered);
    changes(&mut out, judgement, profile);
    let _ = writeln!(
        out,
        "\nEvery id is explained by: packside check --explain ID"
    );
    out
}

fn lines(out: &mut String, title: &str, lines: &[String]) {
    if lines.is_empty() {
        return;
    }
    let _ = writeln!(out, "\n{title}");
    for line in lines {
        wrap(out, line, "  - ", "    ");
    }
}

/// The rules in their order, and what each found here.
fn order_of_judging(out: &mut String, judgement: &Judgement, profile: &Profile) {
    let verdict = &judgement.verdict;
    let bus = &judgement.bus;
    let exceptions: u32 = bus.exceptions.iter().map(|(_, n)| n).sum();
    let required = judgement
        .readings
        .iter()
        .filter(|reading| judge::is_needed(reading, profile));
    let (good, all) = required.fold((0, 0), |(good, all), r| {
        (
            good + usize::from(r.quality == ReadingQuality::Good),
            all + 1,
        )
    });
    let roots = judgement.roots();
    let said = |items: &[&str]| {
        if items.is_empty() {
            "none".to_owned()
        } else {
            items.join(", ")
        }
    };
    let open: Vec<&str> = verdict.open.iter().map(Doubt::id).collect();
    let rules = [
        format!(
            "1. Is there a valid answer of the unit? {} of {} questions answered, {exceptions} refused{}",
            bus.answered,
            bus.requests,
            if bus.foreign_requests > 0 {
                ", and others were overheard"
            } else {
                ""
            }
        ),
        format!(
            "2. Root alarms and broken limits, whatever lamp or inverter say: {}",
            said(&roots)
        ),
        format!(
            "3. Anything missing, stale, hidden or contradicting: {} ({good} of {all} needed readings are good)",
            if verdict.kind == VerdictKind::Undecided {
                said(&open)
            } else {
                "nothing that decided".to_owned()
            }
        ),
        format!(
            "4. Only then the inverter link: {}",
            verdict
                .why
                .last()
                .map_or_else(String::new, |last| sentence::reason(judgement, last))
        ),
        format!("So: {}", verdict.kind.id()),
    ];
    // What comes after the rule that decided was not asked any more.
    let asked = match verdict.kind {
        VerdictKind::BusProblem => 1,
        VerdictKind::Fault => 2,
        VerdictKind::Undecided | VerdictKind::NotReady => 3,
        _ => 4,
    };
    let shown: Vec<String> = rules
        .iter()
        .enumerate()
        .filter(|(index, _)| *index < asked || *index == 4)
        .map(|(_, line)| line.clone())
        .collect();
    lines(out, "In this order", &shown);
}

/// Every finding, with its id and how it came.
fn evidence(out: &mut String, judgement: &Judgement) {
    let told: Vec<String> = judgement
        .findings
        .iter()
        .map(|f| {
            let kind = match (f.is_root_alarm(), f.root, f.severity) {
                (true, ..) => format!("root, {}", f.sure.id()),
                (_, true, _) => "may be a root".to_owned(),
                (_, _, Severity::Notice) => "note".to_owned(),
                _ => "no root".to_owned(),
            };
            let follows = f
                .follows_from
                .map_or_else(String::new, |from| format!(", follows from {from}"));
            let since = f.since.map_or_else(String::new, |at| {
                format!(", first seen at {:.1} s", at.as_secs_f64())
            });
            format!(
                "{} ({}, {kind}{follows}{since}): {}",
                f.id,
                f.source.id(),
                sentence::of_finding(judgement, f)
            )
        })
        .collect();
    lines(out, "Evidence", &told);
}

/// Every cause with what speaks for and against it.
fn causes(out: &mut String, considered: &[Cause]) {
    let told: Vec<String> = considered
        .iter()
        .map(|cause| {
            let reasons = |word: &str, seen: &[Sight]| {
                if seen.is_empty() {
                    return String::new();
                }
                let seen: Vec<String> = seen.iter().map(sentence::sight).collect();
                format!("; {word}: {}", seen.join(", "))
            };
            format!(
                "{} {}: {}{}{}",
                screen::strength(cause.per_mille),
                cause.id(),
                sentence::cause(cause.kind),
                reasons("for it", &cause.reasons_for),
                reasons("against it", &cause.reasons_against)
            )
        })
        .collect();
    lines(out, "Every cause considered, the likeliest first", &told);
}

/// What would make it another verdict.
fn changes(out: &mut String, judgement: &Judgement, profile: &Profile) {
    let verdict = &judgement.verdict;
    let mut told = Vec::new();
    if let Some(kind) = verdict.without_roots {
        told.push(format!(
            "were {} gone and all else the same, the verdict would be {}",
            judgement.roots().join(", "),
            kind.id()
        ));
    }
    for point in &verdict.open {
        told.push(format!(
            "{} [{}]: settled by {}",
            sentence::of_doubt(judgement, point),
            point.id(),
            point.settled_by()
        ));
    }
    match verdict.kind {
        VerdictKind::BusProblem => told.push("one valid answer of the unit".to_owned()),
        VerdictKind::Fault | VerdictKind::Undecided => {}
        _ => {
            told.push(
                "any alarm flag, any undefined bit, any point that it needs and that cannot be read"
                    .to_owned(),
            );
            told.extend(margins(judgement, profile));
        }
    }
    lines(out, "What would change it", &told);
}

/// The readings closest to an alarm limit, one for each point.
fn margins(judgement: &Judgement, profile: &Profile) -> Vec<String> {
    let mut close: Vec<(f64, String)> = Vec::new();
    for point in &profile.points {
        let of_point = || judgement.readings.iter().filter(|r| r.point == point.id);
        let sides = [
            (point.limits.alarm_below, true),
            (point.limits.alarm_above, false),
        ];
        for (limit, low) in sides
            .iter()
            .filter_map(|(limit, low)| Some((limit.as_ref()?, *low)))
        {
            let away = |reading: &Reading| {
                let number = reading.number()?;
                Some(if low { number - limit } else { limit - number })
            };
            let nearest = of_point()
                .filter_map(|r| Some((away(r)?, r)))
                .min_by(|a, b| a.0.total_cmp(&b.0));
            let Some((left, reading)) = nearest else {
                continue;
            };
            let text = format!(
                "{} {} its alarm limit of {}: it has {}, {} are left",
                reading.name,
                if low { "falling below" } else { "rising above" },
                with_unit(*limit, &point.unit.clean()),
                with_unit(reading.number().unwrap_or_default(), &point.unit.clean()),
                with_unit(left, &point.unit.clean())
            );
            close.push((left / limit.abs().max(1.0), text));
        }
    }
    close.sort_by(|a, b| a.0.total_cmp(&b.0));
    close.into_iter().take(4).map(|(_, text)| text).collect()
}

/// An id and each place where it may stand, with what it means there.
fn entries(id: &str) -> Vec<(Chapter, ReferenceEntry)> {
    let of_topic = |topic: Chapter| {
        let entry = topic.entries.iter().find(|entry| entry.id == id).cloned();
        entry.map(|entry| (topic, entry))
    };
    topics().into_iter().filter_map(of_topic).collect()
}

/// What one id means, where its reason lies and what to do; nothing where there is no such id.
pub fn of_id(id: &str) -> Option<String> {
    let mut out = String::new();
    for (topic, entry) in entries(id) {
        let title = topic.title.to_lowercase();
        let text = format!("{id} ({title}, {}): {}", topic.place, entry.meaning);
        wrap(&mut out, &text, "", "  ");
        if let Some(lies_in) = entry.lies_in {
            let text = format!("usually lies in: {}", words::lies_in(lies_in));
            wrap(&mut out, &text, "  ", "    ");
        }
        if !entry.to_do.is_empty() {
            let text = format!("what to do: {}", entry.to_do);
            wrap(&mut out, &text, "  ", "    ");
        }
    }
    (!out.is_empty()).then_some(out)
}

/// The same as JSON.
pub fn of_id_as_json(id: &str) -> Option<Explained> {
    let entries = entries(id);
    (!entries.is_empty()).then(|| Explained::of(id, entries))
}

/// Ids that begin or end alike, for a mistyped one.
pub fn near(id: &str) -> Vec<&'static str> {
    let mut near: Vec<&str> = topics()
        .into_iter()
        .flat_map(|topic| topic.entries.into_iter().map(|entry| entry.id))
        .filter(|known| {
            id.split('-')
                .any(|part| part.len() > 2 && known.contains(part))
        })
        .collect();
    near.sort_unstable();
    near.dedup();
    near.truncate(12);
    near
}

/// The reference page, as it stands in `REFERENCE.md`.
pub fn reference_page() -> String {
    let mut page = String::from(
        "# Reference: every id of a result\n\nWritten by the tool itself from the tables that it judges by; a test keeps it \
         true.\n`packside check --explain ID` tells the same in the field. Ids are stable, words are not.\n",
    );
    for topic in topics() {
        let _ = write!(
            page,
            "\n## {}\n\nIn JSON: `{}`\n\n",
            topic.title, topic.place
        );
        page.push_str("| id | meaning |\n| --- | --- |\n");
        for entry in &topic.entries {
            let _ = writeln!(
                page,
                "| `{}` | {} |",
                entry.id,
                entry.meaning.replace('|', "/")
            );
        }
    }
    page
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Write the page anew with `PACKSIDE_BLESS=1 cargo test -p packside reference_page`.
    #[test]
    fn reference_page_stands_as_the_tables_say() {
        let path = concat!(env!("CARGO_MANIFEST_DIR"), "/REFERENCE.md");
        if std::env::var_os("PACKSIDE_BLESS").is_some() {
            std::fs::write(path, reference_page()).unwrap();
        }
        let stands = std::fs::read_to_string(path).unwrap_or_default();
        assert!(
            stands == reference_page(),
            "REFERENCE.md is not what the tables say"
        );
    }

    #[test]
    fn id_is_explained_and_a_mistyped_one_names_those_alike() {
        let told = of_id("pair-swapped").unwrap();
        assert!(told.contains("swap-pair") && told.contains("what to do: swap the two wires"));
        let told = of_id("cell-below-minimum").unwrap();
        assert!(told.contains("usually lies in: battery module"));
        assert!(told.contains("what to do: do not charge"), "{told}");
        let object = of_id_as_json("cell-below-minimum").unwrap();
        assert_eq!(
            object.entries[0].lies_in,
            Some(packside_profiles::model::LiesIn::Module)
        );
        assert!(of_id_as_json("pear-swapped").is_none());
        assert!(of_id("pear-swapped").is_none());
        assert!(near("pear-swapped").contains(&"pair-swapped"));
    }
}
