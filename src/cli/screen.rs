//! The screen of one look: verdict, why, what to do next, what is not tested, then the numbers.
//!
//! At most 100 columns, plain words, good without colour. Colours mean what IEC 60073 gives them
//! (red fault, yellow abnormal, green normal) and never stand alone.

use std::fmt::Write as _;

use anstyle::{AnsiColor, Style};
use packside_profiles::Role;
use packside_profiles::model::{LiesIn, Profile, Severity};

use crate::diagnose::reference::needs;
use crate::diagnose::{
    Disposition, Finding, Judgement, Reading, ReadingQuality, VerdictKind, with_unit,
};
use crate::event::{Framing, LinkFacts, LinkKind};

/// Widest line.
const WIDTH: usize = 100;

/// Renders one judgement. `colour` switches escape codes on; `command` is the last line.
pub(crate) fn look(
    judgement: &Judgement,
    profile: Option<&Profile>,
    link: Option<&LinkFacts>,
    colour: bool,
    command: &str,
) -> String {
    let mut out = String::new();
    headline(&mut out, judgement, colour);
    who(&mut out, judgement, profile, link);
    let why = &judgement.verdict.why;
    section(&mut out, "Why", why.iter().take(8).map(String::as_str));
    roots(&mut out, judgement);
    if why.len() > 8 {
        let _ = writeln!(out, "    and {} more (--format json)", why.len() - 8);
    }
    also(&mut out, judgement);
    causes(&mut out, judgement);
    next(&mut out, judgement);
    let not_tested: Vec<String> = judgement
        .not_tested
        .iter()
        .map(|n| format!("{}: {}; {}", n.id, n.why, n.when))
        .collect();
    section(
        &mut out,
        "Not tested, may still be broken",
        not_tested.iter().map(String::as_str),
    );
    numbers(&mut out, judgement);
    bus(&mut out, judgement);
    let _ = writeln!(out);
    wrap(&mut out, CAUTION, "", "");
    let _ = writeln!(out, "{command}");
    out
}

pub(crate) const CAUTION: &str = "Hazardous voltage is inside even when switched off. This is advice to a licensed practitioner, no \
release for work and no proof of absence of voltage. Local codes and the maker's manual come first.";

/// The words that open the screen.
pub(crate) fn title(kind: VerdictKind) -> &'static str {
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

