//! What keeps a verdict open, each kind with the one step that settles it.
//!
//! Input: nothing; this is the closed list. Output: a [`Doubt`] with the names and numbers that decided,
//! its id, its step, and whether it leaves the gate open. Does not: find doubts (see `gate`, `flags`,
//! `plausible`, `member`), or put them into words.
//!
//! # The gate
//! `Unfilled`: something that a clean verdict needs is not there (not read, not of this unit for
//! certain, not known to be fresh, in a code that nobody knows). `Filled`: all of it is there, and what it
//! says does not settle the question.

use std::time::Duration;

use packside_profiles::model::{Gap, Scalar};
use packside_profiles::{Foreign, Role, StateKind, Value};

use super::closed::closed;
use super::fact::Fact;
use super::step::StepKind;

/// Whether all that a clean verdict needs was read: see the module.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Gate {
    Filled,
    Unfilled,
}

closed! {
    /// What keeps a verdict open, with what decided.
    pub enum Doubt,
    /// A kind of doubt.
    DoubtKind {
        /// Two units answer at one address, or another one than before.
        TwoUnits {
            /// What shows it.
            sign: TwoUnits,
        } = "two-units";
        /// The map may be of another unit.
        NotRecognised {
            /// What does not fit.
            mismatch: Mismatch,
        } = "not-recognised";
        /// A required point was not read.
        NotRead {
            /// Its name.
            name: String,
            /// What it lacks.
            lack: Lack,
        } = "not-read";
        /// A required point was asked for by nobody.
        NotAsked {
            /// What nobody asked for.
            what: Unasked,
        } = "not-asked";
        /// The unit's own counter was not yet seen moving.
        HeartbeatUnseen = "heartbeat-unseen";
        /// The map has no point that a clean verdict needs.
        NothingThere {
            /// What the point is for.
            role: Role,
        } = "profile-lacks-point";
        /// The map does not say when a number that must be judged is out of order.
        NotJudged {
            /// What it leaves open.
            gap: Gap,
        } = "not-judged";
        /// A lamp was seen that the registers do not explain.
        LampContradicts {
            /// What the finding is.
            found: Fact,
        } = "lamp-contradicts";
        /// A person found something not in order.
        AnsweredNo {
            /// What the finding is.
            found: Fact,
        } = "answered-no";
        /// A bit, code or state is up that the map does not know.
        UndefinedBit {
            /// Which.
            what: Undefined,
        } = "undefined-bit";
        /// The code shown may hide others.
        MayHide {
            /// Id of the point.
            point: String,
            /// What it shows.
            shows: Shows,
            /// Ids of the flags that it may hide.
            hidden: Vec<String>,
        } = "code-may-hide";
        /// A status is up and nothing explains it.
        Unexplained {
            /// Id of its flag.
            flag: String,
        } = "unexplained-status";
        /// The unit says something that is a fault or none, depending on what is found there.
        NeedsCheck {
            /// Id of its flag.
            flag: String,
        } = "needs-check";
        /// Nothing that can be read shows now whether the inverter talks to the unit.
        InverterNotShown {
            /// Why not.
            why: LinkUnknown,
        } = "inverter-not-shown";
        /// A status was up before the inverter fell silent.
        BeforeItsCause {
            /// Id of its flag.
            flag: String,
        } = "before-its-cause";
        /// An alarm was up earlier and is not now.
        SeenEarlier {
            /// Id of its flag.
            flag: String,
            /// When it was last seen up; nothing where that was in an earlier session.
            at: Option<Duration>,
        } = "seen-earlier";
        /// More came than is remembered of a unit: what is forgotten is not known.
        TooMuchToKeep {
            /// Most different questions that are remembered.
            most: usize,
        } = "too-much-to-keep";
        /// The unit answered, and does not any more.
        GoneSilent {
            /// Questions in a row without an answer.
            misses: u32,
            /// The link itself is gone.
            lost: bool,
        } = "gone-silent";
        /// A number was beyond its limit earlier and is not now.
        WasBeyond {
            /// What the finding is.
            found: Fact,
        } = "was-beyond";
        /// The terminals carry voltage although the switches are reported open.
        Terminals {
            /// What the finding is.
            found: Fact,
        } = "terminals-live";
        /// Current is reported although the switches are reported open.
        CurrentWhileOpen {
            /// What the finding is.
            found: Fact,
        } = "current-while-open";
        /// Cells or temperatures are far apart, and not at rest.
        SpreadUnderLoad {
            /// What the finding is.
            found: Fact,
        } = "spread-under-load";
        /// A flag says that a cell is low, and no cell reads low.
        LowByFlagOnly {
            /// What the finding is.
            found: Fact,
            /// The lowest cell, V.
            lowest: f64,
            /// Its warning limit, V.
            warning: f64,
        } = "low-by-flag-only";
        /// Numbers of two moments do not add up.
        OfTwoMoments {
            /// What the finding is.
            found: Fact,
        } = "of-two-moments";
        /// The own counter stands still behind a gateway.
        PerhapsCache {
            /// What the finding is.
            found: Fact,
        } = "perhaps-cache";
        /// The unit is in its fault state and does not say why.
        FaultStateOnly = "fault-state-only";
        /// The silence time is not over.
        TooEarly {
            /// The silence time of the map, s.
            silence_s: u32,
            /// What is left of it, s.
            remaining_s: u32,
            /// The unit says all the same that its inverter is silent.
            is_up: bool,
            /// It restarted while it was looked at.
            restarted: bool,
        } = "too-early";
        /// Whether the unit hears its inverter cannot be told.
        LinkUnknown {
            /// Why.
            why: LinkUnknown,
        } = "inverter-unknown";
        /// The unit stopped waiting right after our own questions.
        WokeAfterUs {
            /// How long after the first of them.
            after: Duration,
        } = "woke-after-us";
        /// The inverter is heard, yet the unit is not in service.
        NotInService {
            /// Its state, where it is known.
            state: Option<StateKind>,
        } = "not-in-service";
        /// A pack of the rack gives no answer.
        PackSilent {
            /// Whether it was asked.
            asked: bool,
        } = "pack-silent";
        /// Two things that the unit says cannot be true together.
        Contradiction {
            /// Which two.
            what: Contradiction,
        } = "contradiction";
        /// What came is no measurement.
        NoMeasurement {
            /// The word that stands nearly everywhere; nothing where each value says that it is not available.
            word: Option<u16>,
            /// In so many registers of a hundred.
            per_cent: u8,
        } = "no-measurement";
        /// Current flows from pack to pack, and none of it to or from the inverter.
        PacksEqualise {
            /// Address of the pack that gives most, and its current, A (negative).
            out: (u8, f64),
            /// Address of the pack that takes most, and its current, A.
            into: (u8, f64),
        } = "packs-equalise";
        /// Packs that may connect have unlike voltages.
        PacksUnlike {
            /// What the finding is.
            found: Fact,
        } = "packs-unlike";
    }
}

