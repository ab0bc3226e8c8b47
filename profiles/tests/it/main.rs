//! Tests of the profile layer as its users see it.

#![expect(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    clippy::cast_possible_truncation,
    reason = "tests may panic"
)]

mod codec;
mod explain;
mod find;
mod layout;
mod rules;
mod shipped;
mod sunspec;

use packside_profiles::model::{Kind, Point};

/// A point of one type, everything else as when the keys are left out.
fn point(kind: &str, more: &str) -> Point {
    #[derive(serde::Deserialize)]
    struct File {
        point: Point,
    }
    let text = format!(
        "[point]\nid = \"p\"\nrole = \"other\"\ntable = \"input\"\naddress = 0\ntype = \"{kind}\"\n{more}"
    );
    toml::from_str::<File>(&text).unwrap().point
}

/// Every type by its name in a file.
const KINDS: &[(&str, Kind)] = &[
    ("u8-low", Kind::U8Low),
    ("u8-high", Kind::U8High),
    ("i8-low", Kind::I8Low),
    ("i8-high", Kind::I8High),
    ("u16", Kind::U16),
    ("i16", Kind::I16),
    ("u32", Kind::U32),
    ("i32", Kind::I32),
    ("u64", Kind::U64),
    ("i64", Kind::I64),
    ("f32", Kind::F32),
    ("f64", Kind::F64),
    ("bcd16", Kind::Bcd16),
    ("bcd32", Kind::Bcd32),
    ("string", Kind::String),
    ("bits16", Kind::Bits16),
    ("bits32", Kind::Bits32),
    ("enum16", Kind::Enum16),
    ("enum32", Kind::Enum32),
];
