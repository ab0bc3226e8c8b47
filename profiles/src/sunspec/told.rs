//! What a unit says of itself, as numbers and texts, and what that says about limits.
//!
//! Input: the words of a chain. Output: scaled numbers; nothing where a model marks them as not implemented, or
//! whose scale is not.
//!
//! Does not: write a line of a map, but for what a role needs besides.

use super::data::{BANK, COMMON, MODULE, Model, ModelPoint, Models, STRING, STRINGS};
use super::spot::Spot;
use super::walk::{Chain, FoundModel};
use crate::layout::words_at;
use crate::model::Kind;

/// A chain, read with the models as data.
#[derive(Clone, Copy)]
pub(super) struct Told<'a> {
    pub(super) chain: &'a Chain,
    pub(super) models: &'a Models,
}

impl Told<'_> {
    pub(super) fn value(&self, address: Option<u16>) -> Option<u16> {
        self.chain.words.get(&address?).copied()
    }

    /// A number of a point of the first such model, scaled; nothing where it is not implemented.
    pub(super) fn number(&self, id: u16, name: &str) -> Option<f64> {
        let found = self.chain.with_id(id).next()?;
        let model = self.models.get(id)?;
        let point = model.points.iter().find(|point| point.name == name)?;
        let start = found.at.checked_add(point.at)?;
        let words = words_at(&self.chain.words, start, point.width())?;
        if !is_implemented(point.kind, &words) {
            return None;
        }
        let raw = match (point.kind, words.as_slice()) {
            (Kind::I16, [word]) => f64::from(word.cast_signed()),
            (_, [word]) => f64::from(*word),
            (_, [high, low]) => f64::from(u32::from(*high) << 16 | u32::from(*low)),
            _ => return None,
        };
        let power = match &point.scale {
            None => 0,
            Some(scale) => self.power(model, scale, found)?,
        };
        Some(raw * 10f64.powi(power.into()))
    }

    /// The power of ten that a scale point of a model gives.
    pub(super) fn power(&self, model: &Model, scale: &str, found: &FoundModel) -> Option<i16> {
        let point = model.points.iter().find(|point| point.name == scale)?;
        let raw = self.value(found.at.checked_add(point.at))?.cast_signed();
        (point.at + 1 < found.length + 2 + 1 && (-10..=10).contains(&raw)).then_some(raw)
    }

    /// The average of all cells, or something between the lowest and the highest.
    fn average_cell(&self) -> Option<f64> {
        let average = self.number(BANK, "CellVAvg");
        let extreme = || {
            self.number(BANK, "CellVMin")
                .or_else(|| self.number(BANK, "CellVMax"))
        };
        let of_string = || self.number(STRING, "CellVAvg");
        let of_module = || self.number(MODULE, "CellVAvg");
        let found = average
            .or_else(extreme)
            .or_else(of_string)
            .or_else(of_module);
        found.or_else(|| self.first_string_average())
    }

    fn first_string_average(&self) -> Option<f64> {
        let found = self.chain.with_id(STRINGS).next()?;
        let model = self.models.get(STRINGS)?;
        let block = model.block.as_ref()?;
        let point = block
            .points
            .iter()
            .find(|point| point.name == "StrCellVAvg")?;
        let start = found.at.checked_add(block.at)?.checked_add(point.at);
        let raw = self.value(start).filter(|raw| *raw != 0xffff)?;
        let power = self.power(model, point.scale.as_ref()?, found)?;
        Some(f64::from(raw) * 10f64.powi(power.into()))
    }

    fn is_lithium(&self) -> bool {
        const LITHIUM_ION: f64 = 4.0;
        self.number(BANK, "Typ") == Some(LITHIUM_ION)
    }

    pub(super) fn chemistry_is_known(&self) -> bool {
        let from = self.models.floor.cell_average_from_v;
        self.is_lithium() && self.average_cell().is_some_and(|volts| volts >= from)
    }

    /// A text of the common model, cleaned.
    pub(super) fn text_of(&self, name: &str) -> String {
        let found = self.chain.with_id(COMMON).next();
        let point = self
            .models
            .get(COMMON)
            .and_then(|model| model.points.iter().find(|p| p.name == name));
        let words = found.zip(point).and_then(|(found, point)| {
            words_at(
                &self.chain.words,
                found.at.checked_add(point.at)?,
                point.width(),
            )
        });
        let bytes = words
            .unwrap_or_default()
            .into_iter()
            .flat_map(u16::to_be_bytes);
        let text: String = bytes
            .take_while(|byte| *byte != 0)
            .filter(|byte| (0x20..0x7f).contains(byte))
            .map(char::from)
            .collect();
        text.trim().to_owned()
    }

    /// Whether any instance of a point is implemented, or may be.
    pub(super) fn implements(&self, spot: &Spot<'_>, point: &ModelPoint, address: u16) -> bool {
        let firsts = spot.firsts(address);
        firsts.iter().any(|first| {
            words_at(&self.chain.words, *first, point.width())
                .is_none_or(|words| is_implemented(point.kind, &words))
        })
    }
}

/// Whether registers hold a value, by the sentinels of the models.
fn is_implemented(kind: Kind, words: &[u16]) -> bool {
    match (kind, words) {
        (Kind::I16, [word]) => *word != 0x8000,
        (Kind::Bits32, [high, _]) => high & 0x8000 == 0,
        (Kind::String, words) => words.iter().any(|word| *word != 0 && *word != 0xffff),
        (_, words) => words.iter().any(|word| *word != 0xffff),
    }
}
