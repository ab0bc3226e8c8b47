//! Findings that are remarks: they decide nothing, but a careful colleague would say them.

use packside_profiles::model::{LiesIn, Profile, Severity};
use packside_profiles::{Place, Role};

use super::identity::version;
use super::inverter::InverterLink;
use super::shared::{FLAT, value_text, we_hold_its_socket};
use crate::event::LinkFacts;
use crate::facts::fact::{Deed, Fact, FamilyIndex, Remark};
use crate::facts::judgement::{Certainty, Finding, Reading, Source};

/// Adds the remarks that apply.
pub(crate) fn add(
    findings: &mut Vec<Finding>,
    unit: u8,
    inverter: &InverterLink,
    facts: Option<&LinkFacts>,
    readings: &[Reading],
    profile: &Profile,
) {
    if matches!(inverter, InverterLink::SilentSoFar { proven: false, .. }) {
        findings.push(notice(unit, Remark::EverHeardUnknown {}));
    }
    if we_hold_its_socket(facts) {
        findings.push(notice(unit, Remark::WeHoldItsSocket {}));
    }
    let soc = readings
        .iter()
        .find(|r| r.role == Role::Soc)
        .and_then(Reading::number);
    let cells = readings.iter().filter(|r| r.role == Role::CellVoltage);
    let volts: Vec<f64> = cells.filter_map(Reading::number).collect();
    let mean = volts.iter().sum::<f64>() / volts.len() as f64;
    let flat = volts.is_empty() || FLAT.contains(&mean);
    let half_full = soc.is_some_and(|soc| (30.0..=90.0).contains(&soc));
    if profile.unit.chemistry == "LFP" && flat && half_full {
        findings.push(notice(unit, Remark::FlatCurve {}));
    }
    firmware_minima(findings, unit, readings, profile);
}

fn firmware_minima(findings: &mut Vec<Finding>, unit: u8, readings: &[Reading], profile: &Profile) {
    let firmware = readings
        .iter()
        .find(|r| r.role == Role::Firmware)
        .and_then(|r| r.value.as_ref())
        .map(value_text);
    let Some(firmware) = firmware else { return };
    let families = profile.inverter_families.iter().enumerate();
    let families: Vec<FamilyIndex> = families
        .filter(|(_, family)| version(&firmware) < version(&family.firmware_from))
        .map(|(index, _)| FamilyIndex(index))
        .collect();
    if !families.is_empty() {
        let mut found = notice(unit, Remark::FirmwareTooOld { firmware, families });
        found.severity = Severity::Warning;
        findings.push(found);
    }
}

/// A remark.
pub(crate) fn notice(unit: u8, fact: impl Into<Fact>) -> Finding {
    let fact = fact.into();
    Finding {
        id: fact.kind().id(),
        fact,
        class: None,
        severity: Severity::Notice,
        source: Source::Measured,
        root: false,
        follows_from: None,
        lies_in: LiesIn::Unknown,
        clears: None,
        unit,
        place: Place::default(),
        to_do: Deed::Nothing.alone(),
        since: None,
        returned: false,
        sure: Certainty::Open,
        disposition: None,
    }
}
