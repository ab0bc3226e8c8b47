//! What each column of a register list is: by its heading and by what stands in it.
//!
//! Does not: read rows (see [`super::rows`]).

use std::collections::BTreeSet;
use std::sync::LazyLock;

use super::number::{is_bare_hex, written};
use super::row::{MOST_COLUMNS, Row};
use super::text::{Part, parts, plain};
use super::{kind, named, remark, scale};

/// What a column holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Holds {
    /// Numbers of registers.
    Address,
    /// Last registers.
    Last,
    /// How many registers.
    Count,
    /// What the register is.
    Name,
    /// Type.
    Type,
    /// Step of one, or what a value is multiplied by.
    Scale,
    /// What is added.
    Offset,
    /// Unit.
    Unit,
    /// Remarks: values, bits, direction.
    Remark,
    /// Range of values.
    Range,
    /// Function code or table.
    Function,
    /// Whether it may be written.
    Access,
    /// Bit in the register.
    Bit,
    /// Group of registers: a module, an area.
    Section,
    /// Running number.
    Number,
    /// Not used.
    Nothing,
}

impl Holds {
    /// Every one.
    pub const ALL: [Self; 16] = [
        Self::Address,
        Self::Last,
        Self::Count,
        Self::Name,
        Self::Type,
        Self::Scale,
        Self::Offset,
        Self::Unit,
        Self::Remark,
        Self::Range,
        Self::Function,
        Self::Access,
        Self::Bit,
        Self::Section,
        Self::Number,
        Self::Nothing,
    ];

    /// As in JSON.
    pub fn id(self) -> &'static str {
        match self {
            Self::Address => "address",
            Self::Last => "last-address",
            Self::Count => "count",
            Self::Name => "name",
            Self::Type => "type",
            Self::Scale => "scale",
            Self::Offset => "offset",
            Self::Unit => "unit",
            Self::Remark => "remark",
            Self::Range => "range",
            Self::Function => "function",
            Self::Access => "access",
            Self::Bit => "bit",
            Self::Section => "section",
            Self::Number => "number",
            Self::Nothing => "nothing",
        }
    }
}

/// A kind of column, and headings of such columns as they are compared; those in front are the surer ones.
type Headings = (Holds, Vec<String>);

static HEADINGS: LazyLock<Vec<Headings>> = LazyLock::new(|| {
    let lines = include_str!("headings.txt").lines();
    let named = lines.filter_map(|line| line.split_once(": "));
    let known = named.filter_map(|(id, names)| {
        let holds = Holds::ALL.into_iter().find(|holds| holds.id() == id)?;
        Some((holds, names.split(", ").map(plain).collect()))
    });
    known.collect()
});

/// A column with what it was taken for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Column {
    /// Its heading.
    pub header: String,
    /// What it holds.
    pub holds: Holds,
    /// Why.
    pub why: Why,
}

/// Why a column was taken for what it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Why {
    /// Its heading says so, and so many per cent of its cells fit.
    Heading {
        /// Per cent.
        fit: u8,
    },
    /// It has no heading that is known; so many per cent of its cells fit.
    Cells {
        /// Per cent.
        fit: u8,
    },
    /// Nothing speaks for anything.
    None,
}

/// The columns of a table, and the row of their headings.
pub(super) struct Columns {
    pub(super) list: Vec<Column>,
    /// Index of the row of headings.
    pub(super) header: Option<usize>,
    /// Register numbers are hexadecimal without a mark.
    pub(super) bare_hex: bool,
}

impl Columns {
    /// The cells of a row that hold this, together.
    pub(super) fn of<'r>(&'r self, row: &'r Row, holds: Holds) -> impl Iterator<Item = &'r str> {
        let columns = self
            .list
            .iter()
            .enumerate()
            .filter(move |(_, column)| column.holds == holds);
        columns
            .map(|(place, _)| row.cell(place))
            .filter(|cell| !cell.is_empty())
    }

