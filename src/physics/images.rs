//! Register images: what stood in which register at which time.
//!
//! Does not: know what any register means.

use std::collections::BTreeMap;

use packside_profiles::model::Table;

/// A register.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Register {
    /// Table.
    pub table: Table,
    /// Address as on the wire, from 0.
    pub address: u16,
}

impl Register {
    /// A register of a table.
    pub fn new(table: Table, address: u16) -> Self {
        Self { table, address }
    }

    /// The register some places further.
    pub fn plus(self, distance: u16) -> Option<Self> {
        let address = self.address.checked_add(distance)?;
        Some(Self { address, ..self })
    }
}

/// Images of one unit, in the order of time.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Images {
    times: Vec<f64>,
    rows: BTreeMap<Register, Vec<Option<u16>>>,
}

/// Most images that are weighed; more tell nothing new.
pub const MOST_IMAGES: usize = 600;

impl Images {
    /// Adds an image. Times that do not grow are images of the same look: the newest word counts.
    pub fn push(&mut self, at: f64, words: impl IntoIterator<Item = (Register, u16)>) {
        let is_new = self.times.last().is_none_or(|last| at > *last);
        if is_new {
            if self.times.len() >= MOST_IMAGES {
                return;
            }
            self.times.push(at);
        }
        let length = self.times.len();
        for (register, word) in words {
            let row = self.rows.entry(register).or_default();
            row.resize(length, None);
            if let Some(last) = row.last_mut() {
                *last = Some(word);
            }
        }
        if is_new {
            for row in self.rows.values_mut() {
                row.resize(length, None);
            }
        }
    }

    /// When each image was taken, s.
    pub fn times(&self) -> &[f64] {
        &self.times
    }

    /// How many images there are.
    pub fn count(&self) -> usize {
        self.times.len()
    }

    /// Every register that was seen at least once.
    pub fn registers(&self) -> impl Iterator<Item = Register> + '_ {
        self.rows.keys().copied()
    }

    /// Whether a register was ever seen.
    pub fn has(&self, register: Register) -> bool {
        self.rows.contains_key(&register)
    }

    /// The words of a register, image by image.
    pub fn row(&self, register: Register) -> Option<&[Option<u16>]> {
        self.rows.get(&register).map(Vec::as_slice)
    }

    /// Whether anything of a table was seen.
    pub fn has_table(&self, table: Table) -> bool {
        self.rows.keys().any(|register| register.table == table)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // Kind: invented
    #[test]
    fn words_of_one_time_make_one_image_and_gaps_stay_gaps() {
        let at = |address| Register::new(Table::Input, address);
        let mut images = Images::default();
        images.push(0.0, [(at(1), 7)]);
        images.push(0.0, [(at(2), 8)]);
        images.push(5.0, [(at(2), 9)]);
        assert_eq!(images.times(), [0.0, 5.0]);
        assert_eq!(images.row(at(1)).unwrap(), [Some(7), None]);
        assert_eq!(images.row(at(2)).unwrap(), [Some(8), Some(9)]);
        assert!(!images.has(at(3)));
    }
}
