//! Finds the highest and the lowest cell where a unit gives no cells.
//!
//! Does not: look for extremes of known cells.
//!
//! # Traps
//! The voltages of a pack and its terminals at 331.0 V have the digits of cells. But a pack has one voltage:
//! where a third register moves with both and has other digits, a whole number of what lies between both makes it.

use packside_profiles::Role;

use super::blocks::voltages;
use super::claim::{Evidence, Extreme};
use super::images::Register;
use super::plausible::CELL;
use super::proposal::{Found, Proposal};
use super::reading::{Reading, Series};
use super::relate::{
    bounds, correlation, fold, follows, middle, movement, pairs, steps, whole_cells,
};
use super::stack;

/// A register that reads and moves like a cell.
#[derive(Clone)]
struct Like {
    at: Register,
    reading: Reading,
    series: Series,
}

/// A highest and a lowest.
struct Pair {
    high: Like,
    low: Like,
    mean: Series,
    /// Whether nothing else explains them.
    is_sure: bool,
}

/// How far apart the highest and the lowest cell of a unit in use are, V.
// Kind: common practice
const USUAL_SPREAD: f64 = 0.1;

/// How far a voltage jumps along with the cells that make it.
const JUMPING: f64 = 0.3;

/// The highest and the lowest of cells that the unit does not give.
pub(crate) fn without_cells(found: &mut Found<'_>) {
    let Some(pair) = pair(found) else {
        return;
    };
    found.cell = Some(pair.mean.clone());
    let count = found.images.count();
    for (role, which, one) in [
        (Role::CellVoltageMax, Extreme::Highest, &pair.high),
        (Role::CellVoltageMin, Extreme::Lowest, &pair.low),
    ] {
        let why = Evidence::IsExtreme {
            which,
            held: count,
            of: count,
            moved: movement(&one.series),
        };
        let role_or_other = if pair.is_sure { role } else { Role::Other };
        let proposal = Proposal::new(role_or_other, one.at, one.reading, "V").with(why);
        let pack = Reading {
            scale: one.reading.scale * 100.0,
            ..one.reading
        };
        let rivals = [
            (role, one.reading),
            (Role::PackVoltage, pack),
            (Role::TerminalVoltage, pack),
        ];
        found.all.push(if pair.is_sure {
            proposal
        } else {
            proposal.or(rivals)
        });
    }
    if pair.is_sure {
        stack::by_extremes(found, &pair.high.series, &pair.low.series, &pair.mean);
    }
}

