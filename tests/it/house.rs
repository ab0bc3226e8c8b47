//! The order of the rooms of `src/`, held by reading their `use` lines and paths.
//!
//! An arrow runs from a file to the file that defines what it names. It may only point to a room of an
//! earlier line of [`ORDER`]; rooms on one line do not see each other. Inside a room, files that
//! reach each other in a loop are counted. Both lists of exceptions may only shrink.
//!
//! Does not: follow names that come in by a glob, or what a macro makes. Modules of tests are no part of
//! the house.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::sync::LazyLock;

mod source;

use source::House;

/// The rooms, those that may be named by all others first.
const ORDER: [&[&str]; 24] = [
    &["statistics"],
    &["physics"],
    &["table"],
    &["wire"],
    &["event"],
    &["ask"],
    &["draft"],
    &["listen"],
    &["lamp"],
    &["evidence"],
    &["facts"],
    &["poll"],
    &["judge"],
    &["visit"],
    &["find"],
    &["recording"],
    &["session"],
    &["link"],
    &["drive"],
    &["simulated"],
    &["words"],
    &["show"],
    &["cli"],
    &["lib", "main"],
];

/// Arrows that still point the wrong way: file, room. A line that is not needed fails the test.
const WRONG_WAY: [(&str, &str); 0] = [];

/// Files that stand in a circle inside their room, by room. May only shrink.
const IN_CIRCLES: [(&str, usize); 0] = [];

/// Packages that only some rooms may name.
const ONLY_IN: [(&str, &[&str]); 13] = [
    ("anstyle", &["show", "cli"]),
    ("calamine", &["table"]),
    ("clap", &["cli"]),
    ("clap_complete", &["cli"]),
    ("clap_mangen", &["cli"]),
    ("crossterm", &["cli"]),
    ("encoding_rs", &["table"]),
    ("indicatif", &["cli"]),
    ("packside_simulator", &["simulated", "cli"]),
    ("rustix", &["link"]),
    ("tokio", &["link", "cli"]),
    ("tracing_subscriber", &["cli"]),
    ("zip", &["table"]),
];

static HOUSE: LazyLock<House> =
    LazyLock::new(|| House::read(&Path::new(env!("CARGO_MANIFEST_DIR")).join("src")));

fn line_of(room: &str) -> usize {
    let line = ORDER.iter().position(|rooms| rooms.contains(&room));
    line.unwrap_or_else(|| panic!("room {room}: has no place in the order"))
}

#[test]
fn arrows_between_rooms_point_one_way() {
    let mut wrong = BTreeMap::new();
    for arrow in HOUSE.arrows() {
        let (from, to) = (arrow.left_room(), arrow.entered_room());
        if from != to && line_of(to) >= line_of(from) {
            wrong.insert((arrow.from.clone(), to.to_owned()), arrow.name.clone());
        }
    }
    let excepted = WRONG_WAY.map(|(from, to)| (from.to_owned(), to.to_owned()));
    for ((from, to), name) in &wrong {
        println!("{from} -> {to}: {name}");
    }
    let unexpected: Vec<_> = wrong.keys().filter(|key| !excepted.contains(key)).collect();
    assert!(
        unexpected.is_empty(),
        "arrows against the order: {unexpected:?}"
    );
    let unused: Vec<_> = excepted
        .iter()
        .filter(|key| !wrong.contains_key(*key))
        .collect();
    assert!(unused.is_empty(), "no longer needed, take out: {unused:?}");
}

#[test]
fn circles_inside_a_room_only_shrink() {
    let mut found: BTreeMap<String, usize> = BTreeMap::new();
    for circle in HOUSE.circles() {
        println!("{circle:?}");
        let room = circle.first().expect("a circle has files");
        *found.entry(source::room_of(room).to_owned()).or_default() += circle.len();
    }
    let allowed = IN_CIRCLES.map(|(room, count)| (room.to_owned(), count));
    assert_eq!(
        found,
        BTreeMap::from(allowed),
        "fewer: lower the number; more: open the circle"
    );
}

#[test]
fn packages_are_named_where_they_belong() {
    let mut used = BTreeSet::new();
    for (package, rooms) in ONLY_IN {
        for file in HOUSE.naming(package) {
            assert!(
                rooms.contains(&source::room_of(&file)),
                "{file} names {package}"
            );
            used.insert((package, source::room_of(&file).to_owned()));
        }
        for room in rooms {
            assert!(
                used.contains(&(package, (*room).to_owned())),
                "{package}: not in {room}, take out"
            );
        }
    }
}

/// A small house with one arrow against the order, one circle, a facade and a module of tests.
// Kind: invented
const SMALL: [(&str, &str); 6] = [
    ("lib.rs", "pub mod wire; pub mod judge; pub mod show;"),
    (
        "wire.rs",
        "#[cfg(test)] mod tests { use crate::show::look; } pub fn hex() {}",
    ),
    (
        "judge/mod.rs",
        "mod low; mod high; pub use low::judge; fn all() { high::all() }",
    ),
    (
        "judge/low.rs",
        "use super::high as other; pub fn judge() { clap::none(); crate::show::look() }",
    ),
    (
        "judge/high.rs",
        "pub(crate) use crate::wire::hex; pub fn all() { super::judge() }",
    ),
    (
        "show.rs",
        "use crate::{judge::{self, judge as decide}, wire::*}; pub fn look() {}",
    ),
];

#[test]
fn reader_finds_arrows_circles_and_packages() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::create_dir(folder.path().join("judge")).unwrap();
    for (file, text) in SMALL {
        std::fs::write(folder.path().join(file), text).unwrap();
    }
    let house = House::read(folder.path());
    let arrows: Vec<String> = house
        .arrows()
        .iter()
        .map(|arrow| format!("{} {} {}", arrow.from, arrow.to, arrow.name))
        .collect();
    let expected = [
        "judge/high.rs judge/low.rs judge::judge",
        "judge/high.rs wire.rs wire::hex",
        "judge/low.rs judge/high.rs judge::high",
        "judge/low.rs show.rs show::look",
        "judge/mod.rs judge/high.rs judge::high::all",
        "show.rs judge/low.rs judge::judge",
        "show.rs judge/mod.rs judge",
        "show.rs wire.rs wire",
    ];
    assert_eq!(arrows, expected);
    let circles = house.circles();
    let circle = ["judge/high.rs", "judge/low.rs"].map(str::to_owned);
    assert_eq!(circles, [BTreeSet::from(circle)]);
    assert!(house.naming("clap").contains("judge/low.rs"));
    assert!(house.naming("toml").is_empty());
}
