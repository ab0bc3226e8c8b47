//! The written parts of the page.
//!
//! Does not: draw (`figures`), or leave out what speaks against the unit, whoever reads it.

use std::time::Duration;

use packside_profiles::model::Needs;
use packside_profiles::{Role, Value};

use super::facts;
use super::html::{Html, number};
use super::page::Parts;
use super::words;
use crate::diagnose::{Finding, NextStep, Reading, ReadingQuality, VerdictKind};
use crate::recording::Entry;

/// A section with its heading.
pub(crate) fn section(html: &mut Html, heading: &str, inner: impl FnOnce(&mut Html)) {
    html.around("section", &[], |section| {
        section.put("h2", &[], heading);
        section.around("div", &[], inner);
    });
}

/// A table whose rows turn into short lists where the page is narrow.
pub(crate) fn table(html: &mut Html, caption: &str, columns: &[&str], rows: &[Vec<String>]) {
    // What is short stays a table on a phone too.
    let width = |row: &Vec<String>| {
        row.iter()
            .map(|cell| cell.chars().count() + 3)
            .sum::<usize>()
    };
    let class = match (rows.iter().all(|row| width(row) <= 44), columns.len() > 3) {
        (true, _) => "",
        (false, true) => "pile full",
        (false, false) => "pile",
    };
    html.around("table", &[("class", class)], |table| {
        if !caption.is_empty() {
            table.put("caption", &[], caption);
        }
        table.head(columns);
        table.around("tbody", &[], |body| {
            for cells in rows {
                body.around("tr", &[], |row| {
                    for (index, (cell, column)) in cells.iter().zip(columns).enumerate() {
                        if index == 0 {
                            row.put("th", &[("scope", "row")], cell);
                        } else {
                            row.put("td", &[("data-label", column)], cell);
                        }
                    }
                });
            }
        });
    });
}

/// Who is it about, and when.
pub(crate) fn title(html: &mut Html, parts: &Parts) {
    html.around("h1", &[], |h1| {
        h1.text("Record of a visit to the battery unit ");
        h1.put("strong", &[], &parts.serial());
    });
    let start = &parts.source.session.start;
    let begun = words::local(start, Duration::ZERO);
    html.put(
        "p",
        &[("class", "soft")],
        &format!("{begun} (local time and its offset to UTC)"),
    );
    if parts.is_simulated() {
        html.put(
            "p",
            &[("class", "stamp")],
            "SIMULATED: made with the built-in simulator. There was no real unit, and nothing here is about one.",
        );
    }
}

/// The verdict as shown on site, and as judged today where that differs.
pub(crate) fn verdict(html: &mut Html, parts: &Parts) {
    let today = &parts.source.judgement.verdict;
    let shown = super::last_shown(parts.source.session);
    let kind = shown.map_or(Some(today.kind), |shown| words::kind_of(&shown.verdict));
    let (sign, class) = words::sign(kind);
    html.around("section", &[("class", "verdict")], |section| {
        section.put("h2", &[], "Verdict");
        section.around("div", &[], |inner| {
            inner.around("p", &[("class", "head")], |head| {
                head.put("span", &[("class", class), ("aria-hidden", "true")], sign);
                let unknown = || shown.map_or_else(String::new, |s| s.verdict.clone());
                let text = kind.map_or_else(unknown, |kind| words::verdict(kind).to_owned());
                head.put("span", &[], &text);
            });
            if let Some(kind) = kind.filter(|_| !parts.for_desk()) {
                inner.put("p", &[], words::verdict_for_customer(kind));
            }
            said(inner, parts);
            if parts.for_desk() && !today.why.is_empty() {
                inner.around("ul", &[], |list| {
                    for why in &today.why {
                        list.put("li", &[], why);
                    }
                });
            }
            causes(inner, parts);
        });
    });
}

