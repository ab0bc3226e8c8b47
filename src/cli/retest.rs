//! `packside retest FOLDER`: scenarios and recordings against what is expected of them.
//!
//! A scenario says itself which verdict and roots must follow, and when. A recording says what was
//! shown on site: the same lines must be judged the same again. All in virtual time, on all cores.
//!
//! Does not: hold rules of judging.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use clap::Args;
use packside_profiles::{Foreign, shown};
use packside_simulator::Scenario;

use super::args::{ConfigArg, typed};
use super::failure::{Failure, LOCAL, failure};
use super::output::Output;
use super::{out, record};
use crate::facts::Judgement;
use crate::judge::judge;
use crate::link::{Clock, wall};
use crate::recording::Shown;
use crate::show::json::{self, retest::Retest};
use crate::show::{paper, screen};
use crate::simulated::rehearsal::look;
use crate::words;

/// How the results begin in the form for build servers.
const SUITE: &str = "<testsuites name=\"packside retest\"";
/// Exit code where an expectation does not hold.
const DOES_NOT_HOLD: u8 = 7;

/// Arguments of `retest`.
#[derive(Debug, Clone, Args)]
pub(crate) struct RetestArgs {
    /// Folder with scenarios (*.toml) and recordings (*.visit.jsonl); `shipped` for the built-in scenarios
    #[arg(value_name = "FOLDER")]
    folder: PathBuf,
    /// Judge by this map instead of their own
    #[arg(long, value_name = "NAME|FILE")]
    profile: Option<Foreign>,
    /// Results as JUnit XML as well
    #[arg(long, value_name = "FILE")]
    junit: Option<PathBuf>,
    /// Write over a file, never over a recording
    #[arg(long, requires = "junit")]
    replace: bool,
    /// Folder with own files.
    #[command(flatten)]
    config: ConfigArg,
}

/// One expectation and what came of it.
#[derive(Debug, Clone)]
struct Expectation {
    /// Scenario or file.
    name: String,
    /// Moment, since the session began or power-up.
    at: Duration,
    expected: String,
    given: String,
    /// Why it does not hold.
    wrong: Option<String>,
    /// It could not even be tried.
    is_broken: bool,
    /// How long judging took.
    took: Duration,
}

/// Something that brings cases.
enum Work {
    Scenario(String, String),
    Recording(PathBuf),
}

/// Runs the command.
pub(crate) fn run(args: &RetestArgs, as_json: bool) -> Result<u8, Failure> {
    let (work, begun) = (work(&args.folder)?, wall().0);
    let cases = on_all_cores(&work, args);
    if cases.is_empty() {
        let message = format!(
            "{}: expected scenarios (*.toml) or recordings (*.visit.jsonl), found none",
            shown(&args.folder)
        );
        return Err(failure(LOCAL, "retest", message, None));
    }
    if let Some(path) = &args.junit {
        let output = Output {
            option: "--junit",
            path,
            kind: "a result of a retest",
            is_kind: |begin| begin.contains(SUITE),
            inputs: &[],
            replace: Some(args.replace),
        };
        output.write(&junit(&cases, &args.folder, &begun))?;
    }
    let failed = cases.iter().filter(|case| case.wrong.is_some()).count();
    out::result(&if as_json {
        json::line(&as_object(&cases))
    } else {
        as_text(&cases, failed, &args.folder)
    });
    Ok(if failed == 0 { 0 } else { DOES_NOT_HOLD })
}

/// What stands in the folder, in the order of names.
fn work(folder: &Path) -> Result<Vec<Work>, Failure> {
    if folder == Path::new("shipped") {
        let shipped = Scenario::shipped().iter();
        return Ok(shipped
            .map(|(name, text)| Work::Scenario((*name).to_owned(), (*text).to_owned()))
            .collect());
    }
    let unreadable = |why: std::io::Error| {
        failure(
            LOCAL,
            "retest",
            format!("{}: cannot be read: {why}", shown(folder)),
            None,
        )
    };
    let mut paths: Vec<PathBuf> = std::fs::read_dir(folder)
        .map_err(unreadable)?
        .filter_map(|entry| Some(entry.ok()?.path()))
        .collect();
    paths.sort();
    let mut work = Vec::new();
    for path in paths {
        let name = shown(&path);
        if name.ends_with(".visit.jsonl") {
            work.push(Work::Recording(path));
        } else if name.ends_with(".toml") {
            work.push(Work::Scenario(
                name,
                packside_profiles::read_text(&path).map_err(unreadable)?,
            ));
        }
    }
    Ok(work)
}

