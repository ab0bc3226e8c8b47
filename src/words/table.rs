//! How a register list was understood, in words.

use packside_profiles::model::{Footing, Key, Point, Profile, Standing};

use crate::table::{Column, Drafted, Holds, NoTable, Separated, Why, WhyCounted};

/// What a column holds.
pub(crate) fn holds(holds: Holds) -> &'static str {
    match holds {
        Holds::Address => "register number",
        Holds::Last => "last register",
        Holds::Count => "number of registers",
        Holds::Name => "name",
        Holds::Type => "type",
        Holds::Scale => "step or factor",
        Holds::Offset => "offset",
        Holds::Unit => "unit",
        Holds::Remark => "remarks",
        Holds::Range => "range of values",
        Holds::Function => "function code or table",
        Holds::Access => "access",
        Holds::Bit => "bit",
        Holds::Section => "group",
        Holds::Number => "running number",
        Holds::Nothing => "not used",
    }
}

/// Why a column was taken for what it is.
pub(crate) fn why_column(column: &Column) -> String {
    match column.why {
        Why::Heading { fit } if is_measured(column.holds) => {
            format!("its heading says so, and {fit} % of its cells fit")
        }
        Why::Heading { .. } => "its heading says so".to_owned(),
        Why::Cells { fit } => {
            format!("its heading says nothing known, but {fit} % of its cells fit")
        }
        Why::None => "neither heading nor cells say what it is".to_owned(),
    }
}

fn is_measured(holds: Holds) -> bool {
    !matches!(
        holds,
        Holds::Remark | Holds::Range | Holds::Section | Holds::Nothing | Holds::Name
    )
}

/// Why registers are counted as they are.
pub(crate) fn counted(drafted: &Drafted) -> String {
    match drafted.counted {
        WhyCounted::Said { line } => format!("line {line} says so"),
        WhyCounted::Hexadecimal => {
            "hexadecimal numbers are those of the wire (common practice)".to_owned()
        }
        WhyCounted::TableInFront => "every number has the table in front".to_owned(),
        WhyCounted::HasZero => "a register has the number 0".to_owned(),
        WhyCounted::NotSaid => "NOT SAID: from 0 or from 1?".to_owned(),
    }
}

/// How the file was taken.
pub(crate) fn form(drafted: &Drafted) -> String {
    let columns = match drafted.form.columns {
        Separated::Delimited('\t') => "columns by tabs".to_owned(),
        Separated::Delimited(sign) => format!("columns by {sign}"),
        Separated::Blanks => "columns by blanks".to_owned(),
        Separated::Cells => "cells".to_owned(),
    };
    format!("{}, {columns}", drafted.form.encoding)
}

/// What to do about a file that is no table.
pub(crate) fn to_do(why: &NoTable) -> &'static str {
    match why {
        NoTable::Pdf => "open it, select the table, copy it into a text file and give that",
        NoTable::Binary => "save the table as CSV, or copy it into a text file",
        NoTable::Workbook { .. } => "open it in a spreadsheet and save it as CSV",
        NoTable::Empty => "give the file that holds the table",
        NoTable::NoNumbers { .. } => {
            "write a line of headings above the table: Address, Name, Type, Scale, Unit, Remark"
        }
        NoTable::NoNames { .. } => {
            "write the heading Name above the column that says what a register is"
        }
    }
}

/// A key of a point in the words of whoever types it.
pub(crate) fn key(key: Key) -> &'static str {
    match key {
        Key::Role => "what it is for",
        Key::Table => "input or holding",
        Key::Address => "its register",
        Key::Count => "how many there are",
        Key::Type => "its type",
        Key::Order => "which word comes first",
        Key::Scale => "its scale",
        Key::Offset => "its offset",
        Key::Unit => "its unit",
        Key::Positive => "which direction is positive",
        Key::Value => "what its values mean",
        Key::Class => "what it says",
        Key::Bit => "which bit",
        Key::Active => "which level means yes",
    }
}

/// What is open of a point, in one line; nothing where nothing is.
pub(crate) fn open_of(point: &Point) -> Option<String> {
    let standing: &Standing = point
        .draft
        .as_ref()
        .filter(|standing| !standing.open.is_empty())?;
    let keys: Vec<&str> = standing.open.iter().map(|one| key(*one)).collect();
    let roles: Vec<&str> = standing
        .rivals
        .iter()
        .filter_map(|rival| rival.role)
        .map(|role| role.id())
        .collect();
    let perhaps = if roles.is_empty() {
        String::new()
    } else {
        format!(" (perhaps {})", roles.join(" or "))
    };
    Some(format!("{}{perhaps}", keys.join(", ")))
}

/// How many points stand on which footing.
pub(crate) fn footings(profile: &Profile) -> String {
    let count = |footing: Footing| {
        let standings = profile
            .points
            .iter()
            .filter_map(|point| point.draft.as_ref());
        standings
            .filter(|standing| standing.grade == footing)
            .count()
    };
    format!(
        "{} points: {} as the document says, {} narrowed, {} open; {} flags",
        profile.points.len(),
        count(Footing::AsDocumentSays),
        count(Footing::Narrowed),
        count(Footing::Open),
        profile.flags.len()
    )
}
