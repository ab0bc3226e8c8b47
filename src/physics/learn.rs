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

use super::blocks::{Block, blocks};
use super::claim::{Evidence, Extreme};
use super::extremes;
use super::flow;
use super::images::{Images, Register};
use super::pack;
use super::proposal::{Found, Proposal, is_really_wide_enough, number_readings};
use super::reading::{Reading, Series};
use super::relate::{Agreement, agree, fold, highest, lowest, middle, movement, moves_with, sum};
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
    found.pack_is_open = !pack::other_decades(block, &Reading::plain(0.1)).is_empty();
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
            pack::voltages(found, &pack, block);
        }
        extremes(found, block);
        pack::modules(found, block);
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
