//! The picture of how it went: state, lamps, voltages, current, link and events on one axis of time.
//!
//! Does not: say what any of it means.

use std::fmt::Write as _;
use std::time::Duration;

use packside_profiles::Role;

use super::canvas::{Canvas, LEFT, MarkShape, Scale, across, figure, range, words_width};
use super::html::Html;
use super::parts::Parts;
use super::series::{Curve, ExchangeEnd, Series};
use super::{parts, words};
use crate::recording::Start;

/// Current that is worth a lane, A.
const SOME_CURRENT: f64 = 0.05;

/// Adds the picture and the list of its numbered events.
pub(crate) fn add(html: &mut Html, parts: &Parts) {
    let series = &parts.series;
    let start = &parts.source.session.start;
    if series.asked.is_empty() && series.states.is_empty() && series.notes.is_empty() {
        return;
    }
    html.put("h3", &[], "How it went");
    figure(html, &in_words(series), &caption(series), |canvas| {
        draw(canvas, series, start);
    });
    let rows = rows(series, parts);
    let caption = match series.more_notes {
        0 => "The same in words".to_owned(),
        more => format!("The same in words; {more} later events are left out"),
    };
    parts::folded(html, &caption, |details| {
        parts::table(details, "", &COLUMNS, &rows);
    });
    earlier(html, parts);
}

const COLUMNS: [&str; 3] = ["No.", "Since start", "What"];

/// What was done and shown in earlier sittings of the same visit.
fn earlier(html: &mut Html, parts: &Parts) {
    let sessions = parts.source.recording.sessions.iter();
    for session in sessions.take_while(|session| session.start != parts.source.session.start) {
        let rows = rows(&Series::beside(session), parts);
        if rows.is_empty() {
            continue;
        }
        let begun = words::local(&session.start, Duration::ZERO);
        parts::folded(html, &format!("The sitting begun {begun}"), |details| {
            parts::table(details, "", &COLUMNS, &rows);
        });
    }
}

/// Every event in words.
fn rows(series: &Series, parts: &Parts) -> Vec<Vec<String>> {
    let mut rows: Vec<(Duration, Vec<String>)> = Vec::new();
    for (index, note) in series.notes.iter().enumerate() {
        let row = vec![
            (index + 1).to_string(),
            words::since(note.at),
            parts.facts.without_names(&note.text),
        ];
        rows.push((note.at, row));
    }
    for (at, state) in &series.states {
        rows.push((
            *at,
            vec!["state".to_owned(), words::since(*at), state.clone()],
        ));
    }
    for (lamp, pattern, at) in &series.lamps {
        let what = format!("lamp {lamp} seen: {pattern}");
        rows.push((*at, vec!["lamp".to_owned(), words::since(*at), what]));
    }
    rows.sort_by_key(|row| row.0);
    rows.into_iter().map(|(_, row)| row).collect()
}

fn in_words(series: &Series) -> String {
    let states: Vec<String> = series
        .states
        .iter()
        .map(|(at, name)| format!("{name} from {}", words::since(*at)))
        .collect();
    let states = if states.is_empty() {
        "no state was read".to_owned()
    } else {
        states.join(", ")
    };
    format!(
        "Time line from {} to {}: {states}. The table below holds every event.",
        words::since(series.span.0),
        words::since(series.span.1)
    )
}

fn caption(series: &Series) -> String {
    let mut packs = series.curves(Role::PackVoltage);
    let alone = packs.next().filter(|_| packs.next().is_none());
    let of = alone.map_or_else(String::new, |curve| {
        format!(
            " Voltages of address {}: solid the pack, broken the terminals.",
            curve.unit
        )
    });
    format!(
        "Time since the session began.{of} Link: a tick is an answered question; cross: no answer; diamond: damaged; ring: only others were heard; triangle: refused. Numbers stand in the table."
    )
}

