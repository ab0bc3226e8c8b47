//! What a look names as not tested is what the coverage of its map says that it cannot show: one table.
//!
//! Kind of all expectations: derived (from `packside profile coverage` of the same map).

use std::collections::BTreeSet;

use serde_json::Value;

use crate::tool::{packside, stderr, stdout};

fn object(arguments: &[&str]) -> Value {
    let done = packside(arguments);
    serde_json::from_str(&stdout(&done))
        .unwrap_or_else(|why| panic!("{arguments:?}: {why}\n{}", stderr(&done)))
}

fn ids(list: &Value, key: &str) -> BTreeSet<String> {
    let items = list.as_array().unwrap().iter();
    let ids = items.filter_map(|item| item[key].as_str());
    ids.map(str::to_owned).collect()
}

/// What the coverage of a map says that a look in these situations does not show.
fn unseen(map: &str, situations: &[&str]) -> BTreeSet<String> {
    let covered = object(&["profile", "coverage", map, "--format", "json"]);
    let modes = covered["modes"].as_array().unwrap().iter();
    let modes = modes.filter(|mode| situations.contains(&mode["seen"].as_str().unwrap()));
    ids(&modes.cloned().collect(), "untested")
}

#[test]
fn a_look_without_inverter_names_all_that_its_map_shows_later_or_never() {
    let later = ["with-inverter", "under-current", "not-at-all"];
    for (scenario, map, situations) in [
        ("hv-waiting", "generic-hv-stack", &later[..]),
        // Its packs have their switches closed while they wait: what the inverter's side shows is seen.
        ("rack-waiting", "generic-lv-rack", &later[1..]),
    ] {
        let look = object(&[
            "check",
            "--simulated",
            scenario,
            "--no-keep",
            "--format",
            "json",
        ]);
        let named = ids(&look["not_tested"], "id");
        let unseen = unseen(map, situations);
        assert!(unseen.len() > 10, "{unseen:?}");
        let missing: Vec<&String> = unseen.difference(&named).collect();
        assert!(
            missing.is_empty(),
            "{scenario}: {missing:?}, named are {named:?}"
        );
    }
}

#[test]
fn what_a_poor_map_never_shows_is_named_in_service_too() {
    let pack = "tests/data/own/pack.toml";
    let charging = "tests/data/own/charging.toml";
    let look = object(&[
        "check",
        "--simulated",
        charging,
        "--profile",
        pack,
        "--no-keep",
        "--format",
        "json",
    ]);
    let named = ids(&look["not_tested"], "id");
    let unseen = unseen(pack, &["not-at-all"]);
    // It has neither terminals nor switches, no insulation, and no word of a fan.
    for id in ["main-switches", "main-fuse", "insulation", "fan-and-heater"] {
        assert!(unseen.contains(id), "{id}: {unseen:?}");
    }
    let missing: Vec<&String> = unseen.difference(&named).collect();
    assert!(missing.is_empty(), "{missing:?}, named are {named:?}");
}
