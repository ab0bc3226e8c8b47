//! What adds up: cells to the pack, cells to modules, extremes of cells and of sensors, both voltages.
//!
//! Does not: look at currents.
//!
//! # Traps
//! The sum of ten cells at 0.01 has the digits of any single one, so the decade of cells is taken from what a
//! cell can be and never from the sum. A mean lies next to the highest: nearer to the right one counts.

use packside_profiles::Role;
use packside_profiles::model::Key;

use super::bench::Bench;
use super::claim::{Claim, Evidence, Extreme};
use super::reading::Series;
use super::relate::{
    Agreement, agree, correlation, fold, highest, lowest, middle, movement, pairs, present, sum,
};
use super::viable::Candidate;

/// Cells as they are read now.
pub(crate) struct Cells {
    /// Their point.
    pub(crate) index: usize,
    pub(crate) each: Vec<Series>,
    pub(crate) sum: Series,
    pub(crate) high: Series,
    pub(crate) low: Series,
    pub(crate) mean: Series,
    pub(crate) step: f64,
    /// Whether all of them were read.
    pub(crate) is_whole: bool,
}

/// Share by which a pack voltage may differ from the sum of its cells: two meters, not one.
// Kind: common practice
const SUM_TOLERANCE: f64 = 0.01;

/// By how much an extreme may differ from the cells read a moment earlier, V.
// Kind: common practice
const EXTREME_TOLERANCE: f64 = 0.003;

/// Coarsest step of a cell, V: beside one of a volt every cell is the highest.
// Kind: common practice
const COARSEST: f64 = 0.1;

/// Cells of packs side by side lie nearer to each other, V.
// Kind: common practice
const FAR: f64 = 0.1;

/// Looks at all voltages and temperatures.
pub(super) fn weigh(bench: &mut Bench<'_>) {
    let cells = cells(bench);
    if let Some(cells) = &cells {
        extremes(bench, cells);
        modules_of(bench, cells);
    }
    pack(bench, cells.as_ref());
    if let Some(cells) = &cells {
        not_extremes(bench, cells);
    }
    modules_by_pack(bench);
    terminal(bench, cells.as_ref());
    whole_cells(bench);
    order_of_extremes(bench);
    temperatures(bench);
    charge(bench);
}

/// The cells, if they look like cells.
pub(super) fn cells(bench: &mut Bench<'_>) -> Option<Cells> {
    let index = bench.of(Role::CellVoltage).first().copied()?;
    let instances = bench.claims.get(index)?.instances.len();
    let best = bench.best(index)?;
    let each = best.series.clone();
    let step = best.reading.step();
    let middles: Vec<f64> = each.iter().filter_map(|one| middle(one)).collect();
    let (low, high) = (lowest(&middles), highest(&middles));
    // Cells of one pack lie near each other; one may be broken, not most.
    let typical = crate::statistics::median(middles.clone(), f64::total_cmp)?;
    let near = middles
        .iter()
        .filter(|one| (**one - typical).abs() < 0.15 * typical);
    if near.count() * 10 < middles.len() * 9 || high - low > 2.5 {
        bench.score -= 3.0;
        return None;
    }
    bench.score += (middles.len() as f64).ln();
    let is_whole = each.len() == instances && middles.len() == instances;
    Some(Cells {
        index,
        sum: sum(&each),
        high: fold(&each, highest),
        low: fold(&each, lowest),
        mean: fold(&each, |values| {
            values.iter().sum::<f64>() / values.len() as f64
        }),
        each,
        step,
        is_whole,
    })
}

fn held(agreement: Agreement) -> (usize, usize, f64) {
    let moved = if agreement.together {
        agreement.moved
    } else {
        0.0
    };
    (agreement.held, agreement.of, moved)
}

/// Candidates of a point that agree with a series, and the first agreement.
fn agreeing(
    candidates: &[Candidate],
    with: &[Option<f64>],
    share: f64,
    least: f64,
) -> (Vec<usize>, Option<Agreement>) {
    let mut places = Vec::new();
    let mut first = None;
    for (place, candidate) in candidates.iter().enumerate() {
        let step = candidate.reading.step();
        let found = agree(candidate.first(), with, |size| share * size + least, step);
        if found.holds() {
            places.push(place);
            first.get_or_insert(found);
        }
    }
    (places, first)
}

