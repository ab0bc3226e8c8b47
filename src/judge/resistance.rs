//! Resistance of cells and modules from a step of the current, relative to their sisters.
//!
//! Input: for every cell the voltage before and under load, and the current at both moments, as
//! [`LoadStep`].
//! Output: resistance with its uncertainty per cell and per module, and the outlier, if one stands
//! out by more than the uncertainty explains.
//!
//! Does not: judge by absolute limits. The value depends on temperature, charge and the time under
//! load; what can be compared is the sister module in the same step.
//!
//! # Sources
//! - IEC 61960, DC resistance as quoted in reprints: R = (U1 - U2) / (I2 - I1)

use packside_profiles::model::{Positive, Profile};
use packside_profiles::{Place, Role};

use crate::evidence::unit::UnitMemory;
use crate::statistics;

pub use crate::evidence::cells::LEAST_STEP;
/// How many times its uncertainty, and how many times the spread of its sisters, a cell must stand
/// out by.
const STANDS_OUT: f64 = 4.0;
/// A cell with less than this many times the median is no outlier, however sharp the numbers.
const LEAST_RATIO: f64 = 1.5;

/// One cell in both moments.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CellStep {
    /// Where it is.
    pub place: Place,
    /// Voltage at rest, V.
    pub before: f64,
    /// Voltage under load, V.
    pub under_load: f64,
}

/// A step of the current with all cells.
#[derive(Debug, Clone, PartialEq)]
pub struct LoadStep {
    /// Current before, A, positive into the battery.
    pub before: f64,
    /// Current under load, A.
    pub under_load: f64,
    /// How much the current moved while the cells were read, A.
    pub current_moved: f64,
    /// One step of the voltage registers, V.
    pub resolution: f64,
    /// The cells.
    pub cells: Vec<CellStep>,
}

/// The largest step of the current between two answers that each carry the current and the cells: V and
/// I of one moment. Nothing where the current is never read beside the cells, or never changes enough.
pub(crate) fn step_seen(evidence: &UnitMemory, profile: &Profile) -> Option<LoadStep> {
    let seen = evidence.cells.step.as_ref()?;
    let (one, other) = seen.currents;
    // Which way round does not matter: voltage and current turn together.
    let is_rest_first = one.abs() <= other.abs();
    let turned = |(one, other): (f64, f64)| {
        if is_rest_first {
            (one, other)
        } else {
            (other, one)
        }
    };
    let (rest, load) = turned((one, other));
    let cells = seen.cells.iter().map(|(place, one, other)| {
        let (before, under_load) = turned((*one, *other));
        CellStep {
            place: *place,
            before,
            under_load,
        }
    });
    let point = profile
        .points
        .iter()
        .find(|p| p.role == Role::CellVoltage)?;
    let sign = current_sign(profile);
    Some(LoadStep {
        before: sign * rest,
        under_load: sign * load,
        current_moved: 0.0,
        resolution: point.scale.value(),
        cells: cells.collect(),
    })
}

/// What makes the current positive into the battery.
pub(crate) fn current_sign(profile: &Profile) -> f64 {
    let point = profile.points.iter().find(|p| p.role == Role::PackCurrent);
    match point.and_then(|p| p.positive) {
        Some(Positive::Discharge) => -1.0,
        _ => 1.0,
    }
}

/// Resistance of one cell.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Resistance {
    /// Where it is.
    pub place: Place,
    /// Milliohms.
    pub milliohm: f64,
    /// Half the width of the range it lies in, milliohms.
    pub uncertainty: f64,
}

/// What the step shows.
#[derive(Debug, Clone, PartialEq)]
pub struct Fitted {
    /// Every cell.
    pub cells: Vec<Resistance>,
    /// Mean of the cells of each module, in the order of the modules.
    pub modules: Vec<Resistance>,
    /// The middle cell, milliohms.
    pub median: f64,
    /// The cell that stands out most, if one does.
    pub outlier: Option<Resistance>,
}

/// Why a step shows nothing.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum NoFit {
    /// Too little changed.
    #[error("the current changed by {change:.1} A only, at least {LEAST_STEP} A are needed")]
    SmallStep {
        /// Change, A.
        change: f64,
    },
    /// The current did not hold still.
    #[error(
        "the current moved by {moved:.1} A while the cells were read, of a step of {change:.1} A"
    )]
    Unsteady {
        /// Movement, A.
        moved: f64,
        /// Step, A.
        change: f64,
    },
    /// Nothing to compare.
    #[error("fewer than three cells were read at both moments")]
    FewCells,
}

