//! Finds the registers of the cells.
//!
//! Does not: look at anything but voltages.
//!
//! # How
//! Registers that lie side by side and read like cells are a run; runs of one length at equal distances are
//! the records of modules. What stands at the ends of a run and equals its highest, lowest or mean is no cell. A
//! run is proven where it adds up to a register that moves with it.

use std::collections::BTreeSet;

use packside_profiles::model::{Kind, WordOrder};

use super::images::Register;
use super::plausible::CELL;
use super::proposal::{Found, is_really_wide, number_readings};
use super::reading::{Reading, Series};
use super::relate::{
    Agreement, agree, bounds, correlation, fold, highest, lowest, middle, movement, pairs, present,
    steps, sum,
};

/// The cells of a unit.
#[derive(Debug, Clone)]
pub(crate) struct Block {
    pub(crate) places: Vec<Register>,
    pub(crate) series: Vec<Series>,
    pub(crate) reading: Reading,
    /// Strings side by side; 0 where no voltage of the pack was found.
    pub(crate) strings: usize,
    /// Images in which it added up, of how many.
    pub(crate) held: (usize, usize),
    /// Records of modules that the cells stand in.
    pub(crate) records: usize,
    /// Registers from one record to the next.
    pub(crate) record_stride: u16,
    /// Whether nothing tells where it ends: what stands there equals an extreme of the rest, and nothing adds up.
    pub(crate) has_open_ends: bool,
}

/// Fewest cells of a run.
const FEWEST: usize = 4;

/// A register that may be the voltage of the pack.
struct Stack {
    at: Register,
    reading: Reading,
    middle: f64,
    step: f64,
    series: Series,
}

/// Registers side by side that read like cells.
#[derive(Clone)]
struct Run {
    places: Vec<Register>,
    series: Vec<Series>,
}

/// The cells, if there are any.
pub(crate) fn blocks(found: &Found<'_>) -> Option<Block> {
    let stacks = stacks(found);
    let mut all: Vec<(f64, Block)> = Vec::new();
    let mut wholes = Vec::new();
    for (reading, stride) in cell_readings() {
        let runs = runs(found, reading, stride);
        // The sum of ten cells has the digits of any single one.
        let is_cell = |at: &Register| {
            runs.iter()
                .any(|run| run.places.len() >= FEWEST && run.places.contains(at))
        };
        let outside: Vec<&Stack> = stacks.iter().filter(|stack| !is_cell(&stack.at)).collect();
        for group in groups(&runs) {
            let places = group.iter().flat_map(|run| run.places.iter().copied());
            wholes.push((reading, group.len(), places.collect::<BTreeSet<_>>()));
            all.extend(proven(&group, reading, &outside));
        }
    }
    let best = (all.iter().enumerate()).max_by(|one, two| one.1.0.total_cmp(&two.1.0));
    let (place, (score, block)) = best?;
    // Another cut that is nearly as good: where it ends is not known.
    let is_near = |(other, one): (usize, &(f64, Block))| {
        let is_part = one.1.places.iter().all(|at| block.places.contains(at));
        let is_shared = one.1.places.iter().any(|at| block.places.contains(at));
        other != place
            && one.0 > score - NEAR
            && is_shared
            && !is_part
            && one.1.reading == block.reading
    };
    // Or more records of the same kind at the same distance.
    let is_more = |(reading, records, places): &(Reading, usize, BTreeSet<Register>)| {
        *reading == block.reading
            && *records > block.records
            && block.places.iter().all(|at| places.contains(at))
    };
    let has_rival = all.iter().enumerate().any(is_near) || wholes.iter().any(is_more);
    Some(Block {
        has_open_ends: block.has_open_ends || has_rival,
        ..block.clone()
    })
}

/// Cuts of one run whose scores lie nearer together than this are not told apart.
const NEAR: f64 = 0.3;

