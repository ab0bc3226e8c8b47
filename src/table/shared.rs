//! Rows that would stand in the same registers: lengths in bytes, halves of a register.
//!
//! Does not: decide what a row means.

use std::collections::BTreeMap;

use super::item::Item;

/// Turns lengths of a column into registers where they are bytes, and marks rows that reach into the next one all
/// the same. `says_bytes`: the heading says so.
pub(super) fn lengths(items: &mut [Item], says_bytes: bool) {
    let nexts = nexts(items);
    let reaching = |halved: bool| {
        let all = items.iter().zip(&nexts);
        all.filter(|(item, next)| reaches(item, **next, halved))
            .count()
    };
    let is_even = |item: &Item| {
        !item.is_length_named || item.registers.is_none_or(|length| length.is_multiple_of(2))
    };
    // One row alone may be a slip.
    let are_bytes = reaching(false) > 1 && reaching(true) == 0 && items.iter().all(is_even);
    if says_bytes || are_bytes {
        for item in items.iter_mut().filter(|item| item.is_length_named) {
            item.registers = item.registers.map(|bytes| bytes.div_ceil(2));
        }
    }
    for (item, next) in items.iter_mut().zip(nexts) {
        item.is_length_in_doubt = reaches(item, next, false);
    }
}

/// The number of the next register that a row of the same table names.
fn nexts(items: &[Item]) -> Vec<Option<u32>> {
    let mut firsts: BTreeMap<_, Vec<u32>> = BTreeMap::new();
    for item in items {
        firsts.entry(item.table).or_default().push(item.at.first);
    }
    firsts.values_mut().for_each(|all| all.sort_unstable());
    let next = |item: &Item| {
        let all = firsts.get(&item.table)?;
        let behind = all.partition_point(|first| *first <= item.at.first);
        all.get(behind).copied()
    };
    items.iter().map(next).collect()
}

fn reaches(item: &Item, next: Option<u32>, halved: bool) -> bool {
    let length = item.registers.filter(|_| item.is_length_named);
    let length = length.map(|length| if halved { length.div_ceil(2) } else { length });
    let end = length.map(|length| item.at.first.saturating_add(length));
    next.zip(end).is_some_and(|(next, end)| end > next)
}

/// Takes away rows of eight bits that share a register and do not say which half is theirs.
pub(super) fn without_half(items: &mut Vec<Item>) -> Vec<Item> {
    let mut rows: BTreeMap<_, u32> = BTreeMap::new();
    let is_byte = |item: &Item| item.said.bits == Some(8) && item.half.is_none();
    for item in items.iter() {
        *rows.entry((item.table, item.at.first)).or_default() += 1;
    }
    let shares = |item: &mut Item| {
        is_byte(item)
            && rows
                .get(&(item.table, item.at.first))
                .is_some_and(|n| *n > 1)
    };
    items.extract_if(.., shares).collect()
}
