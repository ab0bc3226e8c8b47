//! What speaks for a reading, in words.

use packside_profiles::Role;
use packside_profiles::model::{Key, Kind, Positive, WordOrder};

use super::number::with_unit;
use crate::physics::{Evidence, Extreme, Reading};

/// The unit in which numbers of a role stand.
pub(crate) fn unit(role: Role) -> &'static str {
    match role {
        Role::PackVoltage | Role::TerminalVoltage | Role::ModuleVoltage => "V",
        Role::CellVoltage | Role::CellVoltageMax | Role::CellVoltageMin => "V",
        Role::PackCurrent | Role::ChargeLimit | Role::DischargeLimit => "A",
        Role::PackPower => "W",
        Role::CellTemperature | Role::CellTemperatureMax | Role::CellTemperatureMin => "degC",
        Role::Soc | Role::ModuleSoc | Role::Soh => "%",
        Role::Uptime | Role::UnitClock | Role::InverterAge => "s",
        Role::Insulation => "kOhm",
        _ => "",
    }
}

/// One piece of evidence of a point of this role.
pub(crate) fn evidence(role: Role, evidence: &Evidence) -> String {
    if let Some((held, of)) = evidence.counts() {
        return format!(
            "{} in {held} of {of}{}",
            holds(role, evidence),
            moved(role, evidence)
        );
    }
    let number = |number: f64| with_unit(number, unit(role));
    match evidence {
        Evidence::NotSeen => "none of its registers was read".to_owned(),
        Evidence::Impossible { found } => {
            format!("read as the document says it would be {}", number(*found))
        }
        Evidence::OnlyPossible => "nothing else near it is possible".to_owned(),
        Evidence::Possible { low, high } if low == high => format!("read {}", number(*low)),
        Evidence::Possible { low, high } => format!("read {} to {}", number(*low), number(*high)),
        Evidence::Responds { milliohm } => {
            format!("voltages rise with it where it charges ({milliohm:.2} mΩ)")
        }
        Evidence::SameDirection => "power and current go the same way".to_owned(),
        Evidence::ShareOfCharge { stored, full } => {
            format!("{stored:.1} Ah of {full:.1} Ah is that share")
        }
        Evidence::WholeCells { cells } => format!("{cells} cells of that voltage make it"),
        Evidence::BelowLimit { limit } => {
            format!("below the {} that the unit allows", with_unit(*limit, "A"))
        }
        Evidence::CountsSeconds { per_second } => {
            format!("it counts the seconds ({per_second:.2} a second)")
        }
        Evidence::FallsBelowZero => {
            "it falls below zero at other times; with a sign it is the same number today".to_owned()
        }
        Evidence::OnlyRow => "the only row of its unit whose number fits this role".to_owned(),
        Evidence::OtherOrderJumps => "with the other order of words it would jump".to_owned(),
        Evidence::Text { text } => format!("reads \"{}\"", text.clean()),
        Evidence::AddsUp { .. }
        | Evidence::IsExtreme { .. }
        | Evidence::NotExtreme { .. }
        | Evidence::SameVoltage { .. }
        | Evidence::Product { .. } => holds(role, evidence),
    }
}

/// What held in so many images.
fn holds(role: Role, evidence: &Evidence) -> String {
    match evidence {
        Evidence::AddsUp { .. } if role == Role::CellVoltage => {
            "they add up to the voltage that the unit says".to_owned()
        }
        Evidence::IsExtreme { which, .. } if role == Role::CellVoltage => {
            format!(
                "the {} of them is the one that the unit says",
                extreme(*which)
            )
        }
        Evidence::NotExtreme { which, .. } => {
            format!("it is not the {} of the cells", extreme(*which))
        }
        Evidence::AddsUp { parts, .. } => {
            let what = if role == Role::ModuleVoltage {
                "cells each"
            } else {
                "cells or modules"
            };
            format!("{parts} {what} add up to it")
        }
        Evidence::IsExtreme { which, .. } => format!("it is the {} of them", extreme(*which)),
        Evidence::SameVoltage { .. } => "the pack voltage once more".to_owned(),
        _ => "voltage x current is the power".to_owned(),
    }
}

fn extreme(which: Extreme) -> &'static str {
    match which {
        Extreme::Highest => "highest",
        Extreme::Lowest => "lowest",
        Extreme::Mean => "mean",
    }
}

fn moved(role: Role, evidence: &Evidence) -> String {
    let moved = match evidence {
        Evidence::AddsUp { moved, .. }
        | Evidence::IsExtreme { moved, .. }
        | Evidence::SameVoltage { moved, .. } => *moved,
        _ => 0.0,
    };
    if moved > 0.0 {
        // What may be the pack or the terminals has the unit of both.
        let unit = if unit(role).is_empty() {
            "V"
        } else {
            unit(role)
        };
        format!(", also while it moved {}", with_unit(moved, unit))
    } else {
        String::new()
    }
}

/// A reading as in a map: `i16 x0.1 -40, charge positive`.
pub(crate) fn reading(reading: &Reading) -> String {
    let mut text = packside_profiles::explain::kind_name(reading.kind).to_owned();
    if reading.width().is_some_and(|width| width > 1) {
        text.push(' ');
        text.push_str(order(reading.order));
    }
    if reading.kind != Kind::String {
        text.push_str(&format!(" x{}", reading.scale));
    }
    if reading.offset != 0.0 {
        text.push_str(&format!(" {:+}", reading.offset));
    }
    if let Some(positive) = reading.positive {
        text.push_str(&format!(", {} positive", direction(positive)));
    }
    text
}

/// A key with the value that a reading has for it.
pub(crate) fn key(key: Key, of: &Reading) -> String {
    match key {
        Key::Type => packside_profiles::explain::kind_name(of.kind).to_owned(),
        Key::Order => order(of.order).to_owned(),
        Key::Scale => format!("scale {}", of.scale),
        Key::Offset => format!("offset {}", of.offset),
        Key::Positive => of.positive.map_or_else(
            || "direction not said".to_owned(),
            |positive| format!("positive = {}", direction(positive)),
        ),
        other => other.id().to_owned(),
    }
}

/// Order of words as in a map.
pub(crate) fn order(order: WordOrder) -> &'static str {
    match order {
        WordOrder::HighFirst => "high-first",
        WordOrder::LowFirst => "low-first",
    }
}

/// Direction as in a map.
pub(crate) fn direction(positive: Positive) -> &'static str {
    match positive {
        Positive::Charge => "charge",
        Positive::Discharge => "discharge",
    }
}
