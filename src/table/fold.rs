//! From items to points: what belongs together (cell 1, cell 2, …) becomes one that repeats.

use std::collections::BTreeMap;

use packside_profiles::Role;
use packside_profiles::model::Table;

use super::item::Item;
use super::meaning::Meaning;
use super::reading::{Reading, alike};
use super::words::Notion;

/// An item that is understood as far as it can be.
#[derive(Debug)]
pub(super) struct Found<'i> {
    pub(super) item: &'i Item,
    pub(super) meaning: Meaning,
    pub(super) reading: Reading,
    pub(super) table: Table,
    pub(super) is_table_open: bool,
    pub(super) register: u16,
}

/// Where the values of a point stand.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Places {
    /// At even distances, the first and how many, each so many registers behind the other.
    Even { first: u16, count: u16, stride: u16 },
    /// The same in each of several blocks that begin here: first in a block, count in a block, stride.
    Blocks {
        starts: Vec<u16>,
        count: u16,
        stride: u16,
    },
}

/// Items that make one point.
#[derive(Debug)]
pub(super) struct Series<'i> {
    pub(super) items: Vec<Found<'i>>,
    pub(super) places: Places,
}

/// Puts together what belongs together. Of a role that may stand once only, rows that do not make one series
/// leave the role open: the second result names them.
pub(super) fn together(found: Vec<Found<'_>>) -> Vec<Series<'_>> {
    let mut bundles: Vec<Vec<Found<'_>>> = Vec::new();
    let mut by_stem: BTreeMap<String, Vec<usize>> = BTreeMap::new();
    for one in found {
        let stem = one.item.words.stem.clone();
        let place = by_stem.get(&stem).into_iter().flatten().find(|place| {
            let first = bundles.get(**place).and_then(|bundle| bundle.first());
            first.is_some_and(|first| belongs(first, &one))
        });
        match place.copied().and_then(|place| bundles.get_mut(place)) {
            Some(bundle) => bundle.push(one),
            None => {
                by_stem.entry(stem).or_default().push(bundles.len());
                bundles.push(vec![one]);
            }
        }
    }
    let mut series = Vec::new();
    for bundle in bundles {
        match placed(&bundle) {
            Some(places) => series.push(Series {
                items: bundle,
                places,
            }),
            None => {
                for one in bundle {
                    let places = own(&one);
                    series.push(Series {
                        items: vec![one],
                        places,
                    });
                }
            }
        }
    }
    once_only(&mut series);
    series
}

/// Whether two items are of one series: numbered, and otherwise the same.
fn belongs(one: &Found<'_>, other: &Found<'_>) -> bool {
    let numbered = !one.item.words.numbers.is_empty();
    let word = matches!(
        one.meaning,
        Meaning::Sure(Role::AlarmWord | Role::WarningWord | Role::LatchedWord | Role::FaultCode)
    );
    numbered
        && !word
        && one.meaning == other.meaning
        && one.table == other.table
        && alike(&one.reading, &other.reading)
}

/// Where the values of one item stand.
fn own(one: &Found<'_>) -> Places {
    Places::Even {
        first: one.register,
        count: u16::try_from(one.reading.count).unwrap_or(u16::MAX),
        stride: u16::try_from(one.reading.width).unwrap_or(1),
    }
}

/// Where all values of a bundle stand; nothing if one reaches into the next.
fn placed(bundle: &[Found<'_>]) -> Option<Places> {
    if let [one] = bundle {
        return Some(blocks_of_one(one).unwrap_or_else(|| own(one)));
    }
    let mut all: Vec<u16> = Vec::new();
    let mut modules: BTreeMap<u32, Vec<u16>> = BTreeMap::new();
    for one in bundle {
        let width = u16::try_from(one.reading.width).ok()?;
        let module = one
            .item
            .words
            .numbers
            .iter()
            .find(|n| n.what == Some(Notion::Module));
        for nth in 0..u16::try_from(one.reading.count).ok()? {
            let register = one.register.checked_add(nth.checked_mul(width)?)?;
            // More than there are registers: some stand twice.
            if all.len() > usize::from(u16::MAX) {
                return None;
            }
            all.push(register);
            let number = match module {
                Some(n) if n.last > n.first && one.item.words.numbers.len() == 1 => {
                    n.first.saturating_add(u32::from(nth))
                }
                Some(n) => n.first,
                None => 0,
            };
            modules.entry(number).or_default().push(register);
        }
    }
    all.sort_unstable();
    let width = u16::try_from(bundle.first()?.reading.width).ok()?;
    if all
        .windows(2)
        .any(|pair| matches!(pair, [a, b] if b - a < width))
    {
        return None;
    }
    let in_blocks = blocks(&mut modules.into_values().collect::<Vec<_>>());
    match (even(&all), in_blocks) {
        (_, Some(places @ Places::Blocks { count: 2.., .. })) => Some(places),
        (Some(places), _) => Some(places),
        (None, Some(places)) => Some(places),
        // At uneven distances: each begins a block of its own.
        (None, None) => Some(runs(&all, width)),
    }
}

/// A row that names modules and cells at once: `Module 1-4 cell 1-16`.
fn blocks_of_one(one: &Found<'_>) -> Option<Places> {
    let [module, cell] = one.item.words.numbers.as_slice() else {
        return None;
    };
    let (modules, cells) = (module.count(), cell.count());
    if module.what != Some(Notion::Module)
        || modules < 2
        || cells < 2
        || modules.saturating_mul(cells) != one.reading.count
    {
        return None;
    }
    let width = u16::try_from(one.reading.width).ok()?;
    let cells = u16::try_from(cells).ok()?;
    let stride = cells.checked_mul(width)?;
    let starts = (0..u16::try_from(modules).ok()?)
        .map(|nth| one.register.checked_add(nth.checked_mul(stride)?));
    Some(Places::Blocks {
        starts: starts.collect::<Option<_>>()?,
        count: cells,
        stride: width,
    })
}

fn even(all: &[u16]) -> Option<Places> {
    let (first, second) = (*all.first()?, *all.get(1)?);
    let stride = second - first;
    let is_even = all
        .windows(2)
        .all(|pair| matches!(pair, [a, b] if b - a == stride));
    is_even.then_some(Places::Even {
        first,
        count: u16::try_from(all.len()).ok()?,
        stride,
    })
}

/// Blocks with as many values each, at the same distances.
fn blocks(modules: &mut [Vec<u16>]) -> Option<Places> {
    if modules.len() < 2 {
        return None;
    }
    for registers in modules.iter_mut() {
        registers.sort_unstable();
    }
    let offsets = |registers: &[u16]| -> Vec<u16> {
        let first = registers.first().copied().unwrap_or_default();
        registers.iter().map(|register| register - first).collect()
    };
    let pattern = offsets(modules.first()?);
    if modules
        .iter()
        .any(|registers| offsets(registers) != pattern)
    {
        return None;
    }
    let stride = pattern.get(1).copied().unwrap_or(1);
    let is_even = pattern
        .windows(2)
        .all(|pair| matches!(pair, [a, b] if b - a == stride));
    let starts = modules
        .iter()
        .filter_map(|registers| registers.first().copied())
        .collect();
    is_even.then_some(Places::Blocks {
        starts,
        count: u16::try_from(pattern.len()).ok()?,
        stride,
    })
}

/// Runs of equal length as blocks, else each value as one.
fn runs(all: &[u16], width: u16) -> Places {
    let mut runs: Vec<Vec<u16>> = Vec::new();
    for register in all {
        let goes_on = runs
            .last()
            .and_then(|run| run.last())
            .is_some_and(|last| last.checked_add(width) == Some(*register));
        match runs.last_mut().filter(|_| goes_on) {
            Some(run) => run.push(*register),
            None => runs.push(vec![*register]),
        }
    }
    blocks(&mut runs).unwrap_or(Places::Blocks {
        starts: all.to_vec(),
        count: 1,
        stride: width,
    })
}

/// Where two series claim a role that may stand only once, neither has it for sure.
fn once_only(series: &mut [Series<'_>]) {
    let role_of = |one: &Series<'_>| match one.items.first().map(|found| &found.meaning) {
        Some(Meaning::Sure(role)) if !role.may_stand_twice() => Some(*role),
        _ => None,
    };
    let mut count: BTreeMap<Role, usize> = BTreeMap::new();
    for role in series.iter().filter_map(role_of) {
        *count.entry(role).or_default() += 1;
    }
    for one in series.iter_mut() {
        if let Some(role) = role_of(one).filter(|role| count.get(role).is_some_and(|n| *n > 1)) {
            for found in &mut one.items {
                found.meaning = Meaning::Perhaps(vec![role]);
            }
        }
    }
}

impl Places {
    /// First register of every value; nothing where one stands beyond the last register.
    pub(super) fn all(&self) -> Option<Vec<u16>> {
        let run = |first: u16, count: u16, stride: u16| {
            (0..count).map(move |nth| first.checked_add(nth.checked_mul(stride)?))
        };
        match self {
            Self::Even {
                first,
                count,
                stride,
            } => run(*first, *count, *stride).collect(),
            Self::Blocks {
                starts,
                count,
                stride,
            } => starts
                .iter()
                .flat_map(|start| run(*start, *count, *stride))
                .collect(),
        }
    }
}
