//! The rows of a register list as items: what the document says of one register or one run of them.
//!
//! Walks from the top, so that headings, notes and merged cells mean what they mean to a reader.

use packside_profiles::model::{Decimal, Positive, Table, WordOrder};

use super::between;
use super::bits;
use super::columns::{self, Columns, Holds, function, is_data, repeats};
use super::item::{Half, Item, StepFrom};
use super::merged;
use super::named::{self, Named};
use super::number::{Written, written};
use super::remark;
use super::row::Row;
use super::scale::{self, Step, Unit};
use super::supposed::About;
use super::text::{Part, parts, plain};
use super::words::{Notion, Understood, understood};
use super::{kind, meaning, repeat, shared};

/// Why a row is in no point.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NotRead {
    /// No register number, and other cells filled.
    NoNumber,
    /// A number that is no register.
    NotANumber,
    /// Not named.
    NoName,
    /// Says that it is reserved.
    Reserved,
    /// Its registers are already those of another row.
    SharesRegister,
    /// No numbering of the document makes a register of its number.
    OutsideNumbering,
    /// More points than a map can hold.
    TooMany,
    /// Its length does not fit its type.
    LengthAndType,
}

/// A row that is in no point.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct LeftOut {
    pub(super) line: u32,
    pub(super) text: String,
    pub(super) why: NotRead,
}

/// What holds for the whole document.
#[derive(Debug, Clone, Default)]
pub(super) struct Notes {
    /// Counts from 0 or from 1, with its line.
    pub(super) from: Option<(u32, u32)>,
    pub(super) order: Option<WordOrder>,
    pub(super) positive: Option<Positive>,
    /// Where the others of a kind stand of which one is listed.
    pub(super) formulas: Vec<repeat::Formula>,
}

/// Everything that was read.
#[derive(Debug, Default)]
pub(super) struct Read {
    pub(super) items: Vec<Item>,
    pub(super) left_out: Vec<LeftOut>,
    pub(super) notes: Notes,
}

/// What goes from row to row.
struct Walk<'t> {
    columns: &'t Columns,
    table: Option<Table>,
    last: [Option<String>; 3],
    section: String,
    /// Line of a row that stands for those between the last and the next.
    left_out: Option<u32>,
    /// The document tells what may be written from what may only be read.
    tells_access: bool,
    /// A row without a name stood behind the last that was read.
    is_broken: bool,
    read: Read,
}

/// Columns in which a blank means "the same as above".
const MERGED: [Holds; 3] = [Holds::Type, Holds::Function, Holds::Section];

/// Reads every row.
pub(super) fn read(rows: &[Row], columns: &Columns) -> Read {
    let mut walk = Walk {
        columns,
        table: None,
        last: [None, None, None],
        section: String::new(),
        left_out: None,
        tells_access: rows.iter().any(|row| {
            let mut cells = columns.of(row, Holds::Access);
            cells.any(columns::is_only_read)
        }),
        is_broken: false,
        read: Read::default(),
    };
    let rows = &go_on(rows, columns);
    let header = columns.header.and_then(|at| rows.get(at));
    for (place, row) in rows.iter().enumerate() {
        let is_head =
            columns.header == Some(place) || header.is_some_and(|header| repeats(row, header));
        if row.is_blank() || is_head {
            continue;
        }
        walk.row(row, columns.header.is_some_and(|header| place < header));
    }
    let mut read = walk.read;
    read.items = repeat::expand(read.items, &read.notes.formulas);
    bits::settle(&mut read.items);
    if columns.has(Holds::Count) {
        shared::lengths(
            &mut read.items,
            columns.says(Holds::Count, &["byte", "字节"]),
        );
    }
    let halves = shared::without_half(&mut read.items).into_iter();
    read.left_out.extend(halves.map(|item| LeftOut {
        line: item.line,
        text: item.text,
        why: NotRead::SharesRegister,
    }));
    read
}

