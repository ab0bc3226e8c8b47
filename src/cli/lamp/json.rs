//! Schema `packside.lamp/1`, one object on one line.
//!
//! New fields may be added; consumers ignore unknown ones. Texts (`meaning`, `next`) are not stable.
//!
//! | field | type | what |
//! | --- | --- | --- |
//! | `schema` | string | `packside.lamp/1` |
//! | `profile` | string or null | id of the register map |
//! | `enough` | bool | every lamp was recognised (at least 0.9) |
//! | `meanings` | list | codes of the map that fit all lamps: `code`, `meaning`, `flags` (any of), `any_alarm`, `states` (any of), `if_also` (lamp to pattern, not seen). Empty: unknown, never sound |
//! | `lamps` | list | one entry per lamp, see below |
//! | `next` | string | the next step |
//!
//! The fields of a lamp; where there is only one lamp they stand at the top as well:
//!
//! | field | type | what |
//! | --- | --- | --- |
//! | `lamp` | string | lamp id |
//! | `patterns` | list | `id`, `probability`; the most probable first, those below 0.001 left out |
//! | `none_of_these` | number | probability that it is no known pattern |
//! | `recognised` | string or null | the pattern that holds, the later one where it changed |
//! | `enough` | bool | this lamp was recognised |
//! | `period_s` | number or null | how long one repetition lasts |
//! | `rate_band` | string or null | `slow` or `normal` by IEC 60073, an attribute of the repetition |
//! | `edges` | list | `at_s`, `lit`; as seen, of a description one repetition, of single-key taps lighting-up only |
//! | `watched_s` | number or null | how long it was watched |
//! | `changed` | object or null | `at_s`, `before`, `after` |
//! | `not_separated` | list of strings | patterns that what was seen cannot tell apart |

use serde_json::{Value, json};

use super::{Answer, Sight};
use crate::lamp::RateBand;

/// The whole answer.
pub(super) fn line(answer: &Answer<'_>) -> String {
    let lamps: Vec<Value> = answer.sights.iter().map(lamp).collect();
    let mut object = serde_json::Map::new();
    let mut put = |key: &str, value: Value| object.insert(key.to_owned(), value);
    put("schema", json!("packside.lamp/1"));
    let profile = answer.profile.map(|profile| &profile.profile.id);
    put("profile", json!(profile));
    if let [Value::Object(only)] = lamps.as_slice() {
        for (key, value) in only {
            put(key, value.clone());
        }
    }
    put("enough", json!(answer.enough()));
    let meanings = answer
        .meanings
        .iter()
        .map(|one| {
            let also: serde_json::Map<String, Value> = one
                .if_also
                .iter()
                .map(|(lamp, pattern)| (lamp.clone(), json!(pattern)))
                .collect();
            json!({
                "code": one.code, "meaning": one.meaning, "flags": one.flags, "any_alarm": one.any_alarm,
                "states": one.states, "if_also": also,
            })
        })
        .collect();
    put("meanings", meanings);
    put("lamps", json!(lamps));
    put("next", json!(answer.next()));
    format!("{}\n", Value::Object(object))
}

fn lamp(sight: &Sight) -> Value {
    let ranking = &sight.ranking;
    let seconds = |ms: f64| (ms / 10.0).round() / 100.0;
    let period_ms = ranking.first().and_then(|one| one.period_ms);
    let shown = ranking.ranked.iter().filter(|one| one.probability >= 0.001);
    let close: Vec<&str> = ranking
        .leaders()
        .iter()
        .map(|one| one.id.as_str())
        .collect();
    json!({
        "lamp": sight.lamp,
        "patterns": shown.map(|one| json!({ "id": one.id, "probability": one.probability })).collect::<Vec<_>>(),
        "none_of_these": ranking.other,
        "recognised": ranking.latest(),
        "enough": ranking.enough,
        "period_s": period_ms.map(seconds),
        "rate_band": period_ms.and_then(RateBand::of_period).map(RateBand::id),
        "edges": sight.edges.iter().map(|edge| json!({ "at_s": (edge.at_ms).round() / 1000.0, "lit": edge.lit })).collect::<Vec<_>>(),
        "watched_s": sight.watched_ms.map(seconds),
        "changed": ranking.change.as_ref().map(|change| json!({
            "at_s": seconds(change.at_ms), "before": change.before, "after": change.after,
        })),
        "not_separated": if close.len() > 1 { close } else { Vec::new() },
    })
}
