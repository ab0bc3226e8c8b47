//! Readings and their courses as tables: comma separated, the first line names the columns.
//!
//! One line ends with a line feed; a field with a comma, a quote or a line end stands in quotes. A text
//! that a table program would take for a formula has an apostrophe before it: units and maps are foreign.
//!
//! Does not: thin anything out, or convert.
//!
//! # Sources
//! - RFC 4180, 2: quotes and their doubling (line ends as every system here has them)

use packside_profiles::model::Profile;

use super::json::check::{Reading, Scalar};
use super::page::words::rfc3339;
use crate::evidence::Ended;
use crate::facts::readings::just_read;
use crate::recording::Start;

/// One reading on each line.
pub fn readings(readings: &[Reading]) -> String {
    let mut table = String::from(
        "unit,point,role,value,value_name,value_unit,raw,table,register,quality,remark,age_ms\n",
    );
    for reading in readings {
        let role = serde_json::to_value(reading.role).unwrap_or_default();
        let age = reading.age_ms.map(|age| age.to_string());
        put(
            &mut table,
            &[
                &reading.unit.to_string(),
                &text(&reading.point),
                role.as_str().unwrap_or_default(),
                &value(reading),
                &text(reading.value_name.as_deref().unwrap_or_default()),
                &text(&reading.value_unit),
                reading.raw.as_deref().unwrap_or_default(),
                reading.table,
                &reading.register.to_string(),
                reading.quality,
                &text(reading.remark.as_deref().unwrap_or_default()),
                &age.unwrap_or_default(),
            ],
        );
    }
    table
}

/// How every value that was read in a recording begins.
pub const COURSES: &str = "session,time,at_ms,unit,point,value,value_name,value_unit,quality\n";

/// Every value that was read in a recording, in the order of time.
pub struct Courses(String);

impl Default for Courses {
    /// With its first line.
    fn default() -> Self {
        Self(COURSES.to_owned())
    }
}

impl Courses {
    /// Takes what one question gave, in a session with this number and begin.
    pub(crate) fn take(
        &mut self,
        session: usize,
        start: &Start,
        ended: &Ended<'_>,
        profile: &Profile,
    ) {
        let Some(unit) = ended.unit else { return };
        let at = ended.exchange.ended_at;
        let moment = [
            (session + 1).to_string(),
            rfc3339(start, at),
            at.as_millis().to_string(),
        ];
        let [session, time, at_ms] = moment.each_ref().map(String::as_str);
        for reading in just_read(unit, profile, at) {
            let reading = Reading::of(&reading);
            put(
                &mut self.0,
                &[
                    session,
                    time,
                    at_ms,
                    &reading.unit.to_string(),
                    &text(&reading.point),
                    &value(&reading),
                    &text(reading.value_name.as_deref().unwrap_or_default()),
                    &text(&reading.value_unit),
                    reading.quality,
                ],
            );
        }
    }

    /// All of it.
    pub fn into_text(self) -> String {
        self.0
    }
}

/// A value; nothing where there is none.
fn value(reading: &Reading) -> String {
    match &reading.value {
        None => String::new(),
        Some(Scalar::Number(number)) => number.to_string(),
        Some(Scalar::Raw(raw)) => raw.to_string(),
        Some(Scalar::Text(written)) => text(written),
    }
}

/// A text that no table program calculates with.
fn text(text: &str) -> String {
    match text.chars().next() {
        Some('=' | '+' | '-' | '@' | '\t' | '\r') => format!("'{text}"),
        _ => text.to_owned(),
    }
}

/// One line.
fn put(table: &mut String, fields: &[&str]) {
    for (number, field) in fields.iter().enumerate() {
        if number > 0 {
            table.push(',');
        }
        if field.contains([',', '"', '\n', '\r']) {
            table.push('"');
            table.push_str(&field.replace('"', "\"\""));
            table.push('"');
        } else {
            table.push_str(field);
        }
    }
    table.push('\n');
}

#[cfg(test)]
mod tests {
    use super::*;

    // Kind: published (RFC 4180, 2.6 and 2.7); the apostrophe common practice against formulas
    #[test]
    fn fields_are_quoted_and_never_a_formula() {
        let mut table = String::new();
        put(
            &mut table,
            &["1", &text("=1+1"), "a,b", "say \"x\"", &text("-5")],
        );
        assert_eq!(table, "1,'=1+1,\"a,b\",\"say \"\"x\"\"\",'-5\n");
    }
}
