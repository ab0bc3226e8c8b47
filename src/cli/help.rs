//! What `-h`, `--help` and `packside help COMMAND` show: one screen with examples and grouped options, and all
//! of it with cautions and exit codes.
//!
//! Input: the commands as they are defined. Output: the same, dressed for help. Does not: define an option.

use clap::{Arg, ArgAction, Command};

use packside_profiles::Foreign;

use super::failure::{Failure, USAGE, failure};
use super::out;
use crate::show::paper;

/// Cautions that all long help carries, in the words of the trade.
const CAUTIONS: [&str; 3] = [
    "CAUTION  Battery stacks hold hazardous voltage even when switched off; the stack itself cannot be made dead, only \
     the far side of an open isolator can be proven dead, with a rated two-pole tester. Short-circuit current welds \
     tools and burns, at 48 V as well. Never open DC connectors or breakers under load; wait for the inverter's \
     capacitors.",
    "Hot, hissing, smoking, swollen or smelling: leave, call the fire service. Flooded: stay out of the water, do not \
     power it. Two people, no jewellery, never alone. A cell below its maker's absolute minimum, or one that cannot be \
     read: do not charge, do not install, set apart, ask the maker.",
    "Work for qualified people under local codes, with the maker's manual and protective equipment. packside only \
     reads; asking may wake a unit. Nothing it prints is a release for work or a proof of absence of voltage: a verdict \
     is advice to a licensed practitioner, who decides.",
];

/// Exit codes, two columns that fit a small terminal.
const EXIT_CODES: &str = "\
Exit codes
    0  normal, or done                      5  awaiting inverter
    1  fault                                6  undecided
    2  wrong usage                          7  an expectation does not hold
    3  bus problem: unit not known          8  inverter lost
    4  trouble of this computer or a file   9  not ready, no defect seen
  130  interrupted before a first result";

/// Headings of the options, and what stands below each, in this order.
const GROUPS: [(&str, &[&str]); 4] = [
    (
        "What was seen",
        &["seen", "trace", "film", "picture", "lamp"],
    ),
    (
        "Where the unit is",
        &[
            "serial",
            "gateway",
            "at",
            "recording",
            "raw",
            "simulated",
            "line",
            "framing",
            "wait",
        ],
    ),
    (
        "How it is asked",
        &[
            "plugged",
            "profile",
            "unit",
            "only",
            "all",
            "resume",
            "seconds",
            "from",
            "look_at",
            "moment",
            "session",
            "lamps",
            "answers",
            "listen_first",
            "time_out",
            "may_wake",
            "beside_others",
        ],
    ),
    (
        "What comes out",
        &[
            "full",
            "explain",
            "output",
            "reader",
            "without_names",
            "verify",
            "junit",
            "print_answers",
            "replace",
            "save",
            "record",
            "go_on",
            "no_keep",
            "format",
            "color",
            "quiet",
            "verbose",
            "config",
            "help",
            "version",
        ],
    ),
];

/// Options that only `--help` shows.
const RARE: [&str; 10] = [
    "look_at",
    "moment",
    "session",
    "from",
    "resume",
    "listen_first",
    "time_out",
    "no_keep",
    "color",
    "config",
];

/// Options that a command takes for what it has in common with others, and does not use or refuses.
const NOT_OF: [(&str, &[&str]); 6] = [
    ("visit", &["full", "explain", "recording"]),
    ("find", &["recording"]),
    ("profile try", AT_A_DESK),
    ("profile answer", AT_A_DESK),
    ("profile why", AT_A_DESK),
    ("profile learn", AT_A_DESK),
];
/// What whoever makes a map at a desk rarely needs.
const AT_A_DESK: &[&str] = &[
    "at",
    "plugged",
    "framing",
    "beside_others",
    "go_on",
    "verbose",
];

/// Examples of a command, and what each does.
type Examples = &'static [(&'static str, &'static str)];

