//! The readings of one point that are possible at all.
//!
//! Does not: hold points against each other.

use packside_profiles::Role;
use packside_profiles::model::{Key, Kind, WordOrder};

use super::claim::{Claim, Shift, differences, is_near};
use super::images::{Images, Register};
use super::plausible::{self, CURRENT_OFFSETS, TEMPERATURE_WAYS};
use super::reading::{Reading, Series};
use super::relate::{bounds, movement, present};

/// A reading that is possible, and how far it is from what the document says.
#[derive(Debug, Clone)]
pub(crate) struct Candidate {
    /// The reading.
    pub(crate) reading: Reading,
    /// 0 as the document says; one for each key that it says otherwise, less for a key it leaves open.
    pub(crate) cost: f64,
    /// The numbers of each instance.
    pub(crate) series: Vec<Series>,
}

impl Candidate {
    /// The numbers of the first instance.
    pub(crate) fn first(&self) -> &[Option<f64>] {
        self.series.first().map_or(&[], Vec::as_slice)
    }

    /// Whether both give the same numbers.
    pub(crate) fn is_same(&self, other: &Self) -> bool {
        let near = |a: &Option<f64>, b: &Option<f64>| match (a, b) {
            (Some(a), Some(b)) => is_near(*a, *b),
            (None, None) => true,
            _ => false,
        };
        let mut both = self.series.iter().zip(&other.series);
        both.all(|(a, b)| a.len() == b.len() && a.iter().zip(b).all(|(a, b)| near(a, b)))
    }
}

/// What the registers of a point allow.
#[derive(Debug, Clone, Default)]
pub(crate) struct Viable {
    /// Possible readings, those next to the document first.
    pub(crate) candidates: Vec<Candidate>,
    /// Whether any register of it was seen.
    pub(crate) is_seen: bool,
    /// Farthest number of the document's own reading, where that is impossible.
    pub(crate) impossible: Option<f64>,
    /// Whether the other order of words was excluded.
    pub(crate) order_is_known: bool,
}

/// Finds the readings of a point that are possible.
pub(crate) fn viable(images: &Images, claim: &Claim, shift: Shift) -> Viable {
    let places: Vec<Register> = claim
        .instances
        .iter()
        .filter_map(|address| shift.of(claim.table, *address))
        .filter(|place| images.has(*place))
        .collect();
    if places.is_empty() || claim.reading.width().is_none() {
        let is_seen = !places.is_empty();
        return Viable {
            is_seen,
            ..Viable::default()
        };
    }
    let orders = possible_orders(images, claim, &places);
    let mut found = Viable {
        is_seen: true,
        order_is_known: orders.len() == 1 && wide(claim.reading.kind),
        ..Viable::default()
    };
    for reading in readings(claim, &orders) {
        let series: Vec<Series> = places
            .iter()
            .map(|place| reading.series(images, *place, &claim.absent))
            .collect();
        let cost = cost(claim, &reading) + odd(claim, &reading, &series);
        let filled = series.iter().filter(|one| !present(one).is_empty()).count();
        if filled == 0 {
            continue;
        }
        let mut measured = series.iter().filter(|one| !present(one).is_empty());
        if measured.all(|one| plausible::fits(claim.role, one) && is_clean(&reading, one)) {
            found.candidates.push(Candidate {
                reading,
                cost,
                series,
            });
        } else if differences(&claim.reading, &reading).is_empty() {
            found.impossible = series.iter().filter_map(|one| farthest(one)).reduce(far);
        }
    }
    found.candidates.sort_by(|a, b| a.cost.total_cmp(&b.cost));
    found
}

fn far(a: f64, b: f64) -> f64 {
    if b.abs() > a.abs() { b } else { a }
}

fn farthest(series: &[Option<f64>]) -> Option<f64> {
    bounds(series).map(|(low, high)| far(low, high))
}

/// A floating-point number that is next to nothing but not nothing is no measurement.
fn is_clean(reading: &Reading, series: &[Option<f64>]) -> bool {
    let tiny = |number: &f64| *number != 0.0 && number.abs() < 1e-6;
    !reading.is_float() || !present(series).iter().any(tiny)
}

/// A little more for what is possible and unusual: a number above half of all that an unsigned current can be
/// is most often a negative one, few batteries in use are hotter or colder than usual, and few are looked at nearly
/// empty.
fn odd(claim: &Claim, reading: &Reading, series: &[Series]) -> f64 {
    let bounds = series.iter().filter_map(|one| bounds(one));
    let (low, high) = bounds.fold((f64::INFINITY, f64::NEG_INFINITY), |all, one| {
        (all.0.min(one.0), all.1.max(one.1))
    });
    if plausible::has_direction(claim.role) && reading.offset == 0.0 && reading.scale > 0.0 {
        let half = match reading.kind {
            Kind::U16 => 32_768.0,
            Kind::U32 => 2_147_483_648.0,
            _ => return 0.0,
        };
        return if high / reading.scale >= half {
            2.0
        } else {
            0.0
        };
    }
    if matches!(claim.role, Role::Soc | Role::ModuleSoc) && high <= plausible::NEARLY_EMPTY {
        return 0.95;
    }
    let (least, most) = plausible::USUAL_TEMPERATURE;
    let is_odd = plausible::is_temperature(claim.role) && (low < least || high > most);
    if is_odd { 0.7 } else { 0.0 }
}

