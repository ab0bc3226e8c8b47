//! Every shipped scenario against the verdict and roots that must follow, and the demo.
//!
//! Kind of all expectations: invented (the scenarios), judged by FIELD practice.

use packside_simulator::Scenario;
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

/// What `check` gives today where something else must follow: scenario and verdict or cause.
/// An entry that is right again fails the test until it is taken out.
pub(crate) const WRONG_TODAY: &[(&str, &str)] = &[];

#[test]
fn every_scenario_gets_the_verdict_and_roots_that_must_follow() {
    let mut wrong = Vec::new();
    for (name, text) in Scenario::shipped() {
        let scenario = Scenario::load(text, name).unwrap();
        let mut is_wrong = false;
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
            let roots: Vec<&str> = result["findings"]
                .as_array()
                .unwrap()
                .iter()
                .filter(|f| f["root"] == true && f["severity"] == "alarm")
                .map(|f| f["id"].as_str().unwrap())
                .collect();
            let missing = expect
                .roots
                .iter()
                .filter(|root| !roots.contains(&root.as_str()));
            let known = || expect.roots.iter().chain(&expect.also);
            let unexpected = roots.iter().find(|root| known().all(|one| one != *root));
            let unnamed = expect
                .links
                .iter()
                .find(|cause| !names_cause(&result["verdict"], cause));
            let given = match (unnamed, unexpected) {
                (Some(cause), _) => format!("cause {cause} is not named"),
                (None, Some(root)) => format!("root {root} was not expected"),
                (None, None) => kind.clone(),
            };
            let is_right = expect.verdict.contains(&kind)
                && missing.count() == 0
                && unnamed.is_none()
                && unexpected.is_none();
            let is_known = WRONG_TODAY.contains(&(*name, given.as_str()));
            is_wrong |= !is_right;
            if !is_right && !is_known {
                wrong.push(format!(
                    "{name} at {at} s: {given}, roots {roots:?}: {}",
                    result["verdict"]["why"]
                ));
            }
        }
        assert!(
            is_wrong || !WRONG_TODAY.iter().any(|(wrong, _)| wrong == name),
            "{name} is right now: take it out of the list"
        );
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
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
            serde_json::from_str::<Value>(line).unwrap()["verdict"]["kind"]
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
