//! Every step that may come next, in one list: what it needs, who may do it, how long it takes.
//!
//! Input: nothing; this is the closed list. Output: a [`Step`] with the ids, places and times that make it one
//! for this unit, a [`NextStep`], and the order of several.
//! Does not: choose steps (see `next`, `doubt`, `causes`), or put them into words.
//!
//! # The order
//! Danger first, then risk: looking comes before operating, low voltage, unit off and live DC. Within one risk
//! the step comes first that separates most of what is still open per minute of a technician's
//! time (greedy: what a chosen step settles no longer counts for the others). Minutes are common
//! practice, rounded; they order steps and promise nothing.

use packside_profiles::model::{InverterPort, Needs};

use super::closed::closed;
use super::remedy::Remedy;
use super::whereabouts::Whereabouts;

/// Something to do, lowest risk first.
#[derive(Debug, Clone, PartialEq)]
pub struct NextStep {
    /// What to do.
    pub step: Step,
    /// What it needs.
    pub needs: Needs,
    /// Who may do it.
    pub who: Who,
    /// Minutes it takes, rounded: common practice.
    pub minutes: u32,
}

/// Who may do something.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Who {
    /// Anyone on site.
    Anyone,
    /// A technician.
    Technician,
    /// A licensed electrician.
    Licensed,
}

/// What is to be settled before a sound unit is handed over.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum HandOver {
    /// Nothing.
    Nothing,
    /// A remark, by its id.
    Remarked(&'static str),
    /// The line.
    Line,
}

/// What another look is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LookAgain {
    /// What is open.
    Open,
    /// The unit refuses registers that the map has.
    Refused,
    /// Points could not be read.
    Unreadable,
    /// Whether one cell sags beside the others.
    UnderCurrent,
    /// The unit has just started.
    InSeconds,
    /// What the lamps show meanwhile.
    WithLamps,
}

/// What to keep in mind while a root is worked on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Mind {
    /// The inverter is to be stopped before.
    StopInverter,
    /// It may be the main fuse as well.
    PerhapsTheFuse,
    /// Nothing is returned before that.
    ReturnNothing,
    /// Packs beside it keep the common bar live.
    BarStaysLive,
}

/// Roots of one kind, and where they are.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct AtRoots {
    /// Address of the pack, in a rack.
    pub unit: Option<u8>,
    /// Ids of the roots.
    pub ids: Vec<&'static str>,
    /// The first places.
    pub places: Vec<Whereabouts>,
}

