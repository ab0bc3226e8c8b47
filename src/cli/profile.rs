//! `packside profile`: list, show, check and explain register maps.
//!
//! Input: arguments and profile files. Output: text for stdout, text for stderr, an exit code:
//! 0 done, 2 wrong usage (an unknown id), 4 a file that cannot be read or has mistakes.
//!
//! Does not: touch a unit, or print.
//!
//! # JSON
//! One object with `"schema":"packside.profile/1"` and `"command"`; `list` has `profiles`, `show`
//! has `profile`, `check` has `files` with `problems`, `explain` has `subjects`. Registers count from 0 at
//! `base`; `register` is that of the first instance.

mod amend;
mod answer;
mod coverage;
mod from_table;
mod given;
mod learn;
mod new;
mod weigh;
mod why;

use std::path::{Path, PathBuf};

use clap::{Args, Subcommand};
use packside_profiles::explain;
use packside_profiles::load::{FindError, known};
use packside_profiles::{Foreign, Grade, Loaded, find};

use given::{CheckOutcome, failed, object};

use super::args::ConfigArg;
use super::failure::{LOCAL, USAGE};
use crate::show::json::profile::{Content, Entry, File, Listed};
use crate::show::{paper, screen};

/// List, show, check and explain register maps.
#[derive(Debug, Clone, Args)]
pub struct ProfileArgs {
    /// What to do.
    #[command(subcommand)]
    command: ProfileCommand,
    /// Folder with own files.
    #[command(flatten)]
    config: ConfigArg,
}

#[derive(Debug, Clone, Subcommand)]
enum ProfileCommand {
    /// Name every known register map
    List,
    /// Show one map: spans, and every point with its registers, type, unit and role
    Show {
        /// Name of a map, or a file
        name: Foreign,
    },
    /// Start a map of your own: a file with everything that is required, asked for or left as blanks
    New {
        /// The file to write; it must not be there yet
        file: PathBuf,
    },
    /// Hold a draft against the unit: what adds up, moves together, flows or counts
    Try(Box<weigh::TryArgs>),
    /// Settle what registers leave open by what is seen at the unit: at most five questions
    Answer(Box<answer::AnswerArgs>),
    /// Say what speaks for a register of a draft, and what else it may be
    Why(Box<why::WhyArgs>),
    /// Start a draft from what was read or overheard of a unit, without any document
    Learn(Box<learn::LearnArgs>),
    /// Make a draft of a map from a maker's register list, and say how it was understood
    FromTable(from_table::FromTableArgs),
    /// Say what can go wrong in a unit, and when this map would show it
    Coverage {
        /// Name of a map, or a file; `sunspec` for the models of self-describing units
        name: Foreign,
    },
    /// Look for mistakes in register maps, all of them at once
    Check {
        /// Files of register maps
        #[arg(required = true)]
        files: Vec<PathBuf>,
    },
    /// Say what a flag, point, lamp or lamp code means and what to do
    Explain {
        /// Name of a map, or a file
        name: Foreign,
        /// Id of a flag, point, lamp or lamp code
        what: Foreign,
    },
}

/// Runs the command.
pub fn run(args: &ProfileArgs, json: bool) -> CheckOutcome {
    let config = args.config.folder();
    let config = config.as_deref();
    match &args.command {
        ProfileCommand::List => list(config, json),
        ProfileCommand::Show { name } => with_profile("show", name, config, json, show),
        ProfileCommand::New { file } => new::new(file, json),
        ProfileCommand::Try(args) => given::or_failed(weigh::run(args, json), json),
        ProfileCommand::Answer(args) => given::or_failed(answer::run(args, json), json),
        ProfileCommand::Why(args) => given::or_failed(why::run(args, json), json),
        ProfileCommand::Learn(args) => given::or_failed(learn::run(args, json), json),
        ProfileCommand::FromTable(args) => given::or_failed(from_table::run(args, json), json),
        ProfileCommand::Coverage { name } => {
            with_profile("coverage", name, config, json, coverage::coverage)
        }
        ProfileCommand::Check { files } => check(files, json),
        ProfileCommand::Explain { name, what } => {
            with_profile("explain", name, config, json, |loaded, json| {
                explain_one(loaded, what.as_given(), json)
            })
        }
    }
}

