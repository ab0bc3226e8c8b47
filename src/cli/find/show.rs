//! The end of a search as text: what answers first, then how it was found, then the next command.

use std::fmt::Write as _;

use anstyle::Style;
use packside_profiles::Parity;

use super::args::FindArgs;
use super::next::next_command;
use super::progress::{line_text, long};
use super::report::{FindReport, SearchEnd};
use crate::find::{Candidate, FindEnd, Found, FoundIdentity, Listening, SelfMap};
use crate::link::LocalPort;
use crate::listen::settings::Protocol;
use crate::show::screen::{counted, section, wrap};
use crate::wire::Framing;
use crate::wire::hex;

/// What stands under every result.
const CAUTION: &str = "Hazardous voltage is inside even when switched off. That a unit answers says nothing of its \
condition, and silence says nothing of its battery. Local codes and the maker's manual come first.";

/// The whole screen.
pub(super) fn report(report: &FindReport, args: &FindArgs, colour: bool) -> String {
    let mut out = String::new();
    let (word, line) = headline(report);
    let (on, off) = if colour {
        let style = Style::new().bold();
        (style.render().to_string(), style.render_reset().to_string())
    } else {
        Default::default()
    };
    let mut text = String::new();
    wrap(&mut text, &line, &format!("{word}  "), "    ");
    out.push_str(&text.replacen(word, &format!("{on}{word}{off}"), 1));
    for (found, identity) in &report.findings.found {
        let title = format!("Address {}", found.unit);
        let lines = unit(report, found, identity);
        section(&mut out, &title, lines.iter().map(String::as_str));
    }
    let heard = heard(report);
    section(
        &mut out,
        "Heard before asking",
        heard.iter().map(String::as_str),
    );
    let notes = notes(report, args);
    section(&mut out, "Worth knowing", notes.iter().map(String::as_str));
    if let Some(port) = &report.port {
        let mut facts = self::port(port);
        // It was opened, so that this harms nothing yet; two programs that read take bytes from each other.
        let also = port.system.held_by.iter();
        facts.extend(
            also.map(|(number, name)| format!("{name} (process {number}) has it open as well")),
        );
        section(&mut out, "The port", facts.iter().map(String::as_str));
    }
    let asked = asked(report);
    section(
        &mut out,
        "How it was found",
        asked.iter().map(String::as_str),
    );
    let _ = writeln!(out);
    wrap(&mut out, CAUTION, "", "");
    let _ = writeln!(out, "next: {}", next_command(report, args));
    out
}

/// One word and one line.
fn headline(report: &FindReport) -> (&'static str, String) {
    match report.findings.found.as_slice() {
        [(found, identity)] => {
            let name = name(identity);
            let serial = identity
                .serial
                .as_ref()
                .map_or_else(String::new, |serial| format!(", serial {serial}"));
            return (
                "FOUND",
                format!(
                    "address {} answers at {}: {name}{serial}",
                    found.unit,
                    line_text(report, found.line)
                ),
            );
        }
        [] => {}
        several => {
            let units: Vec<String> = several
                .iter()
                .map(|(found, _)| found.unit.to_string())
                .collect();
            return (
                "FOUND",
                format!(
                    "{} units answer: addresses {}",
                    several.len(),
                    units.join(", ")
                ),
            );
        }
    }
    match (&report.ended, &report.findings.listened) {
        (SearchEnd::Over(FindEnd::NotAsked), _) => (
            "NOT ASKED",
            "nobody is heard here, and not a byte was sent".to_owned(),
        ),
        (SearchEnd::Stopped, _) => ("STOPPED", "nothing was found so far".to_owned()),
        (SearchEnd::Trouble(trouble), _) => ("STOPPED", trouble.to_string()),
        (SearchEnd::Over(FindEnd::Busy), Some((listening, _)))
            if *listening != Listening::Silent =>
        {
            ("OCCUPIED", busy(report, listening))
        }
        (SearchEnd::Over(FindEnd::Busy), _) => (
            "OCCUPIED",
            "somebody else began to ask on this line; the search has stopped".to_owned(),
        ),
        _ => ("NOTHING", nothing(report)),
    }
}

/// What a unit is, in a few words: its map, or what it says of itself.
fn name(identity: &FoundIdentity) -> String {
    if let Some(profile) = identity.profile() {
        return profile.to_owned();
    }
    let texts: Vec<&str> = identity
        .device
        .iter()
        .filter(|(object, _)| *object <= 1)
        .map(|(_, text)| text.as_str())
        .collect();
    let says = if texts.is_empty() {
        String::new()
    } else {
        format!(", says of itself {}", texts.join(" "))
    };
    let kind = match identity.sunspec {
        Some(_) => "speaks the open SunSpec models",
        None => "not one of the known maps",
    };
    format!("{kind}{says}")
}