    /// Takes together what signs within the last remark of a row set apart, as in lists typed without quotes.
    pub(super) fn close_up(&self, rows: &mut [Row], sign: char) {
        let header = self.header.and_then(|at| rows.get(at));
        let Some(last) = header.and_then(|row| row.cells.iter().rposition(|cell| !cell.is_empty()))
        else {
            return;
        };
        let holds = |place: usize| self.list.get(place).map(|column| column.holds);
        let is_free = |place: usize| matches!(holds(place), None | Some(Holds::Nothing));
        if holds(last) != Some(Holds::Remark) || !(last + 1..MOST_COLUMNS).all(is_free) {
            return;
        }
        for row in rows {
            if row.cells.len() > last + 1 {
                let rest = row.cells.split_off(last).join(&format!("{sign} "));
                let blank = |c: char| c == sign || c.is_whitespace();
                row.cells.push(rest.trim_end_matches(blank).to_owned());
            }
        }
    }

    /// Whether the heading of a column that holds this has one of these words in it.
    pub(super) fn says(&self, holds: Holds, words: &[&str]) -> bool {
        let mut headings = self.list.iter().filter(|column| column.holds == holds);
        headings.any(|column| {
            let heading = plain(&column.header);
            words.iter().any(|word| heading.contains(word))
        })
    }

    /// The cells of a row under headings that are exactly one of these, whatever they were taken for.
    pub(super) fn under<'r>(
        &'r self,
        row: &'r Row,
        headings: &'r [&str],
    ) -> impl Iterator<Item = &'r str> {
        let columns = self.list.iter().enumerate();
        let named = columns.filter(|(_, column)| headings.contains(&&*heading(&column.header)));
        named
            .map(|(place, _)| row.cell(place))
            .filter(|cell| !cell.is_empty())
    }

    pub(super) fn has(&self, holds: Holds) -> bool {
        self.list.iter().any(|column| column.holds == holds)
    }
}

/// A heading as it is compared: words with one blank between.
pub(super) fn heading(cell: &str) -> String {
    let words = parts(cell).into_iter().filter_map(|part| match part {
        Part::Word(word) => Some(word),
        Part::Sign('#') => Some("#".to_owned()),
        _ => None,
    });
    words.collect::<Vec<_>>().join(" ")
}

/// How well a heading fits what a column may hold, 0 to 10.
fn by_heading(cell: &str, holds: Holds) -> u32 {
    let heading = heading(cell);
    if heading.is_empty() {
        return 0;
    }
    let names = HEADINGS
        .iter()
        .filter(|(kind, _)| *kind == holds)
        .flat_map(|(_, names)| names.iter());
    let best = names.enumerate().filter_map(|(place, name)| {
        let late = u32::try_from(place / 16).unwrap_or(2).min(2);
        if *name == heading {
            return Some(10 - late);
        }
        let long = name.chars().count() >= if name.is_ascii() { 4 } else { 2 };
        let words: Vec<&str> = heading.split(' ').collect();
        let inside = if name.is_ascii() {
            words.contains(&name.as_str())
        } else {
            heading.contains(name)
        };
        (long && inside && words.len() <= 5).then_some(6 - late)
    });
    best.max().unwrap_or(0)
}

/// Whether a heading may stand above names.
pub(super) fn is_of_names(header: &str) -> bool {
    by_heading(header, Holds::Name) > 5
}

/// The row of headings: the first in which several cells are headings, of different kinds, a name or an address
/// among them.
fn header_row(rows: &[Row]) -> Option<usize> {
    let count = |row: &Row| {
        let kinds = |cell: &String| {
            HEADINGS
                .iter()
                .map(|(holds, _)| *holds)
                .find(|holds| by_heading(cell, *holds) >= 6 && cell.chars().count() < 40)
        };
        let kinds: BTreeSet<Holds> = row.cells.iter().filter_map(kinds).collect();
        let filled = row.cells.iter().filter(|cell| !cell.is_empty()).count();
        let plausible = kinds.len() >= 2 && kinds.len() * 2 >= filled;
        if plausible { kinds.len() } else { 0 }
    };
    let best = rows
        .iter()
        .take(200)
        .map(count)
        .max()
        .filter(|best| *best > 0)?;
    rows.iter().take(200).position(|row| count(row) == best)
}

