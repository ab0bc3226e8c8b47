//! Bad input of any kind: a clear message, the right exit code, in bounded time.

use std::io::{Read as _, Write as _};
use std::net::TcpListener;

use super::tool::packside;

/// Runs as text and as JSON: stderr must contain every part, and the exit code must be the same.
fn check(arguments: &[&str], exit: i32, parts: &[&str]) {
    let output = packside(arguments);
    let stderr = String::from_utf8_lossy(&output.stderr).into_owned();
    for part in parts {
        assert!(
            stderr.contains(part),
            "{arguments:?}: expected {part:?} in:\n{stderr}"
        );
    }
    assert_eq!(output.status.code(), Some(exit), "{stderr}");
    assert!(!stderr.contains("panicked"), "{stderr}");
    let json = packside(&[arguments, &["--format", "json"]].concat());
    assert_eq!(json.status.code(), Some(exit), "as JSON: {stderr}");
    if matches!(exit, 2..=4) {
        let object: serde_json::Value = serde_json::from_slice(&json.stdout).unwrap();
        // A verdict and the mistakes of a map are results.
        if object["error"].is_object() {
            assert_eq!(object["schema"], "packside.failed/1", "{arguments:?}");
            assert_eq!(object["error"]["exit"], exit, "{arguments:?}");
        }
    }
}

/// Whatever is typed wrong, a program that wants JSON gets one object that names the command.
#[test]
fn err_wrong_usage_is_an_object_for_programs() {
    // Kind: invented. Arguments, command, a part of the message, a part of the hint.
    for (typed, command, message, hint) in [
        (
            vec!["report"],
            Some("report"),
            "<FILE>",
            "usage: packside report",
        ),
        (
            vec!["report", "a", "--withuot-names"],
            Some("report"),
            "--withuot-names",
            "--without-names",
        ),
        (vec!["retest", "--junit"], Some("retest"), "--junit", ""),
        (
            vec!["profile"],
            Some("profile"),
            "no command given",
            "usage: packside profile",
        ),
        (vec!["nonsense"], None, "nonsense", "usage: packside"),
        (vec![], None, "no command given", "--help"),
        (
            vec!["lamp", "--seen", "steady", "--profile", "no-such-map"],
            Some("lamp"),
            "no-such-map",
            "",
        ),
    ] {
        let asked = [typed.clone(), vec!["--format", "json"]].concat();
        let before = [vec!["--format=json"], typed.clone()].concat();
        for arguments in [asked, before] {
            let output = packside(&arguments);
            let object: serde_json::Value = serde_json::from_slice(&output.stdout)
                .unwrap_or_else(|_| panic!("{arguments:?}: {:?}", output.stdout));
            assert_eq!(object["schema"], "packside.failed/1");
            assert_eq!(object["command"].as_str(), command, "{arguments:?}");
            let exit = object["error"]["exit"].as_i64();
            assert_eq!(output.status.code().map(i64::from), exit);
            for (key, part) in [("message", message), ("hint", hint)] {
                let text = object["error"][key].as_str().unwrap_or_default();
                assert!(text.contains(part), "{arguments:?}: {key}: {text}");
            }
        }
        if command != Some("lamp") {
            assert_eq!(packside(&typed).stdout, b"", "text has no result");
        }
    }
}

#[test]
fn err_unknown_profile_names_the_known_ones() {
    check(
        &[
            "check",
            "--gateway",
            "127.0.0.1:1",
            "--profile",
            "generic-hv-stak",
        ],
        4,
        &["generic-hv-stak", "generic-hv-stack", "generic-lv-rack"],
    );
}

