//! How the registers of an item make a value: type, width, step, offset, unit, and what of it is in doubt.

use std::collections::BTreeSet;

use packside_profiles::model::{Decimal, Key, Kind, Positive, Rival, WordOrder};
use packside_profiles::{Class, Role};

use super::flagged;
use super::item::{Half, Item, StepFrom};
use super::kind::Sort;
use super::meaning::{self, Meaning};
use super::rows::Notes;
use super::scale::{self, Measure, Step};
use super::supposed::About;
use super::words::Notion;

/// How a value is read, and what of it is in doubt.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Reading {
    pub(super) kind: Kind,
    /// Registers of one value.
    pub(super) width: u32,
    /// So many values, one behind the other.
    pub(super) count: u32,
    pub(super) order: Option<WordOrder>,
    pub(super) scale: Decimal,
    pub(super) offset: Decimal,
    pub(super) unit: String,
    pub(super) positive: Option<Positive>,
    pub(super) open: BTreeSet<Key>,
    pub(super) rivals: Vec<Rival>,
}

/// What the steps of a document mean.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Whole {
    /// A whole number divides: raw 480 with 10 is 48.0.
    Divides,
    /// It multiplies.
    Multiplies,
    /// Nothing decides it.
    Unknown,
}

/// How steps are to be understood in this document.
#[derive(Debug, Clone, Copy)]
pub(super) struct Habits {
    pub(super) whole: Whole,
    /// Some units carry a step (`0.1V`), so that one without is 1.
    pub(super) units_carry_steps: bool,
}

/// Decides for the whole document what a whole number of 2 and more means.
///
/// One volt, ampere, degree or per cent is finer than any maker's step of ten, so a 10 there divides. In a column
/// that has 0.1 too, a whole number is a step like the others. Millivolts and watts may come in tens.
pub(super) fn habits(items: &[Item]) -> Habits {
    let steps = || {
        items
            .iter()
            .filter_map(|item| Some((item.step?, item.unit)))
    };
    let is_fine = |unit: Option<scale::Unit>| {
        unit.is_some_and(|unit| {
            unit.decade == 0
                && matches!(
                    unit.measure,
                    Measure::Volt
                        | Measure::Amp
                        | Measure::Celsius
                        | Measure::Percent
                        | Measure::AmpHour
                )
        })
    };
    let coarse = steps()
        .any(|((step, _), unit)| matches!(step, Step::Either(n) if n >= 10) && is_fine(unit));
    // Beside `/10` a bare number multiplies.
    let divides = |(step, from)| matches!(step, Step::Over(_)) && from == StepFrom::Column;
    let has_over = steps().any(|(step, _)| divides(step));
    // 0.1 beside watts alone is tens of them, where 10 beside volts is tenths.
    let has_small = steps().any(|((step, from), unit)| {
        let is_small = matches!(step, Step::Times(number) if number.places > 0);
        is_small && from == StepFrom::Column && (!coarse || is_fine(unit) || is_milli(unit))
    });
    Habits {
        whole: match (has_small || has_over, coarse) {
            (true, _) => Whole::Multiplies,
            (false, true) => Whole::Divides,
            (false, false) => Whole::Unknown,
        },
        units_carry_steps: steps().any(|((_, from), _)| from == StepFrom::Unit),
    }
}

/// Whether a unit is a thousandth, as mV: a step below 1 there is a step.
fn is_milli(unit: Option<scale::Unit>) -> bool {
    unit.is_some_and(|unit| unit.decade < 0)
}

/// What the row says besides its words.
pub(super) fn about(item: &Item) -> About {
    let has_bits = item.names.iter().any(|name| name.is_bit) || item.said.sort == Some(Sort::Bits);
    About {
        measure: item.unit.map(|unit| unit.measure),
        is_large: item.unit.is_some_and(|unit| unit.decade >= 0),
        has_values: !has_bits
            && (!item.names.is_empty() || item.said.sort == Some(Sort::Enumeration)),
        has_bits,
        is_text: item.said.sort == Some(Sort::Text) || is_long_name(item),
        several: several(item),
        numbers: item.words.numbers.len(),
        says_trouble: item
            .names
            .iter()
            .any(|name| name.is_bit && flagged::class(&name.text).class != Class::OtherFault),
        is_set: item.is_set,
        is_without_unit: item.has_column_of_units && item.unit.is_none(),
    }
}

