//! The end of a search as JSON: `packside.find/1`.
//!
//! | field | meaning |
//! | --- | --- |
//! | `ended` | `found`, `exhausted`, `busy`, `not-asked`, `stopped`, `trouble` |
//! | `port` | what is known of the local port, or null |
//! | `heard` | from listening: `what`, `line`, `proven`, `units`; null where nobody could be overheard |
//! | `found[]` | `unit`, `line` (null behind a gateway), `exception`, `answer_ms`, `profile`, `serial`, `firmware`, `candidates[]`, `sunspec_register`, `device[]`, `server_id`, `oddities[]` |
//! | `garbled[]` | `unit`, `line`, `times`: answers that were never readable |
//! | `gateway` | `framing`, `silent`, `no_path`, `nothing`, `own[]`, `most_open`; null on a line |
//! | `questions`, `took_ms`, `window_ms` | times count from the first question |
//! | `resume` | where to go on, or null |
//! | `next` | the complete next command |
//!
//! Ids are stable, texts (`reasons`, `oddities`) are not. Fields may be added.

use serde_json::{Value as Json, json};

use super::super::args::FramingArg;
use super::{Ended, Report};
use crate::event::LinkKind;
use crate::find::{Candidate, Found, Identity, Listening};
use crate::link::LocalPort;
use crate::listen::settings::Protocol;
use crate::show::json::ms;
use crate::wire::hex;

/// Name and version of the schema.
const SCHEMA: &str = "packside.find/1";

/// One search as one object.
pub(super) fn report(report: &Report, next: &str) -> Json {
    json!({
        "schema": SCHEMA,
        "tool": env!("CARGO_PKG_VERSION"),
        "simulated": matches!(report.facts.kind, LinkKind::Simulated { .. }),
        "ended": ended(&report.ended),
        "trouble": match &report.ended { Ended::Trouble(trouble) => Some(trouble.to_string()), _ => None },
        "port": report.port.as_ref().map(port),
        "heard": report.listened.as_ref().map(|(listening, summary)| heard(listening, &summary.answering_units())),
        "found": report.found.iter().map(|(found, identity)| unit(report, found, identity)).collect::<Vec<_>>(),
        "garbled": report.garbled.iter().map(|garbled| json!({
            "unit": garbled.unit, "line": garbled.line.to_string(), "times": garbled.times,
        })).collect::<Vec<_>>(),
        "gateway": report.gateway.as_ref().map(|behind| json!({
            "framing": FramingArg::from(behind.framing).id(), "silent": behind.silent, "no_path": behind.no_path,
            "nothing": behind.nothing, "own": behind.own, "most_open": behind.most_open,
        })),
        "echoes": report.echoes,
        "noisy": report.is_noisy,
        "questions": report.questions,
        "took_ms": ms(report.took),
        "window_ms": ms(report.window),
        "resume": report.resume,
        "saved": report.saved.as_ref().map(|path| path.display().to_string()),
        "next": next,
    })
}

fn ended(ended: &Ended) -> &'static str {
    match ended {
        Ended::Found => "found",
        Ended::Exhausted => "exhausted",
        Ended::Busy => "busy",
        Ended::NotAsked => "not-asked",
        Ended::Stopped => "stopped",
        Ended::Trouble(_) => "trouble",
    }
}

fn port(port: &LocalPort) -> Json {
    let adapter = port.adapter.as_ref();
    let system = &port.system;
    json!({
        "name": port.name,
        "maker": adapter.and_then(|a| a.maker.as_ref()),
        "product": adapter.and_then(|a| a.product.as_ref()),
        "serial": adapter.and_then(|a| a.serial.as_ref()),
        "driver": system.driver,
        "by_id": system.by_id,
        "hold_back_ms": system.hold_back.map(ms),
        "allowed": system.is_allowed,
        "held_by": system.held_by.iter().map(|(number, name)| json!({ "process": number, "name": name })).collect::<Vec<_>>(),
        "fix": port.fix(),
    })
}

fn heard(listening: &Listening, units: &[u8]) -> Json {
    let (what, line, proven) = match listening {
        Listening::Silent | Listening::At { .. } => ("silent", None, None),
        Listening::Heard { line, is_proven } => ("conversation", Some(line), Some(*is_proven)),
        Listening::Swapped(line) => ("swapped-pair", Some(line), None),
        Listening::Other(Protocol::Text { .. }) => ("text", None, None),
        Listening::Other(Protocol::ModbusAscii { .. }) => ("modbus-ascii", None, None),
        Listening::Unknown { .. } => ("unknown", None, None),
    };
    json!({ "what": what, "line": line.map(ToString::to_string), "proven": proven, "units": units })
}

fn unit(report: &Report, found: &Found, identity: &Identity) -> Json {
    let has_line = !report.facts.is_gateway();
    json!({
        "unit": found.unit,
        "line": has_line.then(|| found.line.to_string()),
        "exception": found.refused,
        "answer_ms": found.answer_time.map(ms),
        "profile": identity.profile(),
        "serial": identity.serial,
        "firmware": identity.firmware,
        "candidates": identity.candidates.iter().map(candidate).collect::<Vec<_>>(),
        "sunspec_register": identity.sunspec,
        "device": identity.device.iter().map(|(object, text)| json!({ "object": object, "text": text })).collect::<Vec<_>>(),
        "server_id": identity.server_id.as_deref().map(hex),
        "oddities": identity.oddities.iter().map(ToString::to_string).collect::<Vec<_>>(),
    })
}

fn candidate(candidate: &Candidate) -> Json {
    json!({
        "profile": candidate.profile,
        "fits": candidate.fits,
        "factory": candidate.factory,
        "reasons": candidate.reasons,
    })
}
