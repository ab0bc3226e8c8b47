//! A draft: a map that was made from a table or a line, and how far each part of it is known.
//!
//! `[draft]` stands once, `[point.draft]` and `[flag.draft]` beside what they speak of. A map with `[draft]`
//! gives no clean verdict, and what is in doubt in it is not judged.
//!
//! Does not: make drafts, or hold them against a unit.

use serde::{Deserialize, Serialize};

use super::point::{Decimal, Kind, Positive, Table, WordOrder};
use crate::foreign::Foreign;
use crate::meaning::{Class, Role};

/// The table `[draft]`.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct DraftHead {
    /// How it was made.
    pub made: Made,
    /// The file or recording it was made from.
    #[serde(default)]
    pub source: Foreign,
    /// Keys of the map that nobody said; `addresses`, `table` and `order` hold for all points together.
    #[serde(default)]
    pub open: Vec<String>,
    /// Rows of the document that are in no point.
    #[serde(default)]
    pub unread: Vec<Unread>,
}

/// How a draft was made.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Deserialize, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Made {
    /// From a maker's register list.
    FromTable,
    /// From what was overheard on a line.
    Learn,
    /// Typed in.
    ByHand,
}

/// A row of the document that is in no point.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Unread {
    /// Line of the document, from 1.
    pub line: u32,
    /// The row as it stands there.
    #[serde(default)]
    pub text: Foreign,
    /// Why it is in no point.
    #[serde(default)]
    pub why: Foreign,
}

/// How well something is known.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default, Deserialize, Serialize,
)]
#[serde(rename_all = "kebab-case")]
pub enum Footing {
    /// Not known; what stands there is a proposal.
    #[default]
    Open,
    /// What stands there or one of its rivals, and nothing else.
    Narrowed,
    /// The document says so, and nobody asked the unit.
    AsDocumentSays,
    /// The unit itself showed it.
    Checked,
}

impl Footing {
    /// Whether nothing is in doubt.
    pub fn is_firm(self) -> bool {
        matches!(self, Self::AsDocumentSays | Self::Checked)
    }

    /// As in maps and JSON.
    pub fn id(self) -> &'static str {
        match self {
            Self::Open => "open",
            Self::Narrowed => "narrowed",
            Self::AsDocumentSays => "as-document-says",
            Self::Checked => "checked",
        }
    }
}

/// How far a point or a flag is known, and from what: `[point.draft]`, `[flag.draft]`.
#[derive(Debug, Clone, PartialEq, Eq, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Standing {
    /// How well.
    pub grade: Footing,
    /// The keys in doubt.
    #[serde(default)]
    pub open: Vec<Key>,
    /// What speaks for what stands there, newest last.
    #[serde(default)]
    pub evidence: Vec<Evidence>,
    /// Other readings that are not excluded.
    #[serde(default, rename = "rival")]
    pub rivals: Vec<Rival>,
}

/// A key of a point or a flag that can be in doubt.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Deserialize, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Key {
    /// What a point is for.
    Role,
    /// Its table.
    Table,
    /// Its first register.
    Address,
    /// How often it repeats.
    Count,
    /// How registers make a value, width and sign with it.
    Type,
    /// Which word of a wide value comes first.
    Order,
    /// Step of one.
    Scale,
    /// What is added.
    Offset,
    /// Physical unit.
    Unit,
    /// Which direction is positive.
    Positive,
    /// What the values of an enumeration mean.
    Value,
    /// What a flag says.
    Class,
    /// The bit or code of a flag.
    Bit,
    /// Which level of a bit means "yes".
    Active,
}

impl Key {
    /// As in maps and JSON.
    pub fn id(self) -> &'static str {
        match self {
            Self::Role => "role",
            Self::Table => "table",
            Self::Address => "address",
            Self::Count => "count",
            Self::Type => "type",
            Self::Order => "order",
            Self::Scale => "scale",
            Self::Offset => "offset",
            Self::Unit => "unit",
            Self::Positive => "positive",
            Self::Value => "value",
            Self::Class => "class",
            Self::Bit => "bit",
            Self::Active => "active",
        }
    }
}

/// What speaks for a reading.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Evidence {
    /// Who says so.
    pub by: Witness,
    /// Line of the document, from 1.
    pub line: Option<u32>,
    /// So often it held.
    pub held: Option<u32>,
    /// Of so many.
    pub of: Option<u32>,
    /// What the registers of the first of them held last, as on the wire.
    #[serde(default)]
    pub words: Vec<u16>,
    /// In words, or as it stands there.
    #[serde(default)]
    pub text: Foreign,
}

/// Who speaks for a reading.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Deserialize, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Witness {
    /// The maker's document.
    Document,
    /// How the words of the document are usually meant.
    Wording,
    /// The unit, when it was asked.
    Unit,
    /// What was overheard on the line.
    Line,
    /// A person.
    Answer,
}

impl Witness {
    /// As in maps and JSON.
    pub fn id(self) -> &'static str {
        match self {
            Self::Document => "document",
            Self::Wording => "wording",
            Self::Unit => "unit",
            Self::Line => "line",
            Self::Answer => "answer",
        }
    }
}

/// Another reading that is not excluded: what differs from what stands there.
#[derive(Debug, Clone, PartialEq, Eq, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Rival {
    /// What it would be for.
    pub role: Option<Role>,
    /// Its table.
    pub table: Option<Table>,
    /// Its first register, numbered as in the rest of the map.
    pub address: Option<u16>,
    /// How often it would repeat.
    pub count: Option<u16>,
    /// How registers would make a value.
    #[serde(rename = "type")]
    pub kind: Option<Kind>,
    /// Which word would come first.
    pub order: Option<WordOrder>,
    /// Step of one.
    pub scale: Option<Decimal>,
    /// What would be added.
    pub offset: Option<Decimal>,
    /// Physical unit.
    pub unit: Option<Foreign>,
    /// Which direction would be positive.
    pub positive: Option<Positive>,
    /// What a flag would say.
    pub class: Option<Class>,
    /// The bit of a flag.
    pub bit: Option<u8>,
    /// Which level would mean "yes".
    pub active: Option<u8>,
    /// What speaks for it, or why it is not excluded.
    #[serde(default)]
    pub why: Foreign,
}
