//! `packside report`: the page, the same as data, what holds, and two visits side by side.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::time::Duration;

use packside::event::{Consent, Event, LinkFacts, LinkKind, What};
use packside::recording::{Entry, Header, Recorder, Shown, Start};
use packside::wire::Framing;
use serde_json::Value;
use sha2::{Digest as _, Sha256};

use crate::visits::{Plan, answer, record, sighting, stack};

use super::tool::{packside, stderr, stdout};

fn page(path: &Path, more: &[&str]) -> String {
    let output = packside(&[&["report", path.to_str().unwrap()], more].concat());
    assert_eq!(
        output.status.code(),
        Some(0),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    stdout(&output)
}

fn data(path: &Path, more: &[&str]) -> Value {
    let text = page(path, &[&["--format", "json"], more].concat());
    serde_json::from_str(&text).unwrap()
}

fn looked(folder: &Path, scenario: &str) -> PathBuf {
    let path = folder.join(format!("{scenario}.visit.jsonl"));
    let file = path.to_str().unwrap();
    packside(&["check", "--simulated", scenario, "--record", file]);
    path
}

const PIXEL: &[u8] = &[
    // Kind: derived. The smallest PNG: signature, header of 1 x 1 grey, data, end.
    0x89, 0x50, 0x4e, 0x47, 0x0d, 0x0a, 0x1a, 0x0a, 0, 0, 0, 13, 0x49, 0x48, 0x44, 0x52, 0, 0, 0, 1,
    0, 0, 0, 1, 8, 0, 0, 0, 0, 0x3a, 0x7e, 0x9b, 0x55, 0, 0, 0, 10, 0x49, 0x44, 0x41, 0x54, 0x78,
    0x9c, 0x63, 0x60, 0, 0, 0, 2, 0, 1, 0x48, 0xaf, 0xa4, 0x71, 0, 0, 0, 0, 0x49, 0x45, 0x4e, 0x44,
    0xae, 0x42, 0x60, 0x82,
];

fn photo(step: &str, file: &str, content: &[u8]) -> What {
    let sha256 = Sha256::digest(content)
        .iter()
        .fold(String::new(), |mut hex, byte| {
            write!(hex, "{byte:02x}").unwrap();
            hex
        });
    What::Photo {
        step: step.into(),
        file: file.into(),
        sha256,
    }
}

/// A whole visit: power-up alone, lamp, inverter, charge, answers, a photograph.
fn visited(folder: &Path, name: &str, seed: u64, utc: &str) -> PathBuf {
    visit_of(folder, name, utc, &stack(seed, 18.0, ""))
}

fn visit_of(folder: &Path, name: &str, utc: &str, scenario: &str) -> PathBuf {
    let path = folder.join(format!("{name}.visit.jsonl"));
    std::fs::write(folder.join("nameplate.png"), PIXEL).unwrap();
    // Kind: invented. People, places and answers.
    let more = vec![
        (
            0,
            answer("who", "Who does this visit?", "Alex Example", None),
        ),
        (
            0,
            answer("where", "Where is the unit?", "1 Sample Street", None),
        ),
        (
            0,
            answer("site", "Is there room, air and no direct sun?", "yes", None),
        ),
        (
            1,
            answer(
                "polarity",
                "DC polarity at the inverter end, by meter?",
                "right",
                Some("measured by Alex Example"),
            ),
        ),
        (
            1,
            answer("storage", "Weeks since the last charge?", "6 weeks", None),
        ),
        (2, photo("nameplate", "nameplate.png", PIXEL)),
        (2, photo("cabinet", "gone.jpg", b"not there")),
        (3, sighting("power", "on")),
        (55, sighting("fault", "blinking")),
        (60, What::Mark("inverter cable in".into())),
        (85, sighting("fault", "off")),
        (
            86,
            answer(
                "inverter-setting",
                "Battery type on the inverter's screen?",
                "HV stack, firmware 5.1",
                None,
            ),
        ),
        (
            87,
            answer(
                "load-test",
                "May it be charged a little?",
                "skipped",
                Some("customer needs the power"),
            ),
        ),
    ];
    record(
        &path,
        &Plan {
            scenario,
            utc,
            seconds: 140,
            looks: &[58, 130],
            all: false,
            more,
        },
    );
    path
}

/// Where the browser test looks for its pages.
fn pages() -> PathBuf {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("pages");
    std::fs::create_dir_all(&folder).unwrap();
    folder
}

/// Headings in their order, as levels.
fn levels(page: &str) -> Vec<u8> {
    let bytes = page.as_bytes();
    let heads = bytes
        .windows(3)
        .filter(|w| w[..2] == *b"<h" && w[2].is_ascii_digit());
    heads.map(|w| w[2] - b'0').collect()
}

#[test]
fn page_begins_with_the_verdict_and_keeps_its_order() {
    let folder = tempfile::tempdir().unwrap();
    let page = page(&looked(folder.path(), "hv-fault-behind-lamp"), &[]);
    let order = [
        "<h1>",
        "Real fault",
        "Next step",
        "Caution",
        "Not tested",
        "Who, where, what",
        "How it went",
        "Cells",
        "Temperatures",
        "The line",
        "Found",
        "What the unit keeps",
        "The recording",
    ];
    let places: Vec<usize> = order
        .iter()
        .map(|part| {
            page.find(&format!(">{part}<"))
                .or(page.find(part))
                .unwrap_or_else(|| panic!("{part}"))
        })
        .collect();
    assert!(places.is_sorted(), "{places:?}");
    assert!(page.contains("SIMULATED"));
}

#[test]
fn every_scenario_gives_an_accessible_page() {
    let folder = tempfile::tempdir().unwrap();
    for (scenario, _) in packside_simulator::Scenario::shipped() {
        let path = looked(folder.path(), scenario);
        for reader in ["desk", "customer"] {
            let page = page(&path, &["--for", reader]);
            let levels = levels(&page);
            assert_eq!(levels.iter().filter(|l| **l == 1).count(), 1, "{scenario}");
            let steps = levels.windows(2).all(|pair| pair[1] <= pair[0] + 1);
            assert!(
                steps,
                "{scenario}: a level of heading is left out: {levels:?}"
            );
            for drawing in page.split("<svg").skip(1) {
                let head = drawing.split_once('>').unwrap().0;
                assert!(head.contains("role=\"img\""), "{scenario}");
                assert!(
                    head.contains("aria-label=\"") && !head.contains("aria-label=\"\""),
                    "{scenario}"
                );
            }
            for cell in page
                .split("<th")
                .skip(1)
                .filter(|c| c.starts_with([' ', '>']))
            {
                assert!(cell.starts_with(" scope="), "{scenario}");
            }
            for outside in [
                "http://", "https://", "<script", "src=\"/", "@import", "url(",
            ] {
                assert!(!page.contains(outside), "{scenario}: {outside}");
            }
            assert!(page.contains("hazardous voltage"), "{scenario}");
        }
    }
}

#[test]
fn customer_reads_plain_words_and_no_registers() {
    let folder = tempfile::tempdir().unwrap();
    let path = looked(folder.path(), "hv-fault-behind-lamp");
    let page = page(&path, &["--for", "customer"]);
    for word in ["0x", "alarm_2", "input 2", "Register"] {
        assert!(!page.contains(word), "{word}");
    }
    assert!(page.contains("the insulation against earth is too low"));
    assert!(page.contains("work for a qualified person"));
    assert!(
        page.contains("Real fault"),
        "the verdict is the same for everyone"
    );
}

#[test]
fn hostile_text_in_any_field_stays_text() {
    const HOSTILE: &str = "\"'><hostile onload=x>&<script>";
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("hostile.visit.jsonl");
    let text = || HOSTILE.to_owned();
    let header = Header {
        tool: text(),
        profile: None,
        simulated_seed: None,
    };
    let mut recorder = Recorder::create(&path, &header).unwrap();
    let start = Start {
        utc: text(),
        offset_minutes: 60,
    };
    recorder.session(&start).unwrap();
    let kind = LinkKind::Serial {
        port: text().into(),
        line: "9600-8E1".parse().unwrap(),
    };
    let facts = LinkFacts {
        kind,
        framing: Framing::Rtu,
        plugged: None,
        consent: Consent::default(),
    };
    let events = [
        What::Opened(facts),
        What::Lost { why: text().into() },
        What::Clock(text()),
        sighting(HOSTILE, HOSTILE),
        What::Mark(text().into()),
        answer(HOSTILE, HOSTILE, HOSTILE, Some(HOSTILE)),
        answer("who", HOSTILE, HOSTILE, Some(HOSTILE)),
        answer("where", HOSTILE, HOSTILE, None),
        answer("inverter-setting", HOSTILE, HOSTILE, None),
        What::Photo {
            step: text().into(),
            file: text().into(),
            sha256: text(),
        },
    ];
    for (second, what) in events.into_iter().enumerate() {
        let at = Duration::from_secs(second as u64);
        recorder.entry(&Entry::Event(Event { at, what })).unwrap();
    }
    recorder.entry(&Entry::Unit(text().into())).unwrap();
    let shown = Shown {
        at: Duration::from_secs(3),
        tool: text(),
        verdict: text(),
        summary: text(),
        facts: None,
    };
    recorder.entry(&Entry::Shown(shown)).unwrap();
    recorder.seal().unwrap();
    for reader in ["desk", "customer"] {
        let page = page(&path, &["--for", reader]);
        assert!(
            !page.contains("<hostile") && !page.contains("<script"),
            "{reader}"
        );
        let escaped = page
            .matches("&quot;&#39;&gt;&lt;hostile onload=x&gt;&amp;&lt;script&gt;")
            .count();
        assert!(escaped >= 16, "{reader}: {escaped}");
        std::fs::write(pages().join(format!("hostile-{reader}.html")), page).unwrap();
    }
}

#[test]
fn names_are_taken_out_wherever_they_are_repeated() {
    let folder = tempfile::tempdir().unwrap();
    let path = visited(folder.path(), "names", 7, "2026-11-25T13:00:00Z");
    let with = page(&path, &[]);
    assert!(with.contains("Alex Example") && with.contains("1 Sample Street"));
    let without = [
        page(&path, &["--without-names"]),
        data(&path, &["--without-names"]).to_string(),
    ];
    for text in without {
        assert!(!text.contains("Alex") && !text.contains("Sample"), "{text}");
        assert!(text.contains("measured by (taken out)"));
    }
}

#[test]
fn visit_is_told_with_its_answers_pictures_and_times() {
    let folder = tempfile::tempdir().unwrap();
    let path = visited(folder.path(), "visit", 7, "2026-11-25T13:00:00Z");
    let page = page(&path, &[]);
    for part in [
        "2026-11-25 14:00:00 +01:00",
        "In service",
        "HV stack, firmware 5.1",
        "customer needs the power",
        "Under load",
        "mark: inverter cable in",
        "data:image/png;base64,iVBORw0KGgo",
        "gone.jpg, step cabinet",
        "not found beside the recording",
        "whole and sealed",
        "lamp fault seen: blinking",
    ] {
        assert!(page.contains(part), "{part}");
    }
    std::fs::write(folder.path().join("nameplate.png"), b"another").unwrap();
    let output = packside(&["report", path.to_str().unwrap()]);
    assert!(
        !stdout(&output).contains("data:image/png"),
        "its hash does not fit any more"
    );
    assert!(String::from_utf8_lossy(&output.stderr).contains("not what was recorded"));
}

#[test]
fn data_hold_what_the_page_holds() {
    let folder = tempfile::tempdir().unwrap();
    let path = visited(folder.path(), "data", 7, "2026-11-25T13:00:00Z");
    let data = data(&path, &[]);
    assert_eq!(data["schema"], "packside.report/1");
    assert_eq!(data["shown"]["verdict"], "normal");
    assert_eq!(data["as_shown"], true);
    assert_eq!(data["judged"]["schema"], "packside.check/1");
    assert_eq!(data["judged"]["verdict"]["kind"], "normal");
    assert_eq!(data["visit"]["who"], "Alex Example");
    assert_eq!(data["answers"].as_array().unwrap().len(), 7);
    assert_eq!(data["photos"][0]["found"], true);
    assert_eq!(data["photos"][1]["found"], false);
    assert_eq!(data["recording"]["missing"], serde_json::json!([]));
}

#[test]
fn whole_recording_holds_and_a_cut_or_changed_one_does_not() {
    let folder = tempfile::tempdir().unwrap();
    let path = looked(folder.path(), "hv-waiting");
    let verify = |path: &Path| packside(&["report", "--verify", path.to_str().unwrap()]);
    let whole = verify(&path);
    assert_eq!(whole.status.code(), Some(0));
    assert!(stdout(&whole).starts_with("holds: "));

    let bytes = std::fs::read(&path).unwrap();
    let cut = folder.path().join("cut.visit.jsonl");
    std::fs::write(&cut, &bytes[..bytes.len() - 40]).unwrap();
    let broken = verify(&cut);
    assert_eq!(broken.status.code(), Some(7));
    assert!(stdout(&broken).contains("no seal at the end"));
    assert!(page(&cut, &[]).contains("Missing"), "it still gives a page");

    let mut changed = bytes.clone();
    // Behind the first line, without which nothing of it is left.
    let header = bytes.iter().position(|byte| *byte == b'\n').unwrap();
    let at = header.midpoint(changed.len());
    changed[at] = if changed[at] == b'0' { b'1' } else { b'0' };
    std::fs::write(&cut, changed).unwrap();
    let broken = verify(&cut);
    assert_eq!(broken.status.code(), Some(7));
    assert!(stdout(&broken).contains("was changed after"));
    assert!(page(&cut, &[]).contains("was changed after"), "on its page");
}

#[test]
fn other_verdict_than_shown_does_not_hold_and_stands_on_the_page() {
    let folder = tempfile::tempdir().unwrap();
    let path = looked(folder.path(), "hv-fault-behind-lamp");
    let recording = packside::recording::read(&std::fs::read(&path).unwrap()).unwrap();
    let told = folder.path().join("told.visit.jsonl");
    let mut recorder = Recorder::create(&told, recording.header.as_ref().unwrap()).unwrap();
    recorder.session(&recording.sessions[0].start).unwrap();
    for event in &recording.sessions[0].events {
        recorder.entry(&Entry::Event(event.clone())).unwrap();
    }
    let (_, shown) = recording.sessions[0].shown.last().unwrap().clone();
    let verdict = "normal".to_owned();
    let shown = Shown { verdict, ..shown };
    recorder.entry(&Entry::Shown(shown)).unwrap();
    recorder.seal().unwrap();
    let output = packside(&[
        "report",
        "--verify",
        "--format",
        "json",
        told.to_str().unwrap(),
    ]);
    assert_eq!(output.status.code(), Some(7));
    let said: Value = serde_json::from_str(&stdout(&output)).unwrap();
    assert_eq!(said["broken"][0]["id"], "differs");
    let page = page(&told, &[]);
    assert!(
        page.contains("it is another: Real fault"),
        "both verdicts are told"
    );
}

#[test]
fn page_is_given_wherever_the_recording_was_cut() {
    let folder = tempfile::tempdir().unwrap();
    let path = looked(folder.path(), "hv-noisy-line");
    let bytes = std::fs::read(&path).unwrap();
    let cut = folder.path().join("cut.visit.jsonl");
    for part in 1..25 {
        std::fs::write(&cut, &bytes[..bytes.len() * part / 25]).unwrap();
        let output = packside(&["report", cut.to_str().unwrap()]);
        let code = output.status.code();
        // Inside of the header there is no session yet, and that is said.
        assert!(matches!(code, Some(0 | 4)), "{part}: {code:?}");
        assert!(code == Some(0) || String::from_utf8_lossy(&output.stderr).contains("session"));
    }
}

#[test]
fn two_visits_are_compared_and_two_units_refused() {
    let folder = tempfile::tempdir().unwrap();
    // Kind: invented. The same seed is the same unit; one cell of it is low the second time.
    let low = "[[event]]\nat = \"0s\"\nmodule = 3\ncell = 14\nvolts = 2.62\n";
    let at_rest = |name, utc, more| visit_of(folder.path(), name, utc, &stack(7, 0.0, more));
    let before = at_rest("before", "2026-05-02T07:00:00Z", "");
    let after = at_rest("after", "2026-11-25T13:00:00Z", low);
    let (one, other) = (after.to_str().unwrap(), before.to_str().unwrap());
    let output = packside(&["report", one, other]);
    assert_eq!(output.status.code(), Some(0));
    let page = stdout(&output);
    for part in [
        "Two visits to the battery unit",
        "Then: In service",
        "Now: Real fault",
        "How each cell moved",
    ] {
        assert!(page.contains(part), "{part}");
    }
    let earlier_first = page.find("2026-05-02").unwrap() < page.find("2026-11-25").unwrap();
    assert!(earlier_first, "whatever the order given");
    let data = packside(&["report", "--format", "json", one, other]);
    let data: Value = serde_json::from_str(&stdout(&data)).unwrap();
    assert_eq!(data["findings"]["gone"], serde_json::json!([]));
    let new = data["findings"]["new"].as_array().unwrap();
    assert!(
        new.iter()
            .any(|f| f["id"] == "cell-under-voltage" && f["cell"] == 14)
    );
    let moved = data["cells_moved"].as_array().unwrap();
    let cell = |f: &&Value| f["module"] == 3 && f["cell"] == 14;
    assert!(moved.iter().find(cell).unwrap()["mv"].as_f64().unwrap() < -500.0);
    let others = moved.iter().filter(|f| !cell(f));
    assert!(
        others
            .into_iter()
            .all(|f| f["mv"].as_f64().unwrap().abs() < 5.0)
    );
    std::fs::write(pages().join("compared.html"), page).unwrap();

    let stranger = visited(folder.path(), "stranger", 8, "2026-11-25T13:00:00Z");
    let refused = packside(&["report", one, stranger.to_str().unwrap()]);
    assert_eq!(refused.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&refused.stderr).contains("two visits to one unit"));
}