/// Whether a row repeats the headings, as behind a page break.
pub(super) fn repeats(row: &Row, header: &Row) -> bool {
    let mine: Vec<String> = row
        .cells
        .iter()
        .map(|cell| heading(cell))
        .filter(|h| !h.is_empty())
        .collect();
    let its: Vec<String> = header
        .cells
        .iter()
        .map(|cell| heading(cell))
        .filter(|h| !h.is_empty())
        .collect();
    mine.len() > 1 && mine == its
}

/// Decides what each column is.
pub(super) fn decide(rows: &[Row]) -> Columns {
    let header = header_row(rows);
    let body: Vec<&Row> = rows
        .iter()
        .skip(header.map_or(0, |at| at + 1))
        .filter(|row| is_data(row))
        .collect();
    let width = rows.iter().map(|row| row.cells.len()).max().unwrap_or(0);
    let head = |place: usize| {
        header
            .and_then(|at| rows.get(at))
            .map_or("", |row| row.cell(place))
    };
    // What stands beyond the last heading in a few rows belongs to a remark with the sign between columns in it.
    let last = header.and_then(|at| {
        rows.get(at)?
            .cells
            .iter()
            .rposition(|cell| !cell.is_empty())
    });
    let mut offers = offers(&body, &head, width, last);
    running_numbers(&body, &mut offers);
    offers.sort_by_key(|(score, ..)| std::cmp::Reverse(*score));
    let mut taken: Vec<Option<(Holds, Why)>> = vec![None; width];
    for (_, holds, place, why) in offers {
        let is_used = taken.iter().flatten().any(|(other, _)| *other == holds);
        let several = matches!(
            holds,
            Holds::Remark | Holds::Nothing | Holds::Range | Holds::Number | Holds::Name
        );
        let by_cells = matches!(why, Why::Cells { .. });
        if let Some(slot) = taken.get_mut(place).filter(|slot| slot.is_none())
            && (!is_used || (several && !by_cells))
        {
            *slot = Some((holds, why));
        }
    }
    bit_columns(&head, &mut taken);
    stand_in(&body, &mut taken);
    remarks_among_names(&body, &mut taken);
    lengths(&body, &mut taken);
    let list = taken.into_iter().enumerate().map(|(place, found)| {
        let (holds, why) = found.unwrap_or((Holds::Nothing, Why::None));
        Column {
            header: head(place).to_owned(),
            holds,
            why,
        }
    });
    let mut columns = Columns {
        list: list.collect(),
        header,
        bare_hex: false,
    };
    columns.bare_hex = is_bare_hex(body.iter().flat_map(|row| columns.of(row, Holds::Address)));
    columns
}

/// What each column may hold, with how much speaks for it; `last` is the last under a heading.
fn offers<'h>(
    body: &[&Row],
    head: &impl Fn(usize) -> &'h str,
    width: usize,
    last: Option<usize>,
) -> Vec<(u32, Holds, usize, Why)> {
    let mut offers: Vec<(u32, Holds, usize, Why)> = Vec::new();
    let is_spilt = |place: usize| {
        let filled = body
            .iter()
            .filter(|row| !row.cell(place).is_empty())
            .count();
        last.is_some_and(|last| last > 2 && place > last) && filled * 2 < body.len()
    };
    for place in (0..width).filter(|place| !is_spilt(*place)) {
        let cells: Vec<&str> = body
            .iter()
            .map(|row| row.cell(place))
            .filter(|cell| !cell.is_empty())
            .collect();
        for (holds, _) in HEADINGS.iter() {
            let heading = by_heading(head(place), *holds);
            let fit = fit(*holds, &cells);
            let percent = u32::from(fit);
            let needs = needed(*holds);
            if heading > 0 && (percent >= needs / 2 || cells.is_empty()) {
                offers.push((heading * 30 + percent, *holds, place, Why::Heading { fit }));
            } else if heading == 0
                && !cells.is_empty()
                && told_by_cells(*holds, &cells, percent >= needs)
            {
                let unnamed = if head(place).is_empty() { 60 } else { 20 };
                let percent = of_rows(*holds, percent, cells.len(), body.len());
                offers.push((unnamed + percent, *holds, place, Why::Cells { fit }));
            }
        }
    }
    offers
}

