//! `--record` and `--recording`: what was recorded is judged as it was live.

use std::path::{Path, PathBuf};
use std::process::Output;
use std::time::Duration;

use packside::event::{Event, What};
use packside::facts::VerdictKind;
use packside::judge::judge;
use packside::recording::read;
use packside_simulator::Scenario;
use serde_json::Value;

use super::tool::{packside, stderr, stdout};

fn json(output: &Output) -> Value {
    serde_json::from_slice(&output.stdout)
        .unwrap_or_else(|_| panic!("{}", String::from_utf8_lossy(&output.stderr)))
}

// Kind: invented
#[test]
fn look_at_a_real_link_keeps_itself_unless_told_not_to() {
    let folder = tempfile::tempdir().unwrap();
    let run = |words: &[&str]| {
        std::process::Command::new(env!("CARGO_BIN_EXE_packside"))
            .args(words)
            .env_remove("PACKSIDE_CONFIG")
            .env("PACKSIDE_STATE", folder.path())
            .output()
            .unwrap()
    };
    let kept = || {
        let all = std::fs::read_dir(folder.path()).unwrap();
        all.map(|file| file.unwrap().file_name().into_string().unwrap())
            .collect::<Vec<_>>()
    };
    let none = run(&["check", "--recording", "last"]);
    assert_eq!(none.status.code(), Some(4), "{}", stderr(&none));
    assert!(stderr(&none).contains("expected a look that kept itself"));
    // Nothing came about on the link: nothing is kept.
    let refused = run(&[
        "check",
        "--gateway",
        "127.0.0.1:1",
        "--profile",
        "generic-hv-stack",
    ]);
    assert_eq!(refused.status.code(), Some(3), "{}", stderr(&refused));
    // Nobody can be told apart from a unit that says nothing.
    let mute = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    let address = mute.local_addr().unwrap().to_string();
    let look = [
        "check",
        "--gateway",
        &address,
        "--profile",
        "generic-hv-stack",
        "--time-out",
        "50",
    ];
    let unkept = run(&[&look[..], &["--no-keep"]].concat());
    assert_eq!(unkept.status.code(), Some(3), "{}", stderr(&unkept));
    assert_eq!(kept(), Vec::<String>::new());
    let seen = run(&look);
    assert_eq!(seen.status.code(), Some(3), "{}", stderr(&seen));
    let names = kept();
    assert!(
        matches!(names.as_slice(), [one] if one.starts_with("look-") && one.ends_with(".visit.jsonl")),
        "{names:?}"
    );
    let saved = stdout(&seen).find(&names[0]).expect("the screen names it");
    assert!(saved < stdout(&seen).find("Line").unwrap_or(usize::MAX));
    let again = run(&["check", "--recording", "last"]);
    assert_eq!(again.status.code(), Some(3), "{}", stderr(&again));
    assert!(
        stderr(&again).contains("as shown on site"),
        "{}",
        stderr(&again)
    );
    let page = run(&["report", "last"]);
    assert_eq!(page.status.code(), Some(0), "{}", stderr(&page));
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
    let late = replayed(&path, &["--moment", "3h"]);
    assert_eq!(late.status.code(), Some(2));
    assert!(
        stderr(&late).contains("at which the session ends"),
        "{}",
        stderr(&late)
    );
}

