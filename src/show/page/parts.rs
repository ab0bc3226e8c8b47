//! What every part of the page is made of: where it comes from, a section, a table.

use std::time::Duration;

use super::facts::{self, PageFacts};
use super::html::Html;
use super::series::Series;
use super::{Options, PageSource, words};

/// Everything that the parts of a page draw from.
pub(crate) struct Parts<'a> {
    /// Recording and result.
    pub(crate) source: &'a PageSource<'a>,
    /// How the page is to be.
    pub(crate) options: Options,
    /// What stands beside the wire.
    pub(crate) facts: PageFacts,
    /// Values over time.
    pub(crate) series: Series,
}

impl Parts<'_> {
    /// Serial number of the unit, or that it is not known.
    pub(crate) fn serial(&self) -> String {
        let read = self.source.judgement.identity.serial.clone();
        let recorded = || Some(self.source.session.units.last()?.clean().into_owned());
        read.or_else(recorded)
            .unwrap_or_else(|| "without a known serial number".to_owned())
    }

    /// When the visit was begun; and, where it took more than one sitting, when the one that decided was.
    pub(crate) fn sittings(&self) -> (String, Option<String>) {
        let begun = |start| words::local(start, Duration::ZERO);
        let last = &self.source.session.start;
        let first = self.source.recording.sessions.first();
        let first = first.map_or(last, |session| &session.start);
        (begun(first), (first != last).then(|| begun(last)))
    }

    /// Whether the page is for the desk.
    pub(crate) fn for_desk(&self) -> bool {
        self.options.reader == super::Reader::Desk
    }

    /// Whether no real unit was there.
    pub(crate) fn is_simulated(&self) -> bool {
        facts::is_simulated(self.source)
    }
}

/// A section with its heading.
pub(crate) fn section(html: &mut Html, heading: &str, inner: impl FnOnce(&mut Html)) {
    html.around("section", &[], |section| {
        section.put("h2", &[], heading);
        section.around("div", &[], inner);
    });
}

/// What is one touch away on a screen, and stands open on paper.
pub(crate) fn folded(html: &mut Html, summary: &str, inner: impl FnOnce(&mut Html)) {
    html.around("details", &[("class", "print")], |details| {
        details.put("summary", &[], summary);
        inner(details);
    });
}

/// A table whose rows turn into short lists where the page is narrow.
pub(crate) fn table(html: &mut Html, caption: &str, columns: &[&str], rows: &[Vec<String>]) {
    // What is short stays a table on a phone too.
    let width = |row: &Vec<String>| {
        row.iter()
            .map(|cell| cell.chars().count() + 3)
            .sum::<usize>()
    };
    let class = match (rows.iter().all(|row| width(row) <= 44), columns.len() > 3) {
        (true, _) => "",
        (false, true) => "pile full",
        (false, false) => "pile",
    };
    html.around("table", &[("class", class)], |table| {
        if !caption.is_empty() {
            table.put("caption", &[], caption);
        }
        table.head(columns);
        table.around("tbody", &[], |body| {
            for cells in rows {
                body.around("tr", &[], |row| {
                    for (index, (cell, column)) in cells.iter().zip(columns).enumerate() {
                        if index == 0 {
                            row.put("th", &[("scope", "row")], cell);
                        } else {
                            row.put("td", &[("data-label", column)], cell);
                        }
                    }
                });
            }
        });
    });
}
