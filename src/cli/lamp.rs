//! `packside lamp`: what a blinking lamp means, from a description or a brightness trace.
//!
//! A standard gives a pattern its name, never its meaning for a battery: meaning comes from the
//! profile, else it is unknown. Dark never means sound.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use clap::Args;
use packside_profiles::Profile;
use serde_json::json;

use super::{LOCAL, USAGE, screen};
use crate::lamp::{Meaning, Pattern, Ranking, meanings, patterns, rank, read_trace, read_words};

/// Exit code where what was seen does not suffice.
const NOT_ENOUGH: u8 = 6;
/// Columns of the picture of a pattern.
const PICTURE: u32 = 60;
/// Time that one column stands for, ms.
const COLUMN_MS: u32 = 50;

/// Arguments of `lamp`.
#[derive(Debug, Clone, Args)]
#[command(
    after_help = "Examples:\n  packside lamp --seen \"3 flashes, pause\"\n  packside lamp --seen \"on 0.2 off 1.0\" \
                        --profile generic-hv-stack --lamp fault\n  packside lamp --trace brightness.csv\n\nDark never \
                        means sound, and no lamp alone proves a unit sound."
)]
pub struct LampArgs {
    /// What was seen, in words: "steady", "blinking", "3 flashes, pause", "on 0.2 off 1.0" (seconds)
    #[arg(
        long,
        value_name = "TEXT",
        conflicts_with = "trace",
        required_unless_present = "trace"
    )]
    pub seen: Option<String>,
    /// A brightness trace: lines of seconds,level; `-` reads standard input
    #[arg(long, value_name = "FILE|-")]
    pub trace: Option<PathBuf>,
    /// Register map that says what its lamps mean
    #[arg(long, value_name = "NAME|FILE")]
    pub profile: Option<String>,
    /// Which lamp of the profile
    #[arg(
        long,
        value_name = "LAMP",
        requires = "profile",
        default_value = "fault"
    )]
    pub lamp: String,
}

/// Runs the command: stdout, stderr, exit code.
pub fn run(args: &LampArgs, as_json: bool, _colour: bool) -> (String, String, u8) {
    let profile = match args
        .profile
        .as_deref()
        .map(|name| packside_profiles::find(name, None))
    {
        None => None,
        Some(Ok(loaded)) => Some(loaded.profile),
        Some(Err(error)) => return (String::new(), format!("error: {error}"), LOCAL),
    };
    let profile = profile.as_ref();
    if let Some(known) = profile.filter(|p| !p.lamps.iter().any(|lamp| lamp.id == args.lamp)) {
        let lamps: Vec<&str> = known.lamps.iter().map(|lamp| lamp.id.as_str()).collect();
        let text = format!(
            "error: --lamp: expected one of {}, found \"{}\"",
            lamps.join(", "),
            args.lamp
        );
        return (String::new(), text, USAGE);
    }
    let known = patterns(profile);
    let ranking = match ranking(args, &known) {
        Ok(ranking) => ranking,
        Err((text, exit)) => return (String::new(), format!("error: {text}"), exit),
    };
    let found = ranking.first().map(|first| first.id.clone());
    let meanings = match (profile, &found) {
        (Some(profile), Some(pattern)) => meanings(profile, &args.lamp, pattern),
        _ => Vec::new(),
    };
    let exit = if ranking.enough { 0 } else { NOT_ENOUGH };
    let text = if as_json {
        json_line(&ranking, &meanings)
    } else {
        page(args, profile, &ranking, &known, &meanings)
    };
    (text, String::new(), exit)
}

fn ranking(args: &LampArgs, known: &[Pattern]) -> Result<Ranking, (String, u8)> {
    if let Some(text) = &args.seen {
        let described =
            read_words(text, known).map_err(|problem| (format!("--seen: {problem}"), USAGE))?;
        return Ok(described.rank(known));
    }
    let path = args.trace.as_deref().unwrap_or(Path::new("-"));
    let unreadable = |error: std::io::Error| {
        (
            format!("{}: cannot be read: {error}", path.display()),
            LOCAL,
        )
    };
    let text = if path == Path::new("-") {
        std::io::read_to_string(std::io::stdin()).map_err(unreadable)?
    } else {
        std::fs::read_to_string(path).map_err(unreadable)?
    };
    let seen =
        read_trace(&text).map_err(|problem| (format!("{}: {problem}", path.display()), LOCAL))?;
    Ok(rank(&seen, known))
}