#[test]
fn err_profile_with_ten_mistakes_names_all_ten() {
    let (_, text) = packside_profiles::shipped()[0];
    // Kind: invented (ten different mistakes, one edit each)
    let edits = [
        ("unit = 1\n", "unit = 0\n"),
        ("time_out_ms = 600", "time_out_ms = 10"),
        ("functions = [3, 4, 8]", "functions = [3, 4, 6]"),
        ("silence_s = 45", "silence_s = 0"),
        ("point = \"map_mark\"", "point = \"map_marc\""),
        ("cycle_ms = [1500, 1500]", "cycle_ms = [1500]"),
        ("id = \"nominal_capacity\"", "id = \"serial\""),
        ("bit = 11\n", "bit = 16\n"),
        (
            "flags = [\"inverter-silent\"]",
            "flags = [\"inverter-silnt\"]",
        ),
        ("date = \"2026-11-25\"", "date = \"25 Nov\""),
    ];
    let mut broken = text.to_owned();
    for (from, to) in edits {
        assert!(broken.contains(from), "{from}");
        broken = broken.replacen(from, to, 1);
    }
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("broken.toml");
    std::fs::write(&path, broken).unwrap();
    let path = path.to_str().unwrap();
    check(
        &["check", "--gateway", "127.0.0.1:1", "--profile", path],
        4,
        &[
            "broken.toml:",
            "^",
            "answering.unit",
            "time_out_ms",
            "functions",
            "silence_s",
            "map_marc",
            "cycle_ms",
            "serial",
            "16",
            "inverter-silnt",
            "25 Nov",
        ],
    );
}

#[test]
fn err_missing_port_says_what_is_there() {
    check(
        &[
            "check",
            "--serial",
            "/dev/no-such-port",
            "--profile",
            "generic-hv-stack",
        ],
        4,
        &["cannot open /dev/no-such-port: there is no such port"],
    );
}

#[test]
fn err_refused_connection_is_a_problem_of_the_path() {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = listener.local_addr().unwrap().to_string();
    drop(listener);
    check(
        &[
            "check",
            "--gateway",
            &address,
            "--profile",
            "generic-hv-stack",
        ],
        3,
        &[
            "the host refuses the connection",
            "hint: check the TCP port",
        ],
    );
}

#[test]
fn err_unknown_host_is_named() {
    check(
        &[
            "check",
            "--gateway",
            "no-such-host.invalid",
            "--profile",
            "generic-hv-stack",
        ],
        3,
        &["no-such-host.invalid: the name was not found"],
    );
}

#[test]
fn unit_that_never_answers_is_a_bus_problem_and_no_statement_about_the_battery() {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = listener.local_addr().unwrap().to_string();
    std::thread::spawn(move || {
        for stream in listener.incoming() {
            let mut stream = stream.unwrap();
            std::thread::spawn(move || stream.read_to_end(&mut Vec::new()));
        }
    });
    let output = packside(&[
        "check",
        "--gateway",
        &address,
        "--profile",
        "generic-hv-stack",
        "--format",
        "json",
    ]);
    let result: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(result["verdict"]["kind"], "bus-problem");
    assert_eq!(result["findings"].as_array().unwrap().len(), 0);
    assert_eq!(output.status.code(), Some(3));
}

#[test]
fn web_server_on_the_port_is_named() {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = listener.local_addr().unwrap().to_string();
    std::thread::spawn(move || {
        for stream in listener.incoming() {
            let mut stream = stream.unwrap();
            std::thread::spawn(move || {
                let _ = stream.read(&mut [0; 64]);
                let _ = stream.write_all(b"HTTP/1.1 400 Bad Request\r\nContent-Length: 0\r\n\r\n");
            });
        }
    });
    let output = packside(&[
        "check",
        "--gateway",
        &address,
        "--profile",
        "generic-hv-stack",
    ]);
    let all = String::from_utf8_lossy(&output.stderr).into_owned()
        + &String::from_utf8_lossy(&output.stdout);
    assert_eq!(output.status.code(), Some(3), "{all}");
    assert!(
        all.contains("web server") || all.contains("not Modbus"),
        "{all}"
    );
}

#[test]
fn err_wrong_usage_is_2_and_says_what_is_expected() {
    check(
        &[
            "check",
            "--simulated",
            "hv-waiting",
            "--lamp",
            "fault=purple",
        ],
        2,
        &["expected one of", "purple"],
    );
    check(
        &["check", "--simulated", "hv-waiting", "--lamp", "nose=on"],
        2,
        &["expected one of power", "nose"],
    );
    check(
        &["check", "--gateway", "127.0.0.1:1"],
        3,
        &["looking which unit this is", "refuses"],
    );
    check(
        &["check", "--serial", "x", "--line", "9600,n,8,1"],
        2,
        &["expected something like 9600-8E1"],
    );
}

