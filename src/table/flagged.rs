//! What the words of a bit or a value say: the class of a flag, the kind of a state.
//!
//! Does not: take a silent module for a silent inverter: only words that name the inverter do that.

use packside_profiles::model::{LiesIn, Severity};
use packside_profiles::{Class, StateKind};

use super::words::{Notion as N, understood};

/// A class with how sure it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Classed {
    pub(super) class: Class,
    pub(super) is_sure: bool,
}

/// The class of a flag by its words; what is not understood is some fault.
pub(super) fn class(text: &str) -> Classed {
    let w = understood(text);
    let over = w.any(&[N::Over, N::Max]);
    let under = w.any(&[N::Under, N::Min]);
    let is = |class| Some(class);
    let place = w.any(&[N::Cell, N::Module]);
    let class = if w.has(N::Short) {
        is(Class::ShortCircuit)
    } else if w.has(N::Inverter) && w.any(&[N::Heard, N::Lost, N::Heartbeat]) {
        is(Class::InverterSilent)
    } else if w.has(N::Inside) || (w.has(N::Heard) && w.any(&[N::Module, N::Cell])) {
        is(Class::InternalCommunication)
    } else if w.has(N::Insul) {
        is(Class::InsulationLow)
    } else if w.has(N::Precharge) {
        is(Class::PrechargeFailed)
    } else if w.has(N::Fuse) {
        is(Class::FuseOpen)
    } else if w.has(N::Temp) && (w.any(&[N::Diff, N::Imbalance])) {
        is(Class::TemperatureImbalance)
    } else if w.has(N::Temp) && over != under && !w.has(N::Sensor) {
        is(if over {
            Class::OverTemperature
        } else {
            Class::UnderTemperature
        })
    } else if w.has(N::Sensor) {
        is(Class::SensorFault)
    } else if over && (w.has(N::Amp) || (w.has(N::Present) && !w.any(&[N::Volt, N::Soc]))) {
        is(Class::OverCurrent)
    } else if w.has(N::Imbalance) || (w.has(N::Diff) && w.any(&[N::Volt, N::Cell])) {
        is(Class::CellImbalance)
    } else if w.has(N::Volt) && over != under {
        is(match (place, over) {
            (true, true) => Class::CellOverVoltage,
            (true, false) => Class::CellUnderVoltage,
            (false, true) => Class::PackOverVoltage,
            (false, false) => Class::PackUnderVoltage,
        })
    } else if w.has(N::Soc) && under {
        is(Class::LowCharge)
    } else if w.has(N::Switch) {
        is(Class::SwitchFault)
    } else if w.any(&[N::Configuration]) {
        is(Class::ConfigurationFault)
    } else if w.has(N::ControlUnit) {
        is(Class::ControlUnitFault)
    } else if w.has(N::Door) {
        is(Class::DoorOpen)
    } else if w.has(N::Button) {
        is(Class::OffButton)
    } else {
        None
    };
    Classed {
        class: class.unwrap_or(Class::OtherFault),
        // A switch that is open is a status, one that welds is a fault.
        is_sure: class.is_some()
            && w.unknown.is_empty()
            && !matches!(class, Some(Class::SwitchFault) if !w.any(&[N::Fault, N::Lost])),
    }
}

/// Whether the words say that a bit is nothing.
pub(super) fn is_reserved(text: &str) -> bool {
    let w = understood(text);
    w.has(N::Reserved)
        && w.notions.iter().all(|n| {
            matches!(
                n,
                N::Reserved | N::Word | N::Filler | N::Of | N::Under | N::Min
            )
        })
}

/// How grave a flag of this class is in a word of alarms.
pub(super) fn severity(class: Class, in_alarms: bool) -> Severity {
    if class.is_status() {
        Severity::Notice
    } else if in_alarms && class != Class::InverterSilent {
        Severity::Alarm
    } else {
        Severity::Warning
    }
}

/// Where the reason of a flag of this class lies, as far as the class alone tells.
pub(super) fn lies_in(class: Class) -> LiesIn {
    match class {
        Class::InverterSilent => LiesIn::InverterSide,
        _ => LiesIn::Unknown,
    }
}

/// What a named value of a state means.
pub(super) fn state(text: &str) -> Option<StateKind> {
    let w = understood(text);
    if !w.unknown.is_empty() {
        return None;
    }
    let kinds = [
        (N::SelfTest, StateKind::SelfTest),
        (N::Precharge, StateKind::Precharge),
        (N::Fault, StateKind::Fault),
        (N::Protect, StateKind::Fault),
        (N::Waiting, StateKind::Waiting),
        (N::Maintenance, StateKind::Maintenance),
        (N::Stopping, StateKind::Stopping),
        (N::Standby, StateKind::Standby),
        (N::Off, StateKind::Off),
        (N::Charge, StateKind::Running),
        (N::Discharge, StateKind::Running),
        (N::Running, StateKind::Running),
    ];
    kinds
        .iter()
        .find(|(notion, _)| w.has(*notion))
        .map(|(_, kind)| *kind)
}

#[cfg(test)]
mod tests {
    use super::*;

    // Kind: invented
    #[test]
    fn alarms_are_classed_by_their_words() {
        for (text, class) in [
            ("cell overvoltage", Class::CellOverVoltage),
            ("Zelle Unterspannung", Class::CellUnderVoltage),
            ("单体欠压", Class::CellUnderVoltage),
            ("总压过压", Class::PackOverVoltage),
            ("放电过流", Class::OverCurrent),
            ("discharge over current", Class::OverCurrent),
            ("Überstrom Entladen", Class::OverCurrent),
            ("court-circuit", Class::ShortCircuit),
            ("comunicazione inverter persa", Class::InverterSilent),
            ("内部通讯故障", Class::InternalCommunication),
            ("isolement faible", Class::InsulationLow),
            ("Schützfehler", Class::SwitchFault),
            ("fallo de sensor", Class::SensorFault),
            ("sottotemperatura", Class::UnderTemperature),
            ("低温", Class::UnderTemperature),
            ("fusible abierto", Class::FuseOpen),
        ] {
            assert_eq!(class_of(text), class, "{text}");
        }
        let vague = class_of("communication fault");
        assert_ne!(vague, Class::InverterSilent);
        assert!(!super::class("zorbel tripped").is_sure);
    }

    fn class_of(text: &str) -> Class {
        super::class(text).class
    }

    // Kind: invented
    #[test]
    fn states_are_told_by_their_words() {
        for (text, kind) in [
            ("self-test", StateKind::SelfTest),
            ("自检", StateKind::SelfTest),
            ("attente", StateKind::Waiting),
            ("pre-charge", StateKind::Precharge),
            ("standby", StateKind::Standby),
            ("in funzione", StateKind::Running),
            ("discharging", StateKind::Running),
            ("défaut", StateKind::Fault),
            ("故障", StateKind::Fault),
            ("spento", StateKind::Off),
            ("arrêt", StateKind::Off),
        ] {
            assert_eq!(state(text), Some(kind), "{text}");
        }
        assert_eq!(state("zorbel"), None);
    }
}