/// How makers keep cells, and registers from one to the next.
fn cell_readings() -> Vec<(Reading, u16)> {
    let mut all: Vec<(Reading, u16)> = [0.001, 0.0001, 0.01]
        .map(|scale| (Reading::plain(scale), 1))
        .to_vec();
    for order in [WordOrder::HighFirst, WordOrder::LowFirst] {
        all.push((
            Reading {
                order,
                ..Reading::plain(1.0).of(Kind::F32)
            },
            2,
        ));
        all.push((
            Reading {
                order,
                ..Reading::plain(0.001).of(Kind::U32)
            },
            2,
        ));
        all.push((
            Reading {
                order,
                ..Reading::plain(0.0001).of(Kind::U32)
            },
            2,
        ));
    }
    all
}

/// Registers that may be the voltage of the pack, with their numbers.
pub(crate) fn voltages(found: &Found<'_>) -> Vec<(Register, Reading, Series)> {
    let all = stacks(found).into_iter();
    all.map(|stack| (stack.at, stack.reading, stack.series))
        .collect()
}

fn stacks(found: &Found<'_>) -> Vec<Stack> {
    let mut all = Vec::new();
    for at in found.free() {
        for reading in number_readings(&[0.1, 0.01, 0.001, 1.0]) {
            let series = reading.series(found.images, at, &[]);
            let Some((low, high)) = bounds(&series) else {
                continue;
            };
            let is_possible = low >= 10.0 && high <= 1_600.0 && high > low && high < 1.3 * low;
            let is_wide = reading.width() == Some(1) || is_really_wide(found.images, at, &reading);
            if let Some(middle) = middle(&series).filter(|_| is_possible && is_wide) {
                all.push(Stack {
                    at,
                    reading,
                    middle,
                    step: reading.step(),
                    series,
                });
            }
        }
    }
    all
}

/// Runs of registers that read like cells.
fn runs(found: &Found<'_>, reading: Reading, stride: u16) -> Vec<Run> {
    let mut all: Vec<Run> = Vec::new();
    let mut phases: Vec<Run> = Vec::new();
    for at in found.free() {
        let series = reading.series(found.images, at, &[]);
        let fits = bounds(&series).is_some_and(|(low, high)| low >= CELL.0 && high <= CELL.1);
        if !fits || (stride > 1 && reading.kind != Kind::F32 && !is_wide_cell(found, at, &reading))
        {
            continue;
        }
        let goes_on = |run: &Run| {
            let last = run.places.last().and_then(|last| last.plus(stride));
            let before = run.series.last().and_then(|one| middle(one));
            let here = middle(&series);
            let near = before
                .zip(here)
                .is_some_and(|(a, b)| (a - b).abs() < 0.12 * a);
            last == Some(at) && near
        };
        match phases.iter_mut().find(|run| goes_on(run)) {
            Some(run) => {
                run.places.push(at);
                run.series.push(series);
            }
            None => phases.push(Run {
                places: vec![at],
                series: vec![series],
            }),
        }
    }
    all.extend(
        phases
            .into_iter()
            .flat_map(|run| without_strangers(run, reading.step())),
    );
    all.retain(|run| run.places.len() >= 2);
    if stride > 1 {
        all.sort_by(|a, b| unrest(a).total_cmp(&unrest(b)));
    }
    all
}

/// A run cut where something stands that does not go with the rest: temperatures, resistances.
fn without_strangers(run: Run, step: f64) -> Vec<Run> {
    if run.places.len() < 6 {
        return vec![run];
    }
    let strange = strangers(&run, step);
    // One or two between cells are cells that stand out; at an end they are none.
    let count = run.places.len();
    let mut is_out = vec![false; count];
    let mut from = 0;
    for part in strange.chunk_by(|one, next| one == next) {
        let to = from + part.len();
        if part.first() == Some(&true) && (part.len() > 2 || from == 0 || to == count) {
            is_out
                .iter_mut()
                .take(to)
                .skip(from)
                .for_each(|out| *out = true);
        }
        from = to;
    }
    let leaps = leaps(&run);
    let mut all: Vec<Run> = Vec::new();
    let mut is_new = true;
    for (at, (place, series)) in run.places.into_iter().zip(run.series).enumerate() {
        if is_out.get(at).copied().unwrap_or(true) {
            is_new = true;
            continue;
        }
        if is_new || leaps.contains(&at) {
            let (places, series) = (Vec::new(), Vec::new());
            all.push(Run { places, series });
        }
        is_new = false;
        if let Some(last) = all.last_mut() {
            last.places.push(place);
            last.series.push(series);
        }
    }
    all
}

