//! A battery of one's own: two pages of a maker's list, or nothing but a line, become a map.
//!
//! Kind of the pack, its list and every expectation: invented, written before the tool was run on them.

use std::path::{Path, PathBuf};

use packside_profiles::model::{Point, Positive, Profile, Recognise, Scalar};
use packside_profiles::{Known, Layout, Role, as_written};

use crate::tool::{packside, stderr, stdout};

const LIST: &str = "tests/data/own/register-list.csv";
const PACK: &str = "tests/data/own/pack.toml";
const CHARGING: &str = "tests/data/own/charging.toml";

fn read(path: &Path) -> Profile {
    let text = std::fs::read_to_string(path).unwrap();
    as_written(&text, &packside_profiles::shown(path))
        .unwrap_or_else(|problems| panic!("{problems}"))
}

fn run(arguments: &[&str]) -> String {
    let done = packside(arguments);
    assert_eq!(
        done.status.code(),
        Some(0),
        "{arguments:?}: {}{}",
        stdout(&done),
        stderr(&done)
    );
    stdout(&done)
}

/// A draft held against the pack while it charges, with what was found taken over.
fn tried(name: &str) -> String {
    run(&[
        "profile",
        "try",
        name,
        "--simulated",
        CHARGING,
        "--no-keep",
        "--accept",
    ])
}

/// Registers of every instance of a role, in order.
fn places(profile: &Profile, role: Role) -> Vec<(packside_profiles::model::Table, u16)> {
    let mut known = Known::default();
    known.counts.insert("module_count".to_owned(), 4);
    let layout = Layout::new(profile, &known);
    let of_role = layout.instances.iter().filter(|one| {
        let point = profile.points.get(one.point);
        point.is_some_and(|point| point.role == role)
    });
    let mut places: Vec<_> = of_role.map(|one| (one.table, one.address)).collect();
    places.sort_unstable();
    places
}

fn of_role(profile: &Profile, role: Role) -> &Point {
    let found = profile.points.iter().find(|point| point.role == role);
    found.unwrap_or_else(|| panic!("{role:?} is missing"))
}

fn a_draft(folder: &tempfile::TempDir) -> PathBuf {
    folder.path().join("own.toml")
}

/// Every point of the pack stands in the draft as it is, with nothing in doubt.
fn is_the_pack(draft: &Profile) {
    let truth = read(Path::new(PACK));
    for point in truth
        .points
        .iter()
        .filter(|point| point.role != Role::MapMark)
    {
        let own = of_role(draft, point.role);
        assert_eq!(
            places(draft, point.role),
            places(&truth, point.role),
            "{}",
            point.id
        );
        let reading = |point: &Point| {
            (
                point.kind,
                point.scale.value(),
                point.offset.value(),
                point.positive,
            )
        };
        assert_eq!(reading(own), reading(point), "{}", point.id);
        if point.width() > 1 && point.scale.value() != 0.0 && !point.role.may_stand_twice() {
            assert_eq!(own.order, point.order, "{}", point.id);
        }
        let doubts = own.draft.as_ref().map_or(0, |standing| standing.open.len());
        assert_eq!(doubts, 0, "{}", point.id);
    }
}

#[test]
fn two_pages_become_the_map_of_the_pack_by_list_reading_and_one_answer() {
    let folder = tempfile::tempdir().unwrap();
    let draft = a_draft(&folder);
    let name = draft.to_str().unwrap();
    // What the simulator serves must be this pack, not whatever the draft says.
    assert!(packside_profiles::load(&std::fs::read_to_string(PACK).unwrap(), PACK).is_ok());
    let said = run(&["profile", "from-table", LIST, "-o", name]);
    assert!(said.contains("which direction is positive"), "{said}");

    let said = tried(name);
    assert!(
        said.contains("Base: the numbers of the draft (checked)"),
        "{said}"
    );
    assert!(said.contains("64 cells or modules add up to it"), "{said}");
    let tried = read(&draft);
    // One look shows no direction.
    assert_eq!(of_role(&tried, Role::PackCurrent).positive, None);

    let why = run(&["profile", "why", name, "pack_current"]);
    assert!(
        why.contains("would settle it: the amperes on the inverter's screen"),
        "{why}"
    );
    let said = answered(&folder, name, "12.4");
    assert!(
        said.contains("Settled (2)") && said.contains("the inverter shows 12.4 A charging"),
        "{said}"
    );

    is_the_pack(&read(&draft));
    // Not documented: silence, chemistry, limits. So nothing clean is said of a sound pack.
    let look = packside(&[
        "check",
        "--simulated",
        CHARGING,
        "--profile",
        name,
        "--no-keep",
    ]);
    assert_eq!(look.status.code(), Some(6), "{}", stdout(&look));
}

