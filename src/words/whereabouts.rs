//! Where something is, in words.

use packside_profiles::Place;

use super::names::place_in_words;
use super::pseudo::said;
use crate::facts::whereabouts::{Item, Whereabouts};

/// Where something is, in words; empty where that is the whole pack.
pub(crate) fn whereabouts(at: Whereabouts) -> String {
    let text = plain_whereabouts(at);
    if text.is_empty() { text } else { said(text) }
}

/// The same for a longer sentence of this room.
pub(super) fn plain_whereabouts(at: Whereabouts) -> String {
    let Whereabouts { place, item } = at;
    match (item, place.item) {
        (Item::CellPair, Some(first)) => {
            let module = Place {
                item: None,
                ..place
            };
            let module = place_in_words(module, "cell");
            let text = format!("{module} cells {first} and {}", first + 1);
            text.trim_start().to_owned()
        }
        (Item::Sensor, _) => place_in_words(place, "sensor"),
        (Item::Cell | Item::CellPair, _) => place_in_words(place, "cell"),
    }
}