/// What was shown when, and whether it would be shown again.
fn said(html: &mut Html, parts: &Parts) {
    let (session, today) = (parts.source.session, &parts.source.judgement.verdict);
    let Some(shown) = super::last_shown(session) else {
        html.put("p", &[], &today.summary);
        html.put(
            "p",
            &[("class", "differs")],
            "No verdict was shown on site, or the recording was cut before it. This one was judged now, from what is recorded.",
        );
        return;
    };
    if parts.for_desk() {
        html.put("p", &[], &shown.summary);
    }
    html.put(
        "p",
        &[("class", "soft small")],
        &format!(
            "Shown on site at {} by packside {}.",
            words::local(&session.start, shown.at),
            shown.tool
        ),
    );
    let same = shown.verdict == today.kind.id() && shown.summary == today.summary;
    if same {
        html.put(
            "p",
            &[("class", "soft small")],
            &format!(
                "Judged again by packside {} from the recorded bytes: the same.",
                env!("CARGO_PKG_VERSION")
            ),
        );
    } else {
        html.put(
            "p",
            &[("class", "differs")],
            &format!(
                "Judged again by packside {} from the recorded bytes, it is another: {}. {}",
                env!("CARGO_PKG_VERSION"),
                words::verdict(today.kind),
                if parts.for_desk() {
                    &today.summary
                } else {
                    words::verdict_for_customer(today.kind)
                }
            ),
        );
    }
}

/// Weighed reasons of a problem of the bus.
fn causes(html: &mut Html, parts: &Parts) {
    let causes = &parts.source.judgement.verdict.causes;
    if causes.is_empty() || !parts.for_desk() {
        return;
    }
    html.put("h3", &[], "What may be behind it, the likeliest first");
    html.around("ol", &[], |list| {
        for cause in causes.iter().take(5) {
            list.around("li", &[], |item| {
                item.text(cause.meaning);
                if !cause.reasons_for.is_empty() {
                    item.text(&format!("; for it: {}", cause.reasons_for.join(", ")));
                }
                if !cause.reasons_against.is_empty() {
                    item.text(&format!("; against: {}", cause.reasons_against.join(", ")));
                }
            });
        }
    });
}

/// What may be broken all the same.
pub(crate) fn not_tested(html: &mut Html, parts: &Parts) {
    let items = &parts.source.judgement.not_tested;
    section(html, "Not tested", |inner| {
        if items.is_empty() {
            let nothing = match parts.source.judgement.verdict.kind {
                VerdictKind::BusProblem => "Nothing was tested: no valid answer came.",
                _ => "No list: what a look can tell was looked at. What it cannot tell stays open.",
            };
            inner.put("p", &[], nothing);
            return;
        }
        inner.put(
            "p",
            &[],
            "Nobody has looked at these yet. They may be broken all the same.",
        );
        let rows: Vec<Vec<String>> = items
            .iter()
            .map(|item| vec![words::named(item.id), item.why.clone(), item.when.clone()])
            .collect();
        table(inner, "", &["What", "Why not", "When it can be"], &rows);
    });
}

/// What to do, lowest risk first. A customer is asked to look, nothing else.
pub(crate) fn next(html: &mut Html, parts: &Parts) {
    let steps = &parts.source.judgement.verdict.next;
    section(html, "Next step", |inner| {
        let told: Vec<&NextStep> = steps
            .iter()
            .filter(|step| parts.for_desk() || step.needs == Needs::Look)
            .collect();
        if !told.is_empty() {
            inner.around("ol", &[], |list| {
                for step in &told {
                    list.around("li", &[], |item| {
                        item.put("span", &[("class", "needs")], words::needs(step.needs));
                        item.text(&format!(" {} ({})", step.text, step.who));
                    });
                }
            });
        }
        match steps.len() - told.len() {
            0 if steps.is_empty() => inner.put("p", &[], "None."),
            0 => inner,
            _ => inner.put("p", &[], NOT_FOR_CUSTOMERS),
        };
        if !parts.for_desk() {
            inner.put("p", &[], "Please look only, and touch nothing.");
        }
    });
}

const NOT_FOR_CUSTOMERS: &str =
    "There is more to do, and all of it is work for a qualified person.";

/// What every report must carry.
pub(crate) fn cautions(html: &mut Html) {
    html.around("section", &[("class", "cautions")], |section| {
        section.put("h2", &[], "Caution");
        section.around("div", &[], |inner| {
            for text in [
                "Battery stacks hold hazardous voltage even when switched off. The stack itself cannot be made dead; only \
                 the far side of an open isolator can be proven dead, with a rated two-pole tester. Short-circuit current \
                 welds tools and burns, at 48 V as well. Never open DC connectors or breakers under load; wait for the \
                 inverter's capacitors.",
                "Hot, hissing, smoking, swollen or smelling: leave, call the fire service. Flooded: do not touch. A cell \
                 below its maker's absolute minimum, or one that cannot be read: do not charge, do not install, set it \
                 apart, ask the maker. A damaged or suspect lithium battery does not travel as ordinary goods (UN special \
                 provision 376).",
                "All of it is work for qualified persons under local codes, with the maker's manual and protective \
                 equipment. Nothing on this page is a release for work or a proof of absence of voltage. A verdict is \
                 advice to a licensed practitioner, who decides.",
            ] {
                inner.put("p", &[], text);
            }
        });
    });
}

