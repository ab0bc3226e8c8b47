//! From what a row speaks of to what its register is for.
//!
//! # Why so strict
//! A wrong role is worse than none: a threshold taken for a measurement, a heater taken for the pack. So a role
//! is given only where every word of the row is known and they leave one meaning; whatever is not sure stays
//! open, with the roles that it may have.

use packside_profiles::Role;

use super::scale::Measure;
use super::supposed::{About, supposed, texts};
use super::words::{Notion as N, Understood};

/// What a row is for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Meaning {
    /// This.
    Sure(Role),
    /// One of these, or nothing of interest.
    Perhaps(Vec<Role>),
    /// Nothing that has a role.
    Other,
    /// Says itself that it is nothing.
    Reserved,
}

/// Decides what a row is for.
pub(super) fn of(words: &Understood, about: About) -> Meaning {
    if words.has(N::Reserved)
        && words
            .notions
            .iter()
            .all(|n| matches!(n, N::Reserved | N::Word | N::Filler | N::Of))
    {
        return Meaning::Reserved;
    }
    let meaning = measured(words, about)
        .or_else(|| identity(words, about))
        .or_else(|| signs(words, about))
        .unwrap_or_else(|| {
            if words.unknown.is_empty() && !words.notions.is_empty() {
                Meaning::Other
            } else {
                Meaning::Perhaps(Vec::new())
            }
        });
    // A word that is not known may turn the meaning round, and so does `not`. What is measured cannot be written.
    let in_doubt = !words.unknown.is_empty() || words.has(N::Not) || about.is_set;
    // `Zelle mit höchster Spannung` without a unit is which cell it is.
    let in_doubt = in_doubt || (about.is_without_unit && words.any(&[N::Max, N::Min]));
    match meaning {
        Meaning::Sure(role) if in_doubt => Meaning::Perhaps(vec![role]),
        // Whatever it is called: it is not nothing.
        Meaning::Other if about.says_trouble => {
            Meaning::Perhaps(vec![Role::AlarmWord, Role::WarningWord, Role::LatchedWord])
        }
        // A text of which its words do not say what it is.
        Meaning::Other | Meaning::Perhaps(_) if about.is_text => {
            match (texts(words, about), meaning) {
                (roles, Meaning::Other) if roles.is_empty() => Meaning::Other,
                (roles, _) => Meaning::Perhaps(roles),
            }
        }
        Meaning::Perhaps(mut roles) if !words.unknown.is_empty() => {
            let more = supposed(words, about).into_iter();
            let more: Vec<Role> = more.filter(|role| !roles.contains(role)).collect();
            roles.extend(more);
            Meaning::Perhaps(roles)
        }
        meaning => meaning,
    }
}

/// Whether a number is not that of the whole stack and now: the highest ever, the last before, that of one slave.
fn is_of_another(w: &Understood) -> bool {
    w.any(&[N::Ever, N::Stored, N::Clock, N::Below])
        || (w.has(N::Cumul) && w.any(&[N::Max, N::Min]))
}

fn sure(role: Role) -> Option<Meaning> {
    Some(Meaning::Sure(role))
}

fn perhaps(roles: &[Role]) -> Option<Meaning> {
    Some(Meaning::Perhaps(roles.to_vec()))
}

