//! How the document numbers registers, and what its numbers are on the wire.

use packside_profiles::model::{Numbering, Table};

use super::item::Item;
use super::rows::Notes;

/// How a document counts, and whether that is sure.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Counting {
    pub(super) numbering: Numbering,
    /// With the table in front, the number of the first register: 1, or 0 in some documents.
    first: u32,
    /// Nobody says it, or two things contradict each other.
    pub(super) is_open: bool,
    pub(super) why: WhyCounted,
}

/// What speaks for a way of counting.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum WhyCounted {
    /// A sentence of the document, in this line.
    Said {
        /// Its line.
        line: u32,
    },
    /// Hexadecimal numbers are those of the wire, as usual.
    Hexadecimal,
    /// All numbers have the table in front.
    TableInFront,
    /// A register has the number 0.
    HasZero,
    /// Nothing.
    NotSaid,
}

/// Tables by the first digit of a number.
const DIGITS: [(u32, Table); 4] = [
    (0, Table::Coil),
    (1, Table::Discrete),
    (3, Table::Input),
    (4, Table::Holding),
];

/// The table in front of a number of five or six digits, and the rest.
fn split(number: u32, digits: usize) -> Option<(Table, u32)> {
    let decade = match digits {
        5 => 10_000,
        6 => 100_000,
        _ => return None,
    };
    let table = DIGITS
        .iter()
        .find(|(digit, _)| *digit == number / decade)?
        .1;
    let rest = number % decade;
    (rest <= 65_536).then_some((table, rest))
}

/// Decides how a document counts.
pub(super) fn counting(items: &[Item], notes: &Notes) -> Counting {
    let counted = |numbering, is_open, why| Counting {
        numbering,
        first: 1,
        is_open,
        why,
    };
    let hex = items.iter().filter(|item| item.at.is_hex).count();
    let said = notes.from;
    if hex * 2 > items.len() {
        return match said {
            Some((1, line)) => counted(Numbering::From1, false, WhyCounted::Said { line }),
            Some((_, line)) => counted(Numbering::From0, false, WhyCounted::Said { line }),
            None => counted(Numbering::From0, false, WhyCounted::Hexadecimal),
        };
    }
    let prefixed = items
        .iter()
        .all(|item| split(item.at.first, item.at.digits).is_some());
    let agrees = items.iter().all(|item| {
        let front = split(item.at.first, item.at.digits).map(|(table, _)| table);
        item.table.is_none() || item.table == front
    });
    // 30001 of which every row says that it is read as a holding register: no table stands in front.
    let contradicts = items.iter().all(|item| {
        let front = split(item.at.first, item.at.digits).map(|(table, _)| table);
        item.table.is_some() && item.table != front
    });
    if prefixed && contradicts && !items.is_empty() {
        let numbering = match said {
            Some((1, _)) => Numbering::From1,
            _ => Numbering::From0,
        };
        return match said {
            Some((_, line)) => counted(numbering, false, WhyCounted::Said { line }),
            None => counted(numbering, true, WhyCounted::NotSaid),
        };
    }
    if prefixed && !items.is_empty() && !matches!(said, Some((0, _))) {
        let rests = items
            .iter()
            .filter_map(|item| split(item.at.first, item.at.digits));
        let from_zero = rests.into_iter().any(|(_, rest)| rest == 0);
        return Counting {
            numbering: if from_zero {
                Numbering::From0
            } else {
                Numbering::WithTable
            },
            first: u32::from(!from_zero),
            is_open: !agrees || (said.is_some() && !from_zero && !has_several_tables(items)),
            why: WhyCounted::TableInFront,
        };
    }
    match said {
        Some((1, line)) => counted(Numbering::From1, false, WhyCounted::Said { line }),
        Some((_, line)) => counted(Numbering::From0, false, WhyCounted::Said { line }),
        None if items.iter().any(|item| item.at.first == 0) => {
            counted(Numbering::From0, false, WhyCounted::HasZero)
        }
        None => counted(Numbering::From0, true, WhyCounted::NotSaid),
    }
}

fn has_several_tables(items: &[Item]) -> bool {
    let mut tables = items
        .iter()
        .filter_map(|item| split(item.at.first, item.at.digits))
        .map(|(table, _)| table);
    let first = tables.next();
    tables.any(|table| Some(table) != first)
}

impl Counting {
    /// The table and register on the wire of an item.
    pub(super) fn wire(&self, item: &Item) -> Option<(Option<Table>, u16)> {
        if self.why == WhyCounted::TableInFront {
            let (table, rest) = split(item.at.first, item.at.digits)?;
            let register = rest.checked_sub(self.first)?;
            return Some((Some(table), u16::try_from(register).ok()?));
        }
        let register = match self.numbering {
            Numbering::From1 => item.at.first.checked_sub(1)?,
            _ => item.at.first,
        };
        Some((item.table, u16::try_from(register).ok()?))
    }
}