#[test]
fn pages_for_the_browser_are_written() {
    let folder = tempfile::tempdir().unwrap();
    let visit = visited(folder.path(), "visit", 7, "2026-11-25T13:00:00Z");
    std::fs::write(pages().join("visit.html"), page(&visit, &[])).unwrap();
    std::fs::write(
        pages().join("visit-customer.html"),
        page(&visit, &["--for", "customer"]),
    )
    .unwrap();
    let whole = folder.path().join("whole.visit.jsonl");
    let answers = folder.path().join("answers.toml");
    // Kind: invented.
    let text = "format = 1\n[answers]\nwho = \"A. Invented\"\nlamps-alone = \"fault: blinking\"\n";
    std::fs::write(&answers, text).unwrap();
    let (answers, record) = (answers.to_str().unwrap(), whole.to_str().unwrap());
    packside(&[
        "visit",
        "--simulated",
        "hv-commissioning",
        "--answers",
        answers,
        "--record",
        record,
    ]);
    std::fs::write(pages().join("whole-visit.html"), page(&whole, &[])).unwrap();
    for scenario in ["hv-cell-low-no-flag", "hv-no-answer", "rack-hidden-fault"] {
        let path = looked(folder.path(), scenario);
        std::fs::write(pages().join(format!("{scenario}.html")), page(&path, &[])).unwrap();
    }
}

