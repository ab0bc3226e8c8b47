//! Finds current and power.
//!
//! # Traps
//! Near 10, 31.6, 100 and 316 V a power read as a current, and the current as a power, fit a decade as well.
//! Which is which then shows only while the voltage moves.

use packside_profiles::Role;
use packside_profiles::model::{Footing, Key, Kind, Positive, WordOrder};

use super::claim::{Evidence, opposite};
use super::images::Register;
use super::plausible::CURRENT_OFFSETS;
use super::proposal::{Found, Proposal, says_itself};
use super::reading::{Reading, Series};
use super::relate::{bounds, correlation, middle, movement, pairs, slope, steps};

/// A register that goes with the voltage of the cells.
struct Flow {
    at: Register,
    reading: Reading,
    series: Series,
    /// How clearly.
    clear: f64,
}

/// A pair of which one may be the current, the other the power.
struct Pair {
    current: usize,
    power: usize,
    /// Power of ten between volts x current and power, in the steps of both.
    decade: i32,
    /// How far the ratio strays.
    strays: f64,
    /// Whether it fits as well the other way round.
    is_swappable: bool,
}

/// Finds what flows.
pub(crate) fn flows(found: &mut Found<'_>) {
    let mut flows = Vec::new();
    let mut best = None;
    let mut follows = found.cell.clone().or_else(|| found.pack.clone());
    if let Some(cell) = &follows {
        flows = candidates(found, cell);
        best = found.pack.clone().and_then(|pack| best_pair(&flows, &pack));
    }
    if best.is_none() && found.pack.is_none() {
        by_voltages(found, &mut flows, &mut best, &mut follows);
    }
    if best.is_none() && found.pack.is_none() {
        by_current(found, &mut flows, &mut follows);
    }
    let Some(cell) = follows else { return };
    // Without cells nothing else says that the voltage is one.
    let is_open = found.cell.is_none() || found.all.iter().all(|one| one.role != Role::CellVoltage);
    match best {
        Some(pair) => propose_pair(found, &flows, &pair, &cell, is_open),
        None => propose_alone(found, &flows, &cell),
    }
}

/// Without a known voltage: the one with which a current and a power go together best while it moves.
fn by_voltages(
    found: &mut Found<'_>,
    flows: &mut Vec<Flow>,
    best: &mut Option<Pair>,
    follows: &mut Option<Series>,
) {
    let mut known: Option<Register> = None;
    let mut voltages = super::blocks::voltages(found);
    voltages.retain(|(.., series)| {
        let with = follows
            .as_ref()
            .is_none_or(|cell| correlation(&pairs(series, cell)) > 0.8);
        let (low, high) = bounds(series).unwrap_or_default();
        with && high - low > 0.002 * high
    });
    voltages.truncate(60);
    for (at, reading, series) in voltages {
        let here = candidates(found, follows.as_ref().unwrap_or(&series));
        let others = beside(here, at, &reading);
        let Some(pair) = best_pair(&others, &series) else {
            continue;
        };
        let is_better = best
            .as_ref()
            .is_none_or(|best| pair.strays < 0.9 * best.strays);
        if is_better && !pair.is_swappable {
            known = Some(at);
            *flows = others;
            *best = Some(pair);
            found.pack = Some(series);
        }
    }
    if let Some(at) = known {
        // The product leaves the decade of the voltage open.
        let why = Evidence::Product {
            held: found.images.count(),
            of: found.images.count(),
        };
        let flow = found.pack.clone();
        let taken = [
            best.as_ref().map(|pair| pair.current),
            best.as_ref().map(|pair| pair.power),
        ];
        let taken: Vec<&Flow> = taken
            .iter()
            .flatten()
            .filter_map(|at| flows.get(*at))
            .collect();
        like_voltage(found, at, flow.as_ref(), &taken, Some(&why));
        found.pack.clone_from(&flow);
        found.pack_is_open = true;
        if follows.is_none() {
            follows.clone_from(&found.pack);
        }
    }
}

/// Flows that share no register with a voltage.
fn beside(flows: Vec<Flow>, at: Register, reading: &Reading) -> Vec<Flow> {
    let end = at.address + reading.width().unwrap_or(1) - 1;
    let apart = |flow: &Flow| {
        let own = flow.at.address + flow.reading.width().unwrap_or(1) - 1;
        flow.at.table != at.table || own < at.address || flow.at.address > end
    };
    flows.into_iter().filter(apart).collect()
}

