//! Words of the page: verdicts, classes and findings for people who do not read registers, and times.
//!
//! Does not: decide which of them applies.

use std::time::Duration;

use jiff::tz::{Offset, TimeZone};
use jiff::{SignedDuration, Timestamp};
use packside_profiles::Class;
use packside_profiles::model::{LiesIn, Needs, Severity};

use crate::facts::{FactKind, Finding, VerdictKind};
use crate::recording::Start;

/// Heading of a verdict.
pub(crate) fn verdict(kind: VerdictKind) -> &'static str {
    match kind {
        VerdictKind::Normal => "In service",
        VerdictKind::NotReady => "Not ready",
        VerdictKind::Fault => "Real fault",
        VerdictKind::AwaitingInverter => "Waiting for the inverter",
        VerdictKind::InverterLost => "Inverter lost",
        VerdictKind::BusProblem => "No answer",
        VerdictKind::Undecided => "Not settled",
    }
}

/// What a verdict means to somebody who lives with the unit.
pub(crate) fn verdict_for_customer(kind: VerdictKind) -> &'static str {
    match kind {
        VerdictKind::Normal => {
            "The battery and the inverter talk to each other; no fault seen so far."
        }
        VerdictKind::NotReady => {
            "No defect was seen, but something keeps the battery from running at present."
        }
        VerdictKind::Fault => {
            "The battery reports or shows a fault. It stays as it is until a qualified person has dealt with it."
        }
        VerdictKind::AwaitingInverter => {
            "No fault of the battery was found so far. It waits for the inverter to talk to it."
        }
        VerdictKind::InverterLost => {
            "No fault of the battery was found so far. The inverter talked to it before and is silent now."
        }
        VerdictKind::BusProblem => {
            "The battery gave no readable answer. That says nothing about the battery, good or bad."
        }
        VerdictKind::Undecided => {
            "It could not be settled whether the battery is sound. The next step below will settle it."
        }
    }
}

/// The kind with this id.
pub(crate) fn kind_of(id: &str) -> Option<VerdictKind> {
    VerdictKind::ALL.into_iter().find(|kind| kind.id() == id)
}

/// Sign of a verdict: a shape, so that it does not hang on colour; and the class of its colour,
/// with the meaning of IEC 60073: red danger, yellow abnormal, green normal, none undetermined.
pub(crate) fn sign(kind: Option<VerdictKind>) -> (&'static str, &'static str) {
    match kind {
        Some(VerdictKind::Normal) => ("\u{25cf}", "sign green"),
        Some(VerdictKind::Fault) => ("\u{25a0}", "sign red"),
        Some(VerdictKind::NotReady | VerdictKind::AwaitingInverter | VerdictKind::InverterLost) => {
            ("\u{25b2}", "sign yellow")
        }
        Some(VerdictKind::BusProblem | VerdictKind::Undecided) | None => ("?", "sign plain"),
    }
}

/// A severity as shape and word.
pub(crate) fn severity(severity: Severity) -> &'static str {
    match severity {
        Severity::Alarm => "\u{25a0} alarm",
        Severity::Warning => "\u{25b2} warning",
        Severity::Notice => "\u{00b7} note",
    }
}

/// Where something lies.
pub(crate) fn lies_in(lies_in: LiesIn) -> &'static str {
    match lies_in {
        LiesIn::Module => "battery module",
        LiesIn::ControlUnit => "control unit",
        LiesIn::Connection => "cable or connector",
        LiesIn::InverterSide => "inverter side",
        LiesIn::SiteCondition => "condition at the site",
        LiesIn::Operator => "switched so",
        LiesIn::Unknown => "not known",
    }
}

/// What a step needs.
pub(crate) fn needs(needs: Needs) -> &'static str {
    match needs {
        Needs::Look => "look only",
        Needs::Operate => "operate the inverter",
        Needs::LowVoltage => "low voltage",
        Needs::UnitOff => "unit off",
        Needs::LiveDc => "live DC",
    }
}

/// Where in the unit: `module 2, cell 14`.
pub(crate) fn place(finding: &Finding) -> String {
    match crate::words::whereabouts(finding.whereabouts()) {
        place if place.is_empty() => "unit".to_owned(),
        place => place,
    }
}