/// Examples of each command.
const EXAMPLES: [(&str, Examples); 22] = [
    (
        "packside",
        &[
            ("packside demo", "see it work, without a unit"),
            ("packside find", "what answers at this cable?"),
            (
                "packside check /dev/ttyUSB0 --profile generic-hv-stack",
                "one look",
            ),
            ("packside check 192.0.2.7", "behind a gateway"),
        ],
    ),
    (
        "find",
        &[
            ("packside find", "the one adapter that is plugged in"),
            ("packside find 192.0.2.7", "units behind a gateway"),
            (
                "packside find /dev/ttyUSB0 --save barn",
                "then: check --at barn",
            ),
        ],
    ),
    (
        "check",
        &[
            ("packside check /dev/ttyUSB0 --profile generic-hv-stack", ""),
            ("packside check 192.0.2.7", "a gateway; the map is found"),
            ("packside check last --full", "the newest look, in full"),
        ],
    ),
    (
        "watch",
        &[
            ("packside watch /dev/ttyUSB0 --profile generic-hv-stack", ""),
            ("packside watch 192.0.2.7 --seconds 10min", ""),
            ("packside watch last", "how the newest look went"),
        ],
    ),
    (
        "visit",
        &[
            ("packside visit /dev/ttyUSB0 --profile generic-hv-stack", ""),
            (
                "packside visit --at barn --record barn.visit.jsonl --continue",
                "go on",
            ),
            ("packside visit --simulated hv-commissioning", "try it"),
        ],
    ),
    (
        "retest",
        &[
            ("packside retest shipped", "the built-in scenarios"),
            ("packside retest visits --junit results.xml", ""),
        ],
    ),
    (
        "report",
        &[
            ("packside report last -o page.html", "the newest look"),
            (
                "packside report before.visit.jsonl after.visit.jsonl -o both.html",
                "",
            ),
            ("packside report barn.visit.jsonl --verify", "unchanged?"),
        ],
    ),
    (
        "listen",
        &[
            ("packside listen /dev/ttyUSB0", "until q"),
            (
                "packside listen /dev/ttyUSB0 --profile generic-hv-stack",
                "with readings",
            ),
            ("packside listen --raw bytes.bin", ""),
        ],
    ),
    (
        "lamp",
        &[
            ("packside lamp", "tap its rhythm on a key"),
            ("packside lamp --seen \"3 flashes, pause\"", ""),
            (
                "packside lamp --seen \"fault: blinking\" --profile generic-hv-stack",
                "",
            ),
            ("packside lamp --film clip.mp4 --picture seen.png", ""),
        ],
    ),
    (
        "profile",
        &[
            ("packside profile list", "maps by name"),
            (
                "packside profile explain generic-hv-stack inverter-silent",
                "",
            ),
            (
                "packside profile check my-unit.toml",
                "mistakes, all at once",
            ),
        ],
    ),
    ("profile list", &[("packside profile list", "")]),
    (
        "profile show",
        &[("packside profile show generic-hv-stack", "")],
    ),
    (
        "profile new",
        &[("packside profile new my-unit.toml", "blanks to fill in")],
    ),
    (
        "profile try",
        &[(
            "packside profile try draft.toml --recording last",
            "what adds up",
        )],
    ),
    (
        "profile answer",
        &[("packside profile answer draft.toml --serial COM3", "")],
    ),
    (
        "profile why",
        &[(
            "packside profile why draft.toml 40021",
            "what speaks for it",
        )],
    ),
    (
        "profile learn",
        &[(
            "packside profile learn --serial COM3",
            "listens, asks nothing",
        )],
    ),
    (
        "profile from-table",
        &[(
            "packside profile from-table registers.csv",
            "a draft of a map",
        )],
    ),
    (
        "profile coverage",
        &[("packside profile coverage generic-hv-stack", "")],
    ),
    (
        "profile explain",
        &[("packside profile explain generic-hv-stack off-button", "")],
    ),
    (
        "profile check",
        &[("packside profile check my-unit.toml", "")],
    ),
    (
        "demo",
        &[("packside demo", "two stories, one blinking lamp")],
    ),
];

/// How a page of help is laid out.
const LAYOUT: &str =
    "{about-with-newline}\n{usage-heading} {usage}\n\n{before-help}{all-args}{after-help}";

/// The commands with all that their help says.
pub(super) fn dressed(command: Command) -> Command {
    let help = Arg::new("help").short('h').long("help");
    let help = help.action(ArgAction::Help).global(true);
    let version = Arg::new("version").short('V').long("version");
    let version = version.action(ArgAction::Version);
    dress(
        command
            .disable_help_flag(true)
            .disable_version_flag(true)
            .arg(help.help("This screen; --help has all of it"))
            .arg(version.help("Which packside this is"))
            .max_term_width(80),
        "",
    )
}

/// A command with its help; `under` is the command that it belongs to, with a space, where that is not the program.
fn dress(command: Command, under: &str) -> Command {
    let name = format!("{under}{}", command.get_name());
    let below = match name.as_str() {
        "packside" => String::new(),
        name => format!("{name} "),
    };
    let subcommands: Vec<String> = command
        .get_subcommands()
        .map(|sub| sub.get_name().to_owned())
        .collect();
    let of_others = NOT_OF.iter().find(|(command, _)| *command == name);
    let of_others = of_others.map_or(&[][..], |(_, ids)| ids);
    let rare = |id: &str| of_others.contains(&id) || RARE.contains(&id);
    let command = subcommands.into_iter().fold(command, |command, sub| {
        command.mut_subcommand(sub, |sub| dress(sub, &below))
    });
    let examples = examples(&name);
    let more = if name == "packside" {
        "Each command: packside help COMMAND. Cautions, exit codes: packside --help.".to_owned()
    } else {
        "Rare options, cautions, exit codes: --help".to_owned()
    };
    command
        .mut_args(|arg| match rare(arg.get_id().as_str()) {
            _ if arg.is_positional() => arg,
            is_rare => grouped(arg).hide_short_help(is_rare),
        })
        .help_template(LAYOUT)
        .before_help(examples)
        .after_help(more)
        .after_long_help(format!("{}\n\n{EXIT_CODES}", cautions()))
}

