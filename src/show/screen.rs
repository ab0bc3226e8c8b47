//! The screen of one look, in two sizes. [`glance`] fits a small terminal: danger, verdict, reason, what was
//! kept, steps, what else, what is not tested, numbers, line, next command. [`look`] has all of it: all reasons,
//! all steps, all that was seen, each module, and at the end the verdict and the first step once more.
//!
//! As wide as the paper ([`super::paper`]), plain words, good without colour. Colours mean what IEC 60073 gives them
//! (red fault, yellow abnormal, green normal) and never stand alone.

mod numbers;
mod parts;
mod reasons;
mod short;
mod table;

use std::fmt::Write as _;

use packside_profiles::model::Profile;

use crate::event::LinkFacts;
use crate::facts::{Judgement, UnitState};

pub use super::paper::wrap;
pub use parts::{counted, headline, link_text, section, strength, title};
pub use reasons::{next, standing};
pub use short::{glance, step};

/// All of one judgement.
pub fn look(
    judgement: &Judgement,
    profile: Option<&Profile>,
    link: Option<&LinkFacts>,
    around: &Around<'_>,
) -> String {
    let colour = around.colour;
    let mut out = String::new();
    headline(&mut out, "", judgement, colour);
    reasons::caution(&mut out, judgement);
    reasons::in_short(&mut out, judgement);
    // Danger first; then, before anything is switched off, that nothing of this look can be lost.
    if let Some(kept) = around.kept {
        let text = format!("{kept} (keep it: some units forget)");
        wrap(&mut out, &text, "Saved  ", "       ");
    }
    reasons::first_step(&mut out, judgement);
    let _ = writeln!(out);
    who(&mut out, judgement, profile, link);
    reasons::why(&mut out, judgement);
    reasons::causes(&mut out, judgement);
    // A single step stands in the first lines already.
    if judgement.verdict.next.len() > 1 {
        reasons::next(&mut out, judgement);
    }
    reasons::not_tested(&mut out, judgement);
    reasons::also(&mut out, judgement);
    numbers::numbers(&mut out, judgement, profile);
    numbers::bus(&mut out, judgement);
    let _ = writeln!(out);
    wrap(&mut out, CAUTION, "", "");
    // A small terminal shows the end of a screen: there the verdict stands again.
    let _ = writeln!(out);
    headline(&mut out, "", judgement, colour);
    reasons::caution(&mut out, judgement);
    reasons::first_step(&mut out, judgement);
    let _ = writeln!(out, "{}", around.command);
    out
}

/// What stands around the result of one look.
#[derive(Debug, Clone, Copy)]
pub struct Around<'a> {
    /// Escape codes for colour.
    pub colour: bool,
    /// Where the look was kept.
    pub kept: Option<&'a str>,
    /// The next command, complete.
    pub command: &'a str,
}

/// What every result carries for whoever acts on it.
pub const CAUTION: &str = "Hazardous voltage is inside even when switched off. This is advice to a licensed practitioner, no \
release for work and no proof of absence of voltage. Local codes and the maker's manual come first.";

fn who(
    out: &mut String,
    judgement: &Judgement,
    profile: Option<&Profile>,
    link: Option<&LinkFacts>,
) {
    let identity = &judgement.identity;
    let mut parts = Vec::new();
    if let Some(serial) = &identity.serial {
        let whose = if identity.members.len() > 1 {
            " of the first pack"
        } else {
            ""
        };
        parts.push(format!("serial {serial}{whose}"));
    }
    if let Some(firmware) = &identity.firmware {
        parts.push(format!("firmware {firmware}"));
    }
    if !identity.modules.is_empty() {
        parts.push(format!("{} modules", identity.modules.len()));
    }
    for member in &identity.members {
        if let Some(UnitState { name, .. }) = &member.state {
            let lead = if identity.members.len() > 1 {
                format!("address {} ", member.unit)
            } else {
                String::new()
            };
            parts.push(format!("{lead}state {name}"));
        }
    }
    if let Some(profile) = profile {
        let proven = if profile.profile.verified_on_hardware {
            ""
        } else {
            ", not verified on hardware"
        };
        parts.push(format!("map {}{proven}", profile.profile.id));
    }
    if let Some(link) = link {
        parts.push(link_text(link));
    }
    wrap(out, &parts.join(" · "), "  ", "  ");
}
