//! The questions that a unit was asked: what each was answered last, and how far apart its answers came.
//!
//! Does not: decode.
//!
//! # Invariants
//! - At most [`MOST`] questions are kept, those answered last; of each at most [`GAPS`] gaps. What is
//!   forgotten takes nothing away that was decoded.

use std::collections::{BTreeMap, VecDeque};
use std::sync::Arc;
use std::time::Duration;

use packside_profiles::Layout;

use super::samples::offset_inside;
use super::stamp::Stamp;
use crate::statistics::median;
use crate::wire::{Ask, Question};

/// Most different questions to one unit: a bit for each fits into a number.
pub(crate) const MOST: usize = 128;
/// Latest gaps that count.
const GAPS: usize = 63;

/// A question with registers in its answer.
#[derive(Debug, Clone)]
pub(crate) struct RegisterQuestion {
    ask: Ask,
    /// The registers of its last answer.
    pub(crate) words: Vec<u16>,
    /// When that was complete.
    pub(crate) last: Stamp,
    /// Gaps between its answers, ms, the newest last.
    gaps: VecDeque<u16>,
    /// Instances inside, by place in the layout, and where they begin.
    pub(crate) inside: Vec<(u16, u16)>,
    /// Those of them that are cells.
    pub(crate) cells: Arc<[u16]>,
}

/// All questions to a unit.
#[derive(Debug, Clone, Default)]
pub(crate) struct Questions {
    asked: Vec<RegisterQuestion>,
    /// There were more than are kept.
    pub(crate) forgot: bool,
}

impl Questions {
    pub(crate) fn get(&self, number: usize) -> Option<&RegisterQuestion> {
        self.asked.get(number)
    }

    /// Bytes that they hold.
    pub(crate) fn held(&self) -> usize {
        let of = |asked: &RegisterQuestion| {
            let pairs = asked.inside.capacity() * size_of::<(u16, u16)>();
            let words = asked.words.capacity() + asked.gaps.capacity() + asked.cells.len();
            pairs + words * size_of::<u16>()
        };
        self.asked.capacity() * size_of::<RegisterQuestion>()
            + self.asked.iter().map(of).sum::<usize>()
    }

    /// Takes an answer. Gives the number of its question and the registers of its answer before, if there
    /// was one. Nothing where the question reads no registers.
    pub(crate) fn take(
        &mut self,
        ask: &Ask,
        words: &[u16],
        at: Stamp,
        cells: &[bool],
        layout: &Layout,
    ) -> Option<(usize, Option<Vec<u16>>)> {
        if !matches!(ask.question, Question::Read { .. }) {
            return None;
        }
        if let Some(number) = self.asked.iter().position(|asked| asked.ask == *ask) {
            let asked = self.asked.get_mut(number)?;
            if let Some(gap) = at.since(asked.last) {
                if asked.gaps.len() >= GAPS {
                    asked.gaps.pop_front();
                }
                let gap = u16::try_from(gap.as_millis()).unwrap_or(u16::MAX);
                asked.gaps.push_back(gap);
            } else {
                asked.gaps.clear();
            }
            asked.last = at;
            let before = std::mem::replace(&mut asked.words, words.to_vec());
            return Some((number, Some(before)));
        }
        let mut asked = RegisterQuestion {
            ask: *ask,
            words: words.to_vec(),
            last: at,
            gaps: VecDeque::new(),
            inside: Vec::new(),
            cells: Arc::default(),
        };
        asked.lay_out(layout, cells);
        if self.asked.len() < MOST {
            self.asked.push(asked);
            return Some((self.asked.len() - 1, None));
        }
        let (number, oldest) = self
            .asked
            .iter_mut()
            .enumerate()
            .min_by_key(|(_, asked)| asked.last)?;
        *oldest = asked;
        self.forgot = true;
        Some((number, None))
    }

    /// Everything stands elsewhere now; `cells` says of each instance whether it is a cell.
    pub(crate) fn lay_out(&mut self, layout: &Layout, cells: &[bool]) {
        self.asked
            .iter_mut()
            .for_each(|asked| asked.lay_out(layout, cells));
    }

    /// When the last answer of this session came.
    pub(crate) fn newest(&self, session: u32) -> Option<Duration> {
        let last = self
            .asked
            .iter()
            .filter_map(|asked| asked.last.within(session));
        last.max()
    }

    /// Numbers of the questions, the one first whose answer is the oldest.
    pub(crate) fn oldest_first(&self) -> Vec<usize> {
        let mut numbers: Vec<usize> = (0..self.asked.len()).collect();
        numbers.sort_by_key(|number| self.asked.get(*number).map(|asked| asked.last));
        numbers
    }

    /// By instance: the middle of the gaps between its samples in this session.
    pub(crate) fn median_gaps(&self, instances: usize, session: u32) -> Vec<Duration> {
        // A bit for each question in which an instance stands.
        let mut inside = vec![0u128; instances];
        for (number, asked) in self.asked.iter().enumerate() {
            if asked.last.session() == session {
                for (index, _) in &asked.inside {
                    if let Some(inside) = inside.get_mut(usize::from(*index)) {
                        *inside |= 1 << number;
                    }
                }
            }
        }
        let mut known: BTreeMap<u128, Duration> = BTreeMap::new();
        let median = |inside: u128| {
            *known
                .entry(inside)
                .or_insert_with(|| self.median_of(inside))
        };
        inside.into_iter().map(median).collect()
    }

    /// The middle of the gaps between the answers to any of these questions, a bit for each.
    fn median_of(&self, inside: u128) -> Duration {
        let asked = self.asked.iter().enumerate();
        let asked = asked.filter(|(number, _)| inside >> number & 1 == 1);
        let gaps: Vec<Duration> = if inside.count_ones() < 2 {
            asked.flat_map(|(_, asked)| asked.gaps()).collect()
        } else {
            let mut times: Vec<Duration> = asked.flat_map(|(_, asked)| asked.times()).collect();
            times.sort_unstable_by(|a, b| b.cmp(a));
            times.truncate(GAPS + 1);
            let pairs = times.iter().zip(times.iter().skip(1));
            pairs
                .map(|(later, earlier)| later.saturating_sub(*earlier))
                .collect()
        };
        median(gaps, Duration::cmp).unwrap_or_default()
    }
}

impl RegisterQuestion {
    fn lay_out(&mut self, layout: &Layout, cells: &[bool]) {
        let instances = layout.instances.iter().zip(0u16..);
        let inside = instances.filter_map(|(instance, index)| {
            let offset = offset_inside(&self.ask, instance)?;
            Some((index, u16::try_from(offset).ok()?))
        });
        self.inside = inside.collect();
        let is_cell = |index: &u16| cells.get(usize::from(*index)) == Some(&true);
        let mine = self.inside.iter().map(|(index, _)| *index).filter(is_cell);
        self.cells = mine.collect();
    }

    fn gaps(&self) -> Vec<Duration> {
        let gaps = self.gaps.iter();
        gaps.map(|ms| Duration::from_millis((*ms).into())).collect()
    }

    /// When its answers came, the newest first.
    fn times(&self) -> Vec<Duration> {
        let mut at = self.last.at();
        let mut times = vec![at];
        for gap in self.gaps.iter().rev() {
            at = at.saturating_sub(Duration::from_millis((*gap).into()));
            times.push(at);
        }
        times
    }
}
