//! Cells from one answer to another: the one that moves far more than the others, and the largest step of
//! the current beside them.
//!
//! Input: the cells that one answer carries, with the current where it carries that too. Output: what two
//! answers showed together. It is kept for good: that the answers have passed out of memory since does
//! not undo it.
//!
//! Does not: say what it means, or give a resistance.

use std::collections::VecDeque;
use std::sync::Arc;
use std::time::Duration;

use packside_profiles::{Layout, Place};

use super::stamp::Stamp;

/// Two answers further apart than this are of two states of charge.
// Kind: invented (a pack at its rated current moves less than a percent in that time)
const TOGETHER: Duration = Duration::from_secs(120);
/// So many newest answers are compared.
const NEWEST: usize = 24;
/// Fewer cells in one answer have no middle worth the name, and no others to compare with.
const SISTERS: usize = 8;
/// The middle cell moves at least this far under a change of the current worth speaking of, V.
// Kind: derived (10 A through 1 mOhm, the order of a cell of such packs)
const MIDDLE_MOVED: f64 = 0.010;
/// The odd cell moves at least so many times as far as the middle one.
const TIMES: f64 = 4.0;
/// And at least this much further, V.
// Kind: invented (many steps of a register, far above the noise of a measurement)
pub(crate) const FURTHER: f64 = 0.100;
/// Least change of the current that shows anything, A.
pub const LEAST_STEP: f64 = 2.0;

/// One answer with cells.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct CellAnswer {
    pub(crate) at: Stamp,
    /// The current in the same answer.
    pub(crate) current: Option<f64>,
    /// Which cells: places in the layout, rising.
    pub(crate) cells: Arc<[u16]>,
    /// Their voltages, V; not a number where one had none.
    pub(crate) volts: Vec<f64>,
}

/// What one cell did between two answers, beside the middle cell.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Moved {
    pub(crate) place: Place,
    pub(crate) from: f64,
    pub(crate) to: f64,
    /// By how much the middle cell moved.
    pub(crate) middle: f64,
}

/// Two answers with a step of the current between them.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct LoadStep {
    /// Current in the one and in the other, as the unit tells it.
    pub(crate) currents: (f64, f64),
    /// Cells that both have, with their voltages in the one and in the other.
    pub(crate) cells: Vec<(Place, f64, f64)>,
}

/// What the cells of a unit did.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct Cells {
    newest: VecDeque<CellAnswer>,
    /// The first cell that stood out.
    pub(crate) odd: Option<Moved>,
    /// The largest step of the current.
    pub(crate) step: Option<LoadStep>,
    /// By the cells that an answer carries: what they do at rest, and whether they move at all.
    held: Vec<Held>,
}

/// Cells of one answer, over time.
#[derive(Debug, Clone, PartialEq)]
struct Held {
    cells: Arc<[u16]>,
    /// At rest, the first of at most ten minutes; how often in a row one was lower than then.
    rest: Option<(Stamp, Vec<f64>)>,
    lower: u32,
    /// Since when every cell has the very same value, in how many answers, and the currents meanwhile.
    same: (Stamp, Vec<f64>),
    samples: u32,
    currents: (f64, f64),
}

/// A cell that holds its voltage at rest falls by no more than this, V, in so long.
// Kind: common practice
const FALLS: f64 = 0.005;
const IN: Duration = Duration::from_secs(600);
/// So many cells that all keep their very value over so many answers and so long, across such a step of the
/// current, A, are no measurement.
// Kind: common practice
const FROZEN: (usize, u32, Duration, f64) = (16, 3, Duration::from_secs(10), 5.0);
/// Different lists of cells that are followed: as many as a unit has modules.
const LISTS: usize = 32;

impl Held {
    fn new(answer: &CellAnswer) -> Self {
        Self {
            cells: Arc::clone(&answer.cells),
            rest: None,
            lower: 0,
            same: (answer.at, answer.volts.clone()),
            samples: 0,
            currents: (f64::INFINITY, f64::NEG_INFINITY),
        }
    }

