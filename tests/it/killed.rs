//! `packside visit`, killed without warning at random moments of its recording.
//!
//! What stood on the screen was acknowledged: it must be in the file. Every file must open, every
//! report render, and a killed visit must go on where it was. Short run 50 times; `PACKSIDE_KILLS`
//! and `PACKSIDE_SEED` change number and seed.

use std::io::Read as _;
use std::path::Path;
use std::process::{Command, Stdio};

use packside::event::What;
use packside::recording::{Recording, read};
use packside::visit::in_words;

use super::tool::{packside, stderr};

/// A number from the environment, else this one.
fn number(name: &str, otherwise: u64) -> u64 {
    let given = std::env::var(name).ok();
    given.map_or(otherwise, |text| text.parse().unwrap())
}

const ANSWERS: &str = "format = 1\n[answers]\nwho = \"A. Invented\"\nwhere = \"cellar\"\nsound-outside = true\n\
                       earth = true\nlatches = true\npolarity = true\nswitched-on = true\ninverter-on = true\n";

fn visit(folder: &Path, record: &Path) -> Vec<String> {
    let answers = folder.join("answers.toml");
    std::fs::write(&answers, ANSWERS).unwrap();
    let path = |path: &Path| path.to_str().unwrap().to_owned();
    let mut arguments = ["visit", "--simulated", "hv-commissioning"]
        .map(str::to_owned)
        .to_vec();
    arguments.extend([
        "--answers".to_owned(),
        path(&answers),
        "--record".to_owned(),
        path(record),
    ]);
    arguments
}

/// Begins a visit and kills it once its recording has this many bytes. Gives what it had said.
fn killed_at(bytes: u64, arguments: &[String], record: &Path) -> String {
    let mut child = Command::new(env!("CARGO_BIN_EXE_packside"))
        .args(arguments)
        .env_remove("PACKSIDE_CONFIG")
        .env("PACKSIDE_STATE", super::tool::STATE)
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut pipe = child.stderr.take().unwrap();
    let reader = std::thread::spawn(move || {
        let mut said = Vec::new();
        pipe.read_to_end(&mut said).unwrap();
        String::from_utf8_lossy(&said).into_owned()
    });
    let length = || std::fs::metadata(record).map_or(0, |file| file.len());
    while length() < bytes && child.try_wait().unwrap().is_none() {
        std::thread::yield_now();
    }
    let _ = child.kill();
    child.wait().unwrap();
    reader.join().unwrap()
}

/// Everything that was acknowledged on the screen and is not in the file.
fn lost(said: &str, recording: &Recording) -> Vec<String> {
    let map = packside_profiles::find("generic-hv-stack", None).unwrap();
    let steps = packside::visit::steps(&map.profile);
    let events = || recording.sessions.iter().flat_map(|s| &s.events);
    // The pipe may end inside what is folded.
    let answered = |id: &str, told: &str| {
        events().any(|event| {
            matches!(&event.what, What::Answer(a) if a.step == id && {
                let recorded = in_words(&a.value);
                told.starts_with(&recorded) || recorded.starts_with(told)
            })
        })
    };
    let mut shown = recording.sessions.iter().flat_map(|s| &s.shown);
    let mut lost = Vec::new();
    // The pipe may end inside a line.
    let whole = said.rsplit_once('\n').map_or("", |(whole, _)| whole);
    let unfolded = whole
        .replace("\n   ", "\n\u{1}")
        .replace("\n\u{1} ", "\n    ")
        .replace("\n\u{1}", " ");
    for line in unfolded.lines() {
        let step = line.split_once(": ").and_then(|(name, told)| {
            let step = steps.iter().find(|step| step.name() == name)?;
            Some((step.id.as_str(), told))
        });
        let is_verdict = line.contains(" s  ") && line.starts_with("  ") && line.contains(": ");
        if step.is_some_and(|(id, told)| !answered(id, told)) {
            lost.push(line.to_owned());
        }
        if is_verdict && !shown.any(|(_, shown)| line.ends_with(&shown.summary)) {
            lost.push(line.to_owned());
        }
    }
    lost
}

/// Expects that what was shown is judged the same today.
fn holds(record: &Path, told: &str) {
    let verify = packside(&["report", "--verify", record.to_str().unwrap()]);
    let said = String::from_utf8_lossy(&verify.stdout);
    assert_eq!(verify.status.code(), Some(0), "{told}: {said}");
}

#[test]
fn visit_killed_at_any_moment_loses_nothing_acknowledged_and_goes_on() {
    let (kills, seed) = (
        number("PACKSIDE_KILLS", 50),
        number("PACKSIDE_SEED", 0x5eed),
    );
    let folder = tempfile::tempdir().unwrap();
    let record = folder.path().join("killed.visit.jsonl");
    let arguments = visit(folder.path(), &record);
    let whole = killed_at(u64::MAX, &arguments, &record);
    let length = std::fs::metadata(&record).unwrap().len();
    assert!(
        whole.contains("Power-up with the inverter: nothing wrong so far"),
        "{whole}"
    );
    assert_eq!(
        lost(&whole, &read(&std::fs::read(&record).unwrap()).unwrap()),
        [""; 0]
    );
    let (mut dice, mut acknowledged, mut gone_on) = (seed, 0, 0);
    for kill in 0..kills {
        let told = format!("kill {kill} of PACKSIDE_KILLS={kills} PACKSIDE_SEED={seed}");
        dice = dice.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
        std::fs::remove_file(&record).unwrap();
        let said = killed_at((dice >> 20) % length, &arguments, &record);
        let bytes = std::fs::read(&record).unwrap();
        let recording = read(&bytes).unwrap_or_else(|why| panic!("{told}: {why}"));
        assert_eq!(lost(&said, &recording), [""; 0], "{told}");
        acknowledged += said.lines().count();
        let page = folder.path().join("page.html");
        let report = packside(&[
            "report",
            record.to_str().unwrap(),
            "-o",
            page.to_str().unwrap(),
        ]);
        let expected = if recording.sessions.is_empty() { 4 } else { 0 };
        assert_eq!(
            report.status.code(),
            Some(expected),
            "{told}: {}",
            stderr(&report)
        );
        if kill % 10 == 0 {
            let mut again: Vec<&str> = arguments.iter().map(String::as_str).collect();
            again.push("--continue");
            let output = packside(&again);
            assert_eq!(output.status.code(), Some(0), "{told}: {}", stderr(&output));
            let now = std::fs::read(&record).unwrap();
            let kept = bytes
                .iter()
                .rposition(|b| *b == b'\n')
                .map_or(0, |at| at + 1);
            assert_eq!(
                now[..kept],
                bytes[..kept],
                "{told}: what was there was changed"
            );
            assert_eq!(read(&now).unwrap().missing, [], "{told}");
            holds(&record, &told);
            gone_on += 1;
        }
    }
    println!(
        "{kills} kills in a recording of {length} bytes, seed {seed}: {acknowledged} lines had been said, all kept; every \
         file opened, every report rendered, {gone_on} visits went on to their end"
    );
}