closed! {
    /// A step that may come next, as it is to be done here.
    pub enum Step,
    /// A kind of step.
    StepKind {
        /// Nothing is to be mended.
        HandOver {
            /// What is to be settled before.
            after: HandOver,
        } = "hand-over";
        /// Nobody near something that heats.
        KeepAway = "keep-away";
        /// Bring the current to nothing at the inverter's screen, and hold it there.
        StopCurrent {
            /// A current flows now.
            flows: bool,
        } = "stop-current";
        /// Leave packs alone that feed one another.
        LetEqualise = "let-equalise";
        /// Part packs that feed a faulty one, which no inverter can.
        PartPacks = "part-packs";
        /// The unit is busy: wait.
        WaitForBusy = "wait-for-busy";
        /// Look at the line before anything else.
        LineFirst = "line-first";
        /// Keep this look before anything is switched off.
        RecordFirst = "record-first";
        /// Set a part apart.
        SetApart {
            /// What is to be set apart.
            at: AtRoots,
        } = "set-apart";
        /// Put right what keeps the unit from running.
        LiftCondition {
            /// Ids of the conditions that it lifts.
            ids: Vec<&'static str>,
            /// It is cold, so that nothing may be charged before.
            cold: bool,
            /// What to do.
            to_do: Remedy,
        } = "lift-condition";
        /// Do what is to be done about a root.
        WorkOnRoot {
            /// Which roots want it.
            at: AtRoots,
            /// What to do; nothing where nobody says.
            to_do: Remedy,
            /// What to keep in mind.
            mind: Vec<Mind>,
        } = "work-on-root";
        /// Isolate the inverter's side and look again.
        Isolate {
            /// It is the insulation that is low.
            insulation: bool,
        } = "isolate-and-look-again";
        /// One power cycle: does the flag return?
        DoesItReturn = "does-it-return";
        /// Does it follow the module or stay at the position?
        FollowModule = "module-or-position";
        /// Send this result to the maker.
        AskMaker = "ask-maker";
        /// Is the inverter on?
        InverterPowered {
            /// It was heard before, so that its settings were right.
            was_heard: bool,
        } = "inverter-powered";
        /// Compare the settings of the inverter.
        InverterSettings = "inverter-settings";
        /// Is the inverter's cable in the right socket?
        InverterSocket = "inverter-socket";
        /// Check the inverter's communication cable.
        InverterCable {
            /// Where it is plugged in, if the map says so.
            port: Option<InverterPort>,
        } = "inverter-cable";
        /// The same, once a fault is settled.
        InverterCableToo = "inverter-cable-too";
        /// Other codes may hide behind the one shown.
        BehindTheCode = "behind-the-code";
        /// Look at the line as well.
        LineToo {
            /// What the line wants first, where it does badly.
            first: Option<Box<Step>>,
        } = "line-too";
        /// Give the inverter its socket back.
        FreeSocket = "free-socket";
        /// Wait until the silence time is over.
        WaitSilence {
            /// How long it still takes.
            remaining_s: Option<u32>,
        } = "wait-silence-time";
        /// Stop asking and watch the lamps.
        WatchLamp {
            /// For how long.
            silence_s: Option<u32>,
        } = "watch-lamp";
        /// Look again.
        LookAgain {
            /// What for.
            why: LookAgain,
        } = "look-again";
        /// Look again with the inverter.
        LookWithInverter = "look-with-inverter";
        /// Compare unit and map.
        RightProfile = "right-profile";
        /// Have the map completed.
        CompleteMap = "complete-map";
        /// Give each unit an address of its own.
        OneAddressEach = "one-address-each";
        /// Switch one of two units off and look again.
        OneUnitOff = "one-unit-off";
        /// Read past the gateway.
        PastTheCache = "past-the-cache";
        /// Answer a step again.
        AnswerAgain = "answer-again";
        /// Look at the lamp again.
        LampAgain = "lamp-again";
        /// Isolate every other source.
        OtherSources = "other-sources";
        /// Keep unlike packs apart.
        PacksApart = "packs-apart";
        /// Bring unlike packs to one voltage.
        LikePacks = "like-packs";
        /// Look at the pack that does not answer.
        MissingPack {
            /// Its address, in a rack.
            unit: Option<u8>,
        } = "missing-pack";
        /// Look at the link of the pack that alone does not hear the inverter.
        PackLink {
            /// Its address, in a rack.
            unit: Option<u8>,
        } = "pack-link";
        /// Swap the two wires of the pair.
        SwapPair = "swap-pair";
        /// Look up the line settings.
        OtherLine = "other-line-settings";
        /// Look up the unit address.
        OtherAddress = "other-address";
        /// Look at the plug of the unit itself.
        UnitPlug = "unit-plug";
        /// Compare socket and pins.
        CheckSocket = "check-socket";
        /// Measure the pair.
        MeasurePair = "measure-pair";
        /// Look at the lamps.
        LookAtLamps = "look-at-lamps";
        /// Look for common wire and terminators.
        CheckCommon = "check-common";
        /// Lead the pair away from power cables.
        KeepApart = "keep-apart";
        /// Do not ask while the inverter asks.
        ListenFirst = "listen-first";
        /// Let the unit be read.
        LetItBeRead = "let-it-be-read";
        /// Look what else is reached by this port.
        CheckPort = "check-port";
        /// Look at the adapter.
        CheckAdapter = "check-adapter";
        /// Try the other framing.
        OtherFraming = "other-framing";
        /// Look at the gateway's own page.
        CheckGateway = "check-gateway";
        /// Compare the serial side of the gateway.
        CheckGatewayLine = "check-gateway-serial";
        /// Tell whoever keeps the map.
        ReportMistake = "report-mistake";
    }
}