/// Without a known voltage and without a power: what swings, and what goes with it without swinging.
fn by_current(found: &mut Found<'_>, flows: &mut Vec<Flow>, follows: &mut Option<Series>) {
    let mut all = super::blocks::voltages(found);
    all.retain(|(at, reading, series)| {
        let is_still = reading.kind == Kind::U32 && !says_itself(found, *at, reading);
        let (low, high) = bounds(series).unwrap_or_default();
        !is_still
            && high - low > (3.0 * reading.step()).max(0.0005 * high)
            && follows
                .as_ref()
                .is_none_or(|cell| super::relate::follows(series, cell))
    });
    let mut best: Option<(f64, Register, Vec<Flow>, Series)> = None;
    let mut seen: Option<Register> = None;
    for (at, reading, series) in &all {
        // Its other decades have the same digits.
        if seen.replace(*at) == Some(*at) {
            continue;
        }
        let here = beside(candidates(found, series), *at, reading);
        let clear = here
            .iter()
            .filter(|flow| is_current(flow))
            .map(|flow| flow.clear);
        let clear = clear.fold(0.0, f64::max);
        if clear > 0.8 && best.as_ref().is_none_or(|(known, ..)| clear > *known) {
            best = Some((clear, *at, here, series.clone()));
        }
    }
    let Some((_, at, here, series)) = best else {
        return;
    };
    let taken: Vec<&Flow> = here.iter().filter(|flow| is_current(flow)).collect();
    let flow = Some(series.clone());
    like_voltage(found, at, flow.as_ref(), &taken, None);
    found.pack = flow;
    found.pack_is_open = true;
    *flows = here;
    if follows.is_none() {
        *follows = Some(series);
    }
}

/// Proposes a voltage, and what goes with it and shares no register with what flows.
fn like_voltage(
    found: &mut Found<'_>,
    first: Register,
    with: Option<&Series>,
    flows: &[&Flow],
    why: Option<&Evidence>,
) {
    let mut alike = super::stack::Alike::new();
    let is_free = |at: Register, reading: &Reading| {
        let end = at.address + reading.width().unwrap_or(1) - 1;
        !flows.iter().any(|flow| {
            let own = flow.at.address + flow.reading.width().unwrap_or(1) - 1;
            flow.at.table == at.table && own >= at.address && flow.at.address <= end
        })
    };
    for (at, reading, series) in super::blocks::voltages(found) {
        let goes_with = with.is_some_and(|with| super::relate::follows(&series, with));
        // A high word that stands still may be another register: with nothing to add up to, the narrow one goes first.
        let is_still = reading.kind == Kind::U32 && !says_itself(found, at, &reading);
        if at == first || goes_with && is_free(at, &reading) && !is_still {
            let ways = alike.entry((at.table, at.address)).or_default();
            ways.push((reading, series));
        }
    }
    super::stack::propose(found, alike, false, |_, _| why.cloned());
}

fn readings() -> Vec<Reading> {
    let mut all = vec![Reading::plain(1.0).of(Kind::I16)];
    for order in [WordOrder::HighFirst, WordOrder::LowFirst] {
        for kind in [Kind::F32, Kind::I32] {
            all.push(Reading {
                order,
                ..Reading::plain(1.0).of(kind)
            });
        }
    }
    for offset in CURRENT_OFFSETS {
        for scale in [0.1, 0.01] {
            let reading = Reading {
                offset,
                ..Reading::plain(scale)
            };
            all.push(reading);
        }
    }
    all
}

