//! No sentence decides anything: neither those of a map's author nor our own.
//!
//! Every shipped scenario is judged as it is, then with every free text of its map changed into words that
//! once decided something, then with every sentence of ours scrambled. Nothing but text may change. The command line is driven the same way.
//!
//! Kind of all expectations: derived (the same facts give the same verdict).

use std::path::Path;
use std::process::{Command, Stdio};

use packside::facts::Judgement;
use packside::judge::judge;
use packside::simulated::rehearsal::look;
use packside::words::{in_pseudo_language, of_finding, what_to_do};
use packside_profiles::{Foreign, Profile};
use packside_simulator::Scenario;

/// Words by which earlier versions told facts apart.
const TELLING: &str = "so a sense wire between them is broken; look at the sense wire between cells 1 and 2: \
     switching off does not make these terminals dead; CONTRADICTED; CAUTION: hands off; the own heartbeat \
     has not moved; the inverter's side is cut off; refused with exception 02: pack_voltage = 1 is below";

/// The same map in other words. Ids, line settings, physical units, chemistry and what must stand in a
/// register are no free texts.
fn in_other_words(mut map: Profile, words: &str) -> Profile {
    let text = |number: usize| -> Foreign { format!("{words} {number}").as_str().into() };
    let head = &mut map.profile;
    for (number, field) in [
        &mut head.title,
        &mut head.document,
        &mut head.revision,
        &mut head.author,
        &mut head.notes,
    ]
    .into_iter()
    .enumerate()
    {
        *field = text(number);
    }
    map.unit.wake = text(5);
    for (number, point) in map.points.iter_mut().enumerate() {
        point.name = text(number);
        if let Some(repeat) = &mut point.repeat {
            repeat.name = text(number);
        }
        for (number, value) in point.values.iter_mut().enumerate() {
            value.name = text(number);
        }
    }
    for (number, flag) in map.flags.iter_mut().enumerate() {
        flag.meaning = text(number);
        if !flag.to_do.is_empty() {
            flag.to_do = text(number);
        }
    }
    for (number, lamp) in map.lamps.iter_mut().enumerate() {
        lamp.colour = text(number);
        lamp.place = text(number);
    }
    for (number, code) in map.lamp_codes.iter_mut().enumerate() {
        code.meaning = text(number);
    }
    for (number, family) in map.inverter_families.iter_mut().enumerate() {
        family.name = text(number);
        family.battery_type = text(number);
    }
    for (number, step) in map.manual_steps.iter_mut().enumerate() {
        step.text = text(number);
    }
    map
}

/// Everything that was decided, and no sentence.
fn decided(judgement: &Judgement) -> Vec<String> {
    let verdict = &judgement.verdict;
    let mut all = vec![format!(
        "{} exit {} without roots {:?} gate {} roots {:?}",
        verdict.kind.id(),
        verdict.kind.exit_code(),
        verdict.without_roots,
        verdict.gate_filled,
        judgement.roots(),
    )];
    all.extend(judgement.findings.iter().map(|f| {
        format!(
            "{:?} {:?} root {} {:?} follows {:?} {:?} {:?} {:?} {:?} returned {}",
            f.key(),
            f.fact,
            f.root,
            f.severity,
            f.follows_from,
            f.lies_in,
            f.sure,
            f.disposition,
            f.to_do,
            f.returned
        )
    }));
    let steps = verdict.next.iter();
    all.extend(steps.map(|s| format!("step {:?}", s)));
    let open = verdict.open.iter();
    all.extend(open.map(|open| format!("open {} {}", open.id(), open.settled_by())));
    all.extend(
        verdict
            .causes
            .iter()
            .map(|c| format!("{} {}", c.id(), c.per_mille)),
    );
    all.extend(judgement.not_tested.iter().map(|n| format!("{n:?}")));
    all
}

/// Every sentence of the findings.
fn told(judgement: &Judgement) -> Vec<String> {
    let findings = judgement.findings.iter();
    let both = |f| [of_finding(judgement, f), what_to_do(judgement, f)];
    findings.flat_map(both).collect()
}

/// Judges each shipped scenario as it is and in other words, and says of how many the sentences changed.
fn check(other: impl Fn(&[packside::event::Event], &Profile) -> (Judgement, Vec<String>)) -> usize {
    let mut changed = 0;
    for (name, text) in Scenario::shipped() {
        let scenario = Scenario::load(text, name).unwrap();
        let Ok(found) = scenario.load_map(None) else {
            continue;
        };
        let events = look(&scenario, &found.profile, scenario.look_at, None);
        let plain = judge(&events, Some(&found.profile), None);
        let (same, sentences) = other(&events, &found.profile);
        assert_eq!(decided(&plain), decided(&same), "{name}");
        changed += usize::from(told(&plain) != sentences);
    }
    changed
}

#[test]
fn free_texts_of_a_map_decide_nothing() {
    for words in [TELLING, "otherwise"] {
        let changed = check(|events, profile| {
            let judgement = judge(events, Some(&in_other_words(profile.clone(), words)), None);
            let told = told(&judgement);
            (judgement, told)
        });
        assert!(changed > 50, "{changed}: the texts were not changed");
    }
}

#[test]
fn our_own_sentences_decide_nothing() {
    let changed = check(|events, profile| {
        in_pseudo_language(|| {
            let judgement = judge(events, Some(profile), None);
            let told = told(&judgement);
            (judgement, told)
        })
    });
    assert!(changed > 50, "{changed}: nothing was scrambled");
}

