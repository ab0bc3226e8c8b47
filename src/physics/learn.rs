//! Finds what registers are from images alone: cells, voltages, extremes, current, power, counters, temperatures.
//!
//! Input: images taken while current flows. Output: proposals, each with evidence and rivals.
//!
//! Does not: propose alarm words, states, codes, limits or the inverter's flag: no physics tells them.
//!
//! # Traps
//! What stands still equals anything: everything here must move, from its lowest to its highest. Arrays of
//! resistances and charges look like cells, and so do kelvin: only cells add up to a voltage that moves with
//! them. A float read one register off gives nearly the same numbers: the one that jumps less is right.

use packside_profiles::Role;
use packside_profiles::model::{Footing, Key};

use super::blocks::{Block, blocks, is_one_cell};
use super::claim::{Evidence, Extreme};
use super::extremes;
use super::flow;
use super::images::{Images, Register};
use super::proposal::{
    Found, Proposal, is_really_wide, longest_run, number_readings, unsure_of_width,
};
use super::reading::{Reading, Series};
use super::relate::{Agreement, agree, bounds, fold, highest, lowest, middle, movement, sum};
use super::slow;

/// Finds what physics can tell.
pub fn learn(images: &Images) -> Vec<Proposal> {
    let mut found = Found {
        images,
        all: Vec::new(),
        pack: None,
        pack_is_open: false,
        cell: None,
    };
    slow::texts(&mut found);
    slow::clocks(&mut found);
    match blocks(&found) {
        Some(block) => cells(&mut found, &block),
        None => extremes::without_cells(&mut found),
    }
    flow::flows(&mut found);
    slow::temperatures(&mut found);
    slow::counters(&mut found);
    let mut all = apart(found.all);
    all.sort_by_key(|one| (one.table, one.instances.first().copied()));
    all
}

/// Proposals that share no register: of two that do, the one of which more is known stays, else the one found first.
fn apart(all: Vec<Proposal>) -> Vec<Proposal> {
    let mut ranked: Vec<(usize, Proposal)> = all.into_iter().enumerate().collect();
    ranked.sort_by_key(|(place, one)| {
        let is_open = one.open.contains(&Key::Role);
        (is_open, std::cmp::Reverse(one.grade), *place)
    });
    let mut kept: Vec<Proposal> = Vec::new();
    for (_, one) in ranked {
        let mut places = one.instances.iter().flat_map(|first| {
            (0..one.registers)
                .filter_map(|further| Some(Register::new(one.table, first.checked_add(further)?)))
        });
        if !places.any(|place| kept.iter().any(|other| other.covers(place))) {
            kept.push(one);
        }
    }
    kept
}

/// Cells, and all that follows from them.
fn cells(found: &mut Found<'_>, block: &Block) {
    let total = sum(&block.series);
    let strings = block.strings.max(1) as f64;
    let pack: Series = total
        .iter()
        .map(|sum| sum.map(|sum| sum / strings))
        .collect();
    let is_proven = block.strings > 0;
    found.cell = Some(fold(&block.series, |all| {
        all.iter().sum::<f64>() / all.len() as f64
    }));
    found.pack = is_proven.then(|| pack.clone());
    found.pack_is_open = !other_decades(block, &Reading::plain(0.1)).is_empty();
    let first = block.places.first().copied();
    let Some(first) = first else { return };
    let mut proposal = Proposal::new(Role::CellVoltage, first, block.reading, "V");
    proposal.instances = block.places.iter().map(|place| place.address).collect();
    proposal.evidence.push(Evidence::AddsUp {
        parts: block.places.len(),
        held: block.held.0,
        of: block.held.1,
        moved: movement(&pack),
    });
    let is_whole = !block.has_open_ends && !goes_on_elsewhere(found, block);
    if !is_whole {
        proposal.open.push(Key::Count);
        proposal.grade = Footing::Open;
    }
    if may_be_modules(block) {
        let reading = block.reading;
        let ten = Reading {
            scale: reading.scale * 10.0,
            ..reading
        };
        proposal.role = Role::Other;
        proposal = proposal.or([(Role::CellVoltage, reading), (Role::ModuleVoltage, ten)]);
        found.all.push(proposal);
        return;
    }
    found.all.push(proposal);
    if is_whole {
        if is_proven {
            voltages(found, &pack, block);
        }
        extremes(found, block);
        modules(found, block);
    }
}

