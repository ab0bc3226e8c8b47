//! A finding: a fact with its weight, where it came from and what is known of it.
//!
//! Does not: decide what is a root or what becomes of a part ([`crate::judge`] does).

use std::time::Duration;

use packside_profiles::model::{Clears, LiesIn, Severity};
use packside_profiles::{Class, Place};

use super::fact::{Compared, Fact, FactKind, Follows, Remedy};
use super::whereabouts::{Item, Whereabouts};

/// What becomes of the part in which a root lies.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Disposition {
    /// Put it right where it stands.
    CorrectOnSite,
    /// Cut off what may be the reason, then look again: nothing is returned yet.
    IsolateAndLookAgain,
    /// No isolating step is left: ask the maker to take it back.
    Claim,
    /// Do not charge, do not install, set apart.
    Quarantine,
    /// Nobody goes near it.
    StayAway,
}

impl Disposition {
    /// Every one, with its stable id and its meaning.
    pub const ALL: [Self; 5] = [
        Self::CorrectOnSite,
        Self::IsolateAndLookAgain,
        Self::Claim,
        Self::Quarantine,
        Self::StayAway,
    ];

    /// The stable id.
    pub fn id(self) -> &'static str {
        match self {
            Self::CorrectOnSite => "correct-on-site",
            Self::IsolateAndLookAgain => "isolate-and-look-again",
            Self::Claim => "claim",
            Self::Quarantine => "quarantine",
            Self::StayAway => "stay-away",
        }
    }

    /// What it means.
    pub fn meaning(self) -> &'static str {
        match self {
            Self::CorrectOnSite => "to be put right on site",
            Self::IsolateAndLookAgain => {
                "isolate the suspected part and look again; file no claim yet"
            }
            Self::Claim => "no isolating step is left: ask the maker to take it back",
            Self::Quarantine => "do not charge, do not install, set apart, ask the maker",
            Self::StayAway => "nobody goes near it now, and nothing is done to it; ask the maker",
        }
    }
}

/// How sure a root is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Certainty {
    /// A good number breaks a limit of a recognised map.
    Proven,
    /// The unit says so, no number shows it.
    Likely,
    /// Not confirmed.
    Open,
}

impl Certainty {
    /// The stable id.
    pub fn id(self) -> &'static str {
        match self {
            Self::Proven => "proven",
            Self::Likely => "likely",
            Self::Open => "open",
        }
    }

    /// What it means.
    pub fn meaning(self) -> &'static str {
        match self {
            Self::Proven => "a good number breaks a limit of a recognised map",
            Self::Likely => "the unit says so, no number shows it",
            Self::Open => "not confirmed",
        }
    }
}

/// Where a finding comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Source {
    /// The unit's own flag.
    Flag,
    /// A number against a limit, or numbers against each other.
    Measured,
    /// The traffic.
    Bus,
    /// A lamp.
    Lamp,
    /// What a person answered.
    Answer,
}

impl Source {
    /// The stable id.
    pub fn id(self) -> &'static str {
        match self {
            Self::Flag => "flag",
            Self::Measured => "measured",
            Self::Bus => "bus",
            Self::Lamp => "lamp",
            Self::Answer => "answer",
        }
    }
}

/// Something that was found.
#[derive(Debug, Clone, PartialEq)]
pub struct Finding {
    /// What it is, with the numbers that decided.
    pub fact: Fact,
    /// Stable id: a [`Class`] id, or that of a remark.
    pub id: &'static str,
    /// The class, for findings about the battery.
    pub class: Option<Class>,
    /// How grave.
    pub severity: Severity,
    /// Where it comes from.
    pub source: Source,
    /// Whether it may be the reason and not a consequence.
    pub root: bool,
    /// What explains this one.
    pub follows_from: Option<Follows>,
    /// Where the reason lies.
    pub lies_in: LiesIn,
    /// How its flag goes away.
    pub clears: Option<Clears>,
    /// Unit address.
    pub unit: u8,
    /// Module and cell or sensor.
    pub place: Place,
    /// What to do first.
    pub to_do: Remedy,
    /// When it was first seen in these events, for flags.
    pub since: Option<Duration>,
    /// Seen before a restart of the unit and again after it.
    pub returned: bool,
    /// How sure it is, for roots.
    pub sure: Certainty,
    /// What becomes of the part, for roots that stop the unit.
    pub disposition: Option<Disposition>,
}

