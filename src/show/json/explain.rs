//! What an id means, `packside.explain/1`.

use packside_profiles::model::LiesIn;
use serde::Serialize;

use crate::show::reference::{self, Chapter};

/// An id.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Explained {
    /// `packside.explain/1`.
    pub schema: &'static str,
    /// The id.
    pub id: String,
    /// What it stands for: the same id may stand in several lists.
    pub entries: Vec<Entry>,
}

/// What an id stands for.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Entry {
    /// The list in which it stands.
    pub topic: &'static str,
    /// Where that list stands in a result.
    pub place: &'static str,
    /// What it means and what follows from it.
    pub meaning: String,
    /// Where the reason usually lies.
    #[cfg_attr(test, schemars(with = "Option<String>"))]
    pub lies_in: Option<LiesIn>,
    /// What to do about it.
    pub to_do: Option<String>,
}

impl Explained {
    /// What an id stands for.
    pub fn of(id: &str, entries: Vec<(Chapter, reference::ReferenceEntry)>) -> Self {
        let entry = |(topic, entry): (Chapter, reference::ReferenceEntry)| Entry {
            topic: topic.title,
            place: topic.place,
            meaning: entry.meaning,
            lies_in: entry.lies_in,
            to_do: Some(entry.to_do).filter(|to_do| !to_do.is_empty()),
        };
        Self {
            schema: "packside.explain/1",
            id: id.to_owned(),
            entries: entries.into_iter().map(entry).collect(),
        }
    }
}
