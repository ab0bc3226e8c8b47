//! A battery that describes itself, on a serial line: found without a map, and read with a map of one's own.
//!
//! Kind of the image: published (models) and derived (image), as in `profiles/tests/it/sunspec.rs`. What stands behind
//! it on the line: invented.

use std::collections::BTreeMap;

use packside::link::Target;
use serde_json::Value;

use super::link_watch::with_crc;
use super::peer::{Peer, Way};
use crate::tool::{packside, stderr, stdout};

const IMAGE: &str = include_str!("../../profiles/tests/it/sunspec_40000.hex");
const START: u16 = 40_000;

/// The registers of the image.
fn registers() -> BTreeMap<u16, u16> {
    let digits = IMAGE.trim().as_bytes().chunks(4);
    let words = digits.map(|four| {
        let text = std::str::from_utf8(four).unwrap();
        u16::from_str_radix(text, 16).unwrap()
    });
    (START..).zip(words).collect()
}

/// A unit at address 1 that answers function 3 inside of the image, and says of all else that it has none.
fn unit() -> Peer {
    let registers = registers();
    let answer = move |request: &[u8]| {
        let [1, function, from @ .., _, _] = request else {
            return Vec::new();
        };
        let refused = || vec![with_crc(&[1, function | 0x80, 2])];
        let (3, &[high, low, _, count]) = (*function, from) else {
            return refused();
        };
        let from = u16::from_be_bytes([high, low]);
        let words =
            (0..u16::from(count)).map(|nth| registers.get(&from.checked_add(nth)?).copied());
        let Some(words) = words.collect::<Option<Vec<u16>>>() else {
            return refused();
        };
        let bytes = words.into_iter().flat_map(u16::to_be_bytes);
        let mut answer = vec![1, 3, count * 2];
        answer.extend(bytes);
        vec![with_crc(&answer)]
    };
    Peer::start(Way::Pty, Box::new(answer))
}

/// A look at the unit over a pseudo terminal, with these words besides.
fn look(more: &[&str]) -> Value {
    let peer = unit();
    let Target::Serial { port, .. } = &peer.target else {
        panic!("no serial port");
    };
    let port = port.as_given().to_owned();
    let words = [
        "check",
        "--serial",
        &port,
        "--may-wake",
        // Nobody listened, so that the word for a line on which others may ask is needed too.
        "--beside-others",
        "--listen-first",
        "0",
        "--no-keep",
        "--format",
        "json",
    ];
    let done = packside(&[&words[..], more].concat());
    serde_json::from_str(&stdout(&done)).unwrap_or_else(|why| panic!("{why}: {}", stderr(&done)))
}

#[test]
fn a_look_on_a_line_without_a_map_finds_and_reads_the_unit_that_describes_itself() {
    let look = look(&[]);
    assert_eq!(look["profile"]["id"], "sunspec", "{look}");
    assert_eq!(look["identity"]["serial"], "SN0001");
    assert_ne!(look["verdict"]["kind"], "bus-problem");
}

#[test]
fn a_map_of_ones_own_that_stands_in_models_is_read_where_the_unit_has_them() {
    let look = look(&["--profile", "profiles/tests/it/sunspec.toml"]);
    assert_eq!(look["profile"]["id"], "sunspec-fixture", "{look}");
    assert_eq!(look["identity"]["serial"], "SN0001");
    let readings = look["readings"].as_array().unwrap();
    let current = readings
        .iter()
        .find(|reading| reading["role"] == "pack_current")
        .unwrap();
    // Register 44 of model 802, which begins at 40070: -12 with a scale of -1. An image does not count on, so it is old.
    let read = (&current["register"], &current["value"]);
    assert_eq!(read, (&40_114.into(), &(-1.2).into()), "{current}");
}