/// Whether a row without a type is that of a text: what names a device takes many registers.
fn is_long_name(item: &Item) -> bool {
    let last = item
        .at
        .last
        .and_then(|last| last.checked_sub(item.at.first));
    let registers = item.registers.or(last.map(|more| more.saturating_add(1)));
    item.said.sort.is_none()
        && item.said.bits.is_none()
        && item.unit.is_none()
        && item
            .step
            .is_none_or(|(step, _)| matches!(step, Step::Times(one) if one == Decimal::default()))
        && registers.is_some_and(|n| n > 4)
        && item
            .words
            .any(&[Notion::Model, Notion::Serial, Notion::Firmware])
}

/// How many of its kind the row speaks of: from a range, an array, or because it is numbered.
fn several(item: &Item) -> u32 {
    let counted = item
        .words
        .numbers
        .iter()
        .map(|n| n.count())
        .max()
        .unwrap_or(1);
    let numbered = u32::from(!item.words.numbers.is_empty());
    let array = item
        .said
        .count
        .filter(|_| item.said.sort != Some(Sort::Text))
        .unwrap_or(1);
    // `Cell 3 voltage` is one of several.
    counted.max(array).max(1 + numbered)
}

/// The reading of an item with this meaning; nothing where its length and its type do not go together.
pub(super) fn of(item: &Item, meaning: &Meaning, habits: Habits, notes: &Notes) -> Option<Reading> {
    let (kind, width, count, mut open, mut rivals) = shape(item, meaning)?;
    let role = match meaning {
        Meaning::Sure(role) => Some(*role),
        Meaning::Perhaps(roles) => roles.first().copied(),
        _ => None,
    };
    let is_number = !matches!(
        kind,
        Kind::String | Kind::Bits16 | Kind::Bits32 | Kind::Enum16 | Kind::Enum32
    );
    let one = Decimal::default();
    let (mut value_scale, mut offset) = (one, Decimal::zero());
    let mut unit = item.unit_text.clone();
    if is_number {
        match step(item, role, kind, habits) {
            Stepped::Known(step) => value_scale = step,
            Stepped::One(first, second) => {
                value_scale = first;
                open.insert(Key::Scale);
                rivals.push(Rival {
                    scale: Some(second),
                    why: "the document does not say whether it multiplies or divides".into(),
                    ..Rival::default()
                });
            }
            Stepped::Unknown => {
                open.insert(Key::Scale);
            }
        }
        offset = added(item, value_scale, &mut open, &mut rivals);
        left_to_add(item, role, kind, &mut offset, &mut open, &mut rivals);
        if let Some((name, decade, factor)) = role
            .and_then(judged_in)
            .and_then(|wanted| converted(item, wanted))
        {
            unit = name.to_owned();
            let whole = Decimal {
                numerator: value_scale.numerator.checked_mul(factor)?,
                places: value_scale.places,
            };
            match scale::shifted(whole, decade) {
                Some(shifted) => value_scale = shifted,
                None => {
                    open.insert(Key::Scale);
                }
            }
        }
        plausible(item, role, kind, value_scale, &mut open);
    }
    if item.is_length_in_doubt {
        open.insert(Key::Count);
    }
    let positive = direction(item, role, notes, &mut open, &mut rivals);
    let is_wide = width > 1 && kind != Kind::String;
    Some(Reading {
        kind,
        width,
        count,
        order: if is_wide {
            item.order.or(notes.order)
        } else {
            None
        },
        scale: value_scale,
        offset,
        unit,
        positive,
        open,
        rivals,
    })
}

/// The direction that is positive, of what has one.
fn direction(
    item: &Item,
    role: Option<Role>,
    notes: &Notes,
    open: &mut BTreeSet<Key>,
    rivals: &mut Vec<Rival>,
) -> Option<Positive> {
    if !matches!(role, Some(Role::PackCurrent | Role::PackPower)) {
        return None;
    }
    let positive = item.positive.or(notes.positive);
    if positive.is_none() {
        open.insert(Key::Positive);
        rivals.extend(
            [Positive::Charge, Positive::Discharge].map(|direction| Rival {
                positive: Some(direction),
                why: "the document does not say which direction is positive".into(),
                ..Rival::default()
            }),
        );
    }
    positive
}

/// Type, registers of one value, number of values.
type Shape = (Kind, u32, u32, BTreeSet<Key>, Vec<Rival>);

