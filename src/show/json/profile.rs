//! Register maps, `packside.profile/1`.

use std::collections::BTreeMap;

use packside_profiles::coverage::{Covered, FirstStep, Hazard, Sight};
use packside_profiles::explain::{self, Subject};
use packside_profiles::model::{self, Clears, FedBy, LiesIn, Severity};
use packside_profiles::{Class, Foreign, Grade, Loaded, Problems, Role, StateKind};
use serde::Serialize;

/// What `profile` gives.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Profiles {
    /// `packside.profile/1`.
    pub schema: &'static str,
    /// `list`, `show`, `check` or `explain`.
    pub command: &'static str,
    /// What it gives.
    #[serde(flatten)]
    pub content: Content,
}

/// What a command gives.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(untagged)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub enum Content {
    /// Maps that are known.
    List {
        /// One by one.
        profiles: Vec<Listed>,
    },
    /// A map.
    Show {
        /// All of it.
        profile: Box<Map>,
    },
    /// What something in a map means.
    Explain {
        /// Id of the map.
        profile: String,
        /// What bears the name that was asked for.
        subjects: Vec<Entry>,
    },
    /// A started map.
    Started {
        /// Its file.
        file: String,
        /// Lines with blanks that are left.
        blanks: usize,
    },
    /// What can go wrong, and when a map would show it.
    Coverage {
        /// Id of the map.
        profile: String,
        /// Every failure mode, by number.
        modes: Vec<CoveredMode>,
    },
    /// Mistakes in files.
    Check {
        /// File by file.
        files: Vec<File>,
    },
}

/// A failure mode, and when a map would show it.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct CoveredMode {
    /// Number in the table.
    pub number: u16,
    /// Stable name.
    pub id: String,
    /// In words.
    pub text: String,
    /// `at-rest`, `with-inverter`, `under-current`, `flag-only` or `not-at-all`.
    #[cfg_attr(test, schemars(with = "String"))]
    pub seen: Sight,
    /// Only with time or luck.
    pub weak: bool,
    /// `people`, `goods` or `none`.
    #[cfg_attr(test, schemars(with = "String"))]
    pub hazard: Hazard,
    /// What to do first: `away`, `stop`, `off`, `quarantine`, `apart`, `cable`, `person`, `compare`, `record`.
    #[cfg_attr(test, schemars(with = "String"))]
    pub first: FirstStep,
    /// Roles of points that the map lacks for it.
    #[cfg_attr(test, schemars(with = "Vec<String>"))]
    pub missing_roles: Vec<Role>,
    /// Classes of flags of which one would show it.
    #[cfg_attr(test, schemars(with = "Vec<String>"))]
    pub missing_flags: Vec<Class>,
    /// What tells of it where no wire can.
    pub beyond: Option<String>,
    /// Its id in `not_tested` of a look that does not show it.
    pub untested: Option<String>,
}

impl CoveredMode {
    /// What a map sees of one mode.
    pub fn of(covered: &Covered) -> Self {
        let mode = covered.mode;
        Self {
            number: mode.number,
            id: mode.id.clone(),
            text: mode.words.clone(),
            seen: covered.sight,
            weak: covered.weak,
            hazard: mode.hazard,
            first: mode.first,
            missing_roles: covered.missing.clone(),
            missing_flags: covered.missing_flags.clone(),
            beyond: mode.beyond.clone(),
            untested: mode.untested.clone(),
        }
    }
}

/// A map that is known.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(untagged)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub enum Listed {
    /// It can be read.
    Readable {
        /// Its id.
        id: String,
        /// One line for people.
        #[cfg_attr(test, schemars(with = "String"))]
        title: Foreign,
        /// Where it comes from.
        origin: String,
        /// Whether it was ever compared with a real unit.
        verified_on_hardware: bool,
        /// Null.
        error: Option<String>,
    },
    /// It cannot be read.
    Broken {
        /// Its id.
        id: String,
        /// Why.
        error: String,
    },
}

/// A file and its mistakes.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct File {
    /// Its name.
    pub file: String,
    /// Why it cannot be read.
    pub error: Option<String>,
    /// Mistakes, by line.
    pub problems: Vec<Mistake>,
}

/// A mistake in a file.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Mistake {
    /// Line, from 1; 0 where the whole file is meant.
    pub line: usize,
    /// Column, from 1; 0 where the whole file is meant.
    pub column: usize,
    /// Where, what was expected, what was found.
    pub message: String,
    /// What to change.
    pub fix: String,
    /// `mistake`: the map is not used; `gap`: nothing clean can be said with it; `note`: worth a look.
    pub grade: &'static str,
}

