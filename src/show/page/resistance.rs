//! Picture of the load test: the resistance of every cell, relative to the others.
//!
//! Fitted anew from the recorded bytes by [`load`], the same as on site. Does not: judge by absolute
//! values; who stands out is said by the fit.

use super::canvas::{Canvas, Scale, figure, range};
use super::html::{Html, number};
use super::parts;
use super::parts::Parts;
use crate::visit::load::{self, Fitted, LoadStep, Resistance};

/// Left end of the scale.
const MARGIN: f64 = 84.0;

/// Adds the load test, where one was recorded.
pub(crate) fn add(html: &mut Html, parts: &Parts) {
    let (events, profile) = (&parts.source.session.events, parts.source.profile);
    let recorded = |profile| load::recorded(events.beside(), events, profile);
    let Some(step) = profile.and_then(recorded) else {
        return;
    };
    html.put("h3", &[], "Load test");
    match load::fit(&step) {
        Ok(fitted) => fit(html, &step, &fitted),
        Err(why) => {
            html.put("p", &[], &format!("No resistance was fitted: {why}."));
        }
    }
}

fn fit(html: &mut Html, step: &LoadStep, fitted: &Fitted) {
    let outlier = fitted.outlier.map_or_else(
        || "No cell stands out from the others.".to_owned(),
        |cell| {
            format!(
                "{} stands out: {} m\u{3a9} against {} in the middle. Look at its connections, then repeat the test.",
                name(&cell),
                with_range(&cell),
                number(fitted.median, 2)
            )
        },
    );
    let step_text = format!(
        "current from {} to {} A",
        number(step.before, 1),
        number(step.under_load, 1)
    );
    html.put("p", &[], &outlier);
    let label = format!(
        "Resistance of {} cells from a step of the {step_text}; the middle one {} m\u{3a9}. {outlier}",
        fitted.cells.len(),
        number(fitted.median, 2)
    );
    let caption = format!(
        "Resistance of every cell as the {step_text} shows it; bar: mean of the module with its uncertainty; line: the middle \
         cell; framed: stands out by more than the uncertainty. It depends on temperature, charge and time: compare cells of one step only."
    );
    figure(html, &label, &caption, |canvas| cells(canvas, fitted));
    let rows: Vec<Vec<String>> = fitted
        .modules
        .iter()
        .map(|module| {
            let share = module.milliohm / fitted.median.max(1e-9) * 100.0;
            vec![
                name(module),
                format!("{} m\u{3a9}", with_range(module)),
                format!("{} %", number(share, 0)),
            ]
        })
        .collect();
    parts::table(
        html,
        "Modules under the same step",
        &["Module", "Mean of its cells", "Of the middle cell"],
        &rows,
    );
}

fn name(of: &Resistance) -> String {
    let module = of
        .place
        .module
        .map_or_else(|| "all".to_owned(), |m| format!("module {m}"));
    match of.place.item {
        Some(cell) => format!("{module}, cell {cell}"),
        None => module,
    }
}

fn with_range(of: &Resistance) -> String {
    format!(
        "{} \u{b1} {}",
        number(of.milliohm, 2),
        number(of.uncertainty, 2)
    )
}

/// One row for each module, one ring for each cell, a bar for the mean.
fn cells(canvas: &mut Canvas, fitted: &Fitted) {
    let values = fitted.cells.iter().map(|cell| cell.milliohm);
    let Some(ends) = range(values, 0.2, 0.08) else {
        return;
    };
    // Room for the unit behind the last number.
    let end = canvas.width - 36.0;
    let scale = Scale {
        values: ends,
        places: (MARGIN, end),
    };
    let top = canvas.down(12.0 + fitted.modules.len() as f64 * 34.0);
    let (ticks, decimals) = scale.ticks(if canvas.is_narrow() { 4.0 } else { 9.0 });
    let bottom = canvas.down(24.0);
    for (index, tick) in ticks.iter().enumerate() {
        let x = scale.at(*tick);
        canvas.line((x, top), (x, bottom), "grid");
        let unit = if index + 1 == ticks.len() {
            " m\u{3a9}"
        } else {
            ""
        };
        let text = format!("{}{unit}", number(*tick, decimals));
        canvas.text((x, bottom + 16.0), "t-mid t-small t-soft", &text);
    }
    let middle = scale.at(fitted.median);
    canvas.line((middle, top), (middle, bottom), "axis");
    for (row, module) in fitted.modules.iter().enumerate() {
        let y = top + 22.0 + row as f64 * 34.0;
        canvas.text((0.0, y + 4.0), "", &name(module));
        let reach = |by: f64| scale.at((module.milliohm + by).clamp(ends.0, ends.1));
        let (from, to) = (reach(-module.uncertainty), reach(module.uncertainty));
        canvas.rect((from, y + 5.0), ((to - from).max(3.0), 5.0), "bar");
        for cell in fitted
            .cells
            .iter()
            .filter(|c| c.place.module == module.place.module)
        {
            let at = (scale.at(cell.milliohm), y - 2.0);
            canvas.circle(at, 3.4, "hollow");
            if fitted.outlier == Some(*cell) {
                canvas.rect((at.0 - 7.0, at.1 - 7.0), (14.0, 14.0), "frame");
            }
        }
    }
}