/// Answers the amperes that a person at the charging pack reads on its inverter; gives what is said.
fn answered(folder: &tempfile::TempDir, name: &str, amperes: &str) -> String {
    let answers = folder.path().join("answers.toml");
    let text = format!("format = 1\n[answers]\namperes = {amperes}\n");
    std::fs::write(&answers, text).unwrap();
    run(&[
        "profile",
        "answer",
        name,
        "--answers",
        answers.to_str().unwrap(),
        "--accept",
    ])
}

// The same pack in another maker's hand: German, and what is merged in the spreadsheet left blank.
#[test]
fn a_list_with_merged_cells_becomes_the_same_map() {
    let folder = tempfile::tempdir().unwrap();
    let draft = a_draft(&folder);
    let name = draft.to_str().unwrap();
    run(&[
        "profile",
        "from-table",
        "tests/data/own/merged-de.csv",
        "-o",
        name,
    ]);
    tried(name);
    answered(&folder, name, "12.4");
    let settled = read(&draft);
    is_the_pack(&settled);
    // The list says of one register that it always holds 4660.
    let mark = of_role(&settled, Role::MapMark);
    assert_eq!(
        settled.recognise,
        [Recognise {
            point: mark.id.clone(),
            equals: Scalar::Number(4660)
        }]
    );
    // What each module has stands in one group.
    assert_eq!(settled.groups.len(), 1);
    finish(&draft);
    let checked = run(&["profile", "check", name]);
    assert!(checked.contains("no mistakes"), "{checked}");
    let look = packside(&[
        "check",
        "--simulated",
        CHARGING,
        "--profile",
        name,
        "--no-keep",
    ]);
    let shown = stdout(&look);
    assert_eq!(look.status.code(), Some(0), "{shown}");
    assert!(shown.contains("4 modules"), "{shown}");
}

/// What the pack's papers say, blank by blank, in the order of the draft; then the draft ends.
fn finish(draft: &Path) {
    let said = [
        ("title", "\"Four modules (invented)\""),
        ("revision", "\"none\""),
        ("author", "\"the packside founders\""),
        ("line", "\"9600-8N1\""),
        ("unit", "1"),
        ("time_out_ms", "800"),
        ("port", "\"this-bus\""),
        ("fed_by", "\"writes\""),
        ("silence_s", "60"),
        ("switch", "\"contactor\""),
        ("terminals_without_inverter", "\"dead\""),
        ("self_test_s", "6.0"),
        ("chemistry", "\"LFP\""),
        ("rest_current", "1.0"),
        ("never_charge_below", "2.0"),
        ("charge_from_c", "0.0"),
        ("charge_to_c", "50.0"),
    ];
    let mut text = std::fs::read_to_string(draft).unwrap();
    for (key, value) in said {
        let blank = format!("\n{key} = \"?\"");
        assert_eq!(text.matches(&blank).count(), 1, "{key}: {text}");
        text = text.replace(&blank, &format!("\n{key} = {value}"));
    }
    let limits = [
        ("pack_current", "alarm_below = -80, alarm_above = 80"),
        ("cell_voltage_max", "alarm_above = 3.65"),
        ("cell_voltage_min", "alarm_below = 2.8"),
        ("cell_temperature_max", "alarm_above = 58"),
        ("cell_temperature_min", "alarm_below = -10"),
        ("cell_voltage", "alarm_below = 2.8, alarm_above = 3.65"),
        ("cell_temperature", "alarm_below = -10, alarm_above = 58"),
    ];
    for (role, limits) in limits {
        let point = text.find(&format!("role = \"{role}\"\n")).unwrap();
        let at = point + text[point..].find("limits = {").unwrap();
        let end = at + text[at..].find('}').unwrap();
        text.replace_range(at..end, &format!("limits = {{ {limits} "));
    }
    let (before, behind) = text.split_once("[draft]").unwrap();
    let (_, behind) = behind.split_once("\n[answering]").unwrap();
    std::fs::write(draft, format!("{before}\n[answering]{behind}")).unwrap();
}

// Whoever sees the same amperes flow the other way, as with a pack that counts charging above zero.
#[test]
fn the_usual_direction_is_written_too() {
    let folder = tempfile::tempdir().unwrap();
    let draft = a_draft(&folder);
    let name = draft.to_str().unwrap();
    run(&["profile", "from-table", LIST, "-o", name]);
    tried(name);
    answered(&folder, name, "-12.4");
    let direction = of_role(&read(&draft), Role::PackCurrent).positive;
    assert_eq!(direction, Some(Positive::Charge));
}

#[test]
fn an_answer_that_fits_no_reading_changes_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let draft = a_draft(&folder);
    let name = draft.to_str().unwrap();
    run(&["profile", "from-table", LIST, "-o", name]);
    tried(name);
    let before = std::fs::read_to_string(&draft).unwrap();
    let said = answered(&folder, name, "80");
    assert!(said.contains("contradict each other"), "{said}");
    assert_eq!(std::fs::read_to_string(&draft).unwrap(), before);
    // A question that settles nothing here is not in the file.
    let printed = run(&["profile", "answer", name, "--print-answers"]);
    assert!(
        printed.contains("# amperes = ") && !printed.contains("powered-up"),
        "{printed}"
    );
}

