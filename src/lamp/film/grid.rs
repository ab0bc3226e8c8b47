//! Means of small squares of pixels: what a film is reduced to.
//!
//! Does not: know what moves or blinks.

use super::y4m::{FilmFrame, FilmShape};
use crate::lamp::numbers::{single, small};

/// Squares of a row, and of a column, at most.
const MOST_COLUMNS: usize = 160;
const MOST_ROWS: usize = 120;

/// How a picture is divided.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Grid {
    pub(super) columns: usize,
    pub(super) rows: usize,
    /// Pixels along one side of a square.
    pub(super) side: usize,
}

impl Grid {
    pub(super) fn of(shape: &FilmShape) -> Self {
        let side = (shape.width.div_ceil(MOST_COLUMNS)).max(shape.height.div_ceil(MOST_ROWS));
        // Even, so that a square holds whole samples of colour.
        let side = side.max(2).next_multiple_of(2);
        Self {
            // Of a picture that is one narrow strip at least this is left.
            columns: (shape.width / side).max(1),
            rows: (shape.height / side).max(1),
            side,
        }
    }

    pub(super) fn cells(&self) -> usize {
        self.columns * self.rows
    }

    pub(super) fn at(&self, column: usize, row: usize) -> usize {
        row * self.columns + column
    }

    /// Column and row.
    pub(super) fn place(&self, cell: usize) -> (usize, usize) {
        (cell % self.columns, cell / self.columns)
    }

    /// How many squares lie between, across or down.
    pub(super) fn distance(&self, one: usize, other: usize) -> usize {
        let (one, other) = (self.place(one), self.place(other));
        one.0.abs_diff(other.0).max(one.1.abs_diff(other.1))
    }

    /// The cells around one, itself left out.
    pub(super) fn around(&self, cell: usize, reach: usize) -> impl Iterator<Item = usize> + use<> {
        let (column, row) = self.place(cell);
        let grid = *self;
        let columns = column.saturating_sub(reach)..(column + reach + 1).min(self.columns);
        let rows = row.saturating_sub(reach)..(row + reach + 1).min(self.rows);
        rows.flat_map(move |row| columns.clone().map(move |column| grid.at(column, row)))
            .filter(move |other| *other != cell)
    }

    /// Means of brightness.
    pub(super) fn luma(&self, frame: &FilmFrame<'_>, shape: &FilmShape) -> Vec<f32> {
        let means = self.moved(frame, shape, (0, 0));
        means.into_iter().map(Option::unwrap_or_default).collect()
    }

    /// Means of brightness with the picture moved by so many pixels; what lies outside is missing.
    pub(super) fn moved(
        &self,
        frame: &FilmFrame<'_>,
        shape: &FilmShape,
        moved: (i32, i32),
    ) -> Vec<Option<f32>> {
        self.means(
            frame.luma,
            (shape.width, shape.height),
            (self.side, self.side),
            moved,
        )
    }

    /// Means of both planes of colour, likewise.
    pub(super) fn colours(
        &self,
        frame: &FilmFrame<'_>,
        shape: &FilmShape,
        moved: (i32, i32),
    ) -> Option<[Vec<Option<f32>>; 2]> {
        let (across, down) = shape.colour?;
        let sides = ((self.side / across).max(1), (self.side / down).max(1));
        let step = |moved: i32, by: usize| moved / i32::try_from(by).unwrap_or(1);
        let moved = (step(moved.0, across), step(moved.1, down));
        let plane = |bytes| self.means(bytes, shape.colour_sides(), sides, moved);
        Some([plane(frame.blue), plane(frame.red)])
    }

    /// Each square with those around it.
    pub(super) fn smooth(&self, levels: &[f32]) -> Vec<f32> {
        let across: Vec<f32> = levels
            .chunks(self.columns)
            .flat_map(|row| {
                (0..row.len()).map(|at| {
                    let near = row.get(at.saturating_sub(1)..(at + 2).min(row.len()));
                    let near = near.unwrap_or_default();
                    near.iter().sum::<f32>() / single(small(near.len().max(1)))
                })
            })
            .collect();
        let level = |cell: usize| {
            let rows = [
                cell.checked_sub(self.columns),
                Some(cell),
                Some(cell + self.columns),
            ];
            let near = rows
                .into_iter()
                .flatten()
                .filter_map(|cell| across.get(cell));
            let (sum, count) = near.fold((0.0, 0.0f32), |(sum, count), level| {
                (sum + level, count + 1.0)
            });
            sum / count.max(1.0)
        };
        (0..across.len()).map(level).collect()
    }

    fn means(
        &self,
        plane: &[u8],
        (width, height): (usize, usize),
        (across, down): (usize, usize),
        (right, below): (i32, i32),
    ) -> Vec<Option<f32>> {
        let mut means = Vec::with_capacity(self.cells());
        let start = |index: usize, side: usize, by: i32| {
            (index * side).checked_add_signed(isize::try_from(by).ok()?)
        };
        let mut sums = vec![0u32; self.columns];
        for row in 0..self.rows {
            let top = start(row, down, below).filter(|top| top + down <= height);
            let Some(top) = top else {
                means.extend(std::iter::repeat_n(None, self.columns));
                continue;
            };
            sums.fill(0);
            for line in top..top + down {
                let line = plane
                    .get(line * width..(line + 1) * width)
                    .unwrap_or_default();
                // The first square that lies inside, and the line from there on.
                let skip = usize::try_from(-right).unwrap_or(0).div_ceil(across);
                let from = start(skip, across, right).unwrap_or(width);
                let squares = line.get(from..).unwrap_or_default().chunks_exact(across);
                for (sum, square) in sums.iter_mut().skip(skip).zip(squares) {
                    *sum += square.iter().map(|sample| u32::from(*sample)).sum::<u32>();
                }
            }
            let area = single(small(across * down));
            let inside = |column: usize| {
                start(column, across, right).is_some_and(|left| left + across <= width)
            };
            let row = sums.iter().enumerate();
            means.extend(
                row.map(|(column, sum)| inside(column).then_some(single(f64::from(*sum)) / area)),
            );
        }
        means
    }
}
