//! The probability of what was seen under one pattern at one rate and phase: over every way to assign seen edges to
//! true ones, some missed, some doubled, some stray. Under something else: gaps of any length.
//!
//! Does not: choose rates, phases or patterns (see [`super::infer`]).

use super::seen::{Edge, LampSeen};

/// Densities are per this time, so that products keep a handy size. Cancels out.
const DENSITY_UNIT_MS: f64 = 100.0;

/// Sums the probability of all ways to assign seen edges to predicted ones.
///
/// `row[j]`: the events so far explain the first `j` seen edges; edges before `low` are settled.
pub(super) struct Board<'a> {
    seen: &'a LampSeen,
    stray: f64,
    row: Vec<f64>,
    next: Vec<f64>,
    low: usize,
    /// Cells from here on are 0.
    high: usize,
    /// Weight below which the rest is not worth its time.
    bar: f64,
}

/// Rate and phase are given up once they explain what was seen this much worse than good ones do.
const HOPELESS: f64 = 1e-10;
/// Share of the peak of the density that an edge of a good explanation reaches at least, on average.
const GOOD_SHARE: f64 = 0.3;

impl<'a> Board<'a> {
    pub(super) fn new(seen: &'a LampSeen) -> Self {
        let row = vec![0.0; seen.edges.len() + 1];
        let stray = seen.observer.stray_per_s / 1000.0 * DENSITY_UNIT_MS;
        let mut board = Self {
            seen,
            stray,
            next: row.clone(),
            row,
            low: 0,
            high: 0,
            bar: HOPELESS,
        };
        board.clear();
        board
    }

    fn clear(&mut self) {
        wipe(&mut self.row, 0, self.high);
        wipe(&mut self.next, 0, self.high);
        if let Some(first) = self.row.first_mut() {
            *first = 1.0;
        }
        (self.low, self.high, self.bar) = (0, 1, HOPELESS);
    }

    /// Weight of one rate and phase: one cycle begins `offset` after the middle of the window.
    pub(super) fn weigh(&mut self, cycle_ms: &[u32], stretch: f64, offset: f64) -> f64 {
        self.clear();
        let (from_ms, to_ms) = (self.seen.from_ms, self.seen.to_ms);
        let period: f64 = cycle_ms.iter().map(|time| f64::from(*time) * stretch).sum();
        let start = f64::midpoint(from_ms, to_ms) + offset;
        let mut at_ms = start - ((start - from_ms) / period).ceil() * period;
        while at_ms < to_ms && period > 0.0 {
            let mut lit = true;
            for time in cycle_ms {
                let wanted = lit || self.seen.observer.both_edges;
                let inside = at_ms >= from_ms && at_ms < to_ms;
                if wanted && inside && !self.step(Edge { at_ms, lit }) {
                    return 0.0;
                }
                at_ms += f64::from(*time) * stretch;
                lit = !lit;
            }
        }
        self.end()
    }

    /// Takes one predicted edge; false if what was seen is hopeless to explain so.
    fn step(&mut self, event: Edge) -> bool {
        let observer = self.seen.observer;
        // Edges long past can only be stray.
        let limit = event.at_ms - 4.5 * observer.jitter_ms;
        while self
            .seen
            .edges
            .get(self.low)
            .is_some_and(|edge| edge.at_ms < limit)
        {
            let here = self.row.get(self.low).copied().unwrap_or(0.0);
            self.low += 1;
            self.bar *= GOOD_SHARE * peak(self.seen.observer.jitter_ms);
            self.high = self.high.max(self.low + 1);
            if let Some(then) = self.row.get_mut(self.low) {
                *then += here * self.stray;
            }
        }
        self.skip_strays(event.at_ms + 4.5 * observer.jitter_ms);
        let rim = 2.0 * observer.jitter_ms;
        let at_rim = event.at_ms - self.seen.from_ms < rim || self.seen.to_ms - event.at_ms < rim;
        // At the rim the seen edge may lie outside.
        let missed = if at_rim {
            observer.missed.max(0.3)
        } else {
            observer.missed
        };
        self.high += 2;
        wipe(&mut self.next, self.low, self.high);
        let mut sum = 0.0;
        for (j, here) in self.row.iter().enumerate().take(self.high).skip(self.low) {
            if *here > 0.0 {
                sum += here;
                spread(*here, j, event, missed, self.seen, &mut self.next);
            } else if sum > 0.0 {
                break;
            }
        }
        std::mem::swap(&mut self.row, &mut self.next);
        sum > self.bar
    }