#[test]
fn page_is_never_written_over_evidence_or_over_a_file_that_is_no_page() {
    let folder = tempfile::tempdir().unwrap();
    let recording = looked(folder.path(), "hv-waiting");
    let before = std::fs::read(&recording).unwrap();
    let file = recording.to_str().unwrap();
    let write = |to: &str, more: &[&str]| packside(&[&["report", file, "-o", to], more].concat());
    let copy = folder.path().join("copy.visit.jsonl");
    std::fs::copy(&recording, &copy).unwrap();
    for evidence in [file, copy.to_str().unwrap()] {
        for more in [&[][..], &["--replace"]] {
            let output = write(evidence, more);
            assert_eq!(output.status.code(), Some(2), "{}", stderr(&output));
            assert!(stderr(&output).contains("never written over"));
            assert_eq!(std::fs::read(evidence).unwrap(), before);
        }
    }
    let list = folder.path().join("list.txt");
    std::fs::write(&list, "shopping").unwrap();
    let list = list.to_str().unwrap();
    let output = write(list, &[]);
    assert_eq!(output.status.code(), Some(2), "{}", stderr(&output));
    assert!(
        stderr(&output).contains("is not a report"),
        "{}",
        stderr(&output)
    );
    assert_eq!(std::fs::read_to_string(list).unwrap(), "shopping");
    // A report may be written again, anything else where the user says so.
    for more in [&["--replace"][..], &[], &["--format", "json"], &[]] {
        let output = write(list, more);
        assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    }
    let left: Vec<_> = std::fs::read_dir(folder.path()).unwrap().collect();
    assert!(
        left.iter()
            .all(|f| { !packside_profiles::shown(&f.as_ref().unwrap().path()).ends_with(".part") })
    );
}

