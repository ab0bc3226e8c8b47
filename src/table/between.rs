//! Rows that a list leaves out: `cell 1, cell 2, …, cell 16` with a line of dots for those between.

use super::item::Item;
use super::row::Row;

/// Most rows that one line of dots stands for.
const MOST: u32 = 1_024;

/// Whether a row is a line of dots, numbered or not: it stands for those between the last row and the next.
pub(super) fn stands_for_more(row: &Row) -> bool {
    let is_of = |cell: &str, signs: &[char]| cell.chars().all(|c| signs.contains(&c));
    let dots = |cell: &&String| is_of(cell, &['.', '…', '⋮', '·', '~', ' ']);
    let number = |cell: &&String| cell.chars().all(|c| c.is_ascii_digit());
    let filled = || row.cells.iter().filter(|cell| !cell.is_empty());
    let numbers = filled().filter(number).count();
    let all = filled().filter(dots).count() + numbers;
    filled().any(|cell| dots(&cell)) && numbers <= 1 && all == filled().count()
}

/// The items between the last that was read and the next, where exactly one of their numbers goes on and everything
/// else is the same; nothing where it is not sure how far they stand apart.
pub(super) fn of(read: &[Item], next: &Item, line: u32) -> Option<Vec<Item>> {
    let last = read.last()?;
    let (place, first, end) = counted_on(last, next)?;
    let steps = end.checked_sub(first).filter(|n| (2..=MOST).contains(n))?;
    let apart = next.at.first.checked_sub(last.at.first)?;
    let stride = (apart % steps == 0).then_some(apart / steps)?;
    let width = last.registers.unwrap_or_else(|| {
        let bits = last.said.bits.unwrap_or(16);
        u32::from(bits.div_ceil(16))
    });
    let before = read.len().checked_sub(2).and_then(|at| read.get(at));
    let as_before = before.is_some_and(|before| {
        counted_on(before, last).is_some_and(|(_, a, b)| b == a + 1)
            && before.at.first.checked_add(stride) == Some(last.at.first)
    });
    if !as_before && stride != width {
        return None;
    }
    let made = (1..steps).map(|nth| {
        let mut item = last.clone();
        item.line = line;
        item.at.first += nth * stride;
        item.at.last = item.at.last.map(|last| last + nth * stride);
        if let Some(number) = item.words.numbers.get_mut(place) {
            (number.first, number.last) = (first + nth, first + nth);
        }
        item
    });
    Some(made.collect())
}

/// The number that is another in two items that are the same but for it: which, and both.
fn counted_on(one: &Item, other: &Item) -> Option<(usize, u32, u32)> {
    let (a, b) = (&one.words, &other.words);
    let is_alike = a.stem == b.stem
        && a.numbers.len() == b.numbers.len()
        && (one.said, one.step, one.unit) == (other.said, other.step, other.unit)
        && (one.registers, one.table, one.offset) == (other.registers, other.table, other.offset);
    let mut differ = a
        .numbers
        .iter()
        .zip(&b.numbers)
        .enumerate()
        .filter(|(_, (a, b))| a != b);
    let (place, (from, to)) = differ.next().filter(|_| is_alike)?;
    let single = from.first == from.last && to.first == to.last;
    (differ.next().is_none() && single).then_some((place, from.first, to.first))
}
