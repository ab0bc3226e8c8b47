//! Cuts the wanted points into the set of reads that takes the line the least time.
//!
//! Takes placed [`Instance`]s, the spans that may be read, the ranges that lose their content when
//! read, and the [`Cost`] of a read on this line. Gives [`Read`]s whose total time is an exact
//! minimum.
//!
//! Does not: ask anything, know a clock, or read what is not inside a span.
//!
//! # Invariants
//! - No read leaves a span, holds more than 125 registers (2000 bits), or touches a register that
//!   clears when read and that nobody wants.
//! - Every instance is whole inside one read, and in exactly one read's list.
//!
//! # Why a dynamic programme over starts is exact
//! A read costs a fixed part plus a part that grows with its length, and every limit on a read
//! also holds for any shorter read inside it. So a best set exists in which no read lies inside
//! another: starts and ends rise together. Then each instance may be given to the last read that
//! starts at or before it (some read covers it, and a later one ends later still), which makes
//! every read serve a run of instances in order of start. Trying all runs tries all such sets.
//!
//! # Sources
//! - Modbus Application Protocol V1.1b3, 6.1 to 6.4: 2000 bits, 125 registers; lengths of request
//!   and response
//! - Modbus over Serial Line V1.02, 2.5.1.1: silence of 3.5 characters between frames

use std::ops::Range;
use std::time::Duration;

use packside_profiles::model::{Base, Span, Table};
use packside_profiles::{Instance, Known, LineSettings};

/// Bytes of a read request on a serial line: unit, function, address, count, CRC.
const REQUEST_BYTES: usize = 8;
/// Bytes of a read answer beside its data: unit, function, byte count, CRC.
const ANSWER_BYTES: usize = 5;

/// What a read costs on this link.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Cost {
    /// Line settings; `None` where no line limits us (a network).
    pub line: Option<LineSettings>,
    /// Usual time from the end of a request to the first byte of its answer.
    pub answer_time: Duration,
}

impl Cost {
    /// Time that one read takes: request, silence, answer time, answer, silence.
    pub fn of(&self, table: Table, count: u16) -> Duration {
        let Some(line) = self.line else {
            return self.answer_time;
        };
        let bytes = REQUEST_BYTES + ANSWER_BYTES + data_bytes(table, count);
        line.characters(bytes) + line.frame_silence() * 2 + self.answer_time
    }
}

/// Bytes that the items of a read take in the answer.
fn data_bytes(table: Table, count: u16) -> usize {
    match table {
        Table::Coil | Table::Discrete => usize::from(count).div_ceil(8),
        Table::Holding | Table::Input => usize::from(count) * 2,
    }
}

/// Most items that one read may ask for.
fn most(table: Table) -> u32 {
    match table {
        Table::Coil | Table::Discrete => 2000,
        Table::Holding | Table::Input => 125,
    }
}

/// One question of a plan, and what it is for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Read {
    /// Address space.
    pub table: Table,
    /// First item, 0-based.
    pub address: u16,
    /// Number of items.
    pub count: u16,
    /// Indices into the wanted instances that this read serves.
    pub instances: Vec<usize>,
}

impl Read {
    /// Whether this read touches any item of an absolute span.
    pub fn touches(&self, span: &Span) -> bool {
        let last = u32::from(self.address) + u32::from(self.count.max(1)) - 1;
        self.table == span.table && u32::from(span.from) <= last && span.to >= self.address
    }
}

/// The same registers of the same table, whoever wants them. Ends are inclusive and wide enough
/// for the last register there is.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
struct Block {
    table: Table,
    first: u32,
    last: u32,
    wanted_by: Vec<usize>,
}

