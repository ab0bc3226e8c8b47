//! A file of a register list as rows of cells, each with its line.
//!
//! Text in any of the usual encodings, with any of the usual delimiters, or pasted with columns of blanks;
//! workbooks of spreadsheets (XLSX, XLS, ODS).
//!
//! # Invariants
//! - Never panics. At most [`MOST_ROWS`] rows, [`MOST_COLUMNS`] columns and [`LONGEST_CELL`] characters in a cell.

use std::collections::BTreeMap;
use std::io::Cursor;

use calamine::{Data, Reader as _};

use super::row::{MOST_COLUMNS, MOST_ROWS, Row};
use super::{decode, ods, pasted};

/// Most characters of one cell.
pub const LONGEST_CELL: usize = 4_000;

/// How a file was taken.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Form {
    /// `UTF-8`, `workbook`.
    pub encoding: &'static str,
    /// What separates columns.
    pub columns: Columns,
    /// Rows or columns that were too many.
    pub cut: bool,
}

/// What separates columns.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Columns {
    /// A character.
    Delimited(char),
    /// Runs of blanks.
    Blanks,
    /// Cells of a workbook.
    Cells,
}

/// Why a file is no table.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum NoTable {
    /// A PDF.
    #[error("expected a table, found a PDF")]
    Pdf,
    /// Neither text nor a workbook.
    #[error(
        "expected text (CSV, TSV, pasted columns) or a workbook (XLSX, XLS, ODS), found other data"
    )]
    Binary,
    /// A workbook that is broken.
    #[error("the workbook cannot be opened: {why}")]
    Workbook {
        /// As its reader says it.
        why: String,
    },
    /// Nothing in it.
    #[error("expected rows of registers, found an empty file")]
    Empty,
    /// No column holds register numbers.
    #[error("expected a column of register numbers, found none in {rows} rows")]
    NoNumbers {
        /// Rows that were looked at.
        rows: usize,
    },
    /// Nothing says what the registers are.
    #[error("expected a column that names the registers, found none in {rows} rows")]
    NoNames {
        /// Rows that were looked at.
        rows: usize,
    },
}

/// The rows of a file.
pub(super) fn rows(bytes: &[u8]) -> Result<(Vec<Row>, Form), NoTable> {
    if bytes.starts_with(b"%PDF") {
        return Err(NoTable::Pdf);
    }
    let (mut rows, mut form) = if is_workbook(bytes) {
        workbook(bytes)?
    } else {
        let (text, encoding) = decode::text(bytes).ok_or(NoTable::Binary)?;
        let (rows, columns) = of_text(&text);
        (
            rows,
            Form {
                encoding,
                columns,
                cut: false,
            },
        )
    };
    form.cut |= rows.len() > MOST_ROWS;
    rows.truncate(MOST_ROWS);
    for row in &mut rows {
        form.cut |= row.cells.len() > MOST_COLUMNS;
        row.cells.truncate(MOST_COLUMNS);
        for cell in &mut row.cells {
            *cell = tidy(cell);
        }
    }
    if rows.iter().all(Row::is_blank) {
        return Err(NoTable::Empty);
    }
    Ok((rows, form))
}

/// A cell without blanks around it and without what acts instead of standing there; line breaks stay.
fn tidy(cell: &str) -> String {
    let fit = |c: &char| *c == '\n' || !packside_profiles::foreign::acts(*c);
    let kept = cell.replace(['\t', '\r'], " ");
    let kept: String = kept.chars().filter(fit).take(LONGEST_CELL).collect();
    kept.trim_matches(|c: char| c.is_whitespace() || c == '\u{a0}')
        .to_owned()
}

fn is_workbook(bytes: &[u8]) -> bool {
    bytes.starts_with(b"PK\x03\x04") || bytes.starts_with(&[0xd0, 0xcf, 0x11, 0xe0])
}

/// The rows of every sheet, one behind the other; lines are those of the sheet.
fn workbook(bytes: &[u8]) -> Result<(Vec<Row>, Form), NoTable> {
    let broken = |error: &dyn std::fmt::Display| NoTable::Workbook {
        why: error.to_string(),
    };
    if ods::is_too_large(bytes) {
        return Err(broken(
            &"it has more than four million cells up to the last that is filled",
        ));
    }
    let mut book =
        calamine::open_workbook_auto_from_rs(Cursor::new(bytes)).map_err(|e| broken(&e))?;
    let mut rows = Vec::new();
    for name in book.sheet_names() {
        if let calamine::Sheets::Xlsx(book) = &mut book {
            // A last cell far away makes a range of everything before it.
            rows.extend(streamed(book, &name));
            continue;
        }
        let Ok(range) = book.worksheet_range(&name) else {
            continue;
        };
        let (first, from) = range.start().unwrap_or_default();
        let lead = usize::try_from(from).unwrap_or_default().min(MOST_COLUMNS);
        for (nth, cells) in (1_u32..).zip(range.rows()) {
            if rows.len() > MOST_ROWS {
                break;
            }
            let blank = std::iter::repeat_n(String::new(), lead);
            let cells = cells.iter().take(MOST_COLUMNS + 1).map(shown);
            rows.push(Row {
                line: first.saturating_add(nth),
                cells: blank.chain(cells).collect(),
            });
        }
    }
    let form = Form {
        encoding: "workbook",
        columns: Columns::Cells,
        cut: false,
    };
    Ok((rows, form))
}

