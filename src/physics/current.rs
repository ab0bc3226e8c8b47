//! What flows: voltage times current is the power, cells answer to the current, and charge adds up.
//!
//! # Traps
//! The product fixes only the ratio of current and power: a decade in both goes unseen. So a product alone
//! proves nothing of either; the currents that the unit allows, and what a cell's resistance can be, must
//! speak for the same decade. Where cells do not answer clearly, the direction stays open.

use packside_profiles::Role;
use packside_profiles::model::Positive;

use super::bench::Bench;
use super::claim::{Evidence, opposite};
use super::plausible::USUAL_CURRENT;
use super::reading::Series;
use super::relate::{
    agree, bounds, correlation, fold, middle, movement, pairs, present, slope, steps,
};
use super::viable::Candidate;
use super::voltage;

/// Middle of the resistances of one cell under current, ohm, and how many times more or less is usual.
// Kind: common practice (cells of 50 to 300 Ah, with their joints)
const CELL_OHM: (f64, f64) = (0.0008, 3.0);

/// What a wrong decade in a document costs, nats.
// Kind: from memory (a few in a hundred)
const WRONG_KEY: f64 = 3.0;

/// Nats by which one reading must be ahead to stand.
const AHEAD: f64 = 3.5;

/// Nats by which it must be ahead to count as shown by the unit.
const SHOWN: f64 = 5.0;

/// What the voltages did meanwhile.
struct Voltages {
    /// Of the pack.
    pack: Option<Series>,
    /// Of an average cell, or of the pack.
    follows: Option<Series>,
    /// Whether that is of a cell.
    is_cell: bool,
    /// Strings side by side, where that is known.
    strings: Option<usize>,
}

/// Looks at current and power.
pub(super) fn weigh(bench: &mut Bench<'_>) {
    let voltages = voltages(bench);
    let current = bench.of(Role::PackCurrent).first().copied();
    let power = bench.of(Role::PackPower).first().copied();
    limits(bench);
    let Some(current) = current else { return };
    decade(bench, current, power, &voltages);
    direction(bench, current, power, &voltages);
}

fn voltages(bench: &mut Bench<'_>) -> Voltages {
    let score = bench.score;
    let cells = voltage::cells(bench);
    bench.score = score;
    let of = |role| bench.of(role).first().copied();
    let pack = of(Role::PackVoltage).or_else(|| of(Role::TerminalVoltage));
    let pack = pack
        .and_then(|index| bench.best(index))
        .map(|best| best.first().to_vec());
    let sum = cells
        .as_ref()
        .filter(|cells| cells.is_whole)
        .map(|cells| cells.sum.clone());
    let mean = cells.map(|cells| cells.mean);
    let extremes = [Role::CellVoltageMax, Role::CellVoltageMin].map(|role| {
        let index = of(role)?;
        bench.best(index).map(|best| best.first().to_vec())
    });
    let mean = mean.or_else(|| match extremes {
        [Some(high), Some(low)] => Some(fold(&[high, low], |both| both.iter().sum::<f64>() / 2.0)),
        _ => None,
    });
    Voltages {
        pack: pack.clone().or(sum),
        is_cell: mean.is_some(),
        strings: bench.strings,
        follows: mean.or(pack),
    }
}

/// Largest number in either direction.
fn size(series: &[Option<f64>]) -> f64 {
    bounds(series).map_or(0.0, |(low, high)| low.abs().max(high.abs()))
}

/// One reading of the current with one of the power.
struct Pair {
    current: usize,
    power: Option<usize>,
    weight: f64,
    held: (usize, usize),
}

/// Finds the decade of current and power.
fn decade(bench: &mut Bench<'_>, current: usize, power: Option<usize>, voltages: &Voltages) {
    let mut pairs = Vec::new();
    let limit = allowed(bench);
    for (place, own) in bench.candidates(current).iter().enumerate() {
        if size(own.first()) < 2.0 * own.reading.step() || size(own.first()) == 0.0 {
            return;
        }
        let weight = alone(own, voltages, limit);
        let power = power
            .map(|power| bench.candidates(power))
            .unwrap_or_default();
        for (other, theirs) in power.iter().enumerate() {
            if let Some(held) = voltages
                .pack
                .as_ref()
                .and_then(|pack| product(pack, own, theirs))
            {
                let weight = weight - WRONG_KEY * theirs.cost;
                pairs.push(Pair {
                    current: place,
                    power: Some(other),
                    weight,
                    held,
                });
            }
        }
    }
    let is_product = !pairs.is_empty();
    bench.score += match (is_product, power.is_some() && voltages.pack.is_some()) {
        (true, _) => 3.0,
        (false, true) => -1.0,
        _ => 0.0,
    };
    if !is_product {
        for (place, own) in bench.candidates(current).iter().enumerate() {
            let weight = alone(own, voltages, limit);
            pairs.push(Pair {
                current: place,
                power: None,
                weight,
                held: (0, 0),
            });
        }
    }
    pairs.sort_by(|a, b| b.weight.total_cmp(&a.weight));
    choose(bench, current, power, &pairs, is_product, limit);
}

