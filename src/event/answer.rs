//! What a person answers to a step of a visit, and what the tool finds out there.
//!
//! Does not: know the steps, or put an answer into words.

use packside_profiles::Foreign;

/// What was answered at a step.
#[derive(Debug, Clone, PartialEq)]
pub enum AnswerValue {
    /// In order.
    InOrder,
    /// Not in order.
    NotInOrder,
    /// Still to be done; says nothing about the unit.
    NotDone,
    /// Left out; the note says why.
    LeftOut,
    /// Left out because a fault is open: asked after all once it is settled.
    HeldBack,
    /// How a measured step ended.
    Measured(FollowedEnd),
    /// What follows from how modules were stored.
    Stored(Fitness),
    /// A number with its unit.
    Number(f64, Foreign),
    /// Id of one of the step's choices.
    Choice(Foreign),
    /// Lamps and what they showed.
    Lamps(Vec<(Foreign, Foreign)>),
    /// Anything written.
    Words(Foreign),
    /// A text in a file of an older version, which does not say what it is.
    Untyped(Foreign),
}

/// How a measured step ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FollowedEnd {
    /// Nothing wrong was seen; what is not tested stands beside it.
    PassSoFar,
    /// A fault.
    Fault,
    /// The step did not come to its end.
    NotYet,
    /// A fault went with its module to another position.
    FollowedModule,
    /// A fault stayed where it was although its module went.
    StayedAtPosition,
    /// A fault is gone after modules were swapped.
    Gone,
}

impl FollowedEnd {
    /// Every one.
    pub const ALL: [Self; 6] = [
        Self::PassSoFar,
        Self::Fault,
        Self::NotYet,
        Self::FollowedModule,
        Self::StayedAtPosition,
        Self::Gone,
    ];

    /// The stable id.
    pub fn id(self) -> &'static str {
        match self {
            Self::PassSoFar => "pass-so-far",
            Self::Fault => "fault",
            Self::NotYet => "not-yet",
            Self::FollowedModule => "followed-the-module",
            Self::StayedAtPosition => "stayed-at-the-position",
            Self::Gone => "gone",
        }
    }
}

/// What follows from how modules were stored.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Fitness {
    /// May be installed.
    Fit,
    /// May be installed, and must be charged as the maker's manual says before anything else.
    ChargeFirst,
    /// Set apart: never charged before the maker was asked.
    Quarantine,
}

impl Fitness {
    /// Every one.
    pub const ALL: [Self; 3] = [Self::Fit, Self::ChargeFirst, Self::Quarantine];

    /// The stable id.
    pub fn id(self) -> &'static str {
        match self {
            Self::Fit => "fit-to-install",
            Self::ChargeFirst => "charge-first",
            Self::Quarantine => "never-charge-quarantine",
        }
    }
}

impl AnswerValue {
    /// Whether the step was left out.
    pub fn is_left_out(&self) -> bool {
        matches!(self, Self::LeftOut | Self::HeldBack)
    }

    /// The answer in its one form, as files and results for programs have it.
    pub fn text(&self) -> Foreign {
        match self {
            Self::InOrder => "yes".into(),
            Self::NotInOrder => "no".into(),
            Self::NotDone => "not-done".into(),
            Self::LeftOut | Self::HeldBack => "skipped".into(),
            Self::Measured(end) => end.id().into(),
            Self::Stored(fitness) => fitness.id().into(),
            Self::Number(number, unit) => format!("{number} {}", unit.as_given()).into(),
            Self::Lamps(lamps) => {
                let pair = |(lamp, pattern): &(Foreign, Foreign)| {
                    format!("{}={}", lamp.as_given(), pattern.as_given())
                };
                lamps.iter().map(pair).collect::<Vec<_>>().join("; ").into()
            }
            Self::Choice(text) | Self::Words(text) | Self::Untyped(text) => text.clone(),
        }
    }