/// A register map.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Map {
    /// Its id.
    pub id: String,
    /// One line for people.
    #[cfg_attr(test, schemars(with = "String"))]
    pub title: Foreign,
    /// Where it comes from.
    pub origin: String,
    /// The document it was made from.
    #[cfg_attr(test, schemars(with = "String"))]
    pub document: Foreign,
    /// Revision of that document.
    #[cfg_attr(test, schemars(with = "String"))]
    pub revision: Foreign,
    /// Whether it was ever compared with a real unit.
    pub verified_on_hardware: bool,
    /// Oldest firmware it is for.
    pub firmware_from: Option<String>,
    /// First firmware it is not for any more.
    pub firmware_below: Option<String>,
    /// Line settings of the factory.
    pub line: String,
    /// Unit address of the factory.
    pub unit: u8,
    /// Function codes that it answers.
    pub functions: Vec<u8>,
    /// Silence of the inverter after which the unit says so.
    pub silence_s: u32,
    /// What feeds the control unit.
    #[cfg_attr(test, schemars(with = "String"))]
    pub fed_by: FedBy,
    /// Registers that may be read in one question.
    pub spans: Vec<Span>,
    /// Registers that lose their content by being read.
    pub clears_when_read: Vec<Span>,
    /// Points.
    pub points: Vec<Entry>,
    /// Flags.
    pub flags: Vec<Entry>,
    /// What several lamps say together.
    pub lamp_codes: Vec<Entry>,
}

/// A run of registers.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Span {
    /// Table.
    pub table: &'static str,
    /// How the addresses are counted.
    pub base: String,
    /// First register.
    pub from: u16,
    /// Last register.
    pub to: u16,
}

/// Something in a map that has a name.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(tag = "is", rename_all = "kebab-case")]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub enum Entry {
    /// Something that can be read.
    Point {
        /// Its id.
        id: String,
        /// What it is for.
        #[cfg_attr(test, schemars(with = "String"))]
        role: Role,
        /// Table.
        table: Option<&'static str>,
        /// Group in which it repeats.
        group: Option<String>,
        /// How its address is counted.
        base: String,
        /// First register, of the first of several.
        register: u16,
        /// How many registers.
        registers: u16,
        /// How registers make a value.
        #[serde(rename = "type")]
        kind: &'static str,
        /// Physical unit.
        #[cfg_attr(test, schemars(with = "String"))]
        value_unit: Foreign,
        /// Whether a clean verdict needs it.
        required: bool,
    },
    /// A bit or a code.
    Flag {
        /// Its id.
        id: String,
        /// What it says.
        #[cfg_attr(test, schemars(with = "String"))]
        class: Class,
        /// How grave.
        #[cfg_attr(test, schemars(with = "String"))]
        severity: Severity,
        /// Point in which it stands.
        point: String,
        /// Bit, 0 lowest; of words.
        bit: Option<u8>,
        /// Values; of codes.
        values: Vec<u64>,
        /// In the words of the map.
        #[cfg_attr(test, schemars(with = "String"))]
        meaning: Foreign,
        /// What follows from it for a verdict.
        consequence: &'static str,
        /// What to do first, in the words of the map.
        #[serde(rename = "do")]
        #[cfg_attr(test, schemars(with = "String"))]
        to_do: Foreign,
        /// Where the reason lies.
        #[cfg_attr(test, schemars(with = "String"))]
        lies_in: LiesIn,
        /// How it goes away.
        #[cfg_attr(test, schemars(with = "String"))]
        clears: Clears,
        /// Flags that it brings along.
        brings: Vec<String>,
    },
    /// A lamp.
    Lamp {
        /// Its id.
        id: String,
        /// Colour.
        #[cfg_attr(test, schemars(with = "String"))]
        colour: Foreign,
        /// Where it sits.
        #[cfg_attr(test, schemars(with = "String"))]
        place: Foreign,
    },
    /// What several lamps say together.
    LampCode {
        /// Its id.
        id: String,
        /// Lamp to pattern.
        lamps: BTreeMap<String, String>,
        /// In the words of the map.
        #[cfg_attr(test, schemars(with = "String"))]
        meaning: Foreign,
        /// Shown when any of these flags is up.
        flags: Vec<String>,
        /// Shown when any alarm is up.
        any_alarm: bool,
        /// Shown in any of these states.
        #[cfg_attr(test, schemars(with = "Vec<String>"))]
        states: Vec<StateKind>,
    },
}

