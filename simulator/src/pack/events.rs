//! What a scenario does to a pack: defects of cells and modules, and modules that change places.
//!
//! Input: an event. Output: a pack changed by it. Does not: know when (see [`crate::World`]).

use super::sense::{apply_to_cells, apply_to_sensors};
use super::{Module, Pack};
use crate::cell_plan::{Defect, Swap};
use crate::scenario::Event;

impl Pack {
    /// Does what an event says about the pack.
    pub(crate) fn apply(&mut self, event: &Event) {
        self.settle();
        if let Some(soc) = event.soc {
            self.soc = soc.clamp(0.0, 100.0);
            self.cells.iter_mut().for_each(|c| c.charge = soc / 100.0);
        }
        self.insulation_kohm = event.insulation_kohm.unwrap_or(self.insulation_kohm);
        self.circuit.apply(event);
        if event.swap.is_some() {
            self.swap(event);
        }
        self.defect_of_cells(event);
        self.defect_of_modules(event);
        let truth: Vec<f64> = (self.cells.iter().enumerate())
            .map(|(i, c)| c.volts(&self.curve, self.sign(i) * self.current))
            .collect();
        apply_to_cells(&mut self.cell_wires, &truth, self.cell_places, event);
        let truth: Vec<f64> = (0..self.sensor_wires.len())
            .map(|i| self.celsius_at(i))
            .collect();
        apply_to_sensors(&mut self.sensor_wires, &truth, self.sensor_places, event);
        self.look();
    }

    fn defect_of_cells(&mut self, event: &Event) {
        let defect = event.defect.or(event.mends);
        let amount = event.amount.filter(|_| event.defect.is_some());
        let (places, rated) = (self.cell_places, self.capacity_ah);
        for (index, module, place) in places.of(self.cells.len()) {
            let is_here = places.chosen(event.module, module) && places.chosen(event.cell, place);
            let Some(cell) = self.cells.get_mut(index).filter(|_| is_here) else {
                continue;
            };
            cell.forced = event.volts.or(cell.forced);
            match defect {
                Some(Defect::WeakCell) => {
                    cell.capacity_ah = rated * amount.map_or(1.0, |percent| percent / 100.0);
                }
                Some(Defect::ResistiveCell) => cell.wear(amount.unwrap_or(1.0)),
                Some(Defect::LeakingCell) => cell.leak = amount.unwrap_or_default() / 1000.0,
                Some(Defect::CellCharge) => {
                    cell.charge = amount.map_or(cell.charge, |percent| percent / 100.0);
                }
                _ => {}
            }
        }
    }

    fn defect_of_modules(&mut self, event: &Event) {
        let is_wrong = event.defect.is_some();
        let amount = event.amount.filter(|_| is_wrong).unwrap_or_default();
        for (index, module) in self.modules.iter_mut().enumerate() {
            if !self.cell_places.chosen(event.module, index) {
                continue;
            }
            match event.defect.or(event.mends) {
                Some(Defect::ModuleReversed) => module.reversed = is_wrong,
                Some(Defect::HeatedModule) => module.heated = amount,
                _ => {}
            }
        }
        let pack_voltage = (Defect::PackVoltageFrozen, Defect::PackVoltageOpen);
        self.meter
            .apply(event, pack_voltage.0, pack_voltage.1, self.volts);
        match event.defect.or(event.mends) {
            // Somebody took one for the other: number and nameplate stand in the wrong place.
            Some(Defect::ModuleMisplaced) => {
                if let Some(both) = self.both(event) {
                    self.exchange_numbers(both, |module| &mut module.position);
                    self.exchange_numbers(both, |module| &mut module.serial);
                }
            }
            Some(Defect::CurrentOffset) => self.current_offset = amount,
            Some(Defect::ChargeReportDrifted) => self.soc = (self.soc + amount).clamp(0.0, 100.0),
            Some(Defect::CurrentReversed) => self.current_reversed = is_wrong,
            _ => {}
        }
    }

    /// Two modules change places: each keeps its cells, its board and its number. Unless the wires
    /// stay, what is wrong with them goes along. Done again, all is as before.
    fn swap(&mut self, event: &Event) {
        let Some((one, other)) = self.both(event) else {
            return;
        };
        let cells = self.cell_places.in_module;
        exchange(&mut self.cells, cells, (one, other));
        exchange(&mut self.heat.celsius, cells, (one, other));
        if event.swap == Some(Swap::WholeModules) {
            let sensors = self.sensor_places.in_module;
            exchange(&mut self.cell_wires, cells, (one, other));
            exchange(&mut self.sensor_wires, sensors, (one, other));
        }
        self.exchange_numbers((one, other), |module| &mut module.serial);
    }

    /// Indices of the two modules that an event names, where both are there.
    fn both(&self, event: &Event) -> Option<(usize, usize)> {
        let index = |n: Option<u16>| {
            let index = usize::from(n?).checked_sub(1)?;
            (index < self.modules.len()).then_some(index)
        };
        index(event.module).zip(index(event.other))
    }

    fn exchange_numbers(
        &mut self,
        (one, other): (usize, usize),
        number: impl Fn(&mut Module) -> &mut u16,
    ) {
        let mut numbers: Vec<u16> = self.modules.iter_mut().map(|m| *number(m)).collect();
        exchange(&mut numbers, 1, (one, other));
        for (module, new) in self.modules.iter_mut().zip(numbers) {
            *number(module) = new;
        }
    }
}

/// Two stretches of a list, each of so many values, change places.
fn exchange<T>(list: &mut [T], each: usize, (one, other): (usize, usize)) {
    let (first, second) = (one.min(other) * each, one.max(other) * each);
    if first == second {
        return;
    }
    let Some((before, after)) = list.split_at_mut_checked(second) else {
        return;
    };
    let (before, after) = (before.get_mut(first..first + each), after.get_mut(..each));
    if let Some((before, after)) = before.zip(after) {
        before.swap_with_slice(after);
    }
}