/// The widest pair, and whether nothing else explains it.
fn pair(found: &Found<'_>) -> Option<Pair> {
    let likes = likes(found);
    let all = voltages(found);
    let mut best: Option<Pair> = None;
    let mut proven: Vec<[Register; 2]> = Vec::new();
    for high in &likes {
        for low in likes.iter().filter(|low| low.at != high.at) {
            let Some(mut pair) = as_pair(high, low) else {
                continue;
            };
            let others = all
                .iter()
                .filter(|(at, ..)| *at != high.at && *at != low.at);
            let mut others = others.filter(|(.., series)| follows(series, &pair.mean));
            let (high_series, low_series) = (&high.series, &low.series);
            pair.is_sure = others.any(|(at, reading, series)| {
                // Temperatures drift along with a charge, but do not jump along.
                correlation(&steps(series, &pair.mean)) > JUMPING
                    && !is_mean_of_others(*at, &pair, &likes)
                    && !has_same_digits(series, &pair.mean)
                    && !is_sum_of_modules(series, &pair.mean, &all)
                    && is_made(
                        series,
                        reading.step(),
                        (high_series, low_series),
                        &pair.mean,
                    )
            });
            if pair.is_sure {
                proven.push([high.at, low.at]);
            }
            let is_better = best.as_ref().is_none_or(|best| {
                (pair.is_sure, apart_of(&pair)) > (best.is_sure, apart_of(best))
            });
            if is_better {
                best = Some(pair);
            }
        }
    }
    let mut best = best?;
    let own = [best.high.at, best.low.at];
    // Where another pair is as good, except with a mean between both, neither is sure.
    let is_alone = proven.iter().all(|other| {
        other.iter().all(|at| {
            own.contains(at)
                || likes
                    .iter()
                    .any(|like| like.at == *at && is_mean(&like.series, &best))
        })
    });
    // A current or the voltage itself may have the digits of a cell, somewhere else.
    let is_made_of_both = |at: Register| {
        let both = (&best.high.series, &best.low.series);
        let mut own = all.iter().filter(|(other, ..)| *other == at);
        own.any(|(_, reading, series)| is_made(series, reading.step(), both, &best.mean))
    };
    let is_far = |series: &Series| {
        let both = middle(series).zip(middle(&best.mean));
        both.is_some_and(|(own, mean)| (own - mean).abs() > 0.3)
    };
    let is_outermost = likes.iter().all(|other| {
        own.contains(&other.at)
            || !follows(&other.series, &best.mean) && !is_beside(other, &best)
            || !is_even(&other.series, &best.mean, other.reading.step()) && !is_beside(other, &best)
            || is_between(&other.series, &best)
            || (is_far(&other.series) && is_made_of_both(other.at))
    });
    // Farther apart one of both is as likely the voltage of the pack with the digits of a cell.
    let is_tight = apart_of(&best) <= USUAL_SPREAD;
    best.is_sure &= is_alone && is_outermost && is_tight;
    // Without any other voltage that goes with them nothing says that they are voltages at all.
    let mut others = all.iter().filter(|(at, ..)| !own.contains(at));
    (best.is_sure || others.any(|(.., series)| follows(series, &best.mean))).then_some(best)
}

/// Whether a register reads as the mean of two others than a pair: then those are the cells, and it is no voltage of many.
fn is_mean_of_others(at: Register, pair: &Pair, likes: &[Like]) -> bool {
    let is_other = |like: &&Like| ![at, pair.high.at, pair.low.at].contains(&like.at);
    let own = likes.iter().filter(|like| like.at == at);
    own.into_iter().any(|mean| {
        let beside = |side: fn(f64, f64) -> bool| {
            let mut others = likes.iter().filter(is_other);
            others.any(|other| {
                let both = pairs(&other.series, &mean.series);
                let is_side = |(other, mean): &&(f64, f64)| side(*other, *mean);
                let held = both.iter().filter(is_side).count();
                let is_near = both.iter().all(|(a, b)| (a - b).abs() < USUAL_SPREAD);
                other.reading == mean.reading && is_near && held * 20 >= both.len() * 19
            })
        };
        beside(|other, mean| other > mean) && beside(|other, mean| other < mean)
    })
}

fn likes(found: &Found<'_>) -> Vec<Like> {
    let mut all = Vec::new();
    for at in found.free() {
        for scale in [0.001, 0.0001, 0.01] {
            let reading = Reading::plain(scale);
            let series = reading.series(found.images, at, &[]);
            let fits = bounds(&series).is_some_and(|(low, high)| low >= 2.0 && high <= CELL.1);
            if fits && movement(&series) >= (2.0 * scale).max(0.004) {
                all.push(Like {
                    at,
                    reading,
                    series,
                });
            }
        }
    }
    all
}

/// Two that go together, of which one is never below the other.
fn as_pair(high: &Like, low: &Like) -> Option<Pair> {
    let apart = middle(&high.series)? - middle(&low.series)?;
    if !(0.0..=0.3).contains(&apart) || !follows(&high.series, &low.series) {
        return None;
    }
    let step = high.reading.step().max(low.reading.step());
    let coarse = if high.reading == low.reading {
        0.0
    } else {
        step
    };
    let both = pairs(&high.series, &low.series);
    let never_below = both.iter().all(|(high, low)| *high >= *low - coarse);
    if !is_even(&high.series, &low.series, step)
        || !never_below
        || both.iter().all(|(high, low)| high <= low)
    {
        return None;
    }
    let mean = fold(&[high.series.clone(), low.series.clone()], |both| {
        both.iter().sum::<f64>() / 2.0
    });
    Some(Pair {
        high: high.clone(),
        low: low.clone(),
        mean,
        is_sure: false,
    })
}

