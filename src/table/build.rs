//! From series to a map: points, groups, spans, flags, and what nobody said.

use std::collections::{BTreeMap, BTreeSet};

use packside_profiles::model::{
    Base, Count, Decimal, Evidence, Flag, Footing, Group, Key, Kind, Made, NamedValue, Point,
    Profile, Recognise, Repeat, Rival, Scalar, Span, Standing, Table, Unread, Witness,
};
use packside_profiles::{Blank, Class, Clears, Foreign, Role, begun};

use super::constant::constant;
use super::flagged;
use super::fold::{Found, Places, Series};
use super::meaning::Meaning;
use super::numbering::Counting;
use super::reading::Reading;
use super::rows::{LeftOut, NotRead};

/// Most points of a draft: what the loader takes, with room for what is added by hand.
const MOST_POINTS: usize = 1_500;

/// A map in the making.
pub(super) struct Build {
    points: Vec<Point>,
    groups: Vec<Group>,
    flags: Vec<Flag>,
    recognise: Vec<Recognise>,
    /// Registers of points, with the halves that are taken.
    taken: BTreeMap<(Table, u16), u8>,
    ids: BTreeSet<String>,
    is_order_open: bool,
    cells_in_block: Option<u16>,
    pub(super) left_out: Vec<LeftOut>,
}

impl Build {
    /// Puts every series into a map.
    pub(super) fn of(series: Vec<Series<'_>>, left_out: Vec<LeftOut>) -> Self {
        let mut build = Self {
            points: Vec::new(),
            groups: Vec::new(),
            flags: Vec::new(),
            recognise: Vec::new(),
            taken: BTreeMap::new(),
            ids: BTreeSet::new(),
            is_order_open: false,
            cells_in_block: None,
            left_out,
        };
        for one in &series {
            build.series(one);
        }
        build
    }

    fn series(&mut self, series: &Series<'_>) {
        let Some(first) = series.items.first() else {
            return;
        };
        let width = u16::try_from(first.reading.width).unwrap_or(1);
        // Where none is left, some stand beyond the last register.
        let registers = series.places.all().unwrap_or_default();
        let all: Vec<(Table, u16)> = registers
            .iter()
            .flat_map(|register| (0..width).map(|nth| (first.table, register.saturating_add(nth))))
            .collect();
        let halves = match first.reading.kind {
            Kind::U8High | Kind::I8High => 2,
            Kind::U8Low | Kind::I8Low => 1,
            _ => 3,
        };
        let why = if self.points.len() >= MOST_POINTS {
            Some(NotRead::TooMany)
        } else if all.iter().any(|place| {
            self.taken
                .get(place)
                .is_some_and(|taken| taken & halves > 0)
        }) {
            Some(NotRead::SharesRegister)
        } else if registers
            .iter()
            .max()
            .is_none_or(|last| last.checked_add(width - 1).is_none())
        {
            Some(NotRead::OutsideNumbering)
        } else {
            None
        };
        if let Some(why) = why {
            let rows = series.items.iter().map(|found| LeftOut {
                line: found.item.line,
                text: found.item.text.clone(),
                why,
            });
            self.left_out.extend(rows);
            return;
        }
        for place in all {
            *self.taken.entry(place).or_default() |= halves;
        }
        self.point(series);
    }

    fn point(&mut self, series: &Series<'_>) {
        let Some(first) = series.items.first() else {
            return;
        };
        let reading = &first.reading;
        let mut open = reading.open.clone();
        let mut rivals = reading.rivals.clone();
        let mut role = role_of(first, &mut open, &mut rivals);
        let mark = mark(series, role, &open);
        if mark.is_some() {
            role = Role::MapMark;
        }
        let id = self.id(role, &first.item.name, first.register);
        if let Some(number) = mark {
            self.recognise.push(Recognise {
                point: id.clone(),
                equals: Scalar::Number(number.into()),
            });
        }
        if first.is_table_open {
            open.insert(Key::Table);
        }
        let is_wide = reading.width > 1 && reading.kind != Kind::String;
        if is_wide && reading.order.is_none() {
            self.is_order_open = true;
        }
        let values = if role == Role::State {
            self.values(series, &mut open)
        } else {
            Vec::new()
        };
        self.flags(series, role, &id);
        let (group, address, repeat) = self.place(series, role);
        self.points.push(Point {
            id,
            name: first.item.name.as_str().into(),
            role,
            table: if group.is_none() {
                Some(first.table)
            } else {
                None
            },
            group,
            base: Base::Absolute,
            address,
            kind: reading.kind,
            order: reading.order.unwrap_or_default(),
            registers: (reading.kind == Kind::String)
                .then(|| u16::try_from(reading.width).unwrap_or(1)),
            bits: None,
            scale: reading.scale,
            offset: reading.offset,
            scale_point: None,
            unit: reading.unit.as_str().into(),
            not_available: Vec::new(),
            absent_if_top_bit: false,
            rail: Vec::new(),
            valid_when: None,
            positive: reading.positive,
            limits: packside_profiles::model::Limits::default(),
            repeat,
            required: false,
            values,
            hides_others: false,
            rotates: false,
            judged_by: None,
            draft: Some(standing(series, open, rivals)),
        });
    }