#[test]
fn recording_of_a_simulated_line_that_was_listened_to_says_its_seed() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("listened.visit.jsonl");
    let file = path.to_str().unwrap();
    packside(&["listen", "--simulated", "hv-waiting", "--record", file]);
    let recording = read(&std::fs::read(&path).unwrap()).unwrap();
    let seed = recording.header.unwrap().simulated_seed;
    assert!(
        seed.is_some(),
        "a line without a unit is not passed off as real"
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
fn cut_recording_opens_and_a_changed_one_up_to_its_break() {
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
    let header = bytes.iter().position(|b| *b == b'\n').unwrap();
    let changed = |at: usize| {
        let mut changed = bytes.clone();
        changed[at] ^= 1;
        std::fs::write(&path, changed).unwrap();
        let changed = replayed(&path, &[]);
        let line = 1 + bytes[..at].iter().filter(|b| **b == b'\n').count();
        let named = format!("line {line} was changed");
        assert!(stderr(&changed).contains(&named), "{}", stderr(&changed));
        changed
    };
    let nothing_left = changed(header / 2);
    assert_eq!(nothing_left.status.code(), Some(4));
    assert_eq!(json(&nothing_left)["error"]["kind"], "recording");
    let changed = changed(header.midpoint(bytes.len()));
    // Half of a look is no look: whatever it is called, it is nothing clean.
    assert_ne!(changed.status.code(), Some(0));
    assert_ne!(json(&changed)["verdict"], Value::Null);
}

/// A recording with notes of the wall clock at its begin and shortly before its end.
fn judged_with_clocks(path: &Path, late: &str) -> (VerdictKind, Vec<String>) {
    let recording = read(&std::fs::read(path).unwrap()).unwrap();
    let profile = packside_profiles::find("generic-hv-stack", None)
        .unwrap()
        .profile;
    let mut events: Vec<Event> = recording.sessions[0].events.iter().collect();
    let clock = |at: Duration, time: &str| Event {
        at,
        what: What::Clock(format!("2026-11-25T{time}Z")),
    };
    // Before the last answer.
    let place = events
        .iter()
        .rposition(|e| matches!(e.what, What::In(_)))
        .unwrap();
    events.insert(
        place,
        clock(Duration::from_secs(events[place].at.as_secs()), late),
    );
    events.insert(1, clock(Duration::ZERO, "10:00:00.000"));
    let judgement = judge(&events, Some(&profile), None);
    (judgement.verdict.kind, packside::words::reasons(&judgement))
}

#[test]
fn nothing_read_before_the_computer_slept_counts_as_read_now() {
    let folder = tempfile::tempdir().unwrap();
    let (_, path) = recorded(folder.path(), "hv-running", &[]);
    let recording = read(&std::fs::read(&path).unwrap()).unwrap();
    let last = recording.sessions[0].events.span().unwrap().1.as_secs();
    let time = |seconds: u64| format!("10:{:02}:{:02}.000", seconds / 60, seconds % 60);
    let (kind, why) = judged_with_clocks(&path, &time(last));
    assert_eq!(kind, VerdictKind::Normal, "{why:?}");
    // Kind: invented (a lid closed for ten minutes, a clock set back by a minute)
    for apart in [time(last + 600), format!("09:59:{:02}.000", last % 60)] {
        let (kind, why) = judged_with_clocks(&path, &apart);
        assert_eq!(kind, VerdictKind::Undecided, "{apart}: {why:?}");
    }
}

/// A visit or look whose file may not grow beyond this many blocks of 512 bytes.
#[cfg(unix)]
fn limited(blocks: usize, arguments: &str) -> Output {
    let tool = env!("CARGO_BIN_EXE_packside");
    // The signal is ignored, so that the write fails as on a full disk.
    let script = format!("trap '' XFSZ; ulimit -f {blocks}; exec {tool} {arguments}");
    let mut shell = std::process::Command::new("sh");
    shell
        .args(["-c", &script])
        .env_remove("PACKSIDE_CONFIG")
        .env("PACKSIDE_STATE", super::tool::STATE)
        .output()
        .unwrap()
}

#[cfg(unix)]
#[test]
fn full_disk_is_said_at_once_keeps_what_was_written_and_does_not_hide_the_verdict() {
    let folder = tempfile::tempdir().unwrap();
    let (_, whole) = recorded(folder.path(), "hv-waiting", &[]);
    let length = std::fs::read(whole).unwrap().len();
    let path = folder.path().join("full.visit.jsonl");
    let look = format!(
        "check --simulated hv-waiting --record {}",
        packside_profiles::shown(&path)
    );
    let output = limited(length * 3 / 4 / 512, &look);
    let said = stderr(&output);
    assert_eq!(output.status.code(), Some(4), "{said}");
    assert!(said.contains("cannot be written: File too large"), "{said}");
    assert!(
        said.contains("recording ends here, everything before is kept"),
        "{said}"
    );
    assert!(said.contains("error: the recording is not whole"), "{said}");
    let screen = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(screen.starts_with("AWAITING INVERTER"), "{screen}");
    let recording = read(&std::fs::read(&path).unwrap()).unwrap();
    assert_eq!(
        recording.missing.len(),
        1,
        "no seal, and no cut line: {:?}",
        recording.missing
    );
    assert!(recording.lines > 2);
}

#[cfg(target_os = "linux")]
#[test]
fn err_folder_that_cannot_be_written_is_said_before_anything_is_asked() {
    // Kind: common practice (nobody, not even root, creates a file in /sys)
    let output = packside(&[
        "check",
        "--simulated",
        "hv-waiting",
        "--record",
        "/sys/x.visit.jsonl",
    ]);
    assert_eq!(output.status.code(), Some(4));
    let said = stderr(&output);
    assert!(
        said.contains("recording /sys/x.visit.jsonl: cannot be written: "),
        "{said}"
    );
    assert!(!said.contains("listening"), "{said}");
}

#[test]
fn next_command_keeps_the_config_folder() {
    let folder = tempfile::tempdir().unwrap();
    let config = folder.path().to_str().unwrap();
    let look = stdout(&packside(&[
        "check",
        "--simulated",
        "hv-waiting",
        "--config",
        config,
    ]));
    let next = look.lines().last().unwrap();
    assert!(
        next.starts_with("next: packside check --simulated hv-waiting"),
        "{next}"
    );
    assert!(next.ends_with(&format!("--config {config}")), "{next}");
}