/// Where the numbers of a run leap and stay there: behind it stands something else.
fn leaps(run: &Run) -> Vec<usize> {
    let middles: Vec<f64> = run.series.iter().filter_map(|one| middle(one)).collect();
    let usual = |all: Vec<f64>| crate::statistics::median(all, f64::total_cmp).unwrap_or_default();
    let apart = middles.windows(2).filter_map(|two| match two {
        [one, two] => Some((one - two).abs()),
        _ => None,
    });
    let most = (10.0 * usual(apart.collect())).max(0.1);
    (1..middles.len())
        .filter(|at| {
            let before = middles.get(at.saturating_sub(4)..*at).unwrap_or_default();
            let behind = middles
                .get(*at..(at + 4).min(middles.len()))
                .unwrap_or_default();
            let here = before.last().zip(behind.first());
            here.is_some_and(|(before, behind)| (before - behind).abs() > 0.5 * most)
                && (usual(before.to_vec()) - usual(behind.to_vec())).abs() > most
        })
        .collect()
}

/// Which of a run do not go with the middle of all: where cells jump together, by their jumps, else by their levels.
fn strangers(run: &Run, step: f64) -> Vec<bool> {
    let middles = fold(&run.series, |all| {
        crate::statistics::median(all.to_vec(), f64::total_cmp).unwrap_or_default()
    });
    let by_jumps = run
        .series
        .iter()
        .map(|one| correlation(&steps(one, &middles)));
    let by_jumps: Vec<f64> = by_jumps.collect();
    let usual = crate::statistics::median(by_jumps.clone(), f64::total_cmp).unwrap_or_default();
    if usual >= 2.0 * JUMPING {
        // What moves by a step or two shows no jumps.
        let is_strange = |(jumps, series): (&f64, &Series)| {
            let level = correlation(&pairs(series, &middles));
            *jumps < 0.35 * usual && level < 0.8 && movement(series) > 2.5 * step
        };
        return by_jumps.iter().zip(&run.series).map(is_strange).collect();
    }
    if movement(&middles) < 5.0 * step.max(0.0005) {
        return vec![false; run.series.len()];
    }
    let by_levels = run.series.iter();
    by_levels
        .map(|one| correlation(&pairs(one, &middles)) < 0.3)
        .collect()
}

fn is_wide_cell(found: &Found<'_>, at: Register, reading: &Reading) -> bool {
    // A high word that is always zero: two registers for what one could hold.
    let high = match reading.order {
        WordOrder::HighFirst => Some(at),
        WordOrder::LowFirst => at.plus(1),
    };
    let row = high.and_then(|high| found.images.row(high));
    row.is_some_and(|row| row.iter().flatten().all(|word| *word == 0))
}

/// How far the numbers of a run jump: of two ways to read floats, the wrong one jumps.
fn unrest(run: &Run) -> f64 {
    let each = run.series.iter().map(|one| {
        let numbers = present(one);
        let steps = numbers.iter().zip(numbers.iter().skip(1));
        steps.map(|(a, b)| (a - b).abs()).sum::<f64>()
    });
    each.sum::<f64>() / run.series.len().max(1) as f64
}

/// What speaks against floats of which each cell jumps for itself: then one register holds the end of one cell
/// and the beginning of the next, 1 for each 2.5 mV.
fn jumps_alone(block: &Block) -> f64 {
    if !block.reading.is_float() {
        return 0.0;
    }
    let mean = fold(&block.series, |all| {
        all.iter().sum::<f64>() / all.len().max(1) as f64
    });
    let each = block.series.iter().map(|one| {
        let both = steps(one, &mean);
        both.iter().map(|(own, all)| (own - all).abs()).sum::<f64>() / both.len().max(1) as f64
    });
    400.0 * each.sum::<f64>() / block.series.len().max(1) as f64
}

