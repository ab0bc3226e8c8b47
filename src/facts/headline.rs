//! What a verdict is in one sentence, as data.
//!
//! Does not: decide (see `judge`), or put into words.

use super::cause::CauseKind;
use super::doubt::DoubtKind;

/// What is known of a root: that a number shows what only a flag said, or where it lies, is news.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct RootKnown {
    /// The number that decided.
    pub number: bool,
    /// In which module.
    pub module: bool,
    /// At which cell or sensor.
    pub item: bool,
}

/// A verdict in one sentence.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Headline {
    /// The inverter is heard and no fault was found.
    InService,
    /// No defect, and these roots keep it from running (ids).
    NotReady {
        /// Ids of the roots, the first one first.
        roots: Vec<&'static str>,
        /// What is known of the first one.
        known: RootKnown,
    },
    /// A fault.
    Fault {
        /// Ids of the roots, the first one first.
        roots: Vec<&'static str>,
        /// What is known of the first one.
        known: RootKnown,
        /// The map could not be recognised for certain.
        unconfirmed: bool,
    },
    /// Only waiting for the inverter.
    Waiting,
    /// The inverter fell silent.
    InverterLost {
        /// So long ago, s, where the unit says it.
        heard_s: Option<u32>,
    },
    /// No valid answer, for this reason where it is proven.
    NoAnswer {
        /// The reason.
        because: Option<CauseKind>,
    },
    /// A unit answers, and there is no map.
    NoMap,
    /// Packs of a rack give no answer.
    SilentPacks {
        /// Number and address of each.
        silent: Vec<(usize, u8)>,
        /// Numbers of the others.
        others: Vec<usize>,
    },
    /// These points could not be read.
    Unread {
        /// Their names.
        names: Vec<String>,
    },
    /// The silence time is not over.
    TooEarly,
    /// Something else is open.
    Open {
        /// The first kind of it.
        first: Option<DoubtKind>,
        /// How many other kinds.
        more: usize,
    },
}

impl Headline {
    /// Whether it says the same but for numbers: those alone are no news.
    pub fn is_like(&self, other: &Self) -> bool {
        match (self, other) {
            (Self::InverterLost { heard_s: a }, Self::InverterLost { heard_s: b }) => {
                a.is_some() == b.is_some()
            }
            _ => self == other,
        }
    }
}