/// Who, where, what, how.
pub(crate) fn visit(html: &mut Html, parts: &Parts) {
    let source = parts.source;
    let identity = &source.judgement.identity;
    let answer = |step: &str| parts.facts.answer(step).map(|a| a.value.clone());
    let not_said = || "not said".to_owned();
    section(html, "Who, where, what", |inner| {
        inner.around("dl", &[], |list| {
            let mut pair = |name: &str, text: &str| {
                list.put("dt", &[], name).put("dd", &[], text);
            };
            pair("Done by", &answer("who").unwrap_or_else(not_said));
            pair("Site", &answer("where").unwrap_or_else(not_said));
            pair(
                "Begun",
                &words::local(&source.session.start, Duration::ZERO),
            );
            pair("Unit", &parts.serial());
            let text =
                |known: &Option<String>| known.clone().unwrap_or_else(|| "not read".to_owned());
            pair("Model", &text(&identity.model));
            pair("Firmware of the control unit", &text(&identity.firmware));
            let inverter = answer("inverter-setting").or_else(|| answer("inverter"));
            pair(
                "Inverter and its battery setting",
                &inverter.unwrap_or_else(not_said),
            );
            if parts.for_desk() {
                if let Some(profile) = source.profile {
                    let head = &profile.profile;
                    let verified = if head.verified_on_hardware {
                        "compared with a real unit"
                    } else {
                        "never compared with a real unit"
                    };
                    let sha = source
                        .profile_sha256
                        .get(..12)
                        .unwrap_or(source.profile_sha256);
                    pair(
                        "Register map",
                        &format!("{} ({sha}), {}; {verified}", head.id, head.title),
                    );
                }
                if let Some(link) = facts::link(source.session) {
                    pair("Reached by", &facts::link_text(link, parts.options));
                    if let Some(plugged) = link.plugged {
                        pair("Plugged in", &words::named(&plugged.id().replace('-', " ")));
                    }
                }
                pair(
                    "Clock of the unit",
                    "not compared: the register map names no clock",
                );
            }
        });
        modules(inner, parts);
    });
}

/// Modules and packs with what they say of themselves.
fn modules(html: &mut Html, parts: &Parts) {
    let identity = &parts.source.judgement.identity;
    let text = |known: &Option<String>| known.clone().unwrap_or_else(|| "not read".to_owned());
    if identity.members.len() > 1 {
        let rows: Vec<Vec<String>> = identity
            .members
            .iter()
            .map(|m| {
                let state = m
                    .state
                    .as_ref()
                    .map_or("not read", |(_, name)| name.as_str());
                vec![
                    m.unit.to_string(),
                    text(&m.serial),
                    text(&m.firmware),
                    state.to_owned(),
                    words::verdict(m.kind).to_owned(),
                ]
            })
            .collect();
        html.put("h3", &[], "Packs");
        let columns = ["Address", "Serial number", "Firmware", "State", "By itself"];
        table(html, "", &columns, &rows);
    }
    if !identity.modules.is_empty() {
        let rows: Vec<Vec<String>> = identity
            .modules
            .iter()
            .map(|m| vec![m.position.to_string(), text(&m.serial), text(&m.firmware)])
            .collect();
        html.put("h3", &[], "Modules, as they say");
        table(html, "", &["Position", "Serial number", "Firmware"], &rows);
    }
}

/// What was found.
pub(crate) fn findings(html: &mut Html, parts: &Parts) {
    let findings = &parts.source.judgement.findings;
    section(html, "Found", |inner| {
        if findings.is_empty() {
            inner.put("p", &[], "Nothing to report from what was looked at.");
            return;
        }
        if parts.for_desk() {
            let rows: Vec<Vec<String>> = findings.iter().map(|f| desk_row(f, parts)).collect();
            let columns = [
                "Finding",
                "How grave",
                "Where",
                "What",
                "Raw and decoded",
                "Lies in",
            ];
            table(
                inner,
                "As judged today. A root is a possible reason, no consequence of another finding.",
                &columns,
                &rows,
            );
        } else {
            let rows: Vec<Vec<String>> = findings
                .iter()
                .map(|f| {
                    vec![
                        words::finding_for_customer(f).to_owned(),
                        words::severity(f.severity).to_owned(),
                        words::place(f),
                    ]
                })
                .collect();
            table(inner, "", &["What", "How grave", "Where"], &rows);
        }
    });
}