/// Schema `packside.lamp/1`.
fn json_line(ranking: &Ranking, meanings: &[Meaning]) -> String {
    let shown = ranking.ranked.iter().filter(|one| one.probability >= 0.001);
    let object = json!({
        "schema": "packside.lamp/1",
        "patterns": shown.map(|one| json!({ "id": one.id, "probability": one.probability })).collect::<Vec<_>>(),
        "none_of_these": ranking.other,
        "enough": ranking.enough,
        "period_s": ranking.first().and_then(|one| one.period_ms).map(|ms| ms / 1000.0),
        "meanings": meanings.iter().map(|m| json!({
            "code": m.code, "meaning": m.meaning, "flags": m.flags, "any_alarm": m.any_alarm,
            "states": m.states, "if_also": m.if_also,
        })).collect::<Vec<_>>(),
    });
    format!("{object}\n")
}

fn page(
    args: &LampArgs,
    profile: Option<&Profile>,
    ranking: &Ranking,
    known: &[Pattern],
    meanings: &[Meaning],
) -> String {
    let mut out = String::new();
    match ranking.first() {
        None => {
            let _ = writeln!(out, "NONE OF THE KNOWN PATTERNS");
        }
        Some(first) => {
            let sure = if ranking.enough {
                "recognised"
            } else {
                "not sure enough"
            };
            let _ = writeln!(out, "{}  ({sure})", first.id.to_uppercase());
            for one in ranking.leaders() {
                if let Some(pattern) = known.iter().find(|p| p.id == one.id) {
                    let _ = writeln!(out, "  {:<17} {}", one.id, picture(pattern));
                }
            }
            let _ = writeln!(
                out,
                "  {:<17} one mark = {:.2} s",
                "",
                f64::from(COLUMN_MS) / 1000.0
            );
        }
    }
    let _ = writeln!(out, "\nWhat it means");
    if meanings.is_empty() {
        let unknown = if profile.is_some() {
            "unknown: this profile gives the pattern no meaning on this lamp"
        } else {
            "unknown: a standard gives a pattern its name, its meaning comes from the unit's profile (--profile)"
        };
        screen::wrap(&mut out, unknown, "  ", "  ");
    }
    for meaning in meanings {
        let also: Vec<String> = meaning
            .if_also
            .iter()
            .map(|(lamp, pattern)| format!("{lamp} {pattern}"))
            .collect();
        let also = if also.is_empty() {
            String::new()
        } else {
            format!(" (if also: {})", also.join(", "))
        };
        screen::wrap(
            &mut out,
            &format!("{}{also}", meaning.meaning),
            "  - ",
            "    ",
        );
    }
    screen::wrap(
        &mut out,
        "This alone does not prove the unit sound, and dark never means sound.",
        "  ",
        "  ",
    );
    let name = args.profile.as_deref().unwrap_or("NAME");
    let next = match (ranking.enough, ranking.first()) {
        (true, Some(first)) => format!(
            "next: packside check --serial PORT --profile {name} --lamp {}={}",
            args.lamp, first.id
        ),
        _ => "next: watch at least five seconds more and describe it again".to_owned(),
    };
    let _ = writeln!(out, "\n{next}");
    out
}

/// A pattern as a line of time.
fn picture(pattern: &Pattern) -> String {
    if pattern.is_steady() {
        let mark = if pattern.id == "off" { "·" } else { "█" };
        return mark.repeat(PICTURE as usize);
    }
    let period = pattern.period_ms().max(1);
    (0..PICTURE)
        .map(|column| {
            // The middle of the column decides.
            let at = (column * COLUMN_MS + COLUMN_MS / 2) % period;
            if pattern.is_on_at(at) { '█' } else { '·' }
        })
        .collect()
}