/// The rows, with what goes on in the column of remarks below a row put into that row.
fn go_on(rows: &[Row], columns: &Columns) -> Vec<Row> {
    let holds = |place: usize| columns.list.get(place).map(|column| column.holds);
    let mut joined: Vec<Row> = Vec::with_capacity(rows.len());
    let mut above: Option<usize> = None;
    for (at, row) in rows.iter().enumerate() {
        let filled = || (0..row.cells.len()).filter(|place| !row.cell(*place).is_empty());
        let is_more = filled().count() == 1
            && filled().all(|place| place > 0 && holds(place) == Some(Holds::Remark));
        if let (true, Some(place), Some(above)) = (
            is_more,
            filled().next(),
            above.and_then(|at| joined.get_mut(at)),
        ) {
            if above.cells.len() <= place {
                above.cells.resize(place + 1, String::new());
            }
            if let Some(cell) = above.cells.get_mut(place) {
                *cell = format!("{cell}\n{}", row.cell(place)).trim().to_owned();
            }
            joined.push(Row {
                line: row.line,
                cells: Vec::new(),
            });
            continue;
        }
        let has_number = columns.of(row, Holds::Address).next().is_some();
        let is_below = columns.header.is_none_or(|header| at > header);
        above = (has_number && is_below).then_some(at);
        joined.push(row.clone());
    }
    joined
}

/// Names of values and bits in a remark; where nothing was taken for remarks, they stand in the name.
fn named_in(remark: &str, name: &str) -> Vec<Named> {
    let names = named::names(remark);
    if !names.is_empty() {
        return names;
    }
    // One alone is a number of the name: `第16节电池电压` is no bit 16.
    let names = named::names(name);
    if names.len() > 1 { names } else { Vec::new() }
}