/// Keeps the readings of both that are not far behind the best.
fn choose(
    bench: &mut Bench<'_>,
    current: usize,
    power: Option<usize>,
    pairs: &[Pair],
    is_product: bool,
    limit: Option<f64>,
) {
    let Some(best) = pairs.first() else { return };
    let behind = |nats: f64| {
        pairs
            .iter()
            .filter(move |pair| best.weight - pair.weight < nats)
    };
    let sides = [(Some(current), true), (power.filter(|_| is_product), false)];
    for (index, is_current) in sides {
        let Some(index) = index else { continue };
        let place = |pair: &Pair| {
            if is_current {
                Some(pair.current)
            } else {
                pair.power
            }
        };
        let (left, shown) = {
            let candidates = bench.candidates(index);
            let own = place(best).and_then(|place| candidates.get(place));
            let Some(own) = own else { continue };
            let others = |nats: f64| -> Vec<usize> {
                let mut left: Vec<usize> = place(best).into_iter().collect();
                for other in behind(nats).filter_map(place) {
                    let is_new = candidates
                        .get(other)
                        .is_some_and(|other| !other.is_same(own));
                    if is_new && !left.contains(&other) {
                        left.push(other);
                    }
                }
                left
            };
            (others(AHEAD), others(SHOWN).len() == 1)
        };
        let is_stated = bench
            .candidates(index)
            .first()
            .is_some_and(|one| one.cost == 0.0)
            && left.first() == Some(&0);
        let (held, of) = best.held;
        let why = Evidence::Product { held, of };
        match (shown && is_product, is_stated) {
            (true, _) => bench.prove(index, left, why),
            // As the document says, and nothing against it.
            (false, true) if left.len() == 1 => {
                if is_product {
                    bench.note(index, why);
                }
            }
            (false, _) if is_product => bench.prove(index, left, why),
            (false, _) => bench.keep(index, &left),
        }
        if let Some(limit) = limit.filter(|_| is_current) {
            let flowed = bench.best(index).map_or(0.0, |best| size(best.first()));
            if flowed <= limit {
                bench.note(index, Evidence::BelowLimit { limit });
            }
        }
    }
}

/// The larger of the currents that the unit allows, as far as it says so.
fn allowed(bench: &Bench<'_>) -> Option<f64> {
    let limits = [Role::ChargeLimit, Role::DischargeLimit];
    let best = limits.iter().filter_map(|role| {
        let index = bench.of(*role).first().copied()?;
        bounds(bench.best(index)?.first()).map(|(_, high)| high)
    });
    best.filter(|limit| *limit > 0.0).reduce(f64::max)
}

/// What speaks for a reading of the current without the power, nats.
fn alone(own: &Candidate, voltages: &Voltages, limit: Option<f64>) -> f64 {
    let mut weight = -WRONG_KEY * own.cost;
    let flowed = size(own.first());
    if flowed > USUAL_CURRENT {
        weight -= 3.5;
    }
    if let Some(limit) = limit {
        weight -= if flowed > 1.1 * limit {
            4.0
        } else if flowed < 0.01 * limit {
            2.5
        } else {
            0.0
        };
    }
    if let Some(ohm) = answer(own.first(), voltages).filter(|_| voltages.is_cell) {
        let (usual, spread) = CELL_OHM;
        // Of several strings each carries its share.
        let (ohm, spread) = match voltages.strings {
            Some(strings) => (ohm.abs() * strings as f64, spread),
            None => (ohm.abs() * 1.5, 1.5 * spread),
        };
        let apart = (ohm / usual).ln() / spread.ln();
        weight -= (0.5 * apart * apart).min(4.0);
    }
    weight
}

/// What one ampere does to the voltage, where it clearly does.
fn answer(current: &[Option<f64>], voltages: &Voltages) -> Option<f64> {
    let follows = voltages.follows.as_ref()?;
    let levels = pairs(current, follows);
    let changes = steps(current, follows);
    let moved = movement(current);
    if levels.len() < 6 || moved < 0.15 * size(current) || moved <= 0.0 {
        return None;
    }
    let (by_level, by_step) = (correlation(&levels), correlation(&changes));
    let is_clear = by_step.abs() > 0.6 && by_level * by_step >= 0.0;
    let is_level = by_level.abs() > 0.85 && by_level * by_step >= 0.0;
    if !is_clear && !is_level {
        return None;
    }
    slope(if is_clear { &changes } else { &levels })
}