/// Per cent that fit, of all rows where every row has one: a name, not a remark.
fn of_rows(holds: Holds, percent: u32, cells: usize, rows: usize) -> u32 {
    let filled = u32::try_from(cells * 100 / rows.max(1)).unwrap_or(100);
    match holds {
        Holds::Name => percent * filled / 100,
        _ => percent,
    }
}

/// What counts the rows can be registers only where nothing else can be: of two columns that rise, the one that
/// leaves out more numbers holds them.
fn running_numbers(body: &[&Row], offers: &mut [(u32, Holds, usize, Why)]) {
    let runs = |place: usize| {
        let cells = body.iter().map(|row| row.cell(place));
        let cells: Vec<&str> = cells.filter(|cell| !cell.is_empty()).collect();
        fit(Holds::Number, &cells)
    };
    let of_cells = |(_, holds, _, why): &&mut (u32, Holds, usize, Why)| {
        *holds == Holds::Address && matches!(why, Why::Cells { .. })
    };
    let found: Vec<_> = offers.iter_mut().filter(of_cells).collect();
    let Some(least) = found.iter().map(|(_, _, place, _)| runs(*place)).min() else {
        return;
    };
    for (score, _, place, _) in found {
        let own = runs(*place);
        if own >= 90 && own > least {
            *score = score.saturating_sub(50);
        }
    }
}

/// Where no column was taken for the registers or for the names, the one that looks most like it.
fn stand_in(body: &[&Row], taken: &mut [Option<(Holds, Why)>]) {
    for (holds, least) in [(Holds::Address, 50), (Holds::Name, 40)] {
        if taken.iter().flatten().any(|(other, _)| *other == holds) {
            continue;
        }
        let fits = taken.iter().enumerate().map(|(place, other)| {
            let cells: Vec<&str> = body
                .iter()
                .map(|row| row.cell(place))
                .filter(|cell| !cell.is_empty())
                .collect();
            let filled = cells.len() * 2 > body.len();
            let is_number = matches!(other, Some((Holds::Number, _)));
            let is_address = matches!(other, Some((Holds::Address, _)));
            let fit = if filled && !is_address {
                fit(holds, &cells)
            } else {
                0
            };
            (fit, !is_number, place)
        });
        let usable = fits.filter(|(fit, ..)| *fit >= least);
        let best = usable
            .max_by_key(|(fit, is_other, place)| (*is_other, *fit, std::cmp::Reverse(*place)));
        if let Some((fit, _, place)) = best
            && let Some(slot) = taken.get_mut(place)
        {
            *slot = Some((holds, Why::Cells { fit }));
        }
    }
}

/// Columns that are headed `Bit 0`, `Bit 1`: what they hold is said of the bits of a row.
fn bit_columns<'h>(head: &impl Fn(usize) -> &'h str, taken: &mut [Option<(Holds, Why)>]) {
    let is_bit = |place: &usize| named::bit(head(*place)).is_some();
    let places: Vec<usize> = (0..taken.len()).filter(is_bit).collect();
    for place in places.iter().filter(|_| places.len() > 1) {
        if let Some(slot) = taken.get_mut(*place) {
            *slot = Some((Holds::Remark, Why::Heading { fit: 100 }));
        }
    }
}

