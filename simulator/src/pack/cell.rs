//! One cell: charge, resistance, one RC pair, and what it loses by itself.
//!
//! Input: a current that stays the same for a while. Output: charge and voltage after it, and the
//! heat that came of it. The solution is exact for any length of time, so that long steps cost no
//! accuracy. Does not: age, know hysteresis, or change its resistance with temperature or charge.
//!
//! # Beyond empty and full
//! The curve goes on with the slope of its last piece, since a cell that is charged on does not
//! stop at 100 %; how far it is from the truth there nobody has published.
//!
//! # Sources
//! - Values computed with PyBaMM 26.10.1.1 (BSD-3-Clause), parameter set "Prada2013"; the curves in
//!   that set are graphite from Chen et al., J. Electrochem. Soc. 167(8) 080534 (2020), doi
//!   10.1149/1945-7111/ab9050, and LFP from Afshar et al. 2017, arXiv 1709.03970
//! - NMC: the set of Chen et al. as above

/// Voltage at rest over the state of charge at 25 degC, straight between the tabulated points:
/// that is monotonic because they are.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Curve([f64; 11]);

impl Curve {
    // Kind:   published
    // Source: see the module's sources; 0, 10, .. 100 %
    const LFP: Self = Self([
        2.0000, 2.9781, 3.1685, 3.2058, 3.2525, 3.2660, 3.2688, 3.2740, 3.3097, 3.3142, 3.6000,
    ]);
    // Kind:   published
    // Source: see the module's sources; 0, 10, .. 100 %
    const NMC: Self = Self([
        2.5000, 3.2959, 3.4852, 3.5814, 3.6670, 3.7509, 3.8406, 3.9479, 4.0421, 4.0967, 4.2000,
    ]);

    /// The curve of a chemistry (anything but `NMC` is taken for LFP).
    pub(crate) fn of(chemistry: &str) -> Self {
        if chemistry == "NMC" {
            Self::NMC
        } else {
            Self::LFP
        }
    }

    /// Volts at rest for a charge, 0 empty, 1 full.
    pub(crate) fn volts(&self, charge: f64) -> f64 {
        let at = charge * 10.0;
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "clamped to the pieces of the table"
        )]
        let piece = at.clamp(0.0, 9.0) as usize;
        let (Some(left), Some(right)) = (self.0.get(piece), self.0.get(piece + 1)) else {
            return 0.0;
        };
        #[expect(clippy::cast_precision_loss, reason = "at most 9")]
        let beyond = at - piece as f64;
        left + (right - left) * beyond
    }
}

/// e to the power of minus `x`, for `x` from 0 on, from additions and multiplications only: those
/// give the same bits on every machine, a library's `exp` need not.
pub(crate) fn decay(x: f64) -> f64 {
    let x = x.clamp(0.0, 700.0);
    let mut halvings = 0;
    let mut small = x;
    while small > 0.25 {
        small /= 2.0;
        halvings += 1;
    }
    let (mut term, mut sum) = (1.0, 1.0);
    for n in 1..=14u8 {
        term *= -small / f64::from(n);
        sum += term;
    }
    for _ in 0..halvings {
        sum *= sum;
    }
    sum
}

/// A stretch of time, with what its length means for an RC pair.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Stretch {
    /// Length, s.
    pub(crate) seconds: f64,
    /// What is left of a difference at its end.
    left: f64,
    /// Integral of what is left, and of its square, s.
    integral: f64,
    square: f64,
}

impl Stretch {
    /// So many seconds for a pair of this time constant, s.
    pub(crate) fn new(seconds: f64, constant: f64) -> Self {
        let left = decay(seconds / constant);
        Self {
            seconds,
            left,
            integral: constant * (1.0 - left),
            square: constant / 2.0 * (1.0 - left * left),
        }
    }
}

/// One cell.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Cell {
    /// Charge, 0 empty, 1 full; a mistreated cell can be beyond.
    pub(crate) charge: f64,
    /// Capacity, Ah.
    pub(crate) capacity_ah: f64,
    /// How many times its resistances are those that it was born with.
    pub(crate) worn: f64,
    /// Resistance that shows at once, ohm.
    pub(crate) ohm: f64,
    /// Resistance of the RC pair, ohm.
    pub(crate) polarisation_ohm: f64,
    /// Voltage over the RC pair.
    pub(crate) polarisation: f64,
    /// Lost within the cell, A: its energy becomes heat here.
    pub(crate) leak: f64,
    /// Taken from the cell alone by balancing, A: that becomes heat elsewhere.
    pub(crate) bleed: f64,
    /// Small difference of its curve, V.
    pub(crate) offset: f64,
    /// Voltage at rest as a scenario wants it, whatever the charge.
    pub(crate) forced: Option<f64>,
}

