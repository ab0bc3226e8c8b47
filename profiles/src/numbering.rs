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
use crate::model::{Base, Group, Inverter, Point, Span, Table};
use crate::problem::Collector;

/// How registers are numbered.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Numbering {
    /// As on the wire.
    #[default]
    #[serde(rename = "from-0")]
    From0,
    /// The first register is 1.
    #[serde(rename = "from-1")]
    From1,
    /// The first digit is the table: 1 coil, 10001 discrete, 30001 input, 40001 holding.
    WithTable,
}

/// Of each table, the number of its first register where the table is part of it, and of its last. Six digits
/// reach every register, five only the first ten thousand; of coils the six begin with a 0, which no number keeps.
const WITH_TABLE: [(Table, u32, u32); 7] = [
    (Table::Coil, 1, 65_536),
    (Table::Discrete, 10_001, 19_999),
    (Table::Input, 30_001, 39_999),
    (Table::Holding, 40_001, 49_999),
    (Table::Discrete, 100_001, 165_536),
    (Table::Input, 300_001, 365_536),
    (Table::Holding, 400_001, 465_536),
];

/// A register of a map file. Numbers with the table in front have six digits and fit no register: what stands in
/// the file is looked at again when it is known how it numbers (see [`settle`]).
pub(crate) fn register<'de, D: serde::Deserializer<'de>>(from: D) -> Result<u16, D::Error> {
    let number = u32::deserialize(from)?;
    if number > LARGEST {
        let wrong = format!("expected a register from 0 to 65535, found {number}");
        return Err(serde::de::Error::custom(wrong));
    }
    Ok(u16::try_from(number).unwrap_or(u16::MAX))
}