#[test]
fn err_one_word_for_two_consents_names_both() {
    for command in ["check", "watch", "find", "visit"] {
        let words = [command, "--serial", "x", "--ask-anyway"];
        check(&words, 2, &["--may-wake", "--beside-others"]);
    }
}

#[test]
fn rack_that_asking_may_wake_is_not_asked_without_the_explicit_word() {
    let (exit, stderr, sent) = check_mute_gateway(&["--profile", "generic-lv-rack"]);
    assert_eq!(exit, Some(2), "{stderr}");
    assert!(stderr.contains("--may-wake"), "{stderr}");
    assert!(sent.is_empty(), "a byte was sent");
}

/// Runs `check` behind a gateway that only listens; gives its exit code, what it said and sent.
fn check_mute_gateway(arguments: &[&str]) -> (Option<i32>, String, Vec<u8>) {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = listener.local_addr().unwrap().to_string();
    let heard = std::thread::spawn(move || {
        let mut bytes = Vec::new();
        let mut stream = listener.accept().unwrap().0;
        stream.read_to_end(&mut bytes).unwrap();
        bytes
    });
    let output = packside(&[&["check", "--gateway", &address], arguments].concat());
    let stderr = String::from_utf8_lossy(&output.stderr).into_owned();
    (output.status.code(), stderr, heard.join().unwrap())
}

#[test]
fn unit_whose_wanted_registers_feed_the_supervision_is_not_asked_without_the_explicit_word() {
    let (_, text) = packside_profiles::shipped()[0];
    // Kind: invented (the state register and what stands beside it count as a sign of life)
    let feeding = "fed_by = \"reads-of\"\nreads_of = [{ table = \"input\", from = 0, to = 9 }]";
    let text = text.replace("fed_by = \"writes\"", feeding);
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("feeding.toml");
    std::fs::write(
        &path,
        text.replace("id = \"generic-hv-stack\"", "id = \"feeding\""),
    )
    .unwrap();
    let (exit, stderr, sent) = check_mute_gateway(&["--profile", path.to_str().unwrap()]);
    assert_eq!(exit, Some(2), "{stderr}");
    assert!(
        stderr.contains("a read of some of these registers"),
        "{stderr}"
    );
    assert!(stderr.contains("--may-wake"), "{stderr}");
    assert!(sent.is_empty(), "a byte was sent");
}

#[test]
fn line_that_may_not_be_listened_to_is_not_asked() {
    let arguments = [
        "--framing",
        "rtu",
        "--profile",
        "generic-hv-stack",
        "--listen-first",
        "0",
    ];
    let (exit, stderr, sent) = check_mute_gateway(&arguments);
    assert_eq!(exit, Some(2), "{stderr}");
    assert!(stderr.contains("without listening first"), "{stderr}");
    assert!(!stderr.contains("somebody is heard"), "{stderr}");
    assert!(sent.is_empty(), "a byte was sent");
}

/// Only `check` reaches a unit; `demo` stays inside, `lamp` and `profile` open no link.
#[test]
fn check_sends_nothing_but_questions_that_change_nothing() {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = listener.local_addr().unwrap().to_string();
    let heard = std::thread::spawn(move || {
        let mut stream = listener.accept().unwrap().0;
        let mut functions = Vec::new();
        let mut request = [0; 12];
        while stream.read_exact(&mut request).is_ok() {
            functions.push(request[7]);
            // Exception 02 to everything: the tool then tries whatever else it would ever ask.
            let refusal = [&request[..4], &[0, 3, request[6], request[7] | 0x80, 2]].concat();
            if stream.write_all(&refusal).is_err() {
                break;
            }
        }
        functions
    });
    let output = packside(&[
        "check",
        "--gateway",
        &address,
        "--profile",
        "generic-hv-stack",
        "--only",
        "1",
    ]);
    assert_eq!(
        output.status.code(),
        Some(6),
        "refusals are no fault and no bus problem"
    );
    let functions = heard.join().unwrap();
    assert!(functions.len() > 3, "{functions:?}");
    assert!(
        functions
            .iter()
            .all(|function| matches!(function, 1..=4 | 8 | 0x11 | 0x2b)),
        "{functions:?}"
    );
}
