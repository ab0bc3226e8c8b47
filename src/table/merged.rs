//! Cells that are merged over several rows: the same as above, one further.

use super::item::Item;
use super::number::Written;
use super::words::{Notion, Understood};

/// Takes from the row above what is blank in one that belongs to the same series: step, unit, offset, order, length.
pub(super) fn inherit(item: &mut Item, above: &Item) {
    if !is_like(&item.words, &above.words) {
        return;
    }
    let is_blank = item.step.is_none() && item.unit.is_none() && item.unit_text.is_empty();
    if item.unit.is_none() && item.unit_text.is_empty() {
        item.unit = above.unit;
        item.unit_text.clone_from(&above.unit_text);
    }
    if item.step.is_none() && item.unit == above.unit {
        item.step = above.step;
        item.is_step_left_out &= above.step.is_none();
    }
    if is_blank {
        item.offset = item.offset.or(above.offset);
    }
    item.order = item.order.or(above.order);
    item.registers = item
        .registers
        .or(above.registers.filter(|_| above.at.last.is_none()));
}

/// Whether two rows are of one series: numbered and otherwise the same, or the highest and the lowest of one thing.
fn is_like(one: &Understood, other: &Understood) -> bool {
    let thing = |words: &Understood| {
        let all = words.notions.iter().copied();
        let kept = all.filter(|n| !matches!(n, Notion::Max | Notion::Min | Notion::Of));
        kept.collect::<Vec<_>>()
    };
    let is_numbered = !one.numbers.is_empty() && one.stem == other.stem;
    let is_pair = one.any(&[Notion::Max, Notion::Min])
        && other.any(&[Notion::Max, Notion::Min])
        && one.unknown.is_empty()
        && other.unknown.is_empty()
        && thing(one) == thing(other);
    is_numbered || is_pair
}

/// The row behind one with a number, under whose name nothing is written: the same, one further. Which number goes
/// on is the last that is no range, `Module 1 cell 1-16` goes on with module 2.
pub(super) fn next(above: &Item, at: Written) -> Option<Understood> {
    // What stands apart may be anything.
    let end = above.at.last.unwrap_or_else(|| {
        let width = above.registers.unwrap_or_else(|| {
            let bits = above.said.bits.unwrap_or(16);
            u32::from(bits.div_ceil(16))
        });
        above.at.first.saturating_add(width.max(1) - 1)
    });
    if end.checked_add(1) != Some(at.first) {
        return None;
    }
    let mut words = above.words.clone();
    let is_counted = |n: &super::words::Numbered| n.first == n.last && n.what.is_some();
    let number = words.numbers.iter_mut().rev().find(|n| is_counted(n))?;
    number.first = number.first.checked_add(1)?;
    number.last = number.first;
    Some(words)
}