fn desk_row(finding: &Finding, parts: &Parts) -> Vec<String> {
    let role = match (&finding.follows_from, finding.root) {
        (Some(other), _) => format!("{}, follows from {other}", finding.source.id()),
        (None, true) => format!("{}, root", finding.source.id()),
        (None, false) => finding.source.id().to_owned(),
    };
    let to_do = if finding.to_do.is_empty() {
        String::new()
    } else {
        format!(". Do: {}", finding.to_do)
    };
    let readings = readings_of(finding, &parts.source.judgement.readings);
    let raw: Vec<String> = readings.iter().map(|r| raw_and_decoded(r)).collect();
    vec![
        format!("{} ({role})", finding.id),
        words::severity(finding.severity).to_owned(),
        format!("{}, address {}", words::place(finding), finding.unit),
        format!("{}{to_do}", finding.text),
        raw.join("; "),
        words::lies_in(finding.lies_in).to_owned(),
    ]
}

/// Readings that a finding names in its text.
pub(crate) fn readings_of<'r>(finding: &Finding, readings: &'r [Reading]) -> Vec<&'r Reading> {
    let mine = readings.iter().filter(|r| r.unit == finding.unit);
    mine.filter(|r| names(&finding.text, &r.name)).collect()
}

/// Whether a text holds a name as a whole word. A name that could be an ordinary word counts only
/// where its value follows.
fn names(text: &str, name: &str) -> bool {
    let is_word_like = !name.contains(['_', '[']);
    let inside = |c: char| c.is_alphanumeric() || matches!(c, '_' | '[');
    text.match_indices(name).any(|(at, _)| {
        let before = text.get(..at).and_then(|t| t.chars().next_back());
        let after = text.get(at + name.len()..).unwrap_or_default();
        let goes_on = after.chars().next().is_some_and(inside);
        let has_value = after.starts_with(" = ") || after.starts_with(" is ");
        !before.is_some_and(inside) && !goes_on && (has_value || !is_word_like)
    })
}

/// `alarm_2 = bits 0, 8; raw 0x1f01, input 2`.
pub(crate) fn raw_and_decoded(reading: &Reading) -> String {
    let table = match reading.table {
        packside_profiles::model::Table::Coil => "coil",
        packside_profiles::model::Table::Discrete => "discrete",
        packside_profiles::model::Table::Holding => "holding",
        packside_profiles::model::Table::Input => "input",
    };
    let raw = reading
        .raw
        .map_or_else(|| "nothing".to_owned(), |raw| format!("0x{raw:04x}"));
    format!(
        "{} = {}, raw {raw} in {table} {}",
        reading.name,
        value(reading),
        reading.register
    )
}

/// A value with its unit, or why there is none.
pub(crate) fn value(reading: &Reading) -> String {
    let unit = words::unit(&reading.value_unit);
    let text = match &reading.value {
        None => reading.quality.id().replace('-', " "),
        Some(Value::Number(n)) => {
            let decimals = if matches!(
                reading.role,
                Role::CellVoltage | Role::CellVoltageMax | Role::CellVoltageMin
            ) {
                3
            } else if n.fract().abs() < 1e-9 {
                0
            } else {
                1
            };
            format!("{} {unit}", number(*n, decimals))
                .trim_end()
                .to_owned()
        }
        Some(Value::Text(text)) => text.clone(),
        Some(Value::Code(code)) => reading.value_name.as_ref().map_or_else(
            || format!("unknown value {code}"),
            |name| format!("{code}, {name}"),
        ),
        Some(Value::Bits(0)) => "no bit set".to_owned(),
        Some(Value::Bits(bits)) => {
            let set: Vec<String> = (0..64u32)
                .filter(|bit| bits >> bit & 1 == 1)
                .map(|bit| bit.to_string())
                .collect();
            format!("bits {}", set.join(", "))
        }
    };
    match reading.quality {
        ReadingQuality::Good => text,
        _ if reading.value.is_none() => text,
        quality => format!("{text} ({})", quality.id().replace('-', " ")),
    }
}