/// The verdict in one line.
pub(crate) fn headline(out: &mut String, judgement: &Judgement, colour: bool) {
    let kind = judgement.verdict.kind;
    let (on, off) = if colour {
        (
            style(kind).render().to_string(),
            style(kind).render_reset().to_string(),
        )
    } else {
        Default::default()
    };
    let _ = writeln!(
        out,
        "{on}{}{off}  {}",
        title(kind),
        judgement.verdict.summary
    );
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
        parts.push(format!("serial {serial}"));
    }
    if let Some(firmware) = &identity.firmware {
        parts.push(format!("firmware {firmware}"));
    }
    if !identity.modules.is_empty() {
        parts.push(format!("{} modules", identity.modules.len()));
    }
    for member in &identity.members {
        if let Some((_, name)) = &member.state {
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
pub(crate) fn link_text(link: &LinkFacts) -> String {
    let framing = match link.framing {
        Framing::Rtu => "RTU",
        Framing::Tcp => "Modbus TCP",
    };
    match &link.kind {
        LinkKind::Serial { port, line } => format!("{port} at {line}"),
        LinkKind::Gateway { address } => format!("gateway {address}, {framing}"),
        LinkKind::Simulated { scenario, line } if line.is_some() => {
            format!("SIMULATED scenario {scenario}")
        }
        LinkKind::Simulated { scenario, .. } => {
            format!("SIMULATED scenario {scenario}, behind a gateway, {framing}")
        }
    }
}

/// Where each root lies, how sure it is, and what becomes of the part.
fn roots(out: &mut String, judgement: &Judgement) {
    let mut told: Vec<&str> = Vec::new();
    let mut lines = Vec::new();
    for root in judgement.findings.iter().filter(|f| f.is_root_alarm()) {
        if told.contains(&root.id) {
            continue;
        }
        told.push(root.id);
        let becomes = root.disposition.map_or("", Disposition::meaning);
        lines.push(format!(
            "{}: {}, lies in {}; {becomes}",
            root.id,
            root.sure.id(),
            lies_in(root.lies_in)
        ));
    }
    section(out, "Roots", lines.iter().map(String::as_str));
}

fn lies_in(place: LiesIn) -> &'static str {
    match place {
        LiesIn::Module => "a module",
        LiesIn::ControlUnit => "the control unit",
        LiesIn::Connection => "a connection",
        LiesIn::InverterSide => "the inverter's side, or there first",
        LiesIn::SiteCondition => "the site",
        LiesIn::Operator => "an operator's hands",
        LiesIn::Unknown => "a place not known yet",
    }
}

/// Findings beyond those that decided.
fn also(out: &mut String, judgement: &Judgement) {
    let told = |f: &&Finding| {
        !judgement
            .verdict
            .why
            .iter()
            .any(|why| why.ends_with(&f.text))
    };
    let lines: Vec<String> = judgement
        .findings
        .iter()
        .filter(told)
        .map(|f| {
            let follows = f
                .follows_from
                .as_ref()
                .map_or_else(String::new, |from| format!(" (follows from {from})"));
            format!("{} {}: {}{follows}", severity(f.severity), f.id, f.text)
        })
        .collect();
    section(out, "Also seen", lines.iter().take(10).map(String::as_str));
    if lines.len() > 10 {
        let _ = writeln!(out, "    and {} more (--format json)", lines.len() - 10);
    }
}

fn severity(severity: Severity) -> &'static str {
    match severity {
        Severity::Alarm => "alarm",
        Severity::Warning => "warning",
        Severity::Notice => "note",
    }
}

/// Weighed causes as proven, likely, open: no two-digit probabilities for people.
fn causes(out: &mut String, judgement: &Judgement) {
    let lines: Vec<String> = judgement
        .verdict
        .causes
        .iter()
        .take(5)
        .filter(|cause| cause.per_mille >= 50)
        .map(|cause| {
            let strength = strength(cause.per_mille);
            let reasons = cause
                .reasons_for
                .iter()
                .take(2)
                .cloned()
                .collect::<Vec<_>>()
                .join(", ");
            let because = if reasons.is_empty() {
                String::new()
            } else {
                format!(" (for it: {reasons})")
            };
            format!("{strength}  {}{because}", cause.meaning)
        })
        .collect();
    let of = match judgement.verdict.kind {
        VerdictKind::AwaitingInverter | VerdictKind::InverterLost => {
            "Why the inverter may be silent"
        }
        VerdictKind::BusProblem => "Why nothing valid may come",
        _ => "What the line suffers from",
    };
    section(out, of, lines.iter().map(String::as_str));
}

/// A share in a word.
pub(crate) fn strength(per_mille: u32) -> &'static str {
    match per_mille {
        990.. => "proven",
        500.. => "likely",
        _ => "open  ",
    }
}

pub(crate) fn next(out: &mut String, judgement: &Judgement) {
    if judgement.verdict.next.is_empty() {
        return;
    }
    let _ = writeln!(out, "\nNext, in this order");
    for (index, step) in judgement.verdict.next.iter().enumerate() {
        let needs = needs(step.needs);
        wrap(
            out,
            &format!("[{needs}, {}] {}", step.who, step.text),
            &format!("  {}. ", index + 1),
            "     ",
        );
    }
}

pub(crate) fn section<'a>(out: &mut String, title: &str, lines: impl Iterator<Item = &'a str>) {
    let mut lines = lines.peekable();
    if lines.peek().is_none() {
        return;
    }
    let _ = writeln!(out, "\n{title}");
    for line in lines {
        wrap(out, line, "  - ", "    ");
    }
}

