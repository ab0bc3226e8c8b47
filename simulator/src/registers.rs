//! What stands in the registers of a unit: its state, written through the profile's codec.
//!
//! Input: pack, control unit, profile. Output: an image of all registers that have a point. Does
//! not: answer questions, or know an address that the profile did not give.

use std::collections::BTreeMap;
use std::time::Duration;

use packside_profiles::model::{Flag, Kind, Point, Profile, Scalar, Table};
use packside_profiles::{Instance, Layout, Role, Value, encode, encode_raw};

use crate::control::Control;
use crate::control_plan::Saying;
use crate::pack::{Pack, Read};
use crate::protect::signed;

/// Register contents by table and address.
pub(crate) type Image = BTreeMap<(Table, u16), u16>;

/// Power of ten in every scale-factor point, and used for the points that it scales.
const SCALE_POWER: i8 = -1;

/// Events in a log that forgets them when read. Kind: invented.
const LOGGED: f64 = 3.0;

/// What a unit knows of itself besides physics and state.
#[derive(Debug, Clone)]
pub(crate) struct Facts {
    /// Number of the pack, from 1.
    pub(crate) index: u8,
    /// Packs that it expects side by side.
    pub(crate) packs: u8,
    /// Firmware of the control unit.
    pub(crate) firmware: String,
    /// Digits of the serial numbers.
    pub(crate) serial: u64,
    /// Own heartbeat.
    pub(crate) heartbeat: u16,
    /// The event log was read, and so emptied.
    pub(crate) log_read: bool,
    /// Whether the marks of its map are there; without them nobody takes it for a unit of the map.
    pub(crate) is_marked: bool,
    /// What points say in spite of what is the case.
    pub(crate) says: BTreeMap<String, Saying>,
}

/// Everything that an image is made of.
pub(crate) struct Sources<'a> {
    /// Profile.
    pub(crate) profile: &'a Profile,
    /// Physics.
    pub(crate) pack: &'a Pack,
    /// State and flags.
    pub(crate) control: &'a Control,
    /// The rest.
    pub(crate) facts: &'a Facts,
    /// Time since the scenario began.
    pub(crate) now: Duration,
    /// What a clock that is right shows now, as time since 1970.
    pub(crate) unix_time: Duration,
}

/// Writes the image of all points.
pub(crate) fn image(sources: &Sources<'_>, layout: &Layout) -> Image {
    let mut image = Image::new();
    for instance in &layout.instances {
        let Some(point) = sources.profile.points.get(instance.point) else {
            continue;
        };
        let addresses = instance.address
            ..=instance
                .address
                .saturating_add(instance.registers.saturating_sub(1));
        let key = |address| (instance.table, address);
        let mut words: Vec<u16> = addresses
            .clone()
            .map(|a| image.get(&key(a)).copied().unwrap_or_default())
            .collect();
        write(sources, point, instance, &mut words);
        image.extend(addresses.map(key).zip(words));
    }
    image
}

/// Writes one value; what does not fit or is not there becomes the point's not-available value.
fn write(sources: &Sources<'_>, point: &Point, instance: &Instance, words: &mut [u16]) {
    let power = if point.scale_point.is_some() {
        SCALE_POWER
    } else {
        0
    };
    let value = match sources.facts.says.get(&point.id) {
        Some(saying) if !saying.besides => {
            // What does not fit into the point leaves it as it is.
            let _ = encode_raw(point, saying.raw, words);
            return;
        }
        Some(saying) => match value(sources, point, instance) {
            Some(Value::Bits(bits)) => Some(Value::Bits(bits | saying.raw)),
            other => other,
        },
        None => value(sources, point, instance),
    };
    let written =
        value.is_some_and(|value| encode(point, &in_kind(point, value), power, words).is_ok());
    if !written {
        let (none, rail) = (point.not_available.first(), point.rail.first());
        let off_scale = point.role == Role::CellTemperature && {
            let place = instance.place;
            let (module, item) = (place.module.unwrap_or(1), place.item.unwrap_or(1));
            sources.pack.sensor(module, item) == Read::Rail
        };
        let raw = if off_scale {
            rail.or(none)
        } else {
            none.or(rail)
        };
        // Without such a value the registers keep 0: the profile knows no other way to say it.
        let _ = raw.map(|raw| encode_raw(point, *raw, words));
    }
}