/// Whether two series move as far as each other: a current read as a cell goes with one, but not volt for volt.
fn is_even(one: &Series, other: &Series, step: f64) -> bool {
    let (one, other) = (movement(one), movement(other));
    one.min(other) >= 0.4 * one.max(other) - 2.0 * step
}

/// Whether a register kept like both lies as near to them as cells do: it may be the extreme that one of both is not.
fn is_beside(other: &Like, pair: &Pair) -> bool {
    let both = middle(&other.series).zip(middle(&pair.mean));
    let is_near = both.is_some_and(|(own, mean)| (own - mean).abs() < USUAL_SPREAD);
    is_near && other.reading == pair.high.reading
}

/// How far apart both are, V.
fn apart_of(pair: &Pair) -> f64 {
    let both = middle(&pair.high.series).zip(middle(&pair.low.series));
    both.map_or(0.0, |(high, low)| high - low)
}

/// Whether a series lies between both in nearly all images.
fn is_between(series: &Series, pair: &Pair) -> bool {
    let triples = series.iter().zip(&pair.high.series).zip(&pair.low.series);
    let all: Vec<bool> = triples
        .filter_map(|((one, high), low)| Some((*one)? <= (*high)? && (*one)? >= (*low)?))
        .collect();
    let held = all.iter().filter(|held| **held).count();
    held * 20 >= all.len() * 19
}

/// Whether a series lies near the middle of both: the mean of the cells.
fn is_mean(series: &Series, pair: &Pair) -> bool {
    let apart = |one: &Series| {
        middle(one)
            .zip(middle(&pair.mean))
            .map(|(a, b)| (a - b).abs())
    };
    let half = apart(&pair.high.series).unwrap_or_default();
    is_between(series, pair) && apart(series).is_some_and(|apart| apart <= 0.4 * half + 0.001)
}

/// Whether two series have the same digits: one may be the other, a decade away.
fn has_same_digits(one: &Series, other: &Series) -> bool {
    let (Some(one), Some(other)) = (middle(one), middle(other)) else {
        return true;
    };
    let decades = (one / other).abs().log10();
    (decades - decades.round()).abs() < 0.033
}

/// Whether as many of a voltage as stand beside each other have the digits of a cell: modules, and the pack made of them.
fn is_sum_of_modules(module: &Series, cell: &Series, all: &[(Register, Reading, Series)]) -> bool {
    let (Some(module), Some(cell)) = (middle(module), middle(cell)) else {
        return false;
    };
    let is_like = |(_, _, series): &&(Register, Reading, Series)| {
        middle(series).is_some_and(|other| (other - module).abs() < 0.02 * module)
    };
    let like: std::collections::BTreeSet<Register> =
        all.iter().filter(is_like).map(|(at, ..)| *at).collect();
    (2..=like.len()).any(|count| {
        let decades = (module * count as f64 / cell).log10();
        (decades - decades.round()).abs() < 0.006
    })
}

/// Whether one and the same whole number of cells between a highest and a lowest makes a voltage in nearly all images.
fn is_made(series: &Series, step: f64, (high, low): (&Series, &Series), mean: &Series) -> bool {
    whole_cells(series, step, (high, low), mean).is_some()
}

#[cfg(test)]
mod tests {
    use packside_profiles::model::Table;

    use super::super::images::Images;
    use super::super::{Proposal, learn};
    use super::*;