/// Of several columns of names, those that say what only a remark says: bits, values, offsets, directions. The one
/// that says least of it stays the name.
fn remarks_among_names(body: &[&Row], taken: &mut [Option<(Holds, Why)>]) {
    let is_name = |one: &Option<(Holds, Why)>| matches!(one, Some((Holds::Name | Holds::Range, _)));
    let says = |place: usize| {
        let cells = body.iter().map(|row| row.cell(place));
        cells.filter(|cell| remark::says(cell)).count()
    };
    let found: Vec<(usize, usize)> = (0..taken.len())
        .filter(|place| taken.get(*place).is_some_and(is_name))
        .map(|place| (says(place), place))
        .collect();
    let of_names = |place: &usize| matches!(taken.get(*place), Some(Some((Holds::Name, _))));
    let names = found.iter().filter(|(_, place)| of_names(place));
    let Some(name) = names.min().map(|(_, place)| *place) else {
        return;
    };
    for (_, place) in found
        .iter()
        .filter(|(says, place)| *says > 0 && *place != name)
    {
        if let Some(Some((holds, _))) = taken.get_mut(*place) {
            *holds = Holds::Remark;
        }
    }
}

/// A column of small numbers that lead from most registers to the next holds how many they are.
fn lengths(body: &[&Row], taken: &mut [Option<(Holds, Why)>]) {
    let place_of = |holds| {
        let mut places = taken.iter();
        places.position(|one| one.is_some_and(|(other, _)| other == holds))
    };
    let (Some(at), None, None) = (
        place_of(Holds::Address),
        place_of(Holds::Count),
        place_of(Holds::Last),
    ) else {
        return;
    };
    let first = |row: &Row, place: usize| written(row.cell(place), false).map(|one| one.first);
    let leads = |place: usize| {
        let pairs = body
            .iter()
            .zip(body.iter().skip(1))
            .filter_map(|(row, next)| {
                let count = first(row, place).filter(|count| (1..=125).contains(count))?;
                Some((count, first(row, at)?.checked_add(count)?, first(next, at)?))
            });
        let pairs: Vec<(u32, u32, u32)> = pairs.collect();
        let exact = pairs.iter().filter(|(_, end, next)| end == next).count();
        let is_free = pairs.iter().all(|(_, end, next)| end <= next);
        let several = pairs.iter().any(|(count, ..)| *count > 1);
        several && is_free && exact * 10 >= body.len() * 6
    };
    let free = |place: usize| {
        let held = taken.get(place).copied().flatten();
        held.is_none_or(|(holds, _)| holds == Holds::Nothing)
    };
    let found = (0..taken.len()).find(|place| free(*place) && leads(*place));
    if let Some(slot) = found.and_then(|place| taken.get_mut(place)) {
        *slot = Some((Holds::Count, Why::Cells { fit: 100 }));
    }
}

/// A row with several filled cells, a number among them.
pub(super) fn is_data(row: &Row) -> bool {
    let filled = row.cells.iter().filter(|cell| !cell.is_empty()).count();
    filled >= 2
        && row
            .cells
            .iter()
            .any(|cell| cell.chars().any(|c| c.is_ascii_digit()))
}

/// Whether cells show what a column is without a heading that is known. `fits` is whether enough of them can be it.
fn told_by_cells(holds: Holds, cells: &[&str], fits: bool) -> bool {
    let all = |is: &dyn Fn(&str) -> bool| cells.iter().all(|cell| is(cell));
    let any = |is: &dyn Fn(&str) -> bool| cells.iter().any(|cell| is(cell));
    let number = |cell: &str| {
        let (number, rest) = scale::number(cell)?;
        rest.is_empty().then_some(number.value())
    };
    match holds {
        Holds::Address
        | Holds::Name
        | Holds::Type
        | Holds::Unit
        | Holds::Access
        | Holds::Number => fits,
        Holds::Remark => any(&|cell| cell.chars().filter(|c| c.is_alphabetic()).count() > 1),
        // Steps below one, or with a sign that says what to do with them, or powers of ten.
        Holds::Scale => {
            let is_step = |cell: &str| scale::step(cell).is_some() || cell == "-";
            let is_plain = |cell: &str| number(cell).is_some_and(|n| n >= 1.0) || cell == "-";
            let is_power = |cell: &str| matches!(cell, "1" | "10" | "100" | "1000" | "-");
            let powers = all(&is_power) && any(&|cell| cell == "1") && any(&|cell| cell == "10");
            powers || all(&is_step) && any(&|cell| !is_plain(cell))
        }
        // Nothing or less than nothing.
        Holds::Offset => {
            all(&|cell| number(cell).is_some_and(|n| n <= 0.0) || cell == "-")
                && any(&|cell| number(cell).is_some_and(|n| n <= -10.0))
        }
        Holds::Range => all(&|cell| scale::range(cell).is_some()),
        Holds::Function => all(&|cell| cell.chars().count() > 1 && function(cell).is_some()),
        _ => false,
    }
}

