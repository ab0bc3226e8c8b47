//! Where every repetition of every point stands, once the counts are known.
//!
//! Input: a profile and what was read of counts and models. Output: concrete addresses. Whatever
//! does not fit into 65536 registers is left out here; the checker names it. Counts read from a unit are
//! never believed beyond `at_most` and the end of the address space.

use std::collections::BTreeMap;

use crate::model::{Base, Count, Group, Point, Profile, Table};

/// What must be known besides the profile: counts read from the unit, models found in its chain.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Known {
    /// Values of count points by point id.
    pub counts: BTreeMap<String, u16>,
    /// Start (register of the id) and length (as in the chain, without the two header registers).
    pub models: BTreeMap<u16, (u16, u16)>,
}

/// Position of a repetition, 1-based as people count.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, PartialOrd, Ord)]
pub struct Place {
    /// Instance of the group: the module.
    pub module: Option<u16>,
    /// Repetition of the point inside it: the cell or sensor.
    pub item: Option<u16>,
}

/// One concrete thing to read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Instance {
    /// Index into `Profile::points`.
    pub point: usize,
    /// Printed name: `cell_voltage[2.14]`, `module_voltage[2]`, `pack_voltage`.
    pub name: String,
    /// Position.
    pub place: Place,
    /// Table.
    pub table: Table,
    /// First register, 0-based.
    pub address: u16,
    /// Number of registers.
    pub registers: u16,
}

/// All instances of a profile.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Layout {
    /// In the order of the profile's points, then of the repetitions.
    pub instances: Vec<Instance>,
    /// Indices of points that wait for a count or a model.
    pub pending: Vec<usize>,
}

impl Layout {
    /// Places everything that `known` allows to place.
    pub fn new(profile: &Profile, known: &Known) -> Self {
        let mut layout = Self::default();
        for (index, point) in profile.points.iter().enumerate() {
            match place(profile, known, index, point) {
                Some(instances) => layout.instances.extend(instances),
                None => layout.pending.push(index),
            }
        }
        layout
    }
}

/// All instances of one point, or nothing where a count or model is not known.
fn place(profile: &Profile, known: &Known, index: usize, point: &Point) -> Option<Vec<Instance>> {
    let group = match &point.group {
        None => None,
        Some(id) => Some(profile.groups.iter().find(|group| group.id == *id)?),
    };
    let table = group.map(|group| group.table).or(point.table)?;
    let base = group.map_or(point.base, |group| group.base);
    let (base_address, model_length) = base_of(base, known)?;
    let groups = match group {
        None => 1,
        Some(group) => group_count(group, known, model_length)?,
    };
    let repeats = match &point.repeat {
        None => 1,
        Some(repeat) => count(&repeat.count, known, || {
            rest(model_length, point.address, repeat.stride)
        })?,
    };
    let first = base_address + u64::from(point.address) + group.map_or(0, |g| u64::from(g.address));
    let group_stride = group.map_or(0, |g| u64::from(g.stride));
    let item_stride = point.repeat.as_ref().map_or(0, |r| u64::from(r.stride));
    let mut instances = Vec::new();
    for module in 0..groups {
        for item in 0..repeats {
            let address = first + u64::from(module) * group_stride + u64::from(item) * item_stride;
            let last = address + u64::from(point.width().max(1)) - 1;
            // Addresses only grow: what follows does not fit either. Without a stride none would end it.
            let (Ok(address), true) = (u16::try_from(address), last <= u64::from(u16::MAX)) else {
                break;
            };
            if instances.len() > usize::from(u16::MAX) {
                return Some(instances);
            }
            let place = Place {
                module: group.map(|_| module + 1),
                item: point.repeat.as_ref().map(|_| item + 1),
            };
            let name = name(&point.id, place);
            instances.push(Instance {
                point: index,
                name,
                place,
                table,
                address,
                registers: point.width(),
            });
        }
    }
    Some(instances)
}

/// The printed name of a repetition of a point: `cell_voltage[2.14]`.
pub fn name(id: &str, place: Place) -> String {
    match (place.module, place.item) {
        (Some(module), Some(item)) => format!("{id}[{module}.{item}]"),
        (Some(one), None) | (None, Some(one)) => format!("{id}[{one}]"),
        (None, None) => id.to_owned(),
    }
}

/// First register of a base and, for a model, the registers it has with its header.
fn base_of(base: Base, known: &Known) -> Option<(u64, Option<u32>)> {
    match base {
        Base::Absolute => Some((0, None)),
        Base::Model(id) => {
            let (start, length) = known.models.get(&id)?;
            Some((u64::from(*start), Some(u32::from(*length) + 2)))
        }
    }
}

fn group_count(group: &Group, known: &Known, model_length: Option<u32>) -> Option<u16> {
    let found = count(&group.count, known, || {
        rest(model_length, group.address, group.stride)
    })?;
    Some(found.min(group.at_most))
}

fn count(count: &Count, known: &Known, rest: impl Fn() -> Option<u16>) -> Option<u16> {
    match count {
        Count::Fixed(n) => Some(*n),
        Count::Named(name) if name == Count::REST_OF_MODEL => rest(),
        Count::Named(name) => known.counts.get(name).copied(),
    }
}

/// Repetitions that fit between an address and the end of the model.
fn rest(model_length: Option<u32>, address: u16, stride: u16) -> Option<u16> {
    let left = model_length?.saturating_sub(address.into());
    u16::try_from(left / u32::from(stride.max(1))).ok()
}

/// Models of a SunSpec chain in `words`, which begin at register `start` with the mark "SunS".
///
/// Gives the register of each model's id and its length without header; nothing where the mark is
/// missing. Stops at the end model or where the words end.
pub fn models_in_chain(words: &[u16], start: u16) -> BTreeMap<u16, (u16, u16)> {
    // Kind:   published
    // Source: SunSpec models as implemented by PyPI pysunspec2 1.3.7: mark "SunS" =
    //         0x5375 0x6e53, then {id, length, content}*, end id 0xffff
    const MARK: [u16; 2] = [0x5375, 0x6e53];
    let mut models = BTreeMap::new();
    if words.get(..2) != Some(&MARK) {
        return models;
    }
    let mut at = 2usize;
    while let (Some(id), Some(length)) = (words.get(at), words.get(at + 1)) {
        if *id == 0xffff {
            break;
        }
        let Some(register) = u16::try_from(at).ok().and_then(|at| start.checked_add(at)) else {
            break;
        };
        models.entry(*id).or_insert((register, *length));
        at += 2 + usize::from(*length);
    }
    models
}
