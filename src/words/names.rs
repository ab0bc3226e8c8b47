//! What the register map calls the points, flags and families that facts name by their index.

use std::borrow::Cow;

use packside_profiles::Place;
use packside_profiles::model::{Flag, InverterFamily, Point, Profile};

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

/// The name of a reading, as the map and the manual call it: `cell_voltage[2.14]`.
pub(super) fn name(spot: Spot, profile: &Profile) -> String {
    let id = point(profile, spot.point).map_or("", |point| point.id.as_str());
    packside_profiles::layout::name(id, spot.place)
}

/// The physical unit of a point.
pub(super) fn unit(index: PointIndex, profile: &Profile) -> Cow<'_, str> {
    point(profile, index).map_or(Cow::Borrowed(""), |point| point.unit.clean())
}

/// A point at a place.
pub(super) fn spot(point: PointIndex, place: Place) -> Spot {
    Spot { point, place }
}
