//! Blanks of a draft: `"?"` where nobody said what a map must say.
//!
//! A draft loads with them, so that it can be held against its unit: what it goes on with meanwhile stands here,
//! and each blank is open. In a map that is no draft a blank is a mistake.
//!
//! Does not: say what a map must have (see `required`), or look into a map that is no draft.

use std::collections::BTreeSet;
use std::ops::Range;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// What stands where nobody said anything.
pub const BLANK: &str = "?";

/// A key that a draft may leave blank.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Blank {
    /// As it is called in messages: `inverter.silence_s`.
    pub key: &'static str,
    /// What a draft goes on with meanwhile, as TOML; nothing where it goes without the key.
    meanwhile: Option<&'static str>,
    /// What is asked for, in a few words: the comment beside it.
    pub asked: &'static str,
    /// Where it is found, and what to write where it stands nowhere.
    found: &'static str,
}

const fn blank(
    key: &'static str,
    meanwhile: Option<&'static str>,
    asked: &'static str,
    found: &'static str,
) -> Blank {
    Blank {
        key,
        meanwhile,
        asked,
        found,
    }
}

/// All of them, in the order in which they stand in a file. What is gone on with is careful where it can be.
// Kind: common practice (numbers that are gone on with; none of them ever reaches a clean verdict)
const BLANKS: &[Blank] = &[
    blank(
        "profile.title",
        Some("\"not said\""),
        "what unit it is for, in one line",
        "maker and type from the nameplate, in your words",
    ),
    blank(
        "profile.revision",
        Some("\"not said\""),
        "revision or date of the document",
        "title page or foot of the register list; where it has none: \"none\"",
    ),
    blank(
        "profile.author",
        Some("\"not said\""),
        "who compared this map with the document",
        "your name: it says who answers for the map",
    ),
    blank(
        "answering.line",
        Some("\"9600-8N1\""),
        "baud, bits, parity, stop bits: 9600-8N1",
        "manual, chapter communication; else what packside find names; behind a TCP gateway leave 9600-8N1",
    ),
    blank(
        "answering.unit",
        Some("1"),
        "unit address, 1 to 247",
        "manual, the unit's switches or menu; else what packside find names",
    ),
    blank(
        "answering.time_out_ms",
        Some("1000"),
        "longest time to an answer, ms",
        "manual; where nobody says: 1000",
    ),
    blank(
        "inverter.port",
        Some("\"unknown\""),
        "this-bus, other-rs485, can or unknown: which wire it talks on",
        "see in which socket of the battery the inverter's cable is; else \"unknown\"",
    ),
    blank(
        "inverter.fed_by",
        Some("\"unknown\""),
        "any-request, reads-of, writes, other-port or unknown: what counts as its inverter",
        "how to find out: docs/maps.md, \"What the unit takes for its inverter\"; else \"unknown\"",
    ),
    blank(
        "inverter.silence_s",
        Some("60"),
        "seconds without inverter until the unit says so",
        "manual; else by a watch: power up without the inverter, count until its flag or lamp comes",
    ),
    blank(
        "inverter.flag",
        None,
        "id of the flag below that says \"no inverter\"",
        "the bit of the list that says it; take the key out where no bit does",
    ),
    blank(
        "unit.switch",
        Some("\"contactor\""),
        "contactor or solid-state",
        "data sheet; a click at switching on is a contactor",
    ),
    blank(
        "unit.terminals_without_inverter",
        Some("\"live\""),
        "dead, live or live-until-silence",
        "manual; where nobody says: \"live\"",
    ),
    blank(
        "unit.self_test_s",
        Some("10.0"),
        "seconds of self-test after power-up",
        "manual; else by a watch until the state leaves self-test",
    ),
    blank(
        "unit.cells_per_module",
        Some("16"),
        "cells in series in one module",
        "data sheet; else module voltage by cell voltage",
    ),
    blank(
        "unit.chemistry",
        Some("\"unknown\""),
        "LFP, NMC, NCA, LMO, LTO, or lithium-ion (any but LTO)",
        "nameplate or data sheet; \"unknown\" gives no clean verdict",
    ),
    blank(
        "unit.rest_current",
        Some("1.0"),
        "amperes below which it counts as at rest",
        "where nobody says: 1.0, or a hundredth of its ampere-hours if that is more",
    ),
    blank(
        "cell.never_charge_below",
        None,
        "absolute minimum of a cell, V",
        "data sheet of the cell or module, \"deep discharge\", \"do not charge below\"; ask the maker where it has none",
    ),
    blank(
        "cell.charge_from_c",
        None,
        "coldest at which it may be charged, degC",
        "data sheet, charging temperature",
    ),
    blank(
        "cell.charge_to_c",
        None,
        "hottest at which it may be charged, degC",
        "data sheet, charging temperature",
    ),
    blank(
        "recognise.point",
        None,
        "id of a point that has one value in every such unit",
        "a mark of the list, a model name, a type number",
    ),
    blank(
        "recognise.equals",
        None,
        "that value",
        "the register list, or what packside profile why reads there",
    ),
];