impl Walk<'_> {
    fn cell(&self, row: &Row, holds: Holds) -> String {
        self.columns.of(row, holds).next().unwrap_or("").to_owned()
    }

    fn row(&mut self, row: &Row, is_above: bool) {
        let cell = self.cell(row, Holds::Address);
        let at = written(&cell, self.columns.bare_hex);
        let name = self
            .columns
            .of(row, Holds::Name)
            .collect::<Vec<_>>()
            .join(" ");
        if !is_above && between::stands_for_more(row) {
            self.left_out = Some(row.line);
            return;
        }
        let Some(at) = at.filter(|_| !is_above) else {
            return self.without_number(row, &cell, &name, is_above);
        };
        for (slot, holds) in MERGED.iter().enumerate() {
            let filled = self.columns.of(row, *holds).next().map(str::to_owned);
            if let (Some(filled), Some(last)) = (filled, self.last.get_mut(slot)) {
                *last = Some(filled);
            }
        }
        if let Some(bit) = self.bit_of(row, at) {
            if self.is_in_last_word(at) {
                return self.add_bit(bit, &name, row);
            }
            if !name.is_empty() {
                return self.begin_word(bit, &name, row, at);
            }
        }
        let left_out = self.left_out.take();
        let above = self.read.items.last();
        let counted = above
            .filter(|_| name.is_empty() && !self.is_broken)
            .and_then(|above| merged::next(above, at, left_out.is_some()));
        if name.is_empty() && counted.is_none() {
            self.is_broken = true;
            return self.leave_out(row, NotRead::NoName);
        }
        let named = above.map_or(name.clone(), |above| above.name.clone());
        let named = if counted.is_some() { named } else { name };
        let Some(mut item) = self.item(row, at, &named) else {
            return;
        };
        let name_is_merged = counted.is_some();
        if let Some(words) = counted {
            item.words = words;
        }
        let has_type = !self.cell(row, Holds::Type).is_empty();
        merged::inherit(&mut item, &self.read.items, has_type, name_is_merged);
        let between = left_out.and_then(|line| between::of(&self.read.items, &item, line));
        self.read.items.extend(between.into_iter().flatten());
        self.read.items.push(item);
        self.is_broken = false;
    }

    /// A row without a register: a heading, a note, or more of the row above.
    fn without_number(&mut self, row: &Row, cell: &str, name: &str, is_above: bool) {
        let text = row
            .cells
            .iter()
            .filter(|cell| !cell.is_empty())
            .cloned()
            .collect::<Vec<_>>()
            .join(" ");
        let filled = row.cells.iter().filter(|cell| !cell.is_empty()).count();
        if is_above || filled == 1 || !is_data(row) {
            let goes_on = !is_above && filled == 1 && self.goes_on(row);
            if !goes_on {
                self.note(row.line, &text);
            }
            return;
        }
        let remark = self.remark(row);
        let names = named::names(&remark);
        let bit = self
            .columns
            .of(row, Holds::Bit)
            .next()
            .and_then(|cell| cell.parse::<u8>().ok());
        match (cell.is_empty(), bit) {
            (true, Some(bit)) if !self.read.items.is_empty() => self.add_bit(bit, name, row),
            (true, None) if !names.is_empty() && name.is_empty() => {
                if let Some(last) = self.read.items.last_mut() {
                    last.names.extend(names);
                }
            }
            (true, _) => self.leave_out(row, NotRead::NoNumber),
            (false, _) => self.leave_out(row, NotRead::NotANumber),
        }
    }

    /// Whether the one filled cell of a row goes on with the remark of the row above.
    fn goes_on(&mut self, row: &Row) -> bool {
        let remark = self.remark(row);
        let names = named::names(&format!("0=;{remark}"));
        let Some(last) = self
            .read
            .items
            .last_mut()
            .filter(|item| !item.names.is_empty())
        else {
            return false;
        };
        let fits = !names.is_empty()
            && names
                .iter()
                .all(|name| last.names.iter().any(|l| l.is_bit == name.is_bit));
        if fits {
            last.names.extend(names);
        }
        fits
    }

    /// A sentence or heading: what it says of all that follows, or of the whole document.
    fn note(&mut self, line: u32, text: &str) {
        // The number of a page is none of a function.
        let named = code(text).or_else(|| function(text));
        if let Some(table) = named.filter(|_| text.contains(char::is_alphabetic)) {
            self.table = Some(table);
        }
        self.read.notes.formulas.extend(repeat::formula(text));
        if let Some(order) = remark::order(text) {
            self.read.notes.order = Some(order);
        }
        if let Some(from) = counts_from(text) {
            self.read.notes.from = Some((from, line));
        }
        let words = understood(text);
        if words.any(&[Notion::Amp, Notion::Present, Notion::Power])
            && let Some(positive) = remark::positive(text)
        {
            self.read.notes.positive = Some(positive);
        }
        self.section = if words.has(Notion::Module)
            && !words.numbers.is_empty()
            && text.chars().count() < 40
        {
            text.to_owned()
        } else {
            String::new()
        };
    }

    fn leave_out(&mut self, row: &Row, why: NotRead) {
        self.read.left_out.push(LeftOut {
            line: row.line,
            text: row.text(),
            why,
        });
    }

    fn bit_of(&self, row: &Row, at: Written) -> Option<u8> {
        let kind = plain(&self.cell(row, Holds::Type));
        let is_bool = matches!(kind.trim(), "bool" | "boolean" | "bit" | "1bit" | "1 bit");
        // A spreadsheet writes whole numbers with `.0`.
        let is_bit =
            |bit: &u8| is_bool || *bit > 0 || !self.cell(row, Holds::Address).ends_with(".0");
        let in_column = || {
            let cell = self.columns.of(row, Holds::Bit).next()?;
            let named = || named::bit(cell).and_then(|bit| u8::try_from(bit).ok());
            cell.parse().ok().or_else(named)
        };
        at.bit.filter(is_bit).or_else(in_column)
    }

    /// A word of which the list has rows for its bits and none for itself.
    fn begin_word(&mut self, bit: u8, name: &str, row: &Row, at: Written) {
        let cell = self.cell(row, Holds::Address);
        let number = cell.split('.').next().unwrap_or_default().to_owned();
        let Some(mut item) = self.item(row, at, &number) else {
            return;
        };
        item.words = understood("");
        item.names = Vec::new();
        item.said = kind::Said {
            sort: Some(kind::Sort::Bits),
            ..kind::Said::default()
        };
        self.read.items.push(item);
        self.add_bit(bit, name, row);
    }

    fn is_in_last_word(&self, at: Written) -> bool {
        self.read
            .items
            .last()
            .is_some_and(|item| item.at.first == at.first)
    }

    fn add_bit(&mut self, bit: u8, name: &str, row: &Row) {
        let text = if name.is_empty() {
            self.remark(row)
        } else {
            name.to_owned()
        };
        let is_low = named::names(&format!("Bit{bit}: {text}; {}", self.remark(row)))
            .first()
            .is_some_and(|name| name.is_low);
        if let Some(last) = self.read.items.last_mut() {
            last.names.push(Named {
                number: u32::from(bit),
                is_bit: true,
                text,
                is_low,
            });
        }
    }

    /// What a column of remarks under a heading of names says besides, where it is no remark.
    fn more_of_name(&self, row: &Row) -> String {
        let columns = self.columns.list.iter().enumerate();
        let remarks = columns.filter(|(_, column)| {
            column.holds == Holds::Remark && columns::is_of_names(&column.header)
        });
        let cells = remarks.map(|(place, _)| row.cell(place));
        let cells: Vec<&str> = cells.filter(|cell| !remark::says(cell)).collect();
        cells.join(" ")
    }

    fn remark(&self, row: &Row) -> String {
        let columns = self.columns.list.iter().enumerate();
        let remarks = columns.filter(|(_, column)| column.holds == Holds::Remark);
        let filled = remarks.filter(|(place, _)| !row.cell(*place).is_empty());
        // A column may be one of a bit.
        let said = filled.map(|(place, column)| match named::bit(&column.header) {
            Some(bit) => format!("Bit {bit}: {}", row.cell(place)),
            None => row.cell(place).to_owned(),
        });
        said.collect::<Vec<_>>().join("\n")
    }

    /// The cell of this row, or the one above where it is merged with it.
    fn merged(&self, holds: Holds) -> String {
        let slot = MERGED.iter().position(|one| *one == holds);
        slot.and_then(|slot| self.last.get(slot))
            .cloned()
            .flatten()
            .unwrap_or_default()
    }

    /// What a name says, with the module of its section.
    fn words(&self, bare: &str) -> Understood {
        let section = if self.columns.has(Holds::Section) {
            self.merged(Holds::Section)
        } else {
            self.section.clone()
        };
        let own = understood(bare);
        if understood(&section).has(Notion::Module) && !own.has(Notion::Module) {
            understood(&format!("{section} {bare}"))
        } else {
            own
        }
    }

    fn item(&mut self, row: &Row, at: Written, name: &str) -> Option<Item> {
        let (bare, in_name) = without_unit(name);
        let more = self.more_of_name(row);
        let words = self.words(format!("{} {more}", without_direction(&bare)).trim());
        let remark = self.remark(row);
        if meaning::of(&words, About::default()) == meaning::Meaning::Reserved {
            self.leave_out(row, NotRead::Reserved);
            return None;
        }
        let own_type = self.cell(row, Holds::Type);
        let said = kind::said(&own_type)
            .or_else(|| kind::said(&self.merged(Holds::Type)))
            .unwrap_or_default();
        let is_bits = said.sort == Some(kind::Sort::Bits) || plain(&remark).contains("bit");
        let said = self.with_columns(row, said);
        let half = self.half(row, &own_type).filter(|_| said.bits == Some(8));
        let (step, unit, unit_text, is_step_left_out) = self.step(row, &remark, in_name);
        let length = self
            .columns
            .of(row, Holds::Count)
            .next()
            .and_then(|cell| written(cell, false))
            .map(|found| found.first);
        let last = at.last.or_else(|| {
            let cell = self.columns.of(row, Holds::Last).next()?;
            written(cell, self.columns.bare_hex).map(|found| found.first)
        });
        let spanned = last
            .and_then(|last| last.checked_sub(at.first))
            .map(|more| more.saturating_add(1));
        let offset = self
            .columns
            .of(row, Holds::Offset)
            .next()
            .and_then(scale::number)
            .map(|(number, _)| number);
        let table = function(&self.cell(row, Holds::Function))
            .or_else(|| function(&self.merged(Holds::Function)));
        Some(Item {
            line: row.line,
            text: row.text(),
            name: name.to_owned(),
            table: table.or(self.table),
            at,
            registers: spanned.or(length).filter(|n| *n > 0),
            said,
            step,
            unit,
            unit_text,
            offset: offset
                .filter(|number| number.numerator != 0)
                .or_else(|| remark::formula(&remark).and_then(|found| found.offset))
                .or_else(|| remark::offset(&remark)),
            order: remark::order(&remark)
                .or_else(|| remark::order(name))
                .or_else(|| remark::order(&own_type))
                .or_else(|| self.columns.under(row, ORDER).find_map(remark::order)),
            half,
            is_length_named: spanned.is_none() && length.is_some(),
            is_length_in_doubt: false,
            may_add: remark::may_add(&remark),
            positive: remark::positive(&remark)
                .or_else(|| bracketed(name).and_then(remark::positive)),
            names: bits::of_alarms(named_in(&remark, name), &words, is_bits),
            is_bit_open: false,
            range: self.columns.of(row, Holds::Range).find_map(scale::range),
            is_step_left_out,
            has_column_of_units: self.columns.has(Holds::Unit),
            is_set: self.tells_access && columns::is_written(&self.cell(row, Holds::Access)),
            words,
        })
    }

    /// A type with what stands under `Bits` and `Signed`.
    fn with_columns(&self, row: &Row, mut said: kind::Said) -> kind::Said {
        let bits = self.columns.under(row, BITS).find_map(|cell| {
            let bits = cell.trim_end_matches(|c: char| !c.is_ascii_digit()).parse();
            bits.ok().filter(|bits| matches!(bits, 8 | 16 | 32 | 64))
        });
        said.bits = said.bits.or(bits);
        let signed = self
            .columns
            .under(row, SIGNED)
            .find_map(|cell| match plain(cell).as_str() {
                "y" | "yes" | "j" | "ja" | "s" | "si" | "o" | "oui" | "signed" | "是" | "1"
                | "+/-" => Some(kind::Sort::Signed),
                "n" | "no" | "nein" | "non" | "nee" | "unsigned" | "否" | "0" | "+" => {
                    Some(kind::Sort::Unsigned)
                }
                _ => None,
            });
        said.sort = said.sort.or(signed);
        said
    }

    /// The half of its register that a row says it is: in its type, or in a cell of nothing else.
    fn half(&self, row: &Row, own_type: &str) -> Option<Half> {
        const HIGH: &[&str] = &[
            "hi",
            "high",
            "hi byte",
            "high byte",
            "msb",
            "upper byte",
            "高字节",
            "高8位",
            "high-byte",
            "oberes byte",
        ];
        const LOW: &[&str] = &[
            "lo",
            "low",
            "lo byte",
            "low byte",
            "lsb",
            "lower byte",
            "低字节",
            "低8位",
            "low-byte",
            "unteres byte",
        ];
        let own_type = plain(own_type);
        let is_long = |word: &&&str| word.chars().count() > 3;
        let in_type = |words: &[&str]| {
            words
                .iter()
                .filter(is_long)
                .any(|word| own_type.contains(word))
        };
        let in_cell = |words: &[&str]| {
            let mut cells = row.cells.iter().map(|cell| plain(cell));
            cells.any(|cell| words.contains(&cell.trim()))
        };
        match (in_type(HIGH) || in_cell(HIGH), in_type(LOW) || in_cell(LOW)) {
            (true, false) => Some(Half::High),
            (false, true) => Some(Half::Low),
            _ => None,
        }
    }

    /// Step and unit of a row, from wherever they stand.
    fn step(
        &self,
        row: &Row,
        remark: &str,
        in_name: Option<String>,
    ) -> (Option<(Step, StepFrom)>, Option<Unit>, String, bool) {
        let in_column = self.columns.of(row, Holds::Scale).next();
        let unit_cell = self
            .columns
            .of(row, Holds::Unit)
            .next()
            // What an encoding could not hold.
            .filter(|cell| !cell.chars().all(|c| c == '?'))
            .map(str::to_owned)
            .or(in_name)
            .unwrap_or_default();
        let mut step = in_column
            .and_then(scale::step)
            .map(|(step, unit)| ((step, StepFrom::Column), unit));
        let of_unit = scale::step(&unit_cell);
        let mut unit = scale::unit(&unit_cell).or(of_unit.and_then(|(_, unit)| unit));
        if step.is_none() {
            step = of_unit
                .filter(|(_, unit)| unit.is_some())
                .map(|(step, unit)| ((step, StepFrom::Unit), unit));
        }
        if step.is_none() {
            let found = remark::formula(remark);
            // `T = raw - 40` in a column of formulas: the step is 1.
            let one = Some(Step::Times(Decimal::default()));
            let formulas = ["formula", "formel", "formule", "公式"];
            let one = one.filter(|_| self.columns.says(Holds::Remark, &formulas));
            let found = found.and_then(|found| found.step.or(one));
            step = found.map(|step| ((step, StepFrom::Remark), None));
        }
        if step.is_none() {
            step = in_remark(remark).map(|(step, unit)| ((step, StepFrom::Remark), unit));
        }
        // `10 mV` in one column and `V` in another: the one at the number is meant.
        if let Some((_, Some(own))) = step {
            unit = Some(own);
        }
        let left_out = step.is_none() && self.columns.has(Holds::Scale);
        // And it is that unit which is shown.
        let shown = match step {
            Some(((_, StepFrom::Column), Some(_))) => in_column.unwrap_or_default(),
            _ => &unit_cell,
        };
        let text = shown
            .trim_start_matches(|c: char| c.is_ascii_digit() || matches!(c, '.' | ',' | ' '))
            .to_owned();
        (step.map(|(step, _)| step), unit, text, left_out)
    }
}

