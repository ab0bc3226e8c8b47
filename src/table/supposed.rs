//! What a row may be whose words are not all known: by its unit, as far as the words that are known allow it.
//!
//! Does not: name alarms, states, codes or limits: no number would tell them.

use packside_profiles::Role;

use super::scale::Measure;
use super::words::{Notion as N, Understood};

/// What else is known of a row.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct About {
    pub(super) measure: Option<Measure>,
    /// Its unit is a thousand times the plain one or more: kΩ.
    pub(super) is_large: bool,
    /// Values with names are listed.
    pub(super) has_values: bool,
    /// Bits with names are listed, or the type is one of bits.
    pub(super) has_bits: bool,
    pub(super) is_text: bool,
    /// So many of them, where there are several.
    pub(super) several: u32,
    /// Numbers in its name.
    pub(super) numbers: usize,
    /// One of its bits says what is the matter.
    pub(super) says_trouble: bool,
    /// It may be written, where others may only be read.
    pub(super) is_set: bool,
    /// Others have a unit.
    pub(super) is_without_unit: bool,
}

/// What a row with a unit may be whose words are not all known, as far as those that are known allow it. Its number
/// may tell, once a unit is asked; words alone never do.
pub(super) fn supposed(w: &Understood, about: About) -> Vec<Role> {
    // What is measured cannot be written.
    let is_named = about.is_text || about.has_bits || about.has_values || about.is_set;
    let Some(measure) = about.measure.filter(|_| !is_elsewhere(w) && !is_named) else {
        return Vec::new();
    };
    let several = about.several > 1;
    let (is_cell, is_module) = (w.has(N::Cell), w.has(N::Module));
    let (max, min) = (w.has(N::Max), w.has(N::Min));
    let is_bound = max || min;
    let is_part = is_cell || is_module;
    let is_whole = w.any(&[N::Pack, N::Terminal]);
    let is_one = !several && !is_part && !is_bound;
    let roles = match measure {
        Measure::Volt => vec![
            (Role::PackVoltage, is_one && !w.has(N::Terminal)),
            (Role::TerminalVoltage, is_one),
            (
                Role::CellVoltageMax,
                !several && !is_module && !is_whole && !min,
            ),
            (
                Role::CellVoltageMin,
                !several && !is_module && !is_whole && !max,
            ),
            (
                Role::CellVoltage,
                several && !is_bound && !is_whole && (is_cell || !is_module),
            ),
            (Role::ModuleVoltage, several && !is_bound && !is_cell),
        ],
        Measure::Celsius | Measure::Kelvin => vec![
            (Role::CellTemperature, several && !is_bound),
            (Role::CellTemperatureMax, !several && !is_module && !min),
            (Role::CellTemperatureMin, !several && !is_module && !max),
        ],
        Measure::Percent => vec![
            (Role::Soc, is_one),
            (Role::Soh, is_one),
            (Role::ModuleSoc, several && !is_cell && !is_bound),
        ],
        Measure::Amp => vec![(Role::PackCurrent, is_one)],
        Measure::Watt => vec![(Role::PackPower, is_one)],
        Measure::Second => vec![
            (Role::Uptime, is_one && !w.any(&[N::Heard, N::Remaining])),
            (Role::UnitClock, is_one),
        ],
        Measure::Ohm => vec![(Role::Insulation, is_one && about.is_large)],
        _ => Vec::new(),
    };
    let left = roles.into_iter().filter(|(_, is_left)| *is_left);
    left.map(|(role, _)| role).collect()
}

/// Whether words say that a number is none of the battery as it is now.
fn is_elsewhere(w: &Understood) -> bool {
    w.any(&[
        N::Alien,
        N::Nominal,
        N::Limit,
        N::Protect,
        N::Inverter,
        N::Ambient,
        N::Board,
        N::Diff,
        N::Avg,
        N::Over,
        N::Under,
        N::Stored,
        N::Count,
        N::Index,
        N::Cumul,
        N::Balance,
        N::Imbalance,
        N::Precharge,
        N::Fuse,
        N::Humidity,
        N::Ever,
        N::Clock,
        N::Below,
        N::Not,
        N::Lost,
    ]) || w.any(&[N::Alarm, N::Warning, N::Fault, N::Charge, N::Discharge])
}

/// What a text may be.
pub(super) fn texts(w: &Understood, about: About) -> Vec<Role> {
    let is_other = w.any(&[
        N::Hardware,
        N::Maker,
        N::Clock,
        N::Cell,
        N::Inverter,
        N::Alien,
        N::Alarm,
        N::Fault,
    ]);
    let several = about.several > 1;
    let roles = [
        (
            Role::Serial,
            !several && !w.any(&[N::Firmware, N::Version, N::Model]),
        ),
        (
            Role::ModuleSerial,
            several && !w.any(&[N::Firmware, N::Version, N::Model]),
        ),
        (Role::Firmware, !several && !w.any(&[N::Serial, N::Model])),
        (
            Role::Model,
            !several && !w.any(&[N::Firmware, N::Version, N::Serial]),
        ),
    ];
    let left = roles
        .into_iter()
        .filter(|(_, is_left)| *is_left && !is_other);
    left.map(|(role, _)| role).collect()
}

#[cfg(test)]
mod tests {
    use super::super::words::understood;
    use super::*;

    // Kind: invented (zorbel and quix are no words)
    #[test]
    fn units_name_what_a_row_may_be_and_known_words_exclude() {
        let volt = About {
            measure: Some(Measure::Volt),
            several: 1,
            ..About::default()
        };
        let of = |text: &str, about| supposed(&understood(text), about);
        assert_eq!(of("zorbel quix", volt).len(), 4);
        assert_eq!(of("zorbel cell max", volt), [Role::CellVoltageMax]);
        for text in [
            "zorbel limit",
            "grid zorbel",
            "zorbel alarm",
            "rated zorbel",
        ] {
            assert_eq!(of(text, volt), [], "{text}");
        }
        let cells = About {
            several: 16,
            ..volt
        };
        assert_eq!(
            of("zorbel 1-16", cells),
            [Role::CellVoltage, Role::ModuleVoltage]
        );
        let amp = About {
            measure: Some(Measure::Amp),
            ..volt
        };
        assert_eq!(of("zorbel", amp), [Role::PackCurrent]);
        assert_eq!(of("zorbel charge", amp), []);
    }
}