/// Counters and extremes that the unit keeps by itself, and everything else that was read.
pub(crate) fn kept(html: &mut Html, parts: &Parts) {
    const KEPT: [Role; 9] = [
        Role::CellVoltageMax,
        Role::CellVoltageMin,
        Role::CellTemperatureMax,
        Role::CellTemperatureMin,
        Role::Cycles,
        Role::Soh,
        Role::Uptime,
        Role::LatchedWord,
        Role::InverterAge,
    ];
    let readings = &parts.source.judgement.readings;
    let kept: Vec<&Reading> = readings.iter().filter(|r| KEPT.contains(&r.role)).collect();
    if readings.is_empty() {
        return;
    }
    section(html, "What the unit keeps", |inner| {
        if kept.is_empty() {
            inner.put("p", &[], "It keeps nothing that the register map names.");
        } else {
            table(
                inner,
                "Extremes, counters and memories of the unit itself, at the moment judged",
                &columns(parts),
                &kept
                    .iter()
                    .map(|r| reading_row(r, parts))
                    .collect::<Vec<_>>(),
            );
        }
        if !parts.for_desk() {
            return;
        }
        inner.around("details", &[], |details| {
            details.put(
                "summary",
                &[],
                "Everything that was read, raw beside decoded",
            );
            let all: Vec<Vec<String>> = readings.iter().map(|r| reading_row(r, parts)).collect();
            table(details, "", &columns(parts), &all);
        });
    });
}

fn columns(parts: &Parts) -> Vec<&'static str> {
    if parts.for_desk() {
        vec!["Name", "Value", "Raw", "Register", "Address"]
    } else {
        vec!["Name", "Value"]
    }
}

fn reading_row(reading: &Reading, parts: &Parts) -> Vec<String> {
    if !parts.for_desk() {
        return vec![words::named(&reading.name), value(reading)];
    }
    let raw = reading
        .raw
        .map_or_else(String::new, |raw| format!("0x{raw:04x}"));
    vec![
        reading.name.clone(),
        value(reading),
        raw,
        reading.register.to_string(),
        reading.unit.to_string(),
    ]
}

/// Every answer by its question.
pub(crate) fn answers(html: &mut Html, parts: &Parts) {
    if parts.facts.answers.is_empty() {
        return;
    }
    section(html, "Answers", |inner| {
        let rows: Vec<Vec<String>> = parts
            .facts
            .answers
            .iter()
            .map(|answer| {
                let before = if answer.before.is_empty() {
                    String::new()
                } else {
                    format!(" (before: {})", answer.before.join(", "))
                };
                vec![
                    answer.question.clone(),
                    format!("{}{before}", answer.value),
                    answer.note.clone(),
                    answer.when.clone(),
                ]
            })
            .collect();
        let columns = ["Question", "Answer", "Reason or remark", "When"];
        table(
            inner,
            "What a person answered, in the order asked",
            &columns,
            &rows,
        );
    });
}

/// Pictures, embedded where they were found and fit their hash.
pub(crate) fn photos(html: &mut Html, parts: &Parts) {
    if parts.facts.taken.is_empty() {
        return;
    }
    section(html, "Photographs", |inner| {
        for taken in &parts.facts.taken {
            let found = parts
                .source
                .pictures
                .iter()
                .find(|p| p.sha256 == taken.sha256);
            let kind = found.and_then(|picture| image_kind(&picture.bytes));
            inner.around("figure", &[], |figure| {
                if let (Some(picture), Some(kind)) = (found, kind) {
                    let data = format!("data:{kind};base64,{}", base64(&picture.bytes));
                    let alt = format!("Photograph {} at the step {}", taken.file, taken.step);
                    figure.open("img", &[("src", &data), ("alt", &alt)]);
                }
                figure.around("figcaption", &[], |caption| {
                    let embedded = match (found, kind) {
                        (Some(_), Some(_)) => "its hash fits the recording",
                        (Some(_), None) => "its hash fits the recording; of a kind that is not shown here",
                        (None, _) => "not shown: not found beside the recording, too large, or its hash does not fit",
                    };
                    caption.text(&format!(
                        "{}, step {}, {}; {embedded}. SHA-256 ",
                        taken.file, taken.step, taken.when
                    ));
                    caption.put("code", &[], &taken.sha256);
                });
            });
        }
    });
}

/// Kind of an image by its first bytes.
fn image_kind(bytes: &[u8]) -> Option<&'static str> {
    match bytes {
        [0x89, b'P', b'N', b'G', ..] => Some("image/png"),
        [0xff, 0xd8, 0xff, ..] => Some("image/jpeg"),
        [
            b'R',
            b'I',
            b'F',
            b'F',
            _,
            _,
            _,
            _,
            b'W',
            b'E',
            b'B',
            b'P',
            ..,
        ] => Some("image/webp"),
        _ => None,
    }
}

