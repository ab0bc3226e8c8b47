//! Pictures of temperatures, of the load, and of the line.
//!
//! Does not: fit or judge. A picture without data is left out, and a section says so where its
//! absence could be taken for a good sign.

use std::time::Duration;

use packside_profiles::Role;

use super::canvas::{Canvas, LEFT, MarkShape, Scale, across, figure, range};
use super::cells::{Grid, module_name};
use super::html::{Html, number};
use super::parts::Parts;
use super::series::{Curve, Dot, ExchangeDot, ExchangeEnd, Series};
use super::timeline::{axis, curved, lane};
use crate::facts::Bus;
use crate::recording::Start;

/// Shortest time over which a curve is worth drawing.
const WORTH_A_CURVE: Duration = Duration::from_secs(20);

/// Temperatures: every sensor at the moment judged, and their extremes over time.
pub(crate) fn temperatures(html: &mut Html, parts: &Parts) {
    let judgement = parts.source.judgement;
    let grid = Grid::of(
        &judgement.readings,
        &judgement.findings,
        Role::CellTemperature,
    );
    if grid.median().is_none() {
        return;
    }
    html.put("h3", &[], "Temperatures");
    let (low, high) = grid
        .extremes()
        .map_or((None, None), |(l, h)| (Some(l), Some(h)));
    let end = |end: Option<(f64, (super::cells::Module, u16))>| {
        end.map_or_else(String::new, |(value, (module, item))| {
            format!(
                "{} \u{b0}C at {}, sensor {item}",
                number(value, 1),
                module_name(&grid, module)
            )
        })
    };
    let label = format!(
        "Temperatures of {} sensors; coolest {}; warmest {}.",
        grid.cells.len(),
        end(low),
        end(high)
    );
    let caption = "Every sensor at the moment judged, one row for each module; equal ones stand on top of each other.";
    figure(html, &label, caption, |canvas| sensors(canvas, &grid));
    let series = &parts.series;
    let (Some(warm), Some(cool)) = (
        series.curves(Role::CellTemperatureMax).next(),
        series.curves(Role::CellTemperatureMin).next(),
    ) else {
        return;
    };
    if lasts(&warm.dots) < WORTH_A_CURVE {
        return;
    }
    let label = format!(
        "Temperatures over time: {}; {}.",
        ends_in_words("warmest sensor", &warm.dots, "\u{b0}C"),
        ends_in_words("coolest sensor", &cool.dots, "\u{b0}C")
    );
    let caption =
        "Warmest (solid) and coolest sensor (broken) over time, as the unit reports them.";
    figure(html, &label, caption, |canvas| {
        two_curves(
            canvas,
            series,
            &parts.source.session.start,
            (warm, cool),
            "\u{b0}C",
            2.0,
        );
    });
}

/// From the first to the last dot.
fn lasts(dots: &[Dot]) -> Duration {
    let ends = dots.first().zip(dots.last());
    ends.map_or(Duration::ZERO, |(first, last)| {
        last.0.saturating_sub(first.0)
    })
}

fn ends_in_words(name: &str, dots: &[Dot], unit: &str) -> String {
    let ends = dots.first().zip(dots.last());
    ends.map_or_else(
        || format!("{name} not read"),
        |(first, last)| {
            format!(
                "{name} from {} to {} {unit}",
                number(first.1, 1),
                number(last.1, 1)
            )
        },
    )
}

