//! What a careless map would hide: limits that are missing or no numbers, units that contradict the
//! role, registers that are two things at once, limits that no cell of the chemistry bears.
//!
//! # Why a missing limit is a gap and not a mistake
//! A cell at 2.62 V under a map without limits is a number that nobody judges, and a verdict must not pass
//! over it. Some maps have no limits and never will (those of a standard, those learned on a line), and are
//! of use all the same: what they show can be a fault. So a gap is named to whoever writes the map, keeps
//! every clean verdict away, and what the chemistry bears is judged in its place. What contradicts itself
//! (no number, two units, one register twice) is a mistake, and such a map is not used at all.

use std::collections::{BTreeMap, BTreeSet};

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::places::Reach;
use crate::load::Draft;
use crate::meaning::Role;
use crate::model::{
    Base, CellLimits, Chemistry, Flag, Gap, JudgedBy, Kind, Point, Profile, Severity, Table,
    UNKNOWN_CHEMISTRY,
};
use crate::problem::{Collector, Grade};

/// No number of a map may be endless or none.
pub(crate) fn finite(table: &DeTable<'_>, problems: &mut Collector<'_>) {
    for value in table.values() {
        finite_value(value, problems);
    }
}

fn finite_value(value: &Spanned<DeValue<'_>>, problems: &mut Collector<'_>) {
    match value.get_ref() {
        DeValue::Float(float) => {
            let text = float.as_str();
            if text.ends_with("nan") || text.ends_with("inf") {
                problems.add(
                    value.span(),
                    format!("expected a number, found {text}, which limits and scales nothing"),
                    "give the number of the document",
                );
            }
        }
        DeValue::String(text) if text == "?" => problems.add(
            value.span(),
            "a blank is left here: expected what the document says, found \"?\"",
            "fill it in, or take the key out where it need not be there",
        ),
        DeValue::Array(items) => items.iter().for_each(|item| finite_value(item, problems)),
        DeValue::Table(table) => finite(table, problems),
        _ => {}
    }
}

/// Which ends of a value must be judged.
#[derive(Clone, Copy, PartialEq)]
enum Ends {
    Below,
    Above,
    Both,
}

/// Roles whose numbers decide about people and goods. Extremes need the end that they show.
const JUDGED: &[(Role, Ends)] = &[
    (Role::CellVoltage, Ends::Both),
    (Role::CellVoltageMax, Ends::Above),
    (Role::CellVoltageMin, Ends::Below),
    (Role::CellTemperature, Ends::Both),
    (Role::CellTemperatureMax, Ends::Above),
    (Role::CellTemperatureMin, Ends::Below),
    (Role::PackCurrent, Ends::Both),
    (Role::Insulation, Ends::Below),
];

/// What must be judged has a limit at which it is an alarm. Without one it is not judged, and nothing clean
/// can be said.
pub(super) fn judged(draft: &Draft<'_>, problems: &mut Collector<'_>) {
    for item in &draft.points {
        let point = &item.value;
        let ends = unjudged(point).into_iter();
        let keys: Vec<&str> = ends
            .map(|above| if above { "alarm_above" } else { "alarm_below" })
            .collect();
        if !keys.is_empty() {
            problems.add(
                item.at("limits"),
                format!(
                    "point \"{}\", limits.{}: expected the number at which {} is an alarm, found none",
                    point.id,
                    keys.join(" and "),
                    point.role
                ),
                "without it nothing clean can be said of a unit: take it from the maker's document",
            );
            problems.only(Grade::Gap);
        }
    }
    let is_blank = draft
        .blanks
        .iter()
        .any(|left| left.blank.key.starts_with("cell."));
    if draft.cell.is_none() && !is_blank && !problems.is_broken("cell") {
        problems.add_whole(
            "cell: expected a table [cell], found none: below which voltage no cell may be charged, and how cold, is \
             not known",
            "add [cell] with never_charge_below, charge_from_c and charge_to_c from the maker's document",
        );
        problems.only(Grade::Gap);
    }
}

