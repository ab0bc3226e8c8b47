//! What is wrong with the `[gateway]` table of a scenario.
//!
//! Input: the table with its place. Output: mistakes with theirs. Does not: read text.

use std::time::Duration;

use super::plan::GatewayPlan;
use crate::mischief_plan::MischiefKind;
use crate::scenario_file::{Entry, Mistakes};

pub(crate) fn check_gateway(gateway: Option<&Entry<'_, GatewayPlan>>, mistakes: &mut Mistakes<'_>) {
    let Some(entry) = gateway else { return };
    let plan = &entry.value;
    let mut expect = |is_right: bool, key: &str, expected: &str, found: String| {
        if !is_right {
            let message = format!("gateway, {key}: expected {expected}, found {found}");
            mistakes.add(entry.at(key), message);
        }
    };
    for rule in &plan.mischief {
        let of_answers = !matches!(
            rule.kind,
            MischiefKind::Exception | MischiefKind::NoAnswer | MischiefKind::Echo
        );
        let kind = rule.kind.to_string();
        expect(of_answers, "mischief", "a bad habit of answers", kind);
        let chance = (0.0..=100.0).contains(&rule.chance);
        expect(
            chance,
            "mischief",
            "a chance of 0 to 100",
            rule.chance.to_string(),
        );
    }
    let loss = (0.0..=90.0).contains(&plan.loss);
    expect(loss, "loss", "0 to 90", plan.loss.to_string());
    let text = plan.says.as_ref().map_or(1, String::len);
    expect(
        (1..=300).contains(&text),
        "says",
        "1 to 300 bytes",
        text.to_string(),
    );
    let connections = plan.connections;
    expect(
        (1..=64).contains(&connections),
        "connections",
        "1 to 64",
        connections.to_string(),
    );
    let ms = Duration::from_millis;
    let (minute, day) = (ms(60_000), ms(86_400_000));
    for (key, time, least, most) in [
        ("latency", Some(plan.latency), Duration::ZERO, minute),
        ("jitter", Some(plan.jitter), Duration::ZERO, minute),
        ("time_out", Some(plan.time_out), ms(1), minute),
        ("packs", Some(plan.packs), ms(1), minute),
        ("cache", plan.cache, ms(1), day),
        ("polls_every", plan.polls_every, ms(200), day),
        ("idle_close", plan.idle_close, ms(100), day),
        ("idle_lost", plan.idle_lost, ms(100), day),
        ("says_every", Some(plan.says_every), ms(50), day),
    ] {
        if let Some(found) = time {
            let is_right = (least..=most).contains(&found);
            expect(
                is_right,
                key,
                &format!("{least:?} to {most:?}"),
                format!("{found:?}"),
            );
        }
    }
}