/// An option at its place in the order, below its heading.
fn grouped(arg: Arg) -> Arg {
    let id = arg.get_id().as_str().to_owned();
    let mut order = 0;
    for (heading, ids) in GROUPS {
        if let Some(place) = ids.iter().position(|known| *known == id) {
            let arg = arg.help_heading(heading).display_order(order + place);
            let takes_value = matches!(arg.get_action(), ArgAction::Set | ArgAction::Append);
            return arg
                .hide_possible_values(takes_value)
                .hide_default_value(takes_value);
        }
        order += ids.len();
    }
    arg
}

/// Where what an example does stands beside it.
const COLUMN: usize = 46;

fn examples(name: &str) -> String {
    let of = EXAMPLES.iter().find(|(command, _)| *command == name);
    let Some((_, examples)) = of else {
        return String::new();
    };
    let mut text = match examples {
        [_] => "Example:".to_owned(),
        _ => "Examples:".to_owned(),
    };
    for (line, what) in *examples {
        let room = if line.len() < COLUMN { COLUMN } else { 0 };
        text.push_str(format!("\n  {line:room$}  {what}").trim_end());
    }
    text
}

/// The cautions, folded once to the width of this terminal.
fn cautions() -> String {
    let before = paper::paper();
    let width = out::paper().width.min(80);
    paper::lay(paper::Paper { width, ..before });
    let mut text = String::new();
    for paragraph in CAUTIONS {
        paper::wrap(&mut text, paragraph, "", "");
    }
    paper::lay(before);
    text.trim_end().to_owned()
}

/// One screen about a command, by its words; none are the tool itself.
///
/// # Errors
/// Where there is no such command.
pub(super) fn of(command: &Command, words: &[Foreign]) -> Result<String, Failure> {
    let mut built = command.clone();
    built.build();
    let mut found = named("help", &built, words)?.clone();
    Ok(found.render_help().to_string())
}

/// The command that these words name.
///
/// # Errors
/// Where there is none; `asked` is who wants to know.
pub(super) fn named<'c>(
    asked: &str,
    command: &'c Command,
    words: &[Foreign],
) -> Result<&'c Command, Failure> {
    words.iter().try_fold(command, |command, word| {
        command.find_subcommand(word.as_given()).ok_or_else(|| {
            let known: Vec<&str> = command.get_subcommands().map(Command::get_name).collect();
            let known = known.join(", ");
            let found = word.clean();
            let message = format!("{asked}: expected a command ({known}), found \"{found}\"");
            failure(USAGE, "usage", message, None)
        })
    })
}

#[cfg(test)]
mod tests {
    use std::ffi::OsString;

    use super::super::{definition, understood};
    use super::*;

    /// Most lines of a screen of help.
    // Kind: common practice (a terminal of 40 rows)
    const SCREEN: usize = 40;

    /// What a person types is text of others, and no argument keeps it as a text of ours.
    #[test]
    fn no_argument_is_a_plain_text() {
        fn check(command: &Command) {
            let plain = std::any::TypeId::of::<String>();
            for argument in command.get_arguments() {
                let is_plain = argument.get_action().takes_values()
                    && argument.get_value_parser().type_id() == plain;
                assert!(!is_plain, "{}: {}", command.get_name(), argument.get_id());
            }
            command.get_subcommands().for_each(check);
        }
        check(&definition());
    }

    // Kind: derived (from the promise of one screen)
    #[test]
    fn short_help_of_each_command_is_one_screen() {
        let all = definition();
        let mut own: Vec<Vec<Foreign>> = vec![Vec::new()];
        for command in all.get_subcommands() {
            own.push(vec![command.get_name().into()]);
            let below = command.get_subcommands();
            own.extend(below.map(|sub| vec![command.get_name().into(), sub.get_name().into()]));
        }
        for words in own {
            let text = of(&all, &words).unwrap();
            let widest = text.lines().map(paper::columns).max().unwrap_or_default();
            assert!(widest <= 80, "{words:?}: {widest} columns\n{text}");
            let lines = text.lines().count();
            assert!(lines <= SCREEN, "{words:?}: {lines} lines\n{text}");
        }
    }

    // Kind: invented
    #[test]
    fn every_example_is_a_command() {
        for (_, examples) in EXAMPLES {
            for (line, _) in examples {
                let quoted = |(index, part): (usize, &str)| match index % 2 {
                    0 => part.split_whitespace().map(OsString::from).collect(),
                    _ => vec![OsString::from(part)],
                };
                let typed: Vec<OsString> = line.split('"').enumerate().flat_map(quoted).collect();
                let read = understood(typed);
                assert!(
                    read.is_ok(),
                    "{line}: {:?}",
                    read.err().map(|e| e.to_string())
                );
            }
        }
    }
}