fn pack(bench: &mut Bench<'_>, cells: Option<&Cells>) {
    let Some(index) = bench.of(Role::PackVoltage).first().copied() else {
        return;
    };
    let modules = modules(bench);
    let (whole, parts, coarse) = match (cells.filter(|cells| cells.is_whole), modules) {
        (Some(cells), _) => (cells.sum.clone(), cells.each.len(), cells.step),
        (None, Some((sum, count, step))) => (sum, count, step),
        (None, None) => return,
    };
    let rounding = parts as f64 * coarse / 2.0;
    let is_several = !bench.of(Role::PackCount).is_empty() || parts >= 20;
    let strings = strings(parts, is_several);
    let mut found: Vec<(usize, usize, Agreement)> = Vec::new();
    for strings in strings {
        let share = |sum: &Option<f64>| sum.map(|sum| sum / strings as f64);
        let one: Series = whole.iter().map(share).collect();
        let rounding = rounding / strings as f64;
        for (place, candidate) in bench.candidates(index).iter().enumerate() {
            let step = candidate.reading.step();
            let with = |size: f64| SUM_TOLERANCE * size + rounding;
            let agreement = agree(candidate.first(), &one, with, step);
            if agreement.holds() && !found.iter().any(|known| known.0 == place) {
                found.push((place, strings, agreement));
            }
        }
    }
    found.sort_by_key(|one| one.0);
    let Some((place, strings, agreement)) = found.first().copied() else {
        let is_none = bench.candidates(index).is_empty();
        bench.score -= if is_none { 0.0 } else { 2.0 };
        return;
    };
    let (held, of, moved) = held(agreement);
    let one = middle(&whole).unwrap_or_default() / strings as f64;
    let is_near = agreement.distance < 0.004 * one + rounding;
    let speaks = match (agreement.together, is_near) {
        (true, true) => 5.0,
        (true, false) => 3.0,
        (false, true) => 2.0,
        (false, false) => 1.0,
    };
    bench.score += if strings > 1 { speaks - 1.0 } else { speaks };
    let parts = parts / strings;
    let why = Evidence::AddsUp {
        parts,
        held,
        of,
        moved,
    };
    // Packs side by side: ten of them have the digits of one decade less.
    let is_sure = found.iter().all(|(_, other, _)| *other == strings);
    let is_stated = bench
        .candidates(index)
        .get(place)
        .is_some_and(|one| one.cost < 0.5);
    let by_cells = cells.is_some_and(|cells| cells.is_whole);
    // One of ten modules is listed, or the step is a decade off.
    let tenth = ten_times(bench, index, place).filter(|_| by_cells);
    let places = found.iter().map(|one| one.0).chain(tenth).collect();
    if by_cells && is_sure {
        bench.strings = Some(strings);
    }
    if let Some(cells) = cells.filter(|_| by_cells && is_sure && tenth.is_none()) {
        bench.back(cells.index, why.clone());
    }
    if by_cells && (is_sure || !is_stated) {
        bench.prove(index, places, why);
    } else if is_stated {
        // A decade in both, or ten packs instead of one, would go unseen.
        bench.note(index, why);
    }
}

/// The reading that a document states of a voltage, where it is ten times that of this place.
fn ten_times(bench: &Bench<'_>, index: usize, place: usize) -> Option<usize> {
    let candidates = bench.candidates(index);
    let own = middle(candidates.get(place)?.first())?;
    let stated = candidates.first().filter(|one| one.cost < 0.05)?;
    let is_ten = (middle(stated.first())? / own / 10.0 - 1.0).abs() < 0.001;
    (place > 0 && is_ten).then_some(0)
}