    /// Images of registers side by side from 100, of a load that comes and goes.
    fn images(words: impl Fn(f64) -> Vec<f64>) -> Images {
        let mut images = Images::default();
        for (image, load) in (0u16..).zip([0, 1, 3, 2, 0, 4, 4, 1, 3, 0, 2, 4, 0, 1, 3, 2]) {
            let rows = words(f64::from(load));
            #[expect(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "small numbers above zero"
            )]
            let words = (100u16..)
                .zip(rows)
                .map(|(at, word)| (Register::new(Table::Input, at), word.round() as u16));
            images.push(f64::from(image) * 5.0, words.collect::<Vec<_>>());
        }
        images
    }

    fn of(all: &[Proposal], register: u16) -> &Proposal {
        let found = all.iter().find(|one| one.instances.contains(&register));
        found.unwrap_or_else(|| panic!("nothing at {register}: {all:#?}"))
    }

    // Kind: derived (14 cells between 3.602 and 3.648 V make 50.43 to 51.07 V; 140 or 1.4 of them do not: 504.3 V would
    // be 140 cells of a stack, so that the decade above stays possible)
    #[test]
    fn a_whole_number_of_cells_shows_both_extremes_without_any_cell() {
        let all = learn(&images(|load| {
            vec![
                3648.0 - 9.0 * load,
                3602.0 - 9.0 * load,
                5075.0 - 12.6 * load,
            ]
        }));
        assert_eq!(of(&all, 100).role, Role::CellVoltageMax);
        assert_eq!(of(&all, 101).role, Role::CellVoltageMin);
        let volts = of(&all, 102);
        let packs = volts
            .rivals
            .iter()
            .filter(|(role, _)| *role == Role::PackVoltage);
        let mut scales: Vec<f64> = packs.map(|(_, reading)| reading.scale).collect();
        scales.sort_by(f64::total_cmp);
        assert_eq!(scales, [0.01, 0.1], "{volts:#?}");
    }

    // Kind: derived (96 cells between 3.602 and 3.648 V make 345.8 to 350.2 V; ten times as many are none)
    #[test]
    fn where_one_decade_is_left_it_is_the_voltage_of_the_stack() {
        let all = learn(&images(|load| {
            vec![
                3648.0 - 9.0 * load,
                3602.0 - 9.0 * load,
                4777.0 - 12.0 * load,
            ]
        }));
        // 477.7 V of 132 cells; 47.77 V would be 13.2, and 4777 V is none.
        let volts = of(&all, 102);
        assert_eq!(
            (volts.role, volts.reading.scale),
            (Role::PackVoltage, 0.1),
            "{volts:#?}"
        );
    }

    // Kind: invented (pack and terminals at 331.0 V have the digits of cells, and nothing else is there)
    #[test]
    fn two_voltages_of_one_pack_are_no_cells() {
        let all = learn(&images(|load| {
            vec![3310.0 - 9.0 * load, 3306.0 - 9.0 * load]
        }));
        let cells = [Role::CellVoltageMax, Role::CellVoltageMin];
        assert!(all.iter().all(|one| !cells.contains(&one.role)), "{all:#?}");
    }

    // Kind: invented (81 of 2.88 V make 233.9 V, but the three drift, and none jumps where another does)
    #[test]
    fn what_only_drifts_along_makes_no_cells() {
        let mut images = Images::default();
        for image in 0u16..32 {
            let rows = [
                2863 + image / 4,
                2899 + (image + 2) / 4,
                2339 + (image + 1) / 4,
            ];
            let words = (100u16..).zip(rows);
            let words = words.map(|(at, word)| (Register::new(Table::Input, at), word));
            images.push(f64::from(image) * 5.0, words.collect::<Vec<_>>());
        }
        let all = learn(&images);
        let cells = [Role::CellVoltageMax, Role::CellVoltageMin];
        assert!(all.iter().all(|one| !cells.contains(&one.role)), "{all:#?}");
    }
}