/// Registers that move with the cells, the clearest reading of each.
fn candidates(found: &Found<'_>, cell: &Series) -> Vec<Flow> {
    let mut all: Vec<Flow> = Vec::new();
    let sags = bounds(cell).map_or(1.0, |(low, high)| (high - low) / high.abs());
    let swings = (4.0 * sags).clamp(0.05, 0.1);
    for at in found.free() {
        for reading in readings() {
            let width = reading.width().unwrap_or(1);
            let second = at.plus(width - 1);
            if second.is_none_or(|second| found.is_taken(second) || !found.images.has(second)) {
                continue;
            }
            let series = reading.series(found.images, at, &[]);
            let Some((low, high)) = bounds(&series) else {
                continue;
            };
            let size = low.abs().max(high.abs());
            // 2 MW, and ten steps of a watt or a milliampere.
            let limit = if reading.is_float() || reading.offset != 0.0 {
                2e6
            } else {
                2e7
            };
            let is_near = reading.offset == 0.0 || size < 400.0;
            let is_tiny = reading.is_float() && size < 0.05;
            let moved = high - low;
            let is_moving = moved > 6.0 * reading.step()
                && moved
                    > if reading.kind == Kind::I16 {
                        swings
                    } else {
                        0.1
                    } * size;
            let is_wide = match (width, reading.is_float()) {
                (1, _) => true,
                (_, true) => super::proposal::is_really_wide(found.images, at, &reading),
                (_, false) => says_more(found, at, &reading),
            };
            let is_voltage = reading.offset != 0.0 && is_in_step(found, at, &reading, cell);
            if size > limit || !is_near || is_tiny || !is_moving || !is_wide || is_voltage {
                continue;
            }
            let by_step = correlation(&steps(&series, cell)).abs();
            let by_level = correlation(&pairs(&series, cell)).abs();
            let clear = by_step.max(by_level);
            if by_step > 0.5 || by_level > 0.8 {
                all.push(Flow {
                    at,
                    reading,
                    series,
                    clear,
                });
            }
        }
    }
    all
}

/// Whether a register without its offset is a voltage over again: the same digits, and the same share of them moves.
fn is_in_step(found: &Found<'_>, at: Register, reading: &Reading, cell: &Series) -> bool {
    let own = Reading::plain(reading.scale).series(found.images, at, &[]);
    let (Some((low, high)), Some((least, most))) = (bounds(&own), bounds(cell)) else {
        return false;
    };
    let decades = (high / most).abs().log10();
    let (moves, sags) = ((high - low) / high, (most - least) / most);
    (decades - decades.round()).abs() < 0.015 && (0.6..1.7).contains(&(moves / sags))
}

/// Whether the high word of a wide number is only its sign, or more; never something else.
fn says_more(found: &Found<'_>, at: Register, reading: &Reading) -> bool {
    let (high, low) = match reading.order {
        WordOrder::HighFirst => (Some(at), at.plus(1)),
        WordOrder::LowFirst => (at.plus(1), Some(at)),
    };
    let rows = [high, low].map(|one| one.and_then(|one| found.images.row(one)));
    let [Some(high), Some(low)] = rows else {
        return false;
    };
    // The low word of a number whose high word moves is as restless as dice: else it is another register.
    let different = |row: &[Option<u16>]| {
        let words: std::collections::BTreeSet<u16> = row.iter().flatten().copied().collect();
        words.len()
    };
    if different(low) < different(high) {
        return false;
    }
    let both = high
        .iter()
        .zip(low)
        .filter_map(|(high, low)| Some(((*high)?, (*low)?)));
    let mut small = 0;
    let mut all = 0;
    let mut is_constant = true;
    let first = high.iter().flatten().next().copied();
    for (high, low) in both {
        all += 1;
        is_constant &= Some(high) == first;
        let sign = if low >= 0x8000 { 0xffff } else { 0 };
        if high == sign || high == 0 || high == 0xffff {
            small += 1;
        }
    }
    // Half of what sixteen bits hold, and nothing of the other half at once: a sign would jump there.
    let is_large = low
        .iter()
        .flatten()
        .any(|low| (0x8000..0xe000).contains(low));
    let is_zero = high.iter().flatten().all(|high| *high == 0);
    if is_zero && is_large {
        return true;
    }
    // A high word of zeros or ones may be another register; one that turns with the sign is its own, unless what stands on
    // its other side turns as well.
    let is_only_sign = small == all;
    is_only_sign && !is_constant && !is_sign_of_other(found, at, reading) || small * 4 < all * 3
}

/// Whether the word that holds the sign of a wide number holds that of the register on its other side as well.
fn is_sign_of_other(found: &Found<'_>, at: Register, reading: &Reading) -> bool {
    let (sign, other) = match reading.order {
        WordOrder::HighFirst => (Some(at), at.address.checked_sub(1)),
        WordOrder::LowFirst => (at.plus(1), at.address.checked_add(2)),
    };
    let other = other.map(|address| Register { address, ..at });
    let row = |at: Option<Register>| at.and_then(|at| found.images.row(at));
    let (Some(sign), Some(other)) = (row(sign), row(other)) else {
        return false;
    };
    let is_negative = |word: &u16| *word >= 0x8000;
    let mut both = sign.iter().zip(other);
    both.all(|(sign, other)| match (sign, other) {
        (Some(sign), Some(other)) => is_negative(sign) == is_negative(other),
        _ => true,
    })
}

