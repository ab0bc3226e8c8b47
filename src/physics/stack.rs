//! Finds the voltage of a stack by the highest and the lowest of its cells, and what voltages there are besides.
//!
//! Does not: decide between pack and terminals, which are one voltage as long as the switches are closed.

use std::collections::BTreeMap;

use packside_profiles::Role;
use packside_profiles::model::{Kind, Table, WordOrder};

use super::blocks::voltages;
use super::claim::Evidence;
use super::images::{Images, Register};
use super::proposal::{Found, Proposal, longest_run, says_itself, unsure_of_width};
use super::reading::{Reading, Series};
use super::relate::{MOST_CELLS, correlation, follows, middle, movement, steps, whole_cells};

/// Registers that go with a voltage, each with its possible readings, none of which overlap.
pub(crate) type Alike = BTreeMap<(Table, u16), Vec<(Reading, Series)>>;

/// Voltages that a whole number of cells between the highest and the lowest makes.
pub(crate) fn by_extremes(found: &mut Found<'_>, high: &Series, low: &Series, mean: &Series) {
    let mut alike = Alike::new();
    for (at, reading, series) in voltages(found) {
        let is_made = whole_cells(&series, reading.step(), (high, low), mean).is_some();
        // Temperatures drift along with a charge, but do not jump along.
        let jumps = correlation(&steps(&series, mean)) > 0.3;
        // Between cells and terminals lies what contactors and cables take: another decade is excluded by more than that.
        let is_possible = is_made || is_nearly_whole(&series, mean);
        if is_possible
            && jumps
            && follows(&series, mean)
            && movement(&series) >= 2.9 * reading.step()
        {
            alike
                .entry((at.table, at.address))
                .or_default()
                .push((reading, series));
        }
    }
    // What a whole number makes stands first; a register of which no reading is made of one is none.
    for ways in alike.values_mut() {
        let is_made = |(reading, series): &(Reading, Series)| {
            whole_cells(series, reading.step(), (high, low), mean).is_some()
        };
        ways.sort_by_key(|way| !is_made(way));
        if !ways.first().is_some_and(is_made) {
            ways.clear();
        }
    }
    alike.retain(|_, ways| !ways.is_empty());
    let why = |series: &Series, step: f64| {
        let cells = whole_cells(series, step, (high, low), mean).unwrap_or_default();
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a whole number below 500"
        )]
        Some(Evidence::WholeCells {
            cells: cells as usize,
        })
    };
    propose(found, alike, true, why);
}

/// Share by which the voltage of terminals under current may lie beside that of its cells.
// Kind: common practice
const AT_TERMINALS: f64 = 0.012;

/// Whether a whole number of cells, or nearly, makes a voltage.
fn is_nearly_whole(series: &Series, mean: &Series) -> bool {
    let both = middle(series).zip(middle(mean));
    both.is_some_and(|(volts, cell)| {
        let count = volts / cell;
        (4.0..=MOST_CELLS).contains(&count) && (count - count.round()).abs() < AT_TERMINALS * count
    })
}

/// Proposes voltages: the ways to read each, and what each may be; for certain only where `is_shown`.
pub(crate) fn propose(
    found: &mut Found<'_>,
    mut alike: Alike,
    is_shown: bool,
    why: impl Fn(&Series, f64) -> Option<Evidence>,
) {
    one_width(found.images, &mut alike);
    let places = alike
        .iter()
        .filter_map(|((table, address), ways)| Some((*table, *address, ways.first()?.0.width()?)));
    let side_by_side = longest_run(places.collect());
    alike.retain(|(table, address), _| {
        !side_by_side
            .iter()
            .any(|place| place.0 == *table && place.1 == *address)
    });
    let is_rack = !side_by_side.is_empty();
    let middles: Vec<f64> = alike
        .values()
        .filter_map(|ways| middle(&ways.first()?.1))
        .collect();
    let is_one = middles.iter().all(|one| {
        let decades = middles.first().map_or(0.0, |first| (one / first).log10());
        (decades - decades.round()).abs() < 0.013
    });
    let mut roles = vec![Role::PackVoltage, Role::TerminalVoltage];
    if is_rack || !is_one || alike.len() > 2 {
        roles.push(Role::ModuleVoltage);
    }
    let is_alone = alike.len() == 1 && roles.len() == 2;
    let mut first = None;
    for ((table, address), ways) in alike {
        let at = Register::new(table, address);
        let Some((reading, series)) = ways.first() else {
            continue;
        };
        let step = reading.step();
        first.get_or_insert((series.clone(), ways.len() > 1));
        // A high word that stands still may be another register.
        let is_still = reading.kind == Kind::U32 && !says_itself(found, at, reading);
        let is_sure = is_shown && is_alone && ways.len() == 1 && !is_still;
        let role = if is_sure {
            Role::PackVoltage
        } else {
            Role::Other
        };
        let mut proposal = Proposal::new(role, at, *reading, "V");
        proposal.evidence.extend(why(series, step));
        if !is_sure {
            let both = ways
                .iter()
                .flat_map(|(reading, _)| roles.iter().map(|role| (*role, *reading)));
            proposal = proposal.or(both.collect::<Vec<_>>());
        }
        found.all.push(unsure_of_width(found, proposal));
    }
    if let Some((series, is_open)) = first {
        found.pack = Some(series);
        found.pack_is_open = is_open;
    }
}

/// One width for each register, and no register in two: a narrow number goes before a wide one whose high word stands
/// still, as that may be another register.
fn one_width(images: &Images, alike: &mut Alike) {
    for ways in alike.values_mut() {
        let kind = ways
            .first()
            .map(|(reading, _)| (reading.kind, reading.order));
        ways.retain(|(reading, _)| Some((reading.kind, reading.order)) == kind);
    }
    let is_narrow = |alike: &Alike, place: (Table, u16)| {
        let ways = alike.get(&place).and_then(|ways| ways.first());
        ways.is_some_and(|(reading, _)| reading.width() == Some(1))
    };
    let places: Vec<(Table, u16)> = alike.keys().copied().collect();
    for place in places {
        let (table, address) = place;
        let Some(next) = address.checked_add(1) else {
            continue;
        };
        let Some((reading, _)) = alike.get(&place).and_then(|ways| ways.first()) else {
            continue;
        };
        if reading.width() == Some(1) || !alike.contains_key(&(table, next)) {
            continue;
        }
        let high = match reading.order {
            WordOrder::HighFirst => address,
            WordOrder::LowFirst => next,
        };
        let row = images.row(Register::new(table, high)).unwrap_or_default();
        let first = row.iter().flatten().next();
        let is_still = row.iter().flatten().all(|word| Some(word) == first);
        if is_still && !reading.is_float() && is_narrow(alike, (table, next)) {
            alike.remove(&place);
        } else {
            alike.remove(&(table, next));
        }
    }
}