fn busy(report: &FindReport, listening: &Listening) -> String {
    match listening {
        Listening::Heard { line, is_proven } => {
            let line = line_text(report, *line);
            let sure = if *is_proven { "proven" } else { "likely" };
            format!("somebody talks here at {line} ({sure}); not a byte was sent")
        }
        Listening::Swapped(line) => {
            format!("somebody talks here at {line}, heard upside down: the two wires are swapped; not a byte was sent")
        }
        Listening::Other(Protocol::Text { .. }) => {
            "printable text comes from here: a printer, a logger or a console, no battery unit; not a byte was sent".to_owned()
        }
        Listening::Other(Protocol::ModbusAscii { .. }) => {
            "Modbus ASCII is spoken here, this tool speaks RTU; not a byte was sent".to_owned()
        }
        Listening::Unknown { bytes } => format!(
            "{} heard that nothing explains; not a byte was sent",
            counted(*bytes as u64, "character")
        ),
        Listening::Silent | Listening::At { .. } => "not a byte was sent".to_owned(),
    }
}

fn nothing(report: &FindReport) -> String {
    if let Some(garbled) = report.findings.garbled.first() {
        return format!(
            "somebody answers for address {} at {}, never readably",
            garbled.unit, garbled.line
        );
    }
    match &report.findings.gateway {
        Some(behind) if behind.no_path > 0 && behind.silent == 0 => format!(
            "the gateway has no path to {} (0A): its serial side is not set up for them, or it is overloaded",
            counted(behind.no_path as u64, "address")
        ),
        Some(behind) if behind.silent > 0 => format!(
            "the gateway answers, and says for {} that the unit is silent (0B)",
            counted(behind.silent as u64, "address")
        ),
        _ => "nobody answers, at no settings and no address that was asked".to_owned(),
    }
}

/// What is known of one unit.
fn unit(report: &FindReport, found: &Found, identity: &FoundIdentity) -> Vec<String> {
    let mut lines: Vec<String> = identity.oddities.iter().map(ToString::to_string).collect();
    if let (Some(first), Some(last)) = (found.also_at.first(), found.also_at.last()) {
        lines.push(format!(
            "the same device answers at {} ({first} to {last}): it is one, and counted once",
            counted(found.also_at.len() as u64, "further address")
        ));
    }
    if !found.also_lines.is_empty() {
        let also: Vec<String> = found.also_lines.iter().map(ToString::to_string).collect();
        lines.push(format!("it answers at {} as well", also.join(", ")));
    }
    lines.extend(identity.candidates.iter().map(candidate));
    if let Some(at) = identity.sunspec {
        lines.push(format!(
            "\"SunS\" stands in holding register {at}: it speaks the open SunSpec models"
        ));
    }
    match &identity.described {
        Some(SelfMap::Made(_)) => lines.push(format!(
            "it describes itself: packside check makes a map of that ({})",
            models(identity)
        )),
        Some(SelfMap::No(why)) => lines.push(why.to_string()),
        None => {}
    }
    for (object, text) in &identity.device {
        let what = match object {
            0 => "maker",
            1 => "product code",
            2 => "revision",
            _ => "object",
        };
        lines.push(format!("it says of itself, {what}: {text}"));
    }
    if let Some(data) = &identity.server_id {
        lines.push(format!("its server id: {}", hex(data)));
    }
    if let Some(firmware) = &identity.firmware {
        lines.push(format!("firmware {firmware}"));
    }
    if let Some(time) = found.answer_time {
        lines.push(format!(
            "answers after {:.0} ms",
            time.as_secs_f64() * 1000.0
        ));
    }
    let is_line = !report.findings.facts.is_gateway();
    if is_line && found.line.parity == Parity::None {
        lines.push("8N1 and 8N2 are received alike: it may be set to either".to_owned());
    }
    lines
}

/// The models in its chain, by id.
fn models(identity: &FoundIdentity) -> String {
    let chain = identity.chain.iter().flat_map(|chain| &chain.models);
    let ids: Vec<String> = chain.take(12).map(|model| model.id.to_string()).collect();
    format!("models {}", ids.join(", "))
}

fn candidate(candidate: &Candidate) -> String {
    let word = match candidate.fits {
        Some(true) => "proven",
        Some(false) => "ruled out",
        None => "open",
    };
    format!(
        "{}, {word}: {}",
        candidate.profile,
        candidate.reasons.join("; ")
    )
}

fn heard(report: &FindReport) -> Vec<String> {
    let Some((listening, summary)) = &report.findings.listened else {
        return Vec::new();
    };
    let mut lines = Vec::new();
    if *listening == Listening::Silent {
        lines.push(format!(
            "not a byte in {:.1} s",
            report.window.as_secs_f64()
        ));
        return lines;
    }
    for poll in summary.polls.iter().take(6) {
        let every = poll.period.map_or_else(String::new, |period| {
            format!(", every {:.1} s", period.as_secs_f64())
        });
        lines.push(format!(
            "unit {} is asked with function {:02x}{}: {} of {} answered{every}",
            poll.asked.unit,
            poll.asked.function,
            poll.asked
                .register
                .map_or_else(String::new, |register| format!(" from register {register}")),
            poll.answered,
            poll.requests
        ));
    }
    for (map, inside, of) in &report.fitting {
        lines.push(format!(
            "{inside} of {of} kinds of reads lie within the map {map}"
        ));
    }
    lines
}

