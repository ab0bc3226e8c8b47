//! What was found, with the raw words beside, and everything that was read.
//!
//! Does not: judge, or leave out what speaks against the unit, whoever reads it.

use packside_profiles::model::LiesIn;
use packside_profiles::{Class, Role, Value};

use super::html::{Html, number};
use super::parts::Parts;
use super::parts::{section, table};
use super::words;
use crate::facts::{Finding, Reading, ReadingQuality};
use crate::words as sentence;

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
                "Lies in, and what becomes of it",
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
    let to_do = match sentence::what_to_do(parts.source.judgement, finding) {
        nothing if nothing.is_empty() => nothing,
        to_do => format!(". Do: {to_do}"),
    };
    let becomes = finding.disposition.map_or_else(String::new, |d| {
        format!("; {}: {}", finding.sure.id(), d.meaning())
    });
    let lies_in = match (finding.class, finding.lies_in) {
        (Some(Class::InsulationLow), LiesIn::Module) => "stack, or beyond its switches",
        (_, part) => words::lies_in(part),
    };
    let readings = readings_of(finding, &parts.source.judgement.readings);
    let raw: Vec<String> = readings.iter().map(|r| raw_and_decoded(r)).collect();
    vec![
        format!("{} ({role})", finding.id),
        words::severity(finding.severity).to_owned(),
        format!("{}, address {}", words::place(finding), finding.unit),
        format!(
            "{}{to_do}",
            sentence::of_finding(parts.source.judgement, finding)
        ),
        raw.join("; "),
        format!("{lies_in}{becomes}"),
    ]
}

/// Readings that a finding rests on.
pub(crate) fn readings_of<'r>(finding: &Finding, readings: &'r [Reading]) -> Vec<&'r Reading> {
    let mine = readings.iter().filter(|r| r.unit == finding.unit);
    let spots = finding.fact.spots();
    mine.filter(|r| spots.contains(&r.spot())).collect()
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
        Some(Value::Text(text)) => text.clean().into_owned(),
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
pub(crate) fn kept_by_unit(html: &mut Html, parts: &Parts) {
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
