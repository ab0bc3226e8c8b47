//! `packside listen` on simulated lines, plain bytes and a pseudo-terminal: what it names, and that
//! it never sends a byte.
//!
//! Kind of all expectations: invented (the scenarios), judged by FIELD practice.

use std::io::Write as _;
use std::process::{Command, Output, Stdio};
use std::time::Duration;

use packside::event::What;
use packside::link::{Interrupt, OpenOptions, Target, open};
use packside::simulated::open_simulated;
use packside::wire::sealed;
use packside_simulator::Scenario;
use serde_json::Value;

use super::tool::flat;

fn packside(arguments: &[&str], input: &[u8]) -> Output {
    let mut child = Command::new(env!("CARGO_BIN_EXE_packside"))
        .arg("listen")
        .args(arguments)
        .env_remove("PACKSIDE_CONFIG")
        .env("PACKSIDE_STATE", super::tool::STATE)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    child.stdin.take().unwrap().write_all(input).unwrap();
    child.wait_with_output().unwrap()
}

/// Runs as text and as JSON: exit code, leading picture, and parts of the text.
fn check(arguments: &[&str], input: &[u8], exit: i32, leads: &str, parts: &[&str]) -> Value {
    let output = packside(arguments, input);
    let text = String::from_utf8(output.stdout).unwrap();
    let stderr = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(
        output.status.code(),
        Some(exit),
        "{arguments:?}: {text}{stderr}"
    );
    assert!(!stderr.contains("panicked"), "{stderr}");
    // Wrapped lines are read as one.
    let flat = flat(&text);
    for part in parts {
        assert!(
            flat.contains(part),
            "{arguments:?}: expected {part:?} in:\n{text}"
        );
    }
    let widest = text.lines().map(|line| line.chars().count()).max();
    assert!(widest <= Some(100), "{widest:?} columns:\n{text}");
    assert!(
        text.lines().last().unwrap().starts_with("next: packside"),
        "{text}"
    );
    let output = packside(&[arguments, &["--format", "json"]].concat(), input);
    assert_eq!(output.status.code(), Some(exit));
    let lines = String::from_utf8(output.stdout).unwrap();
    let lines: Vec<Value> = lines
        .lines()
        .map(|l| serde_json::from_str(l).unwrap())
        .collect();
    assert_eq!(lines[0]["type"], "start");
    assert_eq!(lines[0]["schema"], "packside.listen/1");
    let last = lines.last().unwrap().clone();
    assert_eq!(last["type"], "summary");
    assert_eq!(last["pictures"][0]["id"], leads, "{last}");
    agrees(&lines, &last);
    last
}

/// The summary counts what the lines told, and every byte is in one of them.
fn agrees(lines: &[Value], summary: &Value) {
    let told = |kind: &str, outcome: Option<&str>| {
        let of_kind = lines.iter().filter(|line| line["type"] == kind);
        of_kind
            .filter(|line| outcome.is_none_or(|o| line["outcome"] == o))
            .count() as u64
    };
    for outcome in ["unanswered", "damaged", "unasked"] {
        assert_eq!(
            summary[outcome],
            told("exchange", Some(outcome)),
            "{outcome}"
        );
    }
    let answered = told("exchange", Some("answered")) + told("exchange", Some("exception"));
    assert_eq!(summary["exchanges"], answered);
    let noise: u64 = lines
        .iter()
        .filter_map(|l| l["bytes"].as_u64().filter(|_| l["type"] == "noise"))
        .sum();
    assert_eq!(summary["noise_bytes"], noise);
    let hex =
        |line: &Value, field: &str| line[field].as_str().map_or(0, |text| text.len() as u64 / 2);
    let frames: u64 = lines
        .iter()
        .map(|line| hex(line, "request") + hex(line, "answer"))
        .sum();
    assert_eq!(summary["bytes"], noise + frames);
}

#[test]
fn sound_conversation_is_named_and_read_through_the_map() {
    let parts = [
        "THE LINE The conversation is sound: somebody asks and is answered.",
        "24 of 24 questions answered by unit 1",
        "write holding 8 5.00 s",
        "state running 0x0005",
        "points of the map were never asked for",
        "no byte sent",
    ];
    let summary = check(&["--simulated", "hv-running"], &[], 0, "sound", &parts);
    assert_eq!(summary["clients"], 1);
    assert_eq!(summary["silent_units"], serde_json::json!([]));
    // What nobody asked for keeps the gate shut.
    assert_eq!(summary["verdict"]["kind"], "undecided");
    assert!(summary["never_asked"].as_array().unwrap().len() > 10);
    let state = summary["readings"]
        .as_array()
        .unwrap()
        .iter()
        .find(|r| r["role"] == "state")
        .unwrap();
    assert_eq!(state["value_name"], "running");
    assert!(state["age_ms"].as_u64().unwrap() <= 6000);
}

