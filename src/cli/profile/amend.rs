//! Puts what was found of a draft into its text; comments and everything else stay as they are.
//!
//! Does not: decide what is found or taken over, read or write a file.

use packside_profiles::model::{Footing, Key, Numbering, Point, Profile, Table as Space};
use packside_profiles::{BLANK, Role, explain, limits_needed};
use toml_edit::{Array, ArrayOfTables, DocumentMut, InlineTable, Item, Table, TableLike, value};

use crate::draft::{self, Held, Settled};
use crate::physics::{Evidence, Outcome, Reading, Shift, Weighed, differences};
use crate::words::physics as words;

/// What is put into a draft.
pub(super) struct Found<'a> {
    /// The draft as it is written.
    pub(super) profile: &'a Profile,
    /// What it came to.
    pub(super) outcome: &'a Outcome,
    /// Indices of the points, in the order of `outcome.points`.
    pub(super) points: &'a [usize],
    /// What their registers held last.
    pub(super) held: &'a Held,
}

impl Found<'_> {
    /// The points with what was found of them.
    pub(super) fn each(&self) -> impl Iterator<Item = (&Point, &Weighed)> {
        let points = self.points.iter().zip(&self.outcome.points);
        points.filter_map(|(index, weighed)| Some((self.profile.points.get(*index)?, weighed)))
    }
}

/// The tables of its points.
fn points_of(document: &mut DocumentMut) -> impl Iterator<Item = &mut Table> {
    let points = document
        .get_mut("point")
        .and_then(Item::as_array_of_tables_mut);
    points.into_iter().flat_map(ArrayOfTables::iter_mut)
}

/// Whether this table is that of a point.
fn is_of(table: &Table, point: &Point) -> bool {
    table.get("id").and_then(Item::as_str) == Some(point.id.as_str())
}

/// The text of a draft with what was found, of those points that are taken over.
pub(super) fn amend(
    text: &str,
    found: &Found<'_>,
    takes: impl Fn(&Point) -> bool,
) -> Result<String, toml_edit::TomlError> {
    let mut document: DocumentMut = text.parse()?;
    for table in points_of(&mut document) {
        let Some((point, weighed)) = found.each().find(|(point, _)| is_of(table, point)) else {
            continue;
        };
        if takes(point) {
            let words = found.held.get(&point.id).map_or(&[][..], Vec::as_slice);
            let words = found.profile.draft.is_some().then_some(words);
            amend_point(table, point, weighed, words);
        }
    }
    if found.outcome.shift != Shift::NONE && found.outcome.shift_grade.is_firm() {
        place(&mut document, found.profile.addresses, found.outcome.shift);
    }
    if let Some(head) = document.get_mut("draft").and_then(Item::as_table_like_mut) {
        settle_head(head, found.outcome);
    }
    Ok(document.to_string())
}

/// The keys and, in a draft, the standing of one point with the words that its registers held.
fn amend_point(table: &mut Table, point: &Point, weighed: &Weighed, words: Option<&[u16]>) {
    let reading = draft::in_map(point, &weighed.reading);
    set_keys(table, &weighed.changed, &reading);
    let Some(words) = words else { return };
    let seen = weighed.evidence.iter();
    let seen = seen.filter(|one| **one != Evidence::NotSeen);
    let mut evidence: Vec<Table> = seen
        .map(|said| as_table(weighed.role, said, "unit"))
        .collect();
    set_words(evidence.last_mut(), words);
    let rivals = weighed.rivals.iter();
    let mut rivals: Vec<Table> = rivals
        .map(|rival| rival_table(&reading, &draft::in_map(point, rival)))
        .collect();
    if weighed.changed.contains(&Key::Role) {
        if weighed.role == Role::Other {
            let mut rival = Table::new();
            set(&mut rival, "role", point.role.id());
            rivals.push(rival);
        }
        set(table, "role", weighed.role.id());
        ask_for(table, weighed.role);
    }
    let stood = Stood {
        grade: weighed.grade,
        open: &weighed.open,
        evidence,
        rivals,
    };
    stand(table, stood);
}

/// The text of a draft with what answers left of its points, each with the sentence that says why.
pub(super) fn answered(
    text: &str,
    profile: &Profile,
    settled: &[(&Settled, String)],
) -> Result<String, toml_edit::TomlError> {
    let mut document: DocumentMut = text.parse()?;
    for table in points_of(&mut document) {
        let found = settled.iter().find_map(|(one, why)| {
            let point = profile.points.get(one.point)?;
            is_of(table, point).then_some((point, *one, why))
        });
        if let Some((point, settled, why)) = found {
            answer_point(table, point, settled, why, profile.draft.is_some());
        }
    }
    Ok(document.to_string())
}