/// One row for each module, one ring for each sensor.
fn sensors(canvas: &mut Canvas, grid: &Grid) {
    let values = grid.cells.values().filter_map(|value| *value);
    let Some(ends) = range(values, 6.0, 0.08) else {
        return;
    };
    let margin = 84.0;
    let scale = Scale {
        values: ends,
        places: (margin, canvas.width - 12.0),
    };
    let modules = grid.modules();
    let top = canvas.down(8.0 + modules.len() as f64 * 26.0);
    let (ticks, decimals) = scale.ticks(if canvas.is_narrow() { 4.0 } else { 9.0 });
    let bottom = canvas.down(22.0);
    for (index, tick) in ticks.iter().enumerate() {
        let x = scale.at(*tick);
        canvas.line((x, top), (x, bottom), "grid");
        let unit = if index + 1 == ticks.len() {
            " \u{b0}C"
        } else {
            ""
        };
        let text = format!("{}{unit}", number(*tick, decimals));
        canvas.text((x, bottom + 15.0), "t-mid t-small t-soft", &text);
    }
    for (row, module) in modules.iter().enumerate() {
        let y = top + 20.0 + row as f64 * 26.0;
        canvas.text((0.0, y + 1.0), "", &module_name(grid, *module));
        canvas.line((margin, y + 4.0), (canvas.width - 12.0, y + 4.0), "axis");
        let mut places: Vec<(f64, u8)> = Vec::new();
        for ((known, item), value) in &grid.cells {
            let Some(value) = value.filter(|_| known == module) else {
                continue;
            };
            let x = scale.at(value);
            let same = places
                .iter()
                .filter(|(other, _)| (other - x).abs() < 6.0)
                .count();
            places.push((x, 0));
            let at = (x, y - same as f64 * 5.0);
            canvas.circle(at, 3.6, "hollow");
            if grid.named.contains(&(*known, *item)) {
                canvas.rect((at.0 - 7.0, at.1 - 7.0), (14.0, 14.0), "frame");
            }
        }
    }
}

/// Two curves of one unit on one scale over time.
fn two_curves(
    canvas: &mut Canvas,
    series: &Series,
    start: &Start,
    curves: (&Curve, &Curve),
    unit: &str,
    least: f64,
) {
    let values = curves.0.dots.iter().chain(&curves.1.dots).map(|dot| dot.1);
    let Some(ends) = range(values, least, 0.1) else {
        return;
    };
    let time = time_of(series, canvas);
    let top = canvas.down(126.0) + 12.0;
    let scale = Scale {
        values: ends,
        places: (top + 104.0, top + 4.0),
    };
    across(canvas, &scale, 3.0, unit);
    curved(canvas, curves.0, &time, &scale, "curve");
    curved(canvas, curves.1, &time, &scale, "curve d1");
    axis(canvas, &time, start);
}

fn time_of(series: &Series, canvas: &Canvas) -> Scale {
    let (from, to) = (series.span.0.as_secs_f64(), series.span.1.as_secs_f64());
    Scale {
        values: (from, to.max(from + 0.001)),
        places: (LEFT, canvas.width - 10.0),
    }
}

/// Current and how far the cells go apart under it.
pub(crate) fn under_load(html: &mut Html, parts: &Parts) {
    let series = &parts.series;
    let rest = parts.source.profile.map_or(0.5, |p| p.unit.rest_current);
    let current = series.curves(Role::PackCurrent).next();
    let Some(current) = current.filter(|c| c.dots.iter().any(|d| d.1.abs() > rest)) else {
        return;
    };
    let of = |role: Role| series.curves(role).find(|curve| curve.unit == current.unit);
    let (Some(high), Some(low)) = (of(Role::CellVoltageMax), of(Role::CellVoltageMin)) else {
        return;
    };
    html.put("h3", &[], "Under load");
    let largest = current
        .dots
        .iter()
        .map(|d| d.1)
        .max_by(|a, b| a.abs().total_cmp(&b.abs()));
    let label = format!(
        "Current up to {} A; {}; {}.",
        number(largest.unwrap_or(0.0), 1),
        ends_in_words("highest cell", &high.dots, "V"),
        ends_in_words("lowest cell", &low.dots, "V")
    );
    let caption = "Current (positive into the battery), and the highest (solid) and lowest cell (broken) at the same times.";
    let start = &parts.source.session.start;
    figure(html, &label, caption, |canvas| {
        let time = time_of(series, canvas);
        let values = current.dots.iter().map(|dot| dot.1).chain([0.0]);
        if let Some(ends) = range(values, 1.0, 0.05) {
            let top = lane(canvas, "Current", 76.0) + 8.0;
            let scale = Scale {
                values: ends,
                places: (top + 60.0, top + 4.0),
            };
            across(canvas, &scale, 3.0, "A");
            curved(canvas, current, &time, &scale, "curve");
        }
        canvas.down(6.0);
        let _ = lane(canvas, "Cells", 0.0);
        two_curves(canvas, series, start, (high, low), "V", 0.02);
    });
}