// The device must stay one.
#[cfg(target_os = "linux")]
#[test]
fn page_that_finds_no_room_says_so_and_leaves_the_device() {
    use std::os::unix::fs::FileTypeExt as _;
    let folder = tempfile::tempdir().unwrap();
    let recording = looked(folder.path(), "hv-waiting");
    let link = folder.path().join("page.html");
    std::os::unix::fs::symlink("/dev/full", &link).unwrap();
    let output = packside(&[
        "report",
        recording.to_str().unwrap(),
        "-o",
        link.to_str().unwrap(),
    ]);
    assert_eq!(output.status.code(), Some(4), "{}", stderr(&output));
    assert!(
        stderr(&output).contains("cannot be written"),
        "{}",
        stderr(&output)
    );
    assert!(
        std::fs::metadata("/dev/full")
            .unwrap()
            .file_type()
            .is_char_device()
    );
    assert!(std::fs::symlink_metadata(&link).unwrap().is_symlink());
}

/// Readings of a look and the courses of a recording as tables; the same values as in JSON.
#[test]
fn readings_and_courses_come_as_tables() {
    let visit = "tests/visits/rack-hidden-fault.visit.jsonl";
    let text = |arguments: &[&str]| super::tool::stdout(&super::tool::packside(arguments));
    let json: serde_json::Value =
        serde_json::from_str(&text(&["check", "--recording", visit, "--format", "json"])).unwrap();
    let table = text(&["check", "--recording", visit, "--format", "csv"]);
    let readings = json["readings"].as_array().unwrap();
    assert_eq!(table.lines().count(), readings.len() + 1, "{table}");
    for (line, reading) in table.lines().skip(1).zip(readings) {
        let start = format!(
            "{},{},",
            reading["unit"],
            reading["point"].as_str().unwrap()
        );
        assert!(line.starts_with(&start), "{line}: {reading}");
    }
    let courses = text(&["report", visit, "--format", "csv"]);
    let mut lines = courses.lines();
    assert_eq!(
        lines.next(),
        Some("session,time,at_ms,unit,point,value,value_name,value_unit,quality")
    );
    let first = lines.next().unwrap();
    // Kind: published (RFC 3339, 5.6: full-date "T" full-time with an offset)
    let time = first.split(',').nth(1).unwrap();
    assert!(time.len() == 29 && time.as_bytes()[10] == b'T', "{first}");
    assert!(lines.count() > readings.len() / 2, "{courses}");
    let refused = super::tool::packside(&["demo", "--format", "csv"]);
    assert_eq!(refused.status.code(), Some(2));
}