fn notes(report: &FindReport, args: &FindArgs) -> Vec<String> {
    let mut lines = Vec::new();
    for garbled in &report.findings.garbled {
        lines.push(format!(
            "address {} at {}: {} answers, all damaged: two units with this address, or a disturbed line. Switch one \
             off, or set another address, then look again",
            garbled.unit, garbled.line, garbled.times
        ));
    }
    if report.findings.echoes {
        lines.push("the adapter gives back what it sends; this is allowed for".to_owned());
    }
    if report.findings.is_noisy {
        lines.push(
            "characters came again and again that belong to no answer: look for noise, another talker or a loose \
             common wire"
                .to_owned(),
        );
    }
    if let Some(behind) = &report.findings.gateway {
        let speaks = match behind.framing {
            Framing::Tcp => "the gateway speaks Modbus TCP",
            Framing::Rtu => {
                "RTU bytes over TCP: each silent address costs its whole wait, and the line settings are the gateway's"
            }
        };
        lines.push(speaks.to_owned());
        if behind.framing == Framing::Tcp {
            lines.push(format!(
                "silent units (0B) {}, no path (0A) {}, no reply {}; at most {} outstanding",
                behind.silent,
                behind.no_path,
                behind.nothing,
                counted(behind.most_open as u64, "question")
            ));
        }
        if let (Some(first), Some(last)) = (behind.refusing.first(), behind.refusing.last()) {
            lines.push(format!(
                "{} ({first} to {last}) refuse every question: the gateway itself, or the same device",
                counted(behind.refusing.len() as u64, "address")
            ));
        }
        for unit in &behind.own {
            lines.push(format!(
                "address {unit} is answered while the line is busy with another unit: likely the gateway's own \
                 registers, no unit"
            ));
        }
    }
    if report.ended == SearchEnd::Over(FindEnd::NotAsked) {
        lines.push(
            "make sure that nobody works at the terminals, then press y when asked, or give --may-wake".to_owned(),
        );
    }
    if let Some(until) = report.quiet_until {
        lines.push(format!(
            "nobody else was heard here: a look that begins before {} does not listen first once more",
            until.strftime("%H:%M:%S UTC")
        ));
    }
    match (&report.saved, &args.save) {
        (Some(path), _) => lines.push(format!("kept in {}", packside_profiles::shown(&path))),
        (None, Some(name)) if !report.findings.found.is_empty() => lines.push(format!(
            "not kept as {}: which of the units is meant cannot be told",
            name.clean()
        )),
        _ => {}
    }
    lines
}

/// What is known of a port, one phrase each.
pub(super) fn port(port: &LocalPort) -> Vec<String> {
    let system = &port.system;
    let adapter = port.adapter.as_ref();
    let mut first = port.name.clone();
    if let Some(adapter) = adapter {
        let words = [&adapter.maker, &adapter.product];
        let words: Vec<&str> = words.into_iter().flatten().map(String::as_str).collect();
        let _ = write!(
            first,
            ": {}",
            if words.is_empty() {
                "USB adapter".to_owned()
            } else {
                words.join(", ")
            }
        );
        if let Some(serial) = &adapter.serial {
            let _ = write!(first, ", serial {serial}");
        }
    }
    let mut lines = vec![first];
    lines.extend(
        system
            .driver
            .as_ref()
            .map(|driver| format!("driver {driver}")),
    );
    lines.extend(
        system
            .by_id
            .as_ref()
            .map(|name| format!("always {name}, whatever socket it is in")),
    );
    lines.extend(
        system
            .hold_back
            .map(|time| format!("holds short packets back for up to {} ms", time.as_millis())),
    );
    lines
}

fn asked(report: &FindReport) -> Vec<String> {
    if report.findings.questions == 0 {
        return Vec::new();
    }
    let mut lines = vec![format!(
        "{} in {:.1} s, after {:.1} s of listening",
        counted(report.findings.questions as u64, "question"),
        report.findings.took.as_secs_f64(),
        report
            .findings
            .listened
            .as_ref()
            .map_or(0.0, |_| report.window.as_secs_f64())
    )];
    if let Some(resume) = report.findings.resume {
        lines.push(format!("stopped behind question {resume} of the order"));
    }
    if report.ended == SearchEnd::Over(FindEnd::Exhausted)
        && report.findings.found.is_empty()
        && report.findings.gateway.is_none()
    {
        lines.push(format!(
            "all was asked in {}. Silence says nothing of the battery: is the unit switched on and awake, is it the \
             right socket, are the two wires swapped, is there a common wire?",
            long(report.findings.took)
        ));
    }
    lines
}
