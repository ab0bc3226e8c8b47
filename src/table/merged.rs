//! Cells that are merged over several rows: the same as above, one further.

use super::item::Item;
use super::number::Written;
use super::words::{Notion, Understood};

/// Most rows further up in which the same series may have stood last: those of one module.
const FARTHEST: usize = 16;

/// Takes from the last row of the same series what is blank here: step, unit, offset, order, length, and the type
/// where its cell is blank. `is_same`: its name is merged with that of the row above.
pub(super) fn inherit(item: &mut Item, read: &[Item], has_type: bool, is_same: bool) {
    let mut near = read.iter().rev().take(FARTHEST).enumerate();
    let above = near.find(|(far, above)| {
        is_numbered_like(&item.words, &above.words)
            || *far == 0 && is_pair(&item.words, &above.words)
    });
    let Some((_, above)) = above else { return };
    let is_blank = item.step.is_none() && item.unit.is_none() && item.unit_text.is_empty();
    if item.unit.is_none() && item.unit_text.is_empty() {
        item.unit = above.unit;
        item.unit_text.clone_from(&above.unit_text);
    }
    let is_series = is_same || is_numbered_like(&item.words, &above.words);
    if item.step.is_none() && item.unit == above.unit && (is_series || is_blank) {
        item.step = above.step;
        item.is_step_left_out &= above.step.is_none();
    }
    if is_blank || is_same {
        item.offset = item.offset.or(above.offset);
    }
    if !has_type {
        item.said = above.said;
    }
    item.order = item.order.or(above.order);
    item.registers = item
        .registers
        .or(above.registers.filter(|_| above.at.last.is_none()));
}

/// Whether two rows are of one series: numbered, and otherwise the same.
fn is_numbered_like(one: &Understood, other: &Understood) -> bool {
    !one.numbers.is_empty() && one.stem == other.stem
}

/// Whether two rows are the highest and the lowest of one thing, or what is allowed of it in both directions.
fn is_pair(one: &Understood, other: &Understood) -> bool {
    const SIDES: [Notion; 4] = [Notion::Max, Notion::Min, Notion::Charge, Notion::Discharge];
    let thing = |words: &Understood| {
        let all = words.notions.iter().copied();
        let kept = all.filter(|n| !SIDES.contains(n) && *n != Notion::Of);
        kept.collect::<Vec<_>>()
    };
    let is_side = |words: &Understood| words.any(&SIDES) && words.unknown.is_empty();
    is_side(one) && is_side(other) && thing(one) == thing(other)
}

/// The row behind one with a number, under whose name nothing is written: the same, one further, or with a line of
/// dots between both (`is_apart`) as many as fit. Which number goes on is the last that is no range, `Module 1 cell
/// 1-16` goes on with module 2.
pub(super) fn next(above: &Item, at: Written, is_apart: bool) -> Option<Understood> {
    let spanned = above
        .at
        .last
        .and_then(|last| last.checked_sub(above.at.first));
    let width = spanned
        .map(|more| more.saturating_add(1))
        .or(above.registers);
    let width = width.unwrap_or_else(|| u32::from(above.said.bits.unwrap_or(16).div_ceil(16)));
    let apart = at.first.checked_sub(above.at.first)?;
    let steps = apart
        .checked_div(width.max(1))
        .filter(|n| n * width.max(1) == apart)?;
    // What stands apart may be anything, but behind a line of dots.
    if steps == 0 || steps > 1 && !is_apart {
        return None;
    }
    let mut words = above.words.clone();
    let is_measured = words.any(&[Notion::Temp, Notion::Volt]);
    let is_counted =
        |n: &super::words::Numbered| n.first == n.last && (n.what.is_some() || is_measured);
    let number = words.numbers.iter_mut().rev().find(|n| is_counted(n))?;
    number.first = number.first.checked_add(steps)?;
    number.last = number.first;
    Some(words)
}
