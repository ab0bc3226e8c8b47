//! The texts of listening: one line per exchange, the view while it goes on, the summary at the end.
//!
//! At most 100 columns, good without colour. Does not: decide anything.

use std::collections::VecDeque;
use std::fmt::Write as _;
use std::time::Duration;

use packside_profiles::Value;
use packside_profiles::model::Profile;

use crate::event::LinkFacts;
use crate::facts::{Judgement, Reading, ReadingQuality};
use crate::listen::{Asked, Fate, Mismatch, Overheard, Picture, Poll, Summary};
use crate::show::json::listen::never_asked;
use crate::show::{paper, screen};
use crate::wire::exception_name;
use crate::words::{self, with_unit};

/// Widest line.
const WIDTH: usize = 100;
/// Kinds of requests that are shown.
const POLLS: usize = 12;
/// Readings that are shown.
const READINGS: usize = 24;

/// One exchange in one line, its bytes at the end as far as they fit.
pub(super) fn exchange(exchange: &Overheard, has_times: bool) -> String {
    let at = if has_times {
        format!("{:>9.3} s  ", exchange.at.as_secs_f64())
    } else {
        String::new()
    };
    let asked = what(&Asked::from(exchange));
    let mut fate = fate(exchange, has_times);
    if exchange.is_ours {
        fate.push_str(" (our question)");
    }
    let mut line = format!("{at}unit {:<3} {asked:<30} {fate}", exchange.unit());
    let frames = [&exchange.request, &exchange.answer];
    for frame in frames.into_iter().filter(|frame| !frame.is_empty()) {
        line.push(' ');
        for byte in frame {
            let _ = write!(line, " {byte:02x}");
        }
    }
    if line.chars().count() > WIDTH {
        line = line.chars().take(WIDTH - 1).collect::<String>() + "…";
    }
    line
}

fn fate(exchange: &Overheard, has_times: bool) -> String {
    let after = match exchange.waited {
        Some(waited) if has_times => format!(" after {:.0} ms", waited.as_secs_f64() * 1e3),
        _ => String::new(),
    };
    match exchange.fate {
        Fate::Answered => format!("answered{after}"),
        Fate::Exception(code) => {
            let name =
                exception_name(code).map_or_else(|| format!("code {code:02x}"), str::to_owned);
            format!("refused{after}: {name}")
        }
        Fate::Unanswered if exchange.is_retry => "NO ANSWER to a retry".to_owned(),
        Fate::Unanswered => "NO ANSWER".to_owned(),
        Fate::Damaged => "DAMAGED answer".to_owned(),
        Fate::Mismatched(Mismatch::Unit) => {
            let other = exchange.answer.first().copied().unwrap_or_default();
            format!("UNIT {other} SPOKE instead")
        }
        Fate::Mismatched(Mismatch::Function) => "OTHER FUNCTION answered".to_owned(),
        Fate::Mismatched(Mismatch::Length) => "OTHER LENGTH answered".to_owned(),
        Fate::Mismatched(Mismatch::Content) => "SOMETHING ELSE answered".to_owned(),
        Fate::Unasked => "(no question heard)".to_owned(),
        Fate::Unlisted => "(valid, direction not known)".to_owned(),
        Fate::Echo => "came back from the line".to_owned(),
        Fate::Broadcast => "to all, no answer due".to_owned(),
    }
}

/// What is asked, in the words of the standard.
fn what(asked: &Asked) -> String {
    let name = match asked.function {
        0x01 => "read coil",
        0x02 => "read discrete",
        0x03 => "read holding",
        0x04 => "read input",
        0x05 => "write coil",
        0x06 | 0x10 => "write holding",
        0x07 => "read exception status",
        0x08 => "diagnostics",
        0x0b => "read event counter",
        0x0c => "read event log",
        0x0f => "write coil",
        0x11 => "read server id",
        0x14 => "read file",
        0x15 => "write file",
        0x16 => "mask holding",
        0x17 => "read and write holding",
        0x18 => "read queue",
        0x2b => "read identification",
        other => return format!("function {other:02X} hex"),
    };
    match (asked.register, asked.count) {
        (Some(from), Some(count)) if count > 1 => {
            let to = u32::from(from) + u32::from(count) - 1;
            format!("{name} {from}…{to}")
        }
        (Some(from), _) => format!("{name} {from}"),
        _ => name.to_owned(),
    }
}

