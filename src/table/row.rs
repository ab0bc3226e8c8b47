//! A row of a list, however its cells were found.

/// Most rows that are read: far more than any unit has registers in a list.
pub const MOST_ROWS: usize = 20_000;
/// Most columns of a list.
pub const MOST_COLUMNS: usize = 64;

/// A row with the line of the file where it begins.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Row {
    pub(super) line: u32,
    pub(super) cells: Vec<String>,
}

impl Row {
    pub(super) fn cell(&self, column: usize) -> &str {
        self.cells.get(column).map_or("", String::as_str)
    }

    pub(super) fn is_blank(&self) -> bool {
        self.cells.iter().all(String::is_empty)
    }

    /// The row as one line.
    pub(super) fn text(&self) -> String {
        self.cells
            .join("; ")
            .trim_end_matches([' ', ';'])
            .to_owned()
    }
}