/// The cheapest set of reads for `wanted`.
///
/// `spans` are the ranges that may be read and `clears_when_read` those that may be read only
/// where wanted; both count from 0 (see [`absolute`]), others are ignored. An instance that no
/// span holds, or that is too long for one read, is in no read: see [`unplanned`].
pub fn plan(
    wanted: &[Instance],
    spans: &[Span],
    clears_when_read: &[Span],
    cost: &Cost,
) -> Vec<Read> {
    let mut blocks = blocks(wanted);
    blocks.retain(|block| can_be_read(block, spans));
    let limits = limits(&blocks, spans, clears_when_read);
    let blocks: Vec<(Block, u32)> = blocks.into_iter().zip(limits).collect();
    runs(&blocks, cost)
        .into_iter()
        .filter_map(|run| blocks.get(run))
        .filter_map(|run| hull(run.iter().map(|(block, _)| block)))
        .collect()
}

/// Indices of wanted instances that no read serves.
pub fn unplanned(wanted: &[Instance], reads: &[Read]) -> Vec<usize> {
    let mut served = vec![false; wanted.len()];
    for index in reads.iter().flat_map(|read| &read.instances) {
        if let Some(seen) = served.get_mut(*index) {
            *seen = true;
        }
    }
    served
        .iter()
        .enumerate()
        .filter(|(_, seen)| !**seen)
        .map(|(index, _)| index)
        .collect()
}

/// Spans with their addresses counted from 0, where `known` tells the start of their model.
pub fn absolute(spans: &[Span], known: &Known) -> Vec<Span> {
    let place = |span: &Span| match span.base {
        Base::Absolute => Some(span.clone()),
        Base::Model(id) => {
            let (start, _) = known.models.get(&id)?;
            let (from, to) = (start.checked_add(span.from)?, start.checked_add(span.to)?);
            Some(Span {
                table: span.table,
                base: Base::Absolute,
                from,
                to,
            })
        }
    };
    spans.iter().filter_map(place).collect()
}

/// Least time that the line needs for these reads.
pub fn cycle_time(reads: &[Read], cost: &Cost) -> Duration {
    reads
        .iter()
        .map(|read| cost.of(read.table, read.count))
        .sum()
}

/// What is left of a refused read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Split {
    /// Ask these instead.
    Halves(Read, Read),
    /// Nothing to halve: these instances do not exist in this unit.
    Missing(Vec<usize>),
}

/// Halves a read that the unit refused with exception 02 (illegal data address).
///
/// Each half holds fewer instances (those of the same registers stay together) and no registers
/// beyond theirs, so repeated splitting ends, and a gap that does not exist drops out by itself.
pub fn split(read: &Read, wanted: &[Instance]) -> Split {
    let mut blocks = blocks(wanted);
    for block in &mut blocks {
        block
            .wanted_by
            .retain(|index| read.instances.contains(index));
    }
    blocks.retain(|block| !block.wanted_by.is_empty());
    let (left, right) = blocks.split_at(blocks.len() / 2);
    match (hull(left), hull(right)) {
        (Some(left), Some(right)) => Split::Halves(left, right),
        _ => Split::Missing(read.instances.clone()),
    }
}

/// Groups instances by the registers they stand in, in order of table and start.
fn blocks(wanted: &[Instance]) -> Vec<Block> {
    let mut blocks: Vec<Block> = wanted
        .iter()
        .enumerate()
        .filter(|(_, instance)| instance.registers > 0)
        .map(|(index, instance)| Block {
            table: instance.table,
            first: u32::from(instance.address),
            last: u32::from(instance.address) + u32::from(instance.registers) - 1,
            wanted_by: vec![index],
        })
        .collect();
    blocks.sort_unstable();
    blocks.dedup_by(|next, kept| {
        let same = (next.table, next.first, next.last) == (kept.table, kept.first, kept.last);
        if same {
            kept.wanted_by.append(&mut next.wanted_by);
        }
        same
    });
    blocks
}

/// Whether one read can hold the block, and some span holds it.
fn can_be_read(block: &Block, spans: &[Span]) -> bool {
    let holds = |span: &Span| {
        span.base == Base::Absolute
            && span.table == block.table
            && u32::from(span.from) <= block.first
            && u32::from(span.to) >= block.last
    };
    block.last - block.first < most(block.table) && spans.iter().any(holds)
}

