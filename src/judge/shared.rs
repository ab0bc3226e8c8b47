//! What the judging of all members has in common, and what all rules of it use.
//!
//! Does not: judge.

use std::ops::RangeInclusive;
use std::time::Duration;

use packside_profiles::model::{LiesIn, Profile, Severity};
use packside_profiles::{Class, Foreign, Place, Role, Value};

use crate::event::{LinkFacts, Plugged, StepAnswer};
use crate::evidence::Seen;
use crate::evidence::unit::UnitMemory;
use crate::facts::fact::{Deed, Fact};
use crate::facts::judgement::{Certainty, Finding, Reading, ReadingQuality, Source};

/// Longest time that reading a whole rack may take: what was read before that is old.
const RACK_AT_MOST: Duration = Duration::from_secs(120);

/// A lamp and the pattern it showed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Sighting {
    /// Which lamp.
    pub(crate) lamp: Foreign,
    /// What it showed.
    pub(crate) pattern: Foreign,
    /// Flags that were up when it was seen, by unit and place in the map.
    pub(crate) beside: Vec<(u8, usize)>,
}

/// What all members share.
pub(crate) struct Shared<'a> {
    /// The profile.
    pub(crate) profile: &'a Profile,
    /// What the events come to.
    pub(crate) seen: &'a Seen,
    /// Lamps as seen.
    pub(crate) sightings: &'a [Sighting],
    /// What a person found not in order.
    pub(crate) said: &'a [StepAnswer],
    /// Moment judged.
    pub(crate) moment: Duration,
}

impl Shared<'_> {
    /// The link.
    pub(crate) fn facts(&self) -> Option<&LinkFacts> {
        self.seen.line.facts.as_ref()
    }

    /// The moment from which the age of what a unit said counts. Of a rack that is when the unit was read last:
    /// how long its sisters take to be read makes its numbers no older than they are beside each other.
    pub(crate) fn read_until(&self, evidence: &UnitMemory) -> Duration {
        let others = self.seen.units.values().filter(|unit| unit.answered > 0);
        let last = evidence.questions.newest(evidence.session);
        match last.filter(|_| others.count() > 1) {
            Some(last) if self.moment.saturating_sub(last) <= RACK_AT_MOST => last.min(self.moment),
            _ => self.moment,
        }
    }

    /// Whether any question of ours was asked.
    pub(crate) fn we_asked(&self) -> bool {
        self.seen.we_asked()
    }
}

/// A value for people.
pub(crate) fn value_text(value: &Value) -> String {
    match value {
        Value::Number(number) => number.to_string(),
        Value::Text(text) => text.clean().into_owned(),
        Value::Bits(bits) => format!("0x{bits:04x}"),
        Value::Code(code) => code.to_string(),
    }
}

/// Whether we sit in the inverter's socket and silenced it ourselves.
pub(crate) fn we_hold_its_socket(facts: Option<&LinkFacts>) -> bool {
    facts.is_some_and(|f| f.plugged == Some(Plugged::InsteadOfInverter))
}

/// The first reading with a role, if it is good.
pub(crate) fn first_good(readings: &[Reading], role: Role) -> Option<&Reading> {
    let first = readings.iter().find(|r| r.role == role);
    first.filter(|r| r.quality == ReadingQuality::Good)
}

/// The good number of the first reading with a role.
pub(crate) fn first(readings: &[Reading], role: Role) -> Option<f64> {
    first_good(readings, role).and_then(Reading::number)
}

/// A finding from numbers.
pub(crate) fn finding(
    class: Class,
    severity: Severity,
    unit: u8,
    place: Place,
    fact: impl Into<Fact>,
) -> Finding {
    Finding {
        fact: fact.into(),
        id: class.id(),
        class: Some(class),
        severity,
        source: Source::Measured,
        root: severity == Severity::Alarm,
        follows_from: None,
        lies_in: lies_in(class),
        clears: None,
        unit,
        place,
        to_do: Deed::Usual(class).alone(),
        since: None,
        returned: false,
        // One sample proves nothing: see `remembered::confirm`.
        sure: Certainty::Likely,
        disposition: None,
    }
}

/// Where a measured violation usually lies; a starting point, not a proof.
pub(crate) fn lies_in(class: Class) -> LiesIn {
    match class {
        Class::CellOverVoltage
        | Class::CellUnderVoltage
        | Class::CellBelowMinimum
        | Class::CellImbalance
        | Class::CellResistance => LiesIn::Module,
        Class::UnderTemperature | Class::LowCharge | Class::PackUnderVoltage => {
            LiesIn::SiteCondition
        }
        Class::SensorFault | Class::ConfigurationFault => LiesIn::Connection,
        Class::ControlUnitFault => LiesIn::ControlUnit,
        Class::ChargingOutside => LiesIn::InverterSide,
        _ => LiesIn::Unknown,
    }
}

/// Within these voltages at rest the LFP curve tells nothing about the charge, V.
// Kind: common practice
pub(crate) const FLAT: RangeInclusive<f64> = 3.15..=3.45;