    /// Group, address and repetition of a series.
    fn place(&mut self, series: &Series<'_>, role: Role) -> (Option<String>, u16, Option<Repeat>) {
        let name = match role {
            Role::CellTemperature => "sensor",
            Role::ModuleVoltage | Role::ModuleSoc | Role::ModuleSerial | Role::ModuleFirmware => {
                "module"
            }
            _ => "cell",
        };
        let repeat = |count: u16, stride: u16| {
            (count > 1).then(|| Repeat {
                count: Count::Fixed(count),
                stride,
                name: name.into(),
            })
        };
        match &series.places {
            Places::Even {
                first,
                count,
                stride,
            } => {
                if role == Role::CellVoltage {
                    self.cells_in_block = self.cells_in_block.or(Some(*count));
                }
                (None, *first, repeat(*count, *stride))
            }
            Places::Blocks {
                starts,
                count,
                stride,
            } => {
                if role == Role::CellVoltage && *count > 1 {
                    self.cells_in_block = Some(*count);
                }
                let table = series
                    .items
                    .first()
                    .map_or(Table::Holding, |found| found.table);
                (Some(self.group(table, starts)), 0, repeat(*count, *stride))
            }
        }
    }

    /// A group whose instances begin here. What begins elsewhere has one of its own: nothing then reaches from
    /// one instance into the next.
    fn group(&mut self, table: Table, starts: &[u16]) -> String {
        if let Some(group) = self
            .groups
            .iter()
            .find(|group| group.table == table && group.starts == starts)
        {
            return group.id.clone();
        }
        let id = match self.groups.len() {
            0 => "module".to_owned(),
            n => format!("module_{}", n + 1),
        };
        let count = u16::try_from(starts.len()).unwrap_or(u16::MAX);
        self.groups.push(Group {
            id: id.clone(),
            table,
            base: Base::Absolute,
            address: 0,
            count: Count::Fixed(count),
            at_most: count,
            stride: 0,
            starts: starts.to_vec(),
            numbers: Vec::new(),
        });
        id
    }

    /// A name that no other point has.
    fn id(&mut self, role: Role, name: &str, register: u16) -> String {
        let slug: String = super::text::parts(name)
            .iter()
            .filter_map(|part| match part {
                super::text::Part::Word(word) if word.is_ascii() => Some(word.clone()),
                _ => None,
            })
            .collect::<Vec<_>>()
            .join("_");
        let wanted = match role {
            Role::Other if slug.len() > 2 => slug.chars().take(48).collect(),
            Role::Other => format!("register_{register}"),
            role => role.id().to_owned(),
        };
        self.unique(wanted)
    }

    fn unique(&mut self, wanted: String) -> String {
        let mut id = wanted.clone();
        let mut nth = 2;
        while !self.ids.insert(id.clone()) {
            id = format!("{wanted}_{nth}");
            nth += 1;
        }
        id
    }

