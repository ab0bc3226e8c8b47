//! Reads tables of TOML one by one, so that a mistake in one hides none in another.
//!
//! Input: what was parsed, with the place of every key. Output: the items, and in the collector every mistake
//! with its place, what was expected there and the fix. Maps and all small files are read by it; the simulator
//! has a reader of its own, as it has a codec of its own.

use std::ops::Range;

use serde::de::{DeserializeOwned, IntoDeserializer};
use toml::Spanned;
use toml::de::{DeTable, DeValue};

use crate::lookup::near_matches;
use crate::problem::{self, Collector, Problems};
use crate::required::required;

/// Reads a small file that is one table. `what` is what the file is, for messages.
///
/// # Errors
/// All mistakes of the file at once.
pub fn whole<T: DeserializeOwned>(text: &str, what: &str, origin: &str) -> Result<T, Problems> {
    let mut problems = Collector::new(text);
    let (table, errors) = DeTable::parse_recoverable(text);
    for error in &errors {
        problems.no_toml(error);
    }
    let span = table.span();
    let source = Spanned::new(span, DeValue::Table(table.into_inner()));
    let item = if errors.is_empty() {
        read::<T>(what, &source, &mut problems)
    } else {
        None
    };
    let (list, more) = problems.finish();
    item.map(|item| item.value).ok_or(Problems {
        origin: origin.to_owned(),
        list,
        more,
    })
}

/// One item of a file with the place it stands at.
#[derive(Debug, Clone)]
pub(crate) struct Item<'t, T> {
    /// What was read.
    pub(crate) value: T,
    source: &'t Spanned<DeValue<'t>>,
}

impl<T> Item<'_, T> {
    /// Whether the file has this key.
    pub(crate) fn has(&self, key: &str) -> bool {
        self.source.get_ref().get(key).is_some()
    }

    /// A whole number as the file has it.
    pub(crate) fn whole(&self, key: &str) -> Option<u32> {
        self.source.get_ref().get(key).and_then(whole_number)
    }

    /// The whole numbers of a list, each as the file has it.
    pub(crate) fn wholes(&self, key: &str) -> Vec<Option<u32>> {
        let list = self
            .source
            .get_ref()
            .get(key)
            .and_then(|list| list.get_ref().as_array());
        list.map(|list| list.iter().map(whole_number).collect())
            .unwrap_or_default()
    }

    /// A whole number in one of the tables of a list.
    pub(crate) fn whole_in(&self, key: &str, nth: usize, inner: &str) -> Option<u32> {
        let list = self.source.get_ref().get(key)?.get_ref().as_array()?;
        list.get(nth)?.get_ref().get(inner).and_then(whole_number)
    }

    /// Place of a key's value, or of the whole item where it has no such key.
    pub(crate) fn at(&self, key: &str) -> Range<usize> {
        self.source
            .get_ref()
            .get(key)
            .map_or_else(|| first_line(self.source.span()), Spanned::span)
    }
}

/// The beginning of a long item is enough to point at.
fn first_line(span: Range<usize>) -> Range<usize> {
    span.start..span.end.min(span.start + 40)
}

/// Reads one item. A mistake in it hides no other: the key is taken out and the rest is read again.
fn read<'t, T: DeserializeOwned>(
    key: &str,
    source: &'t Spanned<DeValue<'t>>,
    problems: &mut Collector<'_>,
) -> Option<Item<'t, T>> {
    let id = source
        .get_ref()
        .get("id")
        .and_then(|id| id.get_ref().as_str());
    let name = id.map_or_else(|| key.to_owned(), |id| format!("{key} \"{id}\""));
    if lacks_keys(key, &name, source, problems) {
        problems.broken(id.unwrap_or(key));
        return None;
    }
    let mut rest = source.clone();
    let mut taken_out: Vec<String> = Vec::new();
    loop {
        let error = match T::deserialize(rest.clone().into_deserializer()) {
            Ok(value) if taken_out.is_empty() => return Some(Item { value, source }),
            Ok(_) => break,
            Err(error) => error,
        };
        let missing = problem::missing_key(error.message());
        // Missing because it was taken out, or because the key taken out was this one misspelt.
        let meant =
            |taken: &String| missing.is_some_and(|key| !near_matches(taken, [key]).is_empty());
        if taken_out.iter().any(meant) {
            break;
        }
        let span = error.span().unwrap_or_else(|| source.span());
        let wrong = wrong_key(&rest, &span).filter(|_| missing.is_none());
        let place = wrong
            .as_ref()
            .map_or_else(|| name.clone(), |wrong| format!("{name}, {wrong}"));
        let (message, fix) = problem::reword(error.message(), &place, &name);
        problems.add(first_line(span), message, fix);
        let (Some(wrong), DeValue::Table(table)) = (wrong, rest.get_mut()) else {
            break;
        };
        table.remove(wrong.as_str());
        taken_out.push(wrong);
        // Each one costs a whole reading.
        if taken_out.len() >= MOST_WRONG {
            break;
        }
    }
    problems.broken(id.unwrap_or(key));
    None
}

