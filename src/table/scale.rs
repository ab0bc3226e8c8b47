//! Steps and units as makers write them: `0.1`, `0,1 V`, `x10`, `/10`, `1/100`, `mV`, `10 mV`.

use packside_profiles::model::Decimal;

use super::text::narrow;

/// A step as written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Step {
    /// What one is, or what a raw value is multiplied by.
    Times(Decimal),
    /// What a raw value is divided by.
    Over(u32),
    /// A whole number of 2 and more that may be either: decided for the whole column.
    Either(u32),
}

/// What a unit measures.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Measure {
    Volt,
    Amp,
    Watt,
    Celsius,
    Kelvin,
    Fahrenheit,
    Percent,
    AmpHour,
    WattHour,
    Ohm,
    Second,
    Hertz,
    Other,
}

/// A unit with its decade against that in which values are judged.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Unit {
    pub(super) measure: Measure,
    /// Power of ten: millivolts are -3.
    pub(super) decade: i32,
    /// A whole factor besides, as 60 of a minute.
    pub(super) factor: i64,
}

/// Units in small letters, with what they measure and their decade.
// Kind: common practice
const UNITS: &[(&str, Measure, i32)] = &[
    ("v", Measure::Volt, 0),
    ("volt", Measure::Volt, 0),
    ("volts", Measure::Volt, 0),
    ("vdc", Measure::Volt, 0),
    ("伏", Measure::Volt, 0),
    ("mv", Measure::Volt, -3),
    ("millivolt", Measure::Volt, -3),
    ("a", Measure::Amp, 0),
    ("amp", Measure::Amp, 0),
    ("ampere", Measure::Amp, 0),
    ("adc", Measure::Amp, 0),
    ("安", Measure::Amp, 0),
    ("ma", Measure::Amp, -3),
    ("w", Measure::Watt, 0),
    ("watt", Measure::Watt, 0),
    ("kw", Measure::Watt, 3),
    ("°c", Measure::Celsius, 0),
    ("℃", Measure::Celsius, 0),
    ("c", Measure::Celsius, 0),
    ("degc", Measure::Celsius, 0),
    ("celsius", Measure::Celsius, 0),
    ("gradc", Measure::Celsius, 0),
    ("grad", Measure::Celsius, 0),
    ("度", Measure::Celsius, 0),
    ("摄氏度", Measure::Celsius, 0),
    ("k", Measure::Kelvin, 0),
    ("kelvin", Measure::Kelvin, 0),
    ("°f", Measure::Fahrenheit, 0),
    ("℉", Measure::Fahrenheit, 0),
    ("%", Measure::Percent, 0),
    ("percent", Measure::Percent, 0),
    ("prozent", Measure::Percent, 0),
    ("‰", Measure::Percent, -1),
    ("ah", Measure::AmpHour, 0),
    ("安时", Measure::AmpHour, 0),
    ("mah", Measure::AmpHour, -3),
    ("wh", Measure::WattHour, 0),
    ("kwh", Measure::WattHour, 3),
    ("mwh", Measure::WattHour, 6),
    ("度电", Measure::WattHour, 3),
    ("kohm", Measure::Ohm, 0),
    ("kω", Measure::Ohm, 0),
    // What an encoding could not hold.
    ("k?", Measure::Ohm, 0),
    ("千欧", Measure::Ohm, 0),
    ("ohm", Measure::Ohm, -3),
    ("ω", Measure::Ohm, -3),
    ("欧", Measure::Ohm, -3),
    ("megohm", Measure::Ohm, 3),
    ("mohm", Measure::Ohm, -6),
    ("mω", Measure::Ohm, -6),
    ("s", Measure::Second, 0),
    ("sec", Measure::Second, 0),
    ("sek", Measure::Second, 0),
    ("second", Measure::Second, 0),
    ("seconds", Measure::Second, 0),
    ("秒", Measure::Second, 0),
    ("ms", Measure::Second, -3),
    ("hz", Measure::Hertz, 0),
    ("%rh", Measure::Other, 0),
    ("bar", Measure::Other, 0),
    ("kpa", Measure::Other, 0),
    ("rpm", Measure::Other, 0),
    ("cycles", Measure::Other, 0),
    ("次", Measure::Other, 0),
    ("kvar", Measure::Other, 0),
    ("va", Measure::Other, 0),
    ("kva", Measure::Other, 0),
];

