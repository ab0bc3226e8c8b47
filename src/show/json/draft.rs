//! A draft of a register map, `packside.draft/1`.
//!
//! The same object for every command that makes or weighs one.

use packside_profiles::explain;
use packside_profiles::model::{
    Evidence, Footing, Key, NamedValue, Numbering, Point, Positive, Profile, Rival, Severity,
    Standing, WordOrder,
};
use packside_profiles::{Class, Foreign, Known, Layout, Role};
use serde::Serialize;

/// A draft.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Draft {
    /// `packside.draft/1`.
    pub schema: &'static str,
    /// The document, recording or images that it was made from or weighed by.
    pub file: String,
    /// The file of the draft, where there is one.
    pub draft: Option<String>,
    /// How the document counts registers: `from-0`, `from-1` or `with-table`.
    pub addresses: &'static str,
    /// What is open for all points together.
    pub open: Vec<String>,
    /// How the numbers of the document lie against the wire, where images were weighed.
    pub base: Option<Base>,
    /// Columns of the document.
    pub columns: Vec<Column>,
    /// Points.
    pub points: Vec<Reading>,
    /// Bits and codes.
    pub flags: Vec<Bit>,
    /// Rows that are in no point.
    pub unread: Vec<Row>,
}

/// What a column was taken for.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Column {
    /// Its number, from 1.
    pub column: usize,
    /// Its heading.
    #[cfg_attr(test, schemars(with = "String"))]
    pub header: Foreign,
    /// What it was taken for.
    pub taken_as: String,
    /// Why.
    pub why: String,
}

/// How the numbers of the document lie against the wire.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Base {
    /// Registers that everything stands further than the draft said.
    pub moved_by: i32,
    /// Whether everything stands in the other table.
    pub other_table: bool,
    /// How well that is known.
    #[cfg_attr(test, schemars(with = "String"))]
    pub grade: Footing,
    /// Images that were weighed.
    pub images: usize,
}

/// A point.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Reading {
    /// Its id.
    pub id: String,
    /// As the document calls it.
    #[cfg_attr(test, schemars(with = "String"))]
    pub name: Foreign,
    /// Line of the document, from 1.
    pub line: Option<u32>,
    /// What it is for.
    #[cfg_attr(test, schemars(with = "String"))]
    pub role: Role,
    /// Table.
    pub table: Option<&'static str>,
    /// First register on the wire, from 0.
    pub register: u16,
    /// How often it repeats.
    pub count: usize,
    /// Registers from one to the next; null where they do not stand at equal distances.
    pub stride: Option<u16>,
    /// First register of each, on the wire.
    pub places: Vec<u16>,
    /// How registers make a value.
    #[serde(rename = "type")]
    pub kind: &'static str,
    /// Which word comes first.
    pub order: &'static str,
    /// Step of one.
    pub scale: f64,
    /// What is added.
    pub offset: f64,
    /// Physical unit.
    #[cfg_attr(test, schemars(with = "String"))]
    pub value_unit: Foreign,
    /// Which direction is positive.
    pub positive: Option<&'static str>,
    /// How well it is known.
    #[cfg_attr(test, schemars(with = "String"))]
    pub grade: Footing,
    /// Keys in doubt.
    #[cfg_attr(test, schemars(with = "Vec<String>"))]
    pub open: Vec<Key>,
    /// Keys in which it differs from the draft that was weighed.
    #[cfg_attr(test, schemars(with = "Vec<String>"))]
    pub changed: Vec<Key>,
    /// Names of the values of an enumeration.
    pub values: Vec<Named>,
    /// Other readings that are not excluded.
    pub rivals: Vec<Other>,
    /// What speaks for what stands here.
    pub evidence: Vec<Said>,
}

/// A value with its name.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Named {
    /// Raw value.
    pub is: u64,
    /// Its name.
    #[cfg_attr(test, schemars(with = "String"))]
    pub name: Foreign,
    /// What it means for the state.
    pub state: Option<&'static str>,
}

