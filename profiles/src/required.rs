//! The keys that each table of a map must have.

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