/// Runs alone, and runs of like length at equal distances.
fn groups(runs: &[Run]) -> Vec<Vec<Run>> {
    let mut all: Vec<Vec<Run>> = Vec::new();
    for run in runs.iter().filter(|run| run.places.len() >= FEWEST) {
        all.push(vec![run.clone()]);
    }
    for one in runs {
        for two in runs {
            if one.places.len() != two.places.len() {
                continue;
            }
            let start = |run: &Run| run.places.first().map(|place| (place.table, place.address));
            let (Some(a), Some(b)) = (start(one), start(two)) else {
                continue;
            };
            if a.0 != b.0 || b.1 <= a.1 {
                continue;
            }
            let distance = b.1 - a.1;
            let mut group = vec![one.clone(), two.clone()];
            let mut next = b.1.checked_add(distance);
            while let Some(run) = runs.iter().find(|run| {
                run.places.len() == one.places.len()
                    && start(run).is_some_and(|place| place.0 == a.0 && Some(place.1) == next)
            }) {
                next = next.and_then(|next| next.checked_add(distance));
                group.push(run.clone());
            }
            let is_whole = a.1.checked_sub(distance).is_none_or(|before| {
                !runs.iter().any(|run| {
                    run.places.len() == one.places.len() && start(run) == Some((a.0, before))
                })
            });
            if is_whole {
                all.push(group);
            }
        }
    }
    all.sort_by_key(|group| {
        std::cmp::Reverse(group.iter().map(|run| run.places.len()).sum::<usize>())
    });
    all.truncate(40);
    all
}

/// Ways to cut a group so that it adds up, with their scores.
fn proven(group: &[Run], reading: Reading, stacks: &[&Stack]) -> Vec<(f64, Block)> {
    let usual = ends(group, reading.step());
    let mut all = Vec::new();
    for front in 0..=4usize {
        for back in 0..=4usize {
            let apart = front.abs_diff(usual.0) + back.abs_diff(usual.1);
            if apart > 2 {
                continue;
            }
            let Some(block) = cut(group, reading, front, back) else {
                continue;
            };
            if let Some((error, strings, held)) = adds_up(&block, stacks) {
                let cells = block.places.len() as f64;
                let fine = if reading.is_float() {
                    0.0
                } else {
                    reading.step()
                };
                // Every piece of evidence in one number: how exactly, how many, how little was cut off.
                let score = cells.ln()
                    - 120.0 * error
                    - jumps_alone(&block)
                    - 0.8 * apart as f64
                    - 20.0 * fine
                    - match strings {
                        0 | 1 => 0.0,
                        // Packs side by side have records of their own.
                        _ if block.records > 1 && block.records.is_multiple_of(strings) => 0.3,
                        _ => 0.7,
                    };
                all.push((
                    score,
                    Block {
                        strings,
                        held,
                        ..block
                    },
                ));
            } else if front + back == 0 && block.places.len() >= 6 && moves_as_one(&block) {
                let score = (block.places.len() as f64).ln() - 3.0 - jumps_alone(&block);
                let has_open_ends = usual != (0, 0);
                all.push((
                    score,
                    Block {
                        has_open_ends,
                        ..block
                    },
                ));
            }
        }
    }
    all
}

/// How much stands at both ends of the runs of a group that is no cell.
fn ends(group: &[Run], step: f64) -> (usize, usize) {
    let Some(run) = group.first() else {
        return (0, 0);
    };
    let (mut front, mut back) = (0, 0);
    let whole = run.series.len();
    while front < 4 && whole - front - back > FEWEST {
        let rest = run.series.get(front + 1..whole - back).unwrap_or_default();
        let Some(end) = run.series.get(front) else {
            break;
        };
        if !is_made_of(end, rest, step) {
            break;
        }
        front += 1;
    }
    while back < 4 && whole - front - back > FEWEST {
        let rest = run.series.get(front..whole - back - 1).unwrap_or_default();
        let Some(end) = run.series.get(whole - back - 1) else {
            break;
        };
        if !is_made_of(end, rest, step) {
            break;
        }
        back += 1;
    }
    (front, back)
}