/// What is known of the pack tells what a module can have: so many of them, or one beside the other.
fn modules_by_pack(bench: &mut Bench<'_>) {
    let first = |role| bench.of(role).first().copied();
    let (Some(index), Some(pack)) = (first(Role::ModuleVoltage), first(Role::PackVoltage)) else {
        return;
    };
    let is_proven = |index: usize| bench.proven.get(index).is_some_and(Option::is_some);
    if is_proven(index) || !is_proven(pack) {
        return;
    }
    let count = bench
        .claims
        .get(index)
        .map_or(0, |claim| claim.instances.len()) as f64;
    let Some(pack) = bench.best(pack).and_then(|best| middle(best.first())) else {
        return;
    };
    let holds = |candidate: &Candidate| {
        let module = middle(candidate.first()).unwrap_or(f64::INFINITY);
        let modules = (pack / module).round();
        modules >= 1.0 && modules <= count && (modules * module / pack - 1.0).abs() < 0.03
    };
    let candidates = bench.candidates(index).iter().enumerate();
    let left: Vec<usize> = candidates
        .filter(|(_, one)| holds(one))
        .map(|(at, _)| at)
        .collect();
    if !left.is_empty() {
        bench.keep(index, &left);
    }
}

/// Into how many strings side by side so many cells can be split.
fn strings(parts: usize, is_several: bool) -> Vec<usize> {
    let most = if is_several { 32 } else { 1 };
    (1..=most)
        .filter(|strings| parts.is_multiple_of(*strings) && parts / strings >= 4)
        .collect()
}

/// Sum of the module voltages, how many, and their step.
fn modules(bench: &Bench<'_>) -> Option<(Series, usize, f64)> {
    let index = bench.of(Role::ModuleVoltage).first().copied()?;
    let best = bench.best(index)?;
    let is_whole = best.series.len() == bench.claims.get(index)?.instances.len();
    let filled = best
        .series
        .iter()
        .filter(|one| !present(one).is_empty())
        .count();
    (is_whole && best.series.len() > 1 && filled == best.series.len())
        .then(|| (sum(&best.series), best.series.len(), best.reading.step()))
}

/// Cells of each module add up to its voltage.
fn modules_of(bench: &mut Bench<'_>, cells: &Cells) {
    let Some(index) = bench.of(Role::ModuleVoltage).first().copied() else {
        return;
    };
    let count = bench
        .claims
        .get(index)
        .map_or(0, |claim| claim.instances.len());
    let parts = cells.each.len().checked_div(count).unwrap_or_default();
    if !cells.is_whole || parts == 0 || parts * count != cells.each.len() {
        return;
    }
    let sums: Vec<Series> = cells.each.chunks(parts).map(sum).collect();
    let rounding = parts as f64 * cells.step / 2.0;
    let mut places = Vec::new();
    let mut first = None;
    for (place, candidate) in bench.candidates(index).iter().enumerate() {
        let step = candidate.reading.step();
        let with = candidate.series.iter().zip(&sums);
        let found: Vec<Agreement> = with
            .map(|(module, sum)| agree(module, sum, |size| SUM_TOLERANCE * size + rounding, step))
            .collect();
        if candidate.series.len() == count && found.iter().all(|one| one.holds()) {
            places.push(place);
            first = first.or(found.first().copied());
        }
    }
    let Some(found) = first else {
        bench.score -= if bench.candidates(index).is_empty() {
            0.0
        } else {
            1.0
        };
        return;
    };
    let (held, of, moved) = held(found);
    bench.score += 3.0;
    let why = Evidence::AddsUp {
        parts,
        held,
        of,
        moved,
    };
    bench.back(cells.index, why.clone());
    bench.prove(index, places, why);
}

