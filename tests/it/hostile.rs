//! A hostile value in every text that others can write: each text of a map and of a recording is found by
//! walking it, none is listed here.
//!
//! Kind of everything here: invented.

use std::path::Path;

use packside_profiles::foreign::acts;
use serde_json::{Map, Value};

use super::fuzzed::entries;
use super::tool::packside;

/// Moves the cursor, names the window, rings, turns the direction of reading, ends lines, opens tags.
const HOSTILE: &str =
    "\u{1b}[2J\u{1b}]0;taken\u{7}\u{9b}31m\u{202e}x\u{2066}\r\u{8}<script>alert(1)</script>\"'&";

/// Where texts stand in a value, as pointers.
fn texts(value: &Value, at: &str, found: &mut Vec<String>) {
    match value {
        Value::String(_) => found.push(at.to_owned()),
        Value::Array(items) => {
            for (n, item) in items.iter().enumerate() {
                texts(item, &format!("{at}/{n}"), found);
            }
        }
        Value::Object(members) => {
            for (key, member) in members {
                texts(member, &format!("{at}/{key}"), found);
            }
        }
        _ => {}
    }
}

fn texts_of(value: &Value) -> Vec<String> {
    let mut found = Vec::new();
    texts(value, "", &mut found);
    found
}

fn put(value: &mut Value, at: &str) {
    *value.pointer_mut(at).unwrap() = Value::from(HOSTILE);
}

/// Nothing that a terminal obeys.
fn plain(where_from: &str, bytes: &[u8]) {
    let text = std::str::from_utf8(bytes).unwrap_or_else(|why| panic!("{where_from}: {why}"));
    let found: Vec<char> = text.chars().filter(|c| *c != '\n' && acts(*c)).collect();
    assert!(found.is_empty(), "{where_from}: {found:?} in {text:.500}");
}

/// Nor an element of others, as a browser would obey.
fn plain_page(where_from: &str, page: &Path) {
    let bytes = std::fs::read(page).unwrap_or_else(|why| panic!("{where_from}: {why}"));
    plain(where_from, &bytes);
    let text = String::from_utf8(bytes).unwrap();
    assert!(!text.contains("<script>alert"), "{where_from}");
}

fn run(arguments: &[&str]) -> Option<i32> {
    let output = packside(arguments);
    let what = arguments.join(" ");
    plain(&format!("stdout of {what:?}"), &output.stdout);
    plain(&format!("stderr of {what:?}"), &output.stderr);
    let code = output.status.code();
    assert_ne!(code, Some(101), "panicked: {what:?}");
    code
}

#[test]
fn every_text_of_a_map_stands_still_wherever_it_is_shown() {
    let (_, text) = packside_profiles::shipped()[0];
    let map: toml::Table = text.parse().unwrap();
    let map = serde_json::to_value(map).unwrap();
    let mut all = map.clone();
    let fields = texts_of(&map);
    let mut taken = 0;
    for field in &fields {
        let mut one = map.clone();
        put(&mut one, field);
        let text = toml::to_string(&one).unwrap();
        match packside_profiles::load(&text, "own.toml") {
            Ok(_) => {
                put(&mut all, field);
                taken += 1;
            }
            Err(problems) => plain(field, problems.to_string().as_bytes()),
        }
    }
    assert!(
        fields.len() > 200 && taken > 50,
        "{taken} of {} texts",
        fields.len()
    );
    let folder = tempfile::tempdir().unwrap();
    let (own, record) = (
        folder.path().join("own.toml"),
        folder.path().join("a.visit.jsonl"),
    );
    std::fs::write(&own, toml::to_string(&all).unwrap()).unwrap();
    let (own, record) = (own.to_str().unwrap(), record.to_str().unwrap());
    let pages = ["a.html", "customer.html"].map(|name| folder.path().join(name));
    let [page, for_customer] = pages.each_ref().map(|page| page.to_str().unwrap());
    for words in [
        vec!["profile", "check", own],
        vec!["profile", "show", own],
        vec!["profile", "show", own, "--format", "json"],
        vec!["profile", "explain", own, "cell-high"],
        vec!["lamp", "--seen", "steady", "--profile", own],
        vec![
            "visit",
            "--simulated",
            "hv-waiting",
            "--profile",
            own,
            "--print-answers",
        ],
        vec![
            "check",
            "--simulated",
            "hv-fault-behind-lamp",
            "--profile",
            own,
            "--record",
            record,
        ],
        vec!["check", "--recording", record, "--explain"],
        vec!["check", "--recording", record, "--format", "json"],
        vec!["watch", "--recording", record],
        vec!["report", record, "-o", page],
        vec!["report", record, "--for", "customer", "-o", for_customer],
        vec!["report", record, "--format", "json"],
    ] {
        run(&words);
    }
    for page in &pages {
        plain_page("page of a hostile map", page);
    }
}