/// The rows of a sheet that have cells, cell by cell as they stand in the file.
fn streamed(book: &mut calamine::Xlsx<Cursor<&[u8]>>, name: &str) -> Vec<Row> {
    let mut rows: BTreeMap<u32, Vec<String>> = BTreeMap::new();
    let Ok(mut reader) = book.worksheet_cells_reader(name) else {
        return Vec::new();
    };
    while let Ok(Some(cell)) = reader.next_cell() {
        let (row, column) = cell.get_position();
        let column = usize::try_from(column)
            .unwrap_or(usize::MAX)
            .min(MOST_COLUMNS);
        if !rows.contains_key(&row) && rows.len() > MOST_ROWS {
            break;
        }
        let cells = rows.entry(row).or_default();
        if cells.len() <= column {
            cells.resize(column + 1, String::new());
        }
        if let Some(place) = cells.get_mut(column) {
            *place = shown(&Data::from(cell.get_value().clone()));
        }
    }
    let rows = rows.into_iter();
    rows.map(|(row, cells)| Row {
        line: row.saturating_add(1),
        cells,
    })
    .collect()
}

/// A cell as people read it: whole numbers without a point.
fn shown(cell: &Data) -> String {
    match cell {
        Data::Float(number) if number.fract() == 0.0 && number.abs() < 1e15 => {
            format!("{number:.0}")
        }
        cell => cell.to_string(),
    }
}

/// The delimiters that are tried.
const DELIMITERS: [char; 4] = ['\t', ';', '|', ','];

/// The rows of a text, by whatever separates its columns best.
fn of_text(text: &str) -> (Vec<Row>, Columns) {
    let mut best: Option<(f64, Vec<Row>, Columns)> = None;
    let delimited = DELIMITERS
        .into_iter()
        .map(|sign| (delimited(text, sign), Columns::Delimited(sign)));
    let blanks = std::iter::once_with(|| (pasted::rows(text), Columns::Blanks));
    for (rows, columns) in delimited.chain(blanks) {
        let quality = evenness(&rows);
        // What stands under each other has as many cells in every row by the way in which it was cut.
        let is_told = best.as_ref().is_some_and(|(other, ..)| *other > SURE);
        if columns == Columns::Blanks && is_told {
            break;
        }
        if best.as_ref().is_none_or(|(other, ..)| quality > *other) {
            best = Some((quality, rows, columns));
        }
    }
    best.map_or_else(
        || (Vec::new(), Columns::Blanks),
        |(_, rows, columns)| (rows, columns),
    )
}

/// A text that looks as much like a table by one of its signs is one: three columns and more in four of five rows.
const SURE: f64 = 0.8;

/// How much a text looks like a table: the share of rows that have as many cells as most, if these are several.
#[expect(clippy::cast_precision_loss, reason = "a share of thousands of rows")]
fn evenness(rows: &[Row]) -> f64 {
    let filled: Vec<usize> = rows
        .iter()
        .filter(|row| !row.is_blank())
        .map(|row| row.cells.len())
        .collect();
    let usual =
        (2..=MOST_COLUMNS).max_by_key(|n| (filled.iter().filter(|one| *one == n).count(), *n));
    let Some(usual) = usual else { return 0.0 };
    let alike = filled.iter().filter(|one| **one == usual).count();
    let share = alike as f64 / filled.len().max(1) as f64;
    // Two columns are made by any comma in a sentence.
    share
        * if usual == 2 {
            0.5
        } else {
            1.0 + usual.min(12) as f64 / 100.0
        }
}