/// Two things that cannot be true together.
#[derive(Debug, Clone, PartialEq)]
pub enum Contradiction {
    /// The flag says that the inverter is heard, its age that it is long silent.
    HeardLongAgo {
        /// Time since it was heard, as the unit says, s.
        age_s: f64,
        /// The silence time of the map, s.
        silence_s: u32,
        /// It was seen in one look, or in several close together.
        once: bool,
    },
    /// The flag says that the inverter is silent, its age that it was just heard.
    SilentJustHeard {
        /// Time since it was heard, as the unit says, s.
        age_s: f64,
        /// The silence time of the map, s.
        silence_s: u32,
        /// It was seen in one look, or in several close together.
        once: bool,
    },
    /// The flag says that the inverter is silent, and the counter that it writes moves.
    SilentYetCounts {
        /// It moved twice in the last so many seconds.
        within_s: f64,
        /// The silence time of the map, s.
        silence_s: u32,
    },
    /// It was last heard before the unit was switched on.
    HeardBeforePowerUp {
        /// Time since it was heard, as the unit says, s.
        age_s: f64,
        /// Time since the unit started, s.
        uptime_s: f64,
    },
    /// Current flows in a unit that the map calls dead without its inverter, and that says it is silent.
    CurrentWithoutInverter {
        /// The current, A.
        amps: f64,
    },
    /// More current flows than the unit grants now.
    BeyondGranted {
        /// The current, A.
        amps: f64,
        /// What the unit grants, A.
        granted: f64,
        /// The battery is being charged (discharged otherwise).
        charging: bool,
    },
    /// Cells keep their very value while the current changes.
    CellsStand {
        /// So many cells.
        cells: usize,
        /// By so much it changes, A.
        amps: f64,
    },
    /// A current flows, nobody knows which way, at a temperature at which no cell may be charged.
    PerhapsChargesOutside {
        /// The current, as the unit tells it, A.
        amps: f64,
        /// The temperature, °C.
        celsius: f64,
    },
    /// The power flows the other way than the current: nobody knows whether the battery is charged.
    PowerAgainstCurrent {
        /// The current, A.
        amps: f64,
        /// The power, W.
        watts: f64,
    },
    /// The power is many times volts times amperes, or a small part of it: one of them is scaled wrongly.
    PowerOfOtherSize {
        /// The current, A.
        amps: f64,
        /// The power, W.
        watts: f64,
        /// Volts times amperes, W.
        product: f64,
    },
    /// The counter that the inverter writes stands, and the unit says that it hears it.
    CounterStands {
        /// For how long, s.
        stood_s: f64,
        /// The silence time of the map, s.
        silence_s: u32,
    },
    /// The unit's own counter stands, and its uptime goes on.
    BeatAgainstUptime {
        /// For how long, s.
        stood_s: f64,
    },
    /// One pack answers at two addresses.
    SamePack {
        /// The first address.
        first: u8,
        /// The second address.
        second: u8,
    },
    /// Two modules have one serial number.
    SameModule {
        /// Position of the first.
        first: Option<u16>,
        /// Position of the second.
        second: Option<u16>,
        /// The serial number.
        serial: Foreign,
    },
}