fn terminal(bench: &mut Bench<'_>, cells: Option<&Cells>) {
    let Some(index) = bench.of(Role::TerminalVoltage).first().copied() else {
        return;
    };
    let pack = bench.of(Role::PackVoltage).first().copied();
    let is_proven = match pack {
        Some(pack) => bench.proven.get(pack).is_some_and(Option::is_some),
        None => cells.is_some_and(|cells| cells.each.len() < 20),
    };
    let pack = pack
        .and_then(|pack| bench.best(pack))
        .map(|best| best.first().to_vec());
    let pack = pack.or_else(|| {
        cells
            .filter(|cells| cells.is_whole)
            .map(|cells| cells.sum.clone())
    });
    let Some(pack) = pack else { return };
    let (places, first) = agreeing(bench.candidates(index), &pack, 0.03, 0.0);
    let Some(found) = first else { return };
    let (held, of, moved) = held(found);
    bench.score += if found.together { 3.0 } else { 1.0 };
    let why = Evidence::SameVoltage { held, of, moved };
    let stated = places
        .first()
        .and_then(|place| ten_times(bench, index, *place));
    if is_proven {
        bench.prove(index, places.into_iter().chain(stated).collect(), why);
    } else if places.first() == Some(&0) {
        bench.note(index, why);
    } else {
        // A decade away from the pack: as likely the step as terminals that are nearly dead.
        bench.doubt(index);
    }
}

/// Both extremes of cells.
const EXTREMES: [(Role, Extreme); 2] = [
    (Role::CellVoltageMax, Extreme::Highest),
    (Role::CellVoltageMin, Extreme::Lowest),
];

fn extremes(bench: &mut Bench<'_>, cells: &Cells) {
    for (role, which) in EXTREMES {
        let all = bench.of(role).into_iter();
        let scores = all.map(|index| extreme(bench, cells, index, which));
        // A list may name a set-point with the same words.
        bench.score += scores.reduce(f64::max).unwrap_or_default();
    }
}

/// Holds one point against the extreme of the cells that it is said to be; gives what that says of the place, nats.
fn extreme(bench: &mut Bench<'_>, cells: &Cells, index: usize, which: Extreme) -> f64 {
    let (right, wrong) = match which {
        Extreme::Lowest => (&cells.low, &cells.high),
        _ => (&cells.high, &cells.low),
    };
    let least = EXTREME_TOLERANCE + cells.step;
    let (mut places, first) = agreeing(bench.candidates(index), right, 0.0, least);
    let candidates = bench.candidates(index);
    places.retain(|place| {
        let step = candidates.get(*place).map(|one| one.reading.step());
        step.is_some_and(|step| step <= COARSEST)
    });
    let Some(found) = first else {
        return if bench.candidates(index).is_empty() {
            0.0
        } else {
            -1.5
        };
    };
    let apart = |place: &usize, with: &Series| {
        let series = bench
            .candidates(index)
            .get(*place)
            .map_or(&[][..], Candidate::first);
        agree(series, with, |_| 0.0, 0.0).distance
    };
    // Cells that lie together have no extremes that differ.
    let spread = middle(&cells.high).unwrap_or_default() - middle(&cells.low).unwrap_or_default();
    let is_flat = spread < 2.0 * cells.step.max(0.001);
    places.retain(|place| is_flat || apart(place, right) < 0.6 * apart(place, wrong));
    if places.is_empty() {
        return -1.5;
    }
    let (held, of, moved) = held(found);
    let why = Evidence::IsExtreme {
        which,
        held,
        of,
        moved,
    };
    if found.together && !is_flat {
        bench.back(cells.index, why.clone());
    }
    bench.prove(index, places, why);
    match (found.together, is_flat) {
        (true, false) => 4.0,
        (false, false) => 2.0,
        _ => 0.5,
    }
}

