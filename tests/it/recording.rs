//! `--record` and `--recording`: what was recorded is judged as it was live.

use std::path::{Path, PathBuf};
use std::process::Output;

use packside_simulator::Scenario;
use serde_json::Value;

use super::tool::{packside, stderr};

fn json(output: &Output) -> Value {
    serde_json::from_slice(&output.stdout)
        .unwrap_or_else(|_| panic!("{}", String::from_utf8_lossy(&output.stderr)))
}

/// Looks at a scenario and records it; gives the result and the file.
fn recorded(folder: &Path, scenario: &str, more: &[&str]) -> (Output, PathBuf) {
    let path = folder.join(format!("{scenario}.visit.jsonl"));
    let file = path.to_str().unwrap();
    let look = [
        "check",
        "--format",
        "json",
        "--simulated",
        scenario,
        "--record",
        file,
    ];
    (packside(&[&look, more].concat()), path)
}

fn replayed(path: &Path, more: &[&str]) -> Output {
    let replay = [
        "check",
        "--format",
        "json",
        "--recording",
        path.to_str().unwrap(),
    ];
    packside(&[&replay, more].concat())
}

#[test]
fn every_scenario_is_judged_from_its_recording_as_it_was_live() {
    let folder = tempfile::tempdir().unwrap();
    for (name, _) in Scenario::shipped() {
        let (live, path) = recorded(folder.path(), name, &[]);
        let replay = replayed(&path, &[]);
        assert_eq!(live.status.code(), replay.status.code(), "{name}");
        let (live, again) = (json(&live), json(&replay));
        for part in [
            "verdict",
            "findings",
            "readings",
            "bus",
            "identity",
            "not_tested",
            "profile",
            "link",
        ] {
            assert_eq!(live[part], again[part], "{name}: {part}");
        }
        assert!(
            stderr(&replay).contains("as shown on site"),
            "{name}: {}",
            stderr(&replay)
        );
    }
}

#[test]
fn sighting_is_recorded_and_counts_again() {
    let folder = tempfile::tempdir().unwrap();
    let (live, path) = recorded(folder.path(), "hv-waiting", &["--lamp", "fault=on"]);
    let replay = json(&replayed(&path, &[]));
    assert_eq!(json(&live)["findings"], replay["findings"]);
    let lamp = |f: &Value| f["source"] == "lamp";
    assert!(replay["findings"].as_array().unwrap().iter().any(lamp));
}

#[test]
fn another_map_judges_the_same_bytes_and_the_difference_is_said() {
    let folder = tempfile::tempdir().unwrap();
    let (_, path) = recorded(folder.path(), "hv-waiting", &[]);
    let replay = replayed(&path, &["--profile", "generic-lv-rack"]);
    let said = stderr(&replay);
    assert!(
        said.contains("recorded with the map generic-hv-stack"),
        "{said}"
    );
    assert!(said.contains("DIFFERENT from what packside"), "{said}");
    // Another map may know less, but never gives a clean verdict for a unit it does not recognise.
    assert!(matches!(replay.status.code(), Some(1 | 3 | 6)), "{said}");
}

#[test]
fn earlier_moment_is_judged_by_what_was_known_then() {
    let folder = tempfile::tempdir().unwrap();
    let (_, path) = recorded(folder.path(), "hv-waiting", &[]);
    let early = replayed(&path, &["--moment", "0.5s"]);
    assert_eq!(
        json(&early)["verdict"]["kind"],
        "bus-problem",
        "nothing had been asked by then"
    );
    assert_eq!(json(&early)["moment_ms"], 500);
    let wrong = replayed(&path, &["--moment", "yesterday"]);
    assert_eq!(wrong.status.code(), Some(2));
    assert!(
        stderr(&wrong).contains("expected seconds, for example 90s"),
        "{}",
        stderr(&wrong)
    );
}

#[test]
fn second_session_is_added_only_when_asked_for_and_only_for_the_same_unit() {
    let folder = tempfile::tempdir().unwrap();
    let (_, path) = recorded(folder.path(), "hv-waiting", &[]);
    let before = std::fs::read(&path).unwrap();
    let (again, _) = recorded(folder.path(), "hv-waiting", &[]);
    assert_eq!(again.status.code(), Some(2), "{}", stderr(&again));
    assert!(stderr(&again).contains("--continue"), "{}", stderr(&again));
    assert_eq!(std::fs::read(&path).unwrap(), before);
    let (again, _) = recorded(folder.path(), "hv-waiting", &["--continue"]);
    assert_eq!(again.status.code(), Some(5), "{}", stderr(&again));
    let said = stderr(&replayed(&path, &[]));
    assert!(said.contains("2 sessions"), "{said}");
    // Kind: invented (another seed is another unit, with another serial number)
    let text = std::fs::read_to_string("simulator/scenarios/hv-waiting.toml").unwrap();
    let other = folder.path().join("other.toml");
    std::fs::write(&other, text.replacen("seed = 11", "seed = 12", 1)).unwrap();
    let file = path.to_str().unwrap();
    let simulated = other.to_str().unwrap();
    let look = [
        "check",
        "--simulated",
        simulated,
        "--record",
        file,
        "--continue",
    ];
    let other = packside(&look);
    assert_eq!(other.status.code(), Some(4), "{}", stderr(&other));
    assert!(stderr(&other).contains("answers now"), "{}", stderr(&other));
}

#[test]
fn cut_recording_opens_and_a_changed_one_does_not() {
    let folder = tempfile::tempdir().unwrap();
    let (live, path) = recorded(folder.path(), "hv-waiting", &[]);
    let bytes = std::fs::read(&path).unwrap();
    std::fs::write(&path, &bytes[..bytes.len() - 5]).unwrap();
    let cut = replayed(&path, &[]);
    assert_eq!(json(&cut)["verdict"], json(&live)["verdict"]);
    assert!(
        stderr(&cut).contains("cut in the middle"),
        "{}",
        stderr(&cut)
    );
    let mut changed = bytes.clone();
    let middle = bytes.len() / 2;
    changed[middle] ^= 1;
    std::fs::write(&path, changed).unwrap();
    let changed = replayed(&path, &[]);
    assert_eq!(changed.status.code(), Some(4));
    let line = 1 + bytes[..middle].iter().filter(|b| **b == b'\n').count();
    let named = format!("line {line} was changed");
    assert!(stderr(&changed).contains(&named), "{}", stderr(&changed));
    assert_eq!(json(&changed)["error"]["kind"], "recording");
}
