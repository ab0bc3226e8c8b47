//! Reads a profile file and reports every mistake in it at once, each with its place and its fix.
//!
//! Input: the text of a file and its name. Output: a [`Profile`], or all [`Problems`]. Also finds
//! profiles by name: a file, the user's folder, or a shipped map.
//!
//! # Why item by item
//! A serde error ends the reading of whatever it is in. So every point, flag, lamp and so on is
//! read by itself: one mistake costs one item, and the rules still see all the others.

use std::ops::Range;
use std::path::{Path, PathBuf};

use serde::de::{DeserializeOwned, IntoDeserializer};
use toml::Spanned;
use toml::de::{DeTable, DeValue};

use crate::lookup::near_matches;
use crate::model::{
    Ambient, Answering, CellLimits, CrossCheck, DraftHead, FORMAT, Flag, Group, Head, Inverter,
    InverterFamily, Lamp, LampCode, LampPattern, ManualStep, Members, ModelAt, Numbering, Point,
    Profile, Recognise, Span, StorageWindow, UnitPicture,
};
use crate::numbering;
use crate::problem::{self, Collector};
pub use crate::problem::{Grade, Lines, Problem, Problems, excerpt, misfit};
use crate::rules;

/// A shipped profile: id and text. A new map is added here.
pub fn shipped() -> &'static [(&'static str, &'static str)] {
    &[
        (
            "generic-hv-stack",
            include_str!("../maps/generic-hv-stack.toml"),
        ),
        (
            "generic-lv-rack",
            include_str!("../maps/generic-lv-rack.toml"),
        ),
    ]
}

/// A profile with the text it came from.
#[derive(Debug, Clone, PartialEq)]
pub struct Loaded {
    /// The profile.
    pub profile: Profile,
    /// Its text, as read.
    pub text: String,
    /// File name, or `shipped:NAME`.
    pub origin: String,
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

/// Everything of a file that could be read.
#[derive(Debug)]
pub(crate) struct Draft<'t> {
    pub(crate) head: Option<Item<'t, Head>>,
    pub(crate) made: Option<Item<'t, DraftHead>>,
    pub(crate) answering: Option<Item<'t, Answering>>,
    pub(crate) members: Option<Item<'t, Members>>,
    pub(crate) recognise: Vec<Item<'t, Recognise>>,
    pub(crate) spans: Vec<Item<'t, Span>>,
    pub(crate) clears_when_read: Vec<Item<'t, Span>>,
    pub(crate) groups: Vec<Item<'t, Group>>,
    pub(crate) points: Vec<Item<'t, Point>>,
    pub(crate) models: Vec<Item<'t, ModelAt>>,
    pub(crate) flags: Vec<Item<'t, Flag>>,
    pub(crate) inverter: Option<Item<'t, Inverter>>,
    pub(crate) unit: Option<Item<'t, UnitPicture>>,
    pub(crate) lamps: Vec<Item<'t, Lamp>>,
    pub(crate) lamp_patterns: Vec<Item<'t, LampPattern>>,
    pub(crate) lamp_codes: Vec<Item<'t, LampCode>>,
    pub(crate) cross_checks: Vec<Item<'t, CrossCheck>>,
    pub(crate) cell: Option<Item<'t, CellLimits>>,
    pub(crate) inverter_families: Vec<Item<'t, InverterFamily>>,
    pub(crate) storage_windows: Vec<Item<'t, StorageWindow>>,
    pub(crate) ambient: Option<Item<'t, Ambient>>,
    pub(crate) manual_steps: Vec<Item<'t, ManualStep>>,
}

/// Keys of a file, in the order in which the README shows them.
const KEYS: &[&str] = &[
    "format",
    "addresses",
    "profile",
    "draft",
    "answering",
    "members",
    "recognise",
    "span",
    "clears_when_read",
    "group",
    "point",
    "model",
    "flag",
    "inverter",
    "unit",
    "lamp",
    "lamp_pattern",
    "lamp_code",
    "cross_check",
    "cell",
    "inverter_family",
    "storage_window",
    "ambient",
    "manual_step",
];

/// A file as it was found: the profile if it can be used, and all mistakes and gaps.
#[derive(Debug)]
pub struct Checked {
    /// The profile, unless there are mistakes.
    pub profile: Option<Profile>,
    /// Everything that whoever writes the map should know.
    pub problems: Problems,
}

