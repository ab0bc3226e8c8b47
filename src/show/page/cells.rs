//! The map of the cells: every cell as its distance from the middle of all, in millivolts.
//!
//! Does not: call a cell good or bad. Marked are the lowest and the highest, and the places that a
//! finding names; all by shape.

use std::collections::{BTreeMap, BTreeSet};

use packside_profiles::Role;

use super::canvas::{Canvas, MarkShape, figure};
use super::html::{Html, number};
use super::parts;
use super::parts::Parts;
use crate::facts::whereabouts::Item;
use crate::facts::{Finding, Reading};
use crate::statistics;

/// A module: unit address and position.
pub(crate) type Module = (u8, u16);
/// A cell: its module and its number.
pub(crate) type Cell = (Module, u16);

/// Numbers of all cells.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct Grid {
    /// Value of each cell; none where it could not be read.
    pub(crate) cells: BTreeMap<Cell, Option<f64>>,
    /// Cells that a finding names.
    pub(crate) named: BTreeSet<Cell>,
}

impl Grid {
    /// The values of one role.
    pub(crate) fn of(readings: &[Reading], findings: &[Finding], role: Role) -> Self {
        let place = |r: &Reading| Some(((r.unit, r.place.module.unwrap_or(1)), r.place.item?));
        let cells: BTreeMap<Cell, Option<f64>> = readings
            .iter()
            .filter(|r| r.role == role)
            .filter_map(|r| Some((place(r)?, r.any_number())))
            .collect();
        // A sensor has the number of a cell, and is none.
        let items = |f: &Finding| match (f.whereabouts().item, f.place.item) {
            (Item::Sensor, Some(one)) if role == Role::CellTemperature => vec![one],
            (Item::Cell, Some(one)) if role == Role::CellVoltage => vec![one],
            (Item::CellPair, Some(one)) if role == Role::CellVoltage => {
                vec![one, one.saturating_add(1)]
            }
            _ => Vec::new(),
        };
        let of_module = |f: &Finding, item| ((f.unit, f.place.module.unwrap_or(1)), item);
        let named = findings
            .iter()
            .flat_map(|f| items(f).into_iter().map(move |item| of_module(f, item)))
            .filter(|cell| cells.contains_key(cell))
            .collect();
        Self { cells, named }
    }

    /// Modules in order.
    pub(crate) fn modules(&self) -> Vec<Module> {
        let modules: BTreeSet<Module> = self.cells.keys().map(|(module, _)| *module).collect();
        modules.into_iter().collect()
    }

    /// Cells of the largest module.
    fn longest(&self) -> u16 {
        self.cells.keys().map(|(_, item)| *item).max().unwrap_or(0)
    }

    /// Values in order of size.
    fn sorted(&self) -> Vec<(f64, Cell)> {
        let known = self
            .cells
            .iter()
            .filter_map(|(cell, v)| Some(((*v)?, *cell)));
        let mut values: Vec<(f64, Cell)> = known.collect();
        values.sort_by(|a, b| a.0.total_cmp(&b.0));
        values
    }

    /// The middle value.
    pub(crate) fn median(&self) -> Option<f64> {
        let values = self.sorted().into_iter().map(|(value, _)| value);
        statistics::median(values.collect(), f64::total_cmp)
    }

    /// Values of one module.
    pub(crate) fn of_module(&self, module: Module) -> Vec<(u16, f64)> {
        self.cells
            .iter()
            .filter(|((known, _), _)| *known == module)
            .filter_map(|((_, item), value)| Some((*item, (*value)?)))
            .collect()
    }

    /// Lowest and highest, where they differ.
    pub(crate) fn extremes(&self) -> Option<((f64, Cell), (f64, Cell))> {
        let values = self.sorted();
        let (low, high) = (*values.first()?, *values.last()?);
        (high.0 > low.0).then_some((low, high))
    }

    /// Marks of the lowest and the highest, where they stand out from the middle at all.
    fn mark_of(&self, cell: Cell) -> Option<MarkShape> {
        let ((low, lowest), (high, highest)) = self.extremes()?;
        let middle = self.median()?;
        match cell {
            _ if cell == lowest && low < middle => Some(MarkShape::Down),
            _ if cell == highest && high > middle => Some(MarkShape::Up),
            _ => None,
        }
    }
}

/// Adds the map and the table of modules.
pub(crate) fn add(html: &mut Html, parts: &Parts) {
    let judgement = parts.source.judgement;
    let grid = Grid::of(&judgement.readings, &judgement.findings, Role::CellVoltage);
    let Some(middle) = grid.median() else {
        return;
    };
    html.put("h3", &[], "Cells");
    let label = in_words(&grid, middle);
    let caption = format!(
        "Difference of every cell from the middle of all, {} V, in millivolts. \u{25b2} highest, \u{25bc} lowest, \
         \u{00d7} not readable; a heavy frame: named by a finding.",
        number(middle, 3)
    );
    let difference = |value: f64| (value - middle) * 1000.0;
    figure(html, &label, &caption, |canvas| {
        map(canvas, &grid, &difference);
    });
    table(html, &grid, parts);
}