/// As [`register`], a list of them.
pub(crate) fn registers<'de, D: serde::Deserializer<'de>>(from: D) -> Result<Vec<u16>, D::Error> {
    #[derive(Deserialize)]
    struct One(#[serde(deserialize_with = "register")] u16);
    let all = Vec::<One>::deserialize(from)?;
    Ok(all.into_iter().map(|one| one.0).collect())
}

/// The largest number that a document can have for a register.
const LARGEST: u32 = 465_536;

/// The number that a document has for a register, as [`settle`] understands it again.
pub(crate) fn in_document(register: u16, table: Option<Table>, numbering: Numbering) -> u32 {
    let register = u32::from(register);
    match numbering {
        Numbering::From0 => register,
        Numbering::From1 => register + 1,
        Numbering::WithTable => {
            let fits = |(own, first, last): &&(Table, u32, u32)| {
                Some(*own) == table && register <= last - first
            };
            let place = WITH_TABLE.iter().find(fits);
            place.map_or(register, |(_, first, _)| first + register)
        }
    }
}

/// The register on the wire, or what is wrong with a number.
fn on_wire(number: u32, table: Option<Table>, numbering: Numbering) -> Result<u16, String> {
    let register = match (numbering, table) {
        (Numbering::From0, _) => number,
        (Numbering::From1, _) => number
            .checked_sub(1)
            .ok_or_else(|| "expected a register from 1 on, found 0".to_owned())?,
        (Numbering::WithTable, table) => {
            let fits = |(own, first, last): &&(Table, u32, u32)| {
                Some(*own) == table && (*first..=*last).contains(&number)
            };
            let place = WITH_TABLE.iter().find(fits);
            place.map(|(_, first, _)| number - first).ok_or_else(|| {
                let of = WITH_TABLE.iter().find(|(own, ..)| Some(*own) == table);
                let wanted = of.map_or("a number of a table".to_owned(), |(_, first, last)| {
                    format!("{first} to {last}, the numbers of this table")
                });
                format!("expected {wanted}, found {number}")
            })?
        }
    };
    u16::try_from(register)
        .map_err(|_| format!("expected a register from 0 to 65535, found {number}"))
}

/// Turns the numbers of a document into those on the wire.
pub(crate) fn settle(draft: &mut Draft<'_>, numbering: Numbering, problems: &mut Collector<'_>) {
    let mut turn = Turn {
        numbering,
        problems,
    };
    turn.spans("span", &mut draft.spans);
    turn.spans("clears_when_read", &mut draft.clears_when_read);
    if let Some(item) = &mut draft.inverter {
        turn.reads_of(item);
    }
    for item in &mut draft.groups {
        turn.group(item);
    }
    for item in &mut draft.points {
        turn.point(item);
    }
}

/// A number of a file: how it counts, and where it stands.
struct Named {
    is_absolute: bool,
    table: Option<Table>,
    at: std::ops::Range<usize>,
    name: String,
}

impl Named {
    fn of_span(span: &Span, at: std::ops::Range<usize>, name: &str) -> Self {
        Self {
            is_absolute: span.base == Base::Absolute,
            table: Some(span.table),
            at,
            name: name.to_owned(),
        }
    }
}

/// Turns numbers, and names those that are none.
struct Turn<'p, 't> {
    numbering: Numbering,
    problems: &'p mut Collector<'t>,
}

impl Turn<'_, '_> {
    fn place(&mut self, number: &mut u16, given: Option<u32>, of: Named) {
        let written = given.unwrap_or(u32::from(*number));
        // What counts from the beginning of something counts from 0 always.
        let counting = if of.is_absolute {
            self.numbering
        } else {
            Numbering::From0
        };
        match on_wire(written, of.table, counting) {
            Ok(wire) => *number = wire,
            Err(why) => self.problems.add(
                of.at,
                format!("{}: {why}", of.name),
                "see addresses = \"...\" at the top: \"from-0\", \"from-1\" or \"with-table\"",
            ),
        }
    }

    fn spans(&mut self, key: &str, items: &mut [Item<'_, Span>]) {
        for item in items {
            for end in ["from", "to"] {
                let named = Named::of_span(&item.value, item.at(end), &format!("{key}, {end}"));
                let given = item.whole(end);
                let Span { from, to, .. } = &mut item.value;
                self.place(if end == "from" { from } else { to }, given, named);
            }
        }
    }

    fn reads_of(&mut self, item: &mut Item<'_, Inverter>) {
        for nth in 0..item.value.reads_of.len() {
            for end in ["from", "to"] {
                let (at, given) = (item.at("reads_of"), item.whole_in("reads_of", nth, end));
                let Some(span) = item.value.reads_of.get_mut(nth) else {
                    continue;
                };
                let named = Named::of_span(span, at, "inverter.reads_of");
                let Span { from, to, .. } = span;
                self.place(if end == "from" { from } else { to }, given, named);
            }
        }
    }

    fn group(&mut self, item: &mut Item<'_, Group>) {
        let (is_absolute, table) = (item.value.base == Base::Absolute, Some(item.value.table));
        let id = item.value.id.clone();
        let named = |key: &str, at| Named {
            is_absolute,
            table,
            at,
            name: format!("group \"{id}\", {key}"),
        };
        let (at, starts_at) = (item.at("address"), item.at("starts"));
        let (given, wholes) = (item.whole("address"), item.wholes("starts"));
        if item.value.starts.is_empty() {
            self.place(&mut item.value.address, given, named("address", at));
        }
        for (start, given) in item.value.starts.iter_mut().zip(wholes) {
            self.place(start, given, named("starts", starts_at.clone()));
        }
    }

    fn point(&mut self, item: &mut Item<'_, Point>) {
        let point = &item.value;
        let (table, is_absolute) = (
            point.table,
            point.base == Base::Absolute && point.group.is_none(),
        );
        let named = Named {
            is_absolute,
            table,
            at: item.at("address"),
            name: format!("point \"{}\", address", point.id),
        };
        let given = item.whole("address");
        self.place(&mut item.value.address, given, named);
        let rivals = item
            .value
            .draft
            .iter_mut()
            .flat_map(|standing| &mut standing.rivals);
        for rival in rivals.filter(|_| is_absolute) {
            if let Some(address) = rival.address.as_mut() {
                let wire = on_wire(u32::from(*address), rival.table.or(table), self.numbering);
                *address = wire.unwrap_or(*address);
            }
        }
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
        assert_eq!(
            wire(400_108, Table::Holding, Numbering::WithTable),
            Some(107)
        );
        assert_eq!(
            wire(365_536, Table::Input, Numbering::WithTable),
            Some(65_535)
        );
        assert_eq!(wire(400_108, Table::Holding, Numbering::From0), None);
        for (register, table) in [
            (0, Table::Coil),
            (107, Table::Holding),
            (9_999, Table::Holding),
            (65_535, Table::Input),
        ] {
            for numbering in [Numbering::From0, Numbering::From1, Numbering::WithTable] {
                let written = in_document(register, Some(table), numbering);
                assert_eq!(wire(written, table, numbering), Some(register));
            }
        }
    }
}