/// What makes a finding the same one in two judgements: *new*, *again* and *gone* are decided by it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct FactKey {
    /// Stable id of the finding.
    pub kind: &'static str,
    /// Unit address.
    pub unit: u8,
    /// Module and cell or sensor.
    pub place: Place,
    /// Where it comes from.
    pub source: Source,
}

impl Finding {
    /// Whether a restart could charge, close or connect what should stay apart: it is never offered then.
    pub fn forbids_restart(&self) -> bool {
        let grave = matches!(
            self.class,
            Some(
                Class::ShortCircuit
                    | Class::CellBelowMinimum
                    | Class::OverTemperature
                    | Class::TemperatureImbalance
                    | Class::ConfigurationFault
            )
        );
        let heats_inside = match self.fact {
            Fact::Compared(Compared::LoneSensor { celsius, high, .. }) => celsius > high,
            _ => matches!(
                self.fact.kind(),
                FactKind::GivesWay
                    | FactKind::HotFromInside
                    | FactKind::WarmByItself
                    // A cell that nobody can read may be one that must never be charged.
                    | FactKind::LostConnector
            ),
        };
        self.is_root_alarm() && (grave || heats_inside)
    }

    /// Whether this may be the reason and stops the unit; the silent inverter is no such root.
    pub fn is_root_alarm(&self) -> bool {
        self.weighs_most() && self.class != Some(Class::InverterSilent)
    }

    /// Where it is.
    pub fn whereabouts(&self) -> Whereabouts {
        use Class as C;
        let is_pair = matches!(self.fact, Fact::Compared(Compared::BrokenSenseWire { .. }));
        let item = match self.class {
            _ if is_pair && self.place.item.is_some() => Item::CellPair,
            Some(
                C::SensorFault
                | C::OverTemperature
                | C::UnderTemperature
                | C::TemperatureImbalance
                | C::ChargingOutside,
            ) => Item::Sensor,
            _ => Item::Cell,
        };
        Whereabouts {
            place: self.place,
            item,
        }
    }

    /// What makes it the same one in another judgement.
    pub fn key(&self) -> FactKey {
        FactKey {
            kind: self.id,
            unit: self.unit,
            place: self.place,
            source: self.source,
        }
    }

    fn weighs_most(&self) -> bool {
        self.root && self.severity == Severity::Alarm
    }
}

/// Roots of alarm severity first, then by severity; otherwise the order stays.
pub(crate) fn sort_by_weight(findings: &mut [Finding]) {
    findings.sort_by_key(|f| (!f.weighs_most(), std::cmp::Reverse(f.severity)));
}

/// Ids of the root alarms, each once, in order.
pub(crate) fn root_ids(findings: &[Finding]) -> Vec<&'static str> {
    let mut ids = Vec::new();
    for finding in findings.iter().filter(|f| f.is_root_alarm()) {
        if !ids.contains(&finding.id) {
            ids.push(finding.id);
        }
    }
    ids
}

/// The finding that says most of the first root: with its number, then with its place.
pub(crate) fn telling(findings: &[Finding]) -> Option<&Finding> {
    let first = findings.iter().find(|f| f.is_root_alarm())?;
    let same = |f: &&Finding| f.is_root_alarm() && f.id == first.id && f.unit == first.unit;
    findings.iter().filter(same).min_by_key(|f| {
        (
            // What explains the others says most.
            f.fact.kind() != FactKind::LostConnector,
            !f.fact.has_deciding_number(),
            f.place.item.is_none(),
            f.place.module.is_none(),
            f.source == Source::Flag,
        )
    })
}
