//! The numbers of one look: pack, modules, a picture of the cells, temperatures; then the bus.

use std::fmt::Write as _;

use packside_profiles::Role;
use packside_profiles::model::{FedBy, Point, Positive, Profile};

use super::parts::counted;
use crate::evidence::flag_and_age::is_at_its_end;
use crate::facts::{Doubt, Judgement, Reading, ReadingQuality};
use crate::show::paper::wrap;
use crate::show::paper::{paper, row};
use crate::words::{current, with_unit};

/// Pack, modules, cells and temperatures.
pub(super) fn numbers(out: &mut String, judgement: &Judgement, profile: Option<&Profile>) {
    let units: Vec<u8> = judgement.identity.members.iter().map(|m| m.unit).collect();
    if judgement.readings.is_empty() {
        return;
    }
    let of_two = |open: &Doubt| matches!(open, Doubt::TwoUnits { .. });
    let two = judgement.verdict.open.iter().any(of_two);
    let no_measurement = |open: &Doubt| matches!(open, Doubt::NoMeasurement { .. });
    let mixed = if two {
        ", mixed from two units: of neither"
    } else if judgement.verdict.open.iter().any(no_measurement) {
        ", as the registers say: one word everywhere, none of them was measured"
    } else {
        ""
    };
    out.push('\n');
    wrap(out, &format!("Numbers{mixed}"), "", "");
    let axis = axis(judgement.readings.iter());
    for unit in &units {
        let mine: Vec<&Reading> = judgement
            .readings
            .iter()
            .filter(|r| r.unit == *unit)
            .collect();
        if mine.is_empty() {
            continue;
        }
        if units.len() > 1 {
            let _ = writeln!(out, "  address {unit}");
        }
        pack_line(out, &mine, profile);
        modules(out, &mine, axis);
    }
    // Where no picture fits there is no scale either.
    if let Some((low, high)) = axis.filter(|_| strip_width() > 16) {
        let room = strip_width().saturating_sub(14);
        let name = "height: how many cells at a voltage";
        row(
            out,
            &format!("  {name:<37}{low:.3} V{:room$}{high:.3} V", ""),
        );
    }
}

fn pack_line(out: &mut String, readings: &[&Reading], profile: Option<&Profile>) {
    // Where any question counts, ours do.
    let heard = match profile.map(|profile| profile.inverter.fed_by) {
        Some(FedBy::AnyRequest | FedBy::ReadsOf | FedBy::Unknown) => {
            "last sign of an inverter, or of us,"
        }
        _ => "inverter last heard",
    };
    let shown: [(Role, &str); 9] = [
        (Role::PackVoltage, "pack"),
        (Role::TerminalVoltage, "terminals"),
        (Role::PackCurrent, "current"),
        (Role::PackPower, "power"),
        (Role::Soc, "charge"),
        (Role::Insulation, "insulation"),
        (Role::InverterAge, heard),
        (Role::OwnHeartbeat, "heartbeat"),
        (Role::Uptime, "up for"),
    ];
    let parts: Vec<String> = shown
        .iter()
        .filter_map(|(role, name)| {
            let reading = readings.iter().find(|r| r.role == *role)?;
            let point = profile.and_then(|profile| profile.points.get(reading.point_index.0));
            if point.is_some_and(|point| is_no_time(reading, point)) {
                return Some(format!("{name} {NO_TIME}"));
            }
            let positive = point.and_then(|point| point.positive);
            Some(format!("{name} {}", value(reading, positive)))
        })
        .collect();
    wrap(out, &parts.join(" · "), "  ", "  ");
}

/// What stands in the place of such a time.
pub(super) const NO_TIME: &str = "at the end of its range, no number";

/// Whether a time since the inverter was heard says no more than "at least".
pub(super) fn is_no_time(reading: &Reading, point: &Point) -> bool {
    let ends = |raw| is_at_its_end(point, raw);
    reading.role == Role::InverterAge && reading.raw.is_some_and(ends)
}

/// A value for people, or why there is none.
fn value(reading: &Reading, positive: Option<Positive>) -> String {
    let shown = |number| match reading.role {
        Role::PackCurrent => current(number, &reading.value_unit, positive),
        _ => with_unit(number, &reading.value_unit),
    };
    match (reading.any_number(), reading.quality) {
        (Some(number), ReadingQuality::Good) => shown(number),
        (Some(number), quality) => format!("{} ({})", shown(number), quality.id()),
        (None, quality) => quality.id().to_owned(),
    }
}

/// Columns of the picture of cells.
const STRIP: usize = 28;

/// Columns of a row beside its picture.
const BESIDE: usize = 52;

/// Columns that the paper has for the picture of cells.
pub(super) fn strip_width() -> usize {
    paper().width.saturating_sub(BESIDE).min(STRIP)
}

/// Common axis of all pictures: lowest and highest readable cell.
pub(super) fn axis<'a>(readings: impl Iterator<Item = &'a Reading> + Clone) -> Option<(f64, f64)> {
    let cells = || {
        readings
            .clone()
            .filter(|r| r.role == Role::CellVoltage)
            .filter_map(Reading::any_number)
    };
    let low = cells().min_by(f64::total_cmp)?;
    let high = cells().max_by(f64::total_cmp)?;
    // At least 20 mV wide, so that noise does not look like spread.
    let widen = (0.020 - (high - low)).max(0.0) / 2.0;
    Some((low - widen, high + widen))
}