fn shape(item: &Item, meaning: &Meaning) -> Option<Shape> {
    let named: u32 = item
        .words
        .numbers
        .iter()
        .fold(1, |all: u32, n| all.saturating_mul(n.count()).min(1 << 16));
    let ranged = item.words.numbers.iter().any(|n| n.last > n.first);
    let mut count = if ranged { named.max(1) } else { 1 };
    let sort = sort(item, meaning);
    let total = item.registers;
    if sort == Some(Sort::Text) {
        let characters = item.said.count.map(|n| n.div_ceil(2));
        let width = total.map(|total| total / count.max(1)).or(characters)?;
        return (1..=125)
            .contains(&width)
            .then(|| (Kind::String, width, count, BTreeSet::new(), Vec::new()));
    }
    let said = item.said.bits.map(|bits| u32::from(bits.max(16)) / 16);
    if let Some(array) = item.said.count.filter(|_| !ranged) {
        count = array.clamp(1, 4_096);
    }
    let width = match (total, said) {
        (Some(total), _) if total % count != 0 => return None,
        (Some(total), Some(said)) if total == count * said => said,
        // Several in a row that the name does not number.
        (Some(total), Some(said)) if count == 1 && total % said == 0 => {
            count = total / said;
            said
        }
        (Some(total), None) if matches!(total / count, 1 | 2 | 4) => total / count,
        (Some(_), _) => return None,
        (None, Some(said)) => said,
        (None, None) => {
            if sort == Some(Sort::Float) {
                2
            } else {
                1
            }
        }
    };
    let mut open = BTreeSet::new();
    let mut rivals = Vec::new();
    let kind = match sort {
        Some(sort) => kind_of(sort, width)?,
        None => {
            let signed = goes_below_zero(item);
            let kinds: &[Kind] = match (width, signed) {
                (1, false) => &[Kind::U16, Kind::I16],
                (1, true) => &[Kind::I16, Kind::U16],
                (2, false) => &[Kind::U32, Kind::I32, Kind::F32],
                (2, true) => &[Kind::I32, Kind::U32, Kind::F32],
                _ => return None,
            };
            open.insert(Key::Type);
            let others = kinds.iter().skip(1);
            rivals.extend(others.map(|kind| Rival {
                kind: Some(*kind),
                why: "the document names no type".into(),
                ..Rival::default()
            }));
            *kinds.first()?
        }
    };
    let kind = half_of(kind, item, &mut open);
    Some((kind, width, count, open, rivals))
}

/// The type of a half of a register, where the row says which half.
fn half_of(kind: Kind, item: &Item, open: &mut BTreeSet<Key>) -> Kind {
    match (kind, item.half) {
        (Kind::U16, Some(Half::High)) => Kind::U8High,
        (Kind::U16, Some(Half::Low)) => Kind::U8Low,
        (Kind::I16, Some(Half::High)) => Kind::I8High,
        (Kind::I16, Some(Half::Low)) => Kind::I8Low,
        (kind, _) => {
            // A byte may be either half of its register.
            if item.said.bits == Some(8) {
                open.insert(Key::Type);
            }
            kind
        }
    }
}

/// The type of a sort with so many registers.
fn kind_of(sort: Sort, width: u32) -> Option<Kind> {
    Some(match (sort, width) {
        (Sort::Unsigned, 1) => Kind::U16,
        (Sort::Unsigned, 2) => Kind::U32,
        (Sort::Unsigned, 4) => Kind::U64,
        (Sort::Signed, 1) => Kind::I16,
        (Sort::Signed, 2) => Kind::I32,
        (Sort::Signed, 4) => Kind::I64,
        (Sort::Float, 2) => Kind::F32,
        (Sort::Float, 4) => Kind::F64,
        (Sort::Bits, 1) => Kind::Bits16,
        (Sort::Bits, 2) => Kind::Bits32,
        (Sort::Enumeration, 1) => Kind::Enum16,
        (Sort::Enumeration, 2) => Kind::Enum32,
        (Sort::Bcd, 1) => Kind::Bcd16,
        (Sort::Bcd, 2) => Kind::Bcd32,
        _ => return None,
    })
}