/// Another reading: only what differs.
#[derive(Debug, Clone, PartialEq, Serialize, Default)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Other {
    /// What it would be for.
    #[cfg_attr(test, schemars(with = "Option<String>"))]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub role: Option<Role>,
    /// Table.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub table: Option<&'static str>,
    /// First register on the wire.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub register: Option<u16>,
    /// How often it would repeat.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub count: Option<u16>,
    /// How registers would make a value.
    #[serde(rename = "type", skip_serializing_if = "Option::is_none")]
    pub kind: Option<&'static str>,
    /// Which word would come first.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub order: Option<&'static str>,
    /// Step of one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub scale: Option<f64>,
    /// What would be added.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub offset: Option<f64>,
    /// Physical unit.
    #[cfg_attr(test, schemars(with = "Option<String>"))]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value_unit: Option<Foreign>,
    /// Which direction would be positive.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub positive: Option<&'static str>,
    /// What speaks for it.
    #[cfg_attr(test, schemars(with = "String"))]
    pub why: Foreign,
}

/// Something that speaks for a reading.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Said {
    /// `document`, `wording`, `unit`, `line` or `answer`.
    pub by: &'static str,
    /// Line of the document, from 1.
    pub line: Option<u32>,
    /// So often it held.
    pub held: Option<u32>,
    /// Of so many.
    pub of: Option<u32>,
    /// What its registers held last, as on the wire.
    pub words: Vec<u16>,
    /// In words, or as it stands there.
    #[cfg_attr(test, schemars(with = "String"))]
    pub text: Foreign,
}

/// A bit or a code.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Bit {
    /// Its id.
    pub id: String,
    /// Point in which it stands.
    pub point: String,
    /// Bit, 0 lowest; of words.
    pub bit: Option<u8>,
    /// Values; of codes.
    pub values: Vec<u64>,
    /// What it says.
    #[cfg_attr(test, schemars(with = "String"))]
    pub class: Class,
    /// How grave.
    #[cfg_attr(test, schemars(with = "String"))]
    pub severity: Severity,
    /// In the words of the document.
    #[cfg_attr(test, schemars(with = "String"))]
    pub meaning: Foreign,
    /// Line of the document, from 1.
    pub line: Option<u32>,
    /// How well it is known.
    #[cfg_attr(test, schemars(with = "String"))]
    pub grade: Footing,
    /// Keys in doubt.
    #[cfg_attr(test, schemars(with = "Vec<String>"))]
    pub open: Vec<Key>,
    /// What speaks for it.
    pub evidence: Vec<Said>,
}

/// A row that is in no point.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Row {
    /// Its line, from 1.
    pub line: u32,
    /// As it stands there.
    #[cfg_attr(test, schemars(with = "String"))]
    pub text: Foreign,
    /// Why.
    #[cfg_attr(test, schemars(with = "String"))]
    pub why: Foreign,
    /// What to do about it, where that is known.
    #[serde(rename = "do")]
    pub to_do: Option<String>,
}

impl Draft {
    /// A draft as it is written.
    pub fn of(profile: &Profile, file: String, draft: Option<String>) -> Self {
        let layout = Layout::new(profile, &Known::default());
        let points = profile.points.iter().enumerate().map(|(index, point)| {
            let here = layout.instances.iter().filter(|one| one.point == index);
            let places: Vec<u16> = here.map(|one| one.address).collect();
            Reading::of(profile, point, places)
        });
        let head = profile.draft.as_ref();
        let unread = head
            .into_iter()
            .flat_map(|head| &head.unread)
            .map(|row| Row {
                line: row.line,
                text: row.text.clone(),
                why: row.why.clone(),
                to_do: None,
            });
        Self {
            schema: "packside.draft/1",
            file,
            draft,
            addresses: match profile.addresses {
                Numbering::From0 => "from-0",
                Numbering::From1 => "from-1",
                Numbering::WithTable => "with-table",
            },
            open: head.map(|head| head.open.clone()).unwrap_or_default(),
            base: None,
            columns: Vec::new(),
            points: points.collect(),
            flags: profile.flags.iter().map(Bit::of).collect(),
            unread: unread.collect(),
        }
    }
}