impl Cell {
    /// Volts with this current, A, positive into the cell.
    pub(crate) fn volts(&self, curve: &Curve, amps: f64) -> f64 {
        self.rest(curve) + amps * self.ohm + self.polarisation
    }

    fn rest(&self, curve: &Curve) -> f64 {
        self.forced
            .unwrap_or_else(|| curve.volts(self.charge) + self.offset)
    }

    /// Both resistances are so many times those that it was born with.
    pub(crate) fn wear(&mut self, times: f64) {
        self.ohm *= times / self.worn;
        self.polarisation_ohm *= times / self.worn;
        self.worn = times;
    }

    /// Lets a current flow for a stretch. Gives the heat that comes of it in the cell, J.
    pub(crate) fn flow(&mut self, curve: &Curve, amps: f64, stretch: &Stretch) -> f64 {
        let settled = amps * self.polarisation_ohm;
        let away = self.polarisation - settled;
        let in_pair = if self.polarisation_ohm > 0.0 {
            let square = settled * settled * stretch.seconds
                + 2.0 * settled * away * stretch.integral
                + away * away * stretch.square;
            square / self.polarisation_ohm
        } else {
            0.0
        };
        let leaked = self.rest(curve) * self.leak * stretch.seconds;
        self.polarisation = settled + away * stretch.left;
        let inner = amps - self.leak - self.bleed;
        self.charge += inner * stretch.seconds / (3600.0 * self.capacity_ah);
        amps * amps * self.ohm * stretch.seconds + in_pair + leaked
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const CONSTANT: f64 = 30.0;

    fn cell() -> Cell {
        Cell {
            charge: 0.55,
            capacity_ah: 50.0,
            worn: 1.0,
            ohm: 0.0006,
            polarisation_ohm: 0.0004,
            polarisation: 0.0,
            leak: 0.0,
            bleed: 0.0,
            offset: 0.0,
            forced: None,
        }
    }

    // Kind:   published
    // Source: see the module's sources
    #[test]
    fn curve_at_tabulated_charge_is_the_tabulated_voltage() {
        let lfp = Curve::of("LFP");
        for (charge, volts) in [(0.0, 2.0), (0.2, 3.1685), (0.5, 3.266), (1.0, 3.6)] {
            assert!((lfp.volts(charge) - volts).abs() < 1e-9, "{charge}");
        }
        assert!((Curve::of("NMC").volts(0.9) - 4.0967).abs() < 1e-9);
    }

    // Kind: derived (half-way between 3.2660 and 3.2688; beyond full 0.2858 V for each 10 %)
    #[test]
    fn curve_between_and_beyond_its_points_is_straight() {
        let lfp = Curve::of("LFP");
        assert!((lfp.volts(0.55) - 3.2674).abs() < 1e-9);
        assert!((lfp.volts(1.05) - 3.7429).abs() < 1e-9);
        assert!((lfp.volts(-0.1) - 1.0219).abs() < 1e-9);
    }

    proptest! {
        // Kind: derived (a charged cell never has less voltage than a less charged one)
        #[test]
        fn curve_never_falls(a in -0.2f64..1.2, b in -0.2f64..1.2, nmc: bool) {
            let curve = Curve::of(if nmc { "NMC" } else { "LFP" });
            prop_assert!(curve.volts(a.min(b)) <= curve.volts(a.max(b)));
        }

        // Kind: derived (the exponential function of the standard library)
        #[test]
        fn decay_is_the_exponential_function(x in 0.0f64..200.0) {
            let library = (-x).exp();
            prop_assert!((decay(x) - library).abs() <= 1e-12 * library, "{} {library}", decay(x));
        }
    }

    // Kind: derived (closed form of a step of current into R + RC: I R + I R1 (1 - e^(-t/T)))
    #[test]
    fn rc_pair_after_a_step_follows_the_closed_form() {
        let curve = Curve::of("LFP");
        for seconds in [0.1f64, 1.0, 7.5, 30.0, 300.0] {
            let mut cell = cell();
            cell.capacity_ah = 1e12; // so that the charge stays
            cell.flow(&curve, 40.0, &Stretch::new(seconds, CONSTANT));
            let wanted =
                3.2674 + 40.0 * 0.0006 + 40.0 * 0.0004 * (1.0 - (-seconds / CONSTANT).exp());
            let volts = cell.volts(&curve, 40.0);
            assert!(
                (volts - wanted).abs() < 1e-9,
                "{seconds} s: {volts} {wanted}"
            );
        }
    }

    // Kind:   published
    // Source: IEC 61960, as reprinted: 0.2 It for 10 s, then at once 1.0 It for 1 s,
    //         R = (U1 - U2) / (I2 - I1)
    // Note:   it sees the resistance at once and the part of the pair that shows in the second,
    //         and a little of the fallen charge: at 55 % 14 mV for the whole scale
    #[test]
    fn two_step_method_recovers_the_resistance_put_in() {
        let curve = Curve::of("LFP");
        for factor in [1.0, 3.0] {
            let mut cell = cell();
            cell.ohm *= factor;
            let rated = cell.capacity_ah;
            let mut under = |share: f64, seconds: f64| {
                cell.flow(&curve, -share * rated, &Stretch::new(seconds, CONSTANT));
                cell.volts(&curve, -share * rated)
            };
            let first = under(0.2, 10.0);
            let second = under(1.0, 1.0);
            let measured = (first - second) / (0.8 * rated);
            // Of the pair: 0.8 It more for 1 s; what 0.2 It still added in that second; and
            // 1 s at 1 It from the charge, 1/3600 of it.
            let step = 1.0 - (-1.0f64 / CONSTANT).exp();
            let of_pair = 0.0004 * (step + 0.25 * (-10.0f64 / CONSTANT).exp() * step);
            let of_charge = 0.028 / 3600.0 / (0.8 * rated);
            let put_in = 0.0006 * factor;
            let wanted = put_in + of_pair + of_charge;
            assert!((measured - wanted).abs() < 1e-9, "{measured} {wanted}");
            assert!(
                (measured / put_in - 1.0).abs() < 0.035,
                "{measured} {put_in}"
            );
        }
    }

    /// Energy stored by chemistry, J: the curve summed up in fine steps, another way than `flow`.
    fn stored(curve: &Curve, cell: &Cell) -> f64 {
        let steps = 20_000;
        let width = cell.charge / f64::from(steps);
        let sum: f64 = (0..steps)
            .map(|i| curve.volts((f64::from(i) + 0.5) * width))
            .sum();
        sum * width * cell.capacity_ah * 3600.0
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(40))]