/// Headings of columns that say which word or byte comes first.
// Kind: from memory
const ORDER: &[&str] = &[
    "order",
    "word order",
    "byte order",
    "byte word order",
    "endianness",
    "wortfolge",
    "字节序",
    "字序",
];

/// Headings of columns with the bits of a value, and of those that say whether it has a sign.
// Kind: from memory
const BITS: &[&str] = &[
    "bits",
    "bit",
    "size bits",
    "bit width",
    "width bits",
    "bitbreite",
    "位数",
];
const SIGNED: &[&str] = &[
    "signed",
    "sign",
    "signed unsigned",
    "vorzeichen",
    "segno",
    "signe",
    "signo",
    "符号",
    "有符号",
];

/// The table of the function that a heading names: `1. Pack data (function code 04)`.
fn code(text: &str) -> Option<Table> {
    const WORDS: &[&str] = &["func", "funk", "fonc", "funz", "fc"];
    let parts = parts(text);
    let is_function = |part: &Part| match part {
        Part::Word(word) => {
            WORDS.iter().any(|known| word.starts_with(known)) || word.contains("功能码")
        }
        _ => false,
    };
    let at = parts.iter().position(is_function)?;
    let number = parts
        .iter()
        .skip(at + 1)
        .take(4)
        .find_map(|part| match part {
            Part::Number(number) => Some(*number),
            _ => None,
        });
    match number? {
        1 => Some(Table::Coil),
        2 => Some(Table::Discrete),
        3 => Some(Table::Holding),
        4 => Some(Table::Input),
        _ => None,
    }
}