fn with_profile(
    command: &'static str,
    name: &Foreign,
    config: Option<&Path>,
    json: bool,
    then: impl Fn(&Loaded, bool) -> CheckOutcome,
) -> CheckOutcome {
    match find(name.as_given(), config) {
        Ok(loaded) => then(&loaded, json),
        Err(FindError::Mistakes(problems)) => {
            let stdout = if json {
                let files = vec![File::of(&problems.origin, &problems)];
                object(command, Content::Check { files })
            } else {
                String::new()
            };
            (
                stdout,
                format!(
                    "{problems}hint: correct the file, then: packside profile check {}\n",
                    problems.origin
                ),
                LOCAL,
            )
        }
        Err(error) => failed(
            "profile",
            &error.to_string(),
            "packside profile list names them",
            LOCAL,
            json,
        ),
    }
}

fn list(config: Option<&Path>, json: bool) -> CheckOutcome {
    let names = known(config);
    let found: Vec<(String, Result<Loaded, FindError>)> = names
        .into_iter()
        .map(|name| (name.clean().into_owned(), find(name.as_given(), config)))
        .collect();
    let exit = if found.iter().all(|(_, result)| result.is_ok()) {
        0
    } else {
        LOCAL
    };
    if json {
        let profiles = found.iter().map(|(name, result)| listed(name, result));
        let profiles = profiles.collect();
        return (
            object("list", Content::List { profiles }),
            String::new(),
            exit,
        );
    }
    let (mut stdout, mut stderr) = (String::new(), String::new());
    for (name, result) in &found {
        match result {
            Ok(loaded) => {
                let head = &loaded.profile.profile;
                let verified = if head.verified_on_hardware {
                    "seen on hardware"
                } else {
                    "never on hardware"
                };
                let about = format!("{} [{}, {verified}]", head.title.clean(), loaded.origin);
                screen::wrap(&mut stdout, &about, &format!("{name:<22} "), "    ");
            }
            Err(error) => stderr.push_str(&format!("error: {name}: {error}\n")),
        }
    }
    stdout.push_str("\nnext: packside profile show NAME\n");
    (stdout, stderr, exit)
}

fn listed(name: &str, result: &Result<Loaded, FindError>) -> Listed {
    match result {
        Ok(loaded) => {
            let head = &loaded.profile.profile;
            Listed::Readable {
                id: name.to_owned(),
                title: head.title.clone(),
                origin: loaded.origin.clone(),
                verified_on_hardware: head.verified_on_hardware,
                error: None,
            }
        }
        Err(error) => Listed::Broken {
            id: name.to_owned(),
            error: error.to_string(),
        },
    }
}

fn show(loaded: &Loaded, json: bool) -> CheckOutcome {
    let profile = &loaded.profile;
    if json {
        return (
            object(
                "show",
                Content::Show {
                    profile: Box::new(loaded.into()),
                },
            ),
            String::new(),
            0,
        );
    }
    let mut out = on_paper(&explain::overview(profile));
    out.push_str(&format!(
        "\nnext: packside profile explain {} ID\n",
        profile.profile.id
    ));
    (out, String::new(), 0)
}

/// Columns before what a heading says.
const LEAD: usize = 15;

/// An overview as wide as the paper: a heading goes on below itself; of a row that is too wide the words follow each other.
fn on_paper(overview: &str) -> String {
    let mut out = String::new();
    let (head, rows) = overview.split_once("\n\n").unwrap_or((overview, ""));
    for (number, line) in head.lines().enumerate() {
        match line.split_at_checked(LEAD).filter(|_| number > 0) {
            Some((lead, text)) => paper::wrap(&mut out, text, lead, &" ".repeat(LEAD)),
            None => paper::wrap(&mut out, line, "", "  "),
        }
    }
    out.push('\n');
    rows.lines().for_each(|line| paper::row(&mut out, line));
    out
}