impl StepKind {
    /// What it needs as a rule, who may do it then, and how many minutes it takes.
    pub(crate) fn usual(self) -> (Needs, Who, u32) {
        match self {
            Self::HandOver => (Needs::Look, Who::Technician, 1),
            Self::KeepAway => (Needs::Look, Who::Anyone, 1),
            Self::StopCurrent => (Needs::Operate, Who::Technician, 2),
            Self::LetEqualise => (Needs::Operate, Who::Technician, 10),
            Self::PartPacks => (Needs::LiveDc, Who::Licensed, 20),
            Self::WaitForBusy => (Needs::Look, Who::Anyone, 1),
            Self::LineFirst => (Needs::Look, Who::Technician, 5),
            Self::RecordFirst => (Needs::Look, Who::Technician, 1),
            Self::SetApart => (Needs::LiveDc, Who::Licensed, 10),
            Self::LiftCondition => (Needs::Look, Who::Technician, 5),
            Self::WorkOnRoot => (Needs::Look, Who::Technician, 15),
            Self::Isolate => (Needs::UnitOff, Who::Licensed, 20),
            Self::DoesItReturn => (Needs::UnitOff, Who::Technician, 10),
            Self::FollowModule => (Needs::LiveDc, Who::Licensed, 40),
            Self::AskMaker => (Needs::Look, Who::Technician, 20),
            Self::InverterPowered => (Needs::Look, Who::Anyone, 2),
            Self::InverterSettings => (Needs::Look, Who::Anyone, 3),
            Self::InverterSocket => (Needs::Look, Who::Technician, 3),
            Self::InverterCable => (Needs::LowVoltage, Who::Technician, 15),
            Self::InverterCableToo => (Needs::LowVoltage, Who::Technician, 15),
            Self::BehindTheCode => (Needs::Look, Who::Technician, 2),
            Self::LineToo => (Needs::Look, Who::Technician, 5),
            Self::FreeSocket => (Needs::LowVoltage, Who::Technician, 2),
            Self::WaitSilence => (Needs::Look, Who::Anyone, 2),
            Self::WatchLamp => (Needs::Look, Who::Anyone, 2),
            Self::LookAgain => (Needs::Look, Who::Technician, 1),
            Self::LookWithInverter => (Needs::Look, Who::Technician, 2),
            Self::RightProfile => (Needs::Look, Who::Technician, 3),
            Self::CompleteMap => (Needs::Look, Who::Technician, 5),
            Self::OneAddressEach => (Needs::Look, Who::Technician, 5),
            Self::OneUnitOff => (Needs::UnitOff, Who::Technician, 10),
            Self::PastTheCache => (Needs::Look, Who::Technician, 10),
            Self::AnswerAgain => (Needs::Look, Who::Technician, 5),
            Self::LampAgain => (Needs::Look, Who::Anyone, 1),
            Self::OtherSources => (Needs::LiveDc, Who::Licensed, 15),
            Self::PacksApart => (Needs::Look, Who::Anyone, 1),
            Self::LikePacks => (Needs::LiveDc, Who::Licensed, 20),
            Self::MissingPack => (Needs::Look, Who::Technician, 5),
            Self::PackLink => (Needs::LowVoltage, Who::Technician, 10),
            Self::SwapPair => (Needs::LowVoltage, Who::Technician, 3),
            Self::OtherLine => (Needs::Look, Who::Technician, 3),
            Self::OtherAddress => (Needs::Look, Who::Technician, 3),
            Self::UnitPlug => (Needs::LowVoltage, Who::Technician, 5),
            Self::CheckSocket => (Needs::Look, Who::Technician, 3),
            Self::MeasurePair => (Needs::LowVoltage, Who::Technician, 8),
            Self::LookAtLamps => (Needs::Look, Who::Anyone, 1),
            Self::CheckCommon => (Needs::Look, Who::Technician, 5),
            Self::KeepApart => (Needs::LowVoltage, Who::Technician, 10),
            Self::ListenFirst => (Needs::Look, Who::Technician, 1),
            Self::LetItBeRead => (Needs::LowVoltage, Who::Technician, 5),
            Self::CheckPort => (Needs::Look, Who::Technician, 3),
            Self::CheckAdapter => (Needs::Look, Who::Technician, 2),
            Self::OtherFraming => (Needs::Look, Who::Technician, 1),
            Self::CheckGateway => (Needs::Look, Who::Technician, 5),
            Self::CheckGatewayLine => (Needs::Look, Who::Technician, 8),
            Self::ReportMistake => (Needs::Look, Who::Technician, 5),
        }
    }

