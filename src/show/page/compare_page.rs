//! The page about two visits: what changed, with pictures.
//!
//! Does not: compare by itself (`compare`), or call a change good or bad.

use std::time::Duration;

use super::canvas::{Canvas, Scale, figure, range};
use super::cells::{self, Grid, Module, cell_name, module_name};
use super::compare::{Comparison, EarlierLater};
use super::document::document;
use super::html::{Html, number};
use super::parts::{section, table};
use super::sections;
use super::{Options, PageSource, Reader, facts, words};
use crate::facts::{Finding, VerdictKind};
use crate::words as sentence;

/// The page about two visits.
pub fn comparison_page(comparison: &Comparison, options: Options) -> String {
    let title = format!("Battery unit {}, two visits", comparison.serial);
    document(&title, |body| {
        body.around("header", &[], |header| head(header, comparison));
        body.around("main", &[], |main| {
            verdicts(main, comparison);
            findings(main, comparison, options);
            sections::cautions(main);
            pictures(main, comparison);
            differences(
                main,
                "Identity",
                "Model, firmware and modules are as they were.",
                &comparison.identity,
            );
            differences(
                main,
                "Answers",
                "Every question was answered as before, or none was asked.",
                &comparison.answers,
            );
            recordings(main, comparison);
        });
        body.around("footer", &[], |footer| {
            footer.text(&format!(
                "Made by packside {} from two recordings. It only reads.",
                env!("CARGO_PKG_VERSION")
            ));
        });
    })
}

fn when(source: &PageSource) -> String {
    words::local(&source.session.start, Duration::ZERO)
}

fn head(html: &mut Html, comparison: &Comparison) {
    html.around("h1", &[], |h1| {
        h1.text("Two visits to the battery unit ");
        h1.put("strong", &[], &comparison.serial);
    });
    let sources = &comparison.sources;
    let text = format!("{} and {}", when(&sources.before), when(&sources.after));
    html.put("p", &[("class", "soft")], &text);
    if facts::is_simulated(&sources.before) || facts::is_simulated(&sources.after) {
        html.put(
            "p",
            &[("class", "stamp")],
            "SIMULATED: made with the built-in simulator. There was no real unit, and nothing here is about one.",
        );
    }
}

fn verdicts(html: &mut Html, comparison: &Comparison) {
    html.around("section", &[("class", "verdict")], |section| {
        section.put("h2", &[], "Verdicts");
        section.around("div", &[], |inner| {
            verdict(
                inner,
                "Then",
                comparison.verdicts.before,
                &comparison.sources.before,
            );
            verdict(
                inner,
                "Now",
                comparison.verdicts.after,
                &comparison.sources.after,
            );
            inner.put(
                "p",
                &[("class", "soft small")],
                "As shown on site; a verdict that was not shown was judged now from the recording.",
            );
        });
    });
}

fn verdict(html: &mut Html, name: &str, kind: Option<VerdictKind>, source: &PageSource) {
    let (sign, class) = words::sign(kind);
    html.around("p", &[("class", "head")], |head| {
        head.put("span", &[("class", class), ("aria-hidden", "true")], sign);
        let text = kind.map_or("unknown verdict", words::verdict);
        head.put("span", &[], &format!("{name}: {text}"));
    });
    let shown = source.session.last_shown();
    let now = || sentence::summary(source.judgement);
    let summary = shown.map_or_else(now, |shown| shown.summary.clone());
    html.put("p", &[], &format!("{}: {summary}", when(source)));
}

fn findings(html: &mut Html, comparison: &Comparison, options: Options) {
    section(html, "Findings", |inner| {
        let sources = &comparison.sources;
        let lists = [
            ("New", &comparison.new, &sources.after),
            ("Gone", &comparison.gone, &sources.before),
            ("In both", &comparison.stayed, &sources.after),
        ];
        for (name, list, source) in lists {
            inner.put("h3", &[], name);
            if list.is_empty() {
                inner.put("p", &[], "None.");
                continue;
            }
            let rows: Vec<Vec<String>> = list.iter().map(|f| row(f, source, options)).collect();
            table(inner, "", &["How grave", "Where", "What"], &rows);
        }
        inner.put(
            "p",
            &[("class", "soft small")],
            "A finding that is gone was not seen this time. That does not prove that its reason is mended.",
        );
    });
}

fn row(finding: &Finding, source: &PageSource, options: Options) -> Vec<String> {
    let what = match options.reader {
        Reader::Desk => {
            let text = sentence::of_finding(source.judgement, finding);
            format!("{}: {text}", finding.id)
        }
        Reader::Customer => words::finding_for_customer(finding).to_owned(),
    };
    vec![
        words::severity(finding.severity).to_owned(),
        words::place(finding),
        what,
    ]
}

fn pictures(html: &mut Html, comparison: &Comparison) {
    section(html, "Pictures", |inner| {
        inner.put("h3", &[], "How each cell moved");
        match &comparison.cells {
            Err(why) => {
                inner.put("p", &[], &format!("Not compared: {why}."));
            }
            Ok(moved) => moved_cells(inner, moved),
        }
        let spread = |grid: &Grid, module| width(grid, module).map(|volts| volts * 1000.0);
        dumbbells(
            inner,
            "How far the cells of a module are apart",
            &comparison.grids,
            &spread,
            ("mV", 0, 2.0),
        );
        let warmest = |grid: &Grid, module| {
            let values = grid.of_module(module).into_iter().map(|(_, value)| value);
            values.max_by(f64::total_cmp)
        };
        dumbbells(
            inner,
            "Warmest sensor of each module",
            &comparison.warm,
            &warmest,
            ("\u{b0}C", 1, 4.0),
        );
    });
}