/// Hours, minutes and seconds.
fn clock(time: Duration) -> String {
    let seconds = time.as_secs();
    format!(
        "{}:{:02}:{:02}",
        seconds / 3600,
        seconds / 60 % 60,
        seconds % 60
    )
}

/// The view while listening goes on.
pub(super) struct View<'a> {
    pub(super) facts: Option<&'a LinkFacts>,
    pub(super) listened: Duration,
    pub(super) summary: &'a Summary,
    pub(super) recent: &'a VecDeque<String>,
    pub(super) verdict: Option<&'a Judgement>,
    pub(super) colour: bool,
}

impl View<'_> {
    pub(super) fn text(&self) -> String {
        let mut out = String::new();
        let link = self.facts.map(screen::link_text).unwrap_or_default();
        let _ = writeln!(
            out,
            "LISTENING {}  {link} · not a byte is sent · q ends",
            clock(self.listened)
        );
        polls(&mut out, self.summary, Some(self.listened));
        if self.summary.bytes == 0 {
            let _ = writeln!(out, "  nothing heard yet");
        }
        for line in self.recent {
            let _ = writeln!(out, "{line}");
        }
        health(&mut out, self.summary);
        if let Some(verdict) = self.verdict.filter(|_| self.summary.frames > 0) {
            screen::headline(&mut out, "  so far: ", verdict, self.colour);
        }
        out
    }
}

/// Who asks what of whom.
fn polls(out: &mut String, summary: &Summary, now: Option<Duration>) {
    if summary.polls.is_empty() {
        return;
    }
    let _ = writeln!(
        out,
        "  {:<5} {:<32} {:>9} {:>7} {:>9} {:>8}  {}",
        "unit",
        "is asked to",
        "every",
        "asked",
        "answered",
        "refused",
        if now.is_some() { "last" } else { "" }
    );
    let mut shown: Vec<&Poll> = summary.polls.iter().collect();
    shown.sort_by_key(|poll| std::cmp::Reverse(poll.requests));
    let more = shown.len().saturating_sub(POLLS);
    shown.truncate(POLLS);
    shown.sort_by_key(|poll| poll.asked);
    for poll in shown {
        let every = poll.period.filter(|period| !period.is_zero());
        let every = every.map_or_else(|| "-".to_owned(), |p| format!("{:.2} s", p.as_secs_f64()));
        let last = now.map_or_else(String::new, |now| {
            format!("{:.0} s ago", now.saturating_sub(poll.last).as_secs_f64())
        });
        let none = if poll.answered + poll.exceptions == 0 {
            "  NEVER ANSWERED"
        } else {
            ""
        };
        let _ = writeln!(
            out,
            "  {:<5} {:<32} {every:>9} {:>7} {:>9} {:>8}  {last}{none}",
            poll.asked.unit,
            what(&poll.asked),
            poll.requests,
            poll.answered,
            poll.exceptions
        );
    }
    if more > 0 {
        let _ = writeln!(
            out,
            "    and {more} other kinds of questions (--format json)"
        );
    }
}

/// Frames, damage, answer times.
fn health(out: &mut String, summary: &Summary) {
    let mut parts = vec![format!(
        "{} frames, {} bytes in no frame",
        summary.frames, summary.noise_bytes
    )];
    if summary.frames > 0 {
        parts.push(format!(
            "proven damaged {:.1} % ({:.1}…{:.1} %)",
            100.0 * summary.damage.seen,
            100.0 * summary.damage.low,
            100.0 * summary.damage.high
        ));
    }
    let time = |time: Option<Duration>| time.map(|t| format!("{:.0} ms", t.as_secs_f64() * 1e3));
    if let (Some(p50), Some(p99), Some(max)) = (
        time(summary.answer_p50),
        time(summary.answer_p99),
        time(summary.answer_max),
    ) && summary.answer_max > Some(Duration::ZERO)
    {
        parts.push(format!(
            "half of the answers within {p50}, 99 in 100 within {p99}, longest {max}"
        ));
    }
    for (count, name) in [
        (summary.unlisted, "valid but in no standard"),
        (summary.foreign, "times another protocol"),
        (summary.unclear, "times bytes of no kind"),
        (summary.unanswered, "unanswered"),
        (summary.mismatched, "answered with something else"),
        (summary.echoes, "echoes"),
        (summary.garbled, "garbled"),
        (summary.unasked, "without question"),
        (summary.retries, "retries"),
    ] {
        if count > 0 {
            parts.push(format!("{count} {name}"));
        }
    }
    screen::wrap(out, &parts.join(" · "), "  ", "  ");
}