fn explain_one(loaded: &Loaded, what: &str, json: bool) -> CheckOutcome {
    let profile = &loaded.profile;
    match (
        explain::subjects(profile, what),
        explain::explain(profile, what),
    ) {
        (Ok(subjects), Ok(text)) => {
            let subjects = subjects.iter().map(|subject| Entry::of(profile, subject));
            let subjects = subjects.collect();
            let stdout = if json {
                object(
                    "explain",
                    Content::Explain {
                        profile: profile.profile.id.clone(),
                        subjects,
                    },
                )
            } else {
                text
            };
            (stdout, String::new(), 0)
        }
        (Err(error), _) | (_, Err(error)) => {
            let hint = format!(
                "packside profile show {} names the points",
                profile.profile.id
            );
            failed("usage", &error.to_string(), &hint, USAGE, json)
        }
    }
}

fn check(files: &[PathBuf], json: bool) -> CheckOutcome {
    let (mut stdout, mut stderr, mut exit) = (String::new(), String::new(), 0);
    let mut results = Vec::new();
    for path in files {
        let name = packside_profiles::shown(&path);
        let text = match packside_profiles::read_text(path) {
            Ok(text) => text,
            Err(error) => {
                exit = LOCAL;
                stderr.push_str(&format!("error: {name}: cannot be read: {error}\n"));
                results.push(File::unreadable(&name, &error.to_string()));
                continue;
            }
        };
        let checked = packside_profiles::check(&text, &name);
        let problems = &checked.problems;
        let is_whole = problems.list.iter().all(|one| one.grade == Grade::Note);
        match &checked.profile {
            Some(profile) if is_whole => {
                let (points, flags) = (profile.points.len(), profile.flags.len());
                stdout.push_str(&format!(
                    "{name}: no mistakes ({points} points, {flags} flags)\n"
                ));
            }
            _ => exit = LOCAL,
        }
        if !problems.list.is_empty() {
            stderr.push_str(&format!("{problems:#}"));
        }
        results.push(File::of(&name, problems));
    }
    let stdout = if json {
        object("check", Content::Check { files: results })
    } else {
        stdout
    };
    (stdout, stderr, exit)
}

#[cfg(test)]
mod tests {
    use serde_json::{Value as Json, json};

    use super::*;

    fn ask(command: ProfileCommand, json: bool) -> CheckOutcome {
        run(
            &ProfileArgs {
                command,
                config: ConfigArg::default(),
            },
            json,
        )
    }

    fn parsed(outcome: &CheckOutcome) -> Json {
        assert_eq!(outcome.0.lines().count(), 1, "one object on one line");
        let object: Json = serde_json::from_str(&outcome.0).unwrap();
        object
    }

    fn explain_of(what: &str, json: bool) -> CheckOutcome {
        ask(
            ProfileCommand::Explain {
                name: "generic-hv-stack".into(),
                what: what.into(),
            },
            json,
        )
    }

    #[test]
    fn list_names_the_shipped_maps_and_the_next_command() {
        let (stdout, stderr, exit) = ask(ProfileCommand::List, false);
        assert!(stdout.starts_with("generic-hv-stack "), "{stdout}");
        assert!(
            stdout.ends_with("next: packside profile show NAME\n"),
            "{stdout}"
        );
        assert_eq!((stderr.as_str(), exit), ("", 0));
        let object = parsed(&ask(ProfileCommand::List, true));
        assert_eq!(object["schema"], "packside.profile/1");
        assert_eq!(object["profiles"][1]["id"], "generic-lv-rack");
        assert_eq!(object["profiles"][1]["verified_on_hardware"], false);
    }