/// What is measured, with its place and which of several it is.
fn measured(w: &Understood, about: About) -> Option<Meaning> {
    let says_alarm =
        w.any(&[N::Alarm, N::Warning, N::Fault, N::State]) && (about.has_bits || about.has_values);
    // A time is none of what is measured, whatever it is the time of.
    let is_other = about.is_text || about.measure == Some(Measure::Second);
    if says_alarm || is_other || w.any(&[N::Serial, N::Version, N::Firmware, N::Cycle]) {
        return None;
    }
    // The number of a cell, not its voltage.
    let counts = w.has(N::Count) && about.measure.is_none();
    if counts || (w.has(N::Index) && w.any(&[N::Max, N::Min]) && about.measure.is_none()) {
        return None;
    }
    let is =
        |notion, measure| w.has(notion) || (about.measure == Some(measure) && !has_quantity(w));
    if w.has(N::Soc) || w.has(N::Soh) || is_share(w, about) {
        return charge_or_health(w);
    }
    if w.has(N::Insul) {
        return match (
            w.has(N::Valid),
            w.any(&[N::Limit, N::Protect, N::Alarm, N::Fault, N::Warning]),
        ) {
            (true, _) => sure(Role::InsulationValid),
            (false, false) if about.measure == Some(Measure::Ohm) => sure(Role::Insulation),
            (false, false) => perhaps(&[Role::Insulation]),
            _ => Some(Meaning::Other),
        };
    }
    if w.any(&[
        N::Alien,
        N::Nominal,
        N::Resist,
        N::Energy,
        N::Humidity,
        N::Pressure,
        N::Frequency,
    ]) || w.has(N::Capacity)
    {
        return w.unknown.is_empty().then_some(Meaning::Other);
    }
    if is(N::Volt, Measure::Volt) {
        return volts(w, about);
    }
    let is_current = w.has(N::Present)
        && matches!(about.measure, Some(Measure::Amp) | None)
        && !has_quantity(w)
        && !w.any(&[N::State, N::Fault, N::Alarm, N::Clock]);
    if is(N::Amp, Measure::Amp) || is_current {
        return amps(w);
    }
    if is(N::Power, Measure::Watt) {
        let elsewhere = w.any(&[
            N::Module,
            N::Cell,
            N::Limit,
            N::Protect,
            N::Max,
            N::Min,
            N::Inverter,
            N::Avg,
        ]);
        // One of both is what is allowed, or flows one way; both are the power with its sign.
        return if elsewhere || w.has(N::Charge) != w.has(N::Discharge) {
            Some(Meaning::Other)
        } else {
            sure(Role::PackPower)
        };
    }
    let celsius = is(N::Temp, Measure::Celsius) || is(N::Temp, Measure::Kelvin);
    celsius.then(|| degrees(w, about)).flatten()
}

/// Whether a charge, a capacity or an energy is given as a share: then it is what is left of a full one.
fn is_share(w: &Understood, about: About) -> bool {
    about.measure == Some(Measure::Percent)
        && w.any(&[N::Charge, N::Capacity, N::Energy, N::Remaining])
        && !w.any(&[
            N::Discharge,
            N::Nominal,
            N::Full,
            N::Cumul,
            N::Amp,
            N::Volt,
            N::Power,
            N::Temp,
            N::Resist,
            N::Humidity,
            N::Balance,
            N::Imbalance,
        ])
}

fn has_quantity(w: &Understood) -> bool {
    w.any(&[
        N::Volt,
        N::Amp,
        N::Power,
        N::Temp,
        N::Soc,
        N::Soh,
        N::Capacity,
        N::Energy,
        N::Resist,
        N::Insul,
        N::Humidity,
        N::Pressure,
        N::Frequency,
        N::Cycle,
        N::Uptime,
        N::Heartbeat,
    ])
}

fn charge_or_health(w: &Understood) -> Option<Meaning> {
    if w.any(&[
        N::Limit,
        N::Protect,
        N::Alarm,
        N::Warning,
        N::Fault,
        N::Max,
        N::Min,
        N::Avg,
        N::Diff,
        N::Cell,
        N::Alien,
    ]) {
        return Some(Meaning::Other);
    }
    match (!w.has(N::Soh), w.has(N::Module)) {
        (true, true) => sure(Role::ModuleSoc),
        (true, false) => sure(Role::Soc),
        (false, true) => Some(Meaning::Other),
        (false, false) => sure(Role::Soh),
    }
}

