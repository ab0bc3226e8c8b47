//! Finds what known cells add up to: the voltages of the pack, of its terminals and of its modules.
//!
//! Does not: look for a voltage where there are no cells.

use packside_profiles::Role;

use super::blocks::{Block, is_one_cell};
use super::claim::Evidence;
use super::images::Register;
use super::proposal::{
    Found, Proposal, is_really_wide_enough, longest_run, number_readings, unsure_of_width,
};
use super::reading::{Reading, Series};
use super::relate::{
    agree, bounds, correlation, jumps_with, middle, movement, moves_with, pairs, sum,
};

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
            // At the terminals it swings more: by what contactors and cables take.
            let level = correlation(&pairs(&series, pack));
            let swings = level > 0.9 && movement(&series) < 8.0 * movement(pack);
            let moves = (swings || moves_with(&series, pack, reading.step()))
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
    without_overlaps(found, &all, pack)
}

/// Of readings that share a register, the one that goes best with a series: a float read one register off looks right.
fn without_overlaps(
    found: &Found<'_>,
    all: &[(f64, Proposal)],
    with: &Series,
) -> Vec<(f64, Proposal)> {
    let goes = |one: &Proposal| {
        let first = one.instances.first().copied().unwrap_or_default();
        let at = Register::new(one.table, first);
        let series = one.reading.series(found.images, at, &[]);
        correlation(&pairs(&series, with))
    };
    // A high word between two low ones makes the same number with either: what leaves both their own goes first.
    let shares = |one: &Proposal| {
        let others = all.iter().filter(|(_, other)| *other != *one);
        others.filter(|(_, other)| overlaps(one, other)).count()
    };
    let mut ranked: Vec<(f64, usize, (f64, Proposal))> = (all.iter())
        .map(|one| (goes(&one.1), shares(&one.1), one.clone()))
        .collect();
    ranked.sort_by(|one, two| two.0.total_cmp(&one.0).then(one.1.cmp(&two.1)));
    let mut kept: Vec<(f64, Proposal)> = Vec::new();
    for (.., one) in ranked {
        if !kept.iter().any(|(_, other)| overlaps(&one.1, other)) {
            kept.push(one);
        }
    }
    kept.sort_by_key(|(_, one)| (one.table, one.instances.first().copied()));
    kept
}

/// Whether two proposals of one instance each share a register.
fn overlaps(one: &Proposal, other: &Proposal) -> bool {
    let first = one.instances.first().copied().unwrap_or_default();
    let mut registers = (0..one.registers).filter_map(|further| first.checked_add(further));
    registers.any(|address| other.covers(Register::new(one.table, address)))
}

/// Registers that are the voltage of the pack: the nearest stands for it, another for one of both sides.
pub(super) fn voltages(found: &mut Found<'_>, pack: &Series, block: &Block) {
    let all = like_pack(found, pack, block);
    // Packs side by side give their voltages side by side; of a stack one register has it, or two.
    let side_by_side = match block.strings {
        3.. => Some(side_by_side(&all)).filter(|run| run.len() == block.strings),
        _ => None,
    };
    let side_by_side = side_by_side.unwrap_or_default();
    let (beside, mut alone): (Vec<_>, Vec<_>) = all
        .into_iter()
        .partition(|(_, one)| side_by_side.contains(&one.instances));
    // Where each pack of a rack has its own, another voltage is not one of them.
    let is_whole = !beside.is_empty();
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
    shown_first(&mut alone, pack);
    // Which of two is gone while the switches are open, no number tells as long as they are closed.
    let is_pair = alone.len() > 1;
    let roles = roles(&alone, block, is_whole);
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

/// What shows the movement goes before what is too coarse for it: a module has the digits of ten.
fn shown_first(alone: &mut Vec<(f64, Proposal)>, pack: &Series) {
    let is_coarse = |one: &Proposal| movement(pack) < 3.0 * one.reading.step();
    alone.sort_by(|a, b| {
        let coarse = is_coarse(&a.1).cmp(&is_coarse(&b.1));
        coarse.then(a.0.total_cmp(&b.0))
    });
    if alone.first().is_some_and(|(_, first)| !is_coarse(first)) {
        alone.retain(|(_, one)| !is_coarse(one) || one.reading.step() < 1.0);
    }
}

/// What a voltage of the pack may be. Where not each pack has one of its own, and none stands among the cells of one, it
/// is that of all.
fn roles(alone: &[(f64, Proposal)], block: &Block, is_whole: bool) -> &'static [Role] {
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
    if is_each {
        &[
            Role::PackVoltage,
            Role::TerminalVoltage,
            Role::ModuleVoltage,
        ]
    } else {
        &[Role::PackVoltage, Role::TerminalVoltage]
    }
}

/// Fewest cells in series of ten packs side by side: below 40 V no inverter takes what they give.
// Kind: common practice
const FEWEST_IN_PACK: usize = 12;

/// Ten strings side by side instead of one have the digits of a decade less.
pub(super) fn other_decades(block: &Block, reading: &Reading) -> Vec<Reading> {
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

/// Runs of registers that are the voltages of the modules.
pub(super) fn modules(found: &mut Found<'_>, block: &Block) {
    let cells = block.places.len();
    let counts: Vec<usize> = match block.records {
        records if records > 1 => vec![records],
        _ => (2..=32)
            .filter(|count| cells.is_multiple_of(*count) && cells / count >= 4)
            .collect(),
    };
    let free = found.free();
    // Floats read one register off look right, and so do others of which more stand side by side: the nearest is.
    let mut best: Option<(f64, Proposal)> = None;
    for count in counts {
        let sums: Vec<Series> = block.series.chunks(cells / count).map(sum).collect();
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
    }
    if let Some((_, proposal)) = best {
        let proposal = unsure_of_width(found, proposal);
        found.all.push(proposal);
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
        distance += agreement.distance / around / sums.len() as f64;
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
