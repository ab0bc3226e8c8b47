//! What README and docs tell is so: links lead somewhere, commands run, the screen shown is the screen.
//!
//! Kind of all expectations: derived (from the pages themselves, run on invented units).

use std::path::Path;
use std::process::Command;

const PAGES: [&str; 9] = [
    "README.md",
    "DEVELOPERS.md",
    "CHANGELOG.md",
    "REFERENCE.md",
    "docs/figures.md",
    "docs/gateways.md",
    "docs/json.md",
    "docs/maps.md",
    "docs/visits.md",
];

fn page(name: &str) -> String {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(name);
    std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{name}: {error}"))
}

#[test]
fn every_file_that_a_page_names_is_there() {
    let ends = [".md", ".toml", ".json", ".rs", ".py", ".png", ".sh"];
    for name in PAGES {
        let text = page(name);
        for word in text.split(['`', '(', ')', ' ', '\n']) {
            let is_path = word.contains('/') && ends.iter().any(|end| word.ends_with(end));
            let is_ours = [
                "docs/",
                "src/",
                "tests/",
                "profiles/",
                "simulator/",
                "examples/",
                "benches/",
                "fuzz/",
            ];
            if !is_path || !is_ours.iter().any(|folder| word.starts_with(folder)) {
                continue;
            }
            let is_pattern = word.contains(['*', '{', '<']);
            let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(word);
            assert!(
                is_pattern || path.exists(),
                "{name} names {word}, which is not there"
            );
        }
    }
}

/// The commands of a page: indented lines, without what a `#` explains.
fn commands(text: &str) -> Vec<Vec<String>> {
    let lines = text
        .lines()
        .filter_map(|line| line.strip_prefix("    packside "));
    lines
        .map(|line| {
            let line = line.split(" #").next().unwrap_or(line);
            let line = line.split(['|', '>']).next().unwrap_or(line);
            line.split_whitespace().map(str::to_owned).collect()
        })
        .collect()
}

/// The same command at a simulated unit, with the shipped map for one of your own.
fn at_the_simulator(typed: &[String]) -> Vec<String> {
    let mut arguments: Vec<String> = Vec::new();
    let mut left = typed.iter();
    let is_far = typed
        .iter()
        .any(|word| word == "--serial" || word == "--gateway");
    let tries = typed.iter().take(2).eq(["profile", "try"])
        || is_far && typed.first().is_some_and(|word| word == "profile");
    let is_unit = |command: &str| {
        tries || !["report", "retest", "profile", "lamp", "help"].contains(&command)
    };
    let has_place = |word: &String| {
        ["--simulated", "--recording", "--explain", "--images"].contains(&word.as_str())
    };
    while let Some(word) = left.next() {
        match word.as_str() {
            "--serial" | "--gateway" | "--at" | "--framing" | "--profile"
                if !typed.iter().any(has_place) =>
            {
                left.next();
            }
            "--save" => {
                left.next();
            }
            // The map of one's own is there already, and is no draft to be written over.
            "-o" if left
                .clone()
                .next()
                .is_some_and(|file| file == "my-map.toml") =>
            {
                left.next();
                arguments.extend(["-o", "drafted.toml"].map(str::to_owned));
            }
            "NAME" => arguments.push("generic-hv-stack".to_owned()),
            "FILE" => arguments.push("try.visit.jsonl".to_owned()),
            other => arguments.push(other.to_owned()),
        }
    }
    let command = arguments.first().cloned().unwrap_or_default();
    if is_unit(&command) && command != "demo" && !typed.iter().any(has_place) {
        arguments.extend(["--simulated".to_owned(), "hv-waiting".to_owned()]);
    }
    arguments
}

