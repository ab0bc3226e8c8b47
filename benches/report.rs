//! The report of an eight-hour recording at one-second cycles, and how fast a recording is judged.
//!
//! Makes the recordings in virtual time (once, under `target/tmp`), then runs the built tool on
//! them: time by the wall clock, memory as the highest the system saw (`VmHWM`, Linux). Two kinds:
//! `follow` asks the short block every second and everything every ten minutes, `watch` asks
//! everything every second, which is all that a line at 9600-8E1 carries: one look takes 0.9 s.
//! Then the stages of a report, one after the other in this process. Goal: < 2 s and < 100 MB.
//! Run: `cargo bench --bench report`, or `-- 0.5` for half an hour instead of eight.

#![allow(
    clippy::print_stdout,
    clippy::unwrap_used,
    clippy::indexing_slicing,
    clippy::disallowed_methods,
    dead_code,
    reason = "a benchmark prints, measures, may fail loudly, and shares the room that makes recordings"
)]

#[path = "../tests/it/visits.rs"]
mod visits;

use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::Arc;
use std::time::{Duration, Instant};

use packside::judge::judge;
use packside::recording::read_from;
use packside::show::page::{Courses, Options, PageSource, Reader, moment_of, page, session_of};
use visits::{Plan, record, stack};

const RUNS: usize = 5;

fn main() {
    // Cargo adds words of its own.
    let hours = std::env::args().find_map(|word| word.parse().ok());
    let seconds = Duration::from_secs_f64(hours.unwrap_or(8.0) * 3600.0).as_secs();
    for (name, all) in [("follow", false), ("watch", true)] {
        let path = made(name, all, seconds);
        let bytes = std::fs::metadata(&path).unwrap().len();
        println!(
            "{name}: {:.1} h, {:.1} MB",
            seconds as f64 / 3600.0,
            bytes as f64 / 1e6
        );
        let page = path.with_extension("html");
        let file = path.to_str().unwrap();
        let report = ["report", file, "-o", page.to_str().unwrap()];
        tell("report", &report, bytes, seconds);
        let check = ["check", "--recording", file];
        tell("check --recording", &check, bytes, seconds);
        stages(&path);
    }
}

/// What the parts of a report take, each once.
fn stages(path: &Path) {
    let mut last = Instant::now();
    let mut told = |what: &str| {
        print!(", {what} {:.2} s", last.elapsed().as_secs_f64());
        last = Instant::now();
    };
    print!("  stages");
    let file = std::io::BufReader::new(std::fs::File::open(path).unwrap());
    let recording = read_from(file).unwrap().unwrap();
    told("read and check the hashes");
    let text = &recording
        .header
        .as_ref()
        .unwrap()
        .profile
        .as_ref()
        .unwrap()
        .text;
    let profile = packside_profiles::load(text, "recorded").unwrap();
    let session = session_of(&recording).unwrap();
    told("load the map");
    let judgement = judge(&session.events, Some(&profile), moment_of(session));
    told("judge");
    let courses = Courses::of(session, Some(&Arc::new(profile.clone())));
    told("courses");
    let source = PageSource {
        recording: &recording,
        session,
        profile: Some(&profile),
        profile_sha256: "",
        judgement: &judgement,
        courses: &courses,
        pictures: &[],
    };
    let options = Options {
        reader: Reader::Desk,
        names: true,
    };
    let page = page(&source, options);
    told("page");
    println!(
        "; {} events, page of {} kB",
        session.events.len(),
        page.len() / 1000
    );
}

/// Runs the tool some times and tells the median and the highest memory.
fn tell(what: &str, arguments: &[&str], bytes: u64, length: u64) {
    let mut runs: Vec<(Duration, u64)> = (0..RUNS).map(|_| run(arguments)).collect();
    runs.sort_unstable();
    let (median, _) = runs[RUNS / 2];
    let memory = runs.iter().map(|run| run.1).max().unwrap();
    let seconds = median.as_secs_f64();
    println!(
        "  {what}: {seconds:.2} s (median of {RUNS}), at most {:.0} MB; {:.0} times real time, {:.0} MB/s",
        memory as f64 * 1024.0 / 1e6,
        length as f64 / seconds,
        bytes as f64 / 1e6 / seconds,
    );
}

/// Time and highest memory (kB) of one run.
fn run(arguments: &[&str]) -> (Duration, u64) {
    let began = Instant::now();
    let mut child = Command::new(env!("CARGO_BIN_EXE_packside"))
        .args(arguments)
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let status = PathBuf::from(format!("/proc/{}/status", child.id()));
    let mut memory = 0;
    loop {
        memory = memory.max(high_water(&status));
        if child.try_wait().unwrap().is_some() {
            return (began.elapsed(), memory);
        }
        std::thread::sleep(Duration::from_millis(2));
    }
}

fn high_water(status: &Path) -> u64 {
    let text = std::fs::read_to_string(status).unwrap_or_default();
    let line = text.lines().find_map(|line| line.strip_prefix("VmHWM:"));
    let number = line.and_then(|line| line.trim().strip_suffix(" kB"));
    number.and_then(|n| n.parse().ok()).unwrap_or(0)
}

/// The recording, made where it is not there yet.
fn made(name: &str, all: bool, seconds: u64) -> PathBuf {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR"));
    let path = folder.join(format!("{seconds}-seconds-{name}-2.visit.jsonl"));
    if !path.exists() {
        let began = Instant::now();
        let beside = path.with_extension("part");
        // Kind: invented.
        // Whoever watches sees a verdict to the end.
        let looks = (0..seconds).step_by(if all { 7200 } else { 600 });
        let looks: Vec<u64> = looks.chain([seconds - 1]).collect();
        record(
            &beside,
            &Plan {
                scenario: &stack(41, 12.0, ""),
                utc: "2026-11-25T08:00:00.000Z",
                seconds,
                looks: &looks,
                all,
                more: Vec::new(),
            },
        );
        std::fs::rename(&beside, &path).unwrap();
        println!("made {name} in {:.0} s", began.elapsed().as_secs_f64());
    }
    path
}
