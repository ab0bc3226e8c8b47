//! Reads a profile file and reports every mistake in it at once, each with its place and its fix.
//!
//! Input: the text of a file and its name. Output: a [`Profile`], or all [`Problems`]. Also finds
//! profiles by name: a file, the user's folder, or a shipped map.
//!
//! # Why item by item
//! A serde error ends the reading of whatever it is in. So every point, flag, lamp and so on is
//! read by itself: one mistake costs one item, and the rules still see all the others.

use std::fmt;
use std::ops::Range;
use std::path::{Path, PathBuf};

use serde::de::{DeserializeOwned, IntoDeserializer};
use toml::Spanned;
use toml::de::{DeTable, DeValue};

use crate::lookup::near_matches;
use crate::model::{
    Ambient, Answering, CellLimits, CrossCheck, FORMAT, Flag, Group, Head, Inverter,
    InverterFamily, Lamp, LampCode, LampPattern, ManualStep, Members, Point, Profile, Recognise,
    Span, StorageWindow, UnitPicture,
};
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

/// One mistake, with its place.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Problem {
    /// Line, 1-based; 0 where the whole file is meant.
    pub line: usize,
    /// Column in characters, 1-based.
    pub column: usize,
    /// Characters to underline.
    pub width: usize,
    /// The line as it stands.
    pub source: String,
    /// Where: expected what, found what.
    pub message: String,
    /// What to change.
    pub fix: String,
}

/// All mistakes of one file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Problems {
    /// File name.
    pub origin: String,
    /// The mistakes, by line.
    pub list: Vec<Problem>,
}

/// Mistakes printed before the rest is only counted, so that they fit a screen or two.
const PRINTED: usize = 20;

impl fmt::Display for Problems {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let n = self.list.len();
        writeln!(
            f,
            "{}: {n} {}",
            self.origin,
            if n == 1 { "mistake" } else { "mistakes" }
        )?;
        for problem in self.list.iter().take(PRINTED) {
            let Problem {
                line,
                column,
                width,
                source,
                message,
                fix,
            } = problem;
            writeln!(f, "{}:{line}:{column}: {message}", self.origin)?;
            if *line > 0 {
                let carets = "^".repeat((*width).max(1));
                writeln!(f, "{line:>5} | {source}")?;
                writeln!(
                    f,
                    "      | {}{carets}",
                    " ".repeat(column.saturating_sub(1))
                )?;
            }
            if !fix.is_empty() {
                writeln!(f, "      fix: {fix}")?;
            }
        }
        if n > PRINTED {
            writeln!(f, "and {} more", n - PRINTED)?;
        }
        Ok(())
    }
}

impl std::error::Error for Problems {}

/// Collects mistakes while a file is read.
pub(crate) struct Collector<'t> {
    text: &'t str,
    list: Vec<Problem>,
}

impl Collector<'_> {
    /// Notes a mistake at a byte range of the file.
    pub(crate) fn add(
        &mut self,
        span: Range<usize>,
        message: impl Into<String>,
        fix: impl Into<String>,
    ) {
        let start = span.start.min(self.text.len());
        let before = self.text.get(..start).unwrap_or_default();
        let line_start = before.rfind('\n').map_or(0, |at| at + 1);
        let source = self
            .text
            .get(line_start..)
            .unwrap_or_default()
            .lines()
            .next()
            .unwrap_or_default();
        let column = self
            .text
            .get(line_start..start)
            .unwrap_or_default()
            .chars()
            .count();
        let covered = self
            .text
            .get(span)
            .unwrap_or_default()
            .lines()
            .next()
            .unwrap_or_default()
            .chars()
            .count();
        self.list.push(Problem {
            line: before.matches('\n').count() + 1,
            column: column + 1,
            width: covered.clamp(1, source.chars().count().saturating_sub(column).max(1)),
            source: source.to_owned(),
            message: message.into(),
            fix: fix.into(),
        });
    }
}

/// One item of a file with the place it stands at.
#[derive(Debug, Clone)]
pub(crate) struct Item<'t, T> {
    /// What was read.
    pub(crate) value: T,
    source: &'t Spanned<DeValue<'t>>,
}