/// Per cent of the cells that must fit where no heading speaks.
fn needed(holds: Holds) -> u32 {
    match holds {
        Holds::Address | Holds::Type | Holds::Access | Holds::Count | Holds::Scale => 80,
        Holds::Unit | Holds::Number => 90,
        Holds::Name => 70,
        Holds::Last | Holds::Function | Holds::Bit => 60,
        Holds::Range | Holds::Section | Holds::Nothing => 40,
        Holds::Remark | Holds::Offset => 0,
    }
}

/// Per cent of the filled cells that fit what a column may hold.
fn fit(holds: Holds, cells: &[&str]) -> u8 {
    let hex = is_bare_hex(cells.iter().copied());
    let number = |cell: &str| written(cell, hex);
    let small =
        |cell: &str| number(cell).is_some_and(|found| found.last.is_none() && found.first <= 512);
    let share = |fits: &dyn Fn(&str) -> bool| {
        let fitting = cells.iter().filter(|cell| fits(cell)).count();
        u8::try_from(fitting * 100 / cells.len().max(1)).unwrap_or(100)
    };
    let is_text = |cell: &str| cell.chars().filter(|c| c.is_alphabetic()).count() >= 2;
    match holds {
        Holds::Address => {
            let numbers = share(&|cell| number(cell).is_some());
            let all: Vec<u32> = cells
                .iter()
                .filter_map(|cell| number(cell))
                .map(|found| found.first)
                .collect();
            let rising = all
                .windows(2)
                .filter(|pair| matches!(pair, [a, b] if a < b))
                .count();
            let rises =
                u8::try_from(rising * 100 / all.len().saturating_sub(1).max(1)).unwrap_or(100);
            numbers.saturating_sub((100 - rises) / 2)
        }
        Holds::Last => share(&|cell| number(cell).is_some()),
        Holds::Count | Holds::Bit => share(&small),
        Holds::Number => {
            let all: Vec<u32> = cells
                .iter()
                .filter_map(|cell| number(cell))
                .map(|found| found.first)
                .collect();
            let runs = all
                .windows(2)
                .filter(|pair| matches!(pair, [a, b] if *b == a + 1))
                .count();
            let starts = all.first().is_some_and(|first| *first <= 1);
            if starts {
                u8::try_from(runs * 100 / cells.len().saturating_sub(1).max(1)).unwrap_or(100)
            } else {
                0
            }
        }
        Holds::Type => share(&|cell| kind::said(cell).is_some()),
        Holds::Unit => share(&|cell| {
            scale::unit(cell).is_some()
                || scale::step(cell).is_some_and(|(_, unit)| unit.is_some())
                || cell == "-"
        }),
        Holds::Scale => share(&|cell| scale::step(cell).is_some() || matches!(cell, "-" | "/")),
        // What rises from row to row is a register, counted from somewhere.
        Holds::Offset if cells.len() > 4 && fit(Holds::Address, cells) >= 90 => 0,
        Holds::Offset => share(&|cell| scale::number(cell).is_some() || cell == "-"),
        Holds::Access => share(&|cell| is_access(cell)),
        Holds::Function => share(&|cell| function(cell).is_some()),
        Holds::Name => {
            let distinct: BTreeSet<&str> = cells
                .iter()
                .copied()
                .filter(|cell| is_text(cell) && kind::said(cell).is_none())
                .collect();
            u8::try_from(distinct.len() * 100 / cells.len().max(1)).unwrap_or(100)
        }
        Holds::Remark => share(&is_text) / 2,
        // A column of nothing but register numbers is none of these, whatever stands above it.
        Holds::Range | Holds::Section | Holds::Nothing => {
            100 - share(&|cell| number(cell).is_some_and(|found| found.first > 99))
        }
    }
}

