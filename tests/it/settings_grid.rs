//! Every pair of true and assumed settings, and whether the explanation is right.
//!
//! Shared by the test and by `benches/settings.rs`.

use std::collections::BTreeMap;
use std::time::{Duration, Instant};

use packside::listen::settings::{Class, Explanation, explain, next_settings};
use packside::listen::waveform::Received;
use packside_profiles::LineSettings;

use crate::settings_line::{Marks, Pair, Wire, conversation};

/// Counts by class.
#[derive(Debug, Default)]
pub(crate) struct Counts {
    pub(crate) by_class: BTreeMap<&'static str, usize>,
    /// Proven, but not what it is.
    pub(crate) proven_wrong: Vec<String>,
    /// Named without proof, and not what it is.
    pub(crate) likely_wrong: Vec<String>,
    /// Named under another setting or wiring, without proof.
    pub(crate) unproven: Vec<String>,
    /// Lost, and not right after trying every setting.
    pub(crate) never_right: Vec<String>,
    /// How many further settings were listened at until it was right.
    pub(crate) tries: Vec<usize>,
    /// Explanations asked for, and the time they took.
    pub(crate) explained: u32,
    pub(crate) took: Duration,
}

/// Layouts of a character.
pub(crate) const LAYOUTS: [&str; 4] = ["8N1", "8E1", "8O1", "8N2"];

/// All settings of these rates.
pub(crate) fn settings(bauds: &[u32]) -> Vec<LineSettings> {
    let one = |baud: &u32, layout: &&str| format!("{baud}-{layout}").parse().unwrap();
    bauds
        .iter()
        .flat_map(|baud| LAYOUTS.iter().map(move |layout| one(baud, layout)))
        .collect()
}

/// One wire, listened at with these settings.
pub(crate) fn listen(
    wire: &Wire,
    truth: LineSettings,
    ours: LineSettings,
    pair: Pair,
    marks: Marks,
    counts: &mut Counts,
) {
    let what = format!("{truth} {pair:?} heard at {ours} with marks {marks:?}");
    let mut tried = vec![ours];
    let mut heard = wire.heard(ours, marks);
    let first = timed(&heard, ours, counts);
    *counts.by_class.entry(first.id()).or_default() += 1;
    let mut explanation = first;
    loop {
        if let Some(is_right) = is_right(&explanation, truth, pair) {
            note(&explanation, is_right, &what, counts);
            break;
        }
        let at = tried[tried.len() - 1];
        let Some(next) = next_settings(&heard, at, &tried).first().copied() else {
            counts.never_right.push(what);
            return;
        };
        tried.push(next);
        heard = wire.heard(next, marks);
        explanation = timed(&heard, next, counts);
    }
    if tried.len() > 1 {
        counts.tries.push(tried.len() - 1);
    }
}

#[expect(clippy::disallowed_methods, reason = "measures")]
fn timed(heard: &[Received], ours: LineSettings, counts: &mut Counts) -> Explanation {
    let began = Instant::now();
    let explanation = explain(heard, ours);
    counts.took += began.elapsed();
    counts.explained += 1;
    explanation
}

fn note(explanation: &Explanation, is_right: bool, what: &str, counts: &mut Counts) {
    let text = || format!("{what}: {:?} {:?}", explanation.class, explanation.evidence);
    match (is_right, explanation.is_proven()) {
        (true, false) if matches!(explanation.class, Class::Survives(_)) => {
            counts.unproven.push(text())
        }
        (true, _) => {}
        (false, true) => counts.proven_wrong.push(text()),
        (false, false) => counts.likely_wrong.push(text()),
    }
}

/// Whether what it names is true; nothing where it names no settings.
fn is_right(explanation: &Explanation, truth: LineSettings, pair: Pair) -> Option<bool> {
    let is_swapped = pair != Pair::Straight;
    match &explanation.class {
        Class::Exact(settings) => Some(*settings == truth && !is_swapped),
        Class::Equivalent(several) => Some(several.contains(&truth) && !is_swapped),
        Class::Survives(several) => Some(
            several
                .iter()
                .any(|one| one.settings == truth && one.is_swapped == is_swapped),
        ),
        Class::OtherProtocol(_) => Some(false),
        Class::Lost(_) | Class::Nothing => None,
    }
}

/// The wire of a truth: the same conversation for the same settings and pair.
pub(crate) fn wire(truth: LineSettings, pair: Pair, seconds: u64, seed: u64) -> Wire {
    let seed = seed ^ u64::from(truth.baud) << 8 ^ u64::from(truth.bits_per_character());
    let said = conversation(seed, seconds, truth);
    Wire::of(&said, truth, pair, seed)
}