/// Modules of ten cells have the digits of cells, and their pack those of a decade less. Millivolts in one register are
/// how cells are kept; of other readings as few as there are modules may be either.
// Kind: common practice
/// Most modules of ten cells of a stack, and fewer than the cells of a usual pack.
// Kind: common practice
const MOST_MODULES: usize = 12;

fn may_be_modules(block: &Block) -> bool {
    let is_usual = block.reading.is_float() || block.reading == Reading::plain(0.001);
    !is_usual && block.places.len() <= MOST_MODULES && block.records < 2
}

/// Whether registers side by side read and jump like these cells, and are not among them.
fn goes_on_elsewhere(found: &Found<'_>, block: &Block) -> bool {
    let mean = found.cell.clone().unwrap_or_default();
    let width = block.reading.width().unwrap_or(1);
    let mut run: Option<(Register, u16)> = None;
    for at in found.free() {
        if block.places.contains(&at) {
            continue;
        }
        let series = block.reading.series(found.images, at, &[]);
        let near = middle(&series).zip(middle(&mean));
        let is_near = near.is_some_and(|(own, mean)| (own - mean).abs() < 0.12 * mean);
        let jumps = super::relate::correlation(&super::relate::steps(&series, &mean)) > 0.5;
        if !is_near || !jumps {
            continue;
        }
        run = match run {
            Some((last, count)) if last.plus(width) == Some(at) => Some((at, count + 1)),
            _ => Some((at, 1)),
        };
        // The highest, the lowest, their mean and two voltages with the digits of cells may stand in a row.
        if run.is_some_and(|(_, count)| count >= 6) {
            return true;
        }
    }
    false
}

/// Registers that have the voltage of the pack, and how far they lie from the sum of its cells.
fn like_pack(found: &Found<'_>, pack: &Series, block: &Block) -> Vec<(f64, Proposal)> {
    let mut all: Vec<(f64, Proposal)> = Vec::new();
    let around = middle(pack).unwrap_or_default();
    let rounding = block.places.len() as f64 * block.reading.step() / 2.0;
    for at in found.free() {
        for reading in number_readings(&[0.1, 0.01, 0.001, 1.0]) {
            let series = reading.series(found.images, at, &[]);
            let Some((low, high)) = bounds(&series) else {
                continue;
            };
            let is_near = low >= 0.9 * around && high <= 1.1 * around;
            if !is_near || !is_really_wide_enough(found, at, &reading) {
                continue;
            }
            let with = |size: f64| 0.015 * size + rounding.min(0.01 * size);
            let agreement = agree(&series, pack, with, reading.step());
            let is_fine =
                reading.step() < 0.004 * around || movement(&series) >= 3.0 * reading.step();
            let is_cell = is_one_cell(&series, reading.step(), &block.series);
            let moves = moves_with(&series, pack, reading.step())
                && jumps_with(&series, pack, reading.step());
            if agreement.holds() && is_fine && moves && !is_cell {
                let why = Evidence::AddsUp {
                    parts: block.places.len() / block.strings.max(1),
                    held: agreement.held,
                    of: agreement.of,
                    moved: agreement.moved,
                };
                let proposal = Proposal::new(Role::PackVoltage, at, reading, "V").with(why);
                all.push((agreement.distance, proposal));
                break;
            }
        }
    }
    without_overlaps(found, all, pack)
}

/// Of readings that share a register, the one that goes best with a series: a float read one register off looks right.
fn without_overlaps(
    found: &Found<'_>,
    all: Vec<(f64, Proposal)>,
    with: &Series,
) -> Vec<(f64, Proposal)> {
    let goes = |one: &Proposal| {
        let first = one.instances.first().copied().unwrap_or_default();
        let at = Register::new(one.table, first);
        let series = one.reading.series(found.images, at, &[]);
        super::relate::correlation(&super::relate::pairs(&series, with))
    };
    let mut ranked: Vec<(f64, (f64, Proposal))> =
        all.into_iter().map(|one| (goes(&one.1), one)).collect();
    ranked.sort_by(|one, two| two.0.total_cmp(&one.0));
    let mut kept: Vec<(f64, Proposal)> = Vec::new();
    for (_, one) in ranked {
        let first = one.1.instances.first().copied().unwrap_or_default();
        let mut registers = (0..one.1.registers).filter_map(|further| first.checked_add(further));
        let is_shared = registers.any(|address| {
            let at = Register::new(one.1.table, address);
            kept.iter().any(|(_, other)| other.covers(at))
        });
        if !is_shared {
            kept.push(one);
        }
    }
    kept.sort_by_key(|(_, one)| (one.table, one.instances.first().copied()));
    kept
}

