//! The result as JSON: a contract, kept apart from the core types.
//!
//! `packside.check/1`: `identity`, `profile`, `link`, `verdict`, `not_tested`, `findings`,
//! `readings`, `bus`, as in the README. Ids are stable, texts are not. Fields may be added; removing
//! or changing one raises the number. Bytes and raw words are lower-case hex; times are ms.

use serde_json::{Value as Json, json};

use packside_profiles::model::{Profile, Table};
use packside_profiles::{Place, Value};

use crate::event::{LinkFacts, LinkKind, Plugged};
use crate::facts::{
    Basis, Bus, Cause, Disposition, Finding, Health, Judgement, Reading, Share, Sight, VerdictKind,
};
use crate::wire::Framing;
use crate::words;

/// Name and version of the schema of `check`.
const CHECK_SCHEMA: &str = "packside.check/1";

/// One judgement as one object.
pub fn check(
    judgement: &Judgement,
    profile: Option<(&Profile, &str)>,
    link: Option<&LinkFacts>,
) -> Json {
    let verdict = &judgement.verdict;
    json!({
        "schema": CHECK_SCHEMA,
        "tool": env!("CARGO_PKG_VERSION"),
        "simulated": link.is_some_and(|l| matches!(l.kind, LinkKind::Simulated { .. })),
        "moment_ms": ms(judgement.moment),
        "identity": identity(judgement),
        "profile": profile.map(|(p, sha)| json!({
            "id": p.profile.id, "sha256": sha, "verified_on_hardware": p.profile.verified_on_hardware,
        })),
        "link": link.map(link_json),
        "verdict": {
            "kind": verdict.kind.id(),
            "confidence": match verdict.basis { Basis::Rule => None, Basis::Weighed(share) => Some(f64::from(share) / 1000.0) },
            "basis": match verdict.basis { Basis::Rule => "rule", Basis::Weighed(_) => "weighed" },
            "summary": verdict.summary,
            "why": words::reasons(judgement),
            "open": verdict.open.iter().map(|o| json!({ "id": o.id(), "text": words::of_doubt(judgement, o), "settled_by": o.settled_by() })).collect::<Vec<_>>(),
            "gate_filled": verdict.gate_filled,
            "without_roots": verdict.without_roots.map(VerdictKind::id),
            "causes": causes(&verdict.causes),
            "next": verdict.next.iter().map(|n| json!({ "id": n.id, "text": n.text, "needs": n.needs, "who": n.who, "minutes": n.minutes })).collect::<Vec<_>>(),
        },
        "not_tested": judgement.not_tested.iter().map(|n| json!({ "id": n.id, "why": n.why, "when": n.when })).collect::<Vec<_>>(),
        "findings": judgement.findings.iter().map(|f| finding(f, judgement)).collect::<Vec<_>>(),
        "readings": judgement.readings.iter().map(reading).collect::<Vec<_>>(),
        "bus": bus(&judgement.bus),
    })
}

fn causes(causes: &[Cause]) -> Vec<Json> {
    let sights = |seen: &[Sight]| seen.iter().map(words::sight).collect::<Vec<_>>();
    let told = causes.iter().map(|c| {
        json!({
            "id": c.id(), "probability": f64::from(c.per_mille) / 1000.0,
            "meaning": words::cause(c.kind),
            "for": sights(&c.reasons_for), "against": sights(&c.reasons_against),
            "settled_by": c.settled_by(), "caution": words::mind_of(c.kind),
        })
    });
    told.collect()
}

/// The same object, with every cause that was weighed, those of next to no share included.
pub fn with_considered(mut result: Json, judgement: &Judgement) -> Json {
    if let Some(verdict) = result.get_mut("verdict").and_then(Json::as_object_mut) {
        let considered = causes(&judgement.verdict.considered);
        verdict.insert("considered".to_owned(), considered.into());
    }
    result
}

/// The same object, with the story of the demo it belongs to and the verdict it must end with.
pub fn with_story(mut result: Json, story: &str, told: &str) -> Json {
    if let Some(object) = result.as_object_mut() {
        object.insert("story".to_owned(), story.into());
        object.insert("told".to_owned(), told.into());
    }
    result
}

/// An error as one object, for programs that read JSON.
pub fn error(kind: &str, exit: u8, message: &str, hint: Option<&str>) -> Json {
    json!({
        "schema": CHECK_SCHEMA,
        "tool": env!("CARGO_PKG_VERSION"),
        "error": { "kind": kind, "exit": exit, "message": message, "hint": hint },
    })
}

/// Whole milliseconds.
pub fn ms(time: std::time::Duration) -> u64 {
    u64::try_from(time.as_millis()).unwrap_or(u64::MAX)
}

fn identity(judgement: &Judgement) -> Json {
    let identity = &judgement.identity;
    json!({
        "serial": identity.serial,
        "model": identity.model,
        "firmware": identity.firmware,
        "modules": identity.modules.iter().map(|m| json!({
            "position": m.position, "serial": m.serial, "firmware": m.firmware,
        })).collect::<Vec<_>>(),
        "members": identity.members.iter().map(|m| json!({
            "unit": m.unit, "serial": m.serial, "firmware": m.firmware, "kind": m.kind.id(),
            "state": m.state.as_ref().map(|state| state.kind.id()),
        })).collect::<Vec<_>>(),
    })
}