fn draw(canvas: &mut Canvas, series: &Series, start: &Start) {
    let time = Scale {
        values: (
            series.span.0.as_secs_f64(),
            series
                .span
                .1
                .as_secs_f64()
                .max(series.span.0.as_secs_f64() + 0.001),
        ),
        places: (LEFT, canvas.width - 10.0),
    };
    states(canvas, series, &time);
    lamps(canvas, series, &time);
    voltages(canvas, series, &time);
    current(canvas, series, &time);
    link(canvas, series, &time);
    events(canvas, series, &time);
    axis(canvas, &time, start);
}

/// Name of a lane; gives where the lane begins.
pub(crate) fn lane(canvas: &mut Canvas, name: &str, height: f64) -> f64 {
    let top = canvas.down(18.0);
    canvas.text((0.0, top + 12.0), "t-soft t-small", name);
    canvas.down(height)
}

fn states(canvas: &mut Canvas, series: &Series, time: &Scale) {
    if series.states.is_empty() {
        return;
    }
    let top = lane(canvas, "State", 24.0);
    for (index, (at, name)) in series.states.iter().enumerate() {
        let from = time.at(at.as_secs_f64());
        let next = series.states.get(index + 1).map_or(series.span.1, |s| s.0);
        let width = time.at(next.as_secs_f64()) - from;
        canvas.rect(
            (from, top),
            (width, 20.0),
            if index % 2 == 0 { "band" } else { "box" },
        );
        canvas.line((from, top), (from, top + 20.0), "axis");
        if words_width(name) + 8.0 < width {
            canvas.text((from + 5.0, top + 14.0), "", name);
        } else if index + 1 == series.states.len() && words_width(name) + 6.0 < from {
            // The last state may have been seen for an instant only.
            canvas.text((from - 5.0, top + 14.0), "t-end", name);
        }
    }
}

fn lamps(canvas: &mut Canvas, series: &Series, time: &Scale) {
    let mut names: Vec<&str> = series
        .lamps
        .iter()
        .map(|(lamp, _, _)| lamp.as_str())
        .collect();
    names.sort_unstable();
    names.dedup();
    for name in names.into_iter().take(8) {
        let top = lane(canvas, &format!("Lamp {name}, as seen"), 20.0);
        let y = top + 9.0;
        canvas.line((time.places.0, y), (time.places.1, y), "grid");
        let mut free_from = f64::NEG_INFINITY;
        for (_, pattern, at) in series.lamps.iter().filter(|(lamp, _, _)| lamp == name) {
            let x = time.at(at.as_secs_f64());
            canvas.circle((x, y), 4.0, "hollow");
            let width = words_width(pattern);
            if x + 8.0 + width < canvas.width && x > free_from {
                canvas.text((x + 8.0, y + 4.0), "", pattern);
                free_from = x + 14.0 + width;
            } else if x - 8.0 - width > free_from {
                canvas.text((x - 8.0, y + 4.0), "t-end", pattern);
                free_from = x + 8.0;
            }
        }
    }
}

fn voltages(canvas: &mut Canvas, series: &Series, time: &Scale) {
    if series.curves(Role::PackVoltage).count() > 1 {
        return packs(canvas, series, time);
    }
    let pack = series.curves(Role::PackVoltage).next();
    let terminal = series.curves(Role::TerminalVoltage).next();
    let both: Vec<(&Curve, &str, &str)> =
        [(pack, "curve", "pack"), (terminal, "curve d1", "terminals")]
            .into_iter()
            .filter_map(|(curve, class, name)| Some((curve?, class, name)))
            .collect();
    let values = both.iter().flat_map(|(c, _, _)| c.dots.iter().map(|d| d.1));
    let Some((low, high)) = range(values.chain([0.0]), 1.0, 0.0) else {
        return;
    };
    if both.is_empty() {
        return;
    }
    let top = lane(canvas, "Voltage", 112.0) + 8.0;
    let scale = Scale {
        values: (low, high),
        places: (top + 96.0, top + 8.0),
    };
    across(canvas, &scale, 3.0, "V");
    let mut taken = f64::NEG_INFINITY;
    for (curve, class, name) in both {
        let last = curved(canvas, curve, time, &scale, class);
        if let Some((x, y)) = last {
            // Two curves on top of each other: one name above them, the other below.
            let y = if (y - taken).abs() < 14.0 {
                y + 22.0
            } else {
                y
            };
            canvas.text((x - 8.0, y - 6.0), "t-end", name);
            taken = y;
        }
    }
}