fn answer_point(table: &mut Table, point: &Point, settled: &Settled, why: &str, is_draft: bool) {
    let Some(first) = settled.left.first() else {
        return;
    };
    let is_sure = settled.left.iter().all(|way| way.role == first.role);
    let role = if is_sure { first.role } else { Role::Other };
    set_keys(
        table,
        &differences(&settled.old.reading, &first.reading),
        &first.reading,
    );
    if role != point.role {
        set(table, "role", role.id());
        if point.unit.as_given().is_empty() && role != Role::Other {
            set(table, "unit", words::unit(role));
        }
        if is_draft {
            ask_for(table, role);
        }
    }
    let open = settled.open(point);
    // A draft that says nothing of the direction has one now, also where it is the usual one.
    if point.positive.is_none() && !open.contains(&Key::Positive) {
        set_keys(table, &[Key::Positive], &first.reading);
    }
    let mut said = Table::new();
    set(&mut said, "by", "answer");
    set(&mut said, "text", why);
    let others = if settled.left.len() > 1 {
        settled.left.as_slice()
    } else {
        &[]
    };
    let rivals = others.iter().filter_map(|way| {
        let mut rival = rival_table(&first.reading, &way.reading);
        if way.role != role {
            set(&mut rival, "role", way.role.id());
        }
        (!rival.is_empty()).then_some(rival)
    });
    let stood = Stood {
        grade: settled.grade(point),
        open: &open,
        evidence: vec![said],
        rivals: rivals.collect(),
    };
    stand(table, stood);
}

/// The limits that a point of this role needs in a map, as blanks where they are not there.
pub(super) fn ask_for(table: &mut Table, role: Role) {
    let limits = limits_needed(role);
    if !limits.is_empty() && !table.contains_key("limits") {
        let mut blanks = InlineTable::new();
        for key in limits {
            blanks.insert(*key, BLANK.into());
        }
        table.insert("limits", value(blanks));
    }
}

/// These keys of a point, as a reading has them.
fn set_keys(table: &mut Table, keys: &[Key], reading: &Reading) {
    for key in keys {
        match key {
            Key::Type => set(table, "type", explain::kind_name(reading.kind)),
            Key::Order => set(table, "order", words::order(reading.order)),
            Key::Scale => set(table, "scale", reading.scale),
            Key::Offset => set(table, "offset", reading.offset),
            Key::Positive => {
                if let Some(positive) = reading.positive {
                    set(table, "positive", words::direction(positive));
                }
            }
            _ => {}
        }
    }
}

pub(super) fn set(table: &mut Table, key: &str, new: impl Into<toml_edit::Value>) {
    // What stood behind the old value on its line, a comment, stays.
    let decor = table
        .get(key)
        .and_then(Item::as_value)
        .map(|old| old.decor().clone());
    let mut new = value(new);
    if let (Some(decor), Some(value)) = (decor, new.as_value_mut()) {
        *value.decor_mut() = decor;
    }
    table.insert(key, new);
}

/// How far a point is known now.
struct Stood<'a> {
    grade: Footing,
    open: &'a [Key],
    /// What was found now, behind what stood there.
    evidence: Vec<Table>,
    rivals: Vec<Table>,
}

/// `[point.draft]` anew: grade, what is open, what speaks for it, rivals.
fn stand(table: &mut Table, stood: Stood<'_>) {
    let draft = table.entry("draft").or_insert_with(toml_edit::table);
    let Some(draft) = draft.as_table_mut() else {
        return;
    };
    set(draft, "grade", stood.grade.id());
    draft.remove("open");
    if !stood.open.is_empty() {
        let open: Array = stood.open.iter().map(|key| key.id()).collect();
        set(draft, "open", open);
    }
    let kept = draft.remove("evidence").map(Item::into_array_of_tables);
    let mut evidence = kept.and_then(Result::ok).unwrap_or_default();
    for said in stood.evidence {
        evidence.push(said);
    }
    if !evidence.is_empty() {
        draft.insert("evidence", Item::ArrayOfTables(evidence));
    }
    draft.remove("rival");
    let rivals: ArrayOfTables = stood.rivals.into_iter().collect();
    if !rivals.is_empty() {
        draft.insert("rival", Item::ArrayOfTables(rivals));
    }
}

