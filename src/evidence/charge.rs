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

/// So much of what the curve of a map grants is no fault.
// Kind: common practice
const OF_CURVE: f64 = 1.1;
/// A temperature is beyond its window for certain by so much, K, in so many samples over so long.
// Kind: common practice
const FIRM: (f64, u32, Duration) = (1.0, 3, Duration::from_secs(5));

/// Whether the map grants so much current at this temperature.
pub(crate) fn is_granted(cell: &CellLimits, celsius: f64, amps: f64) -> bool {
    cell.granted(celsius)
        .is_some_and(|granted| amps <= OF_CURVE * granted)
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
    /// A temperature, if it lies outside of the window and the map grants no such current there.
    pub(crate) fn of(place: usize, celsius: f64, amps: f64, cell: &CellLimits) -> Option<Self> {
        if is_granted(cell, celsius, amps) {
            return None;
        }
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
    /// Since when it is beyond for certain, and in how many samples.
    firm: Option<(Stamp, u32)>,
    proven: bool,
}

impl ChargedOutside {
    /// Takes a charging current at such a temperature.
    pub(crate) fn take(known: &mut Option<Box<Self>>, at: Stamp, amps: f64, outside: Outside) {
        match known {
            None => {
                let mut new = Self {
                    outside,
                    amps,
                    spell: Spell::begin(at),
                    firm: None,
                    proven: false,
                };
                new.firmly(at, outside);
                *known = Some(Box::new(new));
            }
            Some(known) => {
                known.spell.goes_on(at);
                known.firmly(at, outside);
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

    /// A sample in which it is not so.
    pub(crate) fn ends(&mut self, at: Stamp) {
        self.spell.good(at);
        self.firm = None;
    }

    /// Whether three samples over five seconds showed it, each a kelvin beyond.
    pub(crate) fn is_proven(&self) -> bool {
        self.proven
    }

    fn firmly(&mut self, at: Stamp, outside: Outside) {
        if outside.by() < FIRM.0 {
            self.firm = None;
            return;
        }
        let (from, samples) = self.firm.get_or_insert((at, 0));
        *samples = samples.saturating_add(1);
        let lasted = at.since(*from).unwrap_or_default();
        self.proven |= *samples >= FIRM.1 && lasted >= FIRM.2;
    }

    /// Whether it went on for so long that neither time nor a good reading heals it.
    pub(crate) fn is_long(&self) -> bool {
        self.spell.length().is_none_or(|length| length > PLATED)
    }
}