#[test]
fn every_command_of_readme_and_docs_runs() {
    let folder = tempfile::tempdir().unwrap();
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let map = root.join("profiles/maps/generic-hv-stack.toml");
    let own = std::fs::read_to_string(map)
        .unwrap()
        .replace("id = \"generic-hv-stack\"", "id = \"my-map\"");
    std::fs::write(folder.path().join("my-map.toml"), own).unwrap();
    let image = r#"{"t":0,"unit":1,"function":4,"registers":{"12":0,"13":31540}}"#;
    std::fs::write(folder.path().join("log.jsonl"), image).unwrap();
    let list = root.join("tests/data/tables/stack-en.csv");
    std::fs::copy(list, folder.path().join("registers.csv")).unwrap();
    std::os::unix::fs::symlink(root.join("tests"), folder.path().join("tests")).unwrap();
    let run = |arguments: &[String]| {
        let mut tool = Command::new(env!("CARGO_BIN_EXE_packside"));
        tool.args(arguments)
            .current_dir(folder.path())
            .stdin(std::process::Stdio::null());
        tool.env("XDG_STATE_HOME", folder.path())
            .env("XDG_CONFIG_HOME", folder.path());
        let output = tool.output().unwrap();
        (
            output.status.code(),
            String::from_utf8_lossy(&output.stderr).into_owned(),
            output.stdout,
        )
    };
    let words = |line: &str| {
        line.split_whitespace()
            .map(str::to_owned)
            .collect::<Vec<_>>()
    };
    for name in ["try", "before", "after"] {
        let record = format!("check --simulated hv-waiting --record {name}.visit.jsonl");
        assert_eq!(run(&words(&record)).0, Some(5));
    }
    let mut tried = 0;
    for name in [
        "README.md",
        "docs/gateways.md",
        "docs/json.md",
        "docs/maps.md",
        "docs/visits.md",
    ] {
        for typed in commands(&page(name)) {
            if typed
                .iter()
                .any(|word| word == "last" || word == "--answers" || word == "new")
                || typed.first().is_some_and(|word| word == "visit")
                    && typed.len() < 6
                    && !typed.contains(&"--print-answers".to_owned())
            {
                continue;
            }
            let arguments = at_the_simulator(&typed);
            let (code, said, _) = run(&arguments);
            let wrong = [Some(2), Some(4), Some(101), None];
            assert!(
                !wrong.contains(&code),
                "{name}: {typed:?}\nrun as {arguments:?}\nexit {code:?}: {said}"
            );
            tried += 1;
        }
    }
    println!("{tried} commands run");
    assert!(tried >= 15, "{tried}");
}

/// Blocks of TOML on a page.
fn blocks(text: &str) -> Vec<&str> {
    let behind = text.split("```toml\n").skip(1);
    behind.filter_map(|rest| rest.split("```").next()).collect()
}

#[test]
fn every_map_that_claims_to_be_whole_loads_and_leaves_nothing_open() {
    let text = page("docs/maps.md");
    let whole: Vec<&str> = blocks(&text)
        .into_iter()
        .filter(|block| block.starts_with("# A whole map") || block.contains("[profile]"))
        .collect();
    assert!(!whole.is_empty());
    for block in whole {
        let checked = packside_profiles::check(block, "docs/maps.md");
        assert!(checked.problems.list.is_empty(), "{:#}", checked.problems);
        assert_eq!(checked.profile.unwrap().gaps, []);
    }
}

#[test]
fn every_word_of_a_closed_list_stands_on_the_page_about_maps() {
    use packside_profiles::model::Chemistry;
    use packside_profiles::{Class, Role, StateKind};
    let text = page("docs/maps.md");
    let known = Role::ALL
        .iter()
        .map(|role| role.id())
        .chain(Class::ALL.iter().map(|class| class.id()))
        .chain(StateKind::ALL.iter().map(|state| state.id()))
        .chain(Chemistry::all().iter().map(|chemistry| chemistry.name));
    for word in known {
        assert!(text.contains(&format!("`{word}`")), "docs/maps.md: {word}");
    }
}

#[test]
fn the_screen_of_the_readme_is_what_the_tool_prints() {
    let mut tool = Command::new(env!("CARGO_BIN_EXE_packside"));
    tool.args(["check", "--simulated", "hv-fault-behind-lamp"])
        .env_remove("COLUMNS");
    let shown = String::from_utf8(tool.output().unwrap().stdout).unwrap();
    let indented: String = shown
        .lines()
        .map(|line| format!("    {line}").trim_end().to_owned() + "\n")
        .collect();
    assert!(
        page("README.md").contains(&indented),
        "expected in the README:\n{indented}"
    );
}
