//! What the unit says of itself, in sentences.

use std::borrow::Cow;

use packside_profiles::Role;
use packside_profiles::model::Profile;

use super::names::{flag, point};
use super::number::{moment, with_unit};
use super::pseudo::FURTHER;
use crate::facts::fact::{Flagged, Spot};

pub(super) fn flagged(fact: &Flagged, profile: &Profile) -> String {
    let meaning =
        |index| flag(profile, index).map_or(Cow::Borrowed(""), |flag| flag.meaning.clean());
    // Codes stand as plain numbers in manuals; in which word a bit stands is in the tables.
    let with_code = |index, at: &Spot, raw: u64| {
        let is_code = point(profile, at.point).is_some_and(|p| p.role == Role::FaultCode);
        let code = if is_code {
            format!(" (code {raw})")
        } else {
            String::new()
        };
        format!("{}{code}", meaning(index))
    };
    match fact {
        Flagged::Up {
            flag,
            at,
            raw,
            contradicted,
            shown,
        } => {
            let mut text = with_code(*flag, at, *raw);
            if let Some((shown, all)) = shown {
                text.push_str(&format!(
                    "{FURTHER}which module is not said: {shown} of {all} show values, perhaps old ones"
                ));
            }
            against_terminals(text, *contradicted)
        }
        Flagged::Stored {
            flag,
            at,
            raw,
            up_now,
            contradicted,
        } => {
            let when = if *up_now {
                "stored as well"
            } else {
                "stored earlier, not set now"
            };
            let text = format!("{when}: {}", with_code(*flag, at, *raw));
            against_terminals(text, *contradicted)
        }
        Flagged::Earlier {
            flag: index,
            seen_at,
            ..
        } => format!("set {}, not now: {}", moment(*seen_at), meaning(*index)),
    }
}

/// What the unit says, beside the voltage at its terminals where that contradicts it.
fn against_terminals(text: String, contradicted: Option<f64>) -> String {
    match contradicted {
        None => text,
        Some(volts) => format!(
            "the unit says: {text}{FURTHER}CONTRADICTED: its terminals carry {}",
            with_unit(volts, "V")
        ),
    }
}
