//! How the document of a map numbers registers, and what that is on the wire.
//!
//! Documents count from 0 as the wire does, from 1, or with the table in front of the number (30001,
//! 40001). A map says which with `addresses`; nothing is guessed from the numbers. Everything that
//! stands at a register of its own is meant: spans, groups, and points outside of groups. What counts
//! from the beginning of a group or a model counts from 0 always.
//!
//! Does not: look at numbers that the wire gives.

use serde::Deserialize;

use crate::item::Item;
use crate::load::Draft;
use crate::model::{Base, Span, Table};
use crate::problem::Collector;

/// How registers are numbered.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Numbering {
    /// As on the wire.
    #[default]
    From0,
    /// The first register is 1.
    From1,
    /// The first digit is the table: 1 coil, 10001 discrete, 30001 input, 40001 holding.
    WithTable,
}

/// Of each table, the number of its first register where the table is part of it, and of its last.
const WITH_TABLE: [(Table, u16, u16); 4] = [
    (Table::Coil, 1, 9_999),
    (Table::Discrete, 10_001, 19_999),
    (Table::Input, 30_001, 39_999),
    (Table::Holding, 40_001, 49_999),
];

/// The register on the wire, or what is wrong with a number.
fn on_wire(number: u16, table: Option<Table>, numbering: Numbering) -> Result<u16, String> {
    match (numbering, table) {
        (Numbering::From0, _) => Ok(number),
        (Numbering::From1, _) => number
            .checked_sub(1)
            .ok_or_else(|| "expected a register from 1 on, found 0".to_owned()),
        (Numbering::WithTable, table) => {
            let fits = |(own, first, last): &&(Table, u16, u16)| {
                Some(*own) == table && (*first..=*last).contains(&number)
            };
            let place = WITH_TABLE.iter().find(fits);
            place.map(|(_, first, _)| number - first).ok_or_else(|| {
                let of = WITH_TABLE.iter().find(|(own, ..)| Some(*own) == table);
                let wanted = of.map_or("a number of a table".to_owned(), |(_, first, last)| {
                    format!("{first} to {last}, the numbers of this table")
                });
                format!("expected {wanted}, found {number}")
            })
        }
    }
}

/// Turns the numbers of a document into those on the wire.
pub(crate) fn settle(draft: &mut Draft<'_>, numbering: Numbering, problems: &mut Collector<'_>) {
    if numbering == Numbering::From0 {
        return;
    }
    let fix = "see addresses = \"...\" at the top: \"from-0\", \"from-1\" or \"with-table\"";
    let mut place =
        |number: &mut u16, table, at: std::ops::Range<usize>, name: String| match on_wire(
            *number, table, numbering,
        ) {
            Ok(wire) => *number = wire,
            Err(why) => problems.add(at, format!("{name}: {why}"), fix),
        };
    for item in draft.spans.iter_mut().chain(&mut draft.clears_when_read) {
        if item.value.base == Base::Absolute {
            let (from, to) = (item.at("from"), item.at("to"));
            let Span {
                table,
                from: first,
                to: last,
                ..
            } = &mut item.value;
            place(first, Some(*table), from, "span, from".to_owned());
            place(last, Some(*table), to, "span, to".to_owned());
        }
    }
    if let Some(item) = &mut draft.inverter {
        let at = item.at("reads_of");
        for span in item
            .value
            .reads_of
            .iter_mut()
            .filter(|s| s.base == Base::Absolute)
        {
            let name = || "inverter.reads_of".to_owned();
            place(&mut span.from, Some(span.table), at.clone(), name());
            place(&mut span.to, Some(span.table), at.clone(), name());
        }
    }
    for item in &mut draft.groups {
        if item.value.base != Base::Absolute {
            continue;
        }
        let name = |key: &str| format!("group \"{}\", {key}", item.value.id);
        let (address, starts) = (name("address"), name("starts"));
        let (at, starts_at) = (item.at("address"), item.at("starts"));
        let table = Some(item.value.table);
        if item.value.starts.is_empty() {
            place(&mut item.value.address, table, at, address);
        }
        for start in &mut item.value.starts {
            place(start, table, starts_at.clone(), starts.clone());
        }
    }
    for item in &mut draft.points {
        if item.value.base != Base::Absolute || item.value.group.is_some() {
            continue;
        }
        let (at, name) = (
            item.at("address"),
            format!("point \"{}\", address", item.value.id),
        );
        let table = item.value.table;
        place(&mut item.value.address, table, at, name);
    }
}

/// The numbering that a file names; that of the wire where it names none.
pub(crate) fn named(item: Option<Item<'_, Numbering>>) -> Numbering {
    item.map_or(Numbering::From0, |item| item.value)
}

#[cfg(test)]
mod tests {
    use super::*;

    // Kind: published (Modbus Application Protocol V1.1b3, 4.4: item X is address X-1), common practice
    // (the digit of the table in front)
    #[test]
    fn numbers_of_documents_come_out_as_on_the_wire() {
        let wire = |number, table, numbering| on_wire(number, Some(table), numbering).ok();
        assert_eq!(wire(108, Table::Holding, Numbering::From0), Some(108));
        assert_eq!(wire(108, Table::Holding, Numbering::From1), Some(107));
        assert_eq!(wire(0, Table::Holding, Numbering::From1), None);
        assert_eq!(
            wire(40_108, Table::Holding, Numbering::WithTable),
            Some(107)
        );
        assert_eq!(wire(30_001, Table::Input, Numbering::WithTable), Some(0));
        assert_eq!(wire(40_108, Table::Input, Numbering::WithTable), None);
        assert_eq!(wire(107, Table::Holding, Numbering::WithTable), None);
        assert_eq!(wire(17, Table::Coil, Numbering::WithTable), Some(16));
    }
}
