//! Charging outside of the temperatures at which cells may be charged, remembered after it ended.
//!
//! Input: the charging current and the temperatures of a unit as they are read. Output: the furthest of
//! them, and for how long it is to be reckoned with.
//!
//! Does not: excuse anything by what the unit allows. What plates stays plated.

use std::time::Duration;

use packside_profiles::model::{CellLimits, Point, Positive};

use super::spell::Spell;
use super::stamp::Stamp;

/// So long a charge outside its window is never forgotten.
// Kind: common practice
const PLATED: Duration = Duration::from_secs(60);

/// A current, positive where the battery is being charged, A; nothing where the map does not say.
pub(crate) fn charging(point: &Point, amps: f64) -> Option<f64> {
    Some(match point.positive? {
        Positive::Charge => amps,
        Positive::Discharge => -amps,
    })
}

/// A temperature at which no cell may be charged.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Outside {
    /// Where its sensor stands in the layout.
    pub(crate) place: usize,
    /// Its temperature, °C.
    pub(crate) celsius: f64,
    /// The end of the window that it passes, °C.
    pub(crate) limit: f64,
}

impl Outside {
    /// A temperature, if it lies outside of the window.
    pub(crate) fn of(place: usize, celsius: f64, cell: &CellLimits) -> Option<Self> {
        let limit = if celsius < cell.charge_from_c {
            cell.charge_from_c
        } else if celsius > cell.charge_to_c {
            cell.charge_to_c
        } else {
            return None;
        };
        Some(Self {
            place,
            celsius,
            limit,
        })
    }

    /// How far, K.
    pub(crate) fn by(&self) -> f64 {
        (self.celsius - self.limit).abs()
    }
}

/// A charge outside of the window.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct ChargedOutside {
    /// The furthest temperature.
    pub(crate) outside: Outside,
    /// The largest charging current, A.
    pub(crate) amps: f64,
    /// When, and for how long it is to be reckoned with.
    pub(crate) spell: Spell,
}

impl ChargedOutside {
    /// Takes a charging current at such a temperature.
    pub(crate) fn take(known: &mut Option<Box<Self>>, at: Stamp, amps: f64, outside: Outside) {
        match known {
            None => {
                *known = Some(Box::new(Self {
                    outside,
                    amps,
                    spell: Spell::begin(at),
                }));
            }
            Some(known) => {
                known.spell.goes_on(at);
                known.amps = known.amps.max(amps);
                if outside.by() > known.outside.by() {
                    known.outside = outside;
                }
                if known.is_long() {
                    known.spell.stay();
                }
            }
        }
    }

    /// Whether it went on for so long that neither time nor a good reading heals it.
    pub(crate) fn is_long(&self) -> bool {
        self.spell.length().is_none_or(|length| length > PLATED)
    }
}