fn best_pair(flows: &[Flow], pack: &Series) -> Option<Pair> {
    let mut all: Vec<Pair> = Vec::new();
    for (current, one) in flows.iter().enumerate() {
        for (power, two) in flows.iter().enumerate() {
            let is_apart = one.at != two.at
                && one.at.address.abs_diff(two.at.address)
                    >= u16::from(one.at.table == two.at.table);
            if !is_apart || overlaps(one, two) {
                continue;
            }
            let Some((decade, strays)) = ratio(&one.series, &two.series, pack) else {
                continue;
            };
            let is_float = one.reading.is_float() || one.reading.offset != 0.0;
            let is_possible = match (is_float, two.reading.is_float()) {
                (true, true) => matches!(decade, 0 | -3),
                _ => (-4..=4).contains(&decade),
            };
            if is_possible && two.reading.offset == 0.0 {
                all.push(Pair {
                    current,
                    power,
                    decade,
                    strays,
                    is_swappable: false,
                });
            }
        }
    }
    all.sort_by(|a, b| a.strays.total_cmp(&b.strays));
    let best = all.first()?;
    let swapped = all
        .iter()
        .find(|pair| pair.current == best.power && pair.power == best.current);
    let is_swappable = swapped.is_some_and(|other| other.strays < 1.6 * best.strays + 1e-4)
        || is_proportional(flows, best);
    let mut all = all.into_iter();
    let best = all.next()?;
    Some(Pair {
        is_swappable,
        ..best
    })
}

/// Whether one of both is the other over again, whatever the voltage does: the current of a module, near 31.6, 100 or 316 V.
fn is_proportional(flows: &[Flow], pair: &Pair) -> bool {
    let (Some(current), Some(power)) = (flows.get(pair.current), flows.get(pair.power)) else {
        return true;
    };
    let strays = 1.0 - correlation(&pairs(&current.series, &power.series)).abs();
    strays < 1.2 * pair.strays + 1e-7
}

fn overlaps(one: &Flow, two: &Flow) -> bool {
    let end = |flow: &Flow| flow.at.address + flow.reading.width().unwrap_or(1) - 1;
    one.at.table == two.at.table && one.at.address <= end(two) && two.at.address <= end(one)
}

/// The power of ten between volts x current and power, and how far the ratio strays.
fn ratio(current: &Series, power: &Series, pack: &Series) -> Option<(i32, f64)> {
    let triples = current.iter().zip(power).zip(pack);
    let products: Vec<(f64, f64)> = triples
        .filter_map(|((current, power), pack)| Some(((*current)? * (*pack)?, (*power)?)))
        .collect();
    if products.len() < 6 {
        return None;
    }
    let square: f64 = products.iter().map(|(product, _)| product * product).sum();
    let both: f64 = products
        .iter()
        .map(|(product, power)| product * power)
        .sum();
    let around = (both / square).abs().log10();
    // Registers of one image lie up to two seconds apart: a fit bears that, a quotient does not.
    let strays = 1.0 - correlation(&products).abs();
    // The signs go together, all the same or all opposite.
    let signs = pairs(current, power);
    let with = signs.iter().filter(|(a, b)| a * b > 0.0).count();
    let against = signs.iter().filter(|(a, b)| a * b < 0.0).count();
    let is_one_way = with.min(against) * 10 <= with.max(against);
    let is_decade = (around - around.round()).abs() < 0.0065 && strays < 0.005;
    // Where nothing flows there is no power: a wrong offset shows there.
    let count = products.len() as f64;
    let mean = |of: fn(&(f64, f64)) -> f64| products.iter().map(of).sum::<f64>() / count;
    let slope = slope(&products)?;
    let at_zero = mean(|one| one.1) - slope * mean(|one| one.0);
    let is_decade = is_decade && at_zero.abs() < 0.02 * movement(power);
    #[expect(
        clippy::cast_possible_truncation,
        reason = "the logarithm of a ratio of registers"
    )]
    (is_decade && is_one_way).then_some((around.round() as i32, strays))
}

