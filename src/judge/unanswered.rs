//! What is left to judge where no unit answers, or no map says what it answered: the line.
//!
//! Input: what the line did. Output: a [`Judgement`] that says nothing about a battery.

use std::time::Duration;

use super::bus;
use super::causes::{self, PROVEN, Topic, worth_telling};
use crate::evidence::Seen;
use crate::facts::step::StepKind;
use crate::facts::{
    Basis, Bus, Headline, Identity, Judgement, NextStep, Reason, Verdict, VerdictKind, Why, sight,
};

/// No unit gave a valid answer: weigh the causes.
pub(super) fn without_answer(bus: Bus, seen: &Seen, moment: Duration) -> Judgement {
    let nothing_yet = !seen.we_asked() && bus.bytes_in == 0 && !seen.line.was_lost;
    let sights = bus::observe(seen, &bus);
    let considered = if nothing_yet {
        Vec::new()
    } else {
        causes::rank(Topic::NoAnswer, &sights)
    };
    let share = considered.first().map_or(0, |cause| cause.per_mille);
    let mut next = causes::steps(&considered);
    // Frames heard whole were not swapped at our adapter: what is left is the unit's end.
    if sights.has(sight::SightKind::Foreign) {
        let swap = |one: &&mut NextStep| one.kind() == StepKind::SwapPair;
        for one in next.iter_mut().filter(swap) {
            *one = StepKind::UnitPlug.plain();
        }
    }
    let asked = bus.requests;
    let bytes = bus.bytes_in;
    let why = match (nothing_yet, asked) {
        (true, _) => Why::NothingYet,
        (false, 0) => Why::OnlyHeard {
            bytes,
            asked: seen.line.foreign.keys().copied().take(3).collect(),
        },
        (false, _) => Why::NoAnswer { asked, bytes },
    };
    let proven = considered.first().filter(|_| share >= PROVEN);
    let headline = Headline::NoAnswer {
        because: proven.map(|cause| cause.kind),
    };
    Judgement {
        profile: None,
        moment,
        identity: Identity::default(),
        verdict: Verdict {
            kind: VerdictKind::BusProblem,
            basis: if nothing_yet {
                Basis::Rule
            } else {
                Basis::Weighed(share)
            },
            headline,
            why: vec![Reason { unit: None, why }],
            open: Vec::new(),
            without_roots: None,
            gate_filled: false,
            causes: worth_telling(&considered),
            considered,
            next,
        },
        not_tested: Vec::new(),
        findings: Vec::new(),
        readings: Vec::new(),
        bus,
    }
}

/// Without a profile only the bus can be judged.
pub(super) fn without_profile(bus: Bus, seen: &Seen, moment: Duration) -> Judgement {
    let answered = bus.answered > 0
        || bus
            .exceptions
            .iter()
            .any(|(code, _)| !matches!(code, 0x0a | 0x0b));
    let mut judgement = without_answer(bus, seen, moment);
    if answered {
        judgement.verdict.kind = VerdictKind::Undecided;
        judgement.verdict.basis = Basis::Rule;
        judgement.verdict.causes.clear();
        judgement.verdict.considered.clear();
        judgement.verdict.headline = Headline::NoMap;
    }
    judgement
}