/// For each block, the last register that a read which starts with it may hold.
///
/// It never falls from one block of a table to the next, which lets [`runs`] stop early.
fn limits(blocks: &[Block], spans: &[Span], clears_when_read: &[Span]) -> Vec<u32> {
    let unwanted = unwanted(blocks, clears_when_read);
    let limit = |block: &Block| {
        let end_of_span = spans
            .iter()
            .filter(|span| span.base == Base::Absolute && span.table == block.table)
            .filter(|span| u32::from(span.from) <= block.first)
            .map(|span| u32::from(span.to))
            .max();
        let before_unwanted = unwanted
            .iter()
            .filter(|(table, first, _)| *table == block.table && *first > block.first)
            .map(|(_, first, _)| first - 1)
            .min();
        let full = block.first + most(block.table) - 1;
        [end_of_span, before_unwanted]
            .into_iter()
            .flatten()
            .fold(full, u32::min)
    };
    blocks.iter().map(limit).collect()
}

/// The parts of the clear-on-read ranges that no block covers. Blocks are in order.
fn unwanted(blocks: &[Block], clears_when_read: &[Span]) -> Vec<(Table, u32, u32)> {
    let mut gaps = Vec::new();
    for span in clears_when_read
        .iter()
        .filter(|span| span.base == Base::Absolute)
    {
        let mut next = u32::from(span.from);
        let end = u32::from(span.to);
        for block in blocks.iter().filter(|block| block.table == span.table) {
            if block.first > next && next <= end {
                gaps.push((span.table, next, end.min(block.first - 1)));
            }
            next = next.max(block.last + 1);
        }
        if next <= end {
            gaps.push((span.table, next, end));
        }
    }
    gaps
}

/// The best way to serve the blocks up to some block.
#[derive(Debug, Clone, Copy)]
struct Best {
    /// Time on the line, then items on the line to choose among equals.
    cost: (Duration, u32),
    /// First block of the last run.
    run_starts: usize,
}

/// Cuts blocks, each with the limit of a read starting there, into runs of least total cost.
fn runs(blocks: &[(Block, u32)], cost: &Cost) -> Vec<Range<usize>> {
    let mut best: Vec<Best> = Vec::with_capacity(blocks.len());
    for (end, (last_block, _)) in blocks.iter().enumerate() {
        let (table, mut last) = (last_block.table, 0);
        let mut choice: Option<Best> = None;
        for (start, (block, limit)) in blocks.iter().enumerate().take(end + 1).rev() {
            last = block.last.max(last);
            if block.table != table || last > *limit {
                break;
            }
            let items = last - block.first + 1;
            let before = start.checked_sub(1).and_then(|previous| best.get(previous));
            let (time, others) = before.map_or((Duration::ZERO, 0), |best| best.cost);
            let cost = (
                time + cost.of(table, u16::try_from(items).unwrap_or(u16::MAX)),
                others + items,
            );
            if choice.is_none_or(|choice| cost < choice.cost) {
                choice = Some(Best {
                    cost,
                    run_starts: start,
                });
            }
        }
        // Every block fits into a read of its own, so a choice is there.
        best.extend(choice);
    }
    let mut runs = Vec::new();
    let mut end = best.len();
    while let Some(choice) = end.checked_sub(1).and_then(|last| best.get(last)) {
        runs.push(choice.run_starts..end);
        end = choice.run_starts;
    }
    runs.reverse();
    runs
}

/// The read from the first to the last register of blocks of one table; none without blocks.
fn hull<'a>(blocks: impl IntoIterator<Item = &'a Block> + Clone) -> Option<Read> {
    let first = blocks.clone().into_iter().min_by_key(|block| block.first)?;
    let last = blocks.clone().into_iter().map(|block| block.last).max()?;
    let mut instances: Vec<usize> = blocks
        .into_iter()
        .flat_map(|block| block.wanted_by.clone())
        .collect();
    instances.sort_unstable();
    Some(Read {
        table: first.table,
        address: u16::try_from(first.first).ok()?,
        count: u16::try_from(last - first.first + 1).ok()?,
        instances,
    })
}

#[cfg(test)]
#[path = "plan_tests.rs"]
mod tests;
