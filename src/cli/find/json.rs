//! The end of a search as JSON.

use super::report::{FindReport, SearchEnd};
use crate::find::FindEnd;
use crate::show::json::find::{Gateway, Heard, SCHEMA, Search, Unit};
use crate::show::json::{TOOL, framing, ms};

/// One search as one object.
pub(super) fn object(report: &FindReport, next: String) -> Search {
    let has_line = !report.findings.facts.is_gateway();
    Search {
        schema: SCHEMA,
        tool: TOOL,
        simulated: report.findings.facts.is_simulated(),
        ended: ended(&report.ended),
        trouble: match &report.ended {
            SearchEnd::Trouble(trouble) => Some(trouble.to_string()),
            _ => None,
        },
        port: report.port.as_ref().map(Into::into),
        heard: report
            .findings
            .listened
            .as_ref()
            .map(|(listening, summary)| Heard::of(listening, summary.answering_units())),
        found: report
            .findings
            .found
            .iter()
            .map(|(found, identity)| Unit::of(found, identity, has_line))
            .collect(),
        garbled: report.findings.garbled.iter().map(Into::into).collect(),
        gateway: report.findings.gateway.as_ref().map(|behind| Gateway {
            framing: framing(behind.framing),
            silent: behind.silent,
            no_path: behind.no_path,
            nothing: behind.nothing,
            own: behind.own.clone(),
            refusing: behind.refusing.clone(),
            most_open: behind.most_open,
        }),
        echoes: report.findings.echoes,
        noisy: report.findings.is_noisy,
        questions: report.findings.questions,
        took_ms: ms(report.findings.took),
        window_ms: ms(report.window),
        quiet_until: report.quiet_until.map(|until| until.to_string()),
        resume: report.findings.resume,
        saved: report
            .saved
            .as_ref()
            .map(|path| packside_profiles::shown(&path)),
        next,
    }
}

fn ended(ended: &SearchEnd) -> &'static str {
    match ended {
        SearchEnd::Over(FindEnd::Found) => "found",
        SearchEnd::Over(FindEnd::Exhausted) => "exhausted",
        SearchEnd::Over(FindEnd::Busy) => "busy",
        SearchEnd::Over(FindEnd::NotAsked) => "not-asked",
        SearchEnd::Stopped => "stopped",
        SearchEnd::Trouble(_) => "trouble",
    }
}
