//! The lamps of a film: the file, `ffmpeg` where it is needed, which lamp of the map each place may be, and the
//! still that shows what was meant.
//!
//! Does not: find lamps (see [`crate::lamp::read_film`]).
//!
//! # Invariants
//! - `ffmpeg` reads the file that was named and nothing else, never from a network, and ends with the command.

use std::fs::File;
use std::io::{BufRead as _, BufReader, Read as _};
use std::path::Path;
use std::process::{Child, Command, Stdio};

use packside_profiles::model::Profile;

use super::picture;
use crate::cli::failure::LOCAL;
use crate::cli::out;
use crate::lamp::{FilmProblem, FilmedLamp, Footage, Pattern, Ranking, Unclear, rank, read_film};
use crate::show::json::lamp as json;

/// What a film in our own form begins with.
const HEADING: &[u8] = b"YUV4MPEG2";
/// Bytes read at once.
const BLOCK: usize = 1 << 18;
/// Frames are made no wider than this before they are looked at.
const SCALE: &str = "scale=w='min(1280,iw)':h=-2";
/// Seconds of a film that ffmpeg decodes; more would not be looked at.
const MOST_SECONDS: &str = "120";
/// Below so many frames a second a lamp dimmed by pulses can look as if it flickered.
const QUICK_RATE: f64 = 49.0;

/// A place in a film.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct FilmPlace {
    /// Its number in the still, from 1.
    pub(super) number: usize,
    pub(super) lamp: FilmedLamp,
    /// Lamps of the map that it may be.
    pub(super) may_be: Vec<String>,
    /// Pixels of the film.
    pub(super) size: (usize, usize),
}

/// What is said of the film as a whole.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct AboutFilm {
    pub(super) footage: Footage,
    /// Places that change without a rhythm: a hand, a shadow.
    pub(super) others: usize,
}

/// An error text and its exit code.
type Unwatched = (String, u8);

/// One place: the lamp of the map where only that fits, else its number; what it shows; where it lies.
pub(super) type FilmSight = (String, Ranking, FilmPlace);

/// The lamps of a film, with the film.
pub(super) fn watch(
    path: &Path,
    still: Option<&Path>,
    profile: Option<&Profile>,
    known: &[Pattern],
) -> Result<(Vec<FilmSight>, AboutFilm), Unwatched> {
    let footage = footage_of(path)?;
    let mut judged: Vec<(FilmedLamp, Ranking)> = footage
        .lamps
        .iter()
        .map(|lamp| {
            let ranking = lamp.seen.as_ref().map(|seen| rank(seen, known));
            (lamp.clone(), ranking.unwrap_or_else(Ranking::unknown))
        })
        .collect();
    let all = judged.len();
    let clear: Vec<FilmedLamp> = judged
        .iter()
        .filter(|(_, ranking)| ranking.enough)
        .map(|(lamp, _)| lamp.clone())
        .collect();
    if !clear.is_empty() {
        judged.retain(|(lamp, ranking)| {
            ranking.enough || says_something(ranking) && !is_glow_of(lamp, &clear)
        });
    }
    let others = all - judged.len();
    let sights = named(judged, &footage, profile);
    if let Some(still) = still {
        let places: Vec<picture::MarkedPlace> = sights
            .iter()
            .map(|(_, _, place)| (place.lamp.frame, place.number))
            .collect();
        picture::write(still, &footage, &places).map_err(|error| {
            (
                format!(
                    "{}: cannot be written: {error}",
                    packside_profiles::shown(&still)
                ),
                LOCAL,
            )
        })?;
    }
    Ok((sights, AboutFilm { footage, others }))
}

/// Whether a place of no clear rhythm is weak beside a lamp that has one, or lies at its rim and is weaker.
fn is_glow_of(place: &FilmedLamp, clear: &[FilmedLamp]) -> bool {
    let apart = |low: usize, high: usize, low_2: usize, high_2: usize| {
        low.saturating_sub(high_2).max(low_2.saturating_sub(high))
    };
    let [left, top, right, bottom] = place.frame;
    clear.iter().any(|lamp| {
        let [lamp_left, lamp_top, lamp_right, lamp_bottom] = lamp.frame;
        let across = apart(left, right, lamp_left, lamp_right);
        let down = apart(top, bottom, lamp_top, lamp_bottom);
        let size = (lamp_right - lamp_left).max(lamp_bottom - lamp_top);
        place.swing < GLOW * lamp.swing || place.swing < lamp.swing && across.max(down) < size / 2
    })
}

/// A place without a clear rhythm that switches less than this share of a lamp is no lamp.
const GLOW: f32 = 0.2;

/// What is no hand that passes.
fn says_something(ranking: &Ranking) -> bool {
    ranking.unclear.is_some() || ranking.change.is_some() || ranking.first().is_some()
}