/// What is called the highest or lowest cell and is none of them: a set-point, a record, the number of a cell.
fn not_extremes(bench: &mut Bench<'_>, cells: &Cells) {
    for (role, which) in EXTREMES {
        let right = if which == Extreme::Lowest {
            &cells.low
        } else {
            &cells.high
        };
        for index in bench.of(role) {
            let is_proven = bench.proven.get(index).is_some_and(Option::is_some);
            let instances = bench.claims.get(index).map_or(0, |one| one.instances.len());
            if is_proven || instances != 1 {
                continue;
            }
            let viable = bench.viable.get(index);
            let is_impossible = viable.is_some_and(|one| one.impossible.is_some());
            // There may be more cells than these: below the highest of some nothing is the highest of all.
            let are_all = bench.strings.is_some();
            let is_other = |series: &[Option<f64>], found: Agreement, step: f64| {
                let above = middle(series)
                    .zip(middle(right))
                    .map(|(own, cell)| own > cell);
                let is_inside = above == Some(which == Extreme::Lowest);
                let stands = movement(right) > 3.0 * step.max(cells.step)
                    && correlation(&pairs(series, right)) <= 0.8;
                is_inside || stands || (are_all && found.distance > FAR)
            };
            let agreements = bench.candidates(index).iter().map(|one| {
                let own = Some(one.reading.step()).filter(|step| *step <= COARSEST);
                let step = own.unwrap_or_default().max(cells.step);
                let found = agree(one.first(), right, |_| EXTREME_TOLERANCE, step);
                (found, is_other(one.first(), found, step))
            });
            let all: Vec<(Agreement, bool)> = agreements.collect();
            let is_none = |(found, is_other): &(Agreement, bool)| {
                *is_other && found.of > 0 && found.held * 10 < found.of
            };
            let nearest = all.first().filter(|_| all.iter().all(is_none));
            if let Some((nearest, _)) = nearest {
                let why = Evidence::NotExtreme {
                    which,
                    held: nearest.of - nearest.held,
                    of: nearest.of,
                };
                bench.disprove(index, Some(why));
            } else if all.is_empty() && is_impossible && is_shown(bench, role) {
                // No battery has such a number there, and the right one is known.
                bench.disprove(index, None);
            }
        }
    }
}

/// Whether the unit showed one of the points of a role.
fn is_shown(bench: &Bench<'_>, role: Role) -> bool {
    let is_proven = |index: &usize| bench.proven.get(*index).is_some_and(Option::is_some);
    bench.of(role).iter().any(is_proven)
}

/// Without cells the highest must still not be below the lowest.
fn order_of_extremes(bench: &mut Bench<'_>) {
    let pairs = [
        (Role::CellVoltageMax, Role::CellVoltageMin, 0.6),
        (Role::CellTemperatureMax, Role::CellTemperatureMin, 25.0),
    ];
    for (high, low, apart) in pairs {
        let first = |role| bench.of(role).first().copied();
        let (Some(high), Some(low)) = (first(high), first(low)) else {
            continue;
        };
        let middles =
            [high, low].map(|index| bench.best(index).and_then(|best| middle(best.first())));
        if let [Some(high), Some(low)] = middles {
            let is_right = high >= low && high - low <= apart;
            bench.score += if is_right { 0.7 } else { -1.5 };
        }
    }
}

/// A way to read all temperatures together.
struct Together {
    /// Candidates of sensors, highest and lowest.
    places: [Option<usize>; 3],
    cost: f64,
    /// From the lowest to the highest, K.
    spread: f64,
}

/// Temperatures of one battery rarely lie further apart, K.
// Kind: common practice
const USUAL_SPREAD: f64 = 9.0;

/// Extremes of temperatures are extremes of the sensors: looks for the readings with which they go together.
fn temperatures(bench: &mut Bench<'_>) {
    let roles = [
        Role::CellTemperature,
        Role::CellTemperatureMax,
        Role::CellTemperatureMin,
    ];
    let points = roles.map(|role| bench.of(role).first().copied());
    let ways =
        points.map(|point| point.map_or(Vec::new(), |point| bounds_of(bench.candidates(point))));
    if ways.iter().filter(|ways| !ways.is_empty()).count() < 2 {
        return;
    }
    let mut all = together(&ways);
    let Some(least) = all.iter().map(|one| one.cost).min_by(f64::total_cmp) else {
        bench.score -= 1.0;
        return;
    };
    bench.score += 1.0;
    let is_spread = |one: &Together| one.cost <= least + 1e-9 && one.spread > USUAL_SPREAD;
    if all.iter().any(is_spread) && all.iter().any(|one| one.spread <= USUAL_SPREAD) {
        // Far apart for one battery, and nearer with another step of one of them.
        points
            .iter()
            .flatten()
            .for_each(|point| bench.doubt(*point));
        all.iter_mut()
            .filter(|one| one.spread <= USUAL_SPREAD)
            .for_each(|one| one.cost -= 0.6);
    }
    let least = all.iter().map(|one| one.cost).fold(least, f64::min);
    all.retain(|one| one.cost <= least + 0.65);
    let extremes = [Extreme::Mean, Extreme::Highest, Extreme::Lowest];
    let count = bench.images.count();
    for ((side, point), which) in points.into_iter().enumerate().zip(extremes) {
        let Some(point) = point else { continue };
        let mut left: Vec<usize> = Vec::new();
        for place in all
            .iter()
            .filter_map(|one| one.places.get(side).copied().flatten())
        {
            if !left.contains(&place) {
                left.push(place);
            }
        }
        left.sort_unstable();
        let why = Evidence::IsExtreme {
            which,
            held: count,
            of: count,
            moved: 0.0,
        };
        let with_sensors = ways.first().is_some_and(|ways| !ways.is_empty());
        // They go together. All may still be wrong in the same way: nothing is proven.
        if side > 0 && with_sensors {
            bench.note(point, why);
        }
        bench.keep(point, &left);
    }
}