fn volts(w: &Understood, about: About) -> Option<Meaning> {
    // At the terminals, on the inverter's side of the switches.
    let is_theirs = w.has(N::Inverter) && !w.has(N::Terminal);
    if is_theirs || is_of_another(w) {
        return Some(Meaning::Other);
    }
    if w.any(&[
        N::Limit,
        N::Protect,
        N::Charge,
        N::Discharge,
        N::Diff,
        N::Avg,
        N::Over,
        N::Under,
        N::Valid,
        N::Count,
        N::Heard,
    ]) || w.any(&[
        N::Alarm,
        N::Warning,
        N::Fault,
        N::Board,
        N::Ambient,
        N::Balance,
        N::Precharge,
    ]) {
        return Some(Meaning::Other);
    }
    match (w.has(N::Max), w.has(N::Min)) {
        (true, true) => return perhaps(&[]),
        (true, false) if w.has(N::Cell) && w.has(N::Module) && about.several > 1 => {
            return Some(Meaning::Other);
        }
        (false, true) if w.has(N::Cell) && w.has(N::Module) && about.several > 1 => {
            return Some(Meaning::Other);
        }
        (true, false) if w.has(N::Cell) => return sure(Role::CellVoltageMax),
        (false, true) if w.has(N::Cell) => return sure(Role::CellVoltageMin),
        (true, false) if w.any(&[N::Module, N::Pack, N::Terminal]) => return Some(Meaning::Other),
        (false, true) if w.any(&[N::Module, N::Pack, N::Terminal]) => return Some(Meaning::Other),
        (true, false) => return perhaps(&[Role::CellVoltageMax]),
        (false, true) => return perhaps(&[Role::CellVoltageMin]),
        (false, false) => {}
    }
    if w.has(N::Cell) {
        return if about.several > 1 {
            sure(Role::CellVoltage)
        } else {
            perhaps(&[Role::CellVoltage])
        };
    }
    if w.has(N::Module) {
        return sure(Role::ModuleVoltage);
    }
    match (w.has(N::Terminal), w.has(N::Pack)) {
        (true, _) => sure(Role::TerminalVoltage),
        (false, true) if about.several > 1 => perhaps(&[Role::ModuleVoltage, Role::PackVoltage]),
        (false, true) => sure(Role::PackVoltage),
        (false, false) if about.several > 1 => perhaps(&[Role::CellVoltage, Role::ModuleVoltage]),
        (false, false) => perhaps(&[Role::PackVoltage, Role::TerminalVoltage]),
    }
}

fn amps(w: &Understood) -> Option<Meaning> {
    if w.any(&[
        N::Protect,
        N::Nominal,
        N::Over,
        N::Under,
        N::Short,
        N::Stored,
        N::Avg,
        N::Diff,
        N::Cell,
        N::Balance,
        N::Inverter,
        N::Board,
        N::Precharge,
    ]) || w.any(&[N::Alarm, N::Warning, N::Fault])
    {
        return Some(Meaning::Other);
    }
    let limits = w.any(&[N::Limit, N::Max]);
    let none_or_several = w.has(N::Charge) == w.has(N::Discharge);
    if limits && w.has(N::Module) {
        return Some(Meaning::Other);
    }
    if limits && !none_or_several {
        return sure(if w.has(N::Charge) {
            Role::ChargeLimit
        } else {
            Role::DischargeLimit
        });
    }
    if limits || w.has(N::Min) {
        return perhaps(&[Role::ChargeLimit, Role::DischargeLimit]);
    }
    if w.has(N::Module) {
        return Some(Meaning::Other);
    }
    if none_or_several {
        return sure(Role::PackCurrent);
    }
    // The current while charging, or the largest that is allowed?
    let limit = if w.has(N::Charge) {
        Role::ChargeLimit
    } else {
        Role::DischargeLimit
    };
    perhaps(&[Role::PackCurrent, limit])
}

