//! The verdict in one sentence.
//!
//! Input: a judgement. Output: English. Does not: decide, or choose what leads.

use super::names::called;
use super::pseudo::said;
use super::{cause, class_in_short, deciding, doubt_in_short, fact_in_short, whereabouts};
use crate::facts::{Finding, Headline, Judgement, VerdictKind};

/// The verdict in one sentence.
pub fn summary(judgement: &Judgement) -> String {
    said(match &judgement.verdict.headline {
        Headline::InService => {
            format!(
                "In service, the inverter is heard. {}.",
                no_fault(judgement)
            )
        }
        Headline::NotReady { roots, .. } => {
            format!("No defect seen so far: {}.", of_roots(judgement, roots))
        }
        Headline::Fault {
            roots,
            unconfirmed: true,
            ..
        } => format!(
            "{}, if this is the unit that the register map describes.",
            begun(&of_roots(judgement, roots))
        ),
        Headline::Fault { roots, .. } => begun(&format!("{}.", of_roots(judgement, roots))),
        Headline::Waiting => format!(
            "{}. The battery is waiting for its inverter.",
            no_fault(judgement)
        ),
        Headline::InverterLost { heard_s } => {
            let ago = heard_s.map_or_else(String::new, |seconds| format!(" {seconds} s ago"));
            format!("The inverter fell silent{ago}. {}.", no_fault(judgement))
        }
        Headline::NoAnswer { because: None } => {
            "No valid answer: nothing can be said about the battery.".to_owned()
        }
        Headline::NoAnswer {
            because: Some(kind),
        } => format!("Nothing can be said about the battery: {}.", cause(*kind)),
        Headline::NoMap => {
            "A unit answers, but no register map says what its registers mean.".to_owned()
        }
        Headline::SilentPacks { silent, others } => silent_packs(silent, others),
        Headline::Unread { names } => {
            let profile = judgement.profile.as_deref();
            let in_words = |name: &String| {
                profile.map_or_else(|| name.clone(), |profile| called(name, profile))
            };
            let names: Vec<String> = names.iter().map(in_words).collect();
            let them = if names.len() > 1 { "them" } else { "it" };
            begun(&format!(
                "{} could not be read: there may be a fault behind {them}.",
                names.join(" and ")
            ))
        }
        Headline::TooEarly => {
            "Too early to say: the battery has not waited long enough for its inverter.".to_owned()
        }
        Headline::Open { first, more } => {
            let open = &judgement.verdict.open;
            let in_short =
                |kind| doubt_in_short(kind, open.iter().find(|doubt| doubt.kind() == kind));
            let first = first.map_or(
                "something is missing, or two things contradict each other",
                in_short,
            );
            match more {
                0 => format!("Not settled: {first}."),
                1 => format!("Not settled: {first} (and one more question)."),
                more => format!("Not settled: {first} (and {more} more questions)."),
            }
        }
    })
}

/// A sentence begun as one.
pub(crate) fn begun(text: &str) -> String {
    let mut characters = text.chars();
    let first = characters.next().map(char::to_uppercase);
    first.into_iter().flatten().chain(characters).collect()
}

/// That nothing was seen is no proof, and how much was not looked at.
fn no_fault(judgement: &Judgement) -> String {
    format!(
        "No fault seen so far, {} things not tested",
        judgement.not_tested.len()
    )
}

/// The first root in words, with its number and where it is; then the others.
fn of_roots(judgement: &Judgement, roots: &[&'static str]) -> String {
    let Some(first) = judgement.telling_root() else {
        // Its state alone says it.
        let members = &judgement.identity.members;
        let switched = members.iter().filter(|m| m.kind == VerdictKind::NotReady);
        let at: Vec<String> = switched.map(|m| format!("address {}", m.unit)).collect();
        return match members.len() {
            ..=1 => "somebody switched it to maintenance".to_owned(),
            _ => format!("somebody switched {} to maintenance", at.join(" and ")),
        };
    };
    let in_words = |finding: &Finding| {
        let by_class = || finding.class.map_or(finding.id, class_in_short);
        fact_in_short(&finding.fact).unwrap_or_else(by_class)
    };
    let mut text = in_words(first).to_owned();
    let several = judgement.identity.members.len() > 1;
    let address = several.then(|| format!("address {}", first.unit));
    let place = Some(whereabouts(first.whereabouts())).filter(|place| !place.is_empty());
    for part in address.into_iter().chain(place) {
        text.push_str(", ");
        text.push_str(&part);
    }
    let profile = judgement.profile.as_deref();
    if let Some(numbers) = profile.and_then(|profile| deciding(&first.fact, profile)) {
        text.push_str(&format!(" ({numbers})"));
    }
    let mut others = roots.iter().skip(1);
    let findings = &judgement.findings;
    let other = |id: &&'static str| findings.iter().find(|f| f.is_root_alarm() && f.id == *id);
    match (roots.len(), others.next().and_then(other)) {
        (2, Some(other)) => text + "; and " + in_words(other),
        (n, Some(_)) => format!("{text}; and {} more findings", n - 1),
        (_, None) => text,
    }
}

fn silent_packs(silent: &[(usize, u8)], others: &[usize]) -> String {
    let of = silent.len() + others.len();
    let pack = |(place, (number, address)): (usize, &(usize, u8))| {
        let pack = if place == 0 { "Pack" } else { "pack" };
        format!("{pack} {number} of {of} (address {address})")
    };
    let packs: Vec<String> = silent.iter().enumerate().map(pack).collect();
    let numbers: Vec<String> = others.iter().map(usize::to_string).collect();
    let (gives, rest) = (
        if silent.len() > 1 { "give" } else { "gives" },
        if others.len() > 1 { "packs" } else { "pack" },
    );
    format!(
        "{} {gives} no answer; {rest} {}: no fault seen so far.",
        packs.join(" and "),
        numbers.join(" and ")
    )
}