impl<T> Item<'_, T> {
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
    pub(crate) answering: Option<Item<'t, Answering>>,
    pub(crate) members: Option<Item<'t, Members>>,
    pub(crate) recognise: Vec<Item<'t, Recognise>>,
    pub(crate) spans: Vec<Item<'t, Span>>,
    pub(crate) clears_when_read: Vec<Item<'t, Span>>,
    pub(crate) groups: Vec<Item<'t, Group>>,
    pub(crate) points: Vec<Item<'t, Point>>,
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
    "profile",
    "answering",
    "members",
    "recognise",
    "span",
    "clears_when_read",
    "group",
    "point",
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

/// Loads a profile from its text; `origin` is the file name for messages.
///
/// # Errors
/// All mistakes of the file at once.
pub fn load(text: &str, origin: &str) -> Result<Profile, Problems> {
    let mut problems = Collector {
        text,
        list: Vec::new(),
    };
    let (table, errors) = DeTable::parse_recoverable(text);
    for error in &errors {
        problems.add(
            error.span().unwrap_or(0..0),
            format!("no valid TOML: {}", error.message()),
            "",
        );
    }
    let mut profile = None;
    if errors.is_empty() && format_fits(table.get_ref(), &mut problems) {
        let draft = draft(table.get_ref(), &mut problems);
        rules::check(&draft, &mut problems);
        profile = assemble(draft);
    }
    problems.list.sort_by_key(|p| (p.line, p.column));
    problems.list.dedup();
    match profile {
        Some(profile) if problems.list.is_empty() => Ok(profile),
        _ => Err(Problems {
            origin: origin.to_owned(),
            list: problems.list,
        }),
    }
}

fn format_fits(table: &DeTable<'_>, problems: &mut Collector<'_>) -> bool {
    let Some(format) = table.get("format") else {
        problems.add(
            0..0,
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
            let fix = format!("remove it, or use one of: {}", KEYS.join(", "));
            problems.add(
                key.span(),
                format!("unknown key \"{}\"", key.get_ref()),
                fix,
            );
        }
    }
    Draft {
        head: needed(table, "profile", problems),
        answering: needed(table, "answering", problems),
        members: one(table, "members", problems),
        recognise: many(table, "recognise", problems),
        spans: many(table, "span", problems),
        clears_when_read: many(table, "clears_when_read", problems),
        groups: many(table, "group", problems),
        points: many(table, "point", problems),
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

fn read<'t, T: DeserializeOwned>(
    key: &str,
    source: &'t Spanned<DeValue<'t>>,
    problems: &mut Collector<'_>,
) -> Option<Item<'t, T>> {
    match T::deserialize(source.clone().into_deserializer()) {
        Ok(value) => Some(Item { value, source }),
        Err(error) => {
            let name = source
                .get_ref()
                .get("id")
                .and_then(|id| id.get_ref().as_str());
            let name = name.map_or_else(String::new, |id| format!(" \"{id}\""));
            let span = error.span().unwrap_or_else(|| source.span());
            problems.add(
                first_line(span),
                format!("{key}{name}: {}", error.message()),
                "",
            );
            None
        }
    }
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
        problems.add(
            0..0,
            format!("{key}: expected a table [{key}], found none"),
            format!("add [{key}]"),
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
    items
        .iter()
        .filter_map(|item| read(key, item, problems))
        .collect()
}

/// The profile, if every part that must be there could be read.
fn assemble(draft: Draft<'_>) -> Option<Profile> {
    fn values<T>(items: Vec<Item<'_, T>>) -> Vec<T> {
        items.into_iter().map(|item| item.value).collect()
    }
    Some(Profile {
        format: FORMAT,
        profile: draft.head?.value,
        answering: draft.answering?.value,
        members: draft.members.map(|item| item.value),
        recognise: values(draft.recognise),
        spans: values(draft.spans),
        clears_when_read: values(draft.clears_when_read),
        groups: values(draft.groups),
        points: values(draft.points),
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
        (Some(path), None) => from_file(&path),
        (None, Some(text)) => from_text(text.to_owned(), format!("shipped:{name}")),
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
    let text = std::fs::read_to_string(path).map_err(|error| FindError::Unreadable {
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