/// Each place with the lamps that it may be; the name of one where only that fits.
fn named(
    judged: Vec<(FilmedLamp, Ranking)>,
    footage: &Footage,
    profile: Option<&Profile>,
) -> Vec<FilmSight> {
    let may_be: Vec<Vec<String>> = judged
        .iter()
        .map(|(lamp, ranking)| {
            profile
                .map(|profile| lamps_like(profile, lamp, ranking))
                .unwrap_or_default()
        })
        .collect();
    let sight = |(at, (lamp, ranking)): (usize, (FilmedLamp, Ranking))| {
        let own = may_be.get(at).cloned().unwrap_or_default();
        let claims = may_be.iter().filter(|other| **other == own).count();
        let name = match own.as_slice() {
            [only] if claims == 1 => only.clone(),
            _ => format!("place {}", at + 1),
        };
        let place = FilmPlace {
            number: at + 1,
            lamp,
            may_be: own,
            size: (footage.shape.width, footage.shape.height),
        };
        (name, ranking, place)
    };
    judged.into_iter().enumerate().map(sight).collect()
}

/// Lamps of the map whose colour fits, and among these those that have a code for the pattern, if any has.
fn lamps_like(profile: &Profile, lamp: &FilmedLamp, ranking: &Ranking) -> Vec<String> {
    let fits = |word: &str| lamp.colour.is_none_or(|colour| colour.may_be(word));
    let of_colour: Vec<&str> = profile
        .lamps
        .iter()
        .filter(|known| fits(&known.colour.clean()))
        .map(|known| known.id.as_str())
        .collect();
    let shows = |id: &&&str| {
        let mut codes = profile.lamp_codes.iter();
        codes.any(|code| code.lamps.get(**id).map(String::as_str) == ranking.latest())
    };
    let with_code: Vec<&&str> = of_colour.iter().filter(shows).collect();
    if with_code.is_empty() {
        of_colour.iter().map(|id| (*id).to_owned()).collect()
    } else {
        with_code.iter().map(|id| (**id).to_owned()).collect()
    }
}

fn footage_of(path: &Path) -> Result<Footage, Unwatched> {
    let shown = packside_profiles::shown(path);
    let refused = |problem: FilmProblem| (format!("{shown}: {problem}"), LOCAL);
    let mut said = 0.0;
    let mut progress = |ms: f64| {
        if ms - said >= 500.0 {
            said = ms;
            out::status(&format!("{:.1} s of film read", ms / 1000.0));
        }
    };
    let footage = if path == Path::new("-") {
        read_film(BufReader::with_capacity(BLOCK, std::io::stdin()), &mut progress).map_err(|problem| {
            let hint = "standard input takes YUV4MPEG2 only: ffmpeg -i FILE -f yuv4mpegpipe - | packside lamp --film -";
            let (text, exit) = refused(problem);
            (format!("{text}\nhint: {hint}"), exit)
        })
    } else {
        let file = File::open(path).map_err(|error| refused(error.into()))?;
        let mut file = BufReader::with_capacity(BLOCK, file);
        let begins = file.fill_buf().map_err(|error| refused(error.into()))?;
        if begins.starts_with(HEADING) {
            read_film(file, &mut progress).map_err(refused)
        } else {
            through_ffmpeg(path, &shown, &mut progress)
        }
    };
    out::status("");
    footage
}

/// Ends the program it holds, whatever happens.
struct RunningDecoder(Child);

