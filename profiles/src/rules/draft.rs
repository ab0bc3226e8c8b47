//! Rules about drafts: what is in doubt says so, is not judged, and keeps every clean verdict away.

use crate::blank::Blank;
use crate::item::Item;
use crate::load::Draft;
use crate::meaning::Role;
use crate::model::{DraftHead, Footing, Gap, Key, Kind, Point, Profile, Standing};
use crate::problem::{Collector, Grade};
use crate::required::required;

/// Keys of `[draft] open` that hold for all points together.
const OF_ALL_POINTS: [&str; 3] = ["addresses", "table", "order"];

/// Tables of a map whose keys may stand in `[draft] open`.
const TABLES: [&str; 5] = ["profile", "answering", "inverter", "unit", "cell"];

/// Whether a key of a point is in doubt by its own word.
pub(super) fn is_in_doubt(point: &Point, key: Key) -> bool {
    let standing = point.draft.as_ref();
    standing.is_some_and(|standing| standing.open.contains(&key))
}

/// Whether nothing may be read out of a point: with only its direction open a number is one all the same.
fn is_unreadable(point: &Point, head: &DraftHead) -> bool {
    let is_open = |key: &str| head.open.iter().any(|open| open == key);
    let is_wide = point.width() > 1 && point.kind != Kind::String;
    let own = point.draft.iter().flat_map(|standing| &standing.open);
    is_open("addresses")
        || is_open("table")
        || (is_open("order") && is_wide)
        || own.into_iter().any(|key| *key != Key::Positive)
}

/// In a draft, takes away the role of every point that is in doubt, and the flags of every point of which it is
/// not known where it stands or how it is read. Gives the gap that a draft is.
pub(super) fn settle(profile: &mut Profile) -> Option<Gap> {
    let head = profile.draft.clone()?;
    let mut misplaced = Vec::new();
    for point in &mut profile.points {
        if !is_unreadable(point, &head) {
            continue;
        }
        let only_meaning = |key: &Key| matches!(key, Key::Role | Key::Value | Key::Positive);
        let standing = point.draft.as_ref();
        let own_words = standing.is_some_and(|standing| standing.open.iter().all(only_meaning));
        let of_all = head
            .open
            .iter()
            .any(|key| OF_ALL_POINTS.contains(&key.as_str()));
        if of_all || !own_words {
            misplaced.push(point.id.clone());
        }
        point.role = Role::Other;
        point.required = false;
    }
    profile
        .flags
        .retain(|flag| !misplaced.contains(&flag.point));
    let is_there = |id: &String| profile.flags.iter().any(|flag| flag.id == *id);
    profile.inverter.flag = profile.inverter.flag.take().filter(is_there);
    let standings = profile
        .points
        .iter()
        .filter_map(|point| point.draft.as_ref());
    let standings = standings.chain(profile.flags.iter().filter_map(|flag| flag.draft.as_ref()));
    let open = standings
        .filter(|standing| !standing.grade.is_firm())
        .count();
    Some(Gap::Draft {
        open: open + head.open.len() + head.unread.len(),
    })
}

/// What `[draft]` says is understood, and that the map is one is named.
pub(super) fn heads(draft: &Draft<'_>, problems: &mut Collector<'_>) {
    let Some(item) = &draft.made else { return };
    for key in &item.value.open {
        let of_table = |(table, name): (&str, &str)| {
            TABLES.contains(&table) && (required(table).contains(&name) || optional(table, name))
        };
        let is_known =
            OF_ALL_POINTS.contains(&key.as_str()) || key.split_once('.').is_some_and(of_table);
        if !is_known {
            problems.add(
                item.at("open"),
                format!(
                    "draft.open: expected {}, or a key as answering.line, found \"{key}\"",
                    OF_ALL_POINTS.join(", ")
                ),
                "take it out, or name the key of the map that nobody said",
            );
        }
    }
    for left in &draft.blanks {
        let (message, found) = left.words();
        problems.add(left.at.clone(), message, found);
        problems.only(Grade::Gap);
    }
    let (message, fix) = how_far(draft, item, problems);
    problems.add(item.at("open"), message, fix);
    problems.only(Grade::Gap);
    for row in &item.value.unread {
        problems.add(
            item.at("unread"),
            format!(
                "draft: line {} of the document is in no point: {}",
                row.line,
                row.why.clean()
            ),
            "add its point, or take the entry [[draft.unread]] out once it needs none",
        );
        problems.only(Grade::Gap);
    }
}

/// How far a draft is, and what is left to do.
fn how_far(
    draft: &Draft<'_>,
    item: &Item<'_, DraftHead>,
    problems: &Collector<'_>,
) -> (String, String) {
    let is_blank = |key: &&String| draft.blanks.iter().any(|left| left.blank.key == **key);
    let listed: Vec<&str> = item
        .value
        .open
        .iter()
        .filter(|key| !is_blank(key))
        .map(String::as_str)
        .collect();
    match (listed.is_empty(), is_open_anywhere(draft)) {
        (true, false) => (
            "draft: nothing is open any more, and still no clean verdict is given with a draft"
                .to_owned(),
            match as_begun(draft, problems).as_slice() {
                [] => "compare it with the document once more, then take the table [draft] out"
                    .to_owned(),
                begun => format!(
                    "does the document say {}? That is what a draft begins with, and nobody may have \
                     looked; compare the rest too, then take the table [draft] out",
                    begun.join(", ")
                ),
            },
        ),
        (true, true) => (
            "draft: this map is a draft, no clean verdict is given with it".to_owned(),
            "settle what is open or blank: each is named here".to_owned(),
        ),
        (false, _) => (
            format!(
                "draft: this map is a draft, and nobody said {}",
                listed.join(", ")
            ),
            "find each in the document or on the unit, correct it, and take it off the list"
                .to_owned(),
        ),
    }
}