/// Loads a profile from its text; `origin` is the file name for messages. Gaps do not hinder: they stand in
/// [`Profile::gaps`].
///
/// # Errors
/// All mistakes of the file at once, and its gaps with them.
pub fn load(text: &str, origin: &str) -> Result<Profile, Problems> {
    let checked = check(text, origin);
    checked.profile.ok_or(checked.problems)
}

/// Loads a map as it is written, to work on it: what is in doubt in a draft keeps its role and its flags, and
/// nothing is judged in the place of limits. Not to judge a unit by.
///
/// # Errors
/// All mistakes of the file at once, and its gaps with them.
pub fn as_written(text: &str, origin: &str) -> Result<Profile, Problems> {
    let read = read_through(text, origin);
    read.profile.ok_or(read.problems)
}

/// Reads a profile and names every mistake and every gap in it.
pub fn check(text: &str, origin: &str) -> Checked {
    let mut checked = read_through(text, origin);
    checked.profile.iter_mut().for_each(rules::settle);
    checked
}

fn read_through(text: &str, origin: &str) -> Checked {
    let mut problems = Collector::new(text);
    let (table, errors) = DeTable::parse_recoverable(text);
    for error in &errors {
        problems.add(
            error.span().unwrap_or_default(),
            format!("no valid TOML: {}", error.message()),
            "correct the syntax first; the rest is checked after that",
        );
    }
    let mut profile = None;
    if errors.is_empty() && format_fits(table.get_ref(), &mut problems) {
        rules::finite(table.get_ref(), &mut problems);
        let mut draft = draft(table.get_ref(), &mut problems);
        let numbering = numbering::named(one(table.get_ref(), "addresses", &mut problems));
        numbering::settle(&mut draft, numbering, &mut problems);
        rules::check(&draft, &mut problems);
        profile = assemble(draft).map(|profile| Profile {
            addresses: numbering,
            ..profile
        });
    }
    let (list, more) = problems.finish();
    // Of those that are only counted nobody knows the grade.
    let usable = more == 0 && list.iter().all(|problem| problem.grade != Grade::Mistake);
    let mut profile = profile.filter(|_| usable);
    profile.iter_mut().for_each(crate::layout::stand_in_models);
    Checked {
        profile,
        problems: Problems {
            origin: origin.to_owned(),
            list,
            more,
        },
    }
}

fn format_fits(table: &DeTable<'_>, problems: &mut Collector<'_>) -> bool {
    let Some(format) = table.get("format") else {
        problems.add_whole(
            "format: expected format = 1 at the top of the file, found nothing",
            "add: format = 1",
        );
        return false;
    };
    let number = format
        .get_ref()
        .as_integer()
        .and_then(|n| u32::from_str_radix(n.as_str(), n.radix()).ok());
    let fits = number.is_some_and(|n| (1..=FORMAT).contains(&n));
    if !fits {
        let found =
            number.map_or_else(|| format.get_ref().type_str().to_owned(), |n| n.to_string());
        let fix = if number.is_some_and(|n| n > FORMAT) {
            "use a newer packside for this file"
        } else {
            "write: format = 1"
        };
        problems.add(
            format.span(),
            format!("format: expected a number from 1 to {FORMAT}, found {found}"),
            fix,
        );
    }
    fits
}

fn draft<'t>(table: &'t DeTable<'t>, problems: &mut Collector<'_>) -> Draft<'t> {
    for (key, _) in table {
        if !KEYS.contains(&key.get_ref().as_ref()) {
            // Of the rest only the number is told.
            let near = if problems.is_full() {
                Vec::new()
            } else {
                near_matches(key.get_ref(), KEYS.iter().copied())
            };
            let fix = match near.as_slice() {
                [] => format!("use one of: {}", KEYS.join(", ")),
                near => format!("did you mean {}?", near.join(" or ")),
            };
            let found = key.get_ref();
            problems.add(
                key.span(),
                format!("file: expected a known key, found \"{found}\""),
                fix,
            );
        }
    }
    Draft {
        head: needed(table, "profile", problems),
        made: one(table, "draft", problems),
        answering: needed(table, "answering", problems),
        members: one(table, "members", problems),
        recognise: many(table, "recognise", problems),
        spans: many(table, "span", problems),
        clears_when_read: many(table, "clears_when_read", problems),
        groups: many(table, "group", problems),
        points: many(table, "point", problems),
        models: many(table, "model", problems),
        flags: many(table, "flag", problems),
        inverter: needed(table, "inverter", problems),
        unit: needed(table, "unit", problems),
        lamps: many(table, "lamp", problems),
        lamp_patterns: many(table, "lamp_pattern", problems),
        lamp_codes: many(table, "lamp_code", problems),
        cross_checks: many(table, "cross_check", problems),
        cell: one(table, "cell", problems),
        inverter_families: many(table, "inverter_family", problems),
        storage_windows: many(table, "storage_window", problems),
        ambient: one(table, "ambient", problems),
        manual_steps: many(table, "manual_step", problems),
    }
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
    }
    problems.broken(id.unwrap_or(key));
    None
}