fn modules(out: &mut String, readings: &[&Reading], axis: Option<(f64, f64)>) {
    let mut positions: Vec<Option<u16>> = readings
        .iter()
        .filter(|r| r.role == Role::CellVoltage)
        .map(|r| r.place.module)
        .collect();
    positions.dedup();
    for module in positions {
        let of = |role: Role| {
            readings
                .iter()
                .filter(move |r| r.role == role && r.place.module == module)
        };
        let cells: Vec<f64> = of(Role::CellVoltage)
            .filter_map(|r| r.any_number())
            .collect();
        let lost = |wanted: bool| {
            of(Role::CellVoltage)
                .filter(|r| r.quality != ReadingQuality::Good)
                .filter(|r| (r.quality == ReadingQuality::Stale) == wanted)
                .count()
        };
        let (old, unreadable) = (lost(true), lost(false));
        let temperatures: Vec<f64> = of(Role::CellTemperature)
            .filter_map(|r| r.number())
            .collect();
        let volts = of(Role::ModuleVoltage).next().and_then(|r| r.number());
        let name = module.map_or_else(|| "cells".to_owned(), |m| format!("module {m}"));
        let volts = volts.map_or_else(String::new, |v| with_unit(v, "V"));
        let strip = axis.map_or_else(String::new, |axis| picture(&cells, axis));
        let warm = range(&temperatures, "°C", 0);
        let lost = if old > 0 && unreadable == 0 {
            "  old values"
        } else {
            ""
        };
        let line = format!(
            "  {name:<9} {volts:>8}  {:<15}  {strip}  {warm}{lost}",
            range(&cells, "V", 3)
        );
        row(out, &line);
        if unreadable > 0 {
            row(
                out,
                &format!("            {unreadable} CELLS WITHOUT A GOOD VALUE"),
            );
        }
    }
}

/// Lowest to highest.
pub(super) fn range(values: &[f64], unit: &str, digits: usize) -> String {
    let low = values.iter().copied().min_by(f64::total_cmp);
    let high = values.iter().copied().max_by(f64::total_cmp);
    match (low, high) {
        (Some(low), Some(high)) => format!("{low:.digits$}…{high:.digits$} {unit}"),
        _ => "-".to_owned(),
    }
}

/// How many cells stand at which voltage, as one row of blocks.
pub(super) fn picture(cells: &[f64], (low, high): (f64, f64)) -> String {
    const BLOCKS: [char; 9] = ['·', '▁', '▂', '▃', '▄', '▅', '▆', '▇', '█'];
    let mut counts = vec![0usize; strip_width()];
    let last = counts.len().saturating_sub(1) as f64;
    for cell in cells {
        let column = (cell - low) / (high - low) * last;
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "clamped to the strip"
        )]
        let column = column.round().clamp(0.0, last) as usize;
        if let Some(count) = counts.get_mut(column) {
            *count += 1;
        }
    }
    // A block for each cell; where more than fit stand at one voltage, the highest is the most.
    let most = counts.iter().copied().max().unwrap_or(0).max(8);
    let height = |count: &usize| BLOCKS.get((count * 8).div_ceil(most)).copied();
    counts.iter().filter_map(height).collect()
}

pub(super) fn bus(out: &mut String, judgement: &Judgement) {
    let bus = &judgement.bus;
    let exceptions: u32 = bus.exceptions.iter().map(|(_, n)| n).sum();
    let mut parts = vec![format!(
        "{}, {} answered",
        counted(bus.requests.into(), "question"),
        bus.answered + exceptions
    )];
    if exceptions > 0 {
        let codes: Vec<String> = bus
            .exceptions
            .iter()
            .map(|(code, n)| format!("{code:02x} × {n}"))
            .collect();
        parts.push(format!("exceptions {}", codes.join(", ")));
    }
    for (count, name) in [
        (bus.timeouts, "without answer"),
        (bus.damaged, "damaged"),
        (bus.late, "late answers"),
    ] {
        if count > 0 {
            parts.push(format!("{count} {name}"));
        }
    }
    if bus.echo {
        parts.push("the adapter echoes".to_owned());
    }
    if bus.foreign_requests > 0 {
        parts.push(format!(
            "{} of somebody else",
            counted(bus.foreign_requests as u64, "question")
        ));
    }
    if let (Some(p50), Some(max)) = (bus.answer_p50, bus.answer_max) {
        parts.push(format!(
            "answers after {:.0} ms, slowest {:.0} ms",
            p50.as_secs_f64() * 1e3,
            max.as_secs_f64() * 1e3
        ));
    }
    if let Some(counted) = bus.health.counted {
        parts.push(format!(
            "the unit counted {} of {} questions",
            counted.heard, counted.questions
        ));
    }
    let damaged = bus.health.damaged;
    if damaged.hits > 0 {
        let (low, high) = damaged.interval();
        parts.push(format!(
            "damaged share {:.0} to {:.0} % (95 %)",
            low * 100.0,
            high * 100.0
        ));
    }
    if bus.listened.as_millis() >= 50 {
        parts.push(format!(
            "listened {:.1} s first",
            bus.listened.as_secs_f64()
        ));
    }
    let _ = writeln!(out, "\nBus");
    wrap(out, &parts.join(" · "), "  ", "  ");
}