/// `module 2, cell 14`, with the address where there are several.
pub(crate) fn cell_name(grid: &Grid, cell: Cell) -> String {
    let ((unit, module), item) = cell;
    format!("{}, cell {item}", module_name(grid, (unit, module)))
}

pub(crate) fn module_name(grid: &Grid, module: Module) -> String {
    let modules = grid.modules();
    let several_units = modules.iter().any(|(unit, _)| *unit != module.0);
    let several_modules = modules.iter().any(|(_, position)| *position != module.1);
    match (several_units, several_modules) {
        (true, false) => format!("pack {}", module.0),
        (true, true) => format!("pack {}, module {}", module.0, module.1),
        (false, _) => format!("module {}", module.1),
    }
}

fn in_words(grid: &Grid, middle: f64) -> String {
    let mut words = format!(
        "Cell map of {} modules and {} cells, middle {} V.",
        grid.modules().len(),
        grid.cells.len(),
        number(middle, 3)
    );
    if let Some((low, high)) = grid.extremes() {
        words.push_str(&format!(
            " Lowest: {}, {} V. Highest: {}, {} V.",
            cell_name(grid, low.1),
            number(low.0, 3),
            cell_name(grid, high.1),
            number(high.0, 3)
        ));
    }
    for cell in &grid.named {
        words.push_str(&format!(" Named by a finding: {}.", cell_name(grid, *cell)));
    }
    words
}

/// Draws the map: modules as rows where their cells fit, else as columns.
pub(crate) fn map(canvas: &mut Canvas, grid: &Grid, shown: &dyn Fn(f64) -> f64) {
    let modules = grid.modules();
    let longest = grid.longest();
    let name_width = 54.0;
    let across = (canvas.width - name_width - 2.0) / f64::from(longest.max(1));
    let as_rows = across >= 21.0;
    let lanes = if as_rows {
        f64::from(longest)
    } else {
        modules.len() as f64
    };
    let margin = if as_rows { name_width } else { 24.0 };
    let size = (
        ((canvas.width - margin - 2.0) / lanes.max(1.0)).min(72.0),
        if as_rows { 26.0 } else { 19.0 },
    );
    let head = canvas.down(18.0);
    let rows = if as_rows {
        modules.len()
    } else {
        usize::from(longest)
    };
    let top = canvas.down(rows as f64 * size.1 + 4.0);
    let ends = grid.extremes().map(|(low, high)| [low.1, high.1]);
    let marks: BTreeMap<Cell, MarkShape> = ends
        .into_iter()
        .flatten()
        .filter_map(|cell| Some((cell, grid.mark_of(cell)?)))
        .collect();
    for (lane, module) in modules.iter().enumerate() {
        let lane = lane as f64;
        let name = short_name(&modules, *module, as_rows);
        if as_rows {
            canvas.text((0.0, top + lane * size.1 + 17.0), "", &name);
        } else {
            let x = margin + (lane + 0.5) * size.0;
            canvas.text((x, head + 12.0), "t-mid t-small", &name);
        }
        for item in 1..=longest {
            let cell = (*module, item);
            let Some(value) = grid.cells.get(&cell) else {
                continue;
            };
            let along = f64::from(item - 1);
            let (column, row) = if as_rows {
                (along, lane)
            } else {
                (lane, along)
            };
            let at = (margin + column * size.0, top + row * size.1);
            let end = marks.get(&cell).copied();
            draw_cell(canvas, at, size, value.map(shown), end);
        }
    }
    frames(canvas, grid, &modules, (margin, top), size, as_rows);
    for item in 1..=longest {
        let along = f64::from(item - 1) + 0.5;
        if as_rows && (item % 5 == 0 || item == 1) {
            canvas.text(
                (margin + along * size.0, head + 12.0),
                "t-mid t-soft t-small",
                &item.to_string(),
            );
        } else if !as_rows {
            canvas.text(
                (margin - 5.0, top + along * size.1 + 4.0),
                "t-end t-soft t-small",
                &item.to_string(),
            );
        }
    }
}

/// Frames come last, so that no neighbour covers them.
fn frames(
    canvas: &mut Canvas,
    grid: &Grid,
    modules: &[Module],
    origin: (f64, f64),
    size: (f64, f64),
    as_rows: bool,
) {
    for (module, item) in &grid.named {
        let Some(lane) = modules.iter().position(|known| known == module) else {
            continue;
        };
        let (lane, along) = (lane as f64, f64::from(item.saturating_sub(1)));
        let (column, row) = if as_rows {
            (along, lane)
        } else {
            (lane, along)
        };
        let at = (origin.0 + column * size.0, origin.1 + row * size.1);
        canvas.rect(at, size, "frame");
    }
}

fn short_name(modules: &[Module], module: Module, long: bool) -> String {
    let several_units = modules.iter().any(|(unit, _)| *unit != module.0);
    let number = if several_units {
        u16::from(module.0)
    } else {
        module.1
    };
    match (long, several_units) {
        (true, true) => format!("pack {number}"),
        (true, false) => format!("mod. {number}"),
        (false, _) => number.to_string(),
    }
}