#[test]
fn silent_inverter_is_named_with_the_strength_of_the_silence() {
    let parts = [
        "THE LINE Nobody asks here: not one byte was heard.",
        "10 s of silence rule out a client on this pair that asks every 8 s or faster",
        "it says nothing about the battery",
    ];
    let arguments = ["--simulated", "hv-waiting", "--seconds", "10"];
    let summary = check(&arguments, &[], 3, "nothing-heard", &parts);
    assert_eq!(summary["bytes"], 0);
    assert_eq!(summary["pictures"][0]["strength"], "open");
}

#[test]
fn battery_that_does_not_answer_is_named_and_not_judged() {
    let parts = [
        "THE LINE Somebody asks, but unit 1 never answers.",
        "NO ANSWER to a retry",
        "Nothing of the battery was heard, so nothing can be said about it.",
    ];
    let arguments = ["--simulated", "hv-dead-unit-inverter-asks"];
    let summary = check(&arguments, &[], 0, "unit-silent", &parts);
    assert_eq!(summary["silent_units"], serde_json::json!([1]));
    assert_eq!(summary["answered"], 0);
    assert_ne!(summary["retries"], 0);
    assert_eq!(summary["verdict"]["kind"], "bus-problem");
}

#[test]
fn two_clients_are_named_by_their_rhythm() {
    let parts = [
        "THE LINE At least two clients ask on this pair",
        "two clocks",
    ];
    let summary = check(
        &["--simulated", "hv-two-clients"],
        &[],
        0,
        "two-clients",
        &parts,
    );
    assert_eq!(summary["clients"], 2);
}

#[test]
fn foreign_protocol_is_named() {
    let text = ["THE LINE Another protocol: this is readable text, not Modbus."];
    check(
        &["--simulated", "hv-foreign-protocol"],
        &[],
        3,
        "other-protocol",
        &text,
    );
    check(
        &["--raw", "-"],
        b"boot 4.1 ok\r\nlogin: \r\n",
        3,
        "other-protocol",
        &text,
    );
    // Kind:   published
    // Source: Modbus over Serial Line V1.02, 2.5.2: a colon, hex digits, LRC, CR LF
    let ascii = b":010400000001FA\r\n:01040200070EF2\r\n:010400000001FA\r\n";
    let parts = ["THE LINE Another protocol: Modbus ASCII is spoken here, not RTU."];
    check(&["--raw", "-"], ascii, 3, "other-protocol", &parts);
    // Heard from the middle of a frame.
    check(&["--raw", "-"], &ascii[5..], 3, "other-protocol", &parts);
}

#[test]
fn other_speed_is_found_by_listening_at_others() {
    let arguments = ["--simulated", "hv-other-baud"];
    let output = packside(&arguments, &[]);
    assert_eq!(output.status.code(), Some(0));
    let stderr = String::from_utf8(output.stderr).unwrap();
    assert!(
        stderr.contains("listening at 19200-8N1 now, sending nothing"),
        "{stderr}"
    );
    let text = String::from_utf8(output.stdout).unwrap();
    assert!(
        text.ends_with("next: packside listen --line 19200-8E1 --simulated hv-other-baud\n"),
        "{text}"
    );
}

#[test]
fn swapped_pair_is_proven_and_nothing_is_said_of_the_battery() {
    let output = packside(&["--simulated", "hv-pair-swapped"], &[]);
    assert_eq!(output.status.code(), Some(3));
    let text = String::from_utf8(output.stdout).unwrap();
    let flat = flat(&text);
    for part in [
        "THE LINE The two wires of the pair are swapped:",
        "nothing can be said about the battery how sure: proven",
        "swap D0 and D1",
    ] {
        assert!(flat.contains(part), "expected {part:?} in:\n{text}");
    }
}

#[test]
fn other_parity_of_ours_is_heard_all_the_same_and_said() {
    let output = packside(&["--simulated", "hv-running", "--line", "9600-8N1"], &[]);
    assert_eq!(output.status.code(), Some(0));
    let text = String::from_utf8(output.stdout).unwrap();
    let flat = flat(&text);
    assert!(
        flat.contains("the marks of the port show that the senders use 9600-8E1, not our 9600-8N1"),
        "{text}"
    );
    assert!(flat.contains("before asking, set 9600-8E1"), "{text}");
}

