//! Why a verdict is what it is, in sentences.

use packside_profiles::model::Profile;

use super::doubt::doubts_together;
use super::fact::{caution, fact};
use super::pseudo::said;
use crate::facts::{Judgement, Reason, Why};

/// The reasons of a verdict, most important first.
pub fn reasons(judgement: &Judgement) -> Vec<String> {
    let reasons = judgement.verdict.why.iter();
    reasons.map(|one| reason(judgement, one)).collect()
}

/// One reason; in a rack with the address of the pack.
pub(crate) fn reason(judgement: &Judgement, reason: &Reason) -> String {
    let lead = reason.unit.map(|unit| format!("address {unit}: "));
    lead.unwrap_or_default() + &why(&reason.why, judgement.profile.as_deref())
}

/// A sentence of this room up to where it begins to explain itself.
pub(crate) fn in_short(text: &str) -> &str {
    text.split("; ").next().unwrap_or(text)
}

/// Findings and doubts come only from judging by a map.
fn why(why: &Why, profile: Option<&Profile>) -> String {
    let by_map = |say: &dyn Fn(&Profile) -> String| profile.map_or_else(String::new, say);
    said(match why {
        Why::Caution(what) => return caution(what),
        Why::Finding { fact: what, .. } => return by_map(&|profile| fact(what, profile)),
        Why::Doubts(doubts) => return by_map(&|profile| doubts_together(doubts, profile)),
        Why::Unconfirmed => "unconfirmed: the map could not be recognised for certain".to_owned(),
        Why::Overheard { state } => format!("overheard: the unit is in state {state}"),
        Why::Maintenance => "the unit is in its maintenance state".to_owned(),
        Why::NoInverter {
            proven,
            fed_by_us,
            silence_s,
        } => no_inverter(*proven, *fed_by_us, *silence_s),
        Why::InverterLost {
            heard_s: Some(ago), ..
        } => format!(
            "the unit heard its inverter until {ago} s ago and not since: look at the inverter, then at its cable"
        ),
        Why::InverterLost {
            heard_s: None,
            silence_s,
        } => format!("the inverter was heard before and has been silent for {silence_s} s or more"),
        Why::InService => "the inverter is heard and the unit is in service".to_owned(),
        Why::NothingYet => "nothing had been asked and nothing was heard at this moment".to_owned(),
        Why::OnlyHeard { bytes } => format!("nothing was asked; {bytes} bytes were heard"),
        Why::NoAnswer { asked, bytes } => {
            format!("{asked} questions, no valid answer; {bytes} bytes came in all")
        }
    })
}

fn no_inverter(proven: bool, fed_by_us: bool, silence_s: u32) -> String {
    let heard = if proven {
        "it never heard one since power-up"
    } else {
        "whether it heard one before is not known"
    };
    if fed_by_us {
        format!(
            "the unit said that it hears no inverter until we asked; nobody else was heard since, so it takes our own \
             questions for the inverter; {heard}"
        )
    } else {
        format!(
            "the unit hears no inverter ({heard}), and its silence time of {silence_s} s is over"
        )
    }
}