/// The voltages of packs side by side. They are close together: the scale does not begin at zero.
fn packs(canvas: &mut Canvas, series: &Series, time: &Scale) {
    let dots = series.curves(Role::PackVoltage).flat_map(|c| &c.dots);
    let Some(values) = range(dots.map(|dot| dot.1), 1.0, 0.1) else {
        return;
    };
    let top = lane(canvas, "Voltage of each pack", 112.0) + 8.0;
    let scale = Scale {
        values,
        places: (top + 96.0, top + 8.0),
    };
    across(canvas, &scale, 3.0, "V");
    // Packs whose curves end at one place share their name there.
    let mut names: Vec<(f64, String)> = Vec::new();
    let classes = ["curve", "curve d1", "curve d2"].into_iter().cycle();
    for (curve, class) in series.curves(Role::PackVoltage).zip(classes) {
        let Some((_, y)) = curved(canvas, curve, time, &scale, class) else {
            continue;
        };
        match names.iter_mut().find(|(at, _)| (at - y).abs() < 14.0) {
            Some((_, name)) => *name = format!("{name}, {}", curve.unit),
            None => names.push((y, format!("pack {}", curve.unit))),
        }
    }
    for (y, name) in names {
        canvas.text((canvas.width - 14.0, y - 6.0), "t-end", &name);
    }
}

/// Draws a curve, with its dots where they are few; gives its last point.
pub(crate) fn curved(
    canvas: &mut Canvas,
    curve: &Curve,
    time: &Scale,
    scale: &Scale,
    class: &str,
) -> Option<(f64, f64)> {
    let points: Vec<(f64, f64)> = curve
        .dots
        .iter()
        .map(|(at, value)| (time.at(at.as_secs_f64()), scale.at(*value)))
        .collect();
    canvas.curve(&points, class);
    if points.len() <= 30 {
        for point in &points {
            canvas.circle(*point, 2.4, "fill");
        }
    }
    points.last().copied()
}

fn current(canvas: &mut Canvas, series: &Series, time: &Scale) {
    let Some(curve) = series.curves(Role::PackCurrent).next() else {
        return;
    };
    if curve.dots.iter().all(|dot| dot.1.abs() < SOME_CURRENT) {
        return;
    }
    let values = curve.dots.iter().map(|dot| dot.1).chain([0.0]);
    let Some((low, high)) = range(values, 1.0, 0.05) else {
        return;
    };
    let top = lane(canvas, "Current, positive into the battery", 64.0) + 8.0;
    let scale = Scale {
        values: (low, high),
        places: (top + 50.0, top + 6.0),
    };
    across(canvas, &scale, 2.0, "A");
    curved(canvas, curve, time, &scale, "curve");
}

fn link(canvas: &mut Canvas, series: &Series, time: &Scale) {
    if series.asked.is_empty() {
        return;
    }
    let top = lane(canvas, "Link", 20.0);
    let y = top + 9.0;
    canvas.line((time.places.0, y + 7.0), (time.places.1, y + 7.0), "grid");
    let mut ticks = String::new();
    for asked in &series.asked {
        let x = time.at(asked.at.as_secs_f64());
        let shape = match asked.end {
            ExchangeEnd::Answered => {
                let _ = write!(ticks, "M{x:.1} {:.1}v10", y - 3.0);
                continue;
            }
            ExchangeEnd::Refused => MarkShape::Up,
            ExchangeEnd::Silent => MarkShape::Cross,
            ExchangeEnd::Damaged => MarkShape::Diamond,
            ExchangeEnd::Foreign => MarkShape::Ring,
            ExchangeEnd::Lost => MarkShape::Square,
        };
        canvas.mark(shape, (x, y), 3.5);
    }
    canvas.path(&ticks, "axis");
}