/// How the conversation went.
pub(crate) fn bus(html: &mut Html, parts: &Parts) {
    let bus = &parts.source.judgement.bus;
    html.put("h3", &[], "The line");
    if bus.requests == 0 && bus.foreign_requests == 0 {
        html.put(
            "p",
            &[],
            "Nothing was asked, and nobody else was heard asking.",
        );
        return;
    }
    let label = format!(
        "{} questions, {} answered, {} without answer, {} of them damaged; half of the answers within {}, slowest {}.",
        bus.requests,
        bus.answered,
        bus.timeouts,
        bus.damaged,
        ms(bus.answer_p50),
        ms(bus.answer_max)
    );
    let asked = &parts.series.asked;
    if asked.iter().any(|a| a.answer_ms.is_some()) || !asked.is_empty() {
        let caption = "Every question at its time, and how long the unit took to begin its answer. Above: cross no answer, diamond damaged, ring only others heard, triangle refused, square link lost.";
        let start = &parts.source.session.start;
        figure(html, &label, caption, |canvas| {
            answers(canvas, &parts.series, start)
        });
    }
    counts(html, bus);
}

/// The counts beside the picture.
fn counts(html: &mut Html, bus: &Bus) {
    let exceptions: Vec<String> = bus
        .exceptions
        .iter()
        .map(|(code, n)| format!("{n} of code {code:02x}"))
        .collect();
    html.around("dl", &[], |list| {
        let mut pair = |name: &str, text: String| {
            list.put("dt", &[], name).put("dd", &[], &text);
        };
        pair(
            "Questions",
            format!("{}, answered {}", bus.requests, bus.answered),
        );
        pair(
            "Without answer",
            format!(
                "{}, of these with damaged bytes {}",
                bus.timeouts, bus.damaged
            ),
        );
        pair("Too late", bus.late.to_string());
        pair(
            "Refused",
            if exceptions.is_empty() {
                "0".to_owned()
            } else {
                exceptions.join(", ")
            },
        );
        pair(
            "Answer time",
            format!(
                "half within {}, nine of ten within {}, slowest {}",
                ms(bus.answer_p50),
                ms(bus.answer_p90),
                ms(bus.answer_max)
            ),
        );
        pair(
            "Somebody else asked",
            format!("{} times", bus.foreign_requests),
        );
        if bus.echo {
            pair("Echo", "the adapter gives back what it sends".to_owned());
        }
        if bus.noise_bytes > 0 {
            pair(
                "Bytes of no frame",
                format!("{} of {}", bus.noise_bytes, bus.bytes_in),
            );
        }
    });
}

/// A time in milliseconds, as text.
fn ms(time: Option<Duration>) -> String {
    time.map_or_else(
        || "none".to_owned(),
        |t| format!("{} ms", number(t.as_secs_f64() * 1000.0, 0)),
    )
}

/// Answer times as dots, what went wrong as marks in a row above.
fn answers(canvas: &mut Canvas, series: &Series, start: &Start) {
    let time = time_of(series, canvas);
    let x = |asked: &ExchangeDot| time.at(asked.at.as_secs_f64());
    let bad = |asked: &&ExchangeDot| asked.end != ExchangeEnd::Answered;
    if series.asked.iter().any(|asked| bad(&asked)) {
        let y = canvas.down(20.0) + 11.0;
        for asked in series.asked.iter().filter(bad) {
            let shape = match asked.end {
                ExchangeEnd::Refused => MarkShape::Up,
                ExchangeEnd::Damaged => MarkShape::Diamond,
                ExchangeEnd::Foreign => MarkShape::Ring,
                ExchangeEnd::Lost => MarkShape::Square,
                ExchangeEnd::Answered | ExchangeEnd::Silent => MarkShape::Cross,
            };
            canvas.mark(shape, (x(asked), y), 4.0);
        }
    }
    let times = || series.asked.iter().filter_map(|asked| asked.answer_ms);
    if let Some((_, high)) = range(times(), 10.0, 0.1) {
        let top = canvas.down(100.0) + 12.0;
        let scale = Scale {
            values: (0.0, high),
            places: (top + 84.0, top + 4.0),
        };
        across(canvas, &scale, 3.0, "ms");
        for asked in &series.asked {
            if let Some(ms) = asked.answer_ms {
                canvas.circle((x(asked), scale.at(ms)), 2.4, "fill");
            }
        }
    }
    axis(canvas, &time, start);
}