/// How far something is known: as written, else as the document says.
fn standing(draft: Option<&Standing>) -> Standing {
    let said = Standing {
        grade: Footing::AsDocumentSays,
        ..Standing::default()
    };
    draft.cloned().unwrap_or(said)
}

fn line(evidence: &[Evidence]) -> Option<u32> {
    evidence.iter().find_map(|one| one.line)
}

impl Reading {
    fn of(profile: &Profile, point: &Point, mut places: Vec<u16>) -> Self {
        if places.is_empty() {
            places.push(point.address);
        }
        let standing = standing(point.draft.as_ref());
        let first = places.first().copied().unwrap_or_default();
        let mut steps = places.iter().zip(places.iter().skip(1));
        let step = steps
            .clone()
            .next()
            .and_then(|(one, next)| next.checked_sub(*one));
        let is_even = steps.all(|(one, next)| next.checked_sub(*one) == step);
        let stride = if places.len() < 2 {
            Some(point.width())
        } else {
            step.filter(|_| is_even)
        };
        let rivals = standing.rivals.iter().map(Other::of);
        Self {
            id: point.id.clone(),
            name: point.name.clone(),
            line: line(&standing.evidence),
            role: point.role,
            table: profile.table_of(point).map(explain::table),
            register: first,
            count: places.len(),
            stride,
            places,
            kind: explain::kind_name(point.kind),
            order: order(point.order),
            scale: point.scale.value(),
            offset: point.offset.value(),
            value_unit: point.unit.clone(),
            positive: point.positive.map(positive),
            grade: standing.grade,
            open: standing.open,
            changed: Vec::new(),
            values: point.values.iter().map(Named::of).collect(),
            rivals: rivals.collect(),
            evidence: standing.evidence.iter().map(Said::of).collect(),
        }
    }
}

impl Named {
    fn of(value: &NamedValue) -> Self {
        Self {
            is: value.is,
            name: value.name.clone(),
            state: value.state.map(packside_profiles::StateKind::id),
        }
    }
}

impl Other {
    fn of(rival: &Rival) -> Self {
        Self {
            role: rival.role,
            table: rival.table.map(explain::table),
            register: rival.address,
            count: rival.count,
            kind: rival.kind.map(explain::kind_name),
            order: rival.order.map(order),
            scale: rival.scale.map(|scale| scale.value()),
            offset: rival.offset.map(|offset| offset.value()),
            value_unit: rival.unit.clone(),
            positive: rival.positive.map(positive),
            why: rival.why.clone(),
        }
    }
}

impl Said {
    fn of(evidence: &Evidence) -> Self {
        Self {
            by: evidence.by.id(),
            line: evidence.line,
            held: evidence.held,
            of: evidence.of,
            words: evidence.words.clone(),
            text: evidence.text.clone(),
        }
    }
}

impl Bit {
    fn of(flag: &packside_profiles::model::Flag) -> Self {
        let standing = standing(flag.draft.as_ref());
        Self {
            id: flag.id.clone(),
            point: flag.point.clone(),
            bit: flag.bit,
            values: flag.values.clone(),
            class: flag.class,
            severity: flag.severity,
            meaning: flag.meaning.clone(),
            line: line(&standing.evidence),
            grade: standing.grade,
            open: standing.open,
            evidence: standing.evidence.iter().map(Said::of).collect(),
        }
    }
}

fn order(order: WordOrder) -> &'static str {
    match order {
        WordOrder::HighFirst => "high-first",
        WordOrder::LowFirst => "low-first",
    }
}

fn positive(positive: Positive) -> &'static str {
    match positive {
        Positive::Charge => "charge",
        Positive::Discharge => "discharge",
    }
}
