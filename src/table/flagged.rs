//! What the words of a bit or a value say: the class of a flag, the kind of a state.
//!
//! Does not: take a silent module for a silent inverter: only words that name the inverter do that.

use packside_profiles::model::{LiesIn, Severity};
use packside_profiles::{Class, StateKind};

use super::text::{Part, parts};
use super::words::{Notion as N, Understood, understood};

/// A class with how sure it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Classed {
    pub(super) class: Class,
    pub(super) is_sure: bool,
}

/// The class of a flag by its words; what is not understood is some fault.
pub(super) fn class(text: &str) -> Classed {
    let w = understood(text);
    let class = classes(&w);
    Classed {
        class: class.unwrap_or(Class::OtherFault),
        is_sure: class.is_some_and(|class| is_sure(class, &w)) && !denies(text),
    }
}

/// Whether the text begins with `no`, and not with the number of something.
fn denies(text: &str) -> bool {
    match parts(text).as_slice() {
        [Part::Word(no), Part::Word(_), ..] if no == "no" => true,
        [Part::Word(first), ..] => first.starts_with('无'),
        _ => false,
    }
}

fn classes(w: &Understood) -> Option<Class> {
    let over = w.any(&[N::Over, N::Max]);
    let under = w.any(&[N::Under, N::Min]);
    let in_stack = w.any(&[N::Cell, N::Module]);
    let speaks = w.any(&[N::Heard, N::Lost, N::Heartbeat]);
    let is_switch = w.any(&[N::Switch, N::Board]);
    // The voltage of a grid, a fan or a clock is none of the battery's.
    let is_elsewhere = w.any(&[N::Alien, N::Inverter, N::Clock]) && !in_stack;
    let class = if w.has(N::Sensor) && w.has(N::Short) {
        Class::SensorFault
    } else if is_switch && w.any(&[N::Short, N::Welded]) {
        Class::SwitchFault
    } else if w.has(N::Short) {
        Class::ShortCircuit
    } else if w.any(&[N::Below, N::Inside]) && speaks {
        Class::InternalCommunication
    } else if w.has(N::Inverter) && speaks {
        Class::InverterSilent
    } else if w.has(N::Inside) || (w.has(N::Heard) && in_stack) {
        Class::InternalCommunication
    } else if w.has(N::Insul) {
        Class::InsulationLow
    } else if w.has(N::Precharge) {
        Class::PrechargeFailed
    } else if w.has(N::Fuse) {
        Class::FuseOpen
    } else if w.has(N::Temp) && w.any(&[N::Diff, N::Imbalance]) {
        Class::TemperatureImbalance
    } else if w.has(N::Temp) && over != under && !w.has(N::Sensor) {
        if over {
            Class::OverTemperature
        } else {
            Class::UnderTemperature
        }
    } else if w.has(N::Sensor) {
        Class::SensorFault
    } else if w.has(N::Fan) {
        Class::FanFault
    } else if over && (w.has(N::Amp) || (w.has(N::Present) && !w.any(&[N::Volt, N::Soc]))) {
        Class::OverCurrent
    } else if w.has(N::Imbalance) || (w.has(N::Diff) && w.any(&[N::Volt, N::Cell])) {
        Class::CellImbalance
    } else if w.has(N::Volt) && over != under && !is_elsewhere {
        match (in_stack, over) {
            (true, true) => Class::CellOverVoltage,
            (true, false) => Class::CellUnderVoltage,
            (false, true) => Class::PackOverVoltage,
            (false, false) => Class::PackUnderVoltage,
        }
    } else if w.has(N::Soc) && under {
        Class::LowCharge
    } else if w.has(N::Switch) {
        Class::SwitchFault
    } else if w.has(N::Configuration) {
        Class::ConfigurationFault
    } else if w.has(N::ControlUnit) {
        Class::ControlUnitFault
    } else if w.has(N::Door) {
        Class::DoorOpen
    } else if w.has(N::Button) {
        Class::OffButton
    } else {
        return None;
    };
    Some(class)
}

/// Whether the words leave no other class, and say that something is the matter.
fn is_sure(class: Class, w: &Understood) -> bool {
    let turned = w.any(&[N::Not, N::Nothing]) && !w.has(N::Heard);
    let is_over = w.any(&[N::Ended, N::Reserved]);
    let says_wrong = w.any(&[N::Fault, N::Lost, N::Short, N::Welded]);
    let fits = match class {
        // What is above the battery need not be the inverter, and a real fault must not hide behind it.
        Class::InverterSilent => !w.has(N::Above),
        // A switch that is open is a status, one that welds is a fault.
        Class::SwitchFault | Class::FanFault => says_wrong,
        // A stage of every start.
        Class::PrechargeFailed => says_wrong || w.notions.len() > 1,
        // A module is not a cell.
        Class::CellOverVoltage | Class::CellUnderVoltage => w.has(N::Cell),
        // A memory that is full is no broken one.
        Class::ControlUnitFault => !w.has(N::Full),
        // Of heaters and grids.
        Class::OverCurrent | Class::OverTemperature | Class::UnderTemperature => {
            !w.any(&[N::Alien, N::Inverter])
        }
        _ => true,
    };
    w.unknown.is_empty() && !turned && !is_over && fits
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
        for text in [
            "zorbel tripped",
            "no short circuit",
            "fuse ok",
            "reserved for over temperature",
            "grid overvoltage",
            "master communication lost",
        ] {
            assert!(!super::class(text).is_sure, "{text}");
        }
        let master_and_slave = class_of("Master-slave communication lost");
        assert_eq!(master_and_slave, Class::InternalCommunication);
        assert_eq!(class_of("NTC short circuit"), Class::SensorFault);
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