/// The text in the last brackets.
fn bracketed(name: &str) -> Option<&str> {
    let from = name.rfind(['(', '[', '（'])?;
    let rest = name.get(from..)?;
    let inside = rest.trim_start_matches(['(', '[', '（']);
    inside.split([')', ']', '）']).next()
}

/// A name without the brackets that say which direction is positive: `Current (charge negative)` is no limit of charge.
fn without_direction(name: &str) -> &str {
    let says = bracketed(name).and_then(remark::positive).is_some();
    let before = says.then(|| name.rfind(['(', '[', '（'])).flatten();
    before.and_then(|at| name.get(..at)).unwrap_or(name)
}

/// A name without a unit in brackets or at its end, and that unit.
fn without_unit(name: &str) -> (String, Option<String>) {
    let inside = bracketed(name).map(str::trim);
    let is_unit = |text: &&str| {
        scale::unit(text).is_some() || scale::step(text).is_some_and(|(_, unit)| unit.is_some())
    };
    if let Some(unit) = inside.filter(is_unit) {
        let at = name.rfind(['(', '[', '（']).unwrap_or(name.len());
        let bare = name.get(..at).unwrap_or(name).trim();
        return (bare.to_owned(), Some(unit.to_owned()));
    }
    at_end(name).map_or_else(
        || (name.to_owned(), None),
        |(bare, unit)| (bare.to_owned(), Some(unit.to_owned())),
    )
}