fn is_access(cell: &str) -> bool {
    is_written(cell) || is_only_read(cell)
}

/// Whether a cell says that a register may be written.
pub(super) fn is_written(cell: &str) -> bool {
    matches!(
        letters(cell).as_str(),
        "w" | "rw"
            | "wo"
            | "wr"
            | "write"
            | "writeonly"
            | "readwrite"
            | "读写"
            | "写"
            | "le"
            | "ls"
    )
}

/// Whether a cell says that a register may be read and nothing else.
pub(super) fn is_only_read(cell: &str) -> bool {
    matches!(
        letters(cell).as_str(),
        "r" | "ro"
            | "read"
            | "readonly"
            | "只读"
            | "读"
            | "可读"
            | "l"
            | "lesen"
            | "lecture"
            | "lettura"
            | "lectura"
    )
}

fn letters(cell: &str) -> String {
    let plain = super::text::plain(cell);
    plain.chars().filter(|c| c.is_alphanumeric()).collect()
}

/// The table that a cell names: by its function code or its name.
pub(super) fn function(cell: &str) -> Option<packside_profiles::model::Table> {
    use packside_profiles::model::Table;
    let small = super::text::plain(cell);
    let named = [
        ("holding", Table::Holding),
        ("input reg", Table::Input),
        ("inputreg", Table::Input),
        ("eingangsreg", Table::Input),
        ("haltereg", Table::Holding),
        ("保持", Table::Holding),
        ("输入寄存器", Table::Input),
        ("入力レジスタ", Table::Input),
        ("discrete", Table::Discrete),
        ("coil", Table::Coil),
        ("registre d'entr", Table::Input),
        ("registres d'entr", Table::Input),
        ("registro di ingresso", Table::Input),
        ("registro de entrada", Table::Input),
        ("registros de entrada", Table::Input),
        ("registri di ingresso", Table::Input),
        ("registre de maintien", Table::Holding),
        ("registres de maintien", Table::Holding),
        ("mantenimiento", Table::Holding),
    ];
    let digits: String = small.chars().filter(char::is_ascii_digit).collect();
    let letters = small
        .chars()
        .filter(|c| c.is_alphabetic() && *c != 'x')
        .count();
    let code = match digits.trim_start_matches('0') {
        "3" => Some(Table::Holding),
        "4" => Some(Table::Input),
        "1" => Some(Table::Coil),
        "2" => Some(Table::Discrete),
        // Read and write of one table: `03/06/16`, `3, 6, 10`.
        other if other.starts_with('3') && cell.contains(['/', ',', ' ']) => Some(Table::Holding),
        _ => None,
    };
    let by_name = named
        .iter()
        .find(|(name, _)| small.contains(name))
        .map(|(_, table)| *table);
    by_name.or(code.filter(|_| {
        letters <= 3
            || small.contains("unc")
            || small.contains("onc")
            || small.contains("unk")
            || small.contains("unz")
            || cell.contains('码')
    }))
}

#[cfg(test)]
mod tests {
    use super::*;

    // Kind: derived (a line with a wrong id would be passed over without a word)
    #[test]
    fn every_kind_of_column_has_its_line_of_headings() {
        let kinds: BTreeSet<Holds> = HEADINGS.iter().map(|(holds, _)| *holds).collect();
        assert_eq!(kinds, BTreeSet::from(Holds::ALL));
        assert!(HEADINGS.iter().all(|(_, names)| names.len() > 1));
    }
}