/// The sort of its values: what the type says, or names of bits and values.
fn sort(item: &Item, meaning: &Meaning) -> Option<Sort> {
    let has_bits = item.names.iter().any(|name| name.is_bit);
    let is_text = matches!(
        meaning,
        Meaning::Sure(
            Role::Serial | Role::Firmware | Role::Model | Role::ModuleSerial | Role::ModuleFirmware
        )
    );
    match item.said.sort {
        Some(Sort::Unsigned | Sort::Signed) | None if has_bits => Some(Sort::Bits),
        Some(Sort::Unsigned) | None
            if matches!(
                meaning,
                Meaning::Sure(
                    Role::AlarmWord
                        | Role::WarningWord
                        | Role::LatchedWord
                        | Role::Switches
                        | Role::Balancing
                )
            ) =>
        {
            Some(Sort::Bits)
        }
        Some(Sort::Unsigned) | None
            if matches!(meaning, Meaning::Sure(Role::State | Role::FaultCode)) =>
        {
            Some(Sort::Enumeration)
        }
        None if is_text && item.registers.is_some_and(|n| n > 1) => Some(Sort::Text),
        None if is_count(meaning) => Some(Sort::Unsigned),
        sort => sort,
    }
}

/// Numbers of things and times are never below zero.
fn is_count(meaning: &Meaning) -> bool {
    matches!(
        meaning,
        Meaning::Sure(
            Role::Cycles
                | Role::ModuleCount
                | Role::PackCount
                | Role::Uptime
                | Role::OwnHeartbeat
                | Role::InverterHeartbeat
                | Role::InverterAge
                | Role::InverterEverHeard
                | Role::Soc
                | Role::Soh
        )
    )
}

fn goes_below_zero(item: &Item) -> bool {
    let low = item.range.is_some_and(|(low, _)| low < 0.0);
    let unit = item.unit.map(|unit| unit.measure);
    let warm = unit == Some(Measure::Celsius) && item.offset.is_none();
    low || warm || (unit == Some(Measure::Amp) && !item.words.any(&[Notion::Limit, Notion::Max]))
}

/// What one raw step is.
enum Stepped {
    Known(Decimal),
    /// This or that.
    One(Decimal, Decimal),
    Unknown,
}

fn step(item: &Item, role: Option<Role>, kind: Kind, habits: Habits) -> Stepped {
    let is_float = matches!(kind, Kind::F32 | Kind::F64);
    let found = match item.step {
        Some((Step::Times(number), StepFrom::Column))
            if habits.whole == Whole::Divides && number.places > 0 =>
        {
            let by = scale::simple(number);
            let power = 10_i64.checked_pow(by.places);
            power
                .filter(|power| by.numerator > 0 && power % by.numerator == 0)
                .map(|power| Decimal {
                    numerator: power / by.numerator,
                    places: 0,
                })
        }
        Some((Step::Times(number), _)) => Some(number),
        Some((Step::Over(by), _)) => scale::divided(by),
        Some((Step::Either(n), from)) => {
            let times = Decimal {
                numerator: i64::from(n),
                places: 0,
            };
            match (habits.whole, scale::divided(n)) {
                (Whole::Divides, Some(over)) => Some(over),
                // Beside 0.1 a 10 multiplies, but no battery is measured in steps of ten volts or degrees.
                (Whole::Multiplies, Some(over))
                    if from == StepFrom::Column
                        && role.is_some_and(is_fine)
                        && item.unit.is_none_or(|unit| unit.decade == 0) =>
                {
                    return Stepped::One(over, times);
                }
                (Whole::Multiplies, _) if from == StepFrom::Column => Some(times),
                (_, Some(over)) => return Stepped::One(over, times),
                (_, None) => None,
            }
        }
        None if is_float => Some(Decimal::default()),
        None => left_out(item, role, habits),
    };
    found.map_or(Stepped::Unknown, Stepped::Known)
}

/// Roles that no maker counts in steps of two and more of their unit.
// Kind: common practice
fn is_fine(role: Role) -> bool {
    judged_in(role).is_some_and(|(_, measure)| {
        matches!(measure, Measure::Volt | Measure::Celsius | Measure::Percent)
    })
}

/// The step of a row that gives none: 1 where nothing else can be meant.
fn left_out(item: &Item, role: Option<Role>, habits: Habits) -> Option<Decimal> {
    let one = Some(Decimal::default());
    let Some(unit) = item.unit else {
        // Counters and codes have none; a measurement without unit and step says too little.
        let measured = role.and_then(judged_in).is_some();
        return if measured { None } else { one };
    };
    match unit.measure {
        _ if item.is_step_left_out => {
            matches!(unit.measure, Measure::Second | Measure::Other).then_some(Decimal::default())
        }
        Measure::Volt | Measure::Amp if unit.decade == 0 => None,
        Measure::Celsius | Measure::Percent | Measure::AmpHour if !habits.units_carry_steps => None,
        _ => one,
    }
}