/// The summary at the end.
pub(super) struct Ending<'a> {
    pub(super) facts: Option<&'a LinkFacts>,
    pub(super) listened: Option<Duration>,
    pub(super) summary: &'a Summary,
    pub(super) pictures: &'a [Picture],
    pub(super) judgement: Option<&'a Judgement>,
    pub(super) profile: Option<&'a Profile>,
    pub(super) colour: bool,
    pub(super) command: &'a str,
}

impl Ending<'_> {
    pub(super) fn text(&self) -> String {
        let mut out = String::new();
        let _ = writeln!(out);
        for (index, picture) in self.pictures.iter().enumerate() {
            let lead = if index == 0 {
                "THE LINE  "
            } else {
                "ALSO      "
            };
            screen::wrap(&mut out, &picture.text, lead, "          ");
            for why in &picture.why {
                screen::wrap(&mut out, why, "  - ", "    ");
            }
            let _ = writeln!(out, "  how sure: {}", picture.strength.id());
        }
        let link = self
            .facts
            .map_or_else(|| "settings not said".to_owned(), screen::link_text);
        let how_long = self.listened.map_or_else(
            || "bytes without times".to_owned(),
            |listened| format!("listened {}", clock(listened)),
        );
        let _ = writeln!(out, "\nHeard");
        screen::wrap(
            &mut out,
            &format!("{link} · {how_long} · no byte sent"),
            "  ",
            "  ",
        );
        polls(&mut out, self.summary, None);
        health(&mut out, self.summary);
        let heard = |judgement: &&Judgement| judgement.readings.iter().any(|r| r.age.is_some());
        if let Some(judgement) = self.judgement.filter(heard) {
            self.battery(&mut out, judgement);
        } else if self.judgement.is_some() {
            let _ = writeln!(
                out,
                "\nNothing of the battery was heard, so nothing can be said about it."
            );
        } else if self.summary.answered > 0 {
            let _ = writeln!(
                out,
                "\nNo readings: give the register map with --profile NAME."
            );
        }
        let _ = writeln!(out, "\nNext");
        for picture in self.pictures {
            screen::wrap(&mut out, &picture.next, "  - ", "    ");
        }
        let _ = writeln!(out, "next: packside {}", self.command);
        out
    }

    /// What the battery says of itself, in other people's conversation.
    fn battery(&self, out: &mut String, judgement: &Judgement) {
        let name = self.profile.map_or("", |p| p.profile.id.as_str());
        let title = format!("The battery, as overheard (map {name})");
        out.push('\n');
        screen::wrap(out, &title, "", "");
        screen::headline(out, "  ", judgement, self.colour);
        for why in words::reasons(judgement).iter().take(3) {
            screen::wrap(out, why, "  - ", "    ");
        }
        let heard: Vec<&Reading> = judgement
            .readings
            .iter()
            .filter(|reading| reading.age.is_some())
            .collect();
        for reading in heard.iter().take(READINGS) {
            paper::row(out, &one_reading(reading));
        }
        if heard.len() > READINGS {
            let _ = writeln!(
                out,
                "    and {} more (--format json)",
                heard.len() - READINGS
            );
        }
        let never: Vec<&str> = never_asked(judgement).collect();
        if let [first, ..] = never.as_slice() {
            let text = format!(
                "{} points of the map were never asked for ({first} and others): nothing is known of them, so nobody can \
                 call the battery sound from this alone",
                never.len()
            );
            screen::wrap(out, &text, "  ", "  ");
        }
    }
}

fn one_reading(reading: &Reading) -> String {
    let value = match (reading.any_number(), &reading.value_name, &reading.value) {
        (_, Some(name), _) => name.clone(),
        (Some(number), None, _) => with_unit(number, &reading.value_unit),
        (None, None, Some(Value::Text(text))) => text.clean().into_owned(),
        (None, None, _) => reading.quality.id().to_owned(),
    };
    let raw = reading
        .raw
        .filter(|_| !matches!(reading.value, Some(Value::Text(_))));
    let raw = raw.map_or_else(String::new, |raw| format!("0x{raw:04x}"));
    let age = reading
        .age
        .map_or_else(String::new, |age| format!("{:.0} s old", age.as_secs_f64()));
    let doubt = if reading.quality == ReadingQuality::Good {
        String::new()
    } else {
        format!("  {}", reading.quality.id())
    };
    format!(
        "  unit {:<3} {:<20} {value:>14}  {raw:<7} register {:<6} {age}{doubt}",
        reading.unit, reading.name, reading.register
    )
}