    /// The values of the state, with what each means.
    fn values(&self, series: &Series<'_>, open: &mut BTreeSet<Key>) -> Vec<NamedValue> {
        let mut values: Vec<NamedValue> = Vec::new();
        for name in series.items.iter().flat_map(|found| &found.item.names) {
            if name.is_bit
                || values
                    .iter()
                    .any(|value| value.is == u64::from(name.number))
            {
                continue;
            }
            let state = flagged::state(&name.text);
            if state.is_none() && !flagged::is_reserved(&name.text) {
                open.insert(Key::Value);
            }
            if !flagged::is_reserved(&name.text) {
                values.push(NamedValue {
                    is: u64::from(name.number),
                    name: name.text.as_str().into(),
                    state,
                });
            }
        }
        if values.is_empty() {
            open.insert(Key::Value);
        }
        values
    }

    /// Flags for the bits of words and the values of codes.
    fn flags(&mut self, series: &Series<'_>, role: Role, point: &str) {
        let Some(first) = series.items.first() else {
            return;
        };
        let is_word = matches!(first.reading.kind, Kind::Bits16 | Kind::Bits32);
        let is_code = role == Role::FaultCode;
        let of_alarms = matches!(
            role,
            Role::AlarmWord | Role::WarningWord | Role::LatchedWord | Role::FaultCode
        );
        if !of_alarms || series.items.len() > 1 || !(is_word || is_code) {
            return;
        }
        let bits = u32::from(16 * u16::try_from(first.reading.width).unwrap_or(1));
        let mut taken = BTreeSet::new();
        for name in &first.item.names {
            let fits = name.is_bit == is_word && (!is_word || name.number < bits);
            let is_nothing = flagged::is_reserved(&name.text) || (is_code && name.number == 0);
            if !fits || is_nothing || !taken.insert(name.number) {
                continue;
            }
            let classed = flagged::class(&name.text);
            let in_alarms = matches!(role, Role::AlarmWord | Role::LatchedWord | Role::FaultCode);
            let id = self.unique(classed.class.id().to_owned());
            let doubts = [
                (Key::Class, !classed.is_sure),
                (Key::Bit, is_word && first.item.is_bit_open),
            ];
            let open: Vec<Key> = doubts
                .into_iter()
                .filter(|(_, is)| *is)
                .map(|(key, _)| key)
                .collect();
            self.flags.push(Flag {
                id,
                point: point.to_owned(),
                bit: is_word.then(|| u8::try_from(name.number).unwrap_or_default()),
                values: if is_word {
                    Vec::new()
                } else {
                    vec![u64::from(name.number)]
                },
                active: u8::from(!name.is_low),
                class: classed.class,
                severity: flagged::severity(classed.class, in_alarms),
                meaning: name.text.as_str().into(),
                to_do: Foreign::default(),
                lies_in: flagged::lies_in(classed.class),
                clears: Clears::BySelf,
                brings: Vec::new(),
                rank: None,
                draft: Some(Standing {
                    grade: if open.is_empty() {
                        Footing::AsDocumentSays
                    } else {
                        Footing::Open
                    },
                    open,
                    evidence: vec![document(first.item.line, &name.text)],
                    rivals: Vec::new(),
                }),
            });
        }
    }

    /// The keys that nobody said, and the flag of the inverter if there is one.
    fn not_said(&self, counting: &Counting, is_table_open: bool) -> (Vec<String>, Option<String>) {
        let mut open: Vec<String> = Vec::new();
        for (is_open, key) in [
            (counting.is_open, "addresses"),
            (is_table_open, "table"),
            (self.is_order_open, "order"),
        ] {
            if is_open {
                open.push(key.to_owned());
            }
        }
        let silent: Vec<&Flag> = self
            .flags
            .iter()
            .filter(|flag| flag.class == Class::InverterSilent)
            .collect();
        let flag = silent
            .first()
            .map(|flag| flag.id.clone())
            .filter(|_| silent.len() == 1);
        let is_said = |key: &str| match key {
            "inverter.flag" => flag.is_some(),
            "unit.cells_per_module" => self.cells_in_block.is_some(),
            _ => false,
        };
        let blanks = Blank::of_drafts().map(|blank| blank.key);
        open.extend(blanks.filter(|key| !is_said(key)).map(str::to_owned));
        (open, flag)
    }

