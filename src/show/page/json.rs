//! The report as data, `packside.report/1`.
//!
//! What judging gave stands in `judged`, which is the object of `packside check`; the caller gives
//! it, so that there is one contract for it. Does not: hold anything that the page does not.

use std::time::Duration;

use serde_json::{Value as Json, json};

use super::cells::Grid;
use super::compare::{Comparison, Pair};
use super::facts::{self, Facts};
use super::series::Series;
use super::{Options, SCHEMA, Source, words};
use crate::event::clock_breaks;
use crate::facts::Finding;
use crate::visit::load::{self, Resistance};
use crate::words as sentence;

/// One report. `judged` is the result of judging as `packside check` gives it.
pub fn json(source: &Source, options: Options, judged: Json) -> Json {
    let recording = source.recording;
    let facts = Facts::of(recording, options);
    let shown = source.session.last_shown();
    let verdict = &source.judgement.verdict;
    let as_shown =
        shown.map(|shown| shown.verdict == verdict.kind.id() && shown.summary == verdict.summary);
    json!({
        "schema": SCHEMA,
        "tool": env!("CARGO_PKG_VERSION"),
        "simulated": facts::is_simulated(source),
        "shown": shown.map(|s| json!({
            "at": words::local(&source.session.start, s.at), "tool": s.tool, "verdict": s.verdict, "summary": s.summary,
        })),
        "as_shown": as_shown,
        "judged": hide_place(judged, options),
        "visit": {
            "who": facts.answer("who").map(|a| &a.value),
            "where": facts.answer("where").map(|a| &a.value),
            "inverter": facts.answer("inverter-setting").or_else(|| facts.answer("inverter")).map(|a| &a.value),
            "begun": words::local(&source.session.start, std::time::Duration::ZERO),
            "begun_utc": source.session.start.utc,
            "offset_minutes": source.session.start.offset_minutes,
            "unit_clock_error_s": facts::clock_error(source).map(tenths),
        },
        "over_time": over_time(source, &facts),
        "load_test": load_test(source),
        "answers": facts.answers.iter().map(|a| json!({
            "step": a.step, "question": a.question, "value": a.value, "note": a.note, "when": a.when, "before": a.before,
        })).collect::<Vec<_>>(),
        "photos": facts.taken.iter().map(|t| json!({
            "step": t.step, "file": t.file, "sha256": t.sha256, "when": t.when,
            "found": source.pictures.iter().any(|p| p.sha256 == t.sha256),
        })).collect::<Vec<_>>(),
        "recording": {
            "fingerprint": recording.fingerprint,
            "lines": recording.lines,
            "sessions": recording.sessions.len(),
            "missing": recording.missing.iter().map(ToString::to_string).collect::<Vec<_>>(),
            "shown": recording.sessions.iter().map(|s| s.shown.len()).sum::<usize>(),
            "clock_jumps": clock_breaks(source.session.events.beside()).iter().map(|broken| json!({
                "at": words::local(&source.session.start, broken.at), "apart_ms": broken.apart_ms,
            })).collect::<Vec<_>>(),
        },
    })
}

/// What the pictures over time show, times in seconds since the session began.
fn over_time(source: &Source, facts: &Facts) -> Json {
    let series = Series::of(source);
    let at = |at: Duration| at.as_secs_f64();
    json!({
        "states": series.states.iter().map(|(t, name)| json!({ "at_s": at(*t), "state": name })).collect::<Vec<_>>(),
        "lamps": series.lamps.iter().map(|(lamp, pattern, t)| json!({ "at_s": at(*t), "lamp": lamp, "pattern": pattern })).collect::<Vec<_>>(),
        "events": series.notes.iter().map(|n| json!({ "at_s": at(n.at), "text": facts.without_names(&n.text) })).collect::<Vec<_>>(),
        "curves": series.curves.iter().map(|c| json!({
            "unit": c.unit, "role": c.role.id(), "dots": c.dots.iter().map(|(t, v)| json!([at(*t), v])).collect::<Vec<_>>(),
        })).collect::<Vec<_>>(),
    })
}

