//! Every shipped scenario against the verdict and roots that must follow, and the demo.
//!
//! Kind of all expectations: invented (the scenarios), judged by FIELD practice.

use packside_simulator::{Expect, Scenario};
use serde_json::Value;

use super::tool::packside;

fn judged(arguments: &[&str]) -> (Value, i32) {
    let output = packside(arguments);
    let object = serde_json::from_slice(&output.stdout).unwrap_or_else(|_| {
        panic!(
            "no JSON from {arguments:?}: {}",
            String::from_utf8_lossy(&output.stderr)
        )
    });
    (object, output.status.code().unwrap())
}

// Kind: published within the project (exit codes of the README)
fn exit_code(kind: &str) -> i32 {
    match kind {
        "normal" => 0,
        "fault" => 1,
        "bus-problem" => 3,
        "awaiting-inverter" => 5,
        "undecided" => 6,
        "inverter-lost" => 8,
        "not-ready" => 9,
        other => panic!("no such verdict: {other}"),
    }
}

#[test]
fn every_scenario_gets_the_verdict_and_roots_that_must_follow() {
    let mut wrong = Vec::new();
    for (name, text) in Scenario::shipped() {
        let scenario = Scenario::load(text, name).unwrap();
        for expect in &scenario.expects {
            let at = expect.at.as_secs().to_string();
            let (result, code) = judged(&[
                "check",
                "--simulated",
                name,
                "--look-at",
                &at,
                "--format",
                "json",
            ]);
            let kind = result["verdict"]["kind"].as_str().unwrap().to_owned();
            println!(
                "{name:<26} {at:>4} s  expected {:?}, given {kind}",
                expect.verdict
            );
            assert_eq!(code, exit_code(&kind), "{name}");
            assert_eq!(result["simulated"], true, "{name}");
            let Some(given) = disagreement(&result, expect) else {
                continue;
            };
            let why = &result["verdict"]["why"];
            wrong.push(format!("{name} at {at} s: {given}: {why}"));
        }
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
}

/// What of a result is not as it must be: the verdict, a cause of the link that is not named, an
/// alarm root too many or too few.
pub(crate) fn disagreement(result: &Value, expect: &Expect) -> Option<String> {
    let kind = result["verdict"]["kind"].as_str().unwrap_or("none");
    if !expect.verdict.iter().any(|one| one == kind) {
        return Some(kind.to_owned());
    }
    let unnamed = |cause: &&String| !names_cause(&result["verdict"], cause);
    if let Some(cause) = expect.links.iter().find(unnamed) {
        return Some(format!("cause {cause} is not named"));
    }
    if let Some(root) = surplus_root(result, expect) {
        return Some(format!("root {root} was not expected"));
    }
    let roots = roots(result);
    let missing = expect.roots.iter().find(|one| !roots.contains(one));
    missing.map(|root| format!("root {root} is missing"))
}

/// An alarm root that must not be there.
pub(crate) fn surplus_root(result: &Value, expect: &Expect) -> Option<String> {
    let is_known = |root: &String| expect.roots.contains(root) || expect.also.contains(root);
    roots(result).into_iter().find(|root| !is_known(root))
}

fn roots(result: &Value) -> Vec<String> {
    let findings = result["findings"].as_array().into_iter().flatten();
    let roots = findings.filter(|f| f["root"] == true && f["severity"] == "alarm");
    roots
        .map(|f| f["id"].as_str().unwrap_or_default().to_owned())
        .collect()
}

fn names_cause(verdict: &Value, cause: &str) -> bool {
    let causes = verdict["causes"].as_array();
    causes.is_some_and(|causes| causes.iter().any(|one| one["id"] == *cause))
}

#[test]
fn demo_tells_both_stories_and_ends_with_0() {
    let output = packside(&["demo"]);
    let text = String::from_utf8(output.stdout).unwrap();
    assert_eq!(output.status.code(), Some(0));
    for part in ["AWAITING INVERTER", "FAULT", "THE DIFFERENCE", "simulated"] {
        assert!(text.contains(part), "{part} is missing");
    }
    let widest = text.lines().map(|line| line.chars().count()).max();
    assert!(widest <= Some(100), "{widest:?} columns");
}

#[test]
fn demo_as_json_is_one_verdict_per_line() {
    let output = packside(&["demo", "--format", "json"]);
    let kinds: Vec<String> = String::from_utf8(output.stdout)
        .unwrap()
        .lines()
        .map(|line| {
            serde_json::from_str::<Value>(line).unwrap()["result"]["verdict"]["kind"]
                .as_str()
                .unwrap()
                .to_owned()
        })
        .collect();
    assert_eq!(kinds, ["awaiting-inverter", "fault"]);
}

#[test]
fn same_scenario_gives_the_same_result_byte_for_byte() {
    let look = || packside(&["check", "--simulated", "hv-noisy-line", "--format", "json"]).stdout;
    assert_eq!(look(), look());
}