fn moved_cells(html: &mut Html, moved: &Grid) {
    let mut label = format!("Cell map of {} cells: how each moved.", moved.cells.len());
    if let Some((low, high)) = moved.extremes() {
        label.push_str(&format!(
            " Most downwards: {}, {} mV. Most upwards: {}, {} mV.",
            cell_name(moved, low.1),
            number(low.0 * 1000.0, 0),
            cell_name(moved, high.1),
            number(high.0 * 1000.0, 0)
        ));
    }
    let caption = format!(
        "{label} Each against the middle of its own visit, at rest, in millivolts. \u{25b2} most upwards, \u{25bc} most \
         downwards, \u{00d7} not read in both visits; a heavy frame: named by a finding now."
    );
    figure(html, &label, &caption, |canvas| {
        cells::map(canvas, moved, &|value| value * 1000.0);
    });
}

/// From the lowest to the highest of a module.
fn width(grid: &Grid, module: Module) -> Option<f64> {
    let values = grid.of_module(module);
    let (low, high) = range(values.iter().map(|(_, value)| *value), 0.0, 0.0)?;
    Some(high - low)
}

/// One row for each module: a ring for then, a disc for now.
fn dumbbells(
    html: &mut Html,
    name: &str,
    grids: &EarlierLater<Grid>,
    value: &dyn Fn(&Grid, Module) -> Option<f64>,
    (unit, decimals, least): (&str, usize, f64),
) {
    let rows: Vec<(String, Option<f64>, Option<f64>)> = grids
        .after
        .modules()
        .into_iter()
        .map(|module| {
            let name = module_name(&grids.after, module);
            (
                name,
                value(&grids.before, module),
                value(&grids.after, module),
            )
        })
        .collect();
    let all = || {
        rows.iter()
            .flat_map(|(_, then, now)| [*then, *now])
            .flatten()
    };
    let Some(ends) = range(all(), least, 0.08) else {
        return;
    };
    html.put("h3", &[], name);
    let text = |value: Option<f64>| {
        value.map_or_else(
            || "not read".to_owned(),
            |v| format!("{} {unit}", number(v, decimals)),
        )
    };
    let words: Vec<String> = rows
        .iter()
        .map(|(name, then, now)| format!("{name} from {} to {}", text(*then), text(*now)))
        .collect();
    let label = format!("{name}: {}.", words.join("; "));
    figure(html, &label, "Ring: then. Disc: now.", |canvas| {
        draw(canvas, &rows, ends, unit);
    });
    let cells: Vec<Vec<String>> = rows
        .iter()
        .map(|(name, then, now)| vec![name.clone(), text(*then), text(*now)])
        .collect();
    table(html, "", &["Module", "Then", "Now"], &cells);
}

fn draw(
    canvas: &mut Canvas,
    rows: &[(String, Option<f64>, Option<f64>)],
    ends: (f64, f64),
    unit: &str,
) {
    let margin = 84.0;
    let scale = Scale {
        values: ends,
        places: (margin, canvas.width - 16.0),
    };
    let top = canvas.down(4.0 + rows.len() as f64 * 22.0);
    let bottom = canvas.down(22.0);
    let (ticks, decimals) = scale.ticks(if canvas.is_narrow() { 4.0 } else { 8.0 });
    for (index, tick) in ticks.iter().enumerate() {
        let x = scale.at(*tick);
        canvas.line((x, top), (x, bottom), "grid");
        let last = index + 1 == ticks.len();
        let text = format!(
            "{} {}",
            number(*tick, decimals),
            if last { unit } else { "" }
        );
        canvas.text((x, bottom + 15.0), "t-mid t-small t-soft", text.trim_end());
    }
    for (index, (name, then, now)) in rows.iter().enumerate() {
        let y = top + 14.0 + index as f64 * 22.0;
        canvas.text((0.0, y + 4.0), "", name);
        let place = |value: &Option<f64>| value.map(|value| (scale.at(value), y));
        if let (Some(from), Some(to)) = (place(then), place(now)) {
            canvas.line(from, to, "curve");
        }
        // The disc fits into the ring, so that both are seen where nothing changed.
        if let Some(at) = place(then) {
            canvas.circle(at, 6.5, "hollow");
        }
        if let Some(at) = place(now) {
            canvas.circle(at, 3.6, "fill");
        }
    }
}

fn differences(html: &mut Html, name: &str, none: &str, list: &[(String, EarlierLater<String>)]) {
    section(html, name, |inner| {
        if list.is_empty() {
            inner.put("p", &[], none);
            return;
        }
        let rows: Vec<Vec<String>> = list
            .iter()
            .map(|(what, pair)| vec![what.clone(), pair.before.clone(), pair.after.clone()])
            .collect();
        table(inner, "What differs", &["What", "Then", "Now"], &rows);
    });
}

fn recordings(html: &mut Html, comparison: &Comparison) {
    section(html, "The recordings", |inner| {
        let sources = &comparison.sources;
        let rows: Vec<Vec<String>> = [("then", &sources.before), ("now", &sources.after)]
            .into_iter()
            .map(|(name, source)| {
                let recording = source.recording;
                let missing: Vec<String> =
                    recording.missing.iter().map(ToString::to_string).collect();
                let missing = if missing.is_empty() {
                    "whole and sealed".to_owned()
                } else {
                    missing.join("; ")
                };
                vec![
                    name.to_owned(),
                    when(source),
                    recording.fingerprint.clone(),
                    missing,
                ]
            })
            .collect();
        table(
            inner,
            "",
            &["Visit", "Begun", "Fingerprint", "Missing"],
            &rows,
        );
        inner.put(
            "p",
            &[],
            "A fingerprint that equals the one noted at the end of its visit shows that nothing was changed since. It does \
             not prove who wrote the recording, nor when.",
        );
    });
}
