//! Cells: how voltage at rest follows from the state of charge.
//!
//! Input: state of charge in percent. Output: volts at 25 degC, without hysteresis, linear between
//! the tabulated points. Does not: age.
//!
//! # Sources
//! - Values computed with PyBaMM 26.10.1.1 (BSD-3-Clause), parameter set "Prada2013"; the curves in
//!   that set are graphite from Chen et al., J. Electrochem. Soc. 167(8) 080534 (2020), doi
//!   10.1149/1945-7111/ab9050, and LFP from Afshar et al. 2017, arXiv 1709.03970
//! - NMC: the set of Chen et al. as above

// Kind:   published
// Source: see the module's sources; 0, 10, .. 100 %
const LFP: [f64; 11] = [
    2.0000, 2.9781, 3.1685, 3.2058, 3.2525, 3.2660, 3.2688, 3.2740, 3.3097, 3.3142, 3.6000,
];
// Kind:   published
// Source: see the module's sources; 0, 10, .. 100 %
const NMC: [f64; 11] = [
    2.5000, 3.2959, 3.4852, 3.5814, 3.6670, 3.7509, 3.8406, 3.9479, 4.0421, 4.0967, 4.2000,
];

/// Resistance of one cell, ohm. Kind: invented.
pub(crate) const RESISTANCE: f64 = 0.0006;

/// Volts at rest of a cell of this chemistry (anything but `NMC` is taken for LFP).
pub(crate) fn open_circuit(chemistry: &str, soc: f64) -> f64 {
    let table = if chemistry == "NMC" { NMC } else { LFP };
    let at = soc.clamp(0.0, 100.0) / 10.0;
    let below = (0..10).rev().find(|i| f64::from(*i) <= at).unwrap_or(0u8);
    let value = |i: u8| table.get(usize::from(i)).copied().unwrap_or_default();
    value(below) + (value(below + 1) - value(below)) * (at - f64::from(below))
}

#[cfg(test)]
mod tests {
    use super::*;

    // Kind:   published
    // Source: see the module's sources
    #[test]
    fn open_circuit_at_tabulated_charge_is_the_tabulated_voltage() {
        for (soc, volts) in [(0.0, 2.0), (20.0, 3.1685), (50.0, 3.266), (100.0, 3.6)] {
            assert!((open_circuit("LFP", soc) - volts).abs() < 1e-9, "{soc}");
        }
        assert!((open_circuit("NMC", 90.0) - 4.0967).abs() < 1e-9);
    }

    // Kind: derived (half-way between 3.2660 and 3.2688; outside the scale the ends hold)
    #[test]
    fn open_circuit_between_and_outside_is_linear_and_held() {
        assert!((open_circuit("LFP", 55.0) - 3.2674).abs() < 1e-9);
        assert!((open_circuit("LFP", 140.0) - 3.6).abs() < 1e-9);
        assert!((open_circuit("LFP", -3.0) - 2.0).abs() < 1e-9);
    }
}