/// Rows of a text with a delimiter; a quoted cell may hold it, quotes and line breaks.
fn delimited(text: &str, delimiter: char) -> Vec<Row> {
    let mut reader = Reader {
        rows: Vec::new(),
        cells: Vec::new(),
        cell: String::new(),
        line: 1,
        begins: 1,
    };
    let mut chars = text.chars().peekable();
    let mut quoted = false;
    while let Some(c) = chars.next() {
        if reader.rows.len() > MOST_ROWS {
            break;
        }
        reader.line += u32::from(c == '\n');
        match c {
            '"' if quoted && chars.peek() == Some(&'"') => {
                chars.next();
                reader.cell.push('"');
            }
            '"' if quoted => quoted = false,
            '"' if reader.cell.trim().is_empty() => {
                reader.cell.clear();
                quoted = true;
            }
            '\n' if !quoted => reader.end_row(),
            c if c == delimiter && !quoted => reader.end_cell(),
            c => reader.cell.push(c),
        }
        // A quote that is never closed would take the rest of the file for one cell.
        if quoted && reader.cell.len() > 4 * LONGEST_CELL {
            quoted = false;
        }
    }
    if !reader.cell.is_empty() || !reader.cells.is_empty() {
        reader.line += 1;
        reader.end_row();
    }
    if delimiter == '|' {
        without_frames(reader.rows)
    } else {
        reader.rows
    }
}

struct Reader {
    rows: Vec<Row>,
    cells: Vec<String>,
    cell: String,
    line: u32,
    begins: u32,
}

impl Reader {
    fn end_cell(&mut self) {
        self.cells
            .push(std::mem::take(&mut self.cell).trim().to_owned());
    }

    fn end_row(&mut self) {
        self.end_cell();
        self.rows.push(Row {
            line: self.begins,
            cells: std::mem::take(&mut self.cells),
        });
        self.begins = self.line;
    }
}

/// Rows between upright bars, without the bars at both ends and the rules of dashes.
fn without_frames(rows: Vec<Row>) -> Vec<Row> {
    let is_rule = |row: &Row| {
        let dashes = |cell: &String| cell.chars().all(|c| matches!(c, '-' | ':' | '=' | '+'));
        !row.is_blank() && row.cells.iter().all(dashes)
    };
    let bare = rows.into_iter().filter(|row| !is_rule(row)).map(|mut row| {
        let both = |cells: &[String]| matches!(cells, [first, .., last] if first.is_empty() && last.is_empty());
        if both(&row.cells) {
            row.cells.pop();
            row.cells.remove(0);
        }
        row
    });
    bare.collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn cells(text: &str) -> (Vec<Vec<String>>, Columns) {
        let (rows, form) = rows(text.as_bytes()).unwrap();
        (
            rows.into_iter().map(|row| row.cells).collect(),
            form.columns,
        )
    }

    // Kind: invented
    #[test]
    fn columns_are_found_by_any_delimiter_and_by_blanks() {
        let wanted = [
            ["Addr", "Name", "Scale"],
            ["1", "Pack, all", "0,1"],
            ["2", "Soc", "1"],
        ];
        for (text, columns) in [
            (
                "Addr;Name;Scale\r\n1;Pack, all;0,1\r\n2;Soc;1\r\n",
                Columns::Delimited(';'),
            ),
            (
                "Addr,Name,Scale\n1,\"Pack, all\",\"0,1\"\n2,Soc,1\n",
                Columns::Delimited(','),
            ),
            (
                "Addr\tName\tScale\n1\tPack, all\t0,1\n2\tSoc\t1",
                Columns::Delimited('\t'),
            ),
            (
                "| Addr | Name | Scale |\n|---|:--|---|\n| 1 | Pack, all | 0,1 |\n| 2 | Soc | 1 |\n",
                Columns::Delimited('|'),
            ),
            (
                "Addr   Name        Scale\n1      Pack, all   0,1\n2      Soc         1\n",
                Columns::Blanks,
            ),
        ] {
            let found = cells(text);
            assert_eq!(found.1, columns, "{text}");
            assert_eq!(found.0, wanted, "{text}");
        }
    }

    // Kind: invented
    #[test]
    fn quoted_cells_hold_quotes_and_lines_and_rows_know_theirs() {
        let (rows, _) = rows(b"a;b;c\n1;\"say \"\"x\"\";\nmore\";2\n3;4;5\n").unwrap();
        assert_eq!(rows[1].cells, ["1", "say \"x\";\nmore", "2"]);
        assert_eq!(
            rows.iter().map(|row| row.line).collect::<Vec<_>>(),
            [1, 2, 4]
        );
    }

    #[test]
    fn err_what_is_no_table() {
        assert_eq!(rows(b"%PDF-1.7 ..."), Err(NoTable::Pdf));
        assert_eq!(rows(b""), Err(NoTable::Empty));
        assert_eq!(rows(&[0, 1, 2, 3, 0, 0]), Err(NoTable::Binary));
        assert!(matches!(
            rows(b"PK\x03\x04broken"),
            Err(NoTable::Workbook { .. })
        ));
    }
}