fn link_json(link: &LinkFacts) -> Json {
    let framing = match link.framing {
        Framing::Rtu => "rtu",
        Framing::Tcp => "tcp",
    };
    let plugged = link.plugged.map(Plugged::id);
    let (kind, place, line) = match &link.kind {
        LinkKind::Serial { port, line } => ("serial", port, Some(line)),
        LinkKind::Gateway { address } => ("gateway", address, None),
        LinkKind::Simulated { scenario, line } => ("simulated", scenario, line.as_ref()),
    };
    json!({
        "kind": kind,
        "place": place,
        "line": line.map(ToString::to_string),
        "framing": framing,
        "plugged": plugged,
        "ask_anyway": link.ask_anyway,
    })
}

/// `{pack, module, cell, text}`; `pack` is the unit address.
fn place(unit: u8, place: Place) -> Json {
    let text = match (place.module, place.item) {
        (Some(module), Some(item)) => format!("unit {unit}, module {module}, number {item}"),
        (Some(module), None) => format!("unit {unit}, module {module}"),
        (None, Some(item)) => format!("unit {unit}, number {item}"),
        (None, None) => format!("unit {unit}"),
    };
    json!({ "pack": unit, "module": place.module, "cell": place.item, "text": text })
}

fn finding(finding: &Finding, judgement: &Judgement) -> Json {
    json!({
        "id": finding.id,
        "fact": finding.fact.kind().id(),
        "severity": finding.severity,
        "source": finding.source.id(),
        "root": finding.root,
        "follows_from": finding.follows_from.map(|from| from.to_string()),
        "lies_in": finding.lies_in,
        "clears": finding.clears,
        "sure": finding.root.then(|| finding.sure.id()),
        "disposition": finding.disposition.map(Disposition::id),
        "since_ms": finding.since.map(ms),
        "returned": finding.returned,
        "where": place(finding.unit, finding.place),
        "text": words::of_finding(judgement, finding),
        "do": words::what_to_do(judgement, finding),
    })
}

/// Name of a table in JSON.
fn table(table: Table) -> &'static str {
    match table {
        Table::Coil => "coil",
        Table::Discrete => "discrete",
        Table::Holding => "holding",
        Table::Input => "input",
    }
}

fn reading(reading: &Reading) -> Json {
    let value = match &reading.value {
        None => Json::Null,
        Some(Value::Number(number)) => json!(number),
        Some(Value::Text(text)) => json!(text),
        Some(Value::Bits(raw) | Value::Code(raw)) => json!(raw),
    };
    json!({
        "point": reading.name,
        "role": reading.role,
        "value": value,
        "value_name": reading.value_name,
        "value_unit": reading.value_unit,
        "raw": reading.raw.map(|raw| format!("0x{raw:04x}")),
        "unit": reading.unit,
        "table": table(reading.table),
        "register": reading.register,
        "quality": reading.quality.id(),
        "remark": reading.remark.map(words::remark),
        "age_ms": reading.age.map(ms),
    })
}

fn bus(bus: &Bus) -> Json {
    let exceptions: u32 = bus.exceptions.iter().map(|(_, n)| n).sum();
    json!({
        "requests": bus.requests,
        "answered": bus.answered,
        "timeouts": bus.timeouts,
        "damaged": bus.damaged,
        "late": bus.late,
        "exceptions": exceptions,
        "exceptions_by_code": bus.exceptions.iter().map(|(c, n)| (format!("{c:02x}"), json!(n))).collect::<serde_json::Map<_, _>>(),
        "foreign_requests": bus.foreign_requests,
        "echo": bus.echo,
        "noise_bytes": bus.noise_bytes,
        "bytes_in": bus.bytes_in,
        "answer_ms_p50": bus.answer_p50.map(fine_ms),
        "answer_ms_p90": bus.answer_p90.map(fine_ms),
        "answer_ms_max": bus.answer_max.map(fine_ms),
        "listened_ms": ms(bus.listened),
        "health": health(&bus.health),
    })
}

/// Shares with their 95 % intervals, so that nobody reads one of few tries as a rate.
fn health(health: &Health) -> Json {
    let share = |share: Share| {
        let (low, high) = share.interval();
        json!({ "hits": share.hits, "tries": share.tries, "low": rounded(low), "high": rounded(high) })
    };
    json!({
        "damaged": share(health.damaged),
        "damaged_short": share(health.short),
        "damaged_long": share(health.long),
        "damaged_with_current": share(health.with_current),
        "damaged_without_current": share(health.without_current),
        "first_bytes": share(health.first_bytes),
        "longest_row": health.longest_row,
        "repeated": health.repeated,
        "text": health.text,
        "late": share(health.late),
        "busy": health.busy,
        "crossed": health.crossed,
        "counted_by_unit": health.counted.map(|c| json!({
            "unit": c.unit, "questions": c.questions, "heard": c.heard, "errors": c.errors, "damaged_answers": c.damaged,
        })),
    })
}

/// Three decimals.
fn rounded(share: f64) -> f64 {
    (share * 1000.0).round() / 1000.0
}

/// Milliseconds with one decimal.
fn fine_ms(time: std::time::Duration) -> f64 {
    (time.as_secs_f64() * 10_000.0).round() / 10.0
}
