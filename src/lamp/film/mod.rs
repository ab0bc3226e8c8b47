//! Finds the lamps that blink in a film, and says what each does.
//!
//! In: bytes of a film. Out: a [`Footage`]: places, colours, what was seen of each, and a still of the first
//! picture. Does not: open a file, know a register map, or find a lamp that does not change.
//!
//! # Invariants
//! - The film is read once, frame by frame; memory is bounded (`history`).
//! - A lamp that was out of the picture, a picture that was lost, frames that were repeated are not filled in:
//!   those moments have no sample.

mod colour;
mod grid;
mod history;
mod motion;
mod places;
mod y4m;

pub use colour::{FilmStill, LampColour};
pub use y4m::{FilmProblem, FilmShape};

use std::io::BufRead;

use super::brightness::find_edges;
use super::numbers::small;
use super::seen::LampSeen;
use history::FilmHistory;
use places::Spot;
use y4m::FilmReader;

/// Frames of a film at least.
const LEAST_FRAMES: usize = 30;
/// A lamp must be in the picture for so long at a time.
const LEAST_WATCHED_MS: f64 = 2000.0;
/// Where a lamp is away for longer, what comes before and after is apart.
const LONGEST_GAP_MS: f64 = 150.0;

/// What a film shows.
#[derive(Debug, Clone, PartialEq)]
pub struct Footage {
    /// Size and rate.
    pub shape: FilmShape,
    /// How long it was looked at, ms.
    pub watched_ms: f64,
    /// Whether it went on for longer.
    pub went_on: bool,
    /// The places that blink, the strongest first.
    pub lamps: Vec<FilmedLamp>,
    /// Frames that were the one before again.
    pub repeated: usize,
    /// Frames that show another scene.
    pub lost: usize,
    /// The farthest the picture moved, in pixels.
    pub moved: f64,
    /// The first picture.
    pub still: FilmStill,
}

/// A place that blinks.
#[derive(Debug, Clone, PartialEq)]
pub struct FilmedLamp {
    /// Left, top, right and bottom in pixels of the first picture.
    pub frame: [usize; 4],
    /// Its colour, if that tells.
    pub colour: Option<LampColour>,
    /// How far its brightness switches, in levels of 255.
    pub swing: f32,
    /// What was seen of it; nothing if it was not in the picture for long enough.
    pub seen: Option<LampSeen>,
    /// How long it was in the picture, ms.
    pub watched_ms: f64,
    /// Whether it left the picture, or the picture was lost.
    pub went_away: bool,
}

/// Reads a film. `progress` is told the time read so far, ms, after each frame.
///
/// # Errors
/// What is no film, makes no sense, is cut off or too short.
pub fn read_film(
    input: impl BufRead,
    mut progress: impl FnMut(f64),
) -> Result<Footage, FilmProblem> {
    let mut reader = FilmReader::open(input)?;
    let shape = reader.shape();
    let mut history = FilmHistory::new(shape);
    let mut still = None;
    let mut went_on = false;
    while let Some(frame) = reader.next()? {
        if history.is_full() {
            went_on = true;
            break;
        }
        if still.is_none() {
            still = Some(colour::picture(&frame, &shape));
        }
        history.push(&frame);
        progress(small(history.frames) * shape.frame_ms);
    }
    let (needed, found) = (LEAST_FRAMES, history.frames);
    let still = still.filter(|_| found >= needed);
    let still = still.ok_or(FilmProblem::TooShort { needed, found })?;
    let repeated = history.repeated();
    let lamps = places::find(&history)
        .iter()
        .map(|spot| filmed(&history, spot, &shape, &repeated))
        .collect();
    Ok(Footage {
        shape,
        watched_ms: small(found) * shape.frame_ms,
        went_on,
        lamps,
        repeated: repeated.iter().filter(|repeated| **repeated).count(),
        lost: history.lost,
        moved: history.moved,
        still,
    })
}

/// Whatever bytes arrive, reading them as a film must end and not panic: the entry for fuzzing. Gives back
/// whether they were one.
#[must_use]
pub fn read_any_film(bytes: &[u8]) -> bool {
    read_film(bytes, |_| {}).is_ok()
}

/// What was seen of one place.
fn filmed(history: &FilmHistory, spot: &Spot, shape: &FilmShape, repeated: &[bool]) -> FilmedLamp {
    let samples: Vec<(f64, f64)> = spot
        .samples
        .iter()
        .filter(|(frame, _)| !repeated.get(*frame).copied().unwrap_or(false))
        .map(|(frame, level)| (small(*frame) * shape.frame_ms, f64::from(*level)))
        .collect();
    let longest_gap = LONGEST_GAP_MS.max(4.5 * shape.frame_ms);
    let parts = samples.chunk_by(|before, after| after.0 - before.0 <= longest_gap);
    let longest = parts.max_by_key(|part| part.len()).unwrap_or_default();
    let watched_ms = match longest {
        [first, .., last] => last.0 - first.0,
        _ => 0.0,
    };
    let grid = history.grid;
    let places = || spot.cells.iter().map(|cell| grid.place(*cell));
    let columns = places().map(|place| place.0);
    let rows = places().map(|place| place.1);
    let side = grid.side;
    let least = |numbers: &mut dyn Iterator<Item = usize>| numbers.min().unwrap_or_default();
    let most = |numbers: &mut dyn Iterator<Item = usize>| numbers.max().unwrap_or_default();
    FilmedLamp {
        frame: [
            side * least(&mut columns.clone()),
            side * least(&mut rows.clone()),
            side * (most(&mut columns.clone()) + 1),
            side * (most(&mut rows.clone()) + 1),
        ],
        colour: LampColour::of(spot.shine).filter(|_| history.has_colour()),
        swing: spot.swing,
        seen: (watched_ms >= LEAST_WATCHED_MS).then(|| find_edges(longest)),
        watched_ms,
        went_away: longest.len() < samples.len() * 9 / 10
            || spot.samples.len() < history.frames * 9 / 10,
    }
}