    fn take(&mut self, answer: &CellAnswer, amps: Option<f64>, at_rest: bool) {
        let is_same = |(a, b): (&f64, &f64)| a.to_bits() == b.to_bits();
        let same = self.same.1.len() == answer.volts.len()
            && self.same.1.iter().zip(&answer.volts).all(is_same);
        if !same {
            (self.same, self.samples) = ((answer.at, answer.volts.clone()), 0);
            self.currents = (f64::INFINITY, f64::NEG_INFINITY);
        }
        self.samples = self.samples.saturating_add(1);
        if let Some(amps) = amps {
            self.currents = (self.currents.0.min(amps), self.currents.1.max(amps));
        }
        let is_old = |(at, _): &(Stamp, Vec<f64>)| answer.at.since(*at).is_none_or(|ago| ago > IN);
        if !at_rest || self.rest.as_ref().is_some_and(is_old) {
            (self.rest, self.lower) = (None, 0);
        }
        if at_rest {
            let (_, then) = self
                .rest
                .get_or_insert_with(|| (answer.at, answer.volts.clone()));
            let fell = then
                .iter()
                .zip(&answer.volts)
                .any(|(then, now)| then - now > FALLS);
            self.lower = if fell {
                self.lower.saturating_add(1)
            } else {
                0
            };
        }
    }

    /// By how much the current changed while no cell moved, where that is no measurement.
    fn frozen(&self, at: Stamp) -> Option<(usize, f64)> {
        let cells = self.same.1.iter().filter(|volts| !volts.is_nan()).count();
        let stood = at.since(self.same.0)?;
        let step = self.currents.1 - self.currents.0;
        (cells >= FROZEN.0 && self.samples >= FROZEN.1 && stood >= FROZEN.2 && step >= FROZEN.3)
            .then_some((cells, step))
    }
}

impl Cells {
    /// Takes the next answer, with the current that was read last; `at_rest` is whether none flows.
    pub(crate) fn take_with(
        &mut self,
        answer: CellAnswer,
        (amps, at_rest): (Option<f64>, bool),
        layout: &Layout,
    ) {
        let place = self.held.iter().position(|held| held.cells == answer.cells);
        if place.is_none() && self.held.len() < LISTS {
            self.held.push(Held::new(&answer));
        }
        let place = place.unwrap_or(self.held.len().saturating_sub(1));
        if let Some(held) = self
            .held
            .get_mut(place)
            .filter(|held| held.cells == answer.cells)
        {
            held.take(&answer, amps, at_rest);
        }
        self.take(answer, layout);
    }

    /// Whether a cell falls at rest, in two answers one after the other.
    pub(crate) fn falls(&self) -> bool {
        self.held.iter().any(|held| held.lower >= 2)
    }

    /// Cells that keep their very value, and the step of the current meanwhile.
    pub(crate) fn frozen(&self) -> Option<(usize, f64)> {
        self.held.iter().find_map(|held| {
            let last = self.newest.iter().rev().find(|one| one.cells == held.cells);
            held.frozen(last?.at)
        })
    }

    /// Takes the next answer.
    fn take(&mut self, answer: CellAnswer, layout: &Layout) {
        let together = |one: &&CellAnswer| {
            let apart = answer.at.since(one.at);
            apart.is_some_and(|apart| apart <= TOGETHER)
        };
        let earlier = || self.newest.iter().filter(together);
        if self.odd.is_none() {
            let mut moved = earlier().filter(|one| any_far(one, &answer));
            self.odd = moved.find_map(|one| odd_one(&pairs(one, &answer), layout));
        }
        let largest = self.step.as_ref().map_or(0.0, LoadStep::change);
        let change = |one: &CellAnswer| Some((one.current? - answer.current?).abs());
        let best = earlier()
            .filter_map(|one| Some((change(one)?, one)))
            .filter(|(change, _)| *change >= LEAST_STEP && *change > largest)
            .max_by(|a, b| a.0.total_cmp(&b.0));
        let has_sisters = |answer: &CellAnswer| answer.known() >= SISTERS;
        if let Some((_, one)) = best.filter(|(_, one)| has_sisters(one) && has_sisters(&answer)) {
            self.step = step(one, &answer, layout);
        }
        if self.newest.len() >= NEWEST {
            self.newest.pop_front();
        }
        if self.newest.capacity() == 0 {
            self.newest.reserve_exact(NEWEST);
        }
        self.newest.push_back(answer);
    }