/// What shows that two units answer at one address.
#[derive(Debug, Clone, PartialEq)]
pub enum TwoUnits {
    /// Questions were answered twice, with other content.
    AnsweredTwice {
        /// How many.
        times: u32,
        /// The address.
        unit: u8,
    },
    /// A serial number changes.
    Identity {
        /// Name of the reading.
        name: String,
        /// The texts that it had.
        texts: Vec<Foreign>,
    },
    /// The uptime jumps back and forth: from and to, s.
    Uptime {
        /// A step back.
        back: (f64, f64),
        /// A step ahead of the clock.
        ahead: (f64, f64),
    },
    /// The uptime leaps once, where no restart leads, s.
    UptimeLeaps {
        /// Before.
        from: f64,
        /// After.
        to: f64,
    },
}

/// What does not fit the map.
#[derive(Debug, Clone, PartialEq)]
pub enum Mismatch {
    /// A point that proves the map has another content.
    Mark {
        /// Id of the map.
        map: String,
        /// Id of the point.
        point: String,
        /// What was read.
        seen: Option<Value>,
        /// What the map expects.
        expected: Scalar,
        /// A gateway is asked, which may have answered itself.
        by_gateway: bool,
    },
    /// The firmware is outside the range of the map.
    Firmware {
        /// What was read.
        read: String,
        /// First one that fits.
        from: Option<String>,
        /// First one that does not fit any more.
        below: Option<String>,
    },
}

/// What a required point lacks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Lack {
    /// How many there are is not known.
    Count,
    /// The unit refuses it with this exception.
    Refused(u8),
    /// The unit says that it has no value.
    NoValue,
    /// An impossible value.
    Impossible,
    /// It is too old.
    TooOld,
    /// It was not read.
    NotRead,
}

/// What nobody asked for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Unasked {
    /// A reading, by its name.
    Reading(String),
    /// What proves that the unit is one of this map.
    Mark {
        /// Id of the map.
        map: String,
    },
}

/// Something that the map does not know.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Undefined {
    /// A code.
    Code {
        /// Name of the reading.
        name: String,
        /// The code.
        code: u64,
    },
    /// A bit of a word.
    Bit {
        /// Name of the reading.
        name: String,
        /// The word.
        raw: u64,
        /// The lowest bit that is not known.
        bit: u32,
    },
    /// A state, or one whose kind the map does not give.
    State {
        /// Its number.
        code: u64,
        /// Its name in the map.
        name: Option<Foreign>,
    },
}

/// How a code shows what it shows.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Shows {
    /// One fault after another: those of this look.
    InTurn(Vec<u64>),
    /// One code at a time: this one.
    One(u64),
}

/// Why it cannot be told whether the inverter is heard.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LinkUnknown {
    /// The unit's flag for a silent inverter was not read.
    FlagNotRead,
    /// Our own questions may have put the flag down.
    PerhapsFedByUs,
    /// It never heard an inverter, yet does not flag the silence.
    NeverHeardNotFlagged,
    /// The map has no sign of the inverter at all.
    NoSign,
    /// The counter that the inverter writes was not watched long enough.
    CounterUnseen,
    /// That counter stands still although the battery is in use.
    CounterStillInUse,
    /// The time since the inverter was heard was not seen to run.
    AgeUnseen,
    /// The unit gave no answer.
    NoAnswer,
}

impl LinkUnknown {
    /// Whether this is about what the map can show, and not about who was heard.
    pub(crate) fn is_not_shown(self) -> bool {
        matches!(
            self,
            Self::NoSign | Self::CounterUnseen | Self::CounterStillInUse | Self::AgeUnseen
        )
    }
}

