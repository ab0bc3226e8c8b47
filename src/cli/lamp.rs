//! `packside lamp`: what a blinking lamp means, from taps, a description, a film or a brightness trace.
//!
//! In: words, a file, or keys on a terminal. Out: the recognised pattern, what it means under a profile,
//! what it is worth for the verdict, and the next step; or the same as JSON.
//!
//! # Invariants
//! - A standard gives a pattern its name, never its meaning for a battery: meaning comes from the profile,
//!   else it is unknown.
//! - Dark never means sound, and no lamp alone proves a unit sound.

mod film;
mod keys;
mod page;
mod picture;
mod sight;
mod taps;

use std::path::{Path, PathBuf};

use clap::Args;
use packside_profiles::model::Profile;
use packside_profiles::{Foreign, clean};

use sight::{How, LampAnswer, LampSight};

use super::args::ConfigArg;
use super::failure::{LOCAL, USAGE, failure};
use super::out;
use super::prompt::{self, Typed};
use crate::lamp::{Meaning, Pattern, meanings_together, patterns, rank, read_trace, read_words};
use crate::show::json;
use crate::visit::Lamps;

/// Exit code where what was seen does not suffice.
const NOT_ENOUGH: u8 = 6;
/// Exit code after Ctrl-C before anything was recognised.
const INTERRUPTED: u8 = 130;
/// The lamp that is meant where none is named.
const USUAL_LAMP: &str = "fault";

/// Arguments of `lamp`.
#[derive(Debug, Clone, Args)]
pub struct LampArgs {
    /// What was seen, in words (repeatable)
    ///
    /// "steady", "3 flashes, pause", "on 0.2 off 1.0" (seconds). Where there are several lamps, the lamp before it:
    /// "power: steady".
    #[arg(long, value_name = "TEXT", conflicts_with = "trace")]
    pub seen: Vec<Foreign>,
    /// A brightness trace: lines of seconds,level
    ///
    /// `-` reads standard input.
    #[arg(long, value_name = "FILE|-")]
    pub trace: Option<PathBuf>,
    /// A film of the unit; blinking lamps are found
    ///
    /// Y4M, or anything that ffmpeg reads; `-` reads Y4M from standard input.
    #[arg(long, value_name = "FILE|-", conflicts_with_all = ["seen", "trace"])]
    pub film: Option<PathBuf>,
    /// A still of the film, the lamps marked
    #[arg(long, value_name = "OUT.png", requires = "film")]
    pub picture: Option<PathBuf>,
    /// Register map that says what its lamps mean
    #[arg(long, value_name = "NAME|FILE")]
    pub profile: Option<Foreign>,
    /// Which lamp of the map [default: fault]
    #[arg(long, value_name = "LAMP", requires = "profile", default_value = USUAL_LAMP)]
    pub lamp: Foreign,
    /// Folder with own files.
    #[command(flatten)]
    config: ConfigArg,
}

/// The answer as JSON.
fn object(answer: &LampAnswer<'_>) -> json::lamp::Answer {
    let lamp = |sight: &LampSight| json::lamp::Lamp {
        place: sight.place.as_ref().map(film::place_object),
        ..json::lamp::Lamp::of(&sight.lamp, &sight.ranking, &sight.edges, sight.watched_ms)
    };
    let lamps = answer.sights.iter().map(lamp).collect();
    json::lamp::Answer {
        film: answer.film.as_ref().map(film::film_object),
        ..json::lamp::Answer::new(answer.profile, lamps, &answer.meanings, page::next(answer))
    }
}

/// An error text and its exit code.
type Refused = (String, u8);

/// Runs the command: stdout, stderr, exit code.
pub fn run(args: &LampArgs, as_json: bool, colour: bool) -> (String, String, u8) {
    answer(args, as_json, colour).unwrap_or_else(|(text, exit)| {
        let stdout = if as_json {
            let kind = if exit == USAGE { "usage" } else { "local" };
            failure(exit, kind, text.clone(), None).object(Some("lamp"))
        } else {
            String::new()
        };
        (stdout, format!("error: {text}"), exit)
    })
}

fn answer(args: &LampArgs, as_json: bool, colour: bool) -> Result<(String, String, u8), Refused> {
    let config = args.config.folder();
    let found = args
        .profile
        .as_ref()
        .map(|name| packside_profiles::find(name.as_given(), config.as_deref()));
    let found = found
        .transpose()
        .map_err(|error| (error.to_string(), LOCAL))?;
    let profile = found.as_ref().map(|found| &found.profile);
    let lamp = args.lamp.as_given();
    if let Some(profile) = profile.filter(|_| args.film.is_none()) {
        known_lamp(profile, lamp).map_err(|text| (format!("--lamp: {text}"), USAGE))?;
    }
    let known = patterns(profile);
    let mut about = None;
    let sights = match (&args.trace, args.seen.is_empty()) {
        _ if args.film.is_some() => {
            let path = args.film.as_deref().unwrap_or(Path::new("-"));
            let (places, of_film) = film::watch(path, args.picture.as_deref(), profile, &known)?;
            about = Some(of_film);
            places.into_iter().map(LampSight::filmed).collect()
        }
        (Some(path), _) => vec![brightness(path, lamp, &known)?],
        (None, false) => describe(&args.seen, lamp, profile, &known)?,
        (None, true) => match tapped(lamp, &known)? {
            Some(sight) => vec![sight],
            None => return Ok((String::new(), "nothing recognised".to_owned(), INTERRUPTED)),
        },
    };
    let answer = LampAnswer {
        meanings: profile
            .map(|profile| meaning_of(profile, &sights))
            .unwrap_or_default(),
        profile,
        profile_name: args.profile.as_ref(),
        patterns: known,
        sights,
        film: about,
    };
    let exit = if answer.enough() { 0 } else { NOT_ENOUGH };
    let text = if as_json {
        json::line(&object(&answer))
    } else {
        page::text(&answer, colour)
    };
    Ok((text, String::new(), exit))
}