/// Base64 with padding, RFC 4648 section 4.
fn base64(bytes: &[u8]) -> String {
    const LETTERS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let mut text = String::with_capacity(bytes.len().div_ceil(3) * 4);
    for chunk in bytes.chunks(3) {
        let byte = |index: usize| u32::from(chunk.get(index).copied().unwrap_or(0));
        let bits = byte(0) << 16 | byte(1) << 8 | byte(2);
        for place in 0..4usize {
            let six = usize::try_from(bits >> (18 - 6 * place) & 63).unwrap_or(0);
            let letter = LETTERS.get(six).copied().filter(|_| place <= chunk.len());
            text.push(letter.map_or('=', char::from));
        }
    }
    text
}

/// The recording itself: what is missing, and what its fingerprint proves.
pub(crate) fn recording(html: &mut Html, parts: &Parts) {
    let recording = parts.source.recording;
    section(html, "The recording", |inner| {
        inner.around("p", &[], |p| {
            p.text("Fingerprint ")
                .put("code", &[], &recording.fingerprint);
            p.text(&format!(
                " over {} lines, {} sessions.",
                recording.lines,
                recording.sessions.len()
            ));
        });
        inner.put(
            "p",
            &[],
            "If it equals the one noted at the end of the visit, nothing in the recording was changed since, by accident or by hand. It \
             does not prove who wrote it, nor when, nor that a recording without a seal is complete.",
        );
        if recording.missing.is_empty() {
            inner.put("p", &[], "The recording is whole and sealed.");
        } else {
            inner.put("h3", &[], "Missing");
            inner.around("ul", &[], |list| {
                for missing in &recording.missing {
                    list.put("li", &[], &missing.to_string());
                }
            });
        }
        clocks(inner, parts);
        shown(inner, parts);
    });
}

/// Where the wall clock jumped, durations are unknown.
fn clocks(html: &mut Html, parts: &Parts) {
    let start = &parts.source.session.start;
    for (at, off) in facts::clock_jumps(parts.source.session) {
        html.put(
            "p",
            &[("class", "differs")],
            &format!(
                "At {} the wall clock and the session's clock went {} s apart: the computer slept or its clock was set. Durations across that moment are not known.",
                words::local(start, at),
                off / 1000
            ),
        );
    }
}

/// Every verdict that was shown.
fn shown(html: &mut Html, parts: &Parts) {
    const MOST: usize = 12;
    let mut rows = Vec::new();
    for session in &parts.source.recording.sessions {
        for entry in &session.entries {
            if let Entry::Shown(shown) = entry {
                rows.push(vec![
                    words::local(&session.start, shown.at),
                    shown.verdict.clone(),
                    shown.summary.clone(),
                    shown.tool.clone(),
                ]);
            }
        }
    }
    if rows.len() < 2 || !parts.for_desk() {
        return;
    }
    let all = rows.len();
    let last = rows.split_off(all.saturating_sub(MOST));
    let caption = if all > MOST {
        format!("The last {MOST} of {all} verdicts that were shown")
    } else {
        "Verdicts that were shown".to_owned()
    };
    table(
        html,
        &caption,
        &["When", "Verdict", "In one line", "Version"],
        &last,
    );
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn name_is_found_only_as_a_whole_word() {
        assert!(names("(alarm_2 = 0x1f01)", "alarm_2"));
        assert!(names(
            "cell_voltage[2.14] = 2.31 V is low",
            "cell_voltage[2.14]"
        ));
        assert!(!names("insulation_valid = 1", "insulation"));
        assert!(!names("pack_insulation = 1", "insulation"));
        assert!(names("insulation = 42 kOhm is low", "insulation"));
        assert!(!names("the main switches are open", "switches"));
    }

    #[test]
    fn base64_matches_the_published_examples() {
        // Kind: published. Source: RFC 4648, section 10.
        for (plain, coded) in [
            ("", ""),
            ("f", "Zg=="),
            ("fo", "Zm8="),
            ("foo", "Zm9v"),
            ("foob", "Zm9vYg=="),
            ("fooba", "Zm9vYmE="),
            ("foobar", "Zm9vYmFy"),
        ] {
            assert_eq!(base64(plain.as_bytes()), coded);
        }
    }
}
