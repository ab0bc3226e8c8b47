//! A whole film reduced to squares, each laid on its place in the first picture and as bright as there.
//!
//! # Invariants
//! - At most [`MOST_CELLS`] squares of all frames are kept; what comes after is not looked at, and that is said.

use super::grid::Grid;
use super::motion::{FirstPicture, Pose};
use super::y4m::{FilmFrame, FilmShape};
use crate::lamp::numbers::{nearest, small};

/// Squares of all frames kept: about 100 MB, 50 s of a large film at 30 frames a second.
const MOST_CELLS: usize = 24_000_000;
/// A level in parts of this.
const PARTS: f32 = 64.0;
/// No level.
const MISSING: u16 = u16::MAX;
/// A picture differs from one that was repeated by less than this share of what pictures differ by.
const REPEATED: f64 = 0.1;
/// Noise differs by no less than this share of what it usually does.
const EVEN_NOISE: f64 = 0.5;
/// Where pictures do not differ at all nobody can tell that one was repeated.
const LEAST_DIFFERENCE: f64 = 0.05;

/// The film so far.
pub(super) struct FilmHistory {
    pub(super) grid: Grid,
    shape: FilmShape,
    still: Option<FirstPicture>,
    pose: Pose,
    levels: Vec<u16>,
    /// Blue and red difference of each square.
    colours: Vec<[u8; 2]>,
    pub(super) frames: usize,
    /// Frames that show another scene.
    pub(super) lost: usize,
    /// The farthest it moved, in pixels.
    pub(super) moved: f64,
    before: Vec<f32>,
    /// How much each frame differs from the one before.
    differs: Vec<f64>,
}

impl FilmHistory {
    pub(super) fn new(shape: FilmShape) -> Self {
        Self {
            grid: Grid::of(&shape),
            shape,
            still: None,
            pose: Pose::STILL,
            levels: Vec::new(),
            colours: Vec::new(),
            frames: 0,
            lost: 0,
            moved: 0.0,
            before: Vec::new(),
            differs: Vec::new(),
        }
    }

    /// Whether more would be too much.
    pub(super) fn is_full(&self) -> bool {
        self.levels.len() + self.grid.cells() > MOST_CELLS
    }

    pub(super) fn push(&mut self, frame: &FilmFrame<'_>) {
        let sharp: Vec<f32> = self.grid.luma(frame, &self.shape);
        let differs = sharp.iter().zip(&self.before);
        let differs: f64 = differs
            .map(|(now, before)| f64::from((now - before).abs()))
            .sum();
        self.differs.push(differs / small(self.grid.cells()));
        // What is finer than a square would seem to move by itself.
        let plain = self.grid.smooth(&sharp);
        let pose = match &self.still {
            None => {
                self.still = Some(FirstPicture::of(self.grid, plain.clone()));
                Some(Pose::STILL)
            }
            Some(still) => still.pose_of(&plain, &self.pose),
        };
        self.before = sharp;
        self.frames += 1;
        match pose {
            Some(pose) => {
                self.pose = pose;
                self.keep(frame, &pose);
            }
            None => {
                self.lost += 1;
                let cells = self.grid.cells();
                self.levels.extend(std::iter::repeat_n(MISSING, cells));
                self.colours.extend(std::iter::repeat_n([128; 2], cells));
            }
        }
    }

    /// Keeps the squares where they lie in the first picture.
    fn keep(&mut self, frame: &FilmFrame<'_>, pose: &Pose) {
        let side = small(self.grid.side);
        let (right, down) = (side * pose.right, side * pose.down);
        self.moved = self.moved.max(right.hypot(down));
        let moved = (nearest(right), nearest(down));
        let own = |level: f32| (f64::from(level) - pose.lift) / pose.gain;
        let kept = self.grid.moved(frame, &self.shape, moved);
        self.levels.extend(
            kept.iter()
                .map(|level| level.map_or(MISSING, |level| packed(own(level)))),
        );
        let cells = self.grid.cells();
        match self.grid.colours(frame, &self.shape, moved) {
            Some([blue, red]) => {
                let pairs = blue.iter().zip(&red);
                self.colours
                    .extend(pairs.map(|(blue, red)| [*blue, *red].map(byte)));
            }
            None => self.colours.extend(std::iter::repeat_n([128; 2], cells)),
        }
    }

    /// Whether it has colour at all.
    pub(super) fn has_colour(&self) -> bool {
        self.shape.colour.is_some()
    }

    /// The level of a square in a frame.
    pub(super) fn level(&self, frame: usize, cell: usize) -> Option<f32> {
        let packed = *self.levels.get(frame * self.grid.cells() + cell)?;
        (packed != MISSING).then(|| f32::from(packed) / PARTS)
    }

    /// The colour of a square in a frame: blue and red difference.
    pub(super) fn colour(&self, frame: usize, cell: usize) -> [f32; 2] {
        let pair = self.colours.get(frame * self.grid.cells() + cell);
        pair.map_or([0.0; 2], |pair| pair.map(|part| f32::from(part) - 128.0))
    }

    /// All squares of a frame, missing ones as nothing.
    pub(super) fn frame(&self, frame: usize) -> impl Iterator<Item = Option<f32>> {
        let cells = self.grid.cells();
        let packed = self
            .levels
            .get(frame * cells..(frame + 1) * cells)
            .unwrap_or_default();
        packed
            .iter()
            .map(|packed| (*packed != MISSING).then(|| f32::from(*packed) / PARTS))
    }

    /// Frames that repeat the one before: the camera, or what wrote the file, had no other.
    ///
    /// Told only where frames differ by noise, about alike. A film without noise does not change while nothing
    /// happens, and where only something that moves makes a difference nothing follows from there being none.
    pub(super) fn repeated(&self) -> Vec<bool> {
        let mut differs: Vec<f64> = self.differs.iter().skip(1).copied().collect();
        differs.retain(|differs| *differs > LEAST_DIFFERENCE);
        differs.sort_by(f64::total_cmp);
        let typical = differs.get(differs.len() / 2).copied().unwrap_or_default();
        let low = differs.get(differs.len() / 8).copied().unwrap_or_default();
        let is_noisy = 5 * differs.len() > 2 * self.differs.len() && low > EVEN_NOISE * typical;
        let is_repeated =
            |(at, differs): (usize, &f64)| at > 0 && is_noisy && *differs < REPEATED * typical;
        self.differs.iter().enumerate().map(is_repeated).collect()
    }
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "clamped right here"
)]
fn packed(level: f64) -> u16 {
    // Dark stays above 0 where a camera that sets itself makes it darker.
    ((level + 64.0) * f64::from(PARTS)).clamp(0.0, 65_534.0) as u16
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "clamped right here"
)]
fn byte(level: Option<f32>) -> u8 {
    level.unwrap_or(128.0).clamp(0.0, 255.0) as u8
}
