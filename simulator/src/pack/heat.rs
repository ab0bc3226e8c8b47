//! Heat: a chain of cells, each coupled to its neighbours and to the air.
//!
//! Input: the heat that came up in each cell in a step, J. Output: temperatures, degC. Moves in
//! steps of a second at most; what leaves one cell arrives in the next, so no heat is lost by
//! calculation. Does not: know where it came from.

use crate::cell_plan::CellPlan;

/// The chain.
#[derive(Debug, Clone)]
pub(crate) struct Heat {
    /// Temperature of each cell, degC.
    pub(crate) celsius: Vec<f64>,
    /// Temperature of the air, degC.
    pub(crate) ambient: f64,
    capacity: f64,
    to_neighbour: f64,
    to_ambient: f64,
}

impl Heat {
    /// So many cells at one temperature.
    pub(crate) fn new(plan: &CellPlan, cells: usize, celsius: f64) -> Self {
        Self {
            celsius: vec![celsius; cells],
            ambient: plan.ambient.unwrap_or(celsius),
            capacity: plan.heat_capacity,
            to_neighbour: plan.to_neighbour,
            to_ambient: plan.to_ambient,
        }
    }

    /// Goes on for some seconds (one at most, for stability), with the heat of each cell in them.
    pub(crate) fn step(&mut self, seconds: f64, joule: impl Iterator<Item = f64>) {
        let (ambient, couple) = (self.ambient, self.to_neighbour);
        // Heat that flows up to this cell from the one before it.
        let mut from_below = 0.0;
        for (i, joule) in joule.enumerate() {
            let next = self.celsius.get(i + 1).copied();
            let Some(celsius) = self.celsius.get_mut(i) else {
                return;
            };
            let to_above = next.map_or(0.0, |next| (*celsius - next) * couple * seconds);
            let to_air = (*celsius - ambient) * self.to_ambient * seconds;
            let gained = joule + from_below - to_above - to_air;
            from_below = to_above;
            *celsius += gained / self.capacity;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn chain(cells: usize) -> Heat {
        let plan = CellPlan {
            ambient: Some(20.0),
            ..CellPlan::default()
        };
        Heat::new(&plan, cells, 20.0)
    }

    // Kind: derived (P / G: 1.5 W through 0.15 W/K hold a lone cell 10 K above the air)
    #[test]
    fn lone_cell_settles_where_losses_equal_the_heat() {
        let mut heat = chain(1);
        for _ in 0..200_000 {
            heat.step(1.0, [1.5].into_iter());
        }
        assert!((heat.celsius[0] - 30.0).abs() < 1e-3, "{:?}", heat.celsius);
    }

    // Kind: derived (closed form: e^(-t G / C); 1100 J/K and 0.15 W/K: 7333 s)
    #[test]
    fn lone_cell_cools_down_by_its_time_constant() {
        let mut heat = chain(1);
        heat.celsius[0] = 40.0;
        for _ in 0..7333 {
            heat.step(1.0, [0.0].into_iter());
        }
        let wanted = 20.0 + 20.0 * (-1.0f64).exp();
        assert!(
            (heat.celsius[0] - wanted).abs() < 0.01,
            "{:?}",
            heat.celsius
        );
    }

    // Kind: derived (a neighbour warms only its neighbours, both alike)
    #[test]
    fn hot_cell_warms_its_neighbours_first_and_both_alike() {
        let mut heat = chain(5);
        heat.celsius[2] = 60.0;
        for _ in 0..60 {
            heat.step(1.0, [0.0; 5].into_iter());
        }
        let t = &heat.celsius;
        assert!(t[2] > t[1] && t[1] > t[0] && t[0] > 20.0, "{t:?}");
        assert!(
            (t[1] - t[3]).abs() < 1e-9 && (t[0] - t[4]).abs() < 1e-9,
            "{t:?}"
        );
    }

    proptest! {
        // Kind: derived (heat put in = heat in the cells + heat gone to the air)
        #[test]
        fn heat_balance_closes(put_in in prop::collection::vec(0.0f64..20.0, 8), seconds in 1u16..2000) {
            let mut heat = chain(8);
            let (mut given, mut gone) = (0.0, 0.0);
            for _ in 0..seconds {
                gone += heat.celsius.iter().map(|c| (c - 20.0) * 0.15).sum::<f64>();
                given += put_in.iter().sum::<f64>();
                heat.step(1.0, put_in.iter().copied());
            }
            let stored: f64 = heat.celsius.iter().map(|c| (c - 20.0) * 1100.0).sum();
            prop_assert!((given - gone - stored).abs() < 1e-6 * (1.0 + given), "{given} {gone} {stored}");
        }
    }
}
