//! What a careless map would hide: limits that are missing or no numbers, units that contradict the
//! role, registers that are two things at once, limits that no cell of the chemistry bears.
//!
//! # Why a missing limit is a mistake and not a choice
//! A cell at 2.62 V under a map without limits is a number that nobody judges, and a verdict would pass
//! over it. Whoever writes the map has the document at hand; whoever stands at the unit has not.

use std::collections::BTreeMap;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::points::Reach;
use crate::load::Draft;
use crate::meaning::Role;
use crate::model::{Base, Kind, Limits, Point, Table};
use crate::problem::Collector;

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

/// What must be judged has a limit at which it is an alarm.
pub(super) fn judged(draft: &Draft<'_>, problems: &mut Collector<'_>) {
    for item in &draft.points {
        let point = &item.value;
        let Some((_, ends)) = JUDGED.iter().find(|(role, _)| *role == point.role) else {
            continue;
        };
        for key in missing(&point.limits, *ends) {
            problems.add(
                item.at("limits"),
                format!(
                    "point \"{}\", limits.{key}: expected the number at which {} is an alarm, found none",
                    point.id, point.role
                ),
                "without it nothing clean can be said of a unit: take it from the maker's document",
            );
        }
    }
}

fn missing(limits: &Limits, ends: Ends) -> Vec<&'static str> {
    let below = ends != Ends::Above && limits.alarm_below.is_none();
    let above = ends != Ends::Below && limits.alarm_above.is_none();
    let keys = [(below, "alarm_below"), (above, "alarm_above")];
    keys.into_iter()
        .filter_map(|(is, key)| is.then_some(key))
        .collect()
}

/// The unit in which values of a role are judged; nothing where any will do.
fn unit_of(role: Role) -> Option<&'static str> {
    Some(match role {
        Role::PackVoltage
        | Role::TerminalVoltage
        | Role::ModuleVoltage
        | Role::CellVoltage
        | Role::CellVoltageMax
        | Role::CellVoltageMin => "V",
        Role::PackCurrent => "A",
        Role::CellTemperature | Role::CellTemperatureMax | Role::CellTemperatureMin => "degC",
        Role::PackPower => "W",
        Role::Insulation => "kOhm",
        Role::Soc | Role::ModuleSoc | Role::Soh => "%",
        _ => return None,
    })
}

/// A value comes out in the unit in which its role is judged.
pub(super) fn units(draft: &Draft<'_>, problems: &mut Collector<'_>) {
    for item in &draft.points {
        let point = &item.value;
        let Some(wanted) = unit_of(point.role).filter(|wanted| point.unit != *wanted) else {
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

/// What cells of a chemistry bear at all, V. Wider limits in a map are a slip of the pen.
// Kind: common practice (wider than any maker's window; the windows that published cell models are
// parametrised for, 2.0 to 3.6 V for LFP and 2.5 to 4.2 V for NMC, lie well inside)
const CHEMISTRIES: &[(&str, [f64; 2])] = &[
    ("LFP", [1.5, 3.9]),
    ("NMC", [2.0, 4.5]),
    ("NCA", [2.0, 4.5]),
    ("LMO", [2.0, 4.5]),
    ("LTO", [1.2, 3.0]),
];

/// The chemistry is a known one, and no limit of a cell lies outside of what it bears.
pub(super) fn chemistry(draft: &Draft<'_>, problems: &mut Collector<'_>) {
    let Some(unit) = &draft.unit else { return };
    let named = &unit.value.chemistry;
    let Some((name, [lowest, highest])) = CHEMISTRIES.iter().find(|(name, _)| named == name) else {
        let known: Vec<&str> = CHEMISTRIES.iter().map(|(name, _)| *name).collect();
        problems.add(
            unit.at("chemistry"),
            format!(
                "unit.chemistry: expected one of {}, found \"{}\"",
                known.join(", "),
                named.clean()
            ),
            "what its cells bear is not known otherwise, and nothing clean could be said",
        );
        return;
    };
    let of_cells = |role| {
        matches!(
            role,
            Role::CellVoltage | Role::CellVoltageMax | Role::CellVoltageMin
        )
    };
    for item in draft.points.iter().filter(|item| of_cells(item.value.role)) {
        let limits = &item.value.limits;
        let beyond = [
            ("alarm_below", limits.alarm_below.filter(|v| v < lowest)),
            ("alarm_above", limits.alarm_above.filter(|v| v > highest)),
        ];
        for (key, value) in beyond.into_iter().filter_map(|(key, v)| Some((key, v?))) {
            problems.add(
                item.at("limits"),
                format!(
                    "point \"{}\", limits.{key}: expected {lowest} to {highest} V, all that a cell of {name} bears, found {value}",
                    item.value.id
                ),
                "correct the number, or the chemistry",
            );
        }
    }
}