    /// The step with nothing known about this unit.
    #[expect(
        clippy::too_many_lines,
        reason = "one arm a step: a list is read more easily than parts of it"
    )]
    pub(crate) fn bare(self) -> Step {
        match self {
            Self::HandOver => Step::HandOver {
                after: HandOver::Nothing,
            },
            Self::KeepAway => Step::KeepAway,
            Self::StopCurrent => Step::StopCurrent { flows: true },
            Self::LetEqualise => Step::LetEqualise,
            Self::PartPacks => Step::PartPacks,
            Self::WaitForBusy => Step::WaitForBusy,
            Self::LineFirst => Step::LineFirst,
            Self::RecordFirst => Step::RecordFirst,
            Self::SetApart => Step::SetApart {
                at: AtRoots::default(),
            },
            Self::LiftCondition => Step::LiftCondition {
                ids: Vec::new(),
                cold: false,
                to_do: Remedy::default(),
            },
            Self::WorkOnRoot => Step::WorkOnRoot {
                at: AtRoots::default(),
                to_do: Remedy::default(),
                mind: Vec::new(),
            },
            Self::Isolate => Step::Isolate { insulation: false },
            Self::DoesItReturn => Step::DoesItReturn,
            Self::FollowModule => Step::FollowModule,
            Self::AskMaker => Step::AskMaker,
            Self::InverterPowered => Step::InverterPowered { was_heard: false },
            Self::InverterSettings => Step::InverterSettings,
            Self::InverterSocket => Step::InverterSocket,
            Self::InverterCable => Step::InverterCable { port: None },
            Self::InverterCableToo => Step::InverterCableToo,
            Self::BehindTheCode => Step::BehindTheCode,
            Self::LineToo => Step::LineToo { first: None },
            Self::FreeSocket => Step::FreeSocket,
            Self::WaitSilence => Step::WaitSilence { remaining_s: None },
            Self::WatchLamp => Step::WatchLamp { silence_s: None },
            Self::LookAgain => Step::LookAgain {
                why: LookAgain::Open,
            },
            Self::LookWithInverter => Step::LookWithInverter,
            Self::RightProfile => Step::RightProfile,
            Self::CompleteMap => Step::CompleteMap,
            Self::OneAddressEach => Step::OneAddressEach,
            Self::OneUnitOff => Step::OneUnitOff,
            Self::PastTheCache => Step::PastTheCache,
            Self::AnswerAgain => Step::AnswerAgain,
            Self::LampAgain => Step::LampAgain,
            Self::OtherSources => Step::OtherSources,
            Self::PacksApart => Step::PacksApart,
            Self::LikePacks => Step::LikePacks,
            Self::MissingPack => Step::MissingPack { unit: None },
            Self::PackLink => Step::PackLink { unit: None },
            Self::SwapPair => Step::SwapPair,
            Self::OtherLine => Step::OtherLine,
            Self::OtherAddress => Step::OtherAddress,
            Self::UnitPlug => Step::UnitPlug,
            Self::CheckSocket => Step::CheckSocket,
            Self::MeasurePair => Step::MeasurePair,
            Self::LookAtLamps => Step::LookAtLamps,
            Self::CheckCommon => Step::CheckCommon,
            Self::KeepApart => Step::KeepApart,
            Self::ListenFirst => Step::ListenFirst,
            Self::LetItBeRead => Step::LetItBeRead,
            Self::CheckPort => Step::CheckPort,
            Self::CheckAdapter => Step::CheckAdapter,
            Self::OtherFraming => Step::OtherFraming,
            Self::CheckGateway => Step::CheckGateway,
            Self::CheckGatewayLine => Step::CheckGatewayLine,
            Self::ReportMistake => Step::ReportMistake,
        }
    }

    /// The same as something to do next.
    pub(crate) fn plain(self) -> NextStep {
        self.bare().next()
    }
}

impl Step {
    /// As something to do next, with what it needs as a rule.
    pub(crate) fn next(self) -> NextStep {
        let (mut needs, who, minutes) = self.kind().usual();
        let under_current = Step::LookAgain {
            why: LookAgain::UnderCurrent,
        };
        if self == under_current {
            needs = Needs::Operate;
        }
        NextStep {
            step: self,
            needs,
            who,
            minutes,
        }
    }

    /// With what it needs here, and who may do it then.
    pub(crate) fn needing(self, needs: Needs, who: Who) -> NextStep {
        NextStep {
            needs,
            who,
            ..self.next()
        }
    }
}

