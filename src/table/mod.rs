//! From a maker's register list to a draft of a map.
//!
//! Input: the bytes of a file. Output: a [`Profile`] that is a draft, what each column was taken for, and every row
//! that is in no point with the reason. Nothing is guessed silently: what the document does not say stays open.
//!
//! Does not: ask a unit, read or write a file, or print.
//!
//! # Invariants
//! - Never panics, whatever the bytes are. Rows, columns and cells are bounded (see `sheet`).
//! - Every row with a register number is in a point or among the rows that are not.
//! - What is made loads: the checker finds no mistake in a draft.

mod between;
mod bits;
mod build;
mod columns;
mod constant;
mod decode;
mod flagged;
mod fold;
mod item;
mod keys;
mod kind;
mod meaning;
mod merged;
mod named;
mod number;
mod numbering;
mod ods;
mod pasted;
mod reading;
mod remark;
mod repeat;
mod row;
mod rows;
mod scale;
mod shared;
mod sheet;
mod supposed;
mod text;
mod words;

use packside_profiles::Profile;
use packside_profiles::model::Table;

pub use columns::{Column, Holds, Why};
pub use numbering::WhyCounted;
pub use row::{MOST_COLUMNS, MOST_ROWS};
pub use rows::NotRead;
pub use sheet::{Columns as Separated, Form, LONGEST_CELL, NoTable};

use build::Build;
use fold::Found;
use meaning::Meaning;

/// Most bytes of a file.
pub const MOST_BYTES: u64 = 16 << 20;

/// A draft, and how its table was understood.
#[derive(Debug, Clone, PartialEq)]
pub struct Drafted {
    /// The draft.
    pub profile: Profile,
    /// How the file was taken.
    pub form: Form,
    /// Line of the headings.
    pub header: Option<u32>,
    /// What each column was taken for.
    pub columns: Vec<Column>,
    /// Why registers are counted as they are.
    pub counted: WhyCounted,
    /// Rows that are in no point.
    pub unread: Vec<UnreadRow>,
}

/// A row that is in no point.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct UnreadRow {
    /// Line of the document, from 1.
    pub line: u32,
    /// The row as it stands there.
    pub text: packside_profiles::Foreign,
    /// Why.
    pub why: NotRead,
}

/// Makes a draft. `source` is the name of the file, `id` that of the map, `date` today as `YYYY-MM-DD`.
///
/// # Errors
/// Where the bytes are no table, or no column holds register numbers or names.
pub fn draft(bytes: &[u8], source: &str, id: &str, date: &str) -> Result<Drafted, NoTable> {
    let (mut rows, form) = sheet::rows(bytes)?;
    let columns = columns::decide(&rows);
    if let Separated::Delimited(sign) = form.columns {
        columns.close_up(&mut rows, sign);
    }
    if !columns.has(Holds::Address) {
        return Err(NoTable::NoNumbers { rows: rows.len() });
    }
    if !columns.has(Holds::Name) {
        return Err(NoTable::NoNames { rows: rows.len() });
    }
    let read = rows::read(&rows, &columns);
    let counting = numbering::counting(&read.items, &read.notes);
    let habits = reading::habits(&read.items);
    let mut left_out = read.left_out;
    let mut found = Vec::new();
    let mut with_table = 0;
    for item in &read.items {
        let mut leave = |why| {
            left_out.push(rows::LeftOut {
                line: item.line,
                text: item.text.clone(),
                why,
            })
        };
        let Some((table, register)) = counting.wire(item) else {
            leave(NotRead::OutsideNumbering);
            continue;
        };
        let meaning = reading::meaning(item);
        if meaning == Meaning::Reserved {
            leave(NotRead::Reserved);
            continue;
        }
        let Some(reading) = reading::of(item, &meaning, habits, &read.notes) else {
            leave(NotRead::LengthAndType);
            continue;
        };
        with_table += usize::from(table.is_some());
        found.push(Found {
            item,
            meaning,
            reading,
            table: table.unwrap_or(Table::Holding),
            is_table_open: table.is_none(),
            register,
        });
    }
    // Where no row names a table, it is open for all of them at once.
    let is_table_open = with_table == 0;
    if is_table_open {
        found.iter_mut().for_each(|one| one.is_table_open = false);
    }
    let build = Build::of(fold::together(found), left_out);
    let (profile, left_out) = build.finish(source, id, date, &counting, is_table_open);
    let unread = left_out.into_iter().map(|row| UnreadRow {
        line: row.line,
        text: row.text.into(),
        why: row.why,
    });
    Ok(Drafted {
        profile,
        form,
        header: columns
            .header
            .and_then(|at| rows.get(at))
            .map(|row| row.line),
        columns: columns.list,
        counted: counting.why,
        unread: unread.collect(),
    })
}