#[test]
fn err_answers_and_registers_that_are_none_say_what_was_expected() {
    let folder = tempfile::tempdir().unwrap();
    let draft = a_draft(&folder);
    let name = draft.to_str().unwrap();
    run(&["profile", "from-table", LIST, "-o", name]);
    tried(name);
    let nobody = packside(&["profile", "answer", name]);
    assert_eq!(nobody.status.code(), Some(2));
    assert!(
        stderr(&nobody).contains("give --answers FILE where nobody can answer"),
        "{}",
        stderr(&nobody)
    );
    let none = packside(&["profile", "why", name, "9999"]);
    assert_eq!(none.status.code(), Some(2));
    assert!(
        stderr(&none).contains("found 9999, which is in none; the nearest is"),
        "{}",
        stderr(&none)
    );
    let word = packside(&["profile", "why", name, "amps"]);
    assert!(
        stderr(&word).contains("expected the id of a point or a register, found \"amps\""),
        "{}",
        stderr(&word)
    );
    let answers = folder.path().join("answers.toml");
    std::fs::write(&answers, "format = 1\n[answers]\namperes = \"many\"\n").unwrap();
    let wrong = packside(&[
        "profile",
        "answer",
        name,
        "--answers",
        answers.to_str().unwrap(),
    ]);
    assert!(
        stderr(&wrong).contains("line 3, amperes: expected a number"),
        "{}",
        stderr(&wrong)
    );
}

#[test]
fn learning_listens_to_a_line_and_asks_nothing_behind_a_gateway() {
    let folder = tempfile::tempdir().unwrap();
    let draft = a_draft(&folder);
    let name = draft.to_str().unwrap();
    let heard = packside(&[
        "profile",
        "learn",
        "--simulated",
        "hv-running",
        "--seconds",
        "300",
        "--output",
        name,
        "--no-keep",
    ]);
    assert_eq!(heard.status.code(), Some(0), "{}", stderr(&heard));
    assert!(
        stderr(&heard).contains("nothing is asked"),
        "{}",
        stderr(&heard)
    );
    assert!(!read(&draft).points.is_empty());

    let port = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    port.set_nonblocking(true).unwrap();
    let gateway = port.local_addr().unwrap().to_string();
    let refused = packside(&["profile", "learn", "--gateway", &gateway, "--no-keep"]);
    assert_eq!(refused.status.code(), Some(2));
    assert!(
        stderr(&refused).contains("nothing is asked unless told"),
        "{}",
        stderr(&refused)
    );
    assert!(port.accept().is_err(), "it must not even connect");
}

#[test]
fn learning_asks_for_exactly_what_it_was_told() {
    let folder = tempfile::tempdir().unwrap();
    let recording = folder.path().join("asked.visit.jsonl");
    let done = packside(&[
        "profile",
        "learn",
        "--simulated",
        CHARGING,
        "--read",
        "holding:0-17",
        "--seconds",
        "30",
        "--record",
        recording.to_str().unwrap(),
    ]);
    assert_eq!(done.status.code(), Some(0), "{}", stderr(&done));
    assert!(
        stdout(&done).contains("images of 18 registers"),
        "{}",
        stdout(&done)
    );
    let wrong = packside(&[
        "profile",
        "learn",
        "--simulated",
        CHARGING,
        "--read",
        "coils:1",
    ]);
    assert_eq!(wrong.status.code(), Some(2));
    assert!(
        stderr(&wrong).contains("expected a table and registers as input:0-99"),
        "{}",
        stderr(&wrong)
    );
}

#[test]
fn drafts_are_written_over_drafts_only() {
    let folder = tempfile::tempdir().unwrap();
    let images = "tests/drafts/examples/01-en-clean.sixty.jsonl";
    for command in [
        ["profile", "learn", images],
        ["profile", "from-table", LIST],
    ] {
        for (text, exit) in [
            ("format = 3\n[profile]\n", Some(2)),
            ("my notes", Some(2)),
            ("format = 3\n[draft]\nmade = \"learn\"\n", Some(0)),
        ] {
            let path = folder.path().join("there.toml");
            std::fs::write(&path, text).unwrap();
            let output = ["--output", path.to_str().unwrap()];
            let done = packside(&[&command[..], &output[..]].concat());
            assert_eq!(
                done.status.code(),
                exit,
                "{command:?} {text:?}: {}",
                stderr(&done)
            );
            let is_kept = std::fs::read_to_string(&path).unwrap() == text;
            assert_eq!(is_kept, exit != Some(0), "{command:?} {text:?}");
        }
    }
}