/// What registers held, beside the newest evidence.
pub(super) fn set_words(newest: Option<&mut Table>, words: &[u16]) {
    if let Some(newest) = newest.filter(|_| !words.is_empty()) {
        let words: Array = words.iter().map(|word| i64::from(*word)).collect();
        set(newest, "words", words);
    }
}

/// A piece of evidence of a point of this role, by this witness.
pub(super) fn as_table(role: Role, said: &Evidence, by: &str) -> Table {
    let mut table = Table::new();
    set(&mut table, "by", by);
    if let Some((held, of)) = said.counts() {
        set(&mut table, "held", i64::try_from(held).unwrap_or(i64::MAX));
        set(&mut table, "of", i64::try_from(of).unwrap_or(i64::MAX));
    }
    set(&mut table, "text", words::evidence(role, said));
    table
}

/// A short decimal again, after arithmetic.
pub(super) fn short(number: f64) -> f64 {
    format!("{number:.9}").parse().unwrap_or(number)
}

/// What differs in another reading.
pub(super) fn rival_table(own: &Reading, rival: &Reading) -> Table {
    let mut table = Table::new();
    for key in differences(own, rival) {
        match key {
            Key::Type => set(&mut table, "type", explain::kind_name(rival.kind)),
            Key::Order => set(&mut table, "order", words::order(rival.order)),
            Key::Scale => set(&mut table, "scale", short(rival.scale)),
            Key::Offset => set(&mut table, "offset", short(rival.offset)),
            _ => {
                if let Some(positive) = rival.positive {
                    set(&mut table, "positive", words::direction(positive));
                }
            }
        }
    }
    table
}

/// Moves everything to where it lies: by the key of the numbering where there is one for it, else number by number.
fn place(document: &mut DocumentMut, numbering: Numbering, shift: Shift) {
    let key = match (numbering, shift.registers) {
        (Numbering::From0, -1) => Some("from-1"),
        (Numbering::From1, 1) => Some("from-0"),
        // The numbers stay: what was taken for the table in front is part of them, or the reverse.
        (Numbering::WithTable, 30_000 | 40_000) => Some("from-1"),
        (Numbering::WithTable, 30_001 | 40_001) => Some("from-0"),
        (_, ..-1) => Some("with-table"),
        _ => None,
    };
    if let Some(key) = key {
        document.insert("addresses", value(key));
    }
    let step = if key.is_some() {
        0
    } else {
        i64::from(shift.registers)
    };
    if shift.other_table {
        turn_functions(document);
    }
    for (tables, keys) in [
        ("point", &["address"][..]),
        ("group", &["address", "starts"]),
        ("span", &["from", "to"]),
        ("clears_when_read", &["from", "to"]),
    ] {
        let all = document
            .get_mut(tables)
            .and_then(Item::as_array_of_tables_mut);
        for table in all.into_iter().flat_map(ArrayOfTables::iter_mut) {
            // In a group numbers count from its beginning, and the table is that of the group.
            if table.contains_key("group") {
                continue;
            }
            let mut step = step;
            if shift.other_table {
                let apart = turn(table, numbering);
                step += if key.is_some() { 0 } else { apart };
            }
            for key_of in keys {
                move_by(table, key_of, step);
            }
        }
    }
}

/// Names the other table; gives what its numbers differ by where the table is part of them.
fn turn(table: &mut Table, numbering: Numbering) -> i64 {
    let is_part = numbering == Numbering::WithTable;
    let number = |key| table.get(key).and_then(Item::as_integer);
    let digits_six = number("address").or_else(|| number("from")) >= Some(SIX_DIGITS);
    let apart = if digits_six { 100_000 } else { 10_000 };
    let (other, step) = match table.get("table").and_then(Item::as_str) {
        Some("holding") => (explain::table(Space::Input), -apart),
        Some("input") => (explain::table(Space::Holding), apart),
        _ => return 0,
    };
    set(table, "table", other);
    if is_part { step } else { 0 }
}

/// From here on a number has the table in front of five digits, not four.
const SIX_DIGITS: i64 = 100_001;