impl Profiles {
    /// What a command gives.
    pub fn new(command: &'static str, content: Content) -> Self {
        Self {
            schema: "packside.profile/1",
            command,
            content,
        }
    }
}

impl File {
    /// A file with its mistakes.
    pub fn of(name: &str, problems: &Problems) -> Self {
        let mistakes = problems.list.iter().map(|problem| Mistake {
            line: problem.line,
            column: problem.column,
            grade: match problem.grade {
                Grade::Mistake => "mistake",
                Grade::Gap => "gap",
                Grade::Note => "note",
            },
            message: problem.message.clone(),
            fix: problem.fix.clone(),
        });
        Self {
            file: name.to_owned(),
            error: None,
            problems: mistakes.collect(),
        }
    }

    /// A file that cannot be read.
    pub fn unreadable(name: &str, why: &str) -> Self {
        Self {
            file: name.to_owned(),
            error: Some(why.to_owned()),
            problems: Vec::new(),
        }
    }
}

impl From<&Loaded> for Map {
    fn from(loaded: &Loaded) -> Self {
        let profile = &loaded.profile;
        let head = &profile.profile;
        let point = |point| Entry::point(profile, point);
        let flag = |flag| Entry::flag(profile, flag);
        Self {
            id: head.id.clone(),
            title: head.title.clone(),
            origin: loaded.origin.clone(),
            document: head.document.clone(),
            revision: head.revision.clone(),
            verified_on_hardware: head.verified_on_hardware,
            firmware_from: head.firmware_from.clone(),
            firmware_below: head.firmware_below.clone(),
            line: profile.answering.line.to_string(),
            unit: profile.answering.unit,
            functions: profile.answering.functions.clone(),
            silence_s: profile.inverter.silence_s,
            fed_by: profile.inverter.fed_by,
            spans: profile.spans.iter().map(Span::of).collect(),
            clears_when_read: profile.clears_when_read.iter().map(Span::of).collect(),
            points: profile.points.iter().map(point).collect(),
            flags: profile.flags.iter().map(flag).collect(),
            lamp_codes: profile.lamp_codes.iter().map(Entry::lamp_code).collect(),
        }
    }
}

impl Span {
    fn of(span: &model::Span) -> Self {
        Self {
            table: explain::table(span.table),
            base: explain::base_name(span.base),
            from: span.from,
            to: span.to,
        }
    }
}

impl Entry {
    /// Whatever it is.
    pub fn of(profile: &model::Profile, subject: &Subject<'_>) -> Self {
        match subject {
            Subject::Flag(flag) => Self::flag(profile, flag),
            Subject::Point(point) => Self::point(profile, point),
            Subject::Lamp(lamp) => Self::Lamp {
                id: lamp.id.clone(),
                colour: lamp.colour.clone(),
                place: lamp.place.clone(),
            },
            Subject::LampCode(code) => Self::lamp_code(code),
        }
    }

    fn point(profile: &model::Profile, point: &model::Point) -> Self {
        let group = point.group.as_ref().and_then(|id| profile.group(id));
        let first = group.and_then(|group| group.start(0));
        let first = first
            .and_then(|first| u16::try_from(first).ok())
            .unwrap_or_default();
        Self::Point {
            id: point.id.clone(),
            role: point.role,
            table: profile.table_of(point).map(explain::table),
            group: point.group.clone(),
            base: explain::base_name(group.map_or(point.base, |group| group.base)),
            register: point.address.saturating_add(first),
            registers: point.width(),
            kind: explain::kind_name(point.kind),
            value_unit: point.unit.clone(),
            required: point.required,
        }
    }

    fn flag(profile: &model::Profile, flag: &model::Flag) -> Self {
        Self::Flag {
            id: flag.id.clone(),
            class: flag.class,
            severity: flag.severity,
            point: flag.point.clone(),
            bit: flag.bit,
            values: flag.values.clone(),
            meaning: flag.meaning.clone(),
            consequence: explain::consequence(profile, flag),
            to_do: flag.to_do.clone(),
            lies_in: flag.lies_in,
            clears: flag.clears,
            brings: flag.brings.clone(),
        }
    }

    fn lamp_code(code: &model::LampCode) -> Self {
        Self::LampCode {
            id: code.id.clone(),
            lamps: code.lamps.clone(),
            meaning: code.meaning.clone(),
            flags: code.flags.clone(),
            any_alarm: code.any_alarm,
            states: code.states.clone(),
        }
    }
}
