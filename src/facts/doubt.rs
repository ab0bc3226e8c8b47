//! What keeps a verdict open, each kind with the one step that settles it.
//!
//! Input: the words of one doubt. Output: its id, its step, and whether it leaves the gate open. Does
//! not: find doubts (see `gate`, `flags`, `plausible`, `member`).
//!
//! # The gate
//! `Unfilled`: something that a clean verdict needs is not there (not read, not of this unit for
//! certain, not known to be fresh, in a code that nobody knows). `Filled`: all of it is there, and what it
//! says does not settle the question.

use super::judgement::{NextStep, OpenPoint};
use super::step::Step;

/// Whether all that a clean verdict needs was read: see the module.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Gate {
    Filled,
    Unfilled,
}

macro_rules! doubts {
    ($($variant:ident = $id:literal, $gate:ident, $step:ident, $headline:literal, $meaning:literal;)+) => {
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

            /// The same in a few words, for the headline.
            pub(crate) fn headline(self) -> &'static str {
                match self { $(Self::$variant => $headline),+ }
            }

            /// What it means, for the reference.
            pub(crate) fn meaning(self) -> &'static str {
                match self { $(Self::$variant => $meaning),+ }
            }

            /// Whether the gate is filled although this is open.
            pub(crate) fn gate(self) -> Gate {
                match self { $(Self::$variant => Gate::$gate),+ }
            }

            /// The step that settles it.
            pub(crate) fn step(self) -> Step {
                match self { $(Self::$variant => Step::$step),+ }
            }
        }
    };
}

