//! What a control unit sees of its cells and temperatures: wires, connectors, sensors and their
//! defects between the truth and the reading.
//!
//! Input: true values, what a scenario says of the wires. Output: readings. Does not: change the
//! truth.

use super::Places;
use crate::cell_plan::Defect;
use crate::dice::Dice;
use crate::scenario::Event;

/// What a reading is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Read {
    /// A value.
    Value(f64),
    /// None: the register shows that it has none.
    Lost,
    /// The wire is off: the value lies at the end of its scale.
    Rail,
}

impl Read {
    /// The value, if it is one.
    pub(crate) fn value(self) -> Option<f64> {
        match self {
            Self::Value(value) => Some(value),
            Self::Lost | Self::Rail => None,
        }
    }
}

/// How the measurement of a voltage works.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Meter {
    Sound,
    Frozen(f64),
    Open,
}

impl Meter {
    /// What it shows of the truth.
    pub(crate) fn read(self, truth: f64) -> f64 {
        match self {
            Self::Sound => truth,
            Self::Frozen(volts) => volts,
            Self::Open => 0.0,
        }
    }

    /// Does what an event says, where it says one of the two defects.
    pub(crate) fn apply(&mut self, event: &Event, frozen: Defect, open: Defect, truth: f64) {
        let wrong = match event.defect.or(event.mends) {
            Some(defect) if defect == frozen => Self::Frozen(self.read(truth)),
            Some(defect) if defect == open => Self::Open,
            _ => return,
        };
        *self = if event.defect.is_some() {
            wrong
        } else {
            Self::Sound
        };
    }
}

/// The way of one value.
#[derive(Debug, Clone, Default)]
pub(crate) struct Wire {
    /// Read so much too high, by nature or by a broken wire.
    shift: f64,
    of_nature: f64,
    forced: Option<f64>,
    frozen: Option<f64>,
    lost: bool,
    unplugged: bool,
    open: bool,
}

impl Wire {
    /// A sound wire, its small error thrown from the dice.
    pub(crate) fn new(dice: &mut Dice, error: f64) -> Self {
        Self {
            of_nature: dice.around_zero() * error,
            ..Self::default()
        }
    }

    /// What comes through of the truth.
    pub(crate) fn read(&self, truth: f64) -> Read {
        if self.lost || self.unplugged {
            return Read::Lost;
        }
        if self.open {
            return Read::Rail;
        }
        let seen = self.forced.unwrap_or(truth + self.of_nature) + self.shift;
        Read::Value(self.frozen.unwrap_or(seen))
    }

    fn freeze(&mut self, truth: f64, freezes: bool) {
        self.frozen = None;
        self.frozen = freezes.then(|| self.read(truth).value()).flatten();
    }
}

/// Does what an event says about the wires of the cells; `truth` by cell.
pub(crate) fn apply_to_cells(wires: &mut [Wire], truth: &[f64], places: Places, event: &Event) {
    let is_wrong = event.defect.is_some();
    let shift = if is_wrong {
        event.amount.unwrap_or_default()
    } else {
        0.0
    };
    for (index, module, cell) in places.of(wires.len()) {
        let is_here = places.chosen(event.module, module) && places.chosen(event.cell, cell);
        let follows =
            cell > 0 && places.chosen(event.module, module) && places.chosen(event.cell, cell - 1);
        let (Some(wire), Some(truth)) = (wires.get_mut(index), truth.get(index)) else {
            continue;
        };
        if is_here && event.cell.is_some() {
            wire.lost = event.lost.unwrap_or(wire.lost);
        }
        match event.defect.or(event.mends) {
            Some(Defect::SenseWireBroken) if is_here => wire.shift = -shift,
            Some(Defect::SenseWireBroken) if follows => wire.shift = shift,
            Some(Defect::CellReadingFrozen) if is_here => wire.freeze(*truth, is_wrong),
            Some(Defect::SenseConnectorLoose) if places.chosen(event.module, module) => {
                wire.unplugged = is_wrong;
            }
            _ => {}
        }
    }
}

/// Does what an event says about the temperature sensors; `truth` by sensor.
pub(crate) fn apply_to_sensors(wires: &mut [Wire], truth: &[f64], places: Places, event: &Event) {
    let is_wrong = event.defect.is_some();
    for (index, module, sensor) in places.of(wires.len()) {
        let is_here = places.chosen(event.module, module) && places.chosen(event.sensor, sensor);
        let (Some(wire), Some(truth)) = (wires.get_mut(index), truth.get(index)) else {
            continue;
        };
        if is_here {
            wire.forced = event.celsius.or(wire.forced);
            let lost = event.lost.filter(|_| event.sensor.is_some());
            wire.lost = lost.unwrap_or(wire.lost);
        }
        match event.defect.or(event.mends) {
            Some(Defect::SensorFrozen) if is_here => wire.freeze(*truth, is_wrong),
            Some(Defect::SensorOpen) if is_here => wire.open = is_wrong,
            Some(Defect::SenseConnectorLoose) if places.chosen(event.module, module) => {
                wire.unplugged = is_wrong;
            }
            _ => {}
        }
    }
}
