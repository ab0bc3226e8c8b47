//! `report --verify` holds for every honest file: whatever was shown is judged the same from the lines
//! before it.
//!
//! Kind of all units and answers here: invented.

use std::path::{Path, PathBuf};

use super::tool::{packside, stderr, stdout};
use super::visits;

const ANSWERS: &str = "format = 1\n[answers]\nwho = \"A. Invented\"\nwhere = \"cellar\"\nsound-outside = true\n\
                       earth = true\nlatches = true\npolarity = true\nswitched-on = true\ninverter-on = true\n";

fn run(words: &[&str]) -> (String, String) {
    let output = packside(words);
    let code = output.status.code().unwrap();
    assert!(
        code < 10 && code != 2 && code != 4,
        "{words:?}: {code}\n{}",
        stderr(&output)
    );
    (stdout(&output), stderr(&output))
}

/// Goes on with a visit that is recorded there, or begins it.
fn visit(folder: &Path, scenario: &str, answers: &str, go_on: bool) -> PathBuf {
    let (file, record) = (folder.join("answers.toml"), folder.join("one.visit.jsonl"));
    std::fs::write(&file, answers).unwrap();
    let (file, path) = (file.to_str().unwrap(), record.to_str().unwrap());
    let mut words = vec![
        "visit",
        "--simulated",
        scenario,
        "--answers",
        file,
        "--record",
        path,
    ];
    words.extend(go_on.then_some("--continue"));
    run(&words);
    record
}

/// Expects that the recording holds, with at least so many verdicts in it.
fn holds(record: &Path, least: usize) {
    let text = std::fs::read_to_string(record).unwrap();
    let shown = text.matches("{\"type\":\"shown\"").count();
    assert!(shown >= least, "{shown} verdicts shown, {least} expected");
    let output = packside(&["report", "--verify", record.to_str().unwrap()]);
    assert_eq!(output.status.code(), Some(0), "{}", stdout(&output));
}

/// Power cycled on the way, so that what was shown then was judged afresh.
#[test]
fn visit_with_a_power_cycle_holds() {
    let folder = tempfile::tempdir().unwrap();
    for scenario in [
        "hv-cell-high-latched-until-power-cycle",
        "hv-swap-fault-follows-module",
    ] {
        let folder = tempfile::tempdir_in(&folder).unwrap();
        holds(&visit(folder.path(), scenario, ANSWERS, false), 2);
    }
}

/// Something was found not in order only after the verdicts were shown, and another day everything is.
#[test]
fn visit_gone_on_with_holds_and_knows_the_earlier_answers() {
    let folder = tempfile::tempdir().unwrap();
    let stopped = ANSWERS.replace("polarity = true", "polarity = false");
    visit(folder.path(), "hv-commissioning", &stopped, false);
    let record = visit(folder.path(), "hv-commissioning", ANSWERS, true);
    holds(&record, 2);
}

#[test]
fn looks_and_watches_in_one_file_hold() {
    let folder = tempfile::tempdir().unwrap();
    let record = folder.path().join("one.visit.jsonl");
    let path = record.to_str().unwrap();
    let link = ["--simulated", "hv-inverter-lost", "--record", path];
    run(&[&["check"], &link[..]].concat());
    run(&[&["watch"], &link[..], &["--continue"]].concat());
    run(&[&["check"], &link[..], &["--continue"]].concat());
    holds(&record, 5);
}

/// The computer slept on the way, and somebody answered and saw a lamp only after the last verdict was shown.
#[test]
fn visit_across_a_sleep_with_later_answers_holds() {
    use packside::event::What;
    let folder = tempfile::tempdir().unwrap();
    let record = folder.path().join("slept.visit.jsonl");
    let clock = |time: &str| What::Clock(format!("2026-11-25T{time}.000Z"));
    visits::record(
        &record,
        &visits::Plan {
            scenario: &visits::stack(7, 0.0, ""),
            utc: "2026-11-25T10:00:00.000Z",
            seconds: 60,
            looks: &[20, 40],
            all: false,
            more: vec![
                (0, clock("10:00:00")),
                (30, clock("10:10:30")),
                (
                    50,
                    visits::answer("earth", "Earth connected?", "no", Some("clamp missing")),
                ),
                (52, visits::sighting("fault", "triple-flash")),
                (55, clock("10:10:55")),
            ],
        },
    );
    holds(&record, 2);
    // Judged at that moment with what was said later it is another thing, and says so.
    let moment = [
        "check",
        "--recording",
        record.to_str().unwrap(),
        "--moment",
        "41",
    ];
    let (_, said) = run(&moment);
    assert!(
        said.contains("judged with later answers: 1 answer"),
        "{said}"
    );
}

/// A verdict that was put in afterwards, by somebody who also mended the hashes, does not hold.
#[test]
fn another_finding_does_not_hold() {
    use packside::recording::{Entry, Header, Recorder, Start, read};
    let folder = tempfile::tempdir().unwrap();
    let record = visit(folder.path(), "hv-commissioning", ANSWERS, false);
    let recording = read(&std::fs::read(&record).unwrap()).unwrap();
    let forged = folder.path().join("forged.visit.jsonl");
    let header: Header = recording.header.clone().unwrap();
    let mut recorder = Recorder::create(&forged, &header).unwrap();
    let session = &recording.sessions[0];
    recorder
        .session(&Start {
            ..session.start.clone()
        })
        .unwrap();
    for event in &session.events {
        recorder.entry(&Entry::Event(event)).unwrap();
    }
    let (_, mut shown) = session.shown.last().unwrap().clone();
    let facts = shown.facts.as_mut().unwrap();
    facts.push(packside::recording::ShownFact {
        id: "cell-over-voltage".to_owned(),
        unit: 1,
        module: None,
        item: None,
        source: "flag".to_owned(),
    });
    recorder.entry(&Entry::Shown(shown)).unwrap();
    recorder.seal().unwrap();
    let output = packside(&["report", "--verify", forged.to_str().unwrap()]);
    assert_eq!(output.status.code(), Some(7));
    assert!(stdout(&output).contains("found then and not today: cell-over-voltage"));
}