/// Registers that are the voltage of the pack: the nearest stands for it, another for one of both sides.
fn voltages(found: &mut Found<'_>, pack: &Series, block: &Block) {
    let all = like_pack(found, pack, block);
    // Packs side by side give their voltages side by side; of a stack one register has it, or two.
    let side_by_side = match block.strings {
        3.. => side_by_side(&all),
        _ => Vec::new(),
    };
    let (beside, mut alone): (Vec<_>, Vec<_>) = all
        .into_iter()
        .partition(|(_, one)| side_by_side.contains(&one.instances));
    // Where each pack of a rack has its own, another voltage is not one of them.
    let is_whole = beside.len() == block.strings;
    if let Some((_, first)) = beside.first() {
        // Packs side by side: their voltages are those of the modules.
        let mut modules = first.clone();
        modules.role = Role::ModuleVoltage;
        modules.instances = beside
            .iter()
            .flat_map(|(_, one)| one.instances.clone())
            .collect();
        modules.instances.sort_unstable();
        let others = other_decades(block, &modules.reading);
        let others = others.into_iter().map(|other| (Role::ModuleVoltage, other));
        found.all.push(modules.or(others.collect::<Vec<_>>()));
    }
    alone.sort_by(|a, b| a.0.total_cmp(&b.0));
    // Which of two is gone while the switches are open, no number tells as long as they are closed.
    let is_pair = alone.len() > 1;
    // Where not each pack has one of its own, and none stands among the cells of one, it is that of all.
    let is_among = |one: &Proposal| {
        let first = block.places.first().map(|place| place.address);
        let last = block.places.last().map(|place| place.address);
        let at = one.instances.first().copied();
        block.records > 1
            && at >= first.map(|first| first.saturating_sub(block.record_stride))
            && at <= last
    };
    let is_each = block.strings > 1
        && !is_whole
        && (alone.len() >= block.strings || alone.iter().any(|(_, one)| is_among(one)));
    let roles: &[Role] = if is_each {
        &[
            Role::PackVoltage,
            Role::TerminalVoltage,
            Role::ModuleVoltage,
        ]
    } else {
        &[Role::PackVoltage, Role::TerminalVoltage]
    };
    for (_, mut proposal) in alone.into_iter().take(2) {
        // Of packs side by side each has this voltage; of ten cells the mean has the same digits.
        let cells = block.places.len() / block.strings.max(1);
        if is_pair || block.strings > 1 || matches!(cells, 10 | 100) {
            let reading = proposal.reading;
            proposal.role = Role::Other;
            proposal = proposal.or(roles.iter().map(|role| (*role, reading)));
        }
        let reading = proposal.reading;
        let roles = match proposal.role {
            Role::Other => roles,
            _ => &[Role::PackVoltage][..],
        };
        let others = other_decades(block, &reading);
        let others = others
            .iter()
            .flat_map(|other| roles.iter().map(|role| (*role, *other)));
        let proposal = unsure_of_width(found, proposal.or(others.collect::<Vec<_>>()));
        found.all.push(proposal);
    }
}

/// Fewest cells in series of ten packs side by side: below 40 V no inverter takes what they give.
// Kind: common practice
const FEWEST_IN_PACK: usize = 12;

/// Ten strings side by side instead of one have the digits of a decade less.
fn other_decades(block: &Block, reading: &Reading) -> Vec<Reading> {
    let (cells, strings) = (block.places.len(), block.strings.max(1));
    let mut all = Vec::new();
    if reading.is_float() {
        return all;
    }
    let more = strings * 10;
    // A string side by side with others has one module or several, never a part of one.
    let fits_records = block.records < 2 || block.records.is_multiple_of(more);
    if more <= 32 && cells.is_multiple_of(more) && cells / more >= FEWEST_IN_PACK && fits_records {
        all.push(Reading {
            scale: reading.scale / 10.0,
            ..*reading
        });
    }
    if strings.is_multiple_of(10) && cells * 10 / strings <= 480 {
        all.push(Reading {
            scale: reading.scale * 10.0,
            ..*reading
        });
    }
    all
}

