//! Why a verdict is what it is, in sentences.

use packside_profiles::model::Profile;

use super::caution::caution;
use super::doubt::doubts_together;
use super::fact::fact;
use super::pseudo::{FURTHER, said};
use crate::facts::{Judgement, Reason, Why};

/// The reasons of a verdict, most important first.
pub fn reasons(judgement: &Judgement) -> Vec<String> {
    let reasons = judgement.verdict.why.iter();
    reasons.map(|one| reason(judgement, one)).collect()
}

/// One reason; in a rack with the address of the pack.
pub(crate) fn reason(judgement: &Judgement, reason: &Reason) -> String {
    if let Why::Caution(what) = &reason.why {
        return caution(what, reason.unit);
    }
    let lead = reason.unit.map(|unit| format!("address {unit}: "));
    lead.unwrap_or_default() + &why(&reason.why, judgement.profile.as_deref())
}

/// Findings and doubts come only from judging by a map.
fn why(why: &Why, profile: Option<&Profile>) -> String {
    let by_map = |say: &dyn Fn(&Profile) -> String| profile.map_or_else(String::new, say);
    said(match why {
        Why::Caution(what) => return caution(what, None),
        Why::Finding { fact: what, .. } => return by_map(&|profile| fact(what, profile)),
        Why::Doubts(doubts) => return by_map(&|profile| doubts_together(doubts, profile)),
        Why::Unconfirmed => {
            "it is not certain that this unit is the one the register map describes".to_owned()
        }
        Why::Overheard { state } => format!("overheard: the unit says \"{state}\""),
        Why::Maintenance => "the unit is switched to maintenance".to_owned(),
        Why::NoInverter {
            proven,
            fed_by_us,
            silence_s,
        } => no_inverter(*proven, *fed_by_us, *silence_s),
        Why::InverterLost {
            heard_s: Some(ago), ..
        } => format!("the battery heard its inverter until {ago} s ago and not since"),
        Why::InverterLost {
            heard_s: None,
            silence_s,
        } => format!(
            "the battery heard its inverter before{FURTHER}for {silence_s} s or more it has been silent"
        ),
        Why::InService => "the inverter is heard, and the battery is in service".to_owned(),
        Why::NothingYet => "at this moment nothing had been asked and nothing heard".to_owned(),
        Why::OnlyHeard { bytes, asked } => {
            let units: Vec<String> = asked.iter().map(u8::to_string).collect();
            let whom = match units.as_slice() {
                [] => String::new(),
                units => format!(", and somebody asks address {}", units.join(", ")),
            };
            format!("nothing was asked; {bytes} bytes were heard{whom}")
        }
        Why::NoAnswer { asked, bytes } => {
            format!("{asked} questions, no valid answer ({bytes} bytes came in all)")
        }
    })
}

fn no_inverter(proven: bool, fed_by_us: bool, silence_s: u32) -> String {
    let heard = if proven {
        "not once since power-up"
    } else {
        "whether it did before is not known"
    };
    if fed_by_us {
        format!(
            "until we asked, the battery heard no inverter ({heard}){FURTHER}nobody else has asked since, so it takes our \
             questions for the inverter"
        )
    } else {
        format!(
            "the battery does not hear its inverter ({heard}), and has waited more than its {silence_s} s"
        )
    }
}