/// Keys of one item that are named as wrong: as many as are told at once.
const MOST_WRONG: usize = 60;

/// Names every key that an item lacks, in one line. A key that may be a misspelt one is left to the reader,
/// who knows what it was taken for.
fn lacks_keys(
    key: &str,
    name: &str,
    source: &Spanned<DeValue<'_>>,
    problems: &mut Collector<'_>,
) -> bool {
    let Some(table) = source.get_ref().as_table() else {
        return false;
    };
    let known = required(key);
    let is_misspelt = |wanted: &&&str| {
        let unknown = table.keys().map(|key| key.get_ref().as_ref());
        let mut unknown = unknown.filter(|key: &&str| !known.contains(key));
        unknown.any(|key| near_matches(key, [**wanted]).contains(*wanted))
    };
    let lacking: Vec<&str> = known
        .iter()
        .filter(|wanted| !table.contains_key(**wanted))
        .filter(|wanted| !is_misspelt(wanted))
        .copied()
        .collect();
    if lacking.len() < 2 {
        return false;
    }
    problems.add(
        first_line(source.span()),
        format!(
            "{name}: expected the keys {}, found none of them",
            lacking.join(", ")
        ),
        format!("add {} = ...", lacking.join(" = ..., ")),
    );
    true
}

/// The key of a table that a mistake belongs to: it, or its value, stands there.
fn wrong_key(item: &Spanned<DeValue<'_>>, span: &Range<usize>) -> Option<String> {
    let table = item.get_ref().as_table()?;
    let covers = |place: Range<usize>| place.start <= span.start && span.end <= place.end;
    let (key, _) = table
        .iter()
        .find(|(key, value)| covers(key.span()) || covers(value.span()))?;
    Some(key.get_ref().to_string())
}

pub(crate) fn one<'t, T: DeserializeOwned>(
    table: &'t DeTable<'t>,
    key: &str,
    problems: &mut Collector<'_>,
) -> Option<Item<'t, T>> {
    table
        .get(key)
        .and_then(|source| read(key, source, problems))
}

pub(crate) fn needed<'t, T: DeserializeOwned>(
    table: &'t DeTable<'t>,
    key: &str,
    problems: &mut Collector<'_>,
) -> Option<Item<'t, T>> {
    if !table.contains_key(key) {
        problems.add_whole(
            format!("{key}: expected a table [{key}], found none"),
            match required(key) {
                [] => format!("add [{key}]"),
                keys => format!("add [{key}] with {}", keys.join(", ")),
            },
        );
    }
    one(table, key, problems)
}

pub(crate) fn many<'t, T: DeserializeOwned>(
    table: &'t DeTable<'t>,
    key: &str,
    problems: &mut Collector<'_>,
) -> Vec<Item<'t, T>> {
    let Some(source) = table.get(key) else {
        return Vec::new();
    };
    let Some(items) = source.get_ref().as_array() else {
        let found = source.get_ref().type_str();
        problems.add(
            source.span(),
            format!("{key}: expected [[{key}]] items, found a {found}"),
            format!("write [[{key}]]"),
        );
        return Vec::new();
    };
    if let Some(surplus) = items.get(MOST_ITEMS) {
        problems.add(
            first_line(surplus.span()),
            format!(
                "{key}: expected at most {MOST_ITEMS} items [[{key}]], found {}",
                items.len()
            ),
            "leave out what is never read",
        );
        problems.broken(key);
        return Vec::new();
    }
    items
        .iter()
        .filter_map(|item| read(key, item, problems))
        .collect()
}

/// More of a kind than any unit has, and few enough to hold each against the others.
const MOST_ITEMS: usize = 2_000;

fn whole_number(value: &Spanned<DeValue<'_>>) -> Option<u32> {
    let number = value.get_ref().as_integer()?;
    u32::from_str_radix(number.as_str(), number.radix()).ok()
}