/// What a map says where nobody knows.
const UNKNOWN: &str = "\"unknown\"";

/// What still stands as a draft begins, and may never have been looked at, as `key = value`. How it is asked is proven
/// by any answer, and what says that it is unknown is careful.
fn as_begun(draft: &Draft<'_>, problems: &Collector<'_>) -> Vec<String> {
    let place = |blank: &Blank| {
        let (table, key) = blank.key.split_once('.')?;
        match table {
            "profile" => draft.head.as_ref().map(|item| item.at(key)),
            "inverter" => draft.inverter.as_ref().map(|item| item.at(key)),
            "unit" => draft.unit.as_ref().map(|item| item.at(key)),
            _ => None,
        }
    };
    Blank::of_drafts()
        .filter_map(|blank| {
            let written = problems.written(place(blank)?)?;
            let is_begun = blank.is_meanwhile(written) && written != UNKNOWN;
            is_begun.then(|| format!("{} = {written}", blank.key))
        })
        .collect()
}

/// Keys that a table may do without and a verdict rests on all the same.
fn optional(table: &str, name: &str) -> bool {
    matches!(
        (table, name),
        ("inverter", "flag") | ("unit", "switches_closed")
    )
}

fn is_open_anywhere(draft: &Draft<'_>) -> bool {
    if !draft.blanks.is_empty() {
        return true;
    }
    let unread = draft
        .made
        .as_ref()
        .is_some_and(|item| !item.value.unread.is_empty());
    let points = draft
        .points
        .iter()
        .filter_map(|item| item.value.draft.as_ref());
    let flags = draft
        .flags
        .iter()
        .filter_map(|item| item.value.draft.as_ref());
    unread
        || points
            .chain(flags)
            .any(|standing| !standing.grade.is_firm())
}

/// Whatever is in doubt stands in a draft, names its keys, and has the rivals that its grade promises.
pub(super) fn standings(draft: &Draft<'_>, problems: &mut Collector<'_>) {
    let is_draft = draft.made.is_some() || problems.is_broken("draft");
    for item in &draft.points {
        let name = format!("point \"{}\"", item.value.id);
        if let Some(standing) = &item.value.draft {
            let found = Judged {
                name,
                is_draft,
                allowed: is_of_point,
                standing,
            };
            found.check(item.at("draft"), problems);
        }
    }
    for item in &draft.flags {
        let name = format!("flag \"{}\"", item.value.id);
        if let Some(standing) = &item.value.draft {
            let found = Judged {
                name,
                is_draft,
                allowed: |key| !is_of_point(key),
                standing,
            };
            found.check(item.at("draft"), problems);
        }
    }
}

fn is_of_point(key: Key) -> bool {
    !matches!(key, Key::Class | Key::Bit | Key::Active)
}

/// A standing with what it is held against.
struct Judged<'d> {
    name: String,
    is_draft: bool,
    allowed: fn(Key) -> bool,
    standing: &'d Standing,
}

impl Judged<'_> {
    fn check(&self, at: std::ops::Range<usize>, problems: &mut Collector<'_>) {
        let (name, standing) = (&self.name, self.standing);
        let keys: Vec<&str> = standing.open.iter().map(|key| key.id()).collect();
        let keys = keys.join(", ");
        let grade = standing.grade.id();
        if let Some(key) = standing.open.iter().find(|key| !(self.allowed)(**key)) {
            let message = format!("{name}, draft.open: it has no key {}", key.id());
            problems.add(at.clone(), message, "take it out of open");
        }
        match (standing.grade.is_firm(), standing.open.is_empty()) {
            (true, false) => problems.add(
                at,
                format!("{name}, draft: expected nothing in doubt at grade {grade}, found open = {keys}"),
                "write grade = \"open\", or empty the list",
            ),
            (false, true) => problems.add(
                at,
                format!("{name}, draft: expected the keys that are in doubt at grade {grade}, found none"),
                "add open = [\"scale\"] with the keys that are meant",
            ),
            (false, false) if !self.is_draft => problems.add(
                at,
                format!("{name}: {grade} ({keys}), and the map has no table [draft]"),
                "settle it, or put the table [draft] back: a map that is none has nothing in doubt",
            ),
            (false, false) if standing.grade == Footing::Narrowed && standing.rivals.is_empty() => {
                problems.add(
                    at,
                    format!("{name}, draft: expected the rivals of what is narrowed, found none"),
                    "add [[point.draft.rival]], or write grade = \"open\"",
                );
            }
            (false, false) => {
                let text = format!("{name}: {grade}, in doubt: {keys}");
                problems.add(at, text, "settle it by the document or on the unit");
                problems.only(Grade::Gap);
            }
            (true, true) => {}
        }
    }
}
