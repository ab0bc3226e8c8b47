//! `packside profile new`: a started map with everything that is required.
//!
//! On a terminal each blank is asked for once; what is not answered, and everything where nobody can
//! be asked, stays marked as a blank, and a map with blanks does not load.

use std::path::Path;

use super::given::{CheckOutcome, failed, object};
use crate::cli::failure::LOCAL;
use crate::cli::out;
use crate::show::json::profile::Content;

/// What stands where nothing was said.
const BLANK: &str = "\"?\"";

/// What is asked for: key of the file, question, whether the answer is quoted.
const QUESTIONS: &[(&str, &str, bool)] = &[
    (
        "id",
        "short name of the map, letters, digits and - (my-battery)",
        true,
    ),
    ("title", "what unit it is for, in one line", true),
    ("document", "the document it is typed from", true),
    ("revision", "revision of that document", true),
    ("author", "who types it", true),
    ("date", "today (2026-11-30)", true),
    (
        "addresses",
        "how the document numbers registers: from-0, from-1 or with-table (30001, 40001)",
        true,
    ),
    ("line", "line settings of the unit (9600-8N1)", true),
    ("unit", "unit address (1)", false),
    (
        "silence_s",
        "seconds of silence after which the unit reports its inverter",
        false,
    ),
    ("cells_per_module", "cells in series in one module", false),
    ("chemistry", "LFP, NMC, NCA, LMO, LTO, or unknown", true),
];

const TEMPLATE: &str = r#"# A map of your own. "?" is a blank: packside profile check FILE names every one that is left.
# How each key is meant: docs/maps.md.
format = 1
# How the document numbers registers: from-0 (as on the wire), from-1, with-table (30001, 40001).
addresses = <addresses>

[profile]
id = <id>
title = <title>
document = <document>
revision = <revision>
author = <author>
date = <date>
verified_on_hardware = false

[answering]
line = <line>
unit = <unit>
# Usual and longest time to an answer.
answer_time_ms = 100
time_out_ms = 1000
# Function codes that the unit understands; only reads are ever sent.
functions = [3, 4]

[inverter]
# this-bus, other-rs485, can, unknown
port = "unknown"
# What the unit takes for its inverter: any-request, reads-of, writes, other-port, unknown (then every
# question of ours may be taken for it, and is asked only on your word).
fed_by = "unknown"
silence_s = <silence_s>
# The flag below that says "no inverter".
flag = "inverter-silent"

[unit]
switch = "contactor"
# dead, live, live-until-silence: without an inverter. Take it for live unless the maker says dead.
terminals_without_inverter = "live"
self_test_s = 10
cells_per_module = <cells_per_module>
chemistry = <chemistry>
rest_current = 1.0

# ---- what may be read; a read never leaves a span
[[span]]
table = "?"
from = "?"
to = "?"

# ---- what the verdict needs: state, alarms, own counter, who it is, current, cells, temperatures
[[point]]
id = "state"
role = "state"
table = "?"
address = "?"
type = "enum16"
required = true
# off, self-test, waiting, precharge, standby, running, stopping, fault, maintenance
value = [{ is = "?", name = "?", state = "?" }]

[[point]]
id = "alarms"
role = "alarm_word"
table = "?"
address = "?"
type = "bits16"

[[point]]
id = "heartbeat"
role = "own_heartbeat"
table = "?"
address = "?"
type = "u16"

[[point]]
id = "serial"
role = "serial"
table = "?"
address = "?"
type = "string"
registers = "?"

[[point]]
id = "firmware"
role = "firmware"
table = "?"
address = "?"
type = "string"
registers = "?"

[[point]]
id = "current"
role = "pack_current"
table = "?"
address = "?"
type = "i16"
scale = "?"
unit = "A"
# charge or discharge: which is positive
positive = "?"
limits = { alarm_below = "?", alarm_above = "?" }

[[point]]
id = "cell_voltage_max"
role = "cell_voltage_max"
table = "?"
address = "?"
type = "u16"
scale = "?"
unit = "V"
limits = { alarm_above = "?" }

[[point]]
id = "cell_voltage_min"
role = "cell_voltage_min"
table = "?"
address = "?"
type = "u16"
scale = "?"
unit = "V"
limits = { alarm_below = "?" }

[[point]]
id = "cell_temperature_max"
role = "cell_temperature_max"
table = "?"
address = "?"
type = "i16"
scale = "?"
unit = "degC"
limits = { alarm_above = "?" }

[[point]]
id = "cell_temperature_min"
role = "cell_temperature_min"
table = "?"
address = "?"
type = "i16"
scale = "?"
unit = "degC"
limits = { alarm_below = "?" }

# ---- what the bits mean; one [[flag]] for each bit that the document names
[[flag]]
id = "inverter-silent"
point = "alarms"
bit = "?"
class = "inverter-silent"
severity = "warning"
meaning = "no inverter is heard"
lies_in = "inverter-side"
clears = "self"
"#;

/// Writes the file.
pub(super) fn new(file: &Path, json: bool) -> CheckOutcome {
    let name = packside_profiles::shown(&file);
    if file.exists() {
        let message = format!("{name}: it is there already");
        return failed("file", &message, "give another name", LOCAL, json);
    }
    let text = filled(|question| {
        if json || !out::interactive() {
            return None;
        }
        out::say(&format!("{question} [Enter leaves it blank]"));
        out::answer()
    });
    if let Err(error) = std::fs::write(file, &text) {
        let message = format!("{name}: cannot be written: {error}");
        return failed("file", &message, "give another place", LOCAL, json);
    }
    let blanks = text
        .lines()
        .filter(|line| !line.starts_with('#'))
        .filter(|line| line.contains(BLANK))
        .count();
    let stdout = match json {
        true => object(
            "new",
            Content::Started {
                file: name.clone(),
                blanks,
            },
        ),
        false => format!(
            "{name}: started; {blanks} lines have blanks left, marked {BLANK}\n\nnext: packside profile check {name}\n"
        ),
    };
    (stdout, String::new(), 0)
}

/// The template with what was answered.
fn filled(ask: impl Fn(&str) -> Option<String>) -> String {
    let mut text = TEMPLATE.to_owned();
    for (key, question, quoted) in QUESTIONS {
        let answer = ask(question).map(|answer| answer.trim().to_owned());
        let answer = answer.filter(|answer| !answer.is_empty());
        let value = match answer {
            None => BLANK.to_owned(),
            Some(answer) if *quoted || answer.parse::<f64>().is_err() => {
                serde_json::Value::from(answer.as_str()).to_string()
            }
            Some(answer) => answer,
        };
        text = text.replace(&format!("<{key}>"), &value);
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn started_map_is_refused_until_its_blanks_are_filled_and_each_is_named() {
        let text = filled(|_| None);
        let problems = packside_profiles::load(&text, "new.toml").unwrap_err();
        let lines: Vec<usize> = problems.list.iter().map(|problem| problem.line).collect();
        for (number, _) in text.lines().enumerate().filter(|(_, line)| {
            !line.starts_with('#')
                && line.contains(BLANK)
                && !line.starts_with("title")
                && !line.starts_with("document")
                && !line.starts_with("revision")
                && !line.starts_with("author")
        }) {
            assert!(
                lines.contains(&(number + 1)),
                "line {}: {lines:?}",
                number + 1
            );
        }
    }

    #[test]
    fn answers_stand_where_they_belong() {
        let text = filled(|question| question.contains("unit address").then(|| " 7 ".to_owned()));
        assert!(
            text.contains("unit = 7\n") && text.contains("chemistry = \"?\"\n"),
            "{text}"
        );
    }
}