/// Codes of the profile that fit every lamp whose pattern is known; none unless all were recognised.
fn meaning_of(profile: &Profile, sights: &[LampSight]) -> Vec<Meaning> {
    let seen: Option<Vec<(String, String)>> = sights
        .iter()
        .map(|sight| Some((sight.lamp.clone(), sight.ranking.latest()?.to_owned())))
        .collect();
    seen.map(|seen| meanings_together(profile, &seen))
        .unwrap_or_default()
}

fn known_lamp(profile: &Profile, lamp: &str) -> Result<(), String> {
    let lamps: Vec<&str> = profile.lamps.iter().map(|lamp| lamp.id.as_str()).collect();
    if lamps.contains(&lamp) {
        return Ok(());
    }
    Err(format!(
        "expected one of {}, found \"{}\"",
        lamps.join(", "),
        clean(lamp)
    ))
}

/// One lamp for every text.
fn describe(
    texts: &[Foreign],
    usual: &str,
    profile: Option<&Profile>,
    known: &[Pattern],
) -> Result<Vec<LampSight>, Refused> {
    let wrong = |text: String| (format!("--seen: {text}"), USAGE);
    let mut sights: Vec<LampSight> = Vec::new();
    for text in texts {
        let (lamp, words) = match text.as_given().split_once(':') {
            Some((lamp, words)) => {
                let lamp = lamp.trim();
                match profile {
                    Some(profile) => known_lamp(profile, lamp).map_err(wrong)?,
                    None => {
                        return Err(wrong(format!(
                            "expected --profile, which knows the lamp \"{}\"",
                            clean(lamp)
                        )));
                    }
                }
                (lamp, words)
            }
            None => (usual, text.as_given()),
        };
        if sights.iter().any(|sight| sight.lamp == lamp) {
            return Err(wrong(format!(
                "expected every lamp once, as in \"power: steady\", found {lamp} again"
            )));
        }
        let told = read_words(words, known).map_err(|problem| wrong(problem.to_string()))?;
        sights.push(LampSight {
            lamp: lamp.to_owned(),
            ranking: told.rank(known),
            edges: told.edges(),
            how: How::Told,
            watched_ms: None,
            place: None,
        });
    }
    Ok(sights)
}

/// The lamp of a brightness trace.
fn brightness(path: &Path, lamp: &str, known: &[Pattern]) -> Result<LampSight, Refused> {
    let unreadable = |error: std::io::Error| {
        (
            format!(
                "{}: cannot be read: {error}",
                packside_profiles::shown(&path)
            ),
            LOCAL,
        )
    };
    let text = if path == Path::new("-") {
        packside_profiles::text_of(std::io::stdin()).map_err(unreadable)?
    } else {
        packside_profiles::read_text(path).map_err(unreadable)?
    };
    let seen = read_trace(&text).map_err(|problem| {
        (
            format!("{}: {problem}", packside_profiles::shown(&path)),
            LOCAL,
        )
    })?;
    Ok(LampSight {
        lamp: lamp.to_owned(),
        ranking: rank(&seen, known),
        watched_ms: Some(seen.to_ms - seen.from_ms),
        edges: seen.edges,
        how: How::Watched,
        place: None,
    })
}

/// Taps on the terminal; nothing if they were broken off before anything was recognised.
fn tapped(lamp: &str, known: &[Pattern]) -> Result<Option<LampSight>, Refused> {
    if !out::interactive() {
        let text = "no terminal to tap on: expected --seen TEXT, --film FILE or --trace FILE";
        return Err((text.to_owned(), USAGE));
    }
    taps::watch(lamp, known).map_err(|error| (format!("the keys cannot be read: {error}"), LOCAL))
}

/// Asks whoever sits at the terminal for the rhythm of a lamp: its id and pattern, if recognised.
pub(crate) fn ask_for_taps(profile: &Profile) -> Option<(String, String)> {
    let usual = profile.lamps.iter().find(|lamp| lamp.id == USUAL_LAMP);
    let lamp = usual.or_else(|| profile.lamps.first())?;
    out::say(&format!(
        "Nothing answers on the wire. The lamp \"{}\" ({}, {}) can still be seen: type y and Enter to tap its rhythm, \
         anything else to go on.",
        lamp.id,
        lamp.colour.clean(),
        lamp.place.clean()
    ));
    if out::answer().as_deref() != Some("y") {
        return None;
    }
    recognised(&lamp.id, &patterns(Some(profile)))
}

/// Asks for the rhythm of one of these lamps at a step of a visit.
pub(crate) fn tap(known: &Lamps) -> Option<(String, String)> {
    let keys: String = ('1'..='9').take(known.lamps.len()).collect();
    let chosen = if known.lamps.len() > 1 {
        for (n, lamp) in (1..).zip(&known.lamps) {
            out::say(&format!("   {n}  {lamp}"));
        }
        match prompt::key("   which lamp > ", &keys) {
            Typed::Text(key) => key.parse::<usize>().ok()?.checked_sub(1)?,
            Typed::Stop => return None,
        }
    } else {
        0
    };
    recognised(known.lamps.get(chosen)?, &known.patterns)
}

/// The pattern tapped, if it is sure.
fn recognised(lamp: &str, known: &[Pattern]) -> Option<(String, String)> {
    let sight = taps::watch(lamp, known).ok()??;
    let name = sight.ranking.name()?;
    out::say(&format!("seen: lamp {lamp} {name}"));
    Some((lamp.to_owned(), name))
}
