//! Register images, from lines of JSON as loggers write them and from what was said on a link.
//!
//! One line is `{"t":12.5,"unit":1,"function":3,"registers":{"100":3285,"101":3286}}`: seconds, unit address,
//! function 3 (holding) or 4 (input), addresses as on the wire.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt;

use packside_profiles::model::Table;
use serde::Deserialize;

use crate::ask::{Exchange, Outcome};
use crate::physics::{Images, Register};
use crate::wire::{Answer, Question};

/// A line as it is written.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Line {
    t: f64,
    unit: u8,
    function: u8,
    registers: BTreeMap<String, u16>,
}

/// Why lines cannot be read as images.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ImageError {
    /// Line, from 1; 0 where the whole is meant.
    pub line: usize,
    /// What was expected.
    pub expected: &'static str,
    /// What was found.
    pub found: String,
}

impl fmt::Display for ImageError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.line > 0 {
            write!(f, "line {}: ", self.line)?;
        }
        write!(f, "expected {}, found {}", self.expected, self.found)
    }
}

/// Reads lines of images; of several units the one asked for.
///
/// # Errors
/// Where a line is none, or several units are in it and none was asked for.
pub fn from_lines(text: &str, unit: Option<u8>) -> Result<Images, ImageError> {
    let mut looks: Vec<(f64, Vec<(Register, u16)>)> = Vec::new();
    let mut units = BTreeSet::new();
    for (index, line) in text.lines().enumerate() {
        if line.trim().is_empty() {
            continue;
        }
        let error = |expected, found: String| ImageError {
            line: index + 1,
            expected,
            found,
        };
        let shape = r#"{"t":seconds,"unit":1,"function":3,"registers":{"100":3285}}"#;
        let line: Line = serde_json::from_str(line).map_err(|why| error(shape, why.to_string()))?;
        if unit.is_some_and(|unit| unit != line.unit) {
            continue;
        }
        units.insert(line.unit);
        let table = match line.function {
            3 => Table::Holding,
            4 => Table::Input,
            other => return Err(error("function 3 or 4", other.to_string())),
        };
        if !line.t.is_finite() {
            return Err(error("a time in seconds", line.t.to_string()));
        }
        let words = line.registers.iter().map(|(address, word)| {
            let address = address
                .parse()
                .map_err(|_| error("an address from 0 to 65535", format!("{address:.20?}")))?;
            Ok((Register::new(table, address), *word))
        });
        looks.push((line.t, words.collect::<Result<_, ImageError>>()?));
    }
    if units.len() > 1 {
        let expected = "registers of one unit (or --unit)";
        let found = format!("those of {units:?}");
        return Err(ImageError {
            line: 0,
            expected,
            found,
        });
    }
    if looks.is_empty() {
        let expected = "at least one image";
        return Err(ImageError {
            line: 0,
            expected,
            found: "none".to_owned(),
        });
    }
    looks.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut images = Images::default();
    for (at, words) in looks {
        images.push(at, words);
    }
    Ok(images)
}

/// Units of which registers were read, and how many answers each gave.
pub fn units<'a>(exchanges: impl IntoIterator<Item = &'a Exchange>) -> BTreeMap<u8, usize> {
    let mut units = BTreeMap::new();
    for exchange in exchanges {
        if words(exchange).is_some() {
            *units.entry(exchange.ask.unit).or_default() += 1;
        }
    }
    units
}

/// Makes images of what one unit answered, whoever asked. An image ends where a register comes again.
pub fn from_exchanges<'a>(exchanges: impl IntoIterator<Item = &'a Exchange>, unit: u8) -> Images {
    let mut images = Images::default();
    let mut began = 0.0;
    let mut look: BTreeMap<Register, u16> = BTreeMap::new();
    for exchange in exchanges {
        if exchange.ask.unit != unit {
            continue;
        }
        let Some(words) = words(exchange) else {
            continue;
        };
        if words
            .iter()
            .any(|(register, _)| look.contains_key(register))
        {
            images.push(began, std::mem::take(&mut look));
        }
        if look.is_empty() {
            began = exchange.ended_at.as_secs_f64();
        }
        look.extend(words);
    }
    images.push(began, look);
    images
}

/// The registers of an answered read.
fn words(exchange: &Exchange) -> Option<Vec<(Register, u16)>> {
    let Question::Read { table, address, .. } = exchange.ask.question else {
        return None;
    };
    let Outcome::Answered(Answer::Registers(words)) = &exchange.outcome else {
        return None;
    };
    let first = Register::new(table, address);
    let further = (0..).zip(words);
    let all = further.filter_map(|(distance, word)| Some((first.plus(distance)?, *word)));
    Some(all.collect())
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use super::*;
    use crate::wire::Ask;

    fn answered(at: u64, address: u16, words: &[u16]) -> Exchange {
        let count = u16::try_from(words.len()).unwrap();
        let question = Question::Read {
            table: Table::Input,
            address,
            count,
        };
        Exchange {
            number: 0,
            ask: Ask { unit: 1, question },
            asked_at: Duration::from_secs(at),
            sent_at: None,
            ended_at: Duration::from_secs(at),
            first_byte_at: None,
            outcome: Outcome::Answered(Answer::Registers(words.to_vec())),
            strays: Vec::new(),
            fence: false,
        }
    }

    // Kind: invented
    #[test]
    fn a_register_that_comes_again_begins_a_new_image() {
        let said = [
            answered(0, 10, &[1, 2]),
            answered(1, 20, &[3]),
            answered(5, 10, &[4, 5]),
        ];
        let images = from_exchanges(&said, 1);
        assert_eq!(images.times(), [0.0, 5.0]);
        let at = |address| images.row(Register::new(Table::Input, address)).unwrap();
        assert_eq!(at(11), [Some(2), Some(5)]);
        assert_eq!(at(20), [Some(3), None]);
        assert_eq!(units(&said), BTreeMap::from([(1, 3)]));
        assert_eq!(from_exchanges(&said, 2).registers().count(), 0);
    }

    // Kind: invented
    #[test]
    fn lines_of_both_functions_make_one_image() {
        let text = r#"{"t":0,"unit":1,"function":3,"registers":{"1":7}}
{"t":0,"unit":1,"function":4,"registers":{"1":8}}
"#;
        let images = from_lines(text, None).unwrap();
        assert_eq!(images.count(), 1);
        assert_eq!(
            images.row(Register::new(Table::Holding, 1)).unwrap(),
            [Some(7)]
        );
        assert_eq!(
            images.row(Register::new(Table::Input, 1)).unwrap(),
            [Some(8)]
        );
    }

    // Kind: invented
    #[test]
    fn err_lines_say_where_what_was_expected_and_what_was_found() {
        let error = |text| from_lines(text, None).unwrap_err().to_string();
        assert_eq!(
            error(r#"{"t":0,"unit":1,"function":6,"registers":{}}"#),
            "line 1: expected function 3 or 4, found 6"
        );
        assert!(
            error("7").starts_with("line 1: expected {\"t\":seconds"),
            "{}",
            error("7")
        );
        assert_eq!(error(""), "expected at least one image, found none");
        let two = r#"{"t":0,"unit":1,"function":3,"registers":{}}
{"t":0,"unit":2,"function":3,"registers":{}}"#;
        assert_eq!(
            error(two),
            "expected registers of one unit (or --unit), found those of {1, 2}"
        );
    }
}