    // Kind: invented
    // Note: cell 1 of module 1: group at 64, cells at 4 in it
    #[test]
    fn show_gives_every_point_with_its_first_register() {
        let show = || ProfileCommand::Show {
            name: "generic-hv-stack".into(),
        };
        let (stdout, _, exit) = ask(show(), false);
        assert!(
            stdout.contains("  cell_voltage           input 68 xn x30"),
            "{stdout}"
        );
        assert_eq!(exit, 0);
        let object = parsed(&ask(show(), true));
        let points = object["profile"]["points"].as_array().unwrap();
        let cell = points.iter().find(|p| p["id"] == "cell_voltage").unwrap();
        assert_eq!(
            (&cell["register"], &cell["table"]),
            (&json!(68), &json!("input"))
        );
    }

    #[test]
    fn explain_prints_a_flag_as_text_and_as_json() {
        let (stdout, stderr, exit) = explain_of("cold", false);
        assert!(
            stdout.contains("a temperature is below its limit"),
            "{stdout}"
        );
        assert_eq!((stderr.as_str(), exit), ("", 0));
        let object = parsed(&explain_of("cold", true));
        assert_eq!(object["subjects"][0]["class"], "under-temperature");
    }

    #[test]
    fn err_explain_of_an_unknown_id_is_wrong_usage() {
        let (stdout, stderr, exit) = explain_of("insulatoin-low", false);
        assert_eq!((stdout.as_str(), exit), ("", USAGE));
        assert_eq!(
            stderr,
            "error: generic-hv-stack: expected the id of a flag, point, lamp or lamp code, found \"insulatoin-low\"; \
             did you mean insulation-low?\nhint: packside profile show generic-hv-stack names the points\n"
        );
        let object = parsed(&explain_of("insulatoin-low", true));
        assert_eq!(object["schema"], "packside.failed/1");
        assert_eq!(object["error"]["exit"], USAGE);
    }

    #[test]
    fn err_unknown_profile_is_trouble_of_this_computer() {
        let show = ProfileCommand::Show {
            name: "generic-hv-stak".into(),
        };
        let (stdout, stderr, exit) = ask(show, false);
        assert_eq!((stdout.as_str(), exit), ("", LOCAL));
        assert!(
            stderr.contains("did you mean generic-hv-stack?"),
            "{stderr}"
        );
    }

    #[test]
    fn check_names_every_file_and_fails_if_one_has_mistakes_or_cannot_be_read() {
        let folder = tempfile::tempdir().unwrap();
        let path = |name: &str, text: &str| {
            let path = folder.path().join(name);
            std::fs::write(&path, text).unwrap();
            path
        };
        let good = path("good.toml", packside_profiles::shipped()[0].1);
        let bad = path("bad.toml", "format = 9\n");
        let binary = folder.path().join("binary.toml");
        std::fs::write(&binary, [0xff, 0xfe, 0x00]).unwrap();
        let (stdout, stderr, exit) = ask(
            ProfileCommand::Check {
                files: vec![good.clone()],
            },
            false,
        );
        assert!(stdout.contains("good.toml: no mistakes ("), "{stdout}");
        assert_eq!((stderr.as_str(), exit), ("", 0));
        let files = vec![good, bad, binary, folder.path().join("none.toml")];
        let (stdout, stderr, exit) = ask(
            ProfileCommand::Check {
                files: files.clone(),
            },
            false,
        );
        assert_eq!(exit, LOCAL);
        assert!(stdout.contains("good.toml: no mistakes"), "{stdout}");
        assert!(
            stderr.contains("bad.toml:1:10: format: expected a number from 1 to 4, found 9"),
            "{stderr}"
        );
        assert!(stderr.contains("binary.toml: cannot be read: "), "{stderr}");
        assert!(stderr.contains("none.toml: cannot be read: "), "{stderr}");
        let object = parsed(&ask(ProfileCommand::Check { files }, true));
        assert_eq!(object["files"][1]["problems"][0]["line"], 1);
    }
}
