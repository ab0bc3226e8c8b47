//! A number against a limit, in sentences.

use packside_profiles::Role;
use packside_profiles::model::{Profile, Severity};

use super::names::{name, point, spot, unit};
use super::number::{moment, with_unit};
use super::pseudo::FURTHER;
use crate::facts::fact::{Limit, Measured, Side, Spot, Switches};

#[expect(
    clippy::too_many_lines,
    reason = "one short arm for each fact; parts would have to leave some out"
)]
pub(super) fn measured(fact: &Measured, profile: &Profile) -> String {
    let value = |at: Spot, number: f64| with_unit(number, &unit(at.point, profile));
    match fact {
        Measured::BeyondLimit {
            at,
            number,
            limit,
            switches,
        } => {
            let where_it_lies = match switches {
                None => "",
                Some(Switches::Closed) => {
                    "\u{1d}the switches are closed, so it may be on the inverter's or the PV's side; the test tells"
                }
                Some(Switches::Open) => {
                    "\u{1d}the switches are said to be open, so more likely the stack or its cables; the test tells"
                }
            };
            format!(
                "{}: {}, {}{where_it_lies}",
                name(*at, profile),
                value(*at, *number),
                beyond(*limit, &unit(at.point, profile)),
            )
        }
        Measured::ManyBeyondLimit {
            worst,
            limit,
            count,
            of,
            low,
            high,
            ..
        } => {
            let role = point(profile, worst.point).map(|point| point.role);
            let what = if role == Some(Role::CellVoltage) {
                "cells"
            } else {
                "sensors"
            };
            format!(
                "{count} of {of} {what}, {} to {}: {}",
                value(*worst, *low),
                value(*worst, *high),
                beyond(*limit, &unit(worst.point, profile)),
            )
        }
        Measured::WasBeyond {
            at,
            number,
            limit,
            last,
        } => format!(
            "{} was {} at {:.0} s, {}, and is good again{FURTHER}does it come back?",
            name(*at, profile),
            value(*at, *number),
            last.as_secs_f64(),
            beyond(*limit, &unit(at.point, profile)),
        ),
        Measured::ChargesOutside {
            at,
            celsius,
            limit,
            side,
            amps,
        } => format!(
            "charged with {} while {} is at {}; {} {} it may not be charged",
            with_unit(*amps, "A"),
            name(*at, profile),
            value(*at, *celsius),
            match side {
                Side::Below => "below",
                Side::Above => "above",
            },
            value(*at, *limit),
        ),
        Measured::BelowMinimum { at, volts, limit } => format!(
            "{}: {}, below {}: never charge this cell again",
            name(*at, profile),
            value(*at, *volts),
            with_unit(*limit, "V"),
        ),
        Measured::UnreadableCell { at, raw } => format!(
            "{} cannot be read{}, so nobody can say that it is safe to charge",
            name(*at, profile),
            in_hex(*raw)
        ),
        Measured::UnreadableSensor { at, raw } => format!(
            "{} gives no temperature{FURTHER}the sensor or its connector{}",
            name(*at, profile),
            in_hex(*raw)
        ),
        Measured::TooFarApart {
            point,
            low,
            high,
            limit,
            at_rest,
        } => {
            let (low_at, high_at) = (spot(*point, low.0), spot(*point, high.0));
            format!(
                "{}: {} at {} and {} at {}, {} apart (limit {})",
                if *at_rest { "at rest" } else { "not at rest" },
                name(low_at, profile),
                value(low_at, low.1),
                name(high_at, profile),
                value(high_at, high.1),
                value(low_at, high.1 - low.1),
                value(low_at, *limit),
            )
        }
        Measured::TerminalsLive { volts } => format!(
            "the switches are said to be open, yet the terminals carry {}: another source, capacitors not yet discharged, \
             or a switch that does not open",
            with_unit(*volts, "V")
        ),
        Measured::TerminalsDecay { volts, before } => format!(
            "the terminals still carry {}, falling from {}: capacitors are discharging{FURTHER}not safe until proven dead",
            with_unit(*volts, "V"),
            with_unit(*before, "V"),
        ),
        Measured::HeartbeatStill {
            stood,
            every_s,
            by_gateway,
        } => format!(
            "the unit's own counter has not moved for {:.1} s (it should every {every_s} s): {}every value here may be old, and \
             another fault may hide behind them",
            stood.as_secs_f64(),
            if *by_gateway {
                "the gateway may answer from its memory, "
            } else {
                ""
            }
        ),
        Measured::Heats {
            at,
            from,
            to,
            within,
        } => format!(
            "{} rose from {} to {} within {:.1} s and did not come back: heat, no sensor",
            name(*at, profile),
            with_unit(*from, "degC"),
            with_unit(*to, "degC"),
            within.as_secs_f64()
        ),
        Measured::WarmByItself {
            module,
            celsius,
            next,
            last,
        } => format!(
            "without current {} {} {}, the next warmest one {}: it heats from inside until shown otherwise. \
             Sun, a heater, or a {} brought in from a warm place would look alike",
            module.map_or_else(
                || "this pack".to_owned(),
                |module| format!("module {module}")
            ),
            last.map_or_else(
                || "has".to_owned(),
                |last| format!("had ({})", moment(Some(last)))
            ),
            with_unit(*celsius, "degC"),
            with_unit(*next, "degC"),
            if module.is_some() { "module" } else { "pack" },
        ),
        Measured::ChargedOutside {
            at,
            celsius,
            limit,
            amps,
            last,
            lasted,
        } => format!(
            "the unit was charged with {} {}{}, while {} was {} and its window ends at {}: what plates stays plated",
            with_unit(*amps, "A"),
            moment(Some(*last)),
            lasted.map_or_else(String::new, |time| format!(
                " for up to {:.0} s",
                time.as_secs_f64()
            )),
            name(*at, profile),
            with_unit(*celsius, "degC"),
            with_unit(*limit, "degC"),
        ),
        Measured::Jumped {
            at,
            from,
            to,
            within,
        } => format!(
            "{} went from {} to {} within {:.1} s: the sensor or its connector",
            name(*at, profile),
            with_unit(*from, "degC"),
            with_unit(*to, "degC"),
            within.as_secs_f64()
        ),
    }
}

fn in_hex(raw: Option<u64>) -> String {
    raw.map_or_else(String::new, |raw| format!(" (raw 0x{raw:04x})"))
}

/// `below the alarm limit of 2.800 V`.
fn beyond(limit: Limit, unit: &str) -> String {
    let side = match limit.side {
        Side::Below => "below",
        Side::Above => "above",
    };
    let what = match limit.severity {
        Severity::Alarm => "alarm",
        Severity::Warning | Severity::Notice => "warning",
    };
    format!(
        "{side} the {what} limit of {}",
        with_unit(limit.number, unit)
    )
}