/// The limits that numbers of a role need, as a map calls them.
pub fn limits_needed(role: Role) -> &'static [&'static str] {
    match JUDGED.iter().find(|(of, _)| *of == role) {
        Some((_, Ends::Both)) => &["alarm_below", "alarm_above"],
        Some((_, Ends::Below)) => &["alarm_below"],
        Some((_, Ends::Above)) => &["alarm_above"],
        None => &[],
    }
}

/// The ends (upper where true) at which a point must be judged and is not.
fn unjudged(point: &Point) -> Vec<bool> {
    let Some((_, ends)) = JUDGED.iter().find(|(role, _)| *role == point.role) else {
        return Vec::new();
    };
    if point.judged_by.is_some() {
        return Vec::new();
    }
    let below = *ends != Ends::Above && point.limits.alarm_below.is_none();
    let above = *ends != Ends::Below && point.limits.alarm_above.is_none();
    let ends = [(below, false), (above, true)];
    ends.into_iter()
        .filter_map(|(is, end)| is.then_some(end))
        .collect()
}

/// Bits of an alarm word between those that have flags, and no flag: up, they keep a verdict open, and
/// whoever writes the map may have left one out.
pub(super) fn bits_without_flag(draft: &Draft<'_>, problems: &mut Collector<'_>) {
    let words = draft.points.iter();
    for item in words.filter(|item| item.value.role == Role::AlarmWord) {
        let flags = draft.flags.iter().map(|flag| &flag.value);
        let mine = flags.filter(|flag| flag.point == item.value.id);
        let bits: BTreeSet<u8> = mine.filter_map(|flag| flag.bit).collect();
        let last = bits.last().copied().unwrap_or(0);
        let left_out: Vec<String> = (0..last)
            .filter(|bit| !bits.contains(bit))
            .map(|bit| bit.to_string())
            .collect();
        if left_out.is_empty() {
            continue;
        }
        problems.add(
            item.at("id"),
            format!(
                "point \"{}\": expected flags up to bit {last}, found none for {}",
                item.value.id,
                left_out.join(", ")
            ),
            "add [[flag]] for each that the maker's document names, else leave it: a bit without a flag matters \
             only while it is up, and then keeps the verdict open",
        );
        problems.only(Grade::Note);
    }
}

/// Insulation that no rule bears: 100 ohms for each volt of the pack.
// Kind:   published
// Source: UN R100: 100 ohm per volt for DC buses (as reprinted)
const LEAST_KOHM_PER_VOLT: f64 = 0.1;

/// The alarm limit of the insulation is not below what vehicle rules call the least.
pub(super) fn insulation(draft: &Draft<'_>, problems: &mut Collector<'_>) {
    let points = || draft.points.iter();
    let pack = points().find(|item| item.value.role == Role::PackVoltage);
    let Some(volts) = pack.and_then(|item| item.value.limits.alarm_above) else {
        return;
    };
    let least = LEAST_KOHM_PER_VOLT * volts;
    for item in points().filter(|item| item.value.role == Role::Insulation) {
        let Some(limit) = item.value.limits.alarm_below.filter(|limit| *limit < least) else {
            continue;
        };
        problems.add(
            item.at("limits"),
            format!(
                "point \"{}\", limits.alarm_below: expected at least {least:.0} kOhm, 100 ohms for each of {volts} V, found {limit}",
                item.value.id
            ),
            "give the limit of the maker's document, in kOhm",
        );
    }
}

/// What judges a number in place of a limit is one of a closed list, for roles that bear it.
pub(super) fn exemptions(draft: &Draft<'_>, problems: &mut Collector<'_>) {
    for item in &draft.points {
        let point = &item.value;
        let Some(by) = &point.judged_by else { continue };
        if !matches!(point.role, Role::PackCurrent | Role::Insulation) {
            problems.add(
                item.at("judged_by"),
                format!(
                    "point \"{}\", judged_by: expected limits, found another reason not to judge {}",
                    point.id, point.role
                ),
                "only pack_current and insulation may go without limits of their own",
            );
        }
        let JudgedBy::Flag(id) = by else { continue };
        let is_alarm = |flag: &Flag| flag.id == *id && flag.severity == Severity::Alarm;
        if !draft.flags.iter().any(|flag| is_alarm(&flag.value)) {
            problems.add(
                item.at("judged_by"),
                format!(
                    "point \"{}\", judged_by: expected a flag that is an alarm, found none of the id \"{id}\"",
                    point.id
                ),
                "name the flag that is up when the number is out of order",
            );
        }
    }
}