/// A unit, if the text is one.
pub(super) fn unit(text: &str) -> Option<Unit> {
    let given: String = text
        .chars()
        .map(narrow)
        .filter(|c| !c.is_whitespace())
        .collect();
    let given = given
        .trim_matches(['[', ']', '(', ')', '.'])
        .replace('Ω', "ω")
        .replace(['º', '˚'], "°");
    // A capital tells mega from milli.
    if matches!(given.as_str(), "MOhm" | "MΩ" | "Mω" | "MOHM" | "M?") {
        return Some(Unit {
            measure: Measure::Ohm,
            decade: 3,
            factor: 1,
        });
    }
    let small = given.to_lowercase();
    let minutes = match small.as_str() {
        "min" | "minutes" | "minuten" | "分钟" => Some(60),
        "h" | "hour" | "hours" | "std" | "小时" => Some(3_600),
        "d" | "day" | "days" | "tage" => Some(86_400),
        _ => None,
    };
    if let Some(factor) = minutes {
        return Some(Unit {
            measure: Measure::Second,
            decade: 0,
            factor,
        });
    }
    let (_, measure, decade) = UNITS.iter().find(|(name, ..)| *name == small)?;
    Some(Unit {
        measure: *measure,
        decade: *decade,
        factor: 1,
    })
}

/// The number at the beginning of a text, with a point or a comma, and the rest.
pub(super) fn number(text: &str) -> Option<(Decimal, &str)> {
    let text = text.trim_start();
    let mut end = 0;
    let mut point = None;
    for (place, c) in text.char_indices() {
        match c {
            '-' | '+' if place == 0 => {}
            '0'..='9' => {}
            '.' | ','
                if point.is_none()
                    && text
                        .get(place + 1..)
                        .is_some_and(|r| r.starts_with(|c: char| c.is_ascii_digit())) =>
            {
                point = Some(place);
            }
            _ => break,
        }
        end = place + c.len_utf8();
    }
    let digits = text.get(..end)?;
    let places = point.map_or(0, |place| end - place - 1);
    let joined: String = digits
        .chars()
        .filter(|c| !matches!(c, '.' | ',' | '+'))
        .collect();
    // A map keeps twelve digits exactly, also once shifted to the unit of a role.
    if places > 9 || joined.len() > 12 {
        return None;
    }
    let number = Decimal {
        numerator: joined.parse().ok()?,
        places: u32::try_from(places).ok()?,
    };
    Some((simple(number), text.get(end..)?))
}

/// Both ends of a range of values: `0..69`, `-40 to 80`.
pub(super) fn range(cell: &str) -> Option<(f64, f64)> {
    let cell: String = cell.chars().map(narrow).collect();
    let (low, rest) = number(&cell)?;
    let rest = rest
        .trim_start()
        .trim_start_matches(['.', '…', '~', '～', '–', ' ']);
    let rest = rest
        .strip_prefix("to")
        .or(rest.strip_prefix("bis"))
        .unwrap_or(rest);
    let rest = rest.trim_start();
    let (high, _) = number(rest).or_else(|| number(rest.strip_prefix('-')?))?;
    (high.value() > low.value()).then_some((low.value(), high.value()))
}

/// Without zeros behind the point.
pub(super) fn simple(mut number: Decimal) -> Decimal {
    while number.places > 0 && number.numerator % 10 == 0 {
        number.numerator /= 10;
        number.places -= 1;
    }
    number
}

/// Times ten to a power.
pub(super) fn shifted(number: Decimal, decade: i32) -> Option<Decimal> {
    let places = i32::try_from(number.places).ok()? - decade;
    if places >= 0 {
        let places = u32::try_from(places).ok().filter(|places| *places <= 9)?;
        return Some(simple(Decimal {
            numerator: number.numerator,
            places,
        }));
    }
    let times = 10_i64.checked_pow(u32::try_from(-places).ok()?)?;
    Some(Decimal {
        numerator: number.numerator.checked_mul(times)?,
        places: 0,
    })
}

