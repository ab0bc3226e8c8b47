//! How far a search is: a bar on a terminal, times and settings in words.

use std::time::Duration;

use packside_profiles::LineSettings;

use super::super::out;
use super::report::FindReport;
use crate::event::LinkFacts;

/// A bar on a terminal.
pub(super) fn bar(what: &str) -> Option<indicatif::ProgressBar> {
    out::bar(&format!("  {{bar:24}} {{pos}}/{{len}} {what}  {{msg}}"))
}

/// A time in words, coarse.
pub(super) fn long(time: Duration) -> String {
    if time < MINUTE * 2 {
        format!("{} s", time.as_secs().max(1))
    } else if time < MINUTE * 90 {
        format!("{} min", time.as_secs() / 60)
    } else {
        format!("{:.1} h", time.as_secs_f64() / 3600.0)
    }
}

/// Settings of the line that a report is about.
pub(super) fn line_text(report: &FindReport, line: LineSettings) -> String {
    settings_text(&report.findings.facts, line)
}

pub(super) fn settings_text(facts: &LinkFacts, line: LineSettings) -> String {
    match facts.line() {
        Some(_) => line.to_string(),
        None => "the gateway's own settings".to_owned(),
    }
}

/// Times are told in seconds up to two of these.
const MINUTE: Duration = Duration::from_secs(60);
