//! The verdict in one sentence, as data.
//!
//! Input: the verdict and what it rests on. Output: a [`Headline`]. Does not: hold a sentence.

use super::inverter::InverterLink;
use super::member::Member;
use crate::facts::headline::RootKnown;
use crate::facts::judgement::{self, root_ids};
use crate::facts::{Doubt, DoubtKind, Finding, Headline, VerdictKind};

/// The verdict in one sentence.
pub(super) fn headline(
    kind: VerdictKind,
    deciding: &[&Member],
    doubts: &[Doubt],
    findings: &[Finding],
) -> Headline {
    let roots = root_ids(findings);
    let known = judgement::telling(findings).map_or_else(RootKnown::default, |first| RootKnown {
        number: first.fact.has_deciding_number(),
        module: first.place.module.is_some(),
        item: first.place.item.is_some(),
    });
    match kind {
        VerdictKind::Normal => Headline::InService,
        VerdictKind::NotReady => Headline::NotReady { roots, known },
        VerdictKind::Fault => Headline::Fault {
            roots,
            known,
            unconfirmed: deciding.iter().any(|m| m.unconfirmed),
        },
        VerdictKind::AwaitingInverter => Headline::Waiting,
        VerdictKind::InverterLost => {
            let heard_s = deciding.first().and_then(|m| match m.inverter {
                InverterLink::Lost { heard_s } => heard_s,
                _ => None,
            });
            Headline::InverterLost { heard_s }
        }
        VerdictKind::BusProblem => Headline::NoAnswer { because: None },
        VerdictKind::Undecided => undecided(doubts),
    }
}

/// Where all that is open is that packs of a rack give no answer: which, and which others there are.
pub(super) fn silent_packs(members: &[Member], deciding: &[&Member]) -> Option<Headline> {
    let is_silent = |m: &Member| m.kind == VerdictKind::BusProblem;
    if members.len() < 2 || deciding.is_empty() || !deciding.iter().all(|m| is_silent(m)) {
        return None;
    }
    let (mut silent, mut others) = (Vec::new(), Vec::new());
    for (number, member) in (1..).zip(members) {
        match is_silent(member) {
            true => silent.push((number, member.unit)),
            false => others.push(number),
        }
    }
    Some(Headline::SilentPacks { silent, others })
}

/// The points that were not read, where they are few.
fn few_unread(doubts: &[Doubt]) -> Option<Vec<String>> {
    let unread = doubts.iter().filter_map(|doubt| match doubt {
        Doubt::NotRead { name, .. } => Some(name.clone()),
        _ => None,
    });
    let names: Vec<String> = unread.collect();
    (1..=3).contains(&names.len()).then_some(names)
}

/// What keeps it open, in a few words: the first reason, and how many others there are.
fn undecided(doubts: &[Doubt]) -> Headline {
    let mut kinds: Vec<DoubtKind> = Vec::new();
    for kind in doubts.iter().map(Doubt::kind) {
        if !kinds.contains(&kind) {
            kinds.push(kind);
        }
    }
    // What is gone, or answered from memory, explains what is missing.
    let explains = |kind| matches!(kind, DoubtKind::GoneSilent | DoubtKind::PerhapsCache);
    kinds.sort_by_key(|kind| !explains(*kind));
    let first = kinds.first().copied();
    match few_unread(doubts).filter(|_| first == Some(DoubtKind::NotRead)) {
        Some(names) => Headline::Unread { names },
        None if kinds == [DoubtKind::TooEarly] => Headline::TooEarly,
        None => Headline::Open {
            first,
            more: kinds.len().saturating_sub(1),
        },
    }
}