fn draw_cell(
    canvas: &mut Canvas,
    at: (f64, f64),
    size: (f64, f64),
    value: Option<f64>,
    end: Option<MarkShape>,
) {
    let middle = (at.0 + size.0 / 2.0, at.1 + size.1 / 2.0);
    canvas.rect(at, size, if end.is_some() { "band" } else { "box" });
    let Some(value) = value else {
        canvas.mark(MarkShape::Cross, middle, 4.0);
        return;
    };
    let text = number(value, 0);
    let needed = text.chars().count() as f64 * 5.6;
    let fits = size.0 >= needed * 0.85;
    let class = match (end.is_some(), size.0 >= needed) {
        (true, true) => "t-mid t-small t-bold",
        (true, false) => "t-mid t-tiny t-bold",
        (false, true) => "t-mid t-small",
        (false, false) => "t-mid t-tiny",
    };
    let lower = if size.1 > 24.0 { 5.0 } else { 0.0 };
    match end {
        Some(shape) if lower > 0.0 => {
            canvas.mark(shape, (middle.0, at.1 + 6.5), 3.2);
            if fits {
                canvas.text((middle.0, middle.1 + lower + 4.0), class, &text);
            }
        }
        Some(shape) => {
            canvas.mark(shape, (at.0 + 6.5, middle.1), 3.2);
            if fits {
                canvas.text((middle.0 + 5.0, middle.1 + 4.0), class, &text);
            }
        }
        None if fits => canvas.text((middle.0, middle.1 + 4.0), class, &text),
        None => canvas.circle(middle, 1.5, "fill"),
    }
}

/// Modules with their lowest and highest cell and temperature.
fn table(html: &mut Html, grid: &Grid, parts: &Parts) {
    let judgement = parts.source.judgement;
    let warm = Grid::of(&judgement.readings, &[], Role::CellTemperature);
    let rows: Vec<Vec<String>> = grid
        .modules()
        .into_iter()
        .map(|module| {
            let mut row = vec![module_name(grid, module)];
            row.extend(ends(&grid.of_module(module), 3));
            let warm = warm.of_module(module);
            if !warm.is_empty() {
                let [low, high, _] = ends(&warm, 1);
                row.extend([low, high]);
            }
            row
        })
        .collect();
    let columns = [
        "Module",
        "Lowest cell, V",
        "Highest cell, V",
        "Apart, mV",
        "Coolest sensor, \u{b0}C",
        "Warmest sensor, \u{b0}C",
    ];
    parts::table(
        html,
        "Number of the cell or sensor in brackets",
        &columns,
        &rows,
    );
}

/// Lowest, highest, and how far apart in thousandths.
fn ends(values: &[(u16, f64)], decimals: usize) -> [String; 3] {
    let by_value = |a: &&(u16, f64), b: &&(u16, f64)| a.1.total_cmp(&b.1);
    let low = values.iter().min_by(by_value);
    let high = values.iter().rev().max_by(by_value);
    let (Some(low), Some(high)) = (low, high) else {
        return ["not read".to_owned(), "not read".to_owned(), String::new()];
    };
    let text = |(item, value): &(u16, f64)| format!("{} ({item})", number(*value, decimals));
    [text(low), text(high), number((high.1 - low.1) * 1000.0, 0)]
}

#[cfg(test)]
mod tests {
    use super::*;

    fn grid(values: &[(u16, u16, Option<f64>)]) -> Grid {
        Grid {
            cells: values.iter().map(|(m, c, v)| (((1, *m), *c), *v)).collect(),
            named: BTreeSet::new(),
        }
    }

    #[test]
    fn extremes_are_named_and_an_unreadable_cell_is_no_zero() {
        // Kind: invented.
        let grid = grid(&[
            (1, 1, Some(3.30)),
            (1, 2, None),
            (2, 1, Some(3.10)),
            (2, 2, Some(3.31)),
        ]);
        let (low, high) = grid.extremes().unwrap();
        assert_eq!(cell_name(&grid, low.1), "module 2, cell 1");
        assert_eq!(cell_name(&grid, high.1), "module 2, cell 2");
        assert_eq!(grid.median(), Some(3.30));
        assert_eq!(grid.of_module((1, 1)), vec![(1, 3.30)]);
    }

    #[test]
    fn equal_cells_have_no_extremes() {
        let grid = grid(&[(1, 1, Some(3.3)), (1, 2, Some(3.3))]);
        assert_eq!(grid.extremes(), None);
    }

    #[test]
    fn map_draws_every_cell_in_both_directions() {
        let values: Vec<(u16, u16, Option<f64>)> = (1..=5)
            .flat_map(|m| (1..=30).map(move |c| (m, c, Some(3.3))))
            .collect();
        let grid = grid(&values);
        for width in [760.0, 340.0] {
            let mut canvas = Canvas::new(width);
            map(&mut canvas, &grid, &|value| value);
            assert!(
                canvas.height > 100.0 && canvas.height < 900.0,
                "{}",
                canvas.height
            );
        }
    }
}
