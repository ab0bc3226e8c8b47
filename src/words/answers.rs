//! Questions about a draft that a person at the unit can answer, and what an answer showed, in words.

use packside_profiles::Role;

use super::number::with_unit;
use super::physics::unit;
use crate::draft::{Bearing, Question, Settled};

/// The question.
pub(crate) fn question(question: Question) -> &'static str {
    match question {
        Question::Amperes => {
            "Amperes of the battery on the inverter's screen, while they stand still at 2 A or more: above zero where the \
             battery charges, below zero where it discharges"
        }
        Question::Volts => "Volts of the battery on the inverter's screen",
        Question::DeadVoltage => {
            "Which voltage is gone while the unit's switches are open? Only if you saw it: nobody opens switches for this"
        }
        Question::Charge => "State of charge on the inverter's or the unit's own screen",
        Question::Room => "Temperature of the room",
        Question::PoweredUp => "Minutes since the unit was powered up",
    }
}

/// What settles the rest, where it is no question.
pub(crate) fn settles(question: Question) -> &'static str {
    match question {
        Question::Amperes => "the amperes on the inverter's screen",
        Question::Volts => "the volts of the battery on the inverter's screen",
        Question::DeadVoltage => "which voltage is gone while the switches are open",
        Question::Charge => "the state of charge on a screen",
        Question::Room => "the temperature of the room",
        Question::PoweredUp => "the time since it was powered up",
    }
}

/// What an answer was, as a piece of evidence.
pub(crate) fn why(settled: &Settled, asked: Option<f64>) -> String {
    let role = settled.left.first().map_or(Role::Other, |way| way.role);
    let reads = settled.reads.map_or_else(
        || "nothing was read of it".to_owned(),
        |number| format!("it reads {}", with_unit(number, unit(role))),
    );
    let told = match (settled.by, asked) {
        (Some(Question::Amperes), Some(asked)) => {
            let way = if asked < 0.0 {
                "discharging"
            } else {
                "charging"
            };
            format!("the inverter shows {} {way}", with_unit(asked.abs(), "A"))
        }
        (Some(Question::Volts), Some(asked)) => {
            format!("the inverter shows {}", with_unit(asked, "V"))
        }
        (Some(Question::Charge), Some(asked)) => {
            format!("a screen shows {} of charge", with_unit(asked, "%"))
        }
        (Some(Question::Room), Some(asked)) => format!("the room has {}", with_unit(asked, "degC")),
        (Some(Question::PoweredUp), Some(asked)) => {
            format!("it was powered up {asked:.0} minutes ago")
        }
        (Some(Question::DeadVoltage), _) => {
            let is_dead = if role == Role::TerminalVoltage {
                "is"
            } else {
                "is not"
            };
            return format!("it {is_dead} gone while the switches are open");
        }
        (Some(_), None) | (None, _) => {
            return "another point is what it might have been".to_owned();
        }
    };
    match settled.bearing {
        Bearing::Shown => format!("{told}, {reads}"),
        Bearing::Left | Bearing::Fewer => format!("{told}: other readings are too far from it"),
        Bearing::Contradicted => format!("{told}: no reading is near it, {reads}"),
    }
}