/// What is added, in the unit of the value.
fn added(item: &Item, step: Decimal, open: &mut BTreeSet<Key>, rivals: &mut Vec<Rival>) -> Decimal {
    let kelvin = item
        .unit
        .is_some_and(|unit| unit.measure == Measure::Kelvin);
    let Some(offset) = item.offset else {
        let zero = Decimal {
            numerator: -27_315,
            places: 2,
        };
        return if kelvin { zero } else { Decimal::zero() };
    };
    let in_steps = |offset: Decimal| {
        let numerator = offset.numerator.checked_mul(step.numerator);
        numerator.map(|numerator| {
            scale::simple(Decimal {
                numerator,
                places: offset.places + step.places,
            })
        })
    };
    let is_warmth = item
        .unit
        .is_some_and(|unit| matches!(unit.measure, Measure::Celsius | Measure::Kelvin));
    let is_current = item
        .unit
        .is_some_and(|unit| unit.measure == Measure::Amp && unit.decade == 0);
    // Colder than anything, or more than any current: it counts raw steps.
    let most = if is_warmth { 273.5 } else { 4_500.0 };
    if (is_warmth || is_current) && offset.value().abs() > most {
        let stepped = in_steps(offset).unwrap_or(offset);
        return if is_current {
            below_zero(stepped)
        } else {
            stepped
        };
    }
    if offset.numerator > 0 {
        // `Offset 40`: taken away from the raw value, or added to it?
        let negative = Decimal {
            numerator: -offset.numerator,
            places: offset.places,
        };
        open.insert(Key::Offset);
        rivals.push(Rival {
            offset: Some(offset),
            why: "the document does not say whether the offset is added or taken away".into(),
            ..Rival::default()
        });
        return negative;
    }
    offset
}

/// With a sign: what is added to a current kept without one takes away.
fn below_zero(offset: Decimal) -> Decimal {
    Decimal {
        numerator: -offset.numerator.abs(),
        ..offset
    }
}

/// The unit in which a role is judged, with its measure.
fn judged_in(role: Role) -> Option<(&'static str, Measure)> {
    Some(match role {
        Role::PackVoltage
        | Role::TerminalVoltage
        | Role::ModuleVoltage
        | Role::CellVoltage
        | Role::CellVoltageMax
        | Role::CellVoltageMin => ("V", Measure::Volt),
        Role::PackCurrent | Role::ChargeLimit | Role::DischargeLimit => ("A", Measure::Amp),
        Role::CellTemperature | Role::CellTemperatureMax | Role::CellTemperatureMin => {
            ("degC", Measure::Celsius)
        }
        Role::PackPower => ("W", Measure::Watt),
        Role::Insulation => ("kOhm", Measure::Ohm),
        Role::Soc | Role::ModuleSoc | Role::Soh => ("%", Measure::Percent),
        Role::Uptime | Role::InverterAge | Role::UnitClock => ("s", Measure::Second),
        _ => return None,
    })
}

/// The wanted unit, with the decade and the factor between it and that of the document.
fn converted(
    item: &Item,
    (name, wanted): (&'static str, Measure),
) -> Option<(&'static str, i32, i64)> {
    let Some(unit) = item.unit else {
        return Some((name, 0, 1));
    };
    let same =
        unit.measure == wanted || (unit.measure == Measure::Kelvin && wanted == Measure::Celsius);
    same.then_some((name, unit.decade, unit.factor))
}

/// Of a temperature that falls below zero and has no sign, something is added: what the remark has a number for that
/// nobody understood, or what its range begins with.
fn left_to_add(
    item: &Item,
    role: Option<Role>,
    kind: Kind,
    offset: &mut Decimal,
    open: &mut BTreeSet<Key>,
    rivals: &mut Vec<Rival>,
) {
    let is_warmth = item
        .unit
        .is_some_and(|unit| unit.measure == Measure::Celsius)
        || role
            .and_then(judged_in)
            .is_some_and(|(_, measure)| measure == Measure::Celsius);
    let has_sign = matches!(
        kind,
        Kind::I16 | Kind::I32 | Kind::I64 | Kind::I8High | Kind::I8Low | Kind::F32 | Kind::F64
    );
    if item.offset.is_some() || !is_warmth || has_sign || *offset != Decimal::zero() {
        return;
    }
    let begins = item
        .range
        .filter(|(low, _)| *low < 0.0 && low.fract() == 0.0);
    #[expect(
        clippy::cast_possible_truncation,
        reason = "a whole number of a cell, which has twelve digits at most"
    )]
    let begins = begins.map(|(low, _)| Decimal {
        numerator: low as i64,
        places: 0,
    });
    let Some(below) = item.may_add.or(begins) else {
        return;
    };
    open.insert(Key::Offset);
    rivals.push(Rival {
        offset: Some(Decimal::zero()),
        why: "the document has a number there without saying what it is".into(),
        ..Rival::default()
    });
    *offset = below;
}

