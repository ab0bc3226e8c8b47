//! What the trade says stands beside the rule that holds it and the cases that show it (`tests/units/index.toml`): no rule, scenario
//! or mode of failure in it is made up, and none of the modes is left out. That the cases exist `tests/units/run.py` holds.

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;

fn entries() -> Vec<toml::Table> {
    listed("tests/units/index.toml", "entry")
}

/// The tables that a file of this repository lists under a key.
fn listed(file: &str, key: &str) -> Vec<toml::Table> {
    let text = fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join(file)).unwrap();
    let table: toml::Table = toml::from_str(&text).unwrap();
    let all = table[key].as_array().unwrap().iter();
    all.map(|one| one.as_table().unwrap().clone()).collect()
}

/// That the cases exist, and hold, `tests/units/run.py` holds.
#[test]
fn every_point_has_a_case_that_did_not_hold_before() {
    let points = listed("tests/units/points.toml", "point");
    let numbers: BTreeSet<i64> = points
        .iter()
        .map(|point| point["number"].as_integer().unwrap())
        .collect();
    assert_eq!(numbers, (1..=13).collect());
    for point in &points {
        for key in ["was", "case", "before"] {
            assert!(!point[key].as_str().unwrap().is_empty(), "{point:?}");
        }
    }
}

#[test]
fn every_rule_and_scenario_of_the_index_exists() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let mut missing = Vec::new();
    for entry in entries() {
        let rule = entry["rule"].as_str().unwrap();
        let (file, name) = rule.split_once("::").unwrap();
        let source =
            fs::read_to_string(root.join(format!("src/judge/{file}.rs"))).unwrap_or_default();
        let stands = [format!("fn {name}("), format!("fn {name}<")];
        if !stands.iter().any(|start| source.contains(start)) {
            missing.push(rule.to_owned());
        }
        let scenarios = entry.get("scenarios").and_then(toml::Value::as_array);
        for scenario in scenarios.into_iter().flatten() {
            let file = format!("simulator/scenarios/{}.toml", scenario.as_str().unwrap());
            if !root.join(&file).exists() {
                missing.push(file);
            }
        }
    }
    assert_eq!(missing, [""; 0]);
}

#[test]
fn every_mode_of_failure_stands_in_the_index_once() {
    let modes: Vec<String> = listed("profiles/modes.toml", "mode")
        .iter()
        .map(|mode| mode["id"].as_str().unwrap().to_owned())
        .collect();
    let entries = entries();
    let told: Vec<&str> = entries
        .iter()
        .filter_map(|entry| entry.get("mode")?.as_str())
        .collect();
    assert_eq!(told, modes, "in the order of the modes, each once");
    let sentences: BTreeSet<&str> = entries
        .iter()
        .filter_map(|entry| entry["says"].as_str())
        .collect();
    assert_eq!(sentences.len(), entries.len(), "a sentence stands twice");
}