fn side_by_side(all: &[(f64, Proposal)]) -> Vec<Vec<u16>> {
    let places = all
        .iter()
        .filter_map(|(_, one)| Some((one.table, *one.instances.first()?, one.registers)));
    let run = longest_run(places.collect());
    run.into_iter().map(|place| vec![place.1]).collect()
}

fn is_really_wide_enough(found: &Found<'_>, at: Register, reading: &Reading) -> bool {
    let width = reading.width().unwrap_or(1);
    let second = at.plus(1);
    width == 1
        || (is_really_wide(found.images, at, reading)
            && second.is_some_and(|second| !found.is_taken(second)))
}

/// Whether a series moves as another does, as far as its step shows it.
fn moves_with(series: &Series, with: &Series, step: f64) -> bool {
    let moved = movement(series);
    let other = movement(with);
    if other < 2.0 * step {
        // Too coarse to show it: at least it must not move more.
        return moved <= other + 2.0 * step;
    }
    let pairs = super::relate::pairs(series, with);
    let needed = if other < 6.0 * step { 0.5 } else { 0.8 };
    moved > 0.0 && super::relate::correlation(&pairs) > needed && moved < 2.0 * other + 2.0 * step
}

/// Whether a series jumps where another does, or goes with it all the way: a temperature drifts along by chance. One too
/// coarse for that must at least not stand still.
fn jumps_with(series: &Series, with: &Series, step: f64) -> bool {
    let level = super::relate::correlation(&super::relate::pairs(series, with));
    if movement(with) < 3.0 * step {
        return level > 0.3;
    }
    let jumps = super::relate::correlation(&super::relate::steps(series, with));
    jumps > 0.25 || level > 0.93
}

/// Registers that are the highest or lowest of the cells.
fn extremes(found: &mut Found<'_>, block: &Block) {
    let sides = [
        (
            Role::CellVoltageMax,
            Extreme::Highest,
            fold(&block.series, highest),
        ),
        (
            Role::CellVoltageMin,
            Extreme::Lowest,
            fold(&block.series, lowest),
        ),
    ];
    let mean = found.cell.clone().unwrap_or_default();
    for (side, (role, which, with)) in sides.iter().enumerate() {
        let others: Vec<&Series> = sides
            .iter()
            .enumerate()
            .filter(|(other, _)| *other != side)
            .map(|(_, other)| &other.2)
            .chain([&mean])
            .collect();
        let mut best: Option<(f64, Proposal)> = None;
        for at in found.free() {
            for reading in number_readings(&[0.001, 0.0001, 0.01]) {
                let near = is_extreme(found, (at, reading), (with, &others), block);
                let Some(own) = near else { continue };
                if best
                    .as_ref()
                    .is_none_or(|(distance, _)| own.distance < *distance)
                {
                    let why = Evidence::IsExtreme {
                        which: *which,
                        held: own.held,
                        of: own.of,
                        moved: own.moved,
                    };
                    let proposal = Proposal::new(*role, at, reading, "V").with(why);
                    let proposal = unsure_of_ten(proposal, with, &mean, block);
                    best = Some((own.distance, proposal));
                }
            }
        }
        found.all.extend(best.map(|(_, proposal)| proposal));
    }
}

/// The voltage of ten or of a hundred cells has the digits of their mean: an extreme that lies near it may be that.
fn unsure_of_ten(proposal: Proposal, with: &Series, mean: &Series, block: &Block) -> Proposal {
    let cells = block.places.len() / block.strings.max(1);
    let apart = middle(with).zip(middle(mean));
    let is_near = apart.is_some_and(|(own, mean)| (own - mean).abs() < 0.01 * mean);
    if !matches!(cells, 10 | 100) || !is_near {
        return proposal;
    }
    let reading = proposal.reading;
    let stack = Reading {
        scale: reading.scale * cells as f64,
        ..reading
    };
    proposal.or([(Role::PackVoltage, stack), (Role::TerminalVoltage, stack)])
}