/// Writes a text in lines of at most [`WIDTH`] columns.
pub(crate) fn wrap(out: &mut String, text: &str, first: &str, rest: &str) {
    let mut line = first.to_owned();
    let mut empty = true;
    for word in text.split_whitespace() {
        if !empty && line.chars().count() + 1 + word.chars().count() > WIDTH {
            let _ = writeln!(out, "{}", line.trim_end());
            line = rest.to_owned();
            empty = true;
        }
        if !empty {
            line.push(' ');
        }
        line.push_str(word);
        empty = false;
    }
    let _ = writeln!(out, "{}", line.trim_end());
}

/// Pack, modules, cells and temperatures.
fn numbers(out: &mut String, judgement: &Judgement) {
    let units: Vec<u8> = judgement.identity.members.iter().map(|m| m.unit).collect();
    if judgement.readings.is_empty() {
        return;
    }
    let _ = writeln!(out, "\nNumbers");
    let axis = axis(&judgement.readings);
    for unit in &units {
        let mine: Vec<&Reading> = judgement
            .readings
            .iter()
            .filter(|r| r.unit == *unit)
            .collect();
        if mine.is_empty() {
            continue;
        }
        if units.len() > 1 {
            let _ = writeln!(out, "  address {unit}");
        }
        pack_line(out, &mine);
        modules(out, &mine, axis);
    }
    if let Some((low, high)) = axis {
        let scale = format!(
            "{low:.3} V{}{high:.3} V",
            " ".repeat(STRIP.saturating_sub(14))
        );
        let _ = writeln!(
            out,
            "  {:<37}{scale}",
            "height: how many cells at a voltage"
        );
    }
}

fn pack_line(out: &mut String, readings: &[&Reading]) {
    const SHOWN: [(Role, &str); 9] = [
        (Role::PackVoltage, "pack"),
        (Role::TerminalVoltage, "terminals"),
        (Role::PackCurrent, "current"),
        (Role::PackPower, "power"),
        (Role::Soc, "charge"),
        (Role::Insulation, "insulation"),
        (Role::InverterAge, "inverter last heard"),
        (Role::OwnHeartbeat, "heartbeat"),
        (Role::Uptime, "up for"),
    ];
    let parts: Vec<String> = SHOWN
        .iter()
        .filter_map(|(role, name)| {
            let reading = readings.iter().find(|r| r.role == *role)?;
            Some(format!("{name} {}", value(reading)))
        })
        .collect();
    wrap(out, &parts.join(" · "), "  ", "  ");
}

/// A value for people, or why there is none.
fn value(reading: &Reading) -> String {
    match (reading.any_number(), reading.quality) {
        (Some(number), ReadingQuality::Good) => with_unit(number, &reading.value_unit),
        (Some(number), quality) => format!(
            "{} ({})",
            with_unit(number, &reading.value_unit),
            quality.id()
        ),
        (None, quality) => quality.id().to_owned(),
    }
}

/// Columns of the picture of cells.
const STRIP: usize = 40;

/// Common axis of all pictures: lowest and highest readable cell.
fn axis(readings: &[Reading]) -> Option<(f64, f64)> {
    let cells = || {
        readings
            .iter()
            .filter(|r| r.role == Role::CellVoltage)
            .filter_map(Reading::any_number)
    };
    let low = cells().min_by(f64::total_cmp)?;
    let high = cells().max_by(f64::total_cmp)?;
    // At least 20 mV wide, so that noise does not look like spread.
    let widen = (0.020 - (high - low)).max(0.0) / 2.0;
    Some((low - widen, high + widen))
}

