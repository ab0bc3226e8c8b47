//! One way to read registers as a number.
//!
//! Does not: decide which way is right.

use packside_profiles::model::{Kind, Positive, WordOrder};
use packside_profiles::words_of;

use super::images::{Images, Register};

/// How registers make a number: raw x scale + offset.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reading {
    /// Type.
    pub kind: Kind,
    /// Which word comes first.
    pub order: WordOrder,
    /// Factor.
    pub scale: f64,
    /// Added after scaling.
    pub offset: f64,
    /// Which direction is positive.
    pub positive: Option<Positive>,
}

/// Numbers of one register or pair, image by image.
pub(crate) type Series = Vec<Option<f64>>;

impl Reading {
    /// An unsigned register.
    pub fn plain(scale: f64) -> Self {
        Self {
            kind: Kind::U16,
            order: WordOrder::HighFirst,
            scale,
            offset: 0.0,
            positive: None,
        }
    }

    /// The same with another type.
    pub fn of(self, kind: Kind) -> Self {
        Self { kind, ..self }
    }

    /// Registers that it takes; none for what is no number.
    pub fn width(self) -> Option<u16> {
        words_of(self.kind)
    }

    /// Whether it is a floating-point type.
    pub(crate) fn is_float(self) -> bool {
        matches!(self.kind, Kind::F32 | Kind::F64)
    }

    /// The least step between two numbers.
    pub(crate) fn step(self) -> f64 {
        if self.is_float() {
            0.0
        } else {
            self.scale.abs()
        }
    }

    /// The numbers, image by image. Words that say "none" are none.
    pub(crate) fn series(self, images: &Images, at: Register, absent: &[u64]) -> Series {
        let Some(width) = self.width() else {
            return Vec::new();
        };
        let registers = (0..width).map(|further| at.plus(further));
        let rows = registers.map(|register| register.and_then(|register| images.row(register)));
        let Some(rows) = rows.collect::<Option<Vec<_>>>() else {
            return vec![None; images.count()];
        };
        let word = |row: &&[Option<u16>], image: usize| row.get(image).copied().flatten();
        let images = 0..images.count();
        images
            .map(|image| {
                let words: Option<Vec<u16>> = rows.iter().map(|row| word(row, image)).collect();
                self.number(&words?, absent)
            })
            .collect()
    }

    /// The number that words make.
    pub(crate) fn number(self, words: &[u16], absent: &[u64]) -> Option<f64> {
        let join = |raw: u64, word: &u16| raw << 16 | u64::from(*word);
        let raw = match self.order {
            WordOrder::HighFirst => words.iter().fold(0, join),
            WordOrder::LowFirst => words.iter().rev().fold(0, join),
        };
        let raw = match self.kind {
            Kind::U8Low | Kind::I8Low => raw & 0xff,
            Kind::U8High | Kind::I8High => raw >> 8 & 0xff,
            _ => raw,
        };
        if absent.contains(&raw) {
            return None;
        }
        let number = self.value(raw)?;
        Some(number * self.scale + self.offset)
    }

    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_precision_loss,
        reason = "raw holds no more bits than the type, and a double is precise enough to compare"
    )]
    fn value(self, raw: u64) -> Option<f64> {
        let number = match self.kind {
            Kind::U16 | Kind::Bits16 | Kind::Enum16 if raw == 0xffff => return None,
            Kind::I16 if raw == 0x8000 => return None,
            Kind::U32 | Kind::Bits32 | Kind::Enum32 if raw == 0xffff_ffff => return None,
            Kind::I32 if raw == 0x8000_0000 => return None,
            Kind::I8Low | Kind::I8High => f64::from(raw as u8 as i8),
            Kind::I16 => f64::from(raw as u16 as i16),
            Kind::I32 => f64::from(raw as u32 as i32),
            Kind::I64 => raw as i64 as f64,
            Kind::F32 => f64::from(f32::from_bits(raw as u32)),
            Kind::F64 => f64::from_bits(raw),
            Kind::Bcd16 | Kind::Bcd32 => digits(raw)?,
            Kind::String => return None,
            _ => raw as f64,
        };
        number.is_finite().then_some(number)
    }
}

/// Decimal digits, four bits each.
fn digits(raw: u64) -> Option<f64> {
    let mut number = 0.0;
    for place in (0..8).rev() {
        let digit = u32::try_from(raw >> (4 * place) & 0xf).ok()?;
        if digit > 9 {
            return None;
        }
        number = number * 10.0 + f64::from(digit);
    }
    Some(number)
}

#[cfg(test)]
mod tests {
    use super::*;

    // Kind: derived
    // Note: 0x41c80000 is 25.0 in IEEE 754 single precision; 65036 is -500 in two's complement
    #[test]
    fn words_make_numbers_by_type_order_scale_and_offset() {
        let plain = Reading::plain(0.1);
        assert_eq!(plain.number(&[250], &[]), Some(25.0));
        assert_eq!(plain.number(&[250], &[250]), None);
        assert_eq!(plain.number(&[0xffff], &[]), None);
        assert_eq!(plain.of(Kind::I16).number(&[65036], &[]), Some(-50.0));
        let float = Reading::plain(1.0).of(Kind::F32);
        assert_eq!(float.number(&[0x41c8, 0], &[]), Some(25.0));
        let low_first = Reading {
            order: WordOrder::LowFirst,
            ..float
        };
        assert_eq!(low_first.number(&[0, 0x41c8], &[]), Some(25.0));
        let bcd = Reading::plain(1.0).of(Kind::Bcd16);
        assert_eq!(
            (bcd.number(&[0x1234], &[]), bcd.number(&[0x12a4], &[])),
            (Some(1234.0), None)
        );
    }
}