#[test]
fn recording_holds_every_setting_listened_at_and_the_marks() {
    let folder = tempfile::tempdir().unwrap();
    let words = "the marks of the port show that the senders use 9600-8E1, not our 9600-8O1";
    for (arguments, sessions, part) in [
        (
            vec!["--simulated", "hv-other-baud"],
            2,
            "THE LINE The conversation is sound",
        ),
        (
            vec!["--simulated", "hv-running", "--line", "9600-8O1"],
            1,
            words,
        ),
    ] {
        let file = folder.path().join(format!("{sessions}.visit.jsonl"));
        let file = file.to_str().unwrap();
        let live = packside(&[&*arguments, &["--record", file]].concat(), &[]);
        let again = packside(&["--recording", file], &[]);
        for output in [live, again] {
            assert_eq!(output.status.code(), Some(0), "{arguments:?}: {output:?}");
            let text = String::from_utf8(output.stdout).unwrap();
            let flat = flat(&text);
            assert!(flat.contains(part), "expected {part:?} in:\n{text}");
        }
        let lines = std::fs::read_to_string(file).unwrap();
        let begun = lines.matches("\"type\":\"session\"").count();
        assert!(begun >= sessions, "{arguments:?}: {begun}");
        assert_eq!(lines.matches("\"type\":\"seal\"").count(), 1);
    }
}

#[test]
fn noise_is_no_frame_and_says_nothing_of_the_battery() {
    let noise: Vec<u8> = (0..600_u32)
        .map(|i| (i.wrapping_mul(2_654_435_761) >> 13) as u8)
        .collect();
    let parts = [
        "Bytes, but no Modbus frame",
        "nothing can be said about the battery",
    ];
    check(&["--raw", "-"], &noise, 3, "no-frame", &parts);
}

// Kind: invented
#[test]
fn raw_bytes_give_exchanges_with_unit_register_and_outcome() {
    let mut bytes = Vec::new();
    for (request, answer) in [
        (
            vec![17, 3, 0, 107, 0, 3],
            vec![17, 3, 6, 2, 43, 0, 0, 0, 100],
        ),
        (vec![17, 3, 0, 200, 0, 1], vec![17, 0x83, 2]),
        (vec![9, 4, 0, 0, 0, 1], vec![]),
        (vec![17, 6, 0, 1, 0, 3], vec![17, 6, 0, 1, 0, 3]),
    ] {
        bytes.extend(sealed(request));
        bytes.extend(if answer.is_empty() {
            answer
        } else {
            sealed(answer)
        });
    }
    let output = packside(
        &["--raw", "-", "--format", "json", "--line", "19200-8N1"],
        &bytes,
    );
    let text = String::from_utf8(output.stdout).unwrap();
    let lines: Vec<Value> = text
        .lines()
        .map(|l| serde_json::from_str(l).unwrap())
        .collect();
    assert_eq!(output.status.code(), Some(0));
    let first = &lines[1];
    for (field, expected) in [
        ("type", serde_json::json!("exchange")),
        ("unit", serde_json::json!(17)),
        ("function", serde_json::json!(3)),
        ("register", serde_json::json!(107)),
        ("count", serde_json::json!(3)),
        ("outcome", serde_json::json!("answered")),
        ("request", serde_json::json!("1103006b00037687")),
    ] {
        assert_eq!(first[field], expected, "{field}: {first}");
    }
    let outcomes: Vec<&str> = lines[1..5]
        .iter()
        .map(|l| l["outcome"].as_str().unwrap())
        .collect();
    assert_eq!(
        outcomes,
        ["answered", "exception", "unanswered", "answered"]
    );
    assert_eq!(lines[5]["exchanges"], 3);
}

// Kind: derived (nobody else asks on the simulated line: every question in the recording is our own)
#[test]
fn our_own_questions_in_a_recording_are_told_as_ours() {
    let folder = tempfile::tempdir().unwrap();
    for way in [&[][..], &["--framing", "tcp"], &["--framing", "rtu"]] {
        let file = folder.path().join(format!("{}.visit.jsonl", way.concat()));
        let file = file.to_str().unwrap();
        let look = ["check", "--simulated", "hv-waiting", "--record", file];
        let look = super::tool::packside(&[&look[..], way].concat());
        assert_eq!(look.status.code(), Some(5), "{way:?}");
        let parts = ["our own questions were answered", "(our question)"];
        let summary = check(&["--recording", file], &[], 0, "sound", &parts);
        let ours = summary["ours"].as_u64().unwrap();
        assert!(ours > 3, "{way:?}: {summary}");
        assert_eq!(summary["requests"], ours, "{way:?}");
        assert_eq!(summary["exchanges"], ours, "{way:?}");
    }
}

