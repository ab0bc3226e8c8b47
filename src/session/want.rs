//! What a session can want, what can come of it, and how a task ends.
//!
//! Does not: say anything in words ([`Progress`] is put into words elsewhere).

use std::time::Duration;

use super::{Blame, LinkTrouble, MayWake, NotShown, Wake};
use crate::ask::Exchange;
use crate::event::Consent;
use crate::facts::Judgement;
use crate::wire::Ask;

/// How a unit is to be looked at.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Manner {
    /// First unit address.
    pub unit: u8,
    /// Only this address, no other pack of a rack.
    pub only: bool,
    /// Listen this long before the first question, where given; else by the register map.
    pub listen_first: Option<Duration>,
    /// What the user says about asking.
    pub consent: Consent,
    /// Longest wait for the first byte of an answer, where given; else by the register map.
    pub time_out: Option<Duration>,
    /// So long the line was heard silent when it was opened.
    pub heard_silent: Duration,
}

impl Manner {
    /// The unit, and all packs of its rack, with nothing taken for granted.
    pub fn of(unit: u8) -> Self {
        Self {
            unit,
            only: false,
            listen_first: None,
            consent: Consent::default(),
            time_out: None,
            heard_silent: Duration::ZERO,
        }
    }
}

/// What is to be done.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub enum Task {
    /// Listen, and begin to ask.
    Begin,
    /// Read everything once.
    Look,
    /// Read everything, and again while that may settle what is open; overhear where others ask.
    LookUntilSettled,
    /// Read the little that changes around a transition, round after round. At least one round.
    Follow {
        /// Longest time.
        time: Duration,
        /// Between two rounds.
        pause: Duration,
        /// What ends it before.
        until: Until,
    },
    /// Let time pass, listening.
    Wait {
        /// Until then.
        until: Duration,
    },
    /// Look, judge, pause, and again. Where others ask they are listened to instead.
    Rounds {
        /// Between two rounds; longer where judging takes long.
        pause: Duration,
        /// When it ends; without one, when the user stops.
        end: Option<Duration>,
    },
}

/// What a unit is followed for.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub enum Until {
    /// One round.
    Once,
    /// It is in service.
    InService,
    /// Its current has moved.
    CurrentMoves {
        /// From so much, A.
        from: f64,
        /// By so much, A.
        by: f64,
    },
}

/// What a session wants now.
#[derive(Debug, Clone)]
#[non_exhaustive]
pub enum Want {
    /// The link, open.
    Open,
    /// Time to pass, while everything that comes is heard.
    Wait {
        /// Until then.
        until: Duration,
    },
    /// The same, ended by silence.
    Silence {
        /// So long without a byte.
        window: Duration,
        /// At the latest then.
        until: Duration,
    },
    /// To ask from now on, if the link finds that right.
    Prove {
        /// What the questions may do to the unit.
        wake: Wake,
        /// The silence needed.
        window: Duration,
        /// What the user says about it.
        consent: Consent,
    },
    /// This question asked.
    Ask {
        /// The question.
        ask: Ask,
        /// Longest time to the first byte of the answer.
        time_out: Duration,
    },
    /// To ask no more, and to listen.
    StopAsking,
    /// A person's word.
    NeedsWord(Word),
    /// This to be told.
    Progress(Progress),
    /// This verdict to be shown.
    Judged(Box<Judgement>),
    /// The link is lost: to be told before anything else is tried on it.
    Lost {
        /// Why, in one phrase.
        why: String,
    },
    /// It is back.
    Back,
    /// Nothing more: the task is over.
    Done(End),
}

/// What a person must say before it is asked.
#[derive(Debug, Clone, PartialEq, Eq)]
#[non_exhaustive]
pub enum Word {
    /// Asking may wake the unit: everybody must be clear of it.
    MayWake(MayWake),
    /// Somebody else asks here; without a word they are overheard instead.
    BesideOthers {
        /// Silence so far.
        silent: Duration,
        /// Silence needed.
        window: Duration,
    },
}

/// What a session does, for whoever waits.
#[derive(Debug, Clone, PartialEq, Eq)]
#[non_exhaustive]
pub enum Progress {
    /// Asking may wake the unit.
    MayWake(MayWake),
    /// Listening before the first question.
    ListeningFirst {
        /// So long.
        window: Duration,
    },
    /// Bytes come that make no frame: listening on, to see what they are.
    Explaining {
        /// At most so long.
        at_most: Duration,
    },
    /// Somebody is heard on a simulated line, which is asked all the same.
    HeardButSimulated,
    /// It is not asked.
    NotAsking(NotShown),
    /// Others are listened to until that settles the verdict.
    Overhearing {
        /// At most so long.
        at_most: Duration,
    },
    /// Somebody else began to ask: they are listened to from now on.
    SomebodyElseAsks,
    /// A look is under way.
    Looking {
        /// Questions that are done.
        done: usize,
        /// Questions planned so far.
        planned: usize,
        /// Address that is read.
        unit: u8,
    },
    /// Nobody answered: a very slow unit would be heard now.
    ListeningForLate {
        /// At most so long.
        at_most: Duration,
    },
    /// A number is beyond its limit: it is read a second time.
    ReadingAgain,
    /// Another look may settle what is open.
    LookingAgain {
        /// Id of the first open point.
        open: &'static str,
        /// At most so long.
        at_most: Duration,
    },
    /// One code shows one fault after another: it is read for a full turn.
    ReadingTurn {
        /// So long.
        time: Duration,
    },
    /// Answers came damaged: the unit is asked what it counted of the line.
    Counting {
        /// So many questions.
        questions: usize,
        /// At most so long.
        at_most: Duration,
    },
    /// The link did wrong in a round; the next one is tried.
    Trouble(LinkTrouble),
}

/// What came of a want. Waits that went well, and asking that was begun or ended, are seen by their events.
#[derive(Debug, Clone)]
#[non_exhaustive]
pub enum Came<'e> {
    /// Of a question.
    Exchange(&'e Exchange),
    /// A person's word, or its refusal.
    Word(bool),
    /// Asking is not right.
    NotShown(NotShown),
    /// The link could not be opened.
    NotOpened(Blame),
    /// The link failed, or the user stopped.
    Trouble(LinkTrouble),
}

/// How a task ended.
#[derive(Debug, Clone, PartialEq, Eq)]
#[non_exhaustive]
pub enum End {
    /// As it should, or others were listened to as long as the task allows.
    Whole,
    /// Others were overheard instead of asking; with what ended asking, where it was begun.
    Overheard(Option<LinkTrouble>),
    /// It was not right to ask.
    NotAsked(NotShown),
    /// The link could not be opened.
    NotOpened(Blame),
    /// The link failed, or the user stopped.
    Trouble {
        /// What it was.
        trouble: LinkTrouble,
        /// It was asked already.
        asked: bool,
    },
}

impl End {
    /// Whether the user stopped.
    pub fn is_stopped(&self) -> bool {
        match self {
            Self::Trouble { trouble, .. } => *trouble == LinkTrouble::Interrupted,
            Self::NotOpened(blame) => *blame == Blame::Stopped,
            _ => false,
        }
    }

    /// Whose business it is that it did not end well.
    pub fn blame(&self) -> Option<Blame> {
        match self {
            Self::Whole | Self::Overheard(_) => None,
            Self::NotAsked(_) => Some(Blame::Usage),
            Self::NotOpened(blame) => Some(*blame),
            Self::Trouble { trouble, .. } => Some(trouble.blame()),
        }
    }
}