/// Whether voltage times current is the power, whatever their directions.
fn product(pack: &[Option<f64>], own: &Candidate, theirs: &Candidate) -> Option<(usize, usize)> {
    let (current, power) = (own.first(), theirs.first());
    let volts = middle(pack)?;
    let largest = volts * size(current);
    let ratio = size(power) / largest;
    if !(0.5..2.0).contains(&ratio) {
        return None;
    }
    let made = fold(&[pack.to_vec(), current.to_vec()], |both| {
        both.iter().product()
    });
    let step = volts * own.reading.step() + theirs.reading.step();
    let share = |size: f64| 0.04 * size;
    let turned: Series = power
        .iter()
        .map(|watts| watts.map(|watts| -watts))
        .collect();
    let both = [
        agree(&made, power, share, step),
        agree(&made, &turned, share, step),
    ];
    let found = both.into_iter().max_by_key(|one| one.held)?;
    let is_large = largest > 3.0 * step;
    (found.holds() && is_large).then_some((found.held, found.of))
}

/// Finds the direction of current and power.
fn direction(bench: &mut Bench<'_>, current: usize, power: Option<usize>, voltages: &Voltages) {
    let Some(own) = bench.best(current).map(|best| best.first().to_vec()) else {
        return;
    };
    let Some(ohm) = answer(&own, voltages).or_else(|| stored(bench, &own)) else {
        return;
    };
    let positive = if ohm > 0.0 {
        Positive::Charge
    } else {
        Positive::Discharge
    };
    let why = Evidence::Responds {
        milliohm: ohm.abs() * 1_000.0,
    };
    turn(bench, current, positive, why);
    let Some(power) = power else { return };
    let Some(theirs) = bench.best(power).map(|best| best.first().to_vec()) else {
        return;
    };
    let both = pairs(&own, &theirs);
    let with = both.iter().filter(|(a, b)| a * b > 0.0).count();
    let against = both.iter().filter(|(a, b)| a * b < 0.0).count();
    if with > 3 * against && with > 0 {
        turn(bench, power, positive, Evidence::SameDirection);
    } else if against > 3 * with && against > 0 {
        turn(bench, power, opposite(positive), Evidence::SameDirection);
    }
}

/// Whether the charge rose or fell while the current kept its direction: sign only.
fn stored(bench: &Bench<'_>, current: &[Option<f64>]) -> Option<f64> {
    let index = bench.of(Role::Soc).first().copied()?;
    let soc = bench.best(index)?;
    let both = pairs(current, soc.first());
    let flowing = present(current);
    let up = flowing.iter().filter(|one| **one > 0.0).count();
    let is_steady = up * 20 >= flowing.len() * 19 || up * 20 <= flowing.len();
    let change = both.last()?.1 - both.first()?.1;
    let is_clear = change.abs() >= 2.0 * soc.reading.step() && soc.reading.step() > 0.0;
    let way = if up * 2 > flowing.len() { 1.0 } else { -1.0 };
    (is_steady && is_clear).then_some(change.signum() * way * 1e-6)
}

/// Sets the direction in every candidate of a point.
fn turn(bench: &mut Bench<'_>, index: usize, positive: Positive, why: Evidence) {
    let stated = bench
        .claims
        .get(index)
        .and_then(|claim| claim.reading.positive);
    let is_open = stated.is_none();
    if let Some(viable) = bench.viable.get_mut(index) {
        for candidate in &mut viable.candidates {
            if candidate.reading.positive != Some(positive) {
                candidate.reading.positive = Some(positive);
                candidate.cost += if is_open { 0.01 } else { 0.1 };
            }
        }
    }
    bench.note(index, why);
}

/// Makers give both limits the same step. Where a document does not, and so makes one of them many times the
/// other, one of both steps is doubtful.
fn limits(bench: &mut Bench<'_>) {
    let points =
        [Role::ChargeLimit, Role::DischargeLimit].map(|role| bench.of(role).first().copied());
    let [Some(charge), Some(discharge)] = points else {
        return;
    };
    let of = |index: usize| {
        let best = bench.best(index)?;
        let allowed = middle(best.first()).filter(|allowed| *allowed > 0.0)?;
        Some((best.reading.scale, allowed / best.reading.scale))
    };
    let (Some(one), Some(other)) = (of(charge), of(discharge)) else {
        return;
    };
    let far = |ratio: f64| !(0.25..=4.0).contains(&ratio);
    let apart = one.0 * one.1 / (other.0 * other.1);
    if super::claim::is_near(one.0, other.0) || !far(apart) || far(one.1 / other.1) {
        return;
    }
    for (index, scale) in [(charge, other.0), (discharge, one.0)] {
        let candidates = bench.candidates(index).iter().enumerate();
        let like = candidates.filter(|(place, candidate)| {
            *place == 0 || super::claim::is_near(candidate.reading.scale, scale)
        });
        let left: Vec<usize> = like.map(|(place, _)| place).collect();
        if let Some(proven) = bench.proven.get_mut(index).filter(|_| left.len() > 1) {
            *proven = Some(left);
        }
    }
}