    /// An edge may be stray although a predicted one is near.
    fn skip_strays(&mut self, until_ms: f64) {
        let mut from = self.low;
        while self
            .seen
            .edges
            .get(from)
            .is_some_and(|edge| edge.at_ms < until_ms)
        {
            let here = self.row.get(from).copied().unwrap_or(0.0);
            from += 1;
            if let Some(then) = self.row.get_mut(from) {
                *then += here * self.stray;
            }
        }
        self.high = self.high.max(from + 1);
    }

    /// Whatever is left can only be stray.
    pub(super) fn end(&self) -> f64 {
        let mut left = 1.0;
        let mut sum = 0.0;
        for weight in self.row.iter().skip(self.low).rev() {
            sum += weight * left;
            left *= self.stray;
        }
        sum
    }
}

/// Density of a seen edge right where it was predicted.
fn peak(jitter_ms: f64) -> f64 {
    DENSITY_UNIT_MS / (jitter_ms * std::f64::consts::TAU.sqrt())
}

fn wipe(row: &mut [f64], from: usize, to: usize) {
    let to = to.min(row.len());
    if let Some(part) = row.get_mut(from.min(to)..to) {
        part.fill(0.0);
    }
}

/// Moves the probability of one cell on: the event is missed, seen once, or seen twice.
fn spread(here: f64, j: usize, event: Edge, missed: f64, seen: &LampSeen, next: &mut [f64]) {
    let observer = seen.observer;
    let mut add = |at: usize, weight: f64| {
        if let Some(cell) = next.get_mut(at) {
            *cell += weight;
        }
    };
    add(j, here * missed);
    let Some(edge) = seen.edges.get(j).filter(|edge| edge.lit == event.lit) else {
        return;
    };
    let off = (edge.at_ms - event.at_ms) / observer.jitter_ms;
    if off.abs() > 4.5 {
        return;
    }
    let hit = here * (1.0 - missed) * peak(observer.jitter_ms) * (-0.5 * off * off).exp();
    add(j + 1, hit * (1.0 - observer.doubled));
    let again = seen.edges.get(j + 1).filter(|again| again.lit == event.lit);
    let gap = again.map_or(f64::INFINITY, |again| again.at_ms - edge.at_ms);
    if (0.0..=DOUBLE_WITHIN_MS).contains(&gap) {
        add(
            j + 2,
            hit * observer.doubled * DENSITY_UNIT_MS / DOUBLE_WITHIN_MS,
        );
    }
}

/// A key that bounces, or a finger that does, comes again within this time.
const DOUBLE_WITHIN_MS: f64 = 250.0;

/// Density under "something else": gaps of any length between 60 ms and 4 s, evenly by octave.
pub(super) fn weigh_other(seen: &LampSeen) -> f64 {
    let octaves = (4000.0f64 / 60.0).ln();
    let mut weight = 1.0;
    for pair in seen.edges.windows(2) {
        let [left, right] = pair else { continue };
        let gap = (right.at_ms - left.at_ms).clamp(60.0, 4000.0);
        weight *= DENSITY_UNIT_MS / (gap * octaves);
    }
    if seen.edges.is_empty() {
        1e-3
    } else {
        weight * DENSITY_UNIT_MS / 4000.0
    }
}
