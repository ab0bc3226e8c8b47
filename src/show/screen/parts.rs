//! What all parts of a screen are made of: the headline, headings with their lines, a link in a few words.

use anstyle::{AnsiColor, Style};

use crate::event::{LinkFacts, LinkKind};
use crate::facts::{Judgement, VerdictKind};
use crate::judge::{LIKELY, PROVEN};
use crate::show::paper::wrap;
use crate::wire::Framing;
use crate::words;

/// Whether escape codes for colour are written.
#[derive(Debug, Clone, Copy)]
pub(super) struct Colours(pub(super) bool);

impl Colours {
    /// A text that stands out: beyond its limit.
    pub(super) fn beyond(self, text: &str) -> String {
        if !self.0 {
            return text.to_owned();
        }
        let style = Style::new().bold();
        format!("{}{text}{}", style.render(), style.render_reset())
    }
}

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

/// The verdict in one line, or two, behind `lead`; further in where that is empty space.
pub fn headline(out: &mut String, lead: &str, judgement: &Judgement, colour: bool) {
    let kind = judgement.verdict.kind;
    let title = title(kind);
    let rest = if lead.trim().is_empty() { lead } else { "" };
    let mut text = String::new();
    wrap(
        &mut text,
        &words::summary(judgement),
        &format!("{lead}{title}  "),
        &format!("{rest}    "),
    );
    if colour {
        let style = style(kind);
        let shown = format!("{}{title}{}", style.render(), style.render_reset());
        text = text.replacen(title, &shown, 1);
    }
    out.push_str(&text);
}

/// The link in a few words.
pub fn link_text(link: &LinkFacts) -> String {
    let framing = match link.framing {
        Framing::Rtu => "RTU",
        Framing::Tcp => "Modbus TCP",
    };
    match &link.kind {
        LinkKind::Serial { port, line } => format!("{} at {line}", port.clean()),
        LinkKind::Gateway { address } => format!("gateway {}, {framing}", address.clean()),
        LinkKind::Simulated { scenario, line } if line.is_some() => {
            format!("SIMULATED scenario {}", scenario.clean())
        }
        LinkKind::Simulated { scenario, .. } => {
            let scenario = scenario.clean();
            format!("SIMULATED scenario {scenario}, behind a gateway, {framing}")
        }
    }
}

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
