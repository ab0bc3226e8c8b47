//! What the register map calls the points, flags and families that facts name by their index.

use std::borrow::Cow;

use packside_profiles::model::{Flag, InverterFamily, Point, Profile};
use packside_profiles::{Place, Role};

use crate::facts::fact::{FamilyIndex, FlagIndex, PointIndex, Spot};

pub(super) fn point(profile: &Profile, index: PointIndex) -> Option<&Point> {
    profile.points.get(index.0)
}

pub(super) fn flag(profile: &Profile, index: FlagIndex) -> Option<&Flag> {
    profile.flags.get(index.0)
}

pub(super) fn family(profile: &Profile, index: FamilyIndex) -> Option<&InverterFamily> {
    profile.inverter_families.get(index.0)
}

/// The name of a reading for people: `module 2, cell 14`, `insulation`. What a map calls it stands in the tables.
pub(super) fn name(spot: Spot, profile: &Profile) -> String {
    let Some(point) = point(profile, spot.point) else {
        return String::new();
    };
    match point.role {
        Role::CellVoltage => place_in_words(spot.place, "cell"),
        Role::CellTemperature => place_in_words(spot.place, "sensor"),
        Role::Other => packside_profiles::layout::name(&point.id, spot.place),
        role => {
            let what = role_in_words(role);
            // The module stands beside it.
            let what = match spot.place.module {
                Some(_) => what.trim_start_matches("module ").to_owned(),
                None => what,
            };
            let place = place_in_words(spot.place, "number");
            if place.is_empty() {
                what
            } else {
                format!("{place}, {what}")
            }
        }
    }
}

/// What a map calls `name`, as people say it: what it is for, counted where several are for the same. What is no
/// single point of the map keeps its name.
pub(super) fn called(name: &str, profile: &Profile) -> String {
    if let Some(one) = one_of_many(name, profile) {
        return one;
    }
    let of_role = |role: Role| profile.points.iter().filter(move |p| p.role == role);
    let point = profile.points.iter().find(|point| point.id == name);
    let Some(point) = point.filter(|point| point.role != Role::Other) else {
        return name.to_owned();
    };
    let what = match point.role {
        Role::Serial => "serial number".to_owned(),
        role => role_in_words(role),
    };
    match of_role(point.role).position(|other| other.id == name) {
        Some(place) if of_role(point.role).count() > 1 => format!("{what} {}", place + 1),
        _ => what,
    }
}

/// One repetition of a point as people say it: `cell 26 of module 3` for `cell_voltage[3.26]`.
fn one_of_many(name: &str, profile: &Profile) -> Option<String> {
    let (id, place) = name.strip_suffix(']')?.split_once('[')?;
    let point = profile.points.iter().find(|point| point.id == id)?;
    let what = match point.role {
        Role::CellVoltage => "cell".to_owned(),
        Role::CellTemperature => "sensor".to_owned(),
        Role::Other => return None,
        role => role_in_words(role),
    };
    Some(match place.split_once('.') {
        Some((module, item)) => format!("{what} {item} of module {module}"),
        None => format!("{what} {place}"),
    })
}

/// What a flag says, by its id; a word that is no flag of the map stays as it is.
pub(super) fn meant(id: &str, profile: &Profile) -> String {
    let flag = profile.flags.iter().find(|flag| flag.id == id);
    flag.map_or_else(
        || id.to_owned(),
        |flag| format!("\"{}\"", flag.meaning.clean()),
    )
}

/// What a role is called by people.
pub(super) fn role_in_words(role: Role) -> String {
    match role {
        Role::Soc => "state of charge".to_owned(),
        Role::ModuleSoc => "module state of charge".to_owned(),
        role => role.id().replace('_', " "),
    }
}

/// The physical unit of a point.
pub(super) fn unit(index: PointIndex, profile: &Profile) -> Cow<'_, str> {
    point(profile, index).map_or(Cow::Borrowed(""), |point| point.unit.clean())
}

/// A point at a place.
pub(super) fn spot(point: PointIndex, place: Place) -> Spot {
    Spot { point, place }
}

/// `module 3, cell 14`; `item` is what is counted inside a module.
pub(crate) fn place_in_words(place: Place, item: &str) -> String {
    let module = place.module.map(|module| format!("module {module}"));
    let item = place.item.map(|number| format!("{item} {number}"));
    let words: Vec<String> = module.into_iter().chain(item).collect();
    words.join(", ")
}