/// Does all the work, as many pieces at once as there are cores; results in the order of the work.
fn on_all_cores(work: &[Work], args: &RetestArgs) -> Vec<Expectation> {
    let next = AtomicUsize::new(0);
    let done: Mutex<Vec<(usize, Vec<Expectation>)>> = Mutex::new(Vec::new());
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    let bar = out::bar("  {bar:24} {pos} of {len} judged, about {eta} left");
    let tell = |bar: &indicatif::ProgressBar| bar.inc(1);
    bar.iter().for_each(|bar| bar.set_length(work.len() as u64));
    std::thread::scope(|scope| {
        for _ in 0..cores.min(work.len()) {
            scope.spawn(|| {
                while let Some((number, piece)) = {
                    let number = next.fetch_add(1, Ordering::Relaxed);
                    work.get(number).map(|piece| (number, piece))
                } {
                    let cases = match piece {
                        Work::Scenario(name, text) => of_scenario(name, text, args),
                        Work::Recording(path) => of_recording(path, args),
                    };
                    if let Ok(mut done) = done.lock() {
                        done.push((number, cases));
                    }
                    bar.iter().for_each(tell);
                }
            });
        }
    });
    bar.iter()
        .for_each(indicatif::ProgressBar::finish_and_clear);
    let mut done = done.into_inner().unwrap_or_default();
    done.sort_by_key(|(number, _)| *number);
    done.into_iter().flat_map(|(_, cases)| cases).collect()
}

/// A case that could not even be tried.
fn broken(name: &str, why: String) -> Vec<Expectation> {
    vec![Expectation {
        name: name.to_owned(),
        at: Duration::ZERO,
        expected: "readable".to_owned(),
        given: "not readable".to_owned(),
        wrong: Some(why),
        is_broken: true,
        took: Duration::ZERO,
    }]
}

fn of_scenario(name: &str, text: &str, args: &RetestArgs) -> Vec<Expectation> {
    let scenario = match Scenario::load(text, name) {
        Ok(scenario) => scenario,
        Err(error) => return broken(name, error.to_string()),
    };
    let config = args.config.folder();
    let config = config.as_deref();
    let profile = match &args.profile {
        Some(map) => packside_profiles::find(map.as_given(), config)
            .map(|found| found.profile)
            .map_err(|error| error.to_string()),
        None => scenario
            .load_map(config)
            .map(|map| map.profile)
            .map_err(|error| error.to_string()),
    };
    let profile = match profile {
        Ok(profile) => profile,
        Err(why) => return broken(name, why),
    };
    let case = |expect: &packside_simulator::Expect| {
        let clock = Clock::start();
        let judgement = judge(
            look(&scenario, &profile, expect.at, None),
            Some(&profile),
            None,
        );
        let given = judgement.verdict.kind.id();
        let right = expect.verdict.iter().any(|kind| kind == given);
        let missing = missing_in(&judgement, expect);
        let why = (!right || !missing.is_empty()).then(|| {
            let missing = missing.iter().map(|id| format!("{id} was not found"));
            let why = words::reasons(&judgement).into_iter().take(3);
            missing.chain(why).collect::<Vec<_>>().join("; ")
        });
        Expectation {
            name: scenario.name.clone(),
            at: expect.at,
            expected: expect.verdict.join(" or "),
            given: given.to_owned(),
            wrong: why,
            is_broken: false,
            took: clock.now(),
        }
    };
    scenario.expects.iter().map(case).collect()
}

/// Expected roots and causes that the judgement does not have.
fn missing_in(judgement: &Judgement, expect: &packside_simulator::Expect) -> Vec<String> {
    let roots = judgement.roots();
    let root = |id: &&String| !roots.contains(&id.as_str());
    let cause = |id: &&String| {
        !judgement
            .verdict
            .causes
            .iter()
            .any(|c| c.id() == id.as_str())
    };
    let roots = expect.roots.iter().filter(root);
    roots
        .chain(expect.links.iter().filter(cause))
        .cloned()
        .collect()
}

/// Every verdict shown on site must be given again for the lines before it.
fn of_recording(path: &Path, args: &RetestArgs) -> Vec<Expectation> {
    let name = shown(path.file_name().unwrap_or_default());
    let recording = match record::load(path) {
        Ok(recording) => recording,
        Err(failure) => return broken(&name, failure.message),
    };
    let embedded = recording.header.as_ref().and_then(|h| h.profile.as_ref());
    let profile = match (&args.profile, embedded) {
        (Some(map), _) => packside_profiles::find(map.as_given(), args.config.folder().as_deref())
            .map(|found| found.profile)
            .map_err(|error| error.to_string()),
        (None, Some(map)) => packside_profiles::load(&map.text, "the map in the recording")
            .map_err(|problems| problems.to_string()),
        (None, None) => Err("expected a register map in the first line, found none".to_owned()),
    };
    let profile = match profile {
        Ok(profile) => profile,
        Err(why) => return broken(&name, why),
    };
    let (mut cases, clock) = (Vec::new(), Clock::start());
    let mut before = Duration::ZERO;
    recording.replay(Some(&Arc::new(profile)), |_, shown, case| {
        let judgement = case.verdict(shown.at);
        let took = clock.now().saturating_sub(before);
        before += took;
        cases.push(again(&name, shown, &judgement, took));
    });
    cases
}