    /// Bytes that it holds beside itself.
    pub(crate) fn held(&self) -> usize {
        let volts = self.newest.iter().map(|answer| answer.volts.capacity() * 8);
        let step = self.step.as_ref().map_or(0, |step| step.cells.capacity());
        let held = self.held.iter().map(|held| {
            let rest = held.rest.as_ref().map_or(0, |(_, volts)| volts.capacity());
            size_of::<Held>() + 8 * (rest + held.same.1.capacity())
        });
        volts.sum::<usize>()
            + held.sum::<usize>()
            + self.newest.capacity() * size_of::<CellAnswer>()
            + step * size_of::<(Place, f64, f64)>()
    }

    /// Forgets the answers, and keeps what they showed.
    pub(crate) fn forget_answers(&mut self) {
        self.newest.clear();
        self.held.clear();
    }
}

impl CellAnswer {
    /// Cells with a voltage.
    fn known(&self) -> usize {
        self.volts.iter().filter(|volts| !volts.is_nan()).count()
    }
}

impl LoadStep {
    fn change(&self) -> f64 {
        (self.currents.1 - self.currents.0).abs()
    }
}

/// Whether a cell may have moved far from one answer to the other: most never do, and are not looked at any
/// closer.
fn any_far(one: &CellAnswer, other: &CellAnswer) -> bool {
    let far = |(from, to): (&f64, &f64)| (to - from).abs() >= FURTHER;
    if one.cells == other.cells {
        return one.volts.iter().zip(&other.volts).any(far);
    }
    // Answers to other questions carry other cells, mostly.
    one.cells.first() <= other.cells.last() && other.cells.first() <= one.cells.last()
}

/// Cells that both answers have: place in the layout, one voltage and the other.
fn pairs(one: &CellAnswer, other: &CellAnswer) -> Vec<(u16, f64, f64)> {
    let known = |(_, from, to): &(u16, f64, f64)| !from.is_nan() && !to.is_nan();
    let numbered = one.cells.iter().copied().zip(one.volts.iter().copied());
    // Answers to one question have the same cells.
    if one.cells == other.cells {
        let both = numbered.zip(&other.volts);
        return both
            .map(|((cell, from), to)| (cell, from, *to))
            .filter(known)
            .collect();
    }
    let both = numbered.filter_map(|(cell, from)| {
        let place = other.cells.binary_search(&cell).ok()?;
        Some((cell, from, *other.volts.get(place)?))
    });
    both.filter(known).collect()
}

/// The cell that moved much further than the middle one, and the same way.
fn odd_one(moves: &[(u16, f64, f64)], layout: &Layout) -> Option<Moved> {
    let by = |(_, from, to): &(u16, f64, f64)| to - from;
    if moves.len() < SISTERS {
        return None;
    }
    let mut moves = moves.to_vec();
    moves.sort_by(|a, b| by(a).total_cmp(&by(b)));
    let middle = by(moves.get(moves.len() / 2)?);
    let (cell, from, to) = if middle < 0.0 {
        *moves.first()?
    } else {
        *moves.last()?
    };
    let (far, usual) = ((to - from).abs(), middle.abs());
    let is_odd = usual >= MIDDLE_MOVED && far >= TIMES * usual && far - usual >= FURTHER;
    let place = layout.instances.get(usize::from(cell))?.place;
    is_odd.then_some(Moved {
        place,
        from,
        to,
        middle,
    })
}