/// Whether a number of this type has two words and more.
pub(crate) fn wide(kind: Kind) -> bool {
    matches!(
        kind,
        Kind::U32 | Kind::I32 | Kind::F32 | Kind::U64 | Kind::I64 | Kind::F64
    )
}

/// All readings of a claim that are worth a look.
fn readings(claim: &Claim, orders: &[WordOrder]) -> Vec<Reading> {
    let mut all = Vec::new();
    for kind in kinds(claim) {
        for order in orders {
            for (scale, offset) in factors(claim, kind) {
                let new = Reading {
                    kind,
                    order: *order,
                    scale,
                    offset,
                    ..claim.reading
                };
                if !all.contains(&new) {
                    all.push(new);
                }
            }
        }
    }
    all
}

fn kinds(claim: &Claim) -> Vec<Kind> {
    let own = claim.reading.kind;
    let mut kinds = vec![own];
    let is_signed_role = plausible::can_be_negative(claim.role);
    match own {
        Kind::U16 if is_signed_role => kinds.push(Kind::I16),
        Kind::I16 => kinds.push(Kind::U16),
        Kind::U32 if is_signed_role => kinds.push(Kind::I32),
        Kind::I32 => kinds.push(Kind::U32),
        Kind::U8Low => kinds.push(Kind::I8Low),
        Kind::U8High => kinds.push(Kind::I8High),
        _ => {}
    }
    if claim.open.contains(&Key::Type) && matches!(own, Kind::U32 | Kind::I32 | Kind::F32) {
        kinds.extend([Kind::U32, Kind::I32, Kind::F32]);
    }
    kinds
}

fn factors(claim: &Claim, kind: Kind) -> Vec<(f64, f64)> {
    let (scale, offset) = (claim.reading.scale, claim.reading.offset);
    let mut factors = vec![(scale, offset)];
    if claim.role == Role::Other || plausible::range(claim.role).is_none() {
        return factors;
    }
    if plausible::is_temperature(claim.role) {
        factors.extend(TEMPERATURE_WAYS);
        return factors;
    }
    if claim.role == Role::PackCurrent && offset == 0.0 && !wide(kind) {
        factors.extend(CURRENT_OFFSETS.map(|offset| (scale, offset)));
    }
    let is_float = matches!(kind, Kind::F32 | Kind::F64);
    if is_float {
        factors.extend([(1.0, offset), (0.001, offset), (1_000.0, offset)]);
        return factors;
    }
    if plausible::usual_scales(claim.role).len() == 1 {
        return factors;
    }
    let usual = plausible::usual_scales(claim.role).iter();
    factors.extend(usual.map(|scale| (*scale, offset)));
    for power in [-3, -2, -1, 1, 2, 3] {
        factors.push((scale * 10f64.powi(power), offset));
    }
    let mut kept: Vec<(f64, f64)> = Vec::new();
    for one in factors {
        if !kept
            .iter()
            .any(|kept| is_near(kept.0, one.0) && kept.1 == one.1)
        {
            kept.push(one);
        }
    }
    kept
}

/// How far a reading is from what the document says.
fn cost(claim: &Claim, reading: &Reading) -> f64 {
    let changed = differences(&claim.reading, reading);
    let price = |key: &Key| match (claim.open.contains(key), key) {
        (true, _) => 0.1 + unusual(claim.role, reading),
        // Many lists say 16 bits and mean a number with a sign.
        (false, Key::Type) => 0.5,
        (false, _) => 1.0,
    };
    changed.iter().map(price).sum()
}

/// A little more for what fewer makers do.
fn unusual(role: Role, reading: &Reading) -> f64 {
    let scales = plausible::usual_scales(role);
    let place = scales
        .iter()
        .position(|scale| is_near(*scale, reading.scale));
    place.map_or(0.3, |place| place as f64 * 0.05)
}

/// The orders of words that are possible, judged by the words alone.
fn possible_orders(images: &Images, claim: &Claim, places: &[Register]) -> Vec<WordOrder> {
    let own = claim.reading.order;
    if !wide(claim.reading.kind) {
        return vec![own];
    }
    let both = match own {
        WordOrder::HighFirst => [WordOrder::HighFirst, WordOrder::LowFirst],
        WordOrder::LowFirst => [WordOrder::LowFirst, WordOrder::HighFirst],
    };
    if matches!(claim.reading.kind, Kind::F32 | Kind::F64) {
        return both.to_vec();
    }
    let restless = both.map(|order| {
        // With a sign: a current that turns would jump by all there is.
        let kind = match claim.reading.kind {
            Kind::U32 => Kind::I32,
            Kind::U64 => Kind::I64,
            other => other,
        };
        let reading = Reading {
            kind,
            order,
            scale: 1.0,
            offset: 0.0,
            ..claim.reading
        };
        let all = places
            .iter()
            .map(|place| reading.series(images, *place, &claim.absent));
        all.map(|series| unrest(&series)).fold(0.0, f64::max)
    });
    match restless {
        [first, second] if first > 256.0 * (second + 1.0) => vec![both[1]],
        [first, second] if second > 256.0 * (first + 1.0) => vec![both[0]],
        _ => both.to_vec(),
    }
}

/// How far a whole number moves, or how large it is where it stands still.
fn unrest(series: &[Option<f64>]) -> f64 {
    let moved = movement(series);
    if moved > 0.0 {
        return moved;
    }
    farthest(series).map_or(0.0, f64::abs)
}