/// The value in the form that the point's type takes.
fn in_kind(point: &Point, value: Value) -> Value {
    let number = match &value {
        Value::Number(number) => *number,
        Value::Bits(raw) | Value::Code(raw) => raw_number(*raw),
        Value::Text(text) if point.kind == Kind::String => {
            let room = usize::from(point.registers.unwrap_or(1)) * 2;
            return Value::Text(
                text.as_given()
                    .chars()
                    .take(room)
                    .collect::<String>()
                    .into(),
            );
        }
        Value::Text(_) => 0.0,
    };
    match point.kind {
        Kind::String => Value::Text(number.to_string().into()),
        Kind::Bits16 | Kind::Bits32 => Value::Bits(whole(number)),
        Kind::Enum16 | Kind::Enum32 => Value::Code(whole(number)),
        _ => Value::Number(number),
    }
}

#[expect(
    clippy::cast_precision_loss,
    reason = "words of at most 32 bits and small codes"
)]
fn raw_number(raw: u64) -> f64 {
    raw as f64
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "clamped; the codec refuses what is too wide"
)]
fn whole(number: f64) -> u64 {
    number.round().clamp(0.0, 4_294_967_295.0) as u64
}

fn value(sources: &Sources<'_>, point: &Point, instance: &Instance) -> Option<Value> {
    identity(sources, point, instance)
        .or_else(|| measured(sources, point, instance).map(Value::Number))
        .or_else(|| reported(sources, point))
}

/// What it is.
fn identity(sources: &Sources<'_>, point: &Point, instance: &Instance) -> Option<Value> {
    let Sources {
        profile,
        facts,
        pack,
        ..
    } = sources;
    let mark = profile.recognise.iter().find(|r| r.point == point.id);
    if let Some(mark) = mark.filter(|_| facts.is_marked) {
        #[expect(clippy::cast_precision_loss, reason = "marks are short")]
        return Some(match &mark.equals {
            Scalar::Number(number) => Value::Number(*number as f64),
            Scalar::Text(text) => Value::Text(text.clone()),
        });
    }
    let module = instance.place.module.unwrap_or(1);
    Some(match point.role {
        Role::Serial => {
            Value::Text(format!("SIM{:06}-{}", facts.serial % 1_000_000, facts.index).into())
        }
        Role::ModuleSerial => Value::Text(
            format!(
                "SIM{:05}-{}{:02}",
                facts.serial % 100_000,
                facts.index,
                pack.serial(module)
            )
            .into(),
        ),
        Role::Model => Value::Text("SIMULATED".to_owned().into()),
        Role::Firmware | Role::ModuleFirmware => Value::Text(facts.firmware.clone().into()),
        Role::ModulePosition => Value::Number(pack.position(module).into()),
        Role::ModuleCount => Value::Number(pack.modules().into()),
        Role::PackCount => Value::Number(facts.packs.into()),
        Role::ScaleFactor => Value::Number(SCALE_POWER.into()),
        _ => return None,
    })
}