fn degrees(w: &Understood, about: About) -> Option<Meaning> {
    if is_of_another(w) {
        return Some(Meaning::Other);
    }
    if w.any(&[
        N::Limit,
        N::Protect,
        N::Diff,
        N::Avg,
        N::Ambient,
        N::Board,
        N::Inverter,
        N::Over,
        N::Under,
        N::Charge,
        N::Discharge,
        N::Stored,
        N::Alarm,
        N::Warning,
        N::Fault,
        N::Terminal,
        N::Fuse,
        N::Switch,
        N::Precharge,
        N::Balance,
    ]) {
        return Some(Meaning::Other);
    }
    let several = about.several > 1;
    match (w.has(N::Max), w.has(N::Min), w.has(N::Module)) {
        (true, true, _) => perhaps(&[]),
        (true, false, true) | (false, true, true) => Some(Meaning::Other),
        (true, false, false) => sure(Role::CellTemperatureMax),
        (false, true, false) => sure(Role::CellTemperatureMin),
        (false, false, _) if w.any(&[N::Cell, N::Sensor]) && several => sure(Role::CellTemperature),
        // `Module 1 temperature 3`: of one of several places in it.
        (false, false, true) if about.numbers > 1 => sure(Role::CellTemperature),
        (false, false, true) if several => perhaps(&[Role::CellTemperature]),
        (false, false, false) if several => sure(Role::CellTemperature),
        _ => perhaps(&[Role::CellTemperature, Role::CellTemperatureMax]),
    }
}

/// Who it is, and numbers of things.
fn identity(w: &Understood, about: About) -> Option<Meaning> {
    if w.has(N::Serial) && !w.any(&[N::Inverter, N::Maker, N::Cell]) {
        return sure(if w.has(N::Module) {
            Role::ModuleSerial
        } else {
            Role::Serial
        });
    }
    // A text which is the number that somebody who makes or owns devices gave to one.
    let is_numbered = about.is_text && w.has(N::Index) && w.any(&[N::Maker, N::Address]);
    if is_numbered && !w.any(&[N::Inverter, N::Cell, N::Version, N::Firmware, N::Model]) {
        return sure(if w.has(N::Module) {
            Role::ModuleSerial
        } else {
            Role::Serial
        });
    }
    let is_model = about.is_text && w.has(N::Model) && !w.any(&[N::Inverter, N::Cell]);
    if w.has(N::Hardware) || (w.has(N::Maker) && !is_model) {
        return Some(Meaning::Other);
    }
    if w.has(N::Firmware) && !w.has(N::Inverter) {
        return sure(if w.has(N::Module) {
            Role::ModuleFirmware
        } else {
            Role::Firmware
        });
    }
    if w.has(N::Version) && about.measure.is_none() {
        return perhaps(&[Role::Firmware]);
    }
    if w.has(N::Model) && (about.is_text || !about.has_values) && !w.any(&[N::Inverter, N::Cell]) {
        return if about.is_text {
            sure(Role::Model)
        } else {
            perhaps(&[Role::Model])
        };
    }
    if w.has(N::Cycle) {
        return if w.any(&[N::Limit, N::Protect, N::Module, N::Balance]) {
            Some(Meaning::Other)
        } else {
            sure(Role::Cycles)
        };
    }
    if let Some(meaning) = counted(w) {
        return Some(meaning);
    }
    if w.has(N::Address) && !w.any(&[N::Alarm, N::Fault]) {
        return Some(Meaning::Other);
    }
    None
}

/// Numbers of things.
fn counted(w: &Understood) -> Option<Meaning> {
    if w.any(&[N::Count, N::Parallel, N::Index])
        && !w.any(&[
            N::Alarm,
            N::Fault,
            N::Warning,
            N::Heard,
            N::Heartbeat,
            N::Since,
        ])
    {
        let place = w.any(&[N::Max, N::Min, N::Index]) && !w.has(N::Count);
        let elsewhere = w.any(&[
            N::Max,
            N::Min,
            N::Cell,
            N::Sensor,
            N::Temp,
            N::Address,
            N::Alien,
            N::Nominal,
            N::Lost,
        ]);
        return Some(
            match (
                place || elsewhere,
                w.has(N::Module),
                w.any(&[N::Pack, N::Parallel]),
            ) {
                (true, ..) => Meaning::Other,
                (false, true, _) if w.has(N::Count) => Meaning::Sure(Role::ModuleCount),
                (false, false, true) => Meaning::Sure(Role::PackCount),
                _ => Meaning::Perhaps(Vec::new()),
            },
        );
    }
    None
}