    /// What kind of answer it is, for a file.
    pub fn kind(&self) -> &'static str {
        match self {
            Self::InOrder | Self::NotInOrder | Self::NotDone => "order",
            Self::LeftOut => "left-out",
            Self::HeldBack => "held-back",
            Self::Measured(_) => "measured",
            Self::Stored(_) => "stored",
            Self::Number(..) => "number",
            Self::Choice(_) => "choice",
            Self::Lamps(_) => "lamps",
            Self::Words(_) => "words",
            Self::Untyped(_) => "untyped",
        }
    }

    /// Reads an answer of this kind back; nothing where the text is none.
    pub fn read(kind: &str, text: &str) -> Option<Self> {
        Some(match kind {
            "order" => match text {
                "yes" => Self::InOrder,
                "no" => Self::NotInOrder,
                "not-done" => Self::NotDone,
                _ => return None,
            },
            "left-out" => Self::LeftOut,
            "held-back" => Self::HeldBack,
            "measured" => {
                Self::Measured(FollowedEnd::ALL.into_iter().find(|end| end.id() == text)?)
            }
            "stored" => Self::Stored(Fitness::ALL.into_iter().find(|one| one.id() == text)?),
            "number" => {
                let (number, unit) = text.split_once(' ')?;
                Self::Number(number.parse().ok()?, unit.into())
            }
            "choice" => Self::Choice(text.into()),
            "lamps" => {
                let pair = |pair: &str| {
                    let (lamp, pattern) = pair.split_once('=')?;
                    Some((lamp.into(), pattern.into()))
                };
                Self::Lamps(text.split("; ").map(pair).collect::<Option<_>>()?)
            }
            "words" => Self::Words(text.into()),
            "untyped" => Self::Untyped(text.into()),
            _ => return None,
        })
    }

    /// Reads an answer of a file of an older version, which does not say its kind.
    pub fn untyped(text: &str) -> Self {
        let kinds = ["order", "measured", "stored"];
        let known = kinds.iter().find_map(|kind| Self::read(kind, text));
        match known {
            Some(known) => known,
            None if text == "skipped" => Self::LeftOut,
            None => Self::Untyped(text.into()),
        }
    }

    /// The number in it, if there is one.
    pub fn number(&self) -> Option<f64> {
        match self {
            Self::Number(number, _) => Some(*number),
            Self::Untyped(text) => text.as_given().split(' ').next()?.parse().ok(),
            _ => None,
        }
    }

    /// Whether it is this one of the step's choices.
    pub fn is_choice(&self, id: &str) -> bool {
        match self {
            Self::Choice(text) | Self::Untyped(text) => *text == id,
            _ => false,
        }
    }

    /// The lamps in it and what they showed.
    pub fn lamps(&self) -> Vec<(Foreign, Foreign)> {
        match self {
            Self::Lamps(lamps) => lamps.clone(),
            Self::Untyped(text) => match Self::read("lamps", text.as_given()) {
                Some(Self::Lamps(lamps)) => lamps,
                _ => Vec::new(),
            },
            _ => Vec::new(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // Kind: derived (a form for each variant, read back as it was)
    #[test]
    fn answers_come_back_from_their_text_and_kind() {
        let ends = FollowedEnd::ALL.map(AnswerValue::Measured);
        let stored = Fitness::ALL.map(AnswerValue::Stored);
        let others = [
            AnswerValue::InOrder,
            AnswerValue::NotInOrder,
            AnswerValue::NotDone,
            AnswerValue::LeftOut,
            AnswerValue::HeldBack,
            AnswerValue::Number(-21.5, "degC".into()),
            AnswerValue::Choice("service".into()),
            AnswerValue::Lamps(vec![("fault".into(), "steady".into())]),
            AnswerValue::Words("no".into()),
            AnswerValue::Words("5 Main Street".into()),
        ];
        for value in ends.into_iter().chain(stored).chain(others) {
            let text = value.text();
            let back = AnswerValue::read(value.kind(), text.as_given());
            assert_eq!(back, Some(value));
        }
        assert_eq!(AnswerValue::read("order", "perhaps"), None);
        assert_eq!(AnswerValue::read("number", "many V"), None);
    }
}