/// Makes one number of many.
type Make = dyn Fn(&[f64]) -> f64;

/// Whether a series is the highest, lowest or mean of others in nearly every image.
fn is_made_of(one: &Series, of: &[Series], step: f64) -> bool {
    let middles: Vec<f64> = of.iter().filter_map(|one| middle(one)).collect();
    if highest(&middles) - lowest(&middles) < 4.0 * step {
        // So coarse that every cell equals the mean.
        return false;
    }
    let mean = |all: &[f64]| all.iter().sum::<f64>() / all.len().max(1) as f64;
    let makes: [&Make; 3] = [&highest, &lowest, &mean];
    makes.iter().any(|make| {
        let made = fold(of, make);
        let both = pairs(one, &made);
        let same = both
            .iter()
            .filter(|(a, b)| (a - b).abs() <= 0.51 * step + 1e-6);
        // It is read in one go with the rest: no moment lies between both.
        !both.is_empty() && same.count() * 20 >= both.len() * 19
    })
}

/// Whether a voltage is the highest or lowest cell over again, a decade or two away.
pub(crate) fn is_one_cell(stack: &Series, step: f64, cells: &[Series]) -> bool {
    let makes: [&Make; 2] = [&highest, &lowest];
    [10.0, 100.0].iter().any(|decade| {
        let own: Series = stack
            .iter()
            .map(|volts| volts.map(|volts| volts / decade))
            .collect();
        let (own_step, middles) = (step / decade, cells.iter().filter_map(|one| middle(one)));
        let middles: Vec<f64> = middles.collect();
        let tells = highest(&middles) - lowest(&middles) >= 4.0 * own_step.max(0.001);
        tells
            && makes.iter().any(|make| {
                let both = pairs(&own, &fold(cells, make));
                let same = both
                    .iter()
                    .filter(|(a, b)| (a - b).abs() <= 0.51 * own_step + 0.0011);
                !both.is_empty() && same.count() * 10 >= both.len() * 8
            })
    })
}

/// A group without what stands at the ends of its runs.
fn cut(group: &[Run], reading: Reading, front: usize, back: usize) -> Option<Block> {
    let mut places = Vec::new();
    let mut series = Vec::new();
    for run in group {
        let to = run.places.len().checked_sub(back)?;
        places.extend(run.places.get(front..to)?);
        series.extend(run.series.get(front..to)?.iter().cloned());
    }
    let starts: Vec<u16> = group
        .iter()
        .filter_map(|run| run.places.first())
        .map(|place| place.address)
        .collect();
    let record_stride = match starts.as_slice() {
        [one, two, ..] => two - one,
        _ => 0,
    };
    (places.len() >= FEWEST).then_some(Block {
        places,
        series,
        reading,
        strings: 0,
        held: (0, 0),
        records: group.len(),
        record_stride,
        has_open_ends: false,
    })
}

/// How far the cells of a block jump together: the middle of what each has in common with the others.
///
/// Temperatures, resistances and charges of cells drift together as well, but each jumps for itself.
fn together(block: &Block) -> f64 {
    let total = sum(&block.series);
    let each = block.series.iter().map(|one| {
        let others: Series = total
            .iter()
            .zip(one)
            .map(|(total, own)| Some((*total)? - (*own)?))
            .collect();
        correlation(&steps(one, &others))
    });
    crate::statistics::median(each.collect(), f64::total_cmp).unwrap_or_default()
}

/// From here on cells are said to jump together.
// Kind: derived (of cells of invented units 92 in 100 lie above, of their temperatures none)
const JUMPING: f64 = 0.25;

/// Share by which the sum of cells may lie beside the voltage of their pack: two meters, not one.
// Kind: common practice
const SUM_TOLERANCE: f64 = 0.006;

/// The same where cells only drift: nothing but the number speaks for them then.
const EXACT: f64 = 0.003;