fn step(one: &CellAnswer, other: &CellAnswer, layout: &Layout) -> Option<LoadStep> {
    let place = |cell: u16| Some(layout.instances.get(usize::from(cell))?.place);
    let cells = pairs(one, other)
        .into_iter()
        .filter_map(|(cell, from, to)| Some((place(cell)?, from, to)));
    Some(LoadStep {
        currents: (one.current?, other.current?),
        cells: cells.collect(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use packside_profiles::Instance;
    use packside_profiles::model::Table;

    fn layout() -> Layout {
        let instance = |item: u16| Instance {
            point: 0,
            place: Place {
                module: Some(1),
                item: Some(item),
            },
            table: Table::Input,
            address: item,
            registers: 1,
        };
        Layout {
            instances: (1..=20).map(instance).collect(),
            pending: Vec::new(),
        }
    }

    fn answer(second: u64, current: f64, volts: impl Fn(u16) -> f64) -> CellAnswer {
        CellAnswer {
            at: Stamp::new(0, Duration::from_secs(second)),
            current: Some(current),
            cells: (0..20).collect(),
            volts: (1..=20).map(volts).collect(),
        }
    }

    fn after(answers: impl IntoIterator<Item = CellAnswer>) -> Cells {
        let mut cells = Cells::default();
        for answer in answers {
            cells.take(answer, &layout());
        }
        cells
    }

    // Kind: derived (50 A through 0.6 mOhm and, in one cell, 12 mOhm more)
    #[test]
    fn cell_that_moves_far_more_than_the_others_is_the_odd_one_both_ways() {
        let rest = || answer(0, 0.0, |_| 3.26);
        let load = |at| answer(at, -50.0, |item| if item == 17 { 2.63 } else { 3.23 });
        let odd = |answers: [CellAnswer; 2]| after(answers).odd.unwrap().place.item;
        assert_eq!(odd([rest(), load(5)]), Some(17));
        let mut later = rest();
        later.at = Stamp::new(0, Duration::from_secs(9));
        assert_eq!(odd([load(5), later]), Some(17));
    }

    #[test]
    fn alike_cells_and_cells_without_a_step_name_nobody() {
        let rest = answer(0, 0.0, |_| 3.26);
        let alike = answer(5, -50.0, |item| 3.23 + 0.001 * f64::from(item % 4));
        assert_eq!(after([rest.clone(), alike]).odd, None);
        // One cell was changed or read wrongly, no current moved the others.
        let jumped = answer(5, 0.0, |item| if item == 3 { 3.05 } else { 3.26 });
        assert_eq!(after([rest, jumped]).odd, None);
    }

    #[test]
    fn what_two_answers_showed_stays_when_they_are_forgotten() {
        let rest = answer(0, 0.0, |_| 3.26);
        let load = answer(5, -50.0, |item| if item == 17 { 2.63 } else { 3.23 });
        let mut cells = after([rest, load]);
        for second in 6..100 {
            cells.take(answer(second, 0.0, |_| 3.25), &layout());
        }
        assert_eq!(cells.odd.unwrap().place.item, Some(17));
        assert_eq!(cells.step.as_ref().unwrap().currents, (0.0, -50.0));
        assert!(cells.newest.len() <= NEWEST);
    }

    #[test]
    fn answers_of_two_sessions_or_far_apart_are_not_compared() {
        let rest = answer(0, 0.0, |_| 3.26);
        let load = answer(200, -50.0, |item| if item == 17 { 2.63 } else { 3.23 });
        assert_eq!(after([rest.clone(), load.clone()]).odd, None);
        let mut other_session = load;
        other_session.at = Stamp::new(1, other_session.at.at());
        assert_eq!(after([rest, other_session]).odd, None);
    }
}