/// Keys that a table must have. serde would name one a run; whoever starts a map wants all.
const REQUIRED: &[(&str, &[&str])] = &[
    (
        "profile",
        &[
            "id",
            "title",
            "document",
            "revision",
            "author",
            "date",
            "verified_on_hardware",
        ],
    ),
    (
        "answering",
        &["line", "unit", "answer_time_ms", "time_out_ms", "functions"],
    ),
    ("draft", &["made"]),
    ("members", &["at_most"]),
    ("recognise", &["point", "equals"]),
    ("span", &["table", "from", "to"]),
    ("group", &["id", "table", "count", "at_most"]),
    ("point", &["id", "role", "address", "type"]),
    (
        "flag",
        &[
            "id", "point", "class", "severity", "meaning", "lies_in", "clears",
        ],
    ),
    ("inverter", &["port", "fed_by", "silence_s"]),
    (
        "unit",
        &[
            "switch",
            "terminals_without_inverter",
            "self_test_s",
            "cells_per_module",
            "chemistry",
            "rest_current",
        ],
    ),
    ("lamp", &["id", "colour"]),
    ("lamp_pattern", &["id", "cycle_ms"]),
    ("lamp_code", &["id", "lamps", "meaning"]),
    ("cross_check", &["what", "tolerance"]),
    (
        "cell",
        &["never_charge_below", "charge_from_c", "charge_to_c"],
    ),
];

/// The keys that a table must have.
pub(crate) fn required(key: &str) -> &'static [&'static str] {
    let of = REQUIRED.iter().find(|(table, _)| *table == key);
    of.map_or(&[], |(_, keys)| keys)
}

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

fn one<'t, T: DeserializeOwned>(
    table: &'t DeTable<'t>,
    key: &str,
    problems: &mut Collector<'_>,
) -> Option<Item<'t, T>> {
    table
        .get(key)
        .and_then(|source| read(key, source, problems))
}

fn needed<'t, T: DeserializeOwned>(
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

fn many<'t, T: DeserializeOwned>(
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

/// The profile, if every part that must be there could be read.
fn assemble(draft: Draft<'_>) -> Option<Profile> {
    fn values<T>(items: Vec<Item<'_, T>>) -> Vec<T> {
        items.into_iter().map(|item| item.value).collect()
    }
    Some(Profile {
        format: FORMAT,
        profile: draft.head?.value,
        draft: draft.made.map(|item| item.value),
        answering: draft.answering?.value,
        members: draft.members.map(|item| item.value),
        recognise: values(draft.recognise),
        spans: values(draft.spans),
        clears_when_read: values(draft.clears_when_read),
        groups: values(draft.groups),
        points: values(draft.points),
        models: values(draft.models),
        flags: values(draft.flags),
        inverter: draft.inverter?.value,
        unit: draft.unit?.value,
        lamps: values(draft.lamps),
        lamp_patterns: values(draft.lamp_patterns),
        lamp_codes: values(draft.lamp_codes),
        cross_checks: values(draft.cross_checks),
        cell: draft.cell.map(|item| item.value),
        inverter_families: values(draft.inverter_families),
        storage_windows: values(draft.storage_windows),
        ambient: draft.ambient.map(|item| item.value),
        manual_steps: values(draft.manual_steps),
        addresses: Numbering::From0,
        gaps: Vec::new(),
    })
}