impl DoubtKind {
    /// Whether the gate is filled although this is open.
    pub(crate) fn gate(self) -> Gate {
        match self {
            Self::TwoUnits
            | Self::NotRecognised
            | Self::NotRead
            | Self::NotAsked
            | Self::HeartbeatUnseen
            | Self::NothingThere
            | Self::NotJudged
            | Self::UndefinedBit
            | Self::MayHide
            | Self::OfTwoMoments
            | Self::PerhapsCache
            | Self::GoneSilent
            | Self::TooMuchToKeep
            | Self::NoMeasurement
            | Self::PackSilent => Gate::Unfilled,
            Self::LampContradicts
            | Self::AnsweredNo
            | Self::Unexplained
            | Self::NeedsCheck
            | Self::InverterNotShown
            | Self::BeforeItsCause
            | Self::SeenEarlier
            | Self::WasBeyond
            | Self::Terminals
            | Self::CurrentWhileOpen
            | Self::SpreadUnderLoad
            | Self::LowByFlagOnly
            | Self::FaultStateOnly
            | Self::TooEarly
            | Self::LinkUnknown
            | Self::WokeAfterUs
            | Self::NotInService
            | Self::Contradiction
            | Self::PacksEqualise
            | Self::PacksUnlike => Gate::Filled,
        }
    }

    /// The step that settles it.
    pub(crate) fn step(self) -> StepKind {
        match self {
            Self::TwoUnits => StepKind::OneAddressEach,
            Self::NotRecognised | Self::UndefinedBit => StepKind::RightProfile,
            Self::NothingThere | Self::NotJudged => StepKind::CompleteMap,
            Self::NotRead
            | Self::HeartbeatUnseen
            | Self::MayHide
            | Self::Unexplained
            | Self::NeedsCheck
            | Self::BeforeItsCause
            | Self::SeenEarlier
            | Self::WasBeyond
            | Self::SpreadUnderLoad
            | Self::LowByFlagOnly
            | Self::OfTwoMoments
            | Self::FaultStateOnly
            | Self::Contradiction
            | Self::GoneSilent
            | Self::TooMuchToKeep
            | Self::NotInService => StepKind::LookAgain,
            Self::NotAsked => StepKind::LetItBeRead,
            Self::LampContradicts => StepKind::LampAgain,
            Self::AnsweredNo => StepKind::AnswerAgain,
            Self::Terminals | Self::CurrentWhileOpen => StepKind::OtherSources,
            Self::PerhapsCache | Self::NoMeasurement => StepKind::PastTheCache,
            Self::TooEarly => StepKind::WaitSilence,
            Self::LinkUnknown | Self::WokeAfterUs => StepKind::WatchLamp,
            Self::PackSilent => StepKind::MissingPack,
            Self::InverterNotShown => StepKind::InverterPowered,
            Self::PacksUnlike => StepKind::PacksApart,
            Self::PacksEqualise => StepKind::LetEqualise,
        }
    }
}

impl Doubt {
    /// The step that settles it. A mark that nobody read says nothing about the map.
    pub(crate) fn step(&self) -> StepKind {
        match self {
            Self::NotRecognised {
                mismatch: Mismatch::Mark { seen: None, .. },
            } => StepKind::LookAgain,
            _ => self.kind().step(),
        }
    }

    /// Id of the step that settles it.
    pub fn settled_by(&self) -> &'static str {
        self.step().id()
    }

    /// The finding that it repeats.
    pub(crate) fn found(&self) -> Option<&Fact> {
        match self {
            Self::LampContradicts { found }
            | Self::AnsweredNo { found }
            | Self::WasBeyond { found }
            | Self::Terminals { found }
            | Self::CurrentWhileOpen { found }
            | Self::SpreadUnderLoad { found }
            | Self::OfTwoMoments { found }
            | Self::PerhapsCache { found }
            | Self::PacksUnlike { found } => Some(found),
            _ => None,
        }
    }

    /// What a point lacks, where this is about a point that was not read or not asked for.
    pub(crate) fn lack(&self) -> Option<Option<Lack>> {
        match self {
            Self::NotRead { lack, .. } => Some(Some(*lack)),
            Self::NotAsked { .. } => Some(None),
            _ => None,
        }
    }
}

/// Doubts in their order, points that lack the same thing together.
pub(crate) fn together(doubts: &[Doubt]) -> Vec<Vec<Doubt>> {
    let mut groups: Vec<Vec<Doubt>> = Vec::new();
    for doubt in doubts {
        let like = |group: &&mut Vec<Doubt>| {
            let first = group.first().and_then(Doubt::lack);
            first.is_some() && first == doubt.lack()
        };
        match groups.iter_mut().find(like) {
            Some(group) => group.push(doubt.clone()),
            None => groups.push(vec![doubt.clone()]),
        }
    }
    groups
}