/// What it measures. `None` within is a value that it does not have.
fn measured(sources: &Sources<'_>, point: &Point, instance: &Instance) -> Option<f64> {
    let Sources {
        pack,
        control,
        profile,
        now,
        ..
    } = sources;
    let module = instance.place.module.unwrap_or(1);
    let item = instance.place.item.unwrap_or(1);
    let limit = || {
        if control.allows_current(*now) {
            control.limit
        } else {
            0.0
        }
    };
    let heard = || {
        control
            .heard
            .map(|at| now.saturating_sub(at).as_secs_f64().floor())
    };
    match point.role {
        Role::PackVoltage => Some(pack.voltage_seen()),
        Role::TerminalVoltage => Some(pack.circuit.terminals_seen()),
        Role::PackCurrent => Some(signed(point.positive, pack.current_seen())),
        Role::PackPower => {
            let watts = pack.current_seen() * pack.voltage_seen();
            Some(signed(point.positive, watts))
        }
        Role::ModuleVoltage => Some(pack.module_voltage(module)),
        Role::CellVoltage => pack.cell(module, item),
        Role::CellVoltageMax => pack.cell_extremes().map(|(_, high)| high),
        Role::CellVoltageMin => pack.cell_extremes().map(|(low, _)| low),
        Role::CellTemperature => pack.sensor(module, item).value(),
        Role::CellTemperatureMax => pack.temperature_extremes().map(|(_, high)| high),
        Role::CellTemperatureMin => pack.temperature_extremes().map(|(low, _)| low),
        Role::Soc => Some(pack.soc),
        Role::ModuleSoc => Some(pack.module_soc(module)),
        Role::Soh => Some(99.0),
        Role::Cycles => Some(12.0),
        Role::Insulation => Some(pack.insulation.unwrap_or_default()),
        Role::InsulationValid => Some(f64::from(u8::from(pack.insulation_valid))),
        Role::ChargeLimit | Role::DischargeLimit => Some(limit()),
        Role::Uptime => Some(now.saturating_sub(control.booted).as_secs_f64().floor()),
        Role::UnitClock => Some((sources.unix_time.as_secs_f64() + control.clock_error).floor()),
        Role::OwnHeartbeat => Some(sources.facts.heartbeat.into()),
        Role::InverterAge => heard(),
        Role::InverterEverHeard => Some(f64::from(u8::from(control.heard.is_some()))),
        Role::InverterHeartbeat => Some(control.inverter_counter.into()),
        Role::Balancing => Some(raw_number(pack.balanced(module))),
        Role::Other if clears(profile, instance) => {
            Some(if sources.facts.log_read { 0.0 } else { LOGGED })
        }
        Role::Other => Some(0.0),
        _ => None,
    }
}

fn clears(profile: &Profile, instance: &Instance) -> bool {
    let inside = |from, to| (from..=to).contains(&instance.address);
    profile
        .clears_when_read
        .iter()
        .any(|s| s.table == instance.table && inside(s.from, s.to))
}

/// What it says: state, words, codes, switches.
fn reported(sources: &Sources<'_>, point: &Point) -> Option<Value> {
    let Sources {
        profile, control, ..
    } = sources;
    let active = |flag: &&Flag| flag.point == point.id && control.active.contains(&flag.id);
    Some(match point.role {
        Role::State => {
            let known = point.values.iter().find(|v| v.state == Some(control.state));
            Value::Code(known.or(point.values.first())?.is)
        }
        Role::AlarmWord | Role::WarningWord | Role::LatchedWord => {
            let bits = profile
                .flags
                .iter()
                .filter(|f| f.point == point.id)
                .filter_map(|f| {
                    let up = control.active.contains(&f.id);
                    let set = up == (f.active != 0);
                    f.bit.filter(|bit| set && *bit < 64).map(|bit| 1u64 << bit)
                });
            Value::Bits(bits.fold(0, |word, bit| word | bit))
        }
        Role::FaultCode => {
            let mut flags: Vec<&Flag> = profile.flags.iter().filter(active).collect();
            flags.sort_by_key(|f| f.rank.unwrap_or(u16::MAX));
            let turn = if point.rotates {
                usize::from(sources.facts.heartbeat) / 3 % flags.len().max(1)
            } else {
                0
            };
            Value::Code(
                flags
                    .get(turn)
                    .and_then(|f| f.values.first())
                    .copied()
                    .unwrap_or(0),
            )
        }
        Role::InverterFlag => {
            let up = profile
                .inverter
                .flag
                .as_ref()
                .is_some_and(|id| control.active.contains(id));
            Value::Number(u8::from(up).into())
        }
        Role::Switches => {
            // Contacts that move with the poles: plus is the lowest bit of those that must be set.
            let both = profile.unit.switches_closed;
            let plus = both & both.wrapping_neg();
            let (plus_closed, minus_closed) = sources.pack.circuit.poles();
            Value::Bits(
                if plus_closed { plus } else { 0 } | if minus_closed { both & !plus } else { 0 },
            )
        }
        _ => return None,
    })
}
