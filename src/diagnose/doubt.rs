//! What keeps a verdict open, each kind with the one step that settles it.
//!
//! Input: the words of one doubt. Output: its id and its step. Does not: find doubts (see `gate`,
//! `flags`, `plausible`, `member`).

use super::judgement::{NextStep, OpenPoint};
use super::step::Step;

macro_rules! doubts {
    ($($variant:ident = $id:literal, $step:ident, $meaning:literal;)+) => {
        /// A kind of doubt.
        #[derive(Debug, Clone, Copy, PartialEq, Eq)]
        pub(crate) enum DoubtKind { $($variant),+ }

        impl DoubtKind {
            /// Every kind.
            pub(crate) const ALL: &'static [Self] = &[$(Self::$variant),+];

            /// Stable id.
            pub(crate) fn id(self) -> &'static str {
                match self { $(Self::$variant => $id),+ }
            }

            /// What it means, for the reference.
            pub(crate) fn meaning(self) -> &'static str {
                match self { $(Self::$variant => $meaning),+ }
            }

            /// The step that settles it.
            pub(crate) fn step(self) -> Step {
                match self { $(Self::$variant => Step::$step),+ }
            }
        }
    };
}

doubts! {
    TwoUnits = "two-units", OneAddressEach, "two units answer at one address, or another one answers than before: numbers of two do not add up";
    NotRecognised = "not-recognised", RightProfile, "the registers that prove this map do not hold, or the firmware is outside its range";
    NotRead = "not-read", LookAgain, "a required point was not read, is too old, or has no usable value: that is not a zero";
    HeartbeatUnseen = "heartbeat-unseen", LookAgain, "the unit's own counter was not yet seen moving: the answers may be old";
    NothingThere = "profile-lacks-point", RightProfile, "the profile has no point that a clean verdict needs";
    LampContradicts = "lamp-contradicts", LampAgain, "a lamp was seen that the registers do not explain";
    AnsweredNo = "answered-no", AnswerAgain, "a person found something not in order";
    UndefinedBit = "undefined-bit", RightProfile, "a bit, code or state is up that the profile does not know";
    MayHide = "code-may-hide", LookAgain, "the unit shows one code at a time and may hide others behind it";
    Unexplained = "unexplained-status", LookAgain, "a status is up and nothing explains it";
    BeforeItsCause = "before-its-cause", LookAgain, "a status was up before the inverter fell silent, so the silence does not explain it";
    SeenEarlier = "seen-earlier", LookAgain, "an alarm was up earlier and is not now, and nothing shows that it is over";
    Terminals = "terminals-live", OtherSources, "the terminals carry voltage although the switches are reported open";
    CurrentWhileOpen = "current-while-open", OtherSources, "current is reported although every switch is reported open";
    SpreadUnderLoad = "spread-under-load", LookAgain, "cells or temperatures are far apart while current flows or cells balance: only a look at rest tells";
    PerhapsCache = "perhaps-cache", PastTheCache, "the own counter stands still behind a gateway: a cache, or the unit";
    FaultStateOnly = "fault-state-only", LookAgain, "the unit is in its fault state, yet no flag and no number says why";
    TooEarly = "too-early", WaitSilence, "the silence time is not over: neither the inverter nor its absence has shown";
    LinkUnknown = "inverter-unknown", WatchLamp, "whether the unit hears its inverter cannot be told";
    NotInService = "not-in-service", LookAgain, "the inverter is heard, yet the unit is not in service";
    PackSilent = "pack-silent", LookAtLamps, "a pack that the rack expects gave no valid answer or was not asked";
    PacksUnlike = "packs-unlike", LikePacks, "packs that are not connected yet have unlike voltages: connecting them drives a large current";
}

/// One doubt in the words of this unit.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Doubt {
    /// Kind.
    pub(crate) kind: DoubtKind,
    /// Words with the number that decided.
    pub(crate) text: String,
}

impl DoubtKind {
    /// A doubt of this kind.
    pub(crate) fn says(self, text: impl Into<String>) -> Doubt {
        Doubt {
            kind: self,
            text: text.into(),
        }
    }
}

impl Doubt {
    /// As it is told.
    pub(crate) fn open_point(&self) -> OpenPoint {
        OpenPoint {
            id: self.kind.id(),
            text: self.text.clone(),
            settled_by: self.kind.step().row().id,
        }
    }
}

/// The steps that settle these doubts, each once, the words given for a kind before its own.
pub(crate) fn steps(
    doubts: &[Doubt],
    words: impl Fn(DoubtKind) -> Option<String>,
) -> Vec<NextStep> {
    let mut steps: Vec<NextStep> = Vec::new();
    for doubt in doubts {
        let step = doubt.kind.step();
        if steps.iter().any(|told| told.id == step.row().id) {
            continue;
        }
        steps.push(words(doubt.kind).map_or_else(|| step.plain(), |text| step.with(text)));
    }
    steps
}