/// A finding in plain words.
pub(crate) fn finding_for_customer(finding: &Finding) -> &'static str {
    use Class as C;
    match finding.class {
        Some(C::CellOverVoltage) => "a cell has a higher voltage than it may have",
        Some(C::CellUnderVoltage) => "a cell has a lower voltage than it should have",
        Some(C::CellBelowMinimum) => {
            "a cell is so low, or cannot be read, that the battery must not be charged"
        }
        Some(C::CellResistance) => "a cell gives way under current",
        Some(C::CellImbalance) => "cells are further apart than they should be",
        Some(C::PackOverVoltage) => "the battery voltage is too high",
        Some(C::PackUnderVoltage) => "the battery voltage is low",
        Some(C::OverTemperature) => "a part of the battery is too hot",
        Some(C::UnderTemperature) => "the battery is too cold to run",
        Some(C::TemperatureImbalance) => "temperatures are further apart than they should be",
        Some(C::ChargingOutside) => {
            "the battery is being charged while it is too cold or too hot for that"
        }
        Some(C::OverCurrent) => "the current was higher than it may be",
        Some(C::ShortCircuit) => "a short circuit was seen",
        Some(C::LowCharge) => "the battery holds too little charge to run",
        Some(C::InsulationLow) => {
            "the insulation against earth is too low; the reason may lie on the inverter's side"
        }
        Some(C::SwitchFault) => "a main switch does not do what it should",
        Some(C::PrechargeFailed) => "the start towards the inverter did not finish",
        Some(C::FuseOpen) => "the main fuse is open",
        Some(C::SensorFault) => "a sensor or its wire gives no sensible value",
        Some(C::InternalCommunication) => "parts inside the battery do not talk to each other",
        Some(C::ConfigurationFault) => "modules do not fit together, or are in the wrong order",
        Some(C::ControlUnitFault) => "the control unit of the battery has a fault",
        Some(C::FanFault) => "a fan does not turn",
        Some(C::DoorOpen) => "the enclosure is open",
        Some(C::OffButton) => "the off button is pressed",
        Some(C::Maintenance) => "the battery is switched to maintenance",
        Some(C::Disabled) => "the battery is switched off by an operator or a controller",
        Some(C::NeedsCheck) => "something must be looked at before it can be judged",
        Some(C::InverterSilent) => "the inverter has not been heard by the battery",
        Some(C::SwitchesOpen) => "the main switches are open",
        Some(C::TerminalsDead) => {
            "the battery gives no voltage to the inverter (no proof that nothing is live)"
        }
        Some(C::LimitsZero) => "the battery allows no current at present",
        Some(C::NotReadyStatus) => "the battery is not ready to run",
        Some(C::Derating) => "the battery allows less power than usual",
        Some(C::Balancing) => "cells are being evened out",
        Some(C::OtherFault) => "the battery reports a fault without saying which",
        None => remark_for_customer(finding.fact.kind()),
    }
}

fn remark_for_customer(kind: FactKind) -> &'static str {
    match kind {
        FactKind::EverHeardUnknown => "it is not known whether the inverter was ever connected",
        FactKind::WeHoldItsSocket => "the inverter's cable was unplugged for this visit",
        FactKind::FlatCurve => {
            "at this charge alike voltages do not prove that the cells are alike"
        }
        FactKind::FirmwareTooOld => "the software of the battery is older than the inverter needs",
        FactKind::MemberMissing => "a part of the battery did not answer",
        FactKind::LampContradicts => "the lamp shows something else than the battery says",
        _ => "a remark for the technician",
    }
}

/// How far the unit's clock is off; `named`: the register map names one.
pub(crate) fn clock_error(error: Option<f64>, named: bool) -> String {
    let Some(error) = error else {
        return match named {
            true => "not compared: it was not read, or it is not known when".to_owned(),
            false => "not compared: the register map names no clock".to_owned(),
        };
    };
    // It counts whole seconds, and its answer takes a while.
    if error.abs() <= 2.0 {
        return "as this computer's, to 2 s".to_owned();
    }
    let way = if error < 0.0 { "behind" } else { "ahead of" };
    let Ok(by) = Duration::try_from_secs_f64(error.abs()) else {
        return "not a time".to_owned();
    };
    let seconds = by.as_secs();
    let long = match (seconds / 86_400, seconds / 3600, seconds / 60) {
        (0, 0, 0) => format!("{seconds} s"),
        (0, 0, minutes) => format!("{minutes} min {} s", seconds % 60),
        (0, hours, minutes) => format!("{hours} h {} min", minutes % 60),
        (days, hours, _) => format!("{days} days {} h", hours % 24),
    };
    format!("about {long} {way} this computer's: times in its own log are off by that")
}