/// The resistances that the load test shows, mOhm; null where none was recorded.
fn load_test(source: &Source) -> Json {
    let events = &source.session.events;
    let recorded = |profile| load::recorded(events.beside(), events, profile);
    let Some(step) = source.profile.and_then(recorded) else {
        return Json::Null;
    };
    let one = |r: &Resistance| json!({ "module": r.place.module, "cell": r.place.item, "milliohm": r.milliohm, "uncertainty": r.uncertainty });
    let all = |list: &[Resistance]| list.iter().map(one).collect::<Vec<_>>();
    let fitted = load::fit(&step);
    json!({
        "before_a": step.before, "under_load_a": step.under_load, "why_none": fitted.as_ref().err().map(ToString::to_string),
        "modules": fitted.as_ref().map_or_else(|_| Vec::new(), |f| all(&f.modules)),
        "cells": fitted.as_ref().map_or_else(|_| Vec::new(), |f| all(&f.cells)),
        "outlier": fitted.as_ref().ok().and_then(|f| f.outlier.as_ref().map(one)),
    })
}

/// The address of a gateway is the address of somebody's house.
fn hide_place(mut judged: Json, options: Options) -> Json {
    if options.names {
        return judged;
    }
    let link = judged.get_mut("link").and_then(Json::as_object_mut);
    if let Some(link) = link.filter(|link| link.get("kind") == Some(&json!("gateway"))) {
        link.insert("place".to_owned(), json!(facts::TAKEN_OUT));
    }
    judged
}

/// A comparison as data.
pub fn comparison_json(comparison: &Comparison) -> Json {
    let sources = &comparison.sources;
    let visit = |source: &Source| {
        json!({
            "begun": words::local(&source.session.start, std::time::Duration::ZERO),
            "verdict": source.judgement.verdict.kind.id(),
            "shown": source.session.last_shown().map(|shown| &shown.verdict),
            "fingerprint": source.recording.fingerprint,
            "missing": source.recording.missing.iter().map(ToString::to_string).collect::<Vec<_>>(),
        })
    };
    let findings = |list: &[Finding], source: &Source| {
        list.iter()
            .map(|f| {
                json!({ "id": f.id, "severity": f.severity, "unit": f.unit, "module": f.place.module, "cell": f.place.item, "text": sentence::of_finding(source.judgement, f) })
            })
            .collect::<Vec<_>>()
    };
    let differing = |list: &[(String, Pair<String>)]| {
        list.iter()
            .map(|(what, pair)| json!({ "what": what, "before": pair.before, "after": pair.after }))
            .collect::<Vec<_>>()
    };
    json!({
        "schema": SCHEMA,
        "tool": env!("CARGO_PKG_VERSION"),
        "serial": comparison.serial,
        "before": visit(&sources.before),
        "after": visit(&sources.after),
        "findings": {
            "new": findings(&comparison.new, &sources.after), "gone": findings(&comparison.gone, &sources.before), "stayed": findings(&comparison.stayed, &sources.after),
        },
        "cells_not_compared": comparison.cells.as_ref().err(),
        "cells_moved": comparison.cells.as_ref().map(moved).unwrap_or_default(),
        "apart_mv": { "before": apart(&comparison.grids.before), "after": apart(&comparison.grids.after) },
        "warmest_c": { "before": highest(&comparison.warm.before), "after": highest(&comparison.warm.after) },
        "identity": differing(&comparison.identity),
        "answers": differing(&comparison.answers),
    })
}

/// Every cell with how it moved against the middle, mV.
fn moved(grid: &Grid) -> Vec<Json> {
    let cells = grid.cells.iter();
    cells
        .map(|(((unit, module), cell), value)| {
            json!({ "unit": unit, "module": module, "cell": cell, "mv": value.map(|v| tenths(v * 1000.0)) })
        })
        .collect()
}

fn apart(grid: &Grid) -> Option<f64> {
    let (low, high) = grid.extremes()?;
    Some(tenths((high.0 - low.0) * 1000.0))
}

fn highest(grid: &Grid) -> Option<f64> {
    grid.extremes().map(|(_, high)| tenths(high.0))
}

fn tenths(value: f64) -> f64 {
    (value * 10.0).round() / 10.0
}