impl Blank {
    /// The blank of this key.
    pub fn named(key: &str) -> Option<&'static Self> {
        BLANKS.iter().find(|blank| blank.key == key)
    }

    /// Those that a draft goes on with, or without, and that are open until somebody says them.
    pub fn of_drafts() -> impl Iterator<Item = &'static Self> {
        let is_open = |blank: &&Self| !matches!(blank.table(), "cell" | "recognise");
        BLANKS.iter().filter(is_open)
    }

    /// Whether this is what a draft goes on with.
    pub(crate) fn is_meanwhile(&self, written: &str) -> bool {
        let number = |text: &str| text.parse::<f64>().ok();
        self.meanwhile.is_some_and(|meanwhile| {
            meanwhile == written || number(meanwhile).is_some_and(|of| number(written) == Some(of))
        })
    }

    fn table(&self) -> &'static str {
        self.key.split_once('.').map_or("", |(table, _)| table)
    }

    fn name(&self) -> &'static str {
        self.key.split_once('.').map_or("", |(_, name)| name)
    }
}

/// A blank as it was found.
#[derive(Debug, Clone)]
pub(crate) struct Left {
    pub(crate) blank: &'static Blank,
    pub(crate) at: Range<usize>,
}

impl Left {
    /// What is missing, and where it is found.
    pub(crate) fn words(&self) -> (String, &'static str) {
        let Blank {
            key, asked, found, ..
        } = self.blank;
        (format!("{key}: a blank is left: {asked}"), found)
    }
}

/// Fills the blanks of a draft with what it goes on with, takes out what it goes without, and gives what was blank.
pub(crate) fn fill(map: &mut DeTable<'_>) -> Vec<Left> {
    let mut left = Vec::new();
    if !map.contains_key("draft") {
        return left;
    }
    let tables: BTreeSet<&str> = BLANKS.iter().map(Blank::table).collect();
    for table in tables {
        let Some(item) = map.get_mut(table) else {
            continue;
        };
        match item.get_mut() {
            DeValue::Table(of) => fill_table(table, of, &mut left),
            DeValue::Array(items) => {
                let kept = items.clone().into_iter();
                *items = kept
                    .filter_map(|mut item| {
                        let before = left.len();
                        if let DeValue::Table(of) = item.get_mut() {
                            fill_table(table, of, &mut left);
                        }
                        (left.len() == before).then_some(item)
                    })
                    .collect();
            }
            _ => {}
        }
    }
    // A table that goes without one of its keys is none.
    if left.iter().any(|left| left.blank.table() == "cell") {
        map.remove("cell");
    }
    if let Some(DeValue::Array(points)) = map.get_mut("point").map(Spanned::get_mut) {
        points.iter_mut().for_each(without_blank_limits);
    }
    left.sort_by_key(|left| left.at.start);
    left
}

fn fill_table(table: &str, of: &mut DeTable<'_>, left: &mut Vec<Left>) {
    for blank in BLANKS.iter().filter(|blank| blank.table() == table) {
        let Some(value) = of.get_mut(blank.name()).filter(|value| is_blank(value)) else {
            continue;
        };
        left.push(Left {
            blank,
            at: value.span(),
        });
        match blank.meanwhile.map(DeValue::parse) {
            Some(Ok(meanwhile)) => *value.get_mut() = meanwhile.into_inner(),
            _ => {
                of.remove(blank.name());
            }
        }
    }
}

/// Limits of a number that may be blank.
const LIMITS: [&str; 6] = [
    "alarm_below",
    "warn_below",
    "warn_above",
    "alarm_above",
    "spread",
    "possible",
];

/// A limit that is blank is none: which are missing is named by the rules about limits.
fn without_blank_limits(point: &mut Spanned<DeValue<'_>>) {
    let DeValue::Table(point) = point.get_mut() else {
        return;
    };
    if let Some(DeValue::Table(limits)) = point.get_mut("limits").map(Spanned::get_mut) {
        for key in LIMITS {
            if limits.get(key).is_some_and(is_blank) {
                limits.remove(key);
            }
        }
    }
}

fn is_blank(value: &Spanned<DeValue<'_>>) -> bool {
    value.get_ref().as_str() == Some(BLANK)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::required::required;

    // Kind: derived (a blank stands for a key there is, and what is gone on with is TOML)
    #[test]
    fn blanks_are_keys_of_a_map_and_what_is_gone_on_with_can_be_read() {
        for blank in BLANKS {
            let is_flag = blank.key == "inverter.flag";
            assert!(
                required(blank.table()).contains(&blank.name()) || is_flag,
                "{}",
                blank.key
            );
            assert!(
                blank
                    .meanwhile
                    .is_none_or(|text| DeValue::parse(text).is_ok())
            );
        }
    }
}