/// Local wall clock at a moment of a session: `2026-11-25 14:03:20 +01:00`.
pub(crate) fn local(start: &Start, at: Duration) -> String {
    local_as(start, at, "%Y-%m-%d %H:%M:%S %:z").unwrap_or_else(|| start.utc.clone())
}

/// The same for programs, by RFC 3339: `2026-11-25T14:03:20.250+01:00`.
pub(crate) fn rfc3339(start: &Start, at: Duration) -> String {
    local_as(start, at, "%Y-%m-%dT%H:%M:%S%.3f%:z").unwrap_or_else(|| start.utc.clone())
}

/// Only the time of day: `14:03`.
pub(crate) fn local_time(start: &Start, at: Duration) -> String {
    local_as(start, at, "%H:%M").unwrap_or_default()
}

fn local_as(start: &Start, at: Duration, form: &str) -> Option<String> {
    let begun: Timestamp = start.utc.parse().ok()?;
    let moment = begun.checked_add(SignedDuration::try_from(at).ok()?).ok()?;
    let offset = Offset::from_seconds(start.offset_minutes.checked_mul(60)?).ok()?;
    let zoned = moment.to_zoned_datetime(TimeZone::fixed(offset));
    Some(zoned.strftime(form).to_string())
}

/// Time since the session began: `0:07.3`, `1:23:45`.
pub(crate) fn since(at: Duration) -> String {
    let seconds = at.as_secs();
    let (hours, minutes, rest) = (seconds / 3600, seconds / 60 % 60, seconds % 60);
    if hours > 0 {
        format!("{hours}:{minutes:02}:{rest:02}")
    } else {
        format!("{minutes}:{rest:02}.{}", at.subsec_millis() / 100)
    }
}

/// An id as words: `pre-charge` is kept, underscores go.
pub(crate) fn named(id: &str) -> String {
    id.replace('_', " ")
}

/// Physical units as written on paper.
pub(crate) fn unit(unit: &str) -> &str {
    match unit {
        "degC" => "\u{b0}C",
        "kOhm" => "k\u{3a9}",
        "Ohm" => "\u{3a9}",
        other => other,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn start(utc: &str, offset_minutes: i32) -> Start {
        Start {
            utc: utc.to_owned(),
            offset_minutes,
        }
    }

    #[test]
    fn local_time_carries_its_offset_across_midnight() {
        // Kind: derived. 23:59:30 UTC + 90 s = 00:01:00 UTC, one hour later in UTC+1.
        let start = start("2026-11-25T23:59:30Z", 60);
        assert_eq!(
            local(&start, Duration::from_secs(90)),
            "2026-11-26 01:01:00 +01:00"
        );
        assert_eq!(local_time(&start, Duration::from_secs(90)), "01:01");
        assert_eq!(
            rfc3339(&start, Duration::from_millis(90_250)),
            "2026-11-26T01:01:00.250+01:00"
        );
    }

    #[test]
    fn clock_of_the_unit_is_told_in_two_units_at_most() {
        // Kind: derived. 2220 s = 37 min; 90,061 s = one day, one hour and 61 s.
        let told = |error| clock_error(Some(error), true);
        assert_eq!(told(-1.4), "as this computer's, to 2 s");
        assert!(told(-2220.3).starts_with("about 37 min 0 s behind this computer's"));
        assert!(told(90_061.0).starts_with("about 1 days 1 h ahead of this"));
        assert!(clock_error(None, false).contains("names no clock"));
        assert_eq!(told(f64::MAX), "not a time");
    }

    #[test]
    fn unreadable_clock_is_shown_as_it_stands() {
        let start = start("yesterday", 60);
        assert_eq!(local(&start, Duration::MAX), "yesterday");
        assert_eq!(local_time(&start, Duration::ZERO), "");
    }

    #[test]
    fn time_since_the_start_is_short() {
        assert_eq!(since(Duration::from_millis(7_300)), "0:07.3");
        assert_eq!(since(Duration::from_secs(5_025)), "1:23:45");
    }
}
