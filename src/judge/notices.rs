//! Findings that are remarks: they decide nothing, but a careful colleague would say them.

use packside_profiles::model::{LiesIn, Profile, Severity};
use packside_profiles::{Place, Role};

use super::identity::version;
use super::inverter::InverterLink;
use super::member::{value_text, we_hold_its_socket};
use super::plausible::FLAT;
use crate::event::LinkFacts;
use crate::facts::judgement::{Certainty, Finding, Reading, Source};

/// Ids of all remarks, with what they mean; every other finding id is a class id.
pub const NOTICES: &[(&str, &str)] = &[
    (
        "ever-heard-unknown",
        "no point tells whether the inverter was heard before: first commissioning and a lost cable look the same",
    ),
    (
        "we-hold-its-socket",
        "the laptop sits in the inverter's socket, so the inverter was silenced by us",
    ),
    (
        "flat-curve",
        "on the flat part of the LFP curve alike cell voltages do not show equal charge",
    ),
    (
        "firmware-below-minimum",
        "the firmware is too old for some inverter families of the profile",
    ),
    (
        "member-missing",
        "a pack that the rack expects gave no valid answer or was not asked",
    ),
    (
        "packs-unlike",
        "packs that are not connected yet have unlike voltages",
    ),
    (
        "lamp-contradicts",
        "a lamp was seen that no flag or state of the registers explains",
    ),
    (
        "not-in-order",
        "a person answered that something is not in order",
    ),
    (
        "others-ask",
        "somebody else asks on this pair too: two who ask at once damage each other's answers",
    ),
    (
        "no-ordinary-transport",
        "beside a cell fault: a suspect lithium battery does not travel as ordinary goods",
    ),
    (
        "charge-against-voltage",
        "the state of charge does not fit the voltage at rest, on a steep part of the curve",
    ),
    (
        "modules-unlike-charge",
        "sister modules report states of charge that are far apart",
    ),
    (
        "insulation-not-judged",
        "an insulation value is shown beside vehicle rules; the profile has no limit for it",
    ),
    (
        "terminals-decay",
        "the terminals still carry voltage, and it is falling: capacitors discharge; never taken for safe",
    ),
    (
        "bad-line",
        "answers are damaged, late or refused as busy more often than by accident",
    ),
];

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
        findings.push(notice(
            "ever-heard-unknown",
            unit,
            "no point tells whether the inverter was heard before: a lost cable and a first commissioning look the same",
        ));
    }
    if we_hold_its_socket(facts) {
        findings.push(notice(
            "we-hold-its-socket",
            unit,
            "the laptop sits in the inverter's socket, so the inverter was silenced by us",
        ));
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
        findings.push(notice(
            "flat-curve",
            unit,
            "on the flat part of the LFP curve (30 to 90 %) alike cell voltages do not show equal charge",
        ));
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
    let too_old: Vec<String> = profile
        .inverter_families
        .iter()
        .filter(|family| version(&firmware) < version(&family.firmware_from))
        .map(|family| format!("{} needs {}", family.name.clean(), family.firmware_from))
        .collect();
    if !too_old.is_empty() {
        let text = format!(
            "firmware {firmware} is too old for some inverter families: {}",
            too_old.join("; ")
        );
        let mut found = notice("firmware-below-minimum", unit, &text);
        found.severity = Severity::Warning;
        findings.push(found);
    }
}

/// A remark.
pub(crate) fn notice(id: &'static str, unit: u8, text: &str) -> Finding {
    Finding {
        id,
        class: None,
        severity: Severity::Notice,
        source: Source::Measured,
        root: false,
        follows_from: None,
        lies_in: LiesIn::Unknown,
        clears: None,
        unit,
        place: Place::default(),
        text: text.to_owned(),
        to_do: String::new(),
        since: None,
        returned: false,
        sure: Certainty::Open,
        disposition: None,
        deciding: None,
    }
}