/// What cannot be: steps coarser than what is measured, ranges beyond the type.
fn plausible(item: &Item, role: Option<Role>, kind: Kind, step: Decimal, open: &mut BTreeSet<Key>) {
    let coarsest = match role {
        Some(Role::CellVoltage | Role::CellVoltageMax | Role::CellVoltageMin) => 0.1,
        Some(Role::ModuleVoltage) => 1.0,
        Some(
            Role::Soc
            | Role::Soh
            | Role::CellTemperature
            | Role::CellTemperatureMax
            | Role::CellTemperatureMin,
        ) => 1.0,
        Some(
            Role::PackVoltage
            | Role::TerminalVoltage
            | Role::PackCurrent
            | Role::ChargeLimit
            | Role::DischargeLimit,
        ) => 10.0,
        _ => f64::INFINITY,
    };
    let finest = match role {
        Some(Role::CellVoltage | Role::CellVoltageMax | Role::CellVoltageMin) => 0.000_01,
        Some(Role::PackVoltage | Role::TerminalVoltage | Role::ModuleVoltage) => 0.000_1,
        _ => 0.0,
    };
    let is_float = matches!(kind, Kind::F32 | Kind::F64);
    let step_value = step.value();
    if !is_float && (step_value > coarsest || step_value < finest) {
        open.insert(Key::Scale);
    }
    let largest = match kind {
        Kind::U16 => 65_535.0,
        Kind::I16 => 32_767.0,
        _ => f64::INFINITY,
    };
    let is_plain = item.unit.is_some_and(|unit| unit.decade == 0);
    let beyond = item
        .range
        .filter(|_| is_plain)
        .is_some_and(|(_, high)| high > largest * step_value * 1.01 && !open.contains(&Key::Scale));
    if beyond && role.is_some_and(|role| judged_in(role).is_some()) {
        open.insert(Key::Scale);
    }
}

/// Whether two readings say the same of a value, however many there are.
pub(super) fn alike(one: &Reading, other: &Reading) -> bool {
    one.kind == other.kind
        && one.width == other.width
        && one.order == other.order
        && one.scale == other.scale
        && one.offset == other.offset
        && one.unit == other.unit
        && one.positive == other.positive
        && one.open == other.open
}

/// The meaning of an item, with what stands in its row.
pub(super) fn meaning(item: &Item) -> Meaning {
    let meaning = meaning::of(&item.words, about(item));
    let is_number = !matches!(
        sort(item, &meaning),
        Some(Sort::Bits | Sort::Enumeration | Sort::Text)
    );
    let is_fault = |name: &super::named::Named| {
        let said = flagged::class(&name.text);
        name.is_bit && said.is_sure && !said.class.is_status()
    };
    let names_faults = item.names.iter().any(is_fault);
    // Rows of bits without one for the word: it is one of alarms where most of them name faults.
    let faults = item.names.iter().filter(|name| is_fault(name)).count();
    if item.words.notions.is_empty()
        && item.words.unknown.is_empty()
        && faults * 2 > item.names.len()
    {
        return Meaning::Sure(Role::AlarmWord);
    }
    let Meaning::Sure(role) = meaning else {
        // Whatever it is called: what names faults by bits is never passed over.
        let is_known = matches!(&meaning, Meaning::Perhaps(roles) if !roles.is_empty());
        return if names_faults && !is_known && meaning != Meaning::Reserved {
            Meaning::Perhaps(vec![Role::AlarmWord, Role::WarningWord])
        } else {
            meaning
        };
    };
    // Its words name what is measured, its type or its unit says that it is not.
    let contradicts = |wanted| !is_number || converted(item, wanted).is_none();
    if judged_in(role).is_some_and(contradicts) {
        Meaning::Perhaps(vec![role])
    } else {
        meaning
    }
}