doubts! {
    TwoUnits = "two-units", Unfilled, OneAddressEach, "two units answer at one address", "two units answer at one address, or another one answers than before: numbers of two do not add up";
    NotRecognised = "not-recognised", Unfilled, RightProfile, "this may be another unit than the map describes", "the registers that prove this map do not hold, or the firmware is outside its range";
    NotRead = "not-read", Unfilled, LookAgain, "something that a verdict needs was not read", "a required point was not read, is too old, or has no usable value: that is not a zero";
    NotAsked = "not-asked", Unfilled, LetItBeRead, "somebody else asks here, and not for all that a verdict needs", "a required point was asked for by nobody: we asked nothing, and whoever asks on this line does not want it";
    HeartbeatUnseen = "heartbeat-unseen", Unfilled, LookAgain, "the answers may be old", "the unit's own counter was not yet seen moving: the answers may be old";
    NothingThere = "profile-lacks-point", Unfilled, RightProfile, "the map lacks what a verdict needs", "the profile has no point that a clean verdict needs";
    LampContradicts = "lamp-contradicts", Filled, LampAgain, "a lamp says something else than the registers", "a lamp was seen that the registers do not explain";
    AnsweredNo = "answered-no", Filled, AnswerAgain, "a person found something not in order", "a person found something not in order";
    UndefinedBit = "undefined-bit", Unfilled, RightProfile, "the unit says something that the map does not know", "a bit, code or state is up that the profile does not know";
    MayHide = "code-may-hide", Unfilled, LookAgain, "the code shown may hide others", "the unit shows one code at a time and may hide others behind it";
    Unexplained = "unexplained-status", Filled, LookAgain, "a status is up and nothing explains it", "a status is up and nothing explains it";
    BeforeItsCause = "before-its-cause", Filled, LookAgain, "a status was up before the inverter fell silent", "a status was up before the inverter fell silent, so the silence does not explain it";
    SeenEarlier = "seen-earlier", Filled, LookAgain, "an alarm was up earlier and is not now", "an alarm was up earlier and is not now, and nothing shows that it is over";
    Terminals = "terminals-live", Filled, OtherSources, "the terminals are live although the switches are reported open", "the terminals carry voltage although the switches are reported open";
    CurrentWhileOpen = "current-while-open", Filled, OtherSources, "current is reported although the switches are reported open", "current is reported although every switch is reported open";
    SpreadUnderLoad = "spread-under-load", Filled, LookAgain, "cells or temperatures are far apart, and only a look at rest tells why", "cells or temperatures are far apart while current flows or cells balance: only a look at rest tells";
    LowByFlagOnly = "low-by-flag-only", Filled, LookAgain, "the unit says that a cell is low, and no cell reads low", "a flag says that a cell is below its limit, and every cell reads above its warning: worn cells are low under load alone, and an empty pack reads low at rest as well";
    OfTwoMoments = "of-two-moments", Unfilled, LookAgain, "numbers of two moments do not add up", "numbers read while the current moved do not add up: that proves nothing, and only a look while it holds still tells";
    PerhapsCache = "perhaps-cache", Unfilled, PastTheCache, "the answers may come from the gateway's memory", "the own counter stands still behind a gateway: a cache, or the unit";
    FaultStateOnly = "fault-state-only", Filled, LookAgain, "the unit is in its fault state and does not say why", "the unit is in its fault state, yet no flag and no number says why";
    TooEarly = "too-early", Filled, WaitSilence, "too early, the silence time is not over", "the silence time is not over: neither the inverter nor its absence has shown";
    LinkUnknown = "inverter-unknown", Filled, WatchLamp, "whether the unit hears its inverter is not known", "whether the unit hears its inverter cannot be told";
    WokeAfterUs = "woke-after-us", Filled, WatchLamp, "it woke after our own questions", "the unit stopped waiting right after our own questions, and nobody else was heard: the map may be wrong about what feeds its supervision";
    NotInService = "not-in-service", Filled, LookAgain, "the inverter is heard, yet the unit is not in service", "the inverter is heard, yet the unit is not in service";
    PackSilent = "pack-silent", Unfilled, MissingPack, "a pack gives no answer", "a pack that the rack expects gave no valid answer or was not asked";
    PacksUnlike = "packs-unlike", Filled, LikePacks, "packs that may connect have unlike voltages", "packs that are not connected yet have unlike voltages: connecting them drives a large current";
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

/// The words of all doubts. Points that lack the same thing share one line.
pub(crate) fn told(doubts: &[Doubt]) -> Vec<String> {
    let mut lines: Vec<(Option<&str>, Vec<&str>)> = Vec::new();
    for doubt in doubts {
        let shared = match doubt.kind {
            DoubtKind::NotRead | DoubtKind::NotAsked => doubt.text.split_once(": "),
            _ => None,
        };
        match shared {
            Some((name, lack)) => match lines.iter_mut().find(|(same, _)| *same == Some(lack)) {
                Some((_, names)) => names.push(name),
                None => lines.push((Some(lack), vec![name])),
            },
            None => lines.push((None, vec![&doubt.text])),
        }
    }
    lines
        .into_iter()
        .map(|(lack, names)| {
            let Some(lack) = lack else {
                return names.concat();
            };
            let first: Vec<&str> = names.iter().take(MOST_NAMES).copied().collect();
            let more = match names.len().saturating_sub(MOST_NAMES) {
                0 => String::new(),
                left => format!(" and {left} more"),
            };
            format!("{}{more}: {lack}", first.join(", "))
        })
        .collect()
}

/// Names of points in one line of reasons.
const MOST_NAMES: usize = 6;

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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn points_that_lack_the_same_share_a_line() {
        let mut doubts = vec![DoubtKind::TooEarly.says("too early: 9 s to go")];
        for number in 1..=8 {
            doubts.push(DoubtKind::NotRead.says(format!("alarm_{number}: not read")));
        }
        doubts.push(DoubtKind::NotRead.says("serial: too old"));
        // Kind: invented.
        let told = told(&doubts);
        assert_eq!(
            told,
            [
                "too early: 9 s to go",
                "alarm_1, alarm_2, alarm_3, alarm_4, alarm_5, alarm_6 and 2 more: not read",
                "serial: too old",
            ]
        );
    }
}
