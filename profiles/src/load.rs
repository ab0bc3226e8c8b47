//! Reads a profile file and reports every mistake in it at once, each with its place and its fix.
//!
//! Input: the text of a file and its name. Output: a [`Profile`], or all [`Problems`]. Also finds
//! profiles by name: a file, the user's folder, or a shipped map.
//!
//! # Why item by item
//! A serde error ends the reading of whatever it is in. So every point, flag, lamp and so on is
//! read by itself: one mistake costs one item, and the rules still see all the others.

use std::path::{Path, PathBuf};
use std::sync::OnceLock;

use toml::de::DeTable;

use crate::blank::{self, Blank, Left};
use crate::foreign::Foreign;
use crate::item::{Item, many, needed, one};
use crate::lookup::near_matches;
use crate::model::{
    Ambient, Answering, CellLimits, CrossCheck, DraftHead, FORMAT, Flag, Group, Head, Inverter,
    InverterFamily, Lamp, LampCode, LampPattern, ManualStep, Members, ModelAt, Numbering, Point,
    Profile, Recognise, Span, StorageWindow, UnitPicture,
};
use crate::numbering;
use crate::problem::Collector;
pub use crate::problem::{Grade, Lines, Problem, Problems, excerpt};
use crate::rules;

/// Shipped maps.
const MAPS: usize = 2;
/// Each of them, once it was read: one process needs it in several places.
static READ: [OnceLock<Profile>; MAPS] = [const { OnceLock::new() }; MAPS];

/// A shipped profile: id and text. A new map is added here.
pub fn shipped() -> &'static [(&'static str, &'static str); MAPS] {
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
    /// What is blank in a draft.
    pub(crate) blanks: Vec<Left>,
}

impl Draft<'_> {
    /// Whether a key, or one that begins so, is blank.
    pub(crate) fn is_blank(&self, key: &str) -> bool {
        self.blanks
            .iter()
            .any(|left| left.blank.key.starts_with(key))
    }
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
    let shipped = shipped().iter().zip(&READ);
    let kept = shipped
        .filter(|((_, of), _)| *of == text)
        .map(|(_, kept)| kept);
    let kept = kept.last();
    if let Some(profile) = kept.and_then(OnceLock::get) {
        return Ok(profile.clone());
    }
    let checked = check(text, origin);
    let profile = checked.profile.ok_or(checked.problems)?;
    Ok(match kept {
        Some(kept) => kept.get_or_init(|| profile).clone(),
        None => profile,
    })
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
    let (mut table, errors) = DeTable::parse_recoverable(text);
    for error in &errors {
        problems.no_toml(error);
    }
    let mut profile = None;
    if errors.is_empty() && format_fits(table.get_ref(), &mut problems) {
        let blanks = blank::fill(table.get_mut());
        rules::finite(table.get_ref(), &mut problems);
        let mut draft = draft(table.get_ref(), blanks, &mut problems);
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

fn draft<'t>(table: &'t DeTable<'t>, blanks: Vec<Left>, problems: &mut Collector<'_>) -> Draft<'t> {
    for (key, _) in table {
        if !KEYS.contains(&key.get_ref().as_ref()) {
            // Of the rest only the count is given.
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
    let mut made: Option<Item<'_, DraftHead>> = one(table, "draft", problems);
    if let Some(made) = &mut made {
        let open = &mut made.value.open;
        for Left { blank, .. } in &blanks {
            if !open.iter().any(|key| key == blank.key) && Blank::of_drafts().any(|of| of == *blank)
            {
                open.push(blank.key.to_owned());
            }
        }
    }
    Draft {
        blanks,
        head: needed(table, "profile", problems),
        made,
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
    #[error("profile {}: cannot be read: {why}", crate::shown(&path))]
    Unreadable {
        /// Path as given.
        path: PathBuf,
        /// As the system says it.
        why: String,
    },
    /// No profile of that name.
    #[error("profile \"{}\": expected a file or one of {}, found no such profile{}", name.clean(), listed(known), meant(name, known))]
    Unknown {
        /// Name as given.
        name: Foreign,
        /// Known names.
        known: Vec<Foreign>,
    },
    /// A user's profile has the name of a shipped one.
    #[error("profile \"{}\": {} has the name of a shipped profile: rename it, or give its path", name.clean(), crate::shown(&path))]
    SameName {
        /// The name.
        name: Foreign,
        /// The user's file.
        path: PathBuf,
    },
    /// It has mistakes.
    #[error("{0}")]
    Mistakes(Problems),
}

fn listed(names: &[Foreign]) -> String {
    let names: Vec<_> = names.iter().map(Foreign::clean).collect();
    names.join(", ")
}

fn meant(name: &Foreign, known: &[Foreign]) -> String {
    match near_matches(name.as_given(), known.iter().map(Foreign::as_given)).first() {
        Some(best) => format!("; did you mean {}?", crate::clean(best)),
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
            name: name.into(),
            path,
        }),
        (Some(path), None) => {
            let loaded = from_file(&path)?;
            let id = &loaded.profile.profile.id;
            match shipped().iter().any(|(shipped, _)| shipped == id) {
                true => Err(FindError::SameName {
                    name: id.as_str().into(),
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
            name: name.into(),
            known: known(config),
        }),
    }
}

/// Names of all profiles: the shipped ones, then those in the user's folder.
pub fn known(config: Option<&Path>) -> Vec<Foreign> {
    let shipped = shipped().iter().map(|(id, _)| Foreign::from(*id));
    let own = own_names(config)
        .into_iter()
        .filter(|name| !self::shipped().iter().any(|(id, _)| *name == *id));
    shipped.chain(own).collect()
}

/// Names of the user's own profiles.
fn own_names(config: Option<&Path>) -> Vec<Foreign> {
    let Some(entries) = config.and_then(|folder| std::fs::read_dir(folder.join("profiles")).ok())
    else {
        return Vec::new();
    };
    let name = |entry: std::fs::DirEntry| {
        let path = entry.path();
        let is_map = path.extension().is_some_and(|e| e == "toml");
        let stem = path.file_stem().filter(|_| is_map)?;
        Some(Foreign::from(stem.to_str()?))
    };
    let mut names: Vec<Foreign> = entries.filter_map(Result::ok).filter_map(name).collect();
    names.sort();
    names
}

fn from_file(path: &Path) -> Result<Loaded, FindError> {
    let text = crate::read_text(path).map_err(|error| FindError::Unreadable {
        path: path.to_owned(),
        why: error.to_string(),
    })?;
    from_text(text, crate::shown(&path))
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
    fn shipped_map_is_read_once_and_one_changed_by_a_byte_anew() {
        let (id, text) = shipped()[0];
        let first = load(text, id).unwrap();
        assert!(READ[0].get().is_some());
        assert_eq!(load(text, id).unwrap(), first);
        let changed = text.replacen("id = \"generic-hv-stack\"", "id = \"generic-hv-stock\"", 1);
        assert_eq!(load(&changed, id).unwrap().profile.id, "generic-hv-stock");
    }

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