/// What counts of a way to read a temperature.
#[derive(Clone, Copy)]
struct Way {
    cost: f64,
    offset: f64,
    lowest: f64,
    highest: f64,
    step: f64,
}

fn bounds_of(candidates: &[Candidate]) -> Vec<Way> {
    let bounds = candidates.iter().map(|one| {
        let middles: Vec<f64> = one
            .series
            .iter()
            .filter_map(|series| middle(series))
            .collect();
        Way {
            cost: one.cost,
            offset: one.reading.offset,
            lowest: lowest(&middles),
            highest: highest(&middles),
            step: one.reading.step(),
        }
    });
    bounds.collect()
}

/// What a way costs: an offset that is left out for all temperatures is left out once.
fn price(sides: &[Way]) -> f64 {
    let sum: f64 = sides.iter().map(|one| one.cost).sum();
    let dearest = sides.iter().map(|one| one.cost).fold(0.0, f64::max);
    let first = sides.first().map(|one| one.offset);
    let is_shared = sides
        .iter()
        .all(|one| Some(one.offset) == first && one.cost >= 1.0);
    if is_shared { dearest } else { sum }
}

/// Every way that holds.
fn together(ways: &[Vec<Way>; 3]) -> Vec<Together> {
    let [sensors, high, low] = ways.each_ref().map(|ways| {
        let some: Vec<Option<(usize, Way)>> = ways.iter().copied().enumerate().map(Some).collect();
        if some.is_empty() { vec![None] } else { some }
    });
    let mut all = Vec::new();
    for sensors in &sensors {
        for high in &high {
            for low in &low {
                let sides = [*sensors, *high, *low];
                if goes_together(sides.map(|side| side.map(|side| side.1))) {
                    let used: Vec<Way> = sides.iter().flatten().map(|side| side.1).collect();
                    let places = sides.map(|side| side.map(|side| side.0));
                    let high = used.iter().map(|way| way.highest).fold(f64::MIN, f64::max);
                    let low = used.iter().map(|way| way.lowest).fold(f64::MAX, f64::min);
                    all.push(Together {
                        places,
                        cost: price(&used),
                        spread: high - low,
                    });
                }
            }
        }
    }
    all
}

/// Whether sensors, highest and lowest can be of one battery.
fn goes_together([sensors, high, low]: [Option<Way>; 3]) -> bool {
    let near = |a: f64, b: f64, step: f64| (a - b).abs() <= 1.0 + step;
    if let Some(all) = sensors {
        let is_high = high.is_none_or(|one| near(all.highest, one.highest, all.step.max(one.step)));
        let is_low = low.is_none_or(|one| near(all.lowest, one.lowest, all.step.max(one.step)));
        if !is_high || !is_low || all.highest - all.lowest > 20.0 {
            return false;
        }
    }
    match (high, low) {
        (Some(high), Some(low)) => {
            let apart = high.highest - low.lowest;
            apart >= -high.step.max(low.step) && apart <= 20.0
        }
        _ => true,
    }
}