/// Whether a register is one extreme of the cells, and nearer to it than to anything else.
fn is_extreme(
    found: &Found<'_>,
    (at, reading): (Register, Reading),
    (with, others): (&Series, &[&Series]),
    block: &Block,
) -> Option<Agreement> {
    let series = reading.series(found.images, at, &[]);
    let apart = (middle(&series)? - middle(with)?).abs();
    if apart > 0.05 || !is_really_wide_enough(found, at, &reading) {
        return None;
    }
    let step = reading.step().max(block.reading.step());
    let own = agree(&series, with, |_| 0.002, step);
    let nearest = others
        .iter()
        .map(|other| agree(&series, other, |_| 0.002, step).distance)
        .fold(f64::INFINITY, f64::min);
    // Read two seconds apart it strays while the current changes, to both sides: in the middle it does not.
    let off = |other: &Series| {
        let both = super::relate::pairs(&series, other);
        let apart: Series = both.iter().map(|(own, other)| Some(own - other)).collect();
        middle(&apart).unwrap_or(f64::INFINITY).abs()
    };
    let rest = others
        .iter()
        .map(|other| off(other))
        .fold(f64::INFINITY, f64::min);
    let is_in_the_middle = off(with) <= step && rest >= 4.0 * step;
    let is_it = own.holds()
        && movement(&series) > 0.0
        && (own.distance < 0.6 * nearest || is_in_the_middle)
        && moves_with(&series, with, step);
    is_it.then_some(own)
}

/// Runs of registers that are the voltages of the modules.
fn modules(found: &mut Found<'_>, block: &Block) {
    let cells = block.places.len();
    let counts: Vec<usize> = match block.records {
        records if records > 1 => vec![records],
        _ => (2..=32)
            .filter(|count| cells.is_multiple_of(*count) && cells / count >= 4)
            .collect(),
    };
    let free = found.free();
    for count in counts {
        let sums: Vec<Series> = block.series.chunks(cells / count).map(sum).collect();
        // Floats read one register off look right: the nearest is.
        let mut best: Option<(f64, Proposal)> = None;
        for at in &free {
            for reading in number_readings(&[0.1, 0.01, 0.001]) {
                let strides = [reading.width().unwrap_or(1), block.record_stride];
                for stride in strides.into_iter().filter(|stride| *stride > 0) {
                    let run = run_of_modules(found, *at, reading, stride, &sums);
                    let Some((distance, proposal)) = run else {
                        continue;
                    };
                    if best.as_ref().is_none_or(|(known, _)| distance < *known) {
                        best = Some((distance, proposal));
                    }
                }
            }
        }
        if let Some((_, proposal)) = best {
            let proposal = unsure_of_width(found, proposal);
            found.all.push(proposal);
            return;
        }
    }
}

fn run_of_modules(
    found: &Found<'_>,
    at: Register,
    reading: Reading,
    stride: u16,
    sums: &[Series],
) -> Option<(f64, Proposal)> {
    let mut instances = Vec::new();
    let mut first = None;
    let mut distance = 0.0;
    for (place, sum) in (0u16..).zip(sums) {
        let at = at.plus(place.checked_mul(stride)?)?;
        if found.is_taken(at)
            || !found.images.has(at)
            || !is_really_wide_enough(found, at, &reading)
        {
            return None;
        }
        let series = reading.series(found.images, at, &[]);
        let agreement = agree(&series, sum, |size| 0.01 * size, reading.step());
        let around = middle(sum)?;
        let near = (middle(&series)? - around).abs() < 0.01 * around + reading.step();
        let moves =
            moves_with(&series, sum, reading.step()) && jumps_with(&series, sum, reading.step());
        if !near || !agreement.holds() || !moves {
            return None;
        }
        distance += agreement.distance;
        first.get_or_insert(agreement);
        instances.push(at.address);
    }
    let agreement = first?;
    let mut proposal = Proposal::new(Role::ModuleVoltage, at, reading, "V");
    proposal.instances = instances;
    let why = Evidence::AddsUp {
        parts: sums.len(),
        held: agreement.held,
        of: agreement.of,
        moved: agreement.moved,
    };
    Some((distance, proposal.with(why)))
}