/// Notes what a map leaves open, and lets what its chemistry bears judge where it gives no limit.
pub(super) fn settle(profile: &mut Profile) {
    let chemistry = Chemistry::named(profile.unit.chemistry.as_given());
    let mut gaps = Vec::new();
    for (index, point) in profile.points.iter_mut().enumerate() {
        for above in unjudged(point) {
            let floor = chemistry.and_then(|one| one.bears(point.role, above));
            let end = if above {
                &mut point.limits.alarm_above
            } else {
                &mut point.limits.alarm_below
            };
            *end = floor;
            gaps.push(Gap::Limit {
                point: index,
                above,
                floor,
            });
        }
    }
    let has = |role| profile.points.iter().any(|point| point.role == role);
    gaps.extend(super::points::missing(has).map(|(role, _)| Gap::Point(role)));
    if chemistry.is_none() {
        gaps.push(Gap::Chemistry);
    }
    if profile.cell.is_none() {
        gaps.push(Gap::Cell);
        profile.cell = chemistry.map(|one| CellLimits {
            never_charge_below: one.volts[0],
            charge_from_c: one.charge_from_c,
            charge_reduced: Vec::new(),
            charge_to_c: one.celsius[1],
        });
    }
    profile.gaps = gaps;
}

/// Times may go without a unit, which says seconds; another one would be taken for seconds.
fn time_of(point: &Point) -> Option<&'static str> {
    let is_time = matches!(point.role, Role::Uptime | Role::InverterAge);
    (is_time && !point.unit.is_blank()).then_some("s")
}

/// A value comes out in the unit in which its role is judged.
pub(super) fn units(draft: &Draft<'_>, problems: &mut Collector<'_>) {
    for item in &draft.points {
        let point = &item.value;
        let wanted = point.role.unit().or_else(|| time_of(point));
        let Some(wanted) = wanted.filter(|wanted| point.unit != *wanted) else {
            continue;
        };
        problems.add(
            item.at("unit"),
            format!(
                "point \"{}\", unit: expected {wanted}, in which {} is judged, found \"{}\"",
                point.id,
                point.role,
                point.unit.clean()
            ),
            format!("choose the scale so that the value comes out in {wanted}, and say unit = \"{wanted}\""),
        );
    }
}

/// A table, how its addresses are counted, and the points at each register.
type Space<'a> = (Table, Base, BTreeMap<u64, Vec<&'a Point>>);

/// One register is one thing, unless two points take different bits or halves of it.
pub(super) fn overlaps(draft: &Draft<'_>, problems: &mut Collector<'_>) {
    let mut left = MOST_REGISTERS;
    let mut spaces: Vec<Space<'_>> = Vec::new();
    for item in &draft.points {
        let Some(reach) = Reach::of(draft, &item.value) else {
            continue;
        };
        let same =
            |(table, base, _): &(Table, Base, _)| *table == reach.table && *base == reach.base;
        let place = spaces.iter().position(same).unwrap_or_else(|| {
            spaces.push((reach.table, reach.base, BTreeMap::new()));
            spaces.len() - 1
        });
        let Some((.., taken)) = spaces.get_mut(place) else {
            continue;
        };
        let mut shared = None;
        for register in reach.registers().take(left) {
            left -= 1;
            let points = taken.entry(register).or_default();
            let other = points.iter().find(|other| !splits(&item.value, other));
            shared = shared.or_else(|| other.map(|other| (register, other.id.clone())));
            points.push(&item.value);
        }
        if let Some((register, other)) = shared {
            problems.add(
                item.at("address"),
                format!("point \"{}\": shares register {register} with \"{other}\"", item.value.id),
                "one of both addresses, strides or counts is wrong (two parts of one register have bits = [..])",
            );
        }
    }
}