/// One divided by a whole number, if that is short.
pub(super) fn divided(by: u32) -> Option<Decimal> {
    let by = i64::from(by);
    (0..=9_u32).find_map(|places| {
        let whole = 10_i64.checked_pow(places)?;
        (by > 0 && whole % by == 0).then(|| {
            simple(Decimal {
                numerator: whole / by,
                places,
            })
        })
    })
}

/// A step, and the unit behind it if there is one: `0.1`, `0.1V`, `x10`, `/10`, `1/10`, `10 mV`.
pub(super) fn step(cell: &str) -> Option<(Step, Option<Unit>)> {
    let text: String = cell.chars().map(narrow).collect();
    let text = text.trim().trim_matches(['(', ')', '[', ']']).trim();
    let (sign, rest) = match text.chars().next()? {
        c @ ('x' | 'X' | '*' | '×' | '·' | '/' | '÷' | ':') => {
            (Some(c), text.get(c.len_utf8()..)?)
        }
        _ => (None, text),
    };
    let (number, rest) = number(rest)?;
    let rest = rest.trim();
    let whole = (number.places == 0)
        .then_some(number.numerator)
        .and_then(|n| u32::try_from(n).ok());
    // `1/10`, `1:10`
    if let (None, Some(1), Some(divisor)) = (sign, whole, rest.strip_prefix(['/', ':', '÷'])) {
        let (by, rest) = self::number(divisor)?;
        let by = u32::try_from(by.numerator)
            .ok()
            .filter(|_| by.places == 0 && rest.trim().is_empty())?;
        return (by > 0).then_some((Step::Over(by), None));
    }
    if number.numerator <= 0 {
        return None;
    }
    let rest = rest
        .strip_suffix("/bit")
        .or(rest.strip_suffix("/Bit"))
        .or(rest.strip_suffix("/LSB"))
        .unwrap_or(rest)
        .trim();
    let unit = match rest {
        "" | "x" | "×" | "倍" => None,
        rest => Some(unit(rest)?),
    };
    Some((
        match (sign, whole) {
            (Some('/' | '÷' | ':'), Some(by)) => Step::Over(by),
            (Some('/' | '÷' | ':'), None) => return None,
            // A unit behind it: what one is.
            (None, _) if unit.is_some() => Step::Times(number),
            (_, Some(n)) if n >= 2 => Step::Either(n),
            _ => Step::Times(number),
        },
        unit,
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn times(numerator: i64, places: u32) -> Step {
        Step::Times(Decimal { numerator, places })
    }

    // Kind: common practice
    #[test]
    fn steps_are_read_as_makers_write_them() {
        for (cell, wanted) in [
            ("0.1", times(1, 1)),
            ("0,01", times(1, 2)),
            ("1", times(1, 0)),
            ("x0.1", times(1, 1)),
            ("x10", Step::Either(10)),
            ("*100", Step::Either(100)),
            ("10", Step::Either(10)),
            ("/10", Step::Over(10)),
            ("1/1000", Step::Over(1000)),
            ("0.1V", times(1, 1)),
            ("10 mV", times(10, 0)),
            ("0.1 A/bit", times(1, 1)),
        ] {
            assert_eq!(
                step(cell).unwrap_or_else(|| panic!("{cell}")).0,
                wanted,
                "{cell}"
            );
        }
        for cell in ["", "-", "V", "0", "x", "Pack", "0..100", "-40"] {
            assert!(step(cell).is_none(), "{cell}");
        }
        let unit = |cell| step(cell).unwrap().1.unwrap();
        assert_eq!(unit("0.1℃").measure, Measure::Celsius);
        assert_eq!(unit("10mV").decade, -3);
    }

    // Kind: derived
    #[test]
    fn steps_stay_exact() {
        assert_eq!(
            divided(1000),
            Some(Decimal {
                numerator: 1,
                places: 3
            })
        );
        assert_eq!(
            divided(20),
            Some(Decimal {
                numerator: 5,
                places: 2
            })
        );
        assert_eq!(divided(3), None);
        assert_eq!(
            shifted(
                Decimal {
                    numerator: 10,
                    places: 0
                },
                -3
            ),
            Some(Decimal {
                numerator: 1,
                places: 2
            })
        );
        assert_eq!(
            shifted(
                Decimal {
                    numerator: 1,
                    places: 1
                },
                3
            ),
            Some(Decimal {
                numerator: 100,
                places: 0
            })
        );
    }
}