/// A unit at the end of a name: `Current, A`, `Voltage in mV`, `cell_voltage_mV`.
fn at_end(name: &str) -> Option<(&str, &str)> {
    let name = name.trim();
    let (bare, unit) = name.rsplit_once([',', '，', ' ', '_', '/'])?;
    let bare = bare.trim_end();
    let sign = bare
        .chars()
        .next_back()
        .filter(|c| matches!(c, ',' | '，'))
        .or_else(|| name.get(bare.len()..)?.chars().next())?;
    scale::unit(unit)?;
    let (front, last) = bare.rsplit_once(' ').unwrap_or(("", bare));
    let is_in = matches!(last, "in" | "en" | "em" | "w") && !front.is_empty();
    // A single letter may be a word, a phase, the third of a list.
    let is_sure = unit.chars().count() > 1 && unit.chars().any(|c| c.is_uppercase() || c == '°');
    let is_set_apart = matches!(sign, ',' | '，' | '/') || is_in;
    (is_sure || is_set_apart).then(|| {
        let bare = if is_in { front } else { bare };
        (bare.trim_end_matches([',', '，', ' ', '_']), unit)
    })
}

/// Words that speak of a step.
// Kind: from memory
const SAYS: &[&str] = &[
    "scale",
    "scaling",
    "factor",
    "resolution",
    "lsb",
    "bit",
    "skalierung",
    "auflosung",
    "faktor",
    "fattore",
    "scala",
    "risoluzione",
    "facteur",
    "echelle",
    "escala",
    "resolucion",
    "系数",
    "比例",
    "分辨率",
    "倍率",
    "精度",
    "单位",
    "gain",
    "schaal",
    "unit",
    "einheit",
    "unita",
    "unite",
    "unidad",
    "分解能",
    "step",
    "raw",
    "multiplied",
    "multiplier",
    "divided",
    "divide by",
    "divisor",
    "teiler",
    "x",
    "单位",
    "係数",
];