    /// The map of all that was put in.
    pub(super) fn finish(
        mut self,
        source: &str,
        id: &str,
        date: &str,
        counting: &Counting,
        is_table_open: bool,
    ) -> (Profile, Vec<LeftOut>) {
        let (open, flag) = self.not_said(counting, is_table_open);
        stand_in_modules(&mut self.groups, &mut self.points);
        let spans = spans(&self.taken);
        let tables: BTreeSet<Table> = spans.iter().map(|span| span.table).collect();
        let functions = [Table::Coil, Table::Discrete, Table::Holding, Table::Input];
        let functions = (1_u8..)
            .zip(functions)
            .filter(|(_, table)| tables.contains(table))
            .map(|(code, _)| code);
        let mut left_out = self.left_out;
        left_out.sort_by_key(|row| row.line);
        let unread = left_out.iter().filter(|row| row.why != NotRead::Reserved);
        let unread = unread.map(|row| Unread {
            line: row.line,
            text: row.text.as_str().into(),
            why: row.why.words().into(),
        });
        let mut profile = begun(Made::FromTable, source, id, date);
        if let Some(draft) = &mut profile.draft {
            draft.open = open;
            draft.unread = unread.collect();
        }
        profile.addresses = counting.numbering;
        profile.answering.functions = functions.collect();
        profile.inverter.flag = flag;
        if let Some(cells) = self.cells_in_block {
            profile.unit.cells_per_module = cells;
        }
        profile.recognise = self.recognise;
        profile.spans = spans;
        profile.groups = self.groups;
        profile.points = self.points;
        profile.flags = self.flags;
        (profile, left_out)
    }
}

/// The role of a point; what its words leave open goes into its rivals.
fn role_of(first: &Found<'_>, open: &mut BTreeSet<Key>, rivals: &mut Vec<Rival>) -> Role {
    let role = match &first.meaning {
        Meaning::Sure(role) => *role,
        Meaning::Perhaps(roles) => {
            open.insert(Key::Role);
            rivals.extend(roles.iter().map(|role| Rival {
                role: Some(*role),
                why: "its words may mean this".into(),
                ..Rival::default()
            }));
            Role::Other
        }
        Meaning::Other | Meaning::Reserved => Role::Other,
    };
    if role == Role::Other && !open.contains(&Key::Role) {
        // What is never judged needs no certainty.
        open.clear();
        rivals.clear();
    }
    role
}

/// Puts what each module has into one group: groups and repetitions that begin behind the same starts, each by as
/// much, and before the next module begins.
fn stand_in_modules(groups: &mut Vec<Group>, points: &mut [Point]) {
    let all = std::mem::take(groups);
    for group in all {
        let id = group.id.clone();
        let reach = points
            .iter()
            .filter(|point| point.group.as_ref() == Some(&id))
            .map(|point| point.address.saturating_add(length(point)))
            .max();
        let host = groups.iter().find_map(|host| {
            let behind = is_behind(host, group.table, &group.starts, reach.unwrap_or_default())?;
            Some((host.id.clone(), behind))
        });
        let Some((host, behind)) = host else {
            groups.push(group);
            continue;
        };
        for point in points
            .iter_mut()
            .filter(|point| point.group.as_ref() == Some(&id))
        {
            point.group = Some(host.clone());
            point.address = point.address.saturating_add(behind);
        }
    }
    for point in points
        .iter_mut()
        .filter(|point| point.role.is_of_a_module())
    {
        let Some(Repeat {
            count: Count::Fixed(count),
            stride,
            ..
        }) = point.repeat
        else {
            continue;
        };
        let starts: Option<Vec<u16>> = (0..count)
            .map(|nth| point.address.checked_add(nth.checked_mul(stride)?))
            .collect();
        let (Some(starts), Some(table)) = (starts, point.table) else {
            continue;
        };
        let host = groups.iter().find_map(|host| {
            Some((
                host.id.clone(),
                is_behind(host, table, &starts, point.width())?,
            ))
        });
        if let Some((host, behind)) = host {
            point.group = Some(host);
            (point.table, point.repeat, point.address) = (None, None, behind);
        }
    }
}

/// By how many registers all of these begin behind those of a group, and still end before its next instance.
fn is_behind(host: &Group, table: Table, starts: &[u16], reach: u16) -> Option<u16> {
    let (own, other) = (host.starts.first()?, starts.first()?);
    let behind = other.checked_sub(*own)?;
    let mut pairs = host.starts.iter().zip(starts);
    let is_alike = host.table == table
        && host.starts.len() == starts.len()
        && pairs.all(|(own, other)| own.checked_add(behind) == Some(*other));
    let end = behind.checked_add(reach)?;
    let mut next = host.starts.windows(2);
    let ends = next.all(
        |pair| matches!(pair, [one, next] if next.checked_sub(*one).is_some_and(|gap| end <= gap)),
    );
    (is_alike && ends).then_some(behind)
}

