//! Where every repetition of every point stands, once the counts are known.
//!
//! Input: a profile and what was read of counts and models. Output: concrete addresses. Whatever
//! does not fit into 65536 registers is left out here; the checker names it. Counts read from a unit are
//! never believed beyond `at_most` and the end of the address space.

use std::collections::BTreeMap;

use crate::model::{Base, Count, Group, Point, Profile, Span, Table};

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
    /// Position.
    pub place: Place,
    /// Table.
    pub table: Table,
    /// First register, 0-based.
    pub address: u16,
    /// Number of registers.
    pub registers: u16,
}

impl Instance {
    /// Printed name: `cell_voltage[2.14]`, `module_voltage[2]`, `pack_voltage`. Made when it is wanted: hundreds
    /// of instances are kept of every unit.
    pub fn name(&self, profile: &Profile) -> String {
        let point = profile.points.get(self.point);
        name(point.map_or("", |point| &point.id), self.place)
    }
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
    let item_stride = point.repeat.as_ref().map_or(0, |r| u64::from(r.stride));
    let mut instances = Vec::new();
    for module in 0..groups {
        let Some(start) = group.map_or(Some(0), |group| group.start(module)) else {
            break;
        };
        let first = base_address + u64::from(point.address) + start;
        let repeats = match &point.repeat {
            None => 1,
            Some(repeat) => count(&repeat.count, module, known, || {
                rest(model_length, point.address, repeat.stride)
            })?,
        };
        for item in 0..repeats {
            let address = first + u64::from(item) * item_stride;
            let last = address + u64::from(point.width().max(1)) - 1;
            // Addresses only grow: what follows does not fit either. Without a stride none would end it.
            let (Ok(address), true) = (u16::try_from(address), last <= u64::from(u16::MAX)) else {
                break;
            };
            if instances.len() > usize::from(u16::MAX) {
                return Some(instances);
            }
            let repeated = point.repeat.as_ref().map(|_| item + 1);
            let place = match group {
                // What each module has once counts modules, in a group or not.
                None if point.role.is_of_a_module() => Place {
                    module: repeated,
                    item: None,
                },
                _ => Place {
                    module: group.map(|group| group.number(module)),
                    item: repeated,
                },
            };
            instances.push(Instance {
                point: index,
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
    let found = count(&group.count, 0, known, || {
        rest(model_length, group.address, group.stride)
    })?;
    Some(found.min(group.at_most))
}

/// How often something repeats in an instance of its group.
fn count(
    count: &Count,
    instance: u16,
    known: &Known,
    rest: impl Fn() -> Option<u16>,
) -> Option<u16> {
    match count {
        Count::Fixed(n) => Some(*n),
        Count::Each(counts) => Some(counts.get(usize::from(instance)).copied().unwrap_or(0)),
        Count::Named(name) if name == Count::REST_OF_MODEL => rest(),
        Count::Named(name) => known.counts.get(name).copied(),
    }
}

/// Repetitions that fit between an address and the end of the model.
fn rest(model_length: Option<u32>, address: u16, stride: u16) -> Option<u16> {
    let left = model_length?.saturating_sub(address.into());
    u16::try_from(left / u32::from(stride.max(1))).ok()
}

/// Gives whatever stands in a model of the chain the registers at which the unit has that model. Of a
/// model that stands several times the first is meant; what stands in one that the unit does not have is
/// left out, with its flags.
pub(crate) fn stand_in_models(profile: &mut Profile) {
    let found: BTreeMap<u16, (u16, u16)> = profile
        .models
        .iter()
        .rev()
        .map(|model| (model.id, (model.address, model.length)))
        .collect();
    if found.is_empty() {
        return;
    }
    let settled = |base: Base, address: u16| match base {
        Base::Absolute => Some((Base::Absolute, address, None)),
        Base::Model(id) => {
            let (start, length) = found.get(&id)?;
            Some((Base::Absolute, start.checked_add(address)?, Some(*length)))
        }
    };
    let settle_count = |count: &mut Count, length: Option<u16>, address: u16, stride: u16| {
        let is_rest = matches!(count, Count::Named(name) if name == Count::REST_OF_MODEL);
        if let Some(length) = length.filter(|_| is_rest) {
            let left = rest(Some(u32::from(length) + 2), address, stride);
            *count = Count::Fixed(left.unwrap_or_default());
        }
    };
    let span = |span: &mut Span| {
        let from = settled(span.base, span.from);
        let to = settled(span.base, span.to);
        let (Some((base, from, _)), Some((_, to, _))) = (from, to) else {
            return false;
        };
        (span.base, span.from, span.to) = (base, from, to);
        true
    };
    profile.spans.retain_mut(span);
    profile.clears_when_read.retain_mut(span);
    profile.inverter.reads_of.retain_mut(span);
    let length_of = |base: Base| settled(base, 0).and_then(|(.., length)| length);
    let groups = profile.groups.iter();
    let lengths: BTreeMap<String, Option<u16>> = groups
        .map(|group| (group.id.clone(), length_of(group.base)))
        .collect();
    profile.groups.retain_mut(|group| {
        let Some((base, address, length)) = settled(group.base, group.address) else {
            return false;
        };
        settle_count(&mut group.count, length, group.address, group.stride);
        (group.base, group.address) = (base, address);
        true
    });
    let groups = &profile.groups;
    profile.points.retain_mut(|point| {
        if let Some(id) = &point.group {
            let length = lengths.get(id).copied().flatten();
            if let Some(repeat) = &mut point.repeat {
                settle_count(&mut repeat.count, length, point.address, repeat.stride);
            }
            return groups.iter().any(|group| group.id == *id);
        }
        let Some((base, address, length)) = settled(point.base, point.address) else {
            return false;
        };
        if let Some(repeat) = &mut point.repeat {
            settle_count(&mut repeat.count, length, point.address, repeat.stride);
        }
        (point.base, point.address) = (base, address);
        true
    });
    keep_what_has_its_point(profile);
}

/// Leaves out flags and marks whose point is not there.
fn keep_what_has_its_point(profile: &mut Profile) {
    let points = &profile.points;
    let flags = &mut profile.flags;
    flags.retain(|flag| points.iter().any(|point| point.id == flag.point));
    let marks = &mut profile.recognise;
    marks.retain(|rule| points.iter().any(|point| point.id == rule.point));
}

/// So many registers from an address on; nothing where one of them is not known.
pub(crate) fn words_at(words: &BTreeMap<u16, u16>, from: u16, count: u16) -> Option<Vec<u16>> {
    let registers = (0..count).map(|n| words.get(&from.checked_add(n)?).copied());
    registers.collect()
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