/// A step in a remark: `0,1 V/bit`, `scale 0.1`, `x10`, `分辨率0.1`.
fn in_remark(remark: &str) -> Option<(Step, Option<Unit>)> {
    let pieces = remark
        .split([';', '|', '\n', '。', '；', '，', '、'])
        .flat_map(|piece| piece.split(", "));
    for piece in pieces
        .map(str::trim)
        .filter(|piece| !piece.is_empty() && piece.chars().count() < 60)
    {
        let small = plain(piece);
        if let Some(found) = scale::step(piece) {
            let is_bare = piece.chars().all(|c| c.is_ascii_digit());
            if !is_bare {
                return Some(found);
            }
        }
        let tail = piece
            .rsplit(['=', ':', '：'])
            .next()
            .unwrap_or(piece)
            .trim();
        let stripped = tail
            .trim_start_matches(|c: char| !c.is_ascii_digit() && !matches!(c, '/' | '×' | '*'))
            .trim();
        let says = SAYS.iter().any(|word| small.contains(word));
        let is_division = small.contains("divi") || small.contains("teil");
        if says && let Some((step, unit)) = scale::step(tail).or_else(|| scale::step(stripped)) {
            return Some(match step {
                Step::Either(n) if is_division => (Step::Over(n), unit),
                step => (step, unit),
            });
        }
    }
    None
}