/// The register with which a block adds up best: share of error, strings side by side, images.
fn adds_up(block: &Block, stacks: &[&Stack]) -> Option<(f64, usize, (usize, usize))> {
    let total = sum(&block.series);
    let around = middle(&total)?;
    let moved = movement(&total);
    if moved < 2.0 * block.reading.step() {
        return None;
    }
    let cells = block.places.len();
    let is_jumping = together(block) >= JUMPING;
    // So coarse that temperatures read like cells, or so few: the number alone proves nothing.
    let is_fine = block.reading.step() <= 0.001 && cells >= 8;
    if !is_jumping && !is_fine {
        return None;
    }
    let mut best: Option<(f64, usize, (usize, usize))> = None;
    for stack in stacks {
        let is_inside = block.places.contains(&stack.at);
        let strings = (around / stack.middle).round();
        if is_inside || !(1.0..=32.0).contains(&strings) {
            continue;
        }
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a whole number from 1 to 32"
        )]
        let count = strings as usize;
        // Ten cells have the digits of any single one.
        let is_single = count > 1 && matches!(cells / count, 10 | 100);
        if !cells.is_multiple_of(count) || cells / count < FEWEST || is_single {
            continue;
        }
        let rounding = 0.3 * block.reading.step() * (cells as f64).sqrt() + stack.step / 2.0;
        let error = ((around / strings - stack.middle).abs() - rounding).max(0.0) / stack.middle;
        // What has the whole sum goes before what has a part of it: that is a module.
        let rank = |error: f64, count: usize| (error > EXACT, count, error);
        let is_better =
            best.is_none_or(|(known, strings, _)| rank(error, count) < rank(known, strings));
        if error > SUM_TOLERANCE
            || !is_better
            || is_one_cell(&stack.series, stack.step, &block.series)
        {
            continue;
        }
        let part: Series = total
            .iter()
            .map(|sum| sum.map(|sum| sum / strings))
            .collect();
        // Too coarse to show the movement of one string, it is that of a module as well.
        let is_apart = count == 1 || block.records > 1 && block.records.is_multiple_of(count);
        let is_shown = is_apart || movement(&part) >= 3.0 * stack.step;
        let is_exact = is_fine && error <= EXACT && is_shown;
        if let Some(found) = goes_with(&part, stack, is_jumping, is_exact) {
            best = Some((error, count, (found.held, found.of)));
        }
    }
    best
}

/// Whether a voltage moves as the sum of cells does, as far as its step shows it.
fn goes_with(part: &Series, stack: &Stack, is_jumping: bool, is_exact: bool) -> Option<Agreement> {
    let found = agree(part, &stack.series, |size| 0.015 * size, stack.step);
    let (own, other) = (movement(part), movement(&stack.series));
    let is_alike = other < 2.0 * own + 2.0 * stack.step && other > 0.5 * own - 2.0 * stack.step;
    let level = correlation(&pairs(part, &stack.series));
    let jumps = correlation(&steps(part, &stack.series));
    let is_together = if own < 3.0 * stack.step {
        level > 0.4 && (is_exact || is_jumping && jumps > 0.1)
    } else {
        let by_jumps = level > 0.75 && jumps > 0.3 || level > 0.9;
        level > 0.85 && is_exact || is_jumping && by_jumps
    };
    (found.holds() && is_alike && is_together).then_some(found)
}

/// Whether cells move as one, so that they are cells even without a voltage of the pack.
fn moves_as_one(block: &Block) -> bool {
    let mean = fold(&block.series, |all| {
        all.iter().sum::<f64>() / all.len().max(1) as f64
    });
    if movement(&mean) < 3.0 * block.reading.step().max(0.001) {
        return false;
    }
    if block.reading.step() > 0.001 {
        return false;
    }
    // Temperatures drift together as well: cells jump together.
    let with = block.series.iter();
    let with = with.filter(|one| correlation(&pairs(one, &mean)) > 0.75);
    with.count() * 10 >= block.series.len() * 9 && together(block) >= 1.6 * JUMPING
}
