//! Small questions to a profile that many rooms ask: what is this point, what are its flags.
//!
//! Also the one rule for near matches, so that every "did you mean" agrees. Cheap: every answer is
//! a walk over a list of at most a few hundred entries.

use crate::meaning::Role;
use crate::model::{Base, Flag, Group, Kind, Lamp, LampCode, NamedValue, Point, Profile, Table};

impl Profile {
    /// The point with this id.
    pub fn point(&self, id: &str) -> Option<&Point> {
        self.points.iter().find(|point| point.id == id)
    }

    /// Interval at which the control unit refreshes its values, s, as far as it can be believed.
    pub fn refresh_s(&self) -> f64 {
        self.unit.refresh_s.clamp(0.1, 60.0)
    }

    /// Whether points stand in models of a chain that has to be found on the unit first.
    pub fn needs_models(&self) -> bool {
        let is_model = |base: Base| base != Base::Absolute;
        self.groups.iter().any(|group| is_model(group.base))
            || self.points.iter().any(|point| is_model(point.base))
            || self.spans.iter().any(|span| is_model(span.base))
    }

    /// All points with this role, in the order of the file.
    pub fn points_with(&self, role: Role) -> impl Iterator<Item = &Point> {
        self.points.iter().filter(move |point| point.role == role)
    }

    /// The flag with this id.
    pub fn flag(&self, id: &str) -> Option<&Flag> {
        self.flags.iter().find(|flag| flag.id == id)
    }

    /// The flags that stand in this point.
    pub fn flags_of<'p>(&'p self, point: &'p str) -> impl Iterator<Item = &'p Flag> {
        self.flags.iter().filter(move |flag| flag.point == point)
    }

    /// The group with this id.
    pub fn group(&self, id: &str) -> Option<&Group> {
        self.groups.iter().find(|group| group.id == id)
    }

    /// The lamp with this id.
    pub fn lamp(&self, id: &str) -> Option<&Lamp> {
        self.lamps.iter().find(|lamp| lamp.id == id)
    }

    /// The lamp code with this id.
    pub fn lamp_code(&self, id: &str) -> Option<&LampCode> {
        self.lamp_codes.iter().find(|code| code.id == id)
    }

    /// Table that a point is read from: its own, or that of its group.
    pub fn table_of(&self, point: &Point) -> Option<Table> {
        match &point.group {
            Some(id) => self.group(id).map(|group| group.table),
            None => point.table,
        }
    }
}

impl Point {
    /// The name that the profile gives to a raw value.
    pub fn named_value(&self, raw: u64) -> Option<&NamedValue> {
        self.values.iter().find(|value| value.is == raw)
    }
}

/// Registers that one value of a kind takes; nothing for a string, whose length the point gives.
pub fn words_of(kind: Kind) -> Option<u16> {
    match kind {
        Kind::U32 | Kind::I32 | Kind::F32 | Kind::Bcd32 | Kind::Bits32 | Kind::Enum32 => Some(2),
        Kind::U64 | Kind::I64 | Kind::F64 => Some(4),
        Kind::String => None,
        Kind::U8Low | Kind::U8High | Kind::I8Low | Kind::I8High => Some(1),
        Kind::U16 | Kind::I16 | Kind::Bcd16 | Kind::Bits16 | Kind::Enum16 => Some(1),
    }
}

/// The names closest to what was typed, nearest first; nothing where none is near.
pub fn near_matches<'n>(typed: &str, names: impl IntoIterator<Item = &'n str>) -> Vec<&'n str> {
    const SHOWN: usize = 3;
    const MOST_EDITS: usize = 4;
    let typed = typed.to_lowercase();
    let length = typed.chars().count();
    let allowed = (length / 3).clamp(1, MOST_EDITS);
    let mut near: Vec<(usize, &str)> = Vec::new();
    for name in names {
        let lower = name.to_lowercase();
        let contains = length >= 3 && lower.contains(&typed);
        // What is so much longer or shorter is no typing mistake, and comparing it would take its time.
        let apart = lower.chars().count().abs_diff(length);
        let distance = match apart {
            _ if contains => 1,
            0..=MOST_EDITS => edits(&typed, &lower),
            _ => apart,
        };
        if distance <= allowed && !near.iter().any(|(_, other)| *other == name) {
            near.push((distance, name));
        }
    }
    near.sort_by_key(|(distance, _)| *distance);
    near.into_iter().take(SHOWN).map(|(_, name)| name).collect()
}

/// Letters to insert, remove, replace to turn one word into the other.
fn edits(a: &str, b: &str) -> usize {
    let b: Vec<char> = b.chars().collect();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, left) in a.chars().enumerate() {
        let mut next = vec![i + 1];
        for (right, pair) in b.iter().zip(row.windows(2)) {
            let [diagonal, above] = *pair else { continue };
            let before = next.last().copied().unwrap_or_default();
            next.push(
                (diagonal + usize::from(left != *right))
                    .min(above + 1)
                    .min(before + 1),
            );
        }
        row = next;
    }
    row.last().copied().unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;

    // Kind: derived
    // Note: kitten, sitting: replace k, replace e, insert g
    #[test]
    fn edits_of_known_pairs_are_counted() {
        assert_eq!(edits("kitten", "sitting"), 3);
        assert_eq!(edits("", "abc"), 3);
        assert_eq!(edits("abc", ""), 3);
        assert_eq!(edits("same", "same"), 0);
    }

    // Kind: invented
    #[test]
    fn near_match_of_a_typing_mistake_is_found_and_of_nonsense_is_not() {
        let names = ["inverter-silent", "insulation-low", "cell-high"];
        assert_eq!(near_matches("inverter-slient", names), ["inverter-silent"]);
        assert_eq!(near_matches("insulation", names), ["insulation-low"]);
        assert!(near_matches("xyz", names).is_empty());
        let long = "n".repeat(50_000_000);
        assert!(near_matches(&long, names).is_empty(), "at once");
    }
}
