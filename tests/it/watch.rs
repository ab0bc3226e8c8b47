//! `packside watch`: the changes over time, the same from a recording, the exit code of the last verdict.
//!
//! Kind of everything here: invented (scenarios of the simulator).

use serde_json::Value as Json;

use super::tool::{packside, stderr, stdout};

/// Objects of these arguments, one a line.
fn objects(arguments: &[&str]) -> (Option<i32>, Vec<Json>) {
    let all = [&["watch", "--format", "json"], arguments].concat();
    let output = packside(&all);
    let lines = stdout(&output);
    let parsed = lines
        .lines()
        .map(|line| serde_json::from_str(line).unwrap());
    (output.status.code(), parsed.collect())
}

/// The kinds of verdict told, in order.
fn verdicts(objects: &[Json]) -> Vec<&str> {
    let told = objects.iter().filter(|object| object["about"] == "verdict");
    told.map(|object| object["id"].as_str().unwrap()).collect()
}

#[test]
fn watch_tells_the_silence_time_passing_and_ends_with_the_last_verdict() {
    let simulated = [
        "--simulated",
        "hv-waiting",
        "--from",
        "0",
        "--seconds",
        "70",
    ];
    let (code, objects) = objects(&simulated);
    assert_eq!(code, Some(5));
    assert_eq!(objects[0]["type"], "start");
    assert_eq!(objects[0]["schema"], "packside.watch/1");
    assert_eq!(objects[0]["simulated"], true);
    assert_eq!(verdicts(&objects), ["undecided", "awaiting-inverter"]);
    let end = objects.last().unwrap();
    assert_eq!(end["type"], "end");
    assert_eq!(end["result"]["schema"], "packside.check/1");
    assert_eq!(end["result"]["verdict"]["kind"], "awaiting-inverter");
    let looks = objects.iter().filter(|object| object["type"] == "look");
    let times: Vec<u64> = looks.map(|look| look["at_ms"].as_u64().unwrap()).collect();
    // A look every few seconds, and none twice.
    assert!(
        times.len() >= 8 && times.is_sorted_by(|a, b| a < b),
        "{times:?}"
    );
    let is_flag = |object: &&Json| object["id"] == "inverter-silent";
    let text = objects.iter().find(is_flag).unwrap()["text"]
        .as_str()
        .unwrap();
    assert!(text.starts_with("NEW inverter-silent: "), "{text}");
}

#[test]
fn watch_of_a_running_unit_calls_nothing_a_fault_while_its_current_changes() {
    let simulated = [
        "--simulated",
        "hv-running",
        "--from",
        "0",
        "--seconds",
        "150",
    ];
    let (code, objects) = objects(&simulated);
    assert_eq!(code, Some(0));
    let told = verdicts(&objects);
    assert!(!told.contains(&"fault"), "{told:?}");
    assert_eq!(told.last(), Some(&"normal"));
    let states = objects.iter().filter(|object| object["about"] == "state");
    let states: Vec<&str> = states.map(|state| state["id"].as_str().unwrap()).collect();
    assert_eq!(states, ["precharge", "running"]);
}

#[test]
fn watch_says_which_pack_of_a_rack_and_when_a_unit_started_anew() {
    let (_, rack) = objects(&["--simulated", "rack-waiting", "--seconds", "30"]);
    let is_flat = |object: &&Json| object["id"] == "flat-curve";
    let texts: Vec<&str> = rack
        .iter()
        .filter(is_flat)
        .map(|o| o["text"].as_str().unwrap())
        .collect();
    assert_eq!(texts.len(), 3);
    for (text, unit) in texts.iter().zip(1..) {
        let lead = format!("NEW address {unit}, flat-curve: ");
        assert!(text.starts_with(&lead), "{text}");
    }
    let restarts = [
        "--simulated",
        "hv-reboots-again-and-again",
        "--from",
        "0",
        "--seconds",
        "60",
    ];
    let (_, objects) = objects(&restarts);
    let count = objects
        .iter()
        .filter(|object| object["id"] == "restarted")
        .count();
    // It restarts every 20 s and is read from second 6 on.
    assert!((2..=3).contains(&count), "{count}");
}

#[test]
fn watch_of_a_link_that_is_gone_does_not_go_on_with_its_last_verdict() {
    let gone = [
        "--simulated",
        "hv-adapter-gone",
        "--from",
        "50",
        "--seconds",
        "250",
    ];
    let (code, objects) = objects(&gone);
    let told = verdicts(&objects);
    assert!(
        objects
            .iter()
            .any(|object| object["about"] == "link" && object["id"] == "lost")
    );
    let last = *told.last().unwrap();
    assert!(["undecided", "bus-problem"].contains(&last), "{told:?}");
    assert_eq!(code, Some(if last == "undecided" { 6 } else { 3 }));
}

#[test]
fn recording_tells_the_very_same_as_live() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("w.visit.jsonl");
    let file = file.to_str().unwrap();
    let live = [
        "--simulated",
        "hv-waiting",
        "--from",
        "20",
        "--seconds",
        "60",
        "--record",
        file,
    ];
    let mut live = objects(&live);
    let mut replayed = objects(&["--recording", file]);
    // Where it was kept is said once, by the one that kept it.
    for told in [&mut live, &mut replayed] {
        if let Some(end) = told
            .1
            .last_mut()
            .and_then(|end| end["result"].as_object_mut())
        {
            end.remove("saved");
        }
    }
    assert_eq!(live, replayed);
    // Into a pipe as well, but for the command to type next.
    let text = |place: &[&str]| {
        let output = packside(&[&["watch"], place].concat());
        let text = stdout(&output);
        let cut = text.rfind("next: packside").unwrap();
        text[..cut].to_owned()
    };
    let again = [
        "--simulated",
        "hv-waiting",
        "--from",
        "20",
        "--seconds",
        "60",
    ];
    assert_eq!(text(&again), text(&["--recording", file]));
}

#[test]
fn err_session_that_is_not_there() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("w.visit.jsonl");
    let file = file.to_str().unwrap();
    for go_on in [&[][..], &["--continue"]] {
        let watch = [
            "watch",
            "--simulated",
            "hv-waiting",
            "--seconds",
            "5",
            "--record",
            file,
        ];
        let output = packside(&[&watch, go_on].concat());
        assert_eq!(output.status.code(), Some(5), "{}", stderr(&output));
    }
    for command in ["watch", "listen"] {
        let last = packside(&[command, "--recording", file]);
        let said = stderr(&last);
        assert!(said.contains("session 2 of 2, begun "), "{said}");
        let none = packside(&[command, "--recording", file, "--session", "3"]);
        assert_eq!(none.status.code(), Some(2));
        let said = stderr(&none);
        assert!(
            said.contains("--session: expected 1 to 2, found 3"),
            "{said}"
        );
    }
}
