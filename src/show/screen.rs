//! The screen of one look, in two sizes. [`glance`] fits a small terminal: danger, verdict, reason, what was
//! kept, steps, what else, what is not tested, numbers, line, next command. [`look`] has all of it: all reasons,
//! all steps, all that was seen, each module, and at the end the verdict and the first step once more.
//!
//! As wide as the paper ([`super::paper`]), plain words, good without colour. Colours mean what IEC 60073 gives them
//! (red fault, yellow abnormal, green normal) and never stand alone.

mod numbers;
mod reasons;
mod short;
mod table;

use std::fmt::Write as _;

use anstyle::{AnsiColor, Style};
use packside_profiles::clean;
use packside_profiles::model::Profile;

use crate::event::{LinkFacts, LinkKind};
use crate::facts::{Judgement, UnitState, VerdictKind};
use crate::judge::PROVEN;
use crate::wire::Framing;
use crate::words;

use super::paper::labelled;
pub use super::paper::wrap;
pub use reasons::next;
pub use short::glance;

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

/// Whether escape codes for colour are written.
#[derive(Debug, Clone, Copy)]
struct Colours(bool);

impl Colours {
    /// A text that stands out: beyond its limit.
    fn beyond(self, text: &str) -> String {
        if !self.0 {
            return text.to_owned();
        }
        let style = Style::new().bold();
        format!("{}{text}{}", style.render(), style.render_reset())
    }
}

/// What every result carries for whoever acts on it.
pub const CAUTION: &str = "Hazardous voltage is inside even when switched off. This is advice to a licensed practitioner, no \
release for work and no proof of absence of voltage. Local codes and the maker's manual come first.";

/// The words that open the screen.
pub fn title(kind: VerdictKind) -> &'static str {
    match kind {
        VerdictKind::Normal => "NORMAL",
        VerdictKind::NotReady => "NOT READY",
        VerdictKind::Fault => "FAULT",
        VerdictKind::AwaitingInverter => "AWAITING INVERTER",
        VerdictKind::InverterLost => "INVERTER LOST",
        VerdictKind::BusProblem => "BUS PROBLEM",
        VerdictKind::Undecided => "UNDECIDED",
    }
}

fn style(kind: VerdictKind) -> Style {
    let colour = match kind {
        VerdictKind::Normal => Some(AnsiColor::Green),
        VerdictKind::Fault => Some(AnsiColor::Red),
        VerdictKind::NotReady | VerdictKind::AwaitingInverter | VerdictKind::InverterLost => {
            Some(AnsiColor::Yellow)
        }
        VerdictKind::BusProblem | VerdictKind::Undecided => None,
    };
    Style::new().bold().fg_color(colour.map(Into::into))
}

/// The verdict in one line, or two, behind `lead`.
pub fn headline(out: &mut String, lead: &str, judgement: &Judgement, colour: bool) {
    let kind = judgement.verdict.kind;
    let title = title(kind);
    let mut text = String::new();
    wrap(
        &mut text,
        &words::summary(judgement),
        &format!("{lead}{title}  "),
        "    ",
    );
    if colour {
        let style = style(kind);
        let shown = format!("{}{title}{}", style.render(), style.render_reset());
        text = text.replacen(title, &shown, 1);
    }
    out.push_str(&text);
}

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

/// The link in a few words.
pub fn link_text(link: &LinkFacts) -> String {
    let framing = match link.framing {
        Framing::Rtu => "RTU",
        Framing::Tcp => "Modbus TCP",
    };
    let text = match &link.kind {
        LinkKind::Serial { port, line } => format!("{port} at {line}"),
        LinkKind::Gateway { address } => format!("gateway {address}, {framing}"),
        LinkKind::Simulated { scenario, line } if line.is_some() => {
            format!("SIMULATED scenario {scenario}")
        }
        LinkKind::Simulated { scenario, .. } => {
            format!("SIMULATED scenario {scenario}, behind a gateway, {framing}")
        }
    };
    // A recording may say anything there.
    clean(&text).into_owned()
}

/// A cause with this share, per mille, is likely.
const LIKELY: u32 = 500;

/// A share in a word.
pub fn strength(per_mille: u32) -> &'static str {
    match per_mille {
        PROVEN.. => "proven",
        LIKELY.. => "likely",
        _ => "open  ",
    }
}

/// A heading and its lines, each with a dash; nothing where there are none.
pub fn section<'a>(out: &mut String, title: &str, lines: impl Iterator<Item = &'a str>) {
    let mut lines = lines.peekable();
    if lines.peek().is_none() {
        return;
    }
    out.push('\n');
    wrap(out, title, "", "");
    for line in lines {
        wrap(out, line, "  - ", "    ");
    }
}

/// `1 line`, `2 lines`.
pub fn counted(count: u64, what: &str) -> String {
    format!("{count} {what}{}", if count == 1 { "" } else { "s" })
}