/// The state of charge is the share of what can be stored.
fn charge(bench: &mut Bench<'_>) {
    let Some(index) = bench.of(Role::Soc).first().copied() else {
        return;
    };
    let stores = bench
        .claims
        .iter()
        .enumerate()
        .filter(|(_, claim)| claim.is_ampere_hours && !claim.open.contains(&Key::Scale));
    let stores: Vec<f64> = stores
        .filter_map(|(point, _)| middle(bench.best(point)?.first()))
        .filter(|store| *store > 0.0)
        .collect();
    let mut found: Vec<(usize, f64, f64)> = Vec::new();
    for (place, candidate) in bench.candidates(index).iter().enumerate() {
        let Some(soc) = middle(candidate.first()) else {
            continue;
        };
        for stored in &stores {
            for full in stores.iter().filter(|full| *full > stored) {
                let is_share = (stored / full * 100.0 - soc).abs() < 1.0 + candidate.reading.step();
                if is_share && !found.iter().any(|known| known.0 == place) {
                    found.push((place, *stored, *full));
                }
            }
        }
    }
    let Some((_, stored, full)) = found.first().copied() else {
        return;
    };
    let why = Evidence::ShareOfCharge { stored, full };
    bench.score += 1.0;
    let is_open = |claim: &Claim| claim.open.contains(&Key::Scale);
    let is_open = bench.claims.get(index).is_some_and(is_open);
    let is_stated = bench
        .candidates(index)
        .first()
        .is_some_and(|one| one.cost < 0.5);
    let places: Vec<usize> = found.iter().map(|one| one.0).collect();
    match (is_stated && !is_open, places.first()) {
        (true, Some(0)) => bench.prove(index, places, why),
        // The steps of both charges may be wrong as well: they say which decade is theirs, not which one is right.
        // Nor that the battery is nearly empty.
        (_, Some(0)) if is_open => {
            bench.note(index, why);
            bench.keep(index, &places);
        }
        _ => {}
    }
}

/// Without cells the voltage of the pack is still that of a whole number of them.
fn whole_cells(bench: &mut Bench<'_>) {
    let first = |role| bench.of(role).first().copied();
    let extremes = [Role::CellVoltageMax, Role::CellVoltageMin].map(|role| {
        let best = first(role).and_then(|index| bench.best(index));
        best.and_then(|best| middle(best.first()))
    });
    let ([Some(high), Some(low)], Some(pack)) = (extremes, first(Role::PackVoltage)) else {
        return;
    };
    if high < low || bench.proven.get(pack).is_some_and(Option::is_some) {
        return;
    }
    let fits = |volts: f64| {
        let cells = (volts / ((high + low) / 2.0)).round();
        let is_between =
            volts >= cells * (low - 0.01) * 0.997 && volts <= cells * (high + 0.01) * 1.003;
        (is_between && cells >= 4.0).then_some(cells)
    };
    let candidates = bench.candidates(pack).iter().enumerate();
    let found: Vec<(usize, f64)> = candidates
        .filter_map(|(place, one)| Some((place, fits(middle(one.first())?)?)))
        .collect();
    let is_stated = bench
        .candidates(pack)
        .first()
        .is_some_and(|one| one.cost < 0.5);
    let is_alone = found.iter().skip(1).all(|(place, _)| {
        let candidates = bench.candidates(pack);
        let both = candidates.first().zip(candidates.get(*place));
        both.is_some_and(|(one, other)| one.is_same(other))
    });
    match found.first() {
        // Of ten times the voltage ten times the cells make it.
        Some((0, _)) if is_stated && !is_alone => {}
        Some((0, cells)) if is_stated => {
            #[expect(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "a small whole number"
            )]
            let cells = *cells as usize;
            bench.note(pack, Evidence::WholeCells { cells });
        }
        Some(_) => {
            let places: Vec<usize> = found.iter().map(|one| one.0).collect();
            bench.keep(pack, &places);
        }
        None => bench.score -= 0.5,
    }
}
