//! How a map spells what the models say.

use super::data::ModelValue;
use crate::model::Kind;

/// The key that tells the loader of the sentinel of a type.
pub(super) fn sentinel(kind: Kind) -> &'static str {
    match kind {
        Kind::I16 => "not_available = [0x8000]\n",
        Kind::U16 | Kind::Enum16 => "not_available = [0xffff]\n",
        Kind::U32 => "not_available = [0xffffffff]\n",
        Kind::Bits32 => "absent_if_top_bit = true\n",
        _ => "",
    }
}

/// The values of a point that have a name.
pub(super) fn values(values: &[ModelValue]) -> String {
    if values.is_empty() {
        return String::new();
    }
    let named = values.iter().map(|value| match value {
        ModelValue::State(is, name, state) => {
            format!("{{ is = {is}, name = \"{name}\", state = \"{state}\" }}")
        }
        ModelValue::Named(is, name) => format!("{{ is = {is}, name = \"{name}\" }}"),
    });
    let named: Vec<String> = named.collect();
    format!("value = [{}]\n", named.join(", "))
}

/// The name of a point as an id: `CellVMax` is `cell_vmax`.
pub(super) fn snake(name: &str) -> String {
    let name = name.replace("_SF", "Sf");
    let mut text = String::new();
    let mut before = ' ';
    for letter in name.chars() {
        if letter.is_ascii_uppercase() && (before.is_ascii_lowercase() || before.is_ascii_digit()) {
            text.push('_');
        }
        text.push(letter.to_ascii_lowercase());
        before = letter;
    }
    text
}