/// Registers from the first of a point to its last.
fn length(point: &Point) -> u16 {
    let more = match &point.repeat {
        Some(Repeat {
            count: Count::Fixed(count),
            stride,
            ..
        }) => count.saturating_sub(1).saturating_mul(*stride),
        _ => 0,
    };
    more.saturating_add(point.width())
}

/// What the list says that a register always holds, where it is a plain number of which it says nothing else.
fn mark(series: &Series<'_>, role: Role, open: &BTreeSet<Key>) -> Option<u32> {
    let [only] = series.items.as_slice() else {
        return None;
    };
    let Reading {
        kind,
        scale,
        offset,
        count,
        ..
    } = &only.reading;
    let is_plain = matches!(kind, Kind::U16 | Kind::I16 | Kind::U32)
        && *scale == Decimal::default()
        && offset.numerator == 0
        && *count == 1;
    let number = constant(&only.item.text)?;
    let fits = *kind == Kind::U32 || number <= u32::from(u16::MAX >> u16::from(*kind == Kind::I16));
    (role == Role::Other && open.is_empty() && is_plain && fits).then_some(number)
}

/// How far a series is known, and the rows that say it.
fn standing(series: &Series<'_>, open: BTreeSet<Key>, rivals: Vec<Rival>) -> Standing {
    /// Rows that are quoted of a long series.
    const QUOTED: usize = 2;
    let rows = series.items.iter();
    let mut evidence: Vec<Evidence> = rows
        .take(QUOTED)
        .map(|found| document(found.item.line, &found.item.text))
        .collect();
    if let Some(last) = series.items.get(QUOTED..).and_then(<[_]>::last) {
        evidence.push(document(last.item.line, &last.item.text));
    }
    // A role that is not known has no rivals that are all.
    let enumerable = |key: &Key| matches!(key, Key::Type | Key::Offset);
    let grade = match open.is_empty() {
        true => Footing::AsDocumentSays,
        false if open.iter().all(enumerable) && !rivals.is_empty() => Footing::Narrowed,
        false => Footing::Open,
    };
    Standing {
        grade,
        open: open.into_iter().collect(),
        evidence,
        rivals,
    }
}

fn document(line: u32, text: &str) -> Evidence {
    Evidence {
        by: Witness::Document,
        line: Some(line),
        held: None,
        of: None,
        words: Vec::new(),
        text: text.into(),
    }
}

/// Runs of registers that are in points.
fn spans(taken: &BTreeMap<(Table, u16), u8>) -> Vec<Span> {
    let mut spans: Vec<Span> = Vec::new();
    for (table, register) in taken.keys() {
        match spans.last_mut() {
            Some(last) if last.table == *table && last.to.checked_add(1) == Some(*register) => {
                last.to = *register
            }
            _ => spans.push(Span {
                table: *table,
                base: Base::Absolute,
                from: *register,
                to: *register,
            }),
        }
    }
    spans
}

impl NotRead {
    /// Why, in words.
    pub fn words(self) -> &'static str {
        match self {
            Self::NoNumber => "has no register number",
            Self::NotANumber => "its register number is none",
            Self::NoName => "is not named",
            Self::Reserved => "says that it is reserved",
            Self::SharesRegister => "its registers are already those of another row",
            Self::OutsideNumbering => "no register has this number",
            Self::TooMany => "the draft is full",
            Self::LengthAndType => "its length does not fit its type",
        }
    }

    /// What to do.
    pub fn to_do(self) -> &'static str {
        match self {
            Self::NoNumber => "write the number into the row, or join it with the row above",
            Self::NotANumber => "write it as 107, 0x006B or 40108",
            Self::NoName => "write what the register holds into its row",
            Self::Reserved => "nothing",
            Self::SharesRegister => "correct the number or the length of one of the two",
            Self::OutsideNumbering => "compare the number with the document",
            Self::TooMany => "leave out what is never read",
            Self::LengthAndType => "correct its length or its type",
        }
    }
}