/// Fits the resistances.
///
/// # Errors
/// Where the step shows nothing, and why.
pub fn fit(step: &LoadStep) -> Result<Fitted, NoFit> {
    let change = step.under_load - step.before;
    if change.abs() < LEAST_STEP {
        return Err(NoFit::SmallStep { change });
    }
    if step.current_moved.abs() > change.abs() / 4.0 {
        return Err(NoFit::Unsteady {
            moved: step.current_moved,
            change,
        });
    }
    if step.cells.len() < 3 {
        return Err(NoFit::FewCells);
    }
    let moved = step.current_moved.abs() / change.abs();
    let of = |cell: &CellStep| {
        let milliohm = (cell.under_load - cell.before) / change * 1000.0;
        // Half a register step at both moments, and the current that was not quite the one meant.
        let uncertainty = step.resolution / change.abs() * 1000.0 + milliohm.abs() * moved;
        Resistance {
            place: cell.place,
            milliohm,
            uncertainty,
        }
    };
    let cells: Vec<Resistance> = step.cells.iter().map(of).collect();
    let middle = |values| statistics::median(values, f64::total_cmp).unwrap_or(0.0);
    let median: f64 = middle(cells.iter().map(|c| c.milliohm).collect());
    let spread = middle(cells.iter().map(|c| (c.milliohm - median).abs()).collect());
    let outlier = cells
        .iter()
        .filter(|c| {
            let above = c.milliohm - median;
            above > STANDS_OUT * c.uncertainty.max(spread) && c.milliohm > LEAST_RATIO * median
        })
        .max_by(|a, b| a.milliohm.total_cmp(&b.milliohm))
        .copied();
    Ok(Fitted {
        modules: modules(&cells),
        cells,
        median,
        outlier,
    })
}

/// Means by module. The uncertainty of a mean shrinks with the root of the number of cells.
fn modules(cells: &[Resistance]) -> Vec<Resistance> {
    let mut numbers: Vec<Option<u16>> = cells.iter().map(|c| c.place.module).collect();
    numbers.sort_unstable();
    numbers.dedup();
    let mean = |module: Option<u16>| {
        let mine: Vec<&Resistance> = cells.iter().filter(|c| c.place.module == module).collect();
        let count = f64::from(u32::try_from(mine.len()).unwrap_or(u32::MAX)).max(1.0);
        Resistance {
            place: Place { module, item: None },
            milliohm: mine.iter().map(|c| c.milliohm).sum::<f64>() / count,
            uncertainty: mine.iter().map(|c| c.uncertainty).fold(0.0, f64::max) / count.sqrt(),
        }
    };
    numbers.into_iter().map(mean).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Cells of these resistances in one module each ten, at 3.3 V, under a step of the current.
    fn step(milliohm: &[f64], current: f64, resolution: f64) -> LoadStep {
        let round = |volts: f64| (volts / resolution).round() * resolution;
        let cell = |(n, r): (u16, &f64)| CellStep {
            place: Place {
                module: Some(1 + n / 10),
                item: Some(1 + n % 10),
            },
            before: round(3.3001),
            under_load: round(3.3001 + r / 1000.0 * current),
        };
        LoadStep {
            before: 0.0,
            under_load: current,
            current_moved: 0.0,
            resolution,
            cells: (0..).zip(milliohm).map(cell).collect(),
        }
    }

    // Kind: derived (what was put in must come out within its own uncertainty)
    #[test]
    fn resistance_put_in_comes_out_within_its_uncertainty() {
        let put_in: Vec<f64> = (0..20).map(|n| 1.0 + 0.01 * f64::from(n)).collect();
        for current in [-20.0, 20.0] {
            let fitted = fit(&step(&put_in, current, 0.001)).unwrap();
            for (cell, milliohm) in fitted.cells.iter().zip(&put_in) {
                assert!(
                    (cell.milliohm - milliohm).abs() <= cell.uncertainty + 1e-9,
                    "{cell:?}"
                );
            }
            assert_eq!(fitted.outlier, None, "a spread of 20 % is no outlier");
            assert_eq!(fitted.modules.len(), 2);
        }
    }

    #[test]
    fn cell_with_twice_the_resistance_of_its_sisters_is_named() {
        let mut put_in = vec![1.0; 30];
        put_in[14] = 2.5;
        let fitted = fit(&step(&put_in, 20.0, 0.001)).unwrap();
        let outlier = fitted.outlier.unwrap();
        assert_eq!(
            (outlier.place.module, outlier.place.item),
            (Some(2), Some(5))
        );
    }

    #[test]
    fn step_too_small_for_the_registers_names_nobody() {
        let mut put_in = vec![1.0; 30];
        put_in[14] = 2.0;
        let fitted = fit(&step(&put_in, 2.0, 0.001)).unwrap();
        assert_eq!(fitted.outlier, None, "1 mOhm x 2 A is two register steps");
        assert_eq!(
            fit(&step(&put_in, 1.0, 0.001)).unwrap_err().to_string(),
            "the current changed by 1.0 A only, at least 2 A are needed"
        );
    }

    #[test]
    fn unsteady_current_shows_nothing() {
        let mut step = step(&[1.0; 30], 10.0, 0.001);
        step.current_moved = 4.0;
        assert_eq!(
            fit(&step).unwrap_err().to_string(),
            "the current moved by 4.0 A while the cells were read, of a step of 10.0 A"
        );
    }
}