impl Drop for RunningDecoder {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

fn through_ffmpeg(
    path: &Path,
    shown: &str,
    progress: &mut dyn FnMut(f64),
) -> Result<Footage, Unwatched> {
    let mut file = std::ffi::OsString::from("file:");
    file.push(path);
    let started = Command::new("ffmpeg")
        .args([
            "-v",
            "error",
            "-nostdin",
            "-protocol_whitelist",
            "file",
            "-t",
            MOST_SECONDS,
            "-i",
        ])
        .arg(file)
        .args([
            "-map", "0:v:0", "-an", "-sn", "-vf", SCALE, "-pix_fmt", "yuv420p",
        ])
        .args(["-f", "yuv4mpegpipe", "pipe:1"])
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn();
    let mut running = match started {
        Ok(child) => RunningDecoder(child),
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => {
            let text = format!(
                "{shown}: expected a YUV4MPEG2 film, or ffmpeg to read any other, found no ffmpeg\n\
                 hint: install ffmpeg (Debian: apt-get install ffmpeg), or film the brightness and use --trace"
            );
            return Err((text, LOCAL));
        }
        Err(error) => return Err((format!("ffmpeg: cannot be started: {error}"), LOCAL)),
    };
    let (film, errors) = (running.0.stdout.take(), running.0.stderr.take());
    let complaint = std::thread::spawn(move || {
        let mut text = Vec::new();
        let read = errors.map(|errors| errors.take(4096).read_to_end(&mut text));
        drop(read);
        String::from_utf8_lossy(&text).into_owned()
    });
    let Some(film) = film else {
        return Err(("ffmpeg: gave no film".to_owned(), LOCAL));
    };
    let footage = read_film(BufReader::with_capacity(BLOCK, film), progress);
    drop(running);
    footage.map_err(|problem| {
        let complaint = complaint.join().unwrap_or_default();
        let last = complaint
            .lines()
            .last()
            .map(|line| packside_profiles::clean(line).into_owned());
        let why = match (&problem, last) {
            (FilmProblem::NoHeading, Some(line)) => format!("ffmpeg finds no film in it: {line}"),
            (_, Some(line)) => format!("{problem}; ffmpeg says: {line}"),
            (_, None) => problem.to_string(),
        };
        (format!("{shown}: {why}"), LOCAL)
    })
}

/// Where a place lies, its colour, and what it may be.
pub(super) fn where_it_is(place: &FilmPlace) -> String {
    let [left, top, right, bottom] = place.lamp.frame;
    let (width, height) = place.size;
    let share = |from: usize, to: usize, all: usize| 50 * (from + to) / all.max(1);
    let mut text = format!(
        "place {}: {} % from the left, {} % from the top",
        place.number,
        share(left, right, width),
        share(top, bottom, height)
    );
    if let Some(colour) = place.lamp.colour {
        text.push_str(&format!(", {}", colour.id()));
    }
    match place.may_be.as_slice() {
        [] => {}
        [only] => text.push_str(&format!("; may be lamp \"{only}\"")),
        several => text.push_str(&format!("; may be one of the lamps {}", several.join(", "))),
    }
    text
}

/// What a person should know of this place.
pub(super) fn remark(place: &FilmPlace, ranking: &Ranking, frame_ms: f64) -> Option<String> {
    let rate = 1000.0 / frame_ms;
    if place.lamp.seen.is_none() {
        return Some(format!(
            "It was in the picture for {:.1} s at a time: too short to tell.",
            place.lamp.watched_ms / 1000.0
        ));
    }
    if ranking.unclear.is_none() && ranking.latest() == Some("flickering") && rate < QUICK_RATE {
        return Some(format!(
            "At {rate:.0} frames a second a lamp dimmed by pulses can look so: the eye, or a film at 60, tells."
        ));
    }
    place.lamp.went_away.then(|| {
        format!(
            "It left the picture or the picture was lost: judged by {:.1} s without a gap.",
            place.lamp.watched_ms / 1000.0
        )
    })
}

/// One line about the film.
pub(super) fn about(about: &AboutFilm) -> String {
    let footage = &about.footage;
    let shape = footage.shape;
    let mut text = format!(
        "Film: {:.1} s, {:.4} frames a second, {} x {} pixels",
        footage.watched_ms / 1000.0,
        1000.0 / shape.frame_ms,
        shape.width,
        shape.height
    );
    if footage.went_on {
        text.push_str(", its beginning only");
    }
    if footage.moved >= 2.0 {
        text.push_str(&format!(", moved by up to {:.0} pixels", footage.moved));
    }
    for (count, what) in [
        (footage.repeated, "frames repeated"),
        (footage.lost, "frames of another scene"),
        (about.others, "more places change without a rhythm"),
    ] {
        if count > 0 {
            text.push_str(&format!(", {count} {what}"));
        }
    }
    text
}

/// The film as JSON.
pub(super) fn film_object(about: &AboutFilm) -> json::Film {
    let footage = &about.footage;
    json::Film {
        watched_s: (footage.watched_ms / 10.0).round() / 100.0,
        frames_per_s: (1e5 / footage.shape.frame_ms).round() / 100.0,
        width: footage.shape.width,
        height: footage.shape.height,
        went_on: footage.went_on,
        repeated: footage.repeated,
        lost: footage.lost,
        moved_px: footage.moved.round(),
        others: about.others,
    }
}

/// A place as JSON.
pub(super) fn place_object(place: &FilmPlace) -> json::PlaceInFilm {
    let [left, top, right, bottom] = place.lamp.frame;
    json::PlaceInFilm {
        number: place.number,
        left,
        top,
        right,
        bottom,
        colour: place.lamp.colour.map(crate::lamp::LampColour::id),
        may_be: place.may_be.clone(),
        went_away: place.lamp.went_away,
    }
}

/// What to do with a place that is not sure.
pub(super) fn again(ranking: &Ranking) -> String {
    let quick = matches!(
        ranking.unclear,
        Some(Unclear::TooQuick | Unclear::SlowEdges)
    );
    if quick {
        "look at it with the eye, or film at another frame rate; then packside lamp --seen TEXT"
            .to_owned()
    } else {
        "film it for 10 s from near, held still, the lamp not too bright; or tap it: packside lamp"
            .to_owned()
    }
}