/// Whether a sentence says that registers count from 0 or from 1.
fn counts_from(text: &str) -> Option<u32> {
    const BEFORE: &[&str] = &[
        "from", "at", "ab", "von", "bei", "mit", "da", "dal", "dallo", "desde", "partir", "vanaf",
        "bij", "en", "por", "con", "de", "with", "is", "從", "从", "自", "由", "par", "met", "a",
        "由于",
    ];
    const BEHIND: &[&str] = &["based", "basiert", "开始", "起", "から", "base"];
    let parts = parts(text);
    let joined = plain(text);
    let of_registers = [
        "regist",
        "adres",
        "addres",
        "indirizz",
        "direccion",
        "地址",
        "寄存器",
        "アドレス",
        "レジスタ",
        "number",
        "nummer",
    ];
    if !of_registers
        .iter()
        .any(|word| joined.contains(&plain(word)))
    {
        return None;
    }
    for (place, part) in parts.iter().enumerate() {
        let Part::Number(number @ (0 | 1)) = part else {
            continue;
        };
        let word = |place: Option<usize>| match place.and_then(|place| parts.get(place)) {
            Some(Part::Word(word)) => word.clone(),
            Some(Part::Sign('-')) => match place.and_then(|place| parts.get(place + 1)) {
                Some(Part::Word(word)) => word.clone(),
                _ => String::new(),
            },
            _ => String::new(),
        };
        let (before, behind) = (word(place.checked_sub(1)), word(Some(place + 1)));
        let ends = |words: &[&str], word: &str| {
            words
                .iter()
                .any(|w| word == *w || (!w.is_ascii() && word.ends_with(w)))
        };
        let starts = |words: &[&str], word: &str| {
            words
                .iter()
                .any(|w| word == *w || (!w.is_ascii() && word.starts_with(w)))
        };
        if ends(BEFORE, &before) || starts(BEHIND, &behind) {
            return Some(*number);
        }
    }
    joined.contains("zero based").then_some(0)
}

#[cfg(test)]
mod tests {
    use super::*;

    // Kind: invented
    #[test]
    fn sentences_say_where_registers_count_from() {
        for (text, from) in [
            ("Register addresses count from 0.", Some(0)),
            ("Registernummern zählen ab 1.", Some(1)),
            ("寄存器地址从0开始。", Some(0)),
            ("Les adresses de registres commencent à 1.", Some(1)),
            ("Gli indirizzi partono da 0", Some(0)),
            ("Addresses are 0-based", Some(0)),
            ("Page 1 of 2", None),
            ("32-bit values: high word first.", None),
        ] {
            assert_eq!(counts_from(text), from, "{text}");
        }
    }

    // Kind: invented
    #[test]
    fn steps_are_found_in_remarks() {
        for (text, found) in [
            ("0,1 V/bit", true),
            ("Scale: 0.01", true),
            ("分辨率0.1", true),
            ("x10", true),
            ("1 Bit = 0,1 A", true),
            ("Bit0: short", false),
            ("see 3.1", false),
        ] {
            assert_eq!(in_remark(text).is_some(), found, "{text}");
        }
    }

    // Kind: invented
    #[test]
    fn units_stand_at_the_end_of_names_as_well() {
        for (name, bare, unit) in [
            ("Pack voltage (V)", "Pack voltage", Some("V")),
            ("Gesamtstrom, A", "Gesamtstrom", Some("A")),
            ("Zellspannung in mV", "Zellspannung", Some("mV")),
            ("cell_voltage_mV", "cell_voltage", Some("mV")),
            ("总电压, V", "总电压", Some("V")),
            ("Voltage phase A", "Voltage phase A", None),
            ("Temperature sensor C", "Temperature sensor C", None),
            ("Time, last", "Time, last", None),
        ] {
            let found = without_unit(name);
            assert_eq!(
                (found.0.as_str(), found.1.as_deref()),
                (bare, unit),
                "{name}"
            );
        }
    }
}