/// More registers of all points together are not looked at: no unit has them, a hostile map may.
const MOST_REGISTERS: usize = 1 << 18;

/// Whether two points of one register take different parts of it.
fn splits(one: &Point, other: &Point) -> bool {
    let parts = |point: &Point| match (point.kind, point.bits) {
        (_, Some([from, to])) => Some((from, to)),
        (Kind::U8Low | Kind::I8Low, None) => Some((0, 7)),
        (Kind::U8High | Kind::I8High, None) => Some((8, 15)),
        _ => None,
    };
    match (parts(one), parts(other)) {
        (Some(a), Some(b)) => a.1 < b.0 || b.1 < a.0,
        _ => false,
    }
}

/// The chemistry is a known one, and no limit of a cell lies outside of what it bears.
pub(super) fn chemistry(draft: &Draft<'_>, problems: &mut Collector<'_>) {
    let Some(unit) = &draft.unit else { return };
    if draft.is_blank("unit.chemistry") {
        return;
    }
    let named = &unit.value.chemistry;
    let Some(chemistry) = Chemistry::named(named.as_given()) else {
        let known: Vec<&str> = Chemistry::all().iter().map(|one| one.name).collect();
        problems.add(
            unit.at("chemistry"),
            format!(
                "unit.chemistry: expected one of {}, found \"{}\"",
                known.join(", "),
                named.clean()
            ),
            "what its cells bear is not known otherwise, and nothing clean can be said of a unit",
        );
        if named.as_given() == UNKNOWN_CHEMISTRY {
            problems.only(Grade::Gap);
        }
        return;
    };
    for item in &draft.points {
        let (role, limits) = (item.value.role, &item.value.limits);
        let given = [
            ("alarm_below", limits.alarm_below),
            ("alarm_above", limits.alarm_above),
        ];
        for (key, value) in given {
            let ends = (chemistry.bears(role, false), chemistry.bears(role, true));
            let (Some(value), (Some(lowest), Some(highest))) = (value, ends) else {
                continue;
            };
            if (lowest..=highest).contains(&value) {
                continue;
            }
            problems.add(
                item.at("limits"),
                format!(
                    "point \"{}\", limits.{key}: expected {lowest} to {highest} {}, all that a cell of {} bears, found {value}",
                    item.value.id,
                    item.value.unit.clean(),
                    chemistry.name
                ),
                "correct the number, or the chemistry",
            );
        }
    }
    cell_table(draft, chemistry, problems);
}

/// The absolute limits of a cell lie within what its chemistry bears.
fn cell_table(draft: &Draft<'_>, chemistry: &Chemistry, problems: &mut Collector<'_>) {
    let Some(item) = &draft.cell else { return };
    let cell = &item.value;
    let [lowest, highest] = chemistry.volts;
    let [_, hottest] = chemistry.celsius;
    let coldest = chemistry.charge_from_c - COLDER_BY_DESIGN;
    let ends = [
        (
            "never_charge_below",
            cell.never_charge_below,
            lowest,
            highest,
        ),
        ("charge_from_c", cell.charge_from_c, coldest, hottest),
        ("charge_to_c", cell.charge_to_c, coldest, hottest),
    ];
    for (key, value, from, to) in ends {
        let is_told = key == "never_charge_below" && value <= 0.0;
        if !is_told && !(from..=to).contains(&value) {
            problems.add(
                item.at(key),
                format!(
                    "cell.{key}: expected {from} to {to}, all that a cell of {} bears, found {value}",
                    chemistry.name
                ),
                "correct the number, or the chemistry",
            );
        }
    }
}

/// Some makers allow a small charge so much below what is usual for the chemistry, K.
// Kind: common practice
const COLDER_BY_DESIGN: f64 = 20.0;