/// Why no profile was found.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum FindError {
    /// No such file, or it cannot be read.
    #[error("profile {}: cannot be read: {why}", path.display())]
    Unreadable {
        /// Path as given.
        path: PathBuf,
        /// As the system says it.
        why: String,
    },
    /// No profile of that name.
    #[error("profile \"{name}\": expected a file or one of {}, found no such profile{}", known.join(", "), meant(.name, .known))]
    Unknown {
        /// Name as given.
        name: String,
        /// Known names.
        known: Vec<String>,
    },
    /// A user's profile has the name of a shipped one.
    #[error("profile \"{name}\": {} has the name of a shipped profile: rename it, or give its path", path.display())]
    SameName {
        /// The name.
        name: String,
        /// The user's file.
        path: PathBuf,
    },
    /// It has mistakes.
    #[error("{0}")]
    Mistakes(Problems),
}

fn meant(name: &str, known: &[String]) -> String {
    match near_matches(name, known.iter().map(String::as_str)).first() {
        Some(best) => format!("; did you mean {best}?"),
        None => String::new(),
    }
}

/// Finds a profile. A name with a separator or ending in `.toml` is a file; else the user's folder
/// `profiles/` below `config` is looked into, then the shipped ones.
///
/// # Errors
/// Where there is no such profile, it cannot be read, has mistakes, or has the name of a shipped one.
pub fn find(name: &str, config: Option<&Path>) -> Result<Loaded, FindError> {
    if name.contains(['/', '\\']) || Path::new(name).extension().is_some_and(|e| e == "toml") {
        return from_file(Path::new(name));
    }
    let shipped_text = shipped()
        .iter()
        .find(|(id, _)| *id == name)
        .map(|(_, text)| *text);
    let own = config
        .map(|folder| folder.join("profiles").join(format!("{name}.toml")))
        .filter(|path| path.exists());
    match (own, shipped_text) {
        (Some(path), Some(_)) => Err(FindError::SameName {
            name: name.to_owned(),
            path,
        }),
        (Some(path), None) => {
            let loaded = from_file(&path)?;
            let id = &loaded.profile.profile.id;
            match shipped().iter().any(|(shipped, _)| shipped == id) {
                true => Err(FindError::SameName {
                    name: id.clone(),
                    path,
                }),
                false => Ok(loaded),
            }
        }
        (None, Some(text)) => from_text(text.to_owned(), format!("shipped:{name}")),
        (None, None) if name == crate::sunspec::NAME => match crate::sunspec::example() {
            Ok(text) => from_text(
                text,
                "shipped:an example of a unit with every model".to_owned(),
            ),
            Err(why) => Err(FindError::Unreadable {
                path: name.into(),
                why: why.to_string(),
            }),
        },
        (None, None) => Err(FindError::Unknown {
            name: name.to_owned(),
            known: known(config),
        }),
    }
}

/// Names of all profiles: the shipped ones, then those in the user's folder.
pub fn known(config: Option<&Path>) -> Vec<String> {
    let shipped = shipped().iter().map(|(id, _)| (*id).to_owned());
    let own = own_names(config)
        .into_iter()
        .filter(|name| !self::shipped().iter().any(|(id, _)| id == name));
    shipped.chain(own).collect()
}

/// Names of the user's own profiles.
fn own_names(config: Option<&Path>) -> Vec<String> {
    let Some(entries) = config.and_then(|folder| std::fs::read_dir(folder.join("profiles")).ok())
    else {
        return Vec::new();
    };
    let name = |entry: std::fs::DirEntry| {
        let path = entry.path();
        let is_map = path.extension().is_some_and(|e| e == "toml");
        path.file_stem()
            .filter(|_| is_map)
            .map(|stem| stem.to_string_lossy().into_owned())
    };
    let mut names: Vec<String> = entries.filter_map(Result::ok).filter_map(name).collect();
    names.sort();
    names
}

fn from_file(path: &Path) -> Result<Loaded, FindError> {
    let text = crate::read_text(path).map_err(|error| FindError::Unreadable {
        path: path.to_owned(),
        why: error.to_string(),
    })?;
    from_text(text, path.display().to_string())
}

fn from_text(text: String, origin: String) -> Result<Loaded, FindError> {
    let profile = load(&text, &origin).map_err(FindError::Mistakes)?;
    Ok(Loaded {
        profile,
        text,
        origin,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn shipped_profiles_have_no_mistakes() {
        for (id, text) in shipped() {
            match load(text, id) {
                Ok(profile) => assert_eq!(profile.profile.id, *id),
                Err(problems) => panic!("{problems}"),
            }
        }
    }
}