fn events(canvas: &mut Canvas, series: &Series, time: &Scale) {
    const ROWS: usize = 4;
    if series.notes.is_empty() {
        return;
    }
    let mut free = [f64::NEG_INFINITY; ROWS];
    let mut placed = Vec::new();
    let mut rows = 1;
    for (index, note) in series.notes.iter().enumerate() {
        let x = time.at(note.at.as_secs_f64());
        let Some(row) = free.iter().position(|from| x >= *from) else {
            continue;
        };
        if let Some(from) = free.get_mut(row) {
            *from = x + 20.0;
        }
        rows = rows.max(row + 1);
        placed.push((index, x, row));
    }
    let top = lane(canvas, "Events", rows as f64 * 20.0);
    for (index, x, row) in placed {
        let y = top + 9.0 + row as f64 * 20.0;
        let x = x.clamp(9.0, canvas.width - 9.0);
        canvas.circle((x, y), 8.5, "hollow");
        canvas.text((x, y + 4.0), "t-mid t-small", &(index + 1).to_string());
    }
}

/// The axis of time, since the start, with the wall clock at both ends.
pub(crate) fn axis(canvas: &mut Canvas, time: &Scale, start: &Start) {
    let top = canvas.down(40.0) + 6.0;
    canvas.line((time.places.0, top), (time.places.1, top), "axis");
    let (from, to) = time.values;
    let about = if canvas.is_narrow() { 4.0 } else { 8.0 };
    let step = time_step((to - from) / about);
    let mut tick = (from / step).ceil() * step;
    while tick <= to && step > 0.0 {
        let x = time.at(tick);
        canvas.line((x, top), (x, top + 4.0), "axis");
        let class = if x < 14.0 {
            "t-small"
        } else if x > canvas.width - 24.0 {
            "t-small t-end"
        } else {
            "t-small t-mid"
        };
        canvas.text(
            (x.min(canvas.width), top + 16.0),
            class,
            &tick_text(tick, step),
        );
        tick += step;
    }
    let clock = |seconds: f64| {
        let at = Duration::try_from_secs_f64(seconds).unwrap_or_default();
        words::local_time(start, at)
    };
    canvas.text(
        (time.places.0, top + 31.0),
        "t-small t-soft",
        &format!("local {}", clock(from)),
    );
    canvas.text(
        (canvas.width, top + 31.0),
        "t-small t-soft t-end",
        &clock(to),
    );
}

/// A step that people count in.
fn time_step(least: f64) -> f64 {
    let steps = [
        0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 30.0, 60.0, 120.0, 300.0, 600.0, 1200.0, 1800.0,
        3600.0, 7200.0, 14_400.0, 43_200.0, 86_400.0,
    ];
    let found = steps.into_iter().find(|step| *step >= least);
    // Beyond that, whole days.
    found.unwrap_or_else(|| (least / 86_400.0).ceil() * 86_400.0)
}

fn tick_text(seconds: f64, step: f64) -> String {
    if step < 1.0 {
        return format!("{seconds:.1} s");
    }
    let at = Duration::try_from_secs_f64(seconds.round()).unwrap_or_default();
    if step < 60.0 && seconds < 60.0 {
        return format!("{} s", at.as_secs());
    }
    let minutes = at.as_secs() / 60;
    match (step < 60.0, minutes < 120) {
        (true, _) => format!("{minutes}:{:02}", at.as_secs() % 60),
        (false, true) => format!("{minutes} min"),
        (false, false) => format!("{} h {:02}", minutes / 60, minutes % 60),
    }
}
