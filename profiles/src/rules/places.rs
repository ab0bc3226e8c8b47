//! Where points stand: within the address space, within a question, and not on top of each other.

use crate::explain::table as table_name;
use crate::item::Item;
use crate::load::Draft;
use crate::model::{Base, Count, Group, Point, Span, Table};
use crate::problem::Collector;
/// Base and table of a point, and the offsets of all its instances from the base; the largest
/// number of instances where a count is read from the unit.
pub(super) struct Reach {
    pub(super) table: Table,
    pub(super) base: Base,
    /// First registers: those of the first instance of each group instance, with the number of
    /// repetitions in it.
    groups: Vec<(u64, usize)>,
    /// Offsets of the repetitions inside a group instance.
    items: Vec<u64>,
    width: u64,
}

impl Reach {
    pub(super) fn of(draft: &Draft<'_>, point: &Point) -> Option<Self> {
        let named = |id: &String| draft.groups.iter().map(|g| &g.value).find(|g| g.id == *id);
        let group = match &point.group {
            Some(id) => Some(named(id)?),
            None => None,
        };
        let (table, base) = match group {
            Some(group) => (group.table, group.base),
            None => (point.table?, point.base),
        };
        let first = u64::from(point.address) + group.map_or(0, |g| u64::from(g.address));
        let groups = match group {
            Some(g) if !g.starts.is_empty() => {
                let starts = g.starts.iter().map(|start| u64::from(*start));
                starts
                    .map(|start| start + u64::from(point.address))
                    .collect()
            }
            Some(g) => steps(first, g.stride, at_least_one(&g.count, g.at_most)),
            None => vec![first],
        };
        let items = match &point.repeat {
            Some(r) => steps(0, r.stride, at_least_one(&r.count, 1)),
            None => vec![0],
        };
        let each = |instance: usize| match point.repeat.as_ref().map(|r| &r.count) {
            Some(Count::Each(counts)) => counts.get(instance).copied().unwrap_or(0).into(),
            _ => items.len(),
        };
        let groups = groups.into_iter().enumerate();
        let groups = groups.map(|(n, first)| (first, each(n))).collect();
        Some(Self {
            table,
            base,
            groups,
            items,
            width: u64::from(point.width().max(1)),
        })
    }

    /// First registers of all instances.
    fn firsts(&self) -> impl Iterator<Item = u64> {
        let instances = self.groups.iter();
        instances.flat_map(|(group, items)| self.items.iter().take(*items).map(move |i| group + i))
    }

    /// Last register of the last instance.
    fn last(&self) -> u64 {
        self.firsts().max().unwrap_or_default() + self.width - 1
    }

    /// Every register of every instance.
    pub(super) fn registers(&self) -> impl Iterator<Item = u64> {
        self.firsts().flat_map(|first| first..first + self.width)
    }

    /// First and last register of the first instance that does not stand inside one span.
    fn first_outside(&self, spans: &[&Span]) -> Option<(u64, u64)> {
        self.firsts()
            .map(|first| (first, first + self.width - 1))
            .find(|(first, last)| {
                !spans
                    .iter()
                    .any(|s| u64::from(s.from) <= *first && *last <= u64::from(s.to))
            })
    }
}

fn at_least_one(count: &Count, at_most: u16) -> u16 {
    match count {
        Count::Named(_) => at_most.max(1),
        count => count.fixed().unwrap_or_default().max(1),
    }
}

/// Offsets of a repetition, no more of them than needed to leave the address space.
fn steps(first: u64, stride: u16, count: u16) -> Vec<u64> {
    let all = (0..u64::from(count)).map(|n| first + n * u64::from(stride));
    let mut list: Vec<u64> = all
        .take_while(|offset| *offset <= u64::from(u16::MAX))
        .collect();
    if list.len() < usize::from(count) {
        list.push(u64::from(u16::MAX) + 1);
    }
    list.dedup();
    list
}

/// Every instance stands inside the address space and inside one readable span.
pub(super) fn places(draft: &Draft<'_>, problems: &mut Collector<'_>) {
    for item in &draft.points {
        let point = &item.value;
        let Some(reach) = Reach::of(draft, point) else {
            continue;
        };
        if reach.last() > u64::from(u16::MAX) {
            problems.add(
                item.at("address"),
                format!(
                    "point \"{}\": expected registers up to 65535, its last instance stands beyond",
                    point.id
                ),
                "correct address, stride or count",
            );
            continue;
        }
        let near = |s: &&Span| s.table == reach.table && s.base == reach.base;
        let spans: Vec<&Span> = draft.spans.iter().map(|s| &s.value).filter(near).collect();
        if let Some((first, last)) = reach.first_outside(&spans) {
            problems.add(
                item.at("address"),
                format!("point \"{}\": expected registers inside one span, {} {first} to {last} are not", point.id, table_name(reach.table)),
                "correct the address, or extend a [[span]]: a read never crosses a hole",
            );
        }
        let cleared = draft.clears_when_read.iter().map(|s| &s.value).filter(near);
        let lost = cleared.filter(|s| {
            u64::from(s.from) <= reach.last()
                && reach
                    .groups
                    .first()
                    .is_some_and(|(f, _)| *f <= u64::from(s.to))
        });
        if point.required && lost.count() > 0 {
            problems.add(
                item.at("required"),
                format!("point \"{}\": required, but it stands in a range that clears when read and so is never read", point.id),
                "remove required",
            );
        }
    }
}

