//! What rules ask of any fact: on which readings it rests, whether a number decided, whether the terminals
//! contradict it.
//!
//! Does not: decide anything. A new fact that rests on single readings is named here.

use super::detail::Pair;
use super::fact::{Compared, Fact, FactKind, Flagged, Measured, Remark};
use super::remedy::Spot;

impl Fact {
    /// Whether it carries the one number that decided and its limit.
    pub fn has_deciding_number(&self) -> bool {
        matches!(
            self.kind(),
            FactKind::BeyondLimit
                | FactKind::ManyBeyondLimit
                | FactKind::BelowMinimum
                | FactKind::Heats
                | FactKind::WarmByItself
                | FactKind::TooFarApart
                | FactKind::SwitchesAgainstState
                | FactKind::GivesWay
                | FactKind::LowOnlyUnderCurrent
        )
    }

    /// Whether a fuse shows itself so: voltage before closed switches, and none behind them.
    pub fn may_be_the_fuse(&self) -> bool {
        matches!(
            self,
            Self::Compared(Compared::DoesNotAddUp {
                pair: Pair::TerminalsAndPack,
                ..
            })
        )
    }

    /// Whether it holds one answer against another: what two units said in turn shows nothing by it. Heat is not
    /// among them, from which people keep away all the same.
    pub fn compares_answers(&self) -> bool {
        matches!(
            self.kind(),
            FactKind::DoesNotAddUp
                | FactKind::TooFarApart
                | FactKind::CellResists
                | FactKind::GivesWay
                | FactKind::ModulesUnlikeCharge
                | FactKind::ModulesUnlikeFirmware
                | FactKind::ChargeAgainstVoltage
                | FactKind::SwitchesDropped
                | FactKind::HeartbeatStill
        )
    }

    /// The readings that it rests on and names.
    pub fn spots(&self) -> Vec<Spot> {
        match self {
            Self::Measured(fact) => fact.spots(),
            Self::Compared(fact) => fact.spots(),
            Self::Flagged(fact) => vec![fact.spot()],
            Self::Remark(Remark::InsulationNotJudged { at, .. }) => vec![*at],
            Self::Remark(_) | Self::Line(_) | Self::Said(_) => Vec::new(),
        }
    }

    /// Whether the unit says what its own terminals contradict.
    pub fn is_contradicted(&self) -> bool {
        let contradicted = |flag: &Flagged| match flag {
            Flagged::Up { contradicted, .. } | Flagged::Stored { contradicted, .. } => {
                contradicted.is_some()
            }
            Flagged::Earlier { .. } => false,
        };
        matches!(self, Self::Flagged(flag) if contradicted(flag))
    }
}

impl Measured {
    fn spots(&self) -> Vec<Spot> {
        match self {
            Self::BeyondLimit { at, .. }
            | Self::BelowMinimum { at, .. }
            | Self::UnreadableCell { at, .. }
            | Self::UnreadableSensor { at, .. }
            | Self::ChargesOutside { at, .. }
            | Self::WasBeyond { at, .. }
            | Self::Heats { at, .. }
            | Self::ChargedOutside { at, .. }
            | Self::Jumped { at, .. } => vec![*at],
            Self::TooFarApart {
                point, low, high, ..
            } => [low.0, high.0]
                .map(|place| Spot {
                    point: *point,
                    place,
                })
                .to_vec(),
            Self::ManyBeyondLimit { .. }
            | Self::WarmByItself { .. }
            | Self::TerminalsLive { .. }
            | Self::TerminalsDecay { .. }
            | Self::HeartbeatStill { .. } => Vec::new(),
        }
    }
}

impl Compared {
    fn spots(&self) -> Vec<Spot> {
        match self {
            Self::DoesNotAddUp {
                pair: Pair::CellsAndModule { module },
                ..
            } => vec![*module],
            Self::LowOnlyUnderCurrent { says, .. } => vec![says.spot()],
            Self::HotFromInside { at, cell, .. } => vec![*at, *cell],
            Self::BrokenSenseWire { at, beside, .. } => vec![*at, *beside],
            Self::ModulesUnlikeCharge { low, high, .. } => vec![*low, *high],
            Self::ModulesUnlikeFirmware { one, other } => vec![one.0, other.0],
            Self::LoneSensor { at, .. }
            | Self::PrechargeLasts { at, .. }
            | Self::SwitchesAgainstState { at, .. }
            | Self::WrongPosition { at, .. }
            | Self::CurrentWhileOpen { at, .. } => vec![*at],
            Self::DoesNotAddUp { .. }
            | Self::CellResists { .. }
            | Self::GivesWay { .. }
            | Self::LostConnector { .. }
            | Self::ChargeAgainstVoltage { .. }
            | Self::SwitchesDropped { .. }
            | Self::SameSerial { .. }
            | Self::PacksUnlike { .. }
            | Self::PacksUnlikeCharge { .. }
            | Self::LampContradicts { .. } => Vec::new(),
        }
    }
}

impl Flagged {
    /// The word in which the flag stands.
    pub fn spot(&self) -> Spot {
        match self {
            Self::Up { at, .. } | Self::Stored { at, .. } | Self::Earlier { at, .. } => *at,
        }
    }
}