/// Whether a register beside a flow is nothing but its sign.
fn has_sign_beside(found: &Found<'_>, flow: &Flow) -> bool {
    let before = flow.at.address.checked_sub(1);
    let before = before.map(|address| Register { address, ..flow.at });
    [before, flow.at.plus(1)].into_iter().flatten().any(|at| {
        let row = found.images.row(at).unwrap_or_default();
        let both = row.iter().zip(&flow.series);
        let fits = |word: &Option<u16>, number: &Option<f64>| match (word, number) {
            (Some(word), Some(number)) => *word == if *number < 0.0 { 0xffff } else { 0 },
            _ => true,
        };
        !row.is_empty() && both.clone().all(|(word, number)| fits(word, number))
    })
}

/// How many cells make a voltage, about.
fn cells_in(series: &Series) -> f64 {
    (middle(series).unwrap_or_default() / 3.3).max(1.0)
}

/// What one step does to the voltage, and so the direction.
fn direction(series: &Series, cell: &Series) -> Option<(Positive, f64)> {
    let changes = steps(series, cell);
    let levels = pairs(series, cell);
    let by_step = correlation(&changes);
    let by_level = correlation(&levels);
    let used = if by_step.abs() > 0.5 {
        (by_step, &changes)
    } else {
        (by_level, &levels)
    };
    if used.0.abs() < 0.5 {
        return None;
    }
    let ohm = slope(used.1)?;
    Some((
        if ohm > 0.0 {
            Positive::Charge
        } else {
            Positive::Discharge
        },
        ohm.abs(),
    ))
}

/// The decades that a current can have, those first that leave a cell a usual resistance: that excludes none.
// Kind: common practice (0.6 milliohm a cell)
fn decades(reading: &Reading, series: &Series, ohm: Option<f64>) -> Vec<f64> {
    if reading.is_float() || reading.offset != 0.0 {
        return vec![reading.scale];
    }
    let size = bounds(series).map_or(0.0, |(low, high)| low.abs().max(high.abs()));
    let mut all: Vec<(f64, f64)> = [1.0, 0.1, 0.01, 0.001]
        .into_iter()
        .filter(|scale| (0.2..2_000.0).contains(&(size * scale)))
        .map(|scale| {
            let apart = ohm.map_or(0.0, |ohm| ((ohm / scale) / 0.0006).ln().abs());
            (apart, scale)
        })
        .collect();
    all.sort_by(|a, b| a.0.total_cmp(&b.0));
    all.into_iter().map(|(_, scale)| scale).collect()
}

/// A power of ten as a decimal has it, after arithmetic.
fn decimal(number: f64) -> f64 {
    format!("{number:.9}").parse().unwrap_or(number)
}

fn propose_pair(found: &mut Found<'_>, flows: &[Flow], pair: &Pair, cell: &Series, is_open: bool) {
    let (Some(current), Some(power)) = (flows.get(pair.current), flows.get(pair.power)) else {
        return;
    };
    let way = direction(&current.series, cell);
    let ohm = way.map(|(_, ohm)| ohm / cells_in(cell));
    let scales = decades(&current.reading, &current.series, ohm);
    let positive = way.map(|(positive, _)| positive);
    let signs = pairs(&current.series, &power.series);
    let with = signs.iter().filter(|(a, b)| a * b > 0.0).count();
    let against = signs.iter().filter(|(a, b)| a * b < 0.0).count();
    let theirs = if with > against {
        positive
    } else {
        positive.map(opposite)
    };
    let count = pairs(&current.series, &power.series).len();
    let why = Evidence::Product {
        held: count,
        of: count,
    };
    let makes = |role: Role, flow: &Flow, positive: Option<Positive>, scales: &[f64]| {
        let of = |scale: f64| Reading {
            scale,
            positive,
            ..flow.reading
        };
        let first = scales.first().copied()?;
        let unit = if role == Role::PackCurrent { "A" } else { "W" };
        let proposal = Proposal::new(role, flow.at, of(first), unit).with(why.clone());
        Some(proposal.or(scales.iter().skip(1).map(|scale| (role, of(*scale)))))
    };
    let of_power = scales
        .iter()
        .map(|scale| scale / current.reading.scale / 10f64.powi(pair.decade));
    let mut of_power: Vec<f64> = of_power.map(decimal).collect();
    if found.pack_is_open && !power.reading.is_float() {
        let own = of_power.clone();
        for scale in own
            .iter()
            .flat_map(|own| [decimal(own * 10.0), decimal(own / 10.0)])
        {
            if !of_power.contains(&scale) {
                of_power.push(scale);
            }
        }
    }
    // The low word of a wide number is no number of its own, and its high word may be another register.
    let is_unsure = |flow: &Flow| flow.reading.width() == Some(1) && has_sign_beside(found, flow);
    let is_open = is_open || is_unsure(current) || is_unsure(power);
    let both = [
        makes(Role::PackCurrent, current, positive, &scales),
        makes(Role::PackPower, power, theirs, &of_power),
    ];
    let [Some(mut one), Some(mut two)] = both else {
        return;
    };
    if pair.is_swappable || is_open {
        let (reading, other) = (one.reading, two.reading);
        one = one.or([(Role::PackPower, reading)]);
        two = two.or([(Role::PackCurrent, other)]);
        one.rivals.insert(0, (Role::PackCurrent, reading));
        two.rivals.insert(0, (Role::PackPower, other));
        one.role = Role::Other;
        two.role = Role::Other;
    }
    for (flow, proposal) in [(current, &mut one), (power, &mut two)] {
        if is_unsure(flow) {
            doubt_width(proposal);
        }
    }
    found.all.extend([one, two]);
}