/// An instance of a group does not reach into the next one.
pub(super) fn strides(draft: &Draft<'_>, problems: &mut Collector<'_>) {
    for group in &draft.groups {
        if group.value.at_most == 0 {
            problems.add(
                group.at("at_most"),
                format!(
                    "group \"{}\", at_most: expected 1 or more, found 0",
                    group.value.id
                ),
                "give the most instances there can be",
            );
        }
        starts(group, problems);
    }
    for item in &draft.points {
        let point = &item.value;
        let Some(group) = point
            .group
            .as_ref()
            .and_then(|id| draft.groups.iter().map(|g| &g.value).find(|g| g.id == *id))
            // What stands at places of its own is held by the rule about shared registers.
            .filter(|group| group.starts.is_empty())
        else {
            continue;
        };
        let own = point.repeat.as_ref().map_or(0, |r| {
            u64::from(at_least_one(&r.count, 1) - 1) * u64::from(r.stride)
        });
        let end = u64::from(point.address) + own + u64::from(point.width());
        if end > u64::from(group.stride) && at_least_one(&group.count, group.at_most) > 1 {
            problems.add(
                item.at("address"),
                format!("point \"{}\": expected to end inside the {} registers of a \"{}\", it takes {end}", point.id, group.stride, group.id),
                "correct the address, or the stride of the group",
            );
        }
    }
    for item in &draft.points {
        let Some(repeat) = &item.value.repeat else {
            continue;
        };
        if repeat.stride > 0 && repeat.stride < item.value.width() {
            problems.add(
                item.at("repeat"),
                format!(
                    "point \"{}\", repeat.stride: expected {} or more, found {}",
                    item.value.id,
                    item.value.width(),
                    repeat.stride
                ),
                "one must not reach into the next",
            );
        }
    }
}

/// A group says where its instances stand, in one of two ways, and how they are called.
fn starts(item: &Item<'_, Group>, problems: &mut Collector<'_>) {
    let group = &item.value;
    let named = |key: &str| format!("group \"{}\", {key}", group.id);
    let (first, stride) = (item.has("address"), item.has("stride"));
    if group.starts.is_empty() {
        for key in [("address", first), ("stride", stride)]
            .into_iter()
            .filter(|k| !k.1)
        {
            let message = format!(
                "group \"{}\": expected the key {}, found none",
                group.id, key.0
            );
            problems.add(item.at("id"), message, format!("add {} = ...", key.0));
        }
    } else if first || stride {
        let message = format!(
            "{}: expected either starts, or address and stride",
            named("starts")
        );
        problems.add(item.at("starts"), message, "remove one of both");
    }
    let lengths = [
        ("starts", group.starts.len()),
        ("numbers", group.numbers.len()),
    ];
    for (key, length) in lengths.into_iter().filter(|(_, length)| *length > 0) {
        let count = group.count.fixed().map(usize::from);
        if count != Some(length) {
            let count = count.map_or("a count that the unit gives".to_owned(), |n| n.to_string());
            let message = format!(
                "{}: expected as many as count = {count}, found {length}",
                named(key)
            );
            problems.add(item.at(key), message, "give one for each instance");
        }
    }
    let mut numbers = group.numbers.clone();
    numbers.sort_unstable();
    if numbers
        .windows(2)
        .any(|pair| matches!(pair, [a, b] if a == b))
    {
        let message = format!("{}: expected different numbers", named("numbers"));
        problems.add(
            item.at("numbers"),
            message,
            "people find a module by its number",
        );
    }
}

/// Spans are ranges, and no two of them overlap.
pub(super) fn spans(draft: &Draft<'_>, problems: &mut Collector<'_>) {
    for (name, list) in [
        ("span", &draft.spans),
        ("clears_when_read", &draft.clears_when_read),
    ] {
        for (index, item) in list.iter().enumerate() {
            let span = &item.value;
            if span.from > span.to {
                problems.add(
                    item.at("from"),
                    format!(
                        "{name}: expected from <= to, found {} > {}",
                        span.from, span.to
                    ),
                    "exchange them",
                );
            }
            let others = list.iter().take(index).map(|s| &s.value);
            let overlaps = |o: &&Span| {
                o.table == span.table
                    && o.base == span.base
                    && o.from <= span.to
                    && span.from <= o.to
            };
            if let Some(other) = others.into_iter().find(overlaps) {
                problems.add(
                    item.at("from"),
                    format!(
                        "{name} {} to {}: overlaps {} to {}",
                        span.from, span.to, other.from, other.to
                    ),
                    "make them one",
                );
            }
        }
    }
}