/// The other table is read with its own function.
fn turn_functions(document: &mut DocumentMut) {
    let answering = document
        .get_mut("answering")
        .and_then(Item::as_table_like_mut);
    let functions = answering.and_then(|table| table.get_mut("functions")?.as_array_mut());
    for function in functions.into_iter().flat_map(toml_edit::Array::iter_mut) {
        match function.as_integer() {
            Some(3) => *function = 4.into(),
            Some(4) => *function = 3.into(),
            _ => {}
        }
    }
}

fn move_by(table: &mut Table, key: &str, step: i64) {
    match table.get_mut(key) {
        Some(Item::Value(toml_edit::Value::Integer(number))) if step != 0 => {
            let moved = number.value() + step;
            set(table, key, moved);
        }
        Some(Item::Value(toml_edit::Value::Array(numbers))) => {
            for number in numbers.iter_mut() {
                if let Some(old) = number.as_integer() {
                    *number = (old + step).into();
                }
            }
        }
        _ => {}
    }
}

/// What is open for all points together, once the unit told.
fn settle_head(head: &mut dyn TableLike, outcome: &Outcome) {
    // What is left of the order of words stands at each point that has two words now.
    let is_told = |key: &str| match key {
        "addresses" | "table" | "order" => outcome.shift_grade.is_firm(),
        _ => false,
    };
    if let Some(open) = head.get_mut("open").and_then(Item::as_array_mut) {
        open.retain(|key| !key.as_str().is_some_and(is_told));
    }
}

#[cfg(test)]
mod tests {
    use packside_profiles::model::Kind;

    use super::*;

    // Kind: invented
    #[test]
    fn other_table_brings_its_function_and_its_numbers() {
        for (number, expected) in [(40_014, 30_014), (400_014, 300_014)] {
            let text = format!(
                "[answering]\nfunctions = [3]\n[[span]]\ntable = \"holding\"\nfrom = {number}\nto = {number}\n"
            );
            let mut document: DocumentMut = text.parse().unwrap();
            let shift = Shift {
                registers: 0,
                other_table: true,
            };
            place(&mut document, Numbering::WithTable, shift);
            let moved = document.to_string();
            for part in [
                "functions = [4]",
                "table = \"input\"",
                &format!("from = {expected}\nto = {expected}"),
            ] {
                assert!(moved.contains(part), "{part}: {moved}");
            }
        }
    }

    // Kind: invented
    #[test]
    fn what_is_found_comes_into_the_text_and_comments_stay() {
        let text = "addresses = \"from-0\" # of the document\n[draft]\nmade = \"by-hand\"\nopen = [\"addresses\", \"unit.chemistry\"]\n\
                    [[point]]\nid = \"pack_current\" # amperes\nrole = \"pack_current\"\ntable = \"input\"\naddress = 13\n\
                    type = \"u16\" # as they say\nscale = 0.1\nunit = \"A\"\n";
        let mut document: DocumentMut = text.parse().unwrap();
        place(
            &mut document,
            Numbering::From0,
            Shift {
                registers: -1,
                other_table: true,
            },
        );
        let moved = document.to_string();
        assert!(moved.contains("addresses = \"from-1\""), "{moved}");
        assert!(
            moved.contains("table = \"holding\"") && moved.contains("address = 13"),
            "{moved}"
        );
        place(
            &mut document,
            Numbering::WithTable,
            Shift {
                registers: 1,
                other_table: false,
            },
        );
        assert!(document.to_string().contains("address = 14"), "{document}");
        let reading = Reading {
            kind: Kind::I16,
            ..Reading::plain(0.1)
        };
        let weighed = Weighed {
            role: Role::PackCurrent,
            grade: Footing::Checked,
            reading,
            changed: vec![Key::Type],
            open: Vec::new(),
            evidence: vec![Evidence::Product { held: 59, of: 60 }],
            rivals: Vec::new(),
        };
        let point: Point = toml::from_str(
            "id = \"pack_current\"\nrole = \"pack_current\"\ntable = \"input\"\naddress = 13\ntype = \"u16\"\nscale = 0.1\nunit = \"A\"",
        )
        .unwrap();
        let points = document["point"].as_array_of_tables_mut().unwrap();
        amend_point(points.get_mut(0).unwrap(), &point, &weighed, Some(&[123]));
        let amended = document.to_string();
        for part in [
            "type = \"i16\" # as they say",
            "id = \"pack_current\" # amperes",
            "grade = \"checked\"",
            "held = 59",
            "words = [123]",
            "voltage x current is the power in 59 of 60",
        ] {
            assert!(amended.contains(part), "{part}: {amended}");
        }
    }
}