fn again(name: &str, shown: &Shown, judgement: &Judgement, took: Duration) -> Expectation {
    let given = judgement.verdict.kind.id();
    // Ids are stable, texts are not: better words are no other verdict.
    let same = given == shown.verdict;
    Expectation {
        name: name.to_owned(),
        at: shown.at,
        expected: shown.verdict.clone(),
        given: given.to_owned(),
        wrong: (!same).then(|| {
            format!(
                "shown by packside {}: \"{}\", now: \"{}\"",
                shown.tool,
                shown.summary,
                words::summary(judgement)
            )
        }),
        is_broken: false,
        took,
    }
}

fn as_text(cases: &[Expectation], failed: usize, folder: &Path) -> String {
    let mut text = String::new();
    let widest = |of: fn(&Expectation) -> &str| cases.iter().map(|c| of(c).chars().count()).max();
    let name = widest(|c| &c.name).unwrap_or(0).min(40);
    let expected = widest(|c| &c.expected).unwrap_or(0).min(32);
    let widest_given = widest(|c| &c.given).unwrap_or(0);
    for case in cases {
        let (who, at) = (&case.name, case.at.as_secs_f64());
        // What is as expected is said once.
        let (wanted, given) = (&case.expected, &case.given);
        let what = match case.wrong {
            Some(_) => format!("expected {wanted:expected$}  given {given}  DIFFERS"),
            None => format!("{given:widest_given$}  holds"),
        };
        paper::row(&mut text, &format!("{who:name$}  {at:6.1} s  {what}"));
    }
    let _ = writeln!(
        text,
        "\n{}: {} hold, {failed} differ",
        screen::counted(cases.len() as u64, "expectation"),
        cases.len() - failed
    );
    for case in cases {
        if let Some(why) = &case.wrong {
            let line = format!("{} at {:.1} s: {why}", case.name, case.at.as_secs_f64());
            screen::wrap(&mut text, &line, "  - ", "    ");
        }
    }
    let next = if failed == 0 {
        format!(
            "next: packside retest {} --profile YOUR-MAP.toml",
            typed(folder)
        )
    } else {
        "next: packside check --simulated SCENARIO --look-at SECONDS, or --recording FILE --moment SECONDS".to_owned()
    };
    let _ = writeln!(text, "\n{next}");
    text
}

fn as_object(cases: &[Expectation]) -> Retest {
    let case = |case: &Expectation| {
        let why = case.wrong.as_deref();
        json::retest::Case::new(&case.name, case.at, &case.expected, &case.given, why)
    };
    Retest::of(cases.iter().map(case).collect())
}

/// The results in the form that build servers read.
///
/// # Sources
/// - The JUnit XML format as build servers take it (from memory): `testsuites`, `testsuite`, `testcase` with
///   `classname` and `time`, in it `failure` or `error`
fn junit(cases: &[Expectation], folder: &Path, begun: &str) -> String {
    let count = |is: fn(&Expectation) -> bool| cases.iter().filter(|case| is(case)).count();
    let errors = count(|case| case.is_broken);
    let failures = count(|case| case.wrong.is_some()) - errors;
    let time: Duration = cases.iter().map(|case| case.took).sum();
    let counts = format!(
        "tests=\"{}\" failures=\"{failures}\" errors=\"{errors}\" skipped=\"0\" time=\"{:.3}\"",
        cases.len(),
        time.as_secs_f64()
    );
    let mut xml = format!(
        "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n{SUITE} {counts}>\n  \
         <testsuite name=\"{}\" {counts} timestamp=\"{begun}\">\n",
        escaped(&shown(folder))
    );
    for case in cases {
        let _ = write!(
            xml,
            "    <testcase classname=\"retest.{}\" name=\"at {:.1} s\" time=\"{:.3}\"",
            escaped(&case.name),
            case.at.as_secs_f64(),
            case.took.as_secs_f64()
        );
        let Some(why) = &case.wrong else {
            xml.push_str("/>\n");
            continue;
        };
        let (element, kind) = if case.is_broken {
            ("error", "not-readable")
        } else {
            ("failure", "verdict")
        };
        let what = format!("expected {}, given {}", case.expected, case.given);
        let _ = writeln!(
            xml,
            ">\n      <{element} type=\"{kind}\" message=\"{}\">{}</{element}>\n    </testcase>",
            escaped(&what),
            escaped(why)
        );
    }
    xml.push_str("  </testsuite>\n</testsuites>\n");
    xml
}

/// Text inside an XML document, without characters that act where it is shown.
fn escaped(text: &str) -> String {
    let mut out = String::new();
    let lines: Vec<_> = text.lines().map(packside_profiles::clean).collect();
    for c in lines.join("\n").chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\n' => out.push_str("&#10;"),
            c => out.push(c),
        }
    }
    out
}