/// Most registers that are proposed where no power says which of them is the current.
const MOST_ALONE: usize = 3;

fn propose_alone(found: &mut Found<'_>, flows: &[Flow], cell: &Series) {
    let mut clearest: Vec<&Flow> = flows
        .iter()
        .filter(|flow| flow.clear > 0.6 && is_current(flow))
        .collect();
    clearest.sort_by(|a, b| b.clear.total_cmp(&a.clear));
    let mut taken: Vec<&Flow> = Vec::new();
    for flow in clearest {
        if taken.len() < MOST_ALONE && !taken.iter().any(|other| overlaps(flow, other)) {
            taken.push(flow);
        }
    }
    for flow in taken {
        let others = flows.iter().filter(|other| {
            let narrow = other.reading.width() == Some(1) && flow.reading.width() == Some(1);
            narrow && other.at == flow.at && other.reading != flow.reading && is_current(other)
        });
        alone(found, flow, cell, &others.collect::<Vec<_>>());
    }
}

/// Whether it moves as a current does, and may be one in some decade.
fn is_current(flow: &Flow) -> bool {
    turns_or_swings(flow) && !decades(&flow.reading, &flow.series, None).is_empty()
}

/// Whether it moves as a current does: far, measured by what stands in its registers. A voltage does not.
fn turns_or_swings(flow: &Flow) -> bool {
    let Some((low, high)) = bounds(&flow.series) else {
        return false;
    };
    let size = low.abs().max(high.abs());
    high - low > 0.15 * size && size > 0.0
}

fn alone(found: &mut Found<'_>, flow: &Flow, cell: &Series, others: &[&Flow]) {
    let way = direction(&flow.series, cell);
    let ohm = way.map(|(_, ohm)| ohm / cells_in(cell));
    let scales = decades(&flow.reading, &flow.series, ohm);
    let positive = way.map(|(positive, _)| positive);
    let of = |scale: f64| Reading {
        scale,
        positive,
        ..flow.reading
    };
    let Some(first) = scales.first().copied() else {
        return;
    };
    let mut proposal = Proposal::new(Role::Other, flow.at, of(first), "");
    if let Some((_, ohm)) = way {
        proposal = proposal.with(Evidence::Responds {
            milliohm: ohm / first * 1_000.0,
        });
    }
    let currents = scales.iter().map(|scale| (Role::PackCurrent, of(*scale)));
    let powers = [(Role::PackPower, of(1.0))];
    let others = others.iter().map(|other| {
        let reading = Reading {
            positive,
            ..other.reading
        };
        (Role::PackCurrent, reading)
    });
    let mut proposal = proposal.or(currents.chain(powers).chain(others).collect::<Vec<_>>());
    if flow.reading.width() == Some(1) && has_sign_beside(found, flow) {
        doubt_width(&mut proposal);
    }
    found.all.push(proposal);
}

/// The register beside it looks like its sign: where it begins and how wide it is stays open.
fn doubt_width(proposal: &mut Proposal) {
    for key in [Key::Type, Key::Address] {
        if !proposal.open.contains(&key) {
            proposal.open.push(key);
        }
    }
    proposal.grade = Footing::Open;
}