/// Commands for a child, one a line, its words between tabs; and where it writes their exit codes.
const COMMANDS: &str = "PACKSIDE_TEST_COMMANDS";

/// Stands in for the program, so that all of it can speak the pseudo-language.
#[test]
#[ignore = "a child of the tests of this file"]
fn command_line() {
    let file = std::env::var(COMMANDS).expect("a file of commands");
    let commands = std::fs::read_to_string(&file).unwrap();
    let run = || {
        let exit =
            |line: &str| packside::cli::run_with(line.split('\t').map(Into::into)).to_string();
        commands.lines().map(exit).collect::<Vec<_>>()
    };
    let exits = match file.ends_with(".pseudo") {
        true => in_pseudo_language(run),
        false => run(),
    };
    std::fs::write(format!("{file}.exits"), exits.join("\n")).unwrap();
}

/// Exit codes of these commands, in English or in the pseudo-language.
fn exits(folder: &Path, is_pseudo: bool, commands: &[Vec<String>]) -> Vec<u8> {
    let file = folder.join(if is_pseudo { "all.pseudo" } else { "all.plain" });
    let lines: Vec<String> = commands
        .iter()
        .map(|words| format!("packside\t{}\t--format\tjson", words.join("\t")))
        .collect();
    std::fs::write(&file, lines.join("\n")).unwrap();
    let child = Command::new(std::env::current_exe().unwrap())
        .args([
            "--exact",
            "free_texts::command_line",
            "--ignored",
            "--nocapture",
        ])
        .env(COMMANDS, &file)
        .env("XDG_CONFIG_HOME", folder)
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .output()
        .unwrap();
    assert!(
        child.status.success(),
        "{}",
        String::from_utf8_lossy(&child.stderr)
    );
    let exits =
        std::fs::read_to_string(format!("{}.exits", packside_profiles::shown(&file))).unwrap();
    let told = String::from_utf8_lossy(&child.stdout).into_owned();
    if told.contains("\"summary\":\"") {
        let is_other = told.contains("\"summary\":\"<");
        assert_eq!(is_other, is_pseudo, "not in that language");
    }
    exits.lines().map(|exit| exit.parse().unwrap()).collect()
}

#[test]
fn exit_codes_of_all_scenarios_hold_in_any_language() {
    let folder = tempfile::tempdir().unwrap();
    let names = Scenario::shipped().iter().map(|(name, _)| *name);
    let command = |name| ["check", "--simulated", name].map(str::to_owned).to_vec();
    let commands: Vec<Vec<String>> = names.clone().map(command).collect();
    let (plain, pseudo) = (
        exits(folder.path(), false, &commands),
        exits(folder.path(), true, &commands),
    );
    for ((name, plain), pseudo) in names.zip(&plain).zip(&pseudo) {
        assert_eq!(plain, pseudo, "{name}");
    }
    assert_eq!(
        (plain.len(), pseudo.len()),
        (commands.len(), commands.len())
    );
}

// A visit begun in one language goes on in another, is judged again and verified in both.
#[test]
fn visits_are_resumed_and_verified_in_any_language() {
    const FIRST: &str = "format = 1\n[answers]\nwho = \"A. Invented\"\nwhere = \"cellar\"\nsite = true\n\
                         sound-outside = true\nearth = { answer = \"no\", note = \"the strap is missing\" }\n";
    const SECOND: &str = "format = 1\n[answers]\nearth = true\nlatches = true\npolarity = true\n\
                          switched-on = true\nlamps-alone = \"fault: blinking\"\ninverter-on = true\n";
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name).to_str().unwrap().to_owned();
    let (first, second) = (path("first.toml"), path("second.toml"));
    std::fs::write(&first, FIRST).unwrap();
    std::fs::write(&second, SECOND).unwrap();
    let words = |words: &[&str]| {
        words
            .iter()
            .map(|word| (*word).to_owned())
            .collect::<Vec<_>>()
    };
    let names = [
        "hv-commissioning",
        "hv-fault-behind-lamp",
        "hv-resistive-cell",
    ];
    let mut all = Vec::new();
    for (begun, resumed) in [(false, false), (true, true), (false, true), (true, false)] {
        let file = |name: &str| path(&format!("{name}-{begun}-{resumed}.visit.jsonl"));
        let begin = |name: &&str| {
            let file = file(name);
            words(&[
                "visit",
                "--simulated",
                name,
                "--answers",
                &first,
                "--record",
                &file,
            ])
        };
        let go_on = |name: &&str| {
            let file = file(name);
            let visit = ["visit", "--simulated", name, "--answers", &second];
            let visit = words(&[&visit[..], &["--record", &file, "--continue"]].concat());
            let verify = words(&["report", &file, "--verify"]);
            [visit, verify, words(&["check", "--recording", &file])]
        };
        let begins: Vec<_> = names.iter().map(begin).collect();
        let goes_on: Vec<_> = names.iter().flat_map(go_on).collect();
        let mut exits_of = exits(folder.path(), begun, &begins);
        exits_of.extend(exits(folder.path(), resumed, &goes_on));
        all.push(exits_of);
    }
    for (n, exits) in all.iter().enumerate() {
        assert_eq!(exits, &all[0], "{n}");
    }
    // Kind: derived. `--verify` holds: the second of each three behind the three beginnings.
    let verified: Vec<u8> = all[0]
        .iter()
        .skip(names.len() + 1)
        .step_by(3)
        .copied()
        .collect();
    assert_eq!(verified, [0, 0, 0]);
}