fn modules(out: &mut String, readings: &[&Reading], axis: Option<(f64, f64)>) {
    let mut positions: Vec<Option<u16>> = readings
        .iter()
        .filter(|r| r.role == Role::CellVoltage)
        .map(|r| r.place.module)
        .collect();
    positions.dedup();
    for module in positions {
        let of = |role: Role| {
            readings
                .iter()
                .filter(move |r| r.role == role && r.place.module == module)
        };
        let cells: Vec<f64> = of(Role::CellVoltage)
            .filter_map(|r| r.any_number())
            .collect();
        let unreadable = of(Role::CellVoltage)
            .filter(|r| r.quality != ReadingQuality::Good)
            .count();
        let temperatures: Vec<f64> = of(Role::CellTemperature)
            .filter_map(|r| r.number())
            .collect();
        let volts = of(Role::ModuleVoltage).next().and_then(|r| r.number());
        let name = module.map_or_else(|| "cells".to_owned(), |m| format!("module {m}"));
        let volts = volts.map_or_else(String::new, |v| with_unit(v, "V"));
        let strip = axis.map_or_else(String::new, |axis| strip(&cells, axis));
        let warm = range(&temperatures, "°C", 0);
        let lost = if unreadable > 0 {
            format!("  {unreadable} CELLS WITHOUT A GOOD VALUE")
        } else {
            String::new()
        };
        let _ = writeln!(
            out,
            "  {name:<9} {volts:>8}  {:<15}  {strip}  {warm}{lost}",
            range(&cells, "V", 3)
        );
    }
}

/// Lowest to highest.
fn range(values: &[f64], unit: &str, digits: usize) -> String {
    let low = values.iter().copied().min_by(f64::total_cmp);
    let high = values.iter().copied().max_by(f64::total_cmp);
    match (low, high) {
        (Some(low), Some(high)) => format!("{low:.digits$}…{high:.digits$} {unit}"),
        _ => "-".to_owned(),
    }
}

/// How many cells stand at which voltage, as one row of blocks.
fn strip(cells: &[f64], (low, high): (f64, f64)) -> String {
    const BLOCKS: [char; 9] = ['·', '▁', '▂', '▃', '▄', '▅', '▆', '▇', '█'];
    let mut counts = [0usize; STRIP];
    for cell in cells {
        let column = (cell - low) / (high - low) * (STRIP as f64 - 1.0);
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "clamped to the strip"
        )]
        let column = column.round().clamp(0.0, STRIP as f64 - 1.0) as usize;
        if let Some(count) = counts.get_mut(column) {
            *count += 1;
        }
    }
    counts
        .iter()
        .map(|count| BLOCKS.get((*count).min(8)).copied().unwrap_or('█'))
        .collect()
}

fn bus(out: &mut String, judgement: &Judgement) {
    let bus = &judgement.bus;
    let exceptions: u32 = bus.exceptions.iter().map(|(_, n)| n).sum();
    let mut parts = vec![format!(
        "{}, {} answered",
        counted(bus.requests.into(), "question"),
        bus.answered + exceptions
    )];
    if exceptions > 0 {
        let codes: Vec<String> = bus
            .exceptions
            .iter()
            .map(|(code, n)| format!("{code:02x} × {n}"))
            .collect();
        parts.push(format!("exceptions {}", codes.join(", ")));
    }
    for (count, name) in [
        (bus.timeouts, "without answer"),
        (bus.damaged, "damaged"),
        (bus.late, "late answers"),
    ] {
        if count > 0 {
            parts.push(format!("{count} {name}"));
        }
    }
    if bus.echo {
        parts.push("the adapter echoes".to_owned());
    }
    if bus.foreign_requests > 0 {
        parts.push(format!(
            "{} of somebody else",
            counted(bus.foreign_requests as u64, "question")
        ));
    }
    if let (Some(p50), Some(max)) = (bus.answer_p50, bus.answer_max) {
        parts.push(format!(
            "answers after {:.0} ms, slowest {:.0} ms",
            p50.as_secs_f64() * 1e3,
            max.as_secs_f64() * 1e3
        ));
    }
    let damaged = bus.health.damaged;
    if damaged.hits > 0 {
        let (low, high) = damaged.interval();
        parts.push(format!(
            "damaged share {:.0} to {:.0} % (95 %)",
            low * 100.0,
            high * 100.0
        ));
    }
    if bus.listened.as_millis() > 0 {
        parts.push(format!(
            "listened {:.1} s first",
            bus.listened.as_secs_f64()
        ));
    }
    let _ = writeln!(out, "\nBus");
    wrap(out, &parts.join(" · "), "  ", "  ");
}

/// `1 line`, `2 lines`.
pub(crate) fn counted(count: u64, what: &str) -> String {
    format!("{count} {what}{}", if count == 1 { "" } else { "s" })
}