#[test]
fn readings_come_from_raw_bytes_through_a_map() {
    // Kind: derived (register 0 of the invented map is the state, 5 is running)
    let mut bytes = sealed(vec![1, 4, 0, 0, 0, 1]);
    bytes.extend(sealed(vec![1, 4, 2, 0, 5]));
    let arguments = [
        "--raw",
        "-",
        "--profile",
        "generic-hv-stack",
        "--format",
        "json",
    ];
    let output = packside(&arguments, &bytes);
    let text = String::from_utf8(output.stdout).unwrap();
    let summary: Value = serde_json::from_str(text.lines().last().unwrap()).unwrap();
    let state = summary["readings"]
        .as_array()
        .unwrap()
        .iter()
        .find(|r| r["role"] == "state")
        .unwrap();
    assert_eq!(state["value_name"], "running");
    // Noise between question and answer may hide another question: no reading then.
    let mut bytes = sealed(vec![1, 4, 0, 0, 0, 1]);
    bytes.extend([0x55; 9]);
    bytes.extend(sealed(vec![1, 4, 2, 0, 5]));
    let output = packside(&arguments, &bytes);
    let text = String::from_utf8(output.stdout).unwrap();
    let summary: Value = serde_json::from_str(text.lines().last().unwrap()).unwrap();
    let state = summary["readings"]
        .as_array()
        .into_iter()
        .flatten()
        .find(|r| r["role"] == "state");
    assert!(
        state.is_none_or(|state| state["value"].is_null()),
        "{state:?}"
    );
}

#[test]
fn err_modbus_tcp_gateway_cannot_be_overheard() {
    let output = packside(&["--gateway", "192.0.2.7"], &[]);
    assert_eq!(output.status.code(), Some(2));
    let stderr = String::from_utf8(output.stderr).unwrap();
    assert!(
        stderr.contains("nobody can be overheard behind a Modbus TCP gateway"),
        "{stderr}"
    );
    assert!(
        stderr.contains("hint: listen on the serial side, or with --framing rtu"),
        "{stderr}"
    );
}

#[test]
fn long_listen_sends_not_one_byte_on_a_simulated_line() {
    for name in [
        "hv-running",
        "hv-waiting",
        "hv-noise-too-much",
        "hv-two-clients",
    ] {
        let scenario = Scenario::find(name).unwrap();
        let profile = packside_profiles::find(&scenario.profile, None)
            .unwrap()
            .profile;
        let mut quiet = open_simulated(&scenario, &profile, Duration::ZERO, None);
        let mut events = 0;
        for minute in 1..=60 {
            quiet.listen(Duration::from_secs(60 * minute)).unwrap();
            for event in quiet.drain() {
                events += 1;
                let is_sent = matches!(event.what, What::Out(_) | What::Asked { .. });
                assert!(!is_sent, "{name}: {event:?}");
            }
        }
        assert!(events > 0, "{name}");
    }
}

#[test]
fn listen_on_a_pseudo_terminal_sends_not_one_byte() {
    use std::io::Read as _;
    let (mut wire, port) = super::wire_end::pair();
    let conversation: Vec<u8> =
        [sealed(vec![1, 4, 0, 0, 0, 1]), sealed(vec![1, 4, 2, 0, 5])].concat();
    let options = OpenOptions {
        interrupt: Interrupt::default(),
        ..OpenOptions::default()
    };
    let target = Target::Serial {
        port: port.into(),
        line: "9600-8E1".parse().unwrap(),
    };
    let mut quiet = open(&target, options, Box::new(|_| {})).unwrap();
    let mut heard = Vec::new();
    for round in 1..=10 {
        wire.write_all(&conversation).unwrap();
        quiet.listen(Duration::from_millis(100 * round)).unwrap();
        for event in quiet.drain() {
            assert!(!matches!(event.what, What::Out(_)));
            if let What::In(bytes) = event.what {
                heard.extend(bytes);
            }
        }
    }
    assert_eq!(heard, conversation.repeat(10));
    drop(quiet);
    let mut sent = Vec::new();
    let _ = wire.read_to_end(&mut sent);
    assert_eq!(sent, Vec::<u8>::new());
}
