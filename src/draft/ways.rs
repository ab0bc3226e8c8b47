//! The ways in which a draft lets a point be understood: what stands there, and its rivals.
//!
//! Does not: decide between them.

use std::collections::BTreeMap;

use packside_profiles::Role;
use packside_profiles::model::{Key, Point, Positive, Profile, Rival};

use super::claims::per_unit_of;
use crate::physics::{Reading, differences};

/// Words that the registers of each point held last, by the id of the point.
pub type Held = BTreeMap<String, Vec<u16>>;

/// One way to understand a point, in the unit of the map.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Way {
    /// What it is for.
    pub role: Role,
    /// How its registers are read.
    pub reading: Reading,
}

/// Keys in which ways differ.
pub(super) fn between(ways: &[Way]) -> Vec<Key> {
    let mut keys = Vec::new();
    let Some(first) = ways.first() else {
        return keys;
    };
    for way in ways {
        let mut all = differences(&first.reading, &way.reading);
        if way.role != first.role {
            all.insert(0, Key::Role);
        }
        for key in all {
            if !keys.contains(&key) {
                keys.push(key);
            }
        }
    }
    keys
}

/// The ways that a draft leaves open for a point: what stands there, and its rivals.
pub fn ways(point: &Point) -> Vec<Way> {
    let own = Way {
        role: point.role,
        reading: Reading {
            kind: point.kind,
            order: point.order,
            scale: point.scale.value(),
            offset: point.offset.value(),
            positive: point.positive,
        },
    };
    let mut all = vec![own];
    let standing = point.draft.as_ref();
    let rivals = standing.iter().flat_map(|draft| &draft.rivals);
    for way in rivals.map(|rival| of_rival(own, rival)) {
        if !all.contains(&way) {
            all.push(way);
        }
    }
    // A point whose role is in doubt stands as "other" only until that is settled.
    let is_doubtful = standing.is_some_and(|draft| draft.open.contains(&Key::Role));
    if is_doubtful && all.len() > 1 {
        all.retain(|way| way.role != Role::Other);
    }
    let is_turned = standing.is_some_and(|draft| draft.open.contains(&Key::Positive));
    if !is_turned && own.reading.positive.is_some() {
        return all;
    }
    let with_directions = all.into_iter().flat_map(|way| {
        let flows = matches!(way.role, Role::PackCurrent | Role::PackPower);
        let directions = match (flows, is_turned, way.reading.positive) {
            (true, true, _) | (true, false, None) => {
                vec![Some(Positive::Charge), Some(Positive::Discharge)]
            }
            (.., said) => vec![said],
        };
        directions.into_iter().map(move |positive| Way {
            reading: Reading {
                positive,
                ..way.reading
            },
            ..way
        })
    });
    let mut all: Vec<Way> = Vec::new();
    for way in with_directions {
        if !all.contains(&way) {
            all.push(way);
        }
    }
    all
}

fn of_rival(own: Way, rival: &Rival) -> Way {
    let reading = own.reading;
    Way {
        role: rival.role.unwrap_or(own.role),
        reading: Reading {
            kind: rival.kind.unwrap_or(reading.kind),
            order: rival.order.unwrap_or(reading.order),
            scale: rival.scale.map_or(reading.scale, |scale| scale.value()),
            offset: rival.offset.map_or(reading.offset, |offset| offset.value()),
            positive: rival.positive.or(reading.positive),
        },
    }
}

/// The same without what another point already is for certain.
pub(super) fn possible(profile: &Profile, point: &Point) -> Vec<Way> {
    let taken = |role: Role| {
        let mut others = profile.points.iter().filter(|other| other.id != point.id);
        !role.may_stand_twice()
            && others.any(|other| {
                let doubts = other.draft.as_ref().map_or(&[][..], |draft| &draft.open);
                other.role == role && !doubts.contains(&Key::Role)
            })
    };
    let mut all = ways(point);
    if all.iter().any(|way| !taken(way.role)) {
        all.retain(|way| !taken(way.role));
    }
    all
}

/// What a way reads, in the unit of its role.
pub fn number(point: &Point, way: &Way, held: &Held) -> Option<f64> {
    let words = held.get(&point.id)?;
    let width = usize::from(way.reading.width()?);
    let number = way
        .reading
        .number(words.get(..width)?, &point.not_available)?;
    Some(number * per_unit_of(way.role, point.unit.as_given()))
}