/// Kinds of line that the recording lacks. Kind: derived (from the format of the file)
const MORE: [&str; 5] = [
    r#"{"type":"mark","at_ns":60000000000,"name":"m"}"#,
    r#"{"type":"sighting","at_ns":60000000000,"lamp":"fault","pattern":"on"}"#,
    r#"{"type":"photo","at_ns":60000000000,"step":"nameplates","file":"plate.jpg","sha256":"00"}"#,
    r#"{"type":"lost","at_ns":60000000000,"why":"w"}"#,
    r#"{"type":"clock","at_ns":60000000000,"utc":"2026-11-25T16:15:55.845Z"}"#,
];

#[test]
fn every_text_of_a_recording_stands_still_wherever_it_is_shown() {
    let file = std::fs::read_to_string("tests/visits/fault-behind-the-lamp.visit.jsonl").unwrap();
    let open = |line: &str| format!("{}}}", line.rsplit_once(",\"h\":\"").unwrap().0);
    let mut lines: Vec<String> = file.lines().map(open).collect();
    lines.pop();
    lines.extend(MORE.map(str::to_owned));
    let folder = tempfile::tempdir().unwrap();
    let mut kinds: Map<String, Value> = Map::new();
    for (n, line) in lines.iter().enumerate() {
        let line: Value = serde_json::from_str(line).unwrap();
        let kind = line["type"].as_str().unwrap().to_owned();
        kinds.insert(kind, Value::from(n));
    }
    assert!(kinds.len() > 12, "{kinds:?}");
    for (kind, n) in &kinds {
        let n = n.as_u64().unwrap() as usize;
        let whole: Value = serde_json::from_str(&lines[n]).unwrap();
        let fields = texts_of(&whole);
        let mut all = whole.clone();
        for field in fields.iter().filter(|field| *field != "/type") {
            let mut one = whole.clone();
            put(&mut one, field);
            match packside::recording::read(&with(&lines, n, &one)) {
                Ok(_) => put(&mut all, field),
                Err(why) => plain(field, packside_profiles::clean(&why.to_string()).as_bytes()),
            }
        }
        shown(folder.path(), kind, &with(&lines, n, &all));
    }
}

/// The recording with another line at this place, its chain fitting.
fn with(lines: &[String], n: usize, line: &Value) -> Vec<u8> {
    let mut lines = lines.to_vec();
    lines[n] = line.to_string();
    entries::sealed((lines.join("\n") + "\n").as_bytes())
}

/// Everything that shows a recording.
fn shown(folder: &Path, kind: &str, bytes: &[u8]) {
    let (file, page) = (
        folder.join(format!("{kind}.visit.jsonl")),
        folder.join(format!("{kind}.html")),
    );
    std::fs::write(&file, bytes).unwrap();
    let (name, to) = (file.to_str().unwrap(), page.to_str().unwrap());
    for words in [
        vec!["report", name, "-o", to],
        vec!["report", "--verify", name],
        vec!["report", name, "--format", "json"],
        vec!["check", "--recording", name],
        vec!["watch", "--recording", name],
        vec!["listen", "--recording", name],
    ] {
        run(&words);
    }
    if page.exists() {
        plain_page(&format!("page of a hostile {kind}"), &page);
    }
}