impl NextStep {
    /// The kind of step.
    pub fn kind(&self) -> StepKind {
        self.step.kind()
    }

    /// Stable id.
    pub fn id(&self) -> &'static str {
        self.step.id()
    }

    /// Whether it is to keep what was seen before anything else is done.
    pub fn keeps_the_look(&self) -> bool {
        self.kind() == StepKind::RecordFirst
    }

    /// Says that it is to be done at this pack of a rack, where it is done at a pack.
    pub(crate) fn at_pack(&mut self, address: u8) {
        match &mut self.step {
            Step::SetApart { at } => at.unit = Some(address),
            Step::MissingPack { unit } | Step::PackLink { unit } => *unit = Some(address),
            Step::WorkOnRoot { at, mind, .. } => {
                at.unit = Some(address);
                if self.needs >= Needs::UnitOff {
                    mind.push(Mind::BarStaysLive);
                }
            }
            _ => {}
        }
    }
}

/// Danger first: nobody near, no current. Then the lowest risk first; looking again, and a restart, come after
/// what is to be done before.
pub(crate) fn by_risk(steps: &mut [NextStep]) {
    let last = |kind, needs| match kind {
        StepKind::DoesItReturn => 1,
        // Who charges it is the inverter, once it is heard.
        StepKind::LiftCondition if needs == Needs::Operate => 1,
        StepKind::InverterCableToo
        | StepKind::LineToo
        | StepKind::LookWithInverter
        | StepKind::BehindTheCode
        | StepKind::AskMaker => 2,
        _ => 0,
    };
    let first = |step: &Step| match step {
        Step::KeepAway | Step::LetEqualise => 0,
        Step::StopCurrent { flows: true } | Step::PartPacks => 1,
        Step::PacksApart => 2,
        Step::StopCurrent { flows: false } => 3,
        Step::LikePacks => 4,
        _ => 5,
    };
    steps.sort_by_key(|one| (first(&one.step), last(one.kind(), one.needs), one.needs));
}

/// Orders steps by risk, then by what each separates per minute.
///
/// `shares` are the causes that are open: share in per mille, and the step that settles each.
pub(crate) fn by_split(shares: &[(u32, StepKind)]) -> Vec<StepKind> {
    let mut open: Vec<(u64, StepKind)> = shares
        .iter()
        .map(|(s, step)| (u64::from(*s), *step))
        .collect();
    let mut ordered: Vec<StepKind> = Vec::new();
    let needs = |step: StepKind| step.usual().0;
    let minutes = |step: StepKind| step.usual().2;
    while !open.is_empty() {
        let total: u64 = open.iter().map(|(share, _)| share).sum::<u64>().max(1);
        // A step splits best where what it settles is half of what is open: p (1 - p), per minute.
        let worth = |step: StepKind| {
            let settled: u64 = open
                .iter()
                .filter(|(_, s)| *s == step)
                .map(|(share, _)| share)
                .sum();
            let rest = if settled == total {
                total
            } else {
                total - settled
            };
            settled * rest * 1000 / (total * u64::from(minutes(step).max(1)))
        };
        let best = open
            .iter()
            .map(|(_, step)| *step)
            .min_by_key(|step| (needs(*step), std::cmp::Reverse(worth(*step)), *step));
        let Some(best) = best else { break };
        open.retain(|(_, step)| *step != best);
        ordered.push(best);
    }
    ordered
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn step_ids_are_unique() {
        let mut ids: Vec<&str> = StepKind::ALL.iter().map(|step| step.id()).collect();
        ids.sort_unstable();
        let all = ids.len();
        ids.dedup();
        assert_eq!(ids.len(), all);
    }

    // Kind: derived (0.4 x 0.6 in 1 minute beats 0.5 x 0.5 in 3; low voltage comes last whatever it
    // settles)
    #[test]
    fn steps_are_ordered_by_risk_then_by_split_per_minute() {
        let shares = [
            (600, StepKind::SwapPair),
            (500, StepKind::OtherAddress),
            (400, StepKind::LookAtLamps),
        ];
        assert_eq!(
            by_split(&shares),
            [
                StepKind::LookAtLamps,
                StepKind::OtherAddress,
                StepKind::SwapPair
            ]
        );
    }
}