        // Kind: derived (energy in = stored in chemistry + stored in the pair + heat + bled away;
        //       charge in = charge stored + leaked + bled)
        #[test]
        fn charge_and_energy_are_conserved(
            currents in prop::collection::vec(-60.0f64..60.0, 1..12),
            leak in 0.0f64..2.0,
            bleed in 0.0f64..0.5,
        ) {
            let curve = Curve::of("LFP");
            let mut cell = Cell { leak, bleed, ..cell() };
            let farad = CONSTANT / cell.polarisation_ohm;
            let before = stored(&curve, &cell);
            let charge_before = cell.charge;
            let (mut work, mut heat, mut charge) = (0.0, 0.0, 0.0);
            for amps in currents {
                // Work at the terminals by the trapezoidal rule over short stretches.
                for _ in 0..300 {
                    let from = cell.volts(&curve, amps);
                    let rest = from - amps * cell.ohm - cell.polarisation;
                    heat += cell.flow(&curve, amps, &Stretch::new(0.2, CONSTANT));
                    let to = cell.volts(&curve, amps);
                    work += amps * (from + to) / 2.0 * 0.2;
                    heat += rest * bleed * 0.2; // of the resistor on the board
                    charge += (amps - leak - bleed) * 0.2;
                }
            }
            let in_pair = farad * cell.polarisation * cell.polarisation / 2.0;
            let kept = stored(&curve, &cell) - before + in_pair;
            prop_assert!((work - kept - heat).abs() < 1e-4 * (work.abs() + heat) + 2.0, "{work} {kept} {heat}");
            let stored_charge = (cell.charge - charge_before) * cell.capacity_ah * 3600.0;
            prop_assert!((charge - stored_charge).abs() < 1e-6, "{charge} {stored_charge}");
        }

        // Kind: derived (one long stretch is as good as many short ones)
        #[test]
        fn long_stretch_equals_many_short_ones(amps in -60.0f64..60.0, pieces in 1u16..200) {
            let curve = Curve::of("NMC");
            let (mut whole, mut cut) = (cell(), cell());
            let heat = whole.flow(&curve, amps, &Stretch::new(60.0, CONSTANT));
            let piece = Stretch::new(60.0 / f64::from(pieces), CONSTANT);
            let sum: f64 = (0..pieces).map(|_| cut.flow(&curve, amps, &piece)).sum();
            prop_assert!((whole.charge - cut.charge).abs() < 1e-12);
            prop_assert!((whole.polarisation - cut.polarisation).abs() < 1e-12);
            prop_assert!((heat - sum).abs() < 1e-6 * (1.0 + heat));
        }
    }
}