/// What the unit says of itself: state, words of alarms, counters, times.
fn signs(w: &Understood, about: About) -> Option<Meaning> {
    if w.has(N::Heartbeat) && !about.has_values {
        return sure(if w.has(N::Inverter) {
            Role::InverterHeartbeat
        } else {
            Role::OwnHeartbeat
        });
    }
    if w.has(N::Inverter) {
        return inverter(w, about);
    }
    if w.has(N::Balance) {
        let bits = about.has_bits || w.any(&[N::State, N::Word]) || about.several > 1;
        return if bits && !w.any(&[N::Amp, N::Volt]) {
            sure(Role::Balancing)
        } else {
            Some(Meaning::Other)
        };
    }
    if w.has(N::Switch) && !w.any(&[N::Fault, N::Alarm, N::Warning]) {
        return if w.any(&[N::State, N::Word]) || about.has_bits || about.has_values {
            sure(Role::Switches)
        } else {
            perhaps(&[Role::Switches])
        };
    }
    if w.any(&[N::Alarm, N::Warning, N::Fault, N::Protect]) && !w.has(N::Count) {
        return Some(alarms(w, about));
    }
    if w.any(&[N::State, N::Running])
        && !w.has(N::Uptime)
        && !w.any(&[
            N::Alien,
            N::Module,
            N::Cell,
            N::Charge,
            N::Discharge,
            N::Fuse,
            N::Door,
        ])
    {
        let state = w.has(N::State) || about.has_values;
        return match (state, about.has_values, about.has_bits) {
            (true, true, _) => sure(Role::State),
            (true, false, true) => perhaps(&[Role::AlarmWord, Role::State]),
            (true, false, false) => perhaps(&[Role::State]),
            _ => None,
        };
    }
    if w.has(N::Uptime) && !w.any(&[N::Cumul, N::Remaining, N::Pack]) {
        return if about.measure == Some(Measure::Second) {
            sure(Role::Uptime)
        } else {
            perhaps(&[Role::Uptime])
        };
    }
    if w.has(N::Clock) {
        let counts =
            about.measure == Some(Measure::Second) && !w.any(&[N::Inverter, N::Fault, N::Alarm]);
        return if counts {
            sure(Role::UnitClock)
        } else {
            perhaps(&[Role::UnitClock])
        };
    }
    None
}

fn inverter(w: &Understood, about: About) -> Option<Meaning> {
    let is_time = about.measure == Some(Measure::Second);
    if w.has(N::Ever) && !is_time {
        return sure(Role::InverterEverHeard);
    }
    if is_time && w.any(&[N::Since, N::Heard]) && !w.any(&[N::Limit, N::Protect]) {
        return sure(Role::InverterAge);
    }
    if w.any(&[N::Heard, N::Lost, N::State]) {
        return perhaps(&[
            Role::InverterFlag,
            Role::InverterAge,
            Role::InverterEverHeard,
        ]);
    }
    None
}

fn alarms(w: &Understood, about: About) -> Meaning {
    if w.any(&[N::Code, N::Index]) && !about.has_bits {
        return if w.has(N::Stored) {
            Meaning::Other
        } else {
            Meaning::Sure(Role::FaultCode)
        };
    }
    let word = if w.has(N::Stored) {
        Role::LatchedWord
    } else if w.has(N::Warning) {
        Role::WarningWord
    } else {
        Role::AlarmWord
    };
    // A threshold is no word of alarms.
    if about.measure.is_some() {
        return Meaning::Other;
    }
    // What was seen since the last clearing comes as bits; nothing else is called so.
    if about.has_bits || word == Role::LatchedWord {
        return Meaning::Sure(word);
    }
    if about.has_values {
        return Meaning::Perhaps(vec![Role::FaultCode, Role::State]);
    }
    Meaning::Perhaps(vec![word, Role::FaultCode])
}
