//! How large a sheet of OpenDocument is, before it is read: a row or a cell may stand for a million others there.

use std::io::{Cursor, Read as _};

/// Most cells up to the last that is filled: rows that are read times columns, and many times more.
const MOST_CELLS: usize = 4_000_000;

/// Most bytes of the document inside.
const MOST_BYTES: u64 = 64 << 20;

/// Whether a workbook is such a document with more cells than are read. Of any other kind it is not asked.
pub(super) fn is_too_large(bytes: &[u8]) -> bool {
    let Ok(mut archive) = zip::ZipArchive::new(Cursor::new(bytes)) else {
        return false;
    };
    let Ok(content) = archive.by_name("content.xml") else {
        return false;
    };
    let mut document = Vec::new();
    let read = content.take(MOST_BYTES + 1).read_to_end(&mut document);
    read.is_err()
        || u64::try_from(document.len()).unwrap_or(u64::MAX) > MOST_BYTES
        || most_cells(&String::from_utf8_lossy(&document)) > MOST_CELLS
}

/// Rows times columns up to the last filled cell, of the largest sheet.
fn most_cells(document: &str) -> usize {
    let mut most = 0;
    let (mut rows, mut widest) = (0_usize, 0_usize);
    // How often the row stands for itself, inside of one.
    let (mut inside, mut column) = (None, 0_usize);
    for tag in document.split('<').skip(1) {
        let tag = tag.split('>').next().unwrap_or_default();
        let name = tag
            .split([' ', '\n', '\t', '\r', '/'])
            .next()
            .unwrap_or_default();
        match name {
            "table:table" => (rows, widest) = (0, 0),
            "table:table-row" => {
                let row_times = times(tag, "number-rows-repeated");
                column = 0;
                inside = (!tag.ends_with('/')).then_some(row_times);
                if inside.is_none() {
                    rows = rows.saturating_add(row_times);
                }
            }
            "" if tag.starts_with("/table:table-row") => {
                rows = rows.saturating_add(inside.take().unwrap_or_default());
            }
            "table:table-cell" | "table:covered-table-cell" => {
                column = column.saturating_add(times(tag, "number-columns-repeated"));
            }
            _ => {}
        }
        let is_filled = tag.contains("value") || name == "text:p";
        if let Some(row_times) = inside.filter(|_| is_filled) {
            widest = widest.max(column);
            most = most.max(rows.saturating_add(row_times).saturating_mul(widest));
        }
    }
    most
}

/// How often a tag says that it stands for itself.
fn times(tag: &str, attribute: &str) -> usize {
    let said = tag.split_once(attribute).map(|(_, rest)| rest);
    let digits = said.and_then(|rest| rest.split(['"', '\'']).nth(1));
    digits
        .and_then(|digits| digits.trim().parse().ok())
        .unwrap_or(1)
}

#[cfg(test)]
mod tests {
    use super::*;

    // Kind: derived (rows times columns)
    #[test]
    fn what_stands_for_many_counts_as_many_up_to_the_last_that_is_filled() {
        let sheet = |rows: &str| format!("<table:table>{rows}</table:table>");
        let row = "<table:table-row><table:table-cell office:value=\"1\"/><table:table-cell><text:p>x</text:p></table:table-cell></table:table-row>";
        let blank = "<table:table-row table:number-rows-repeated=\"1000\"><table:table-cell table:number-columns-repeated=\"16384\"/></table:table-row>";
        assert_eq!(most_cells(&sheet(row)), 2);
        // A value behind the sheet is none of its cells.
        let behind = "<table:named-range value=\"x\"/>";
        assert_eq!(most_cells(&sheet(&format!("{row}{blank}{behind}"))), 2);
        assert_eq!(most_cells(&sheet(&format!("{row}{blank}{row}"))), 2_004);
        let far = "<table:table-row><table:table-cell table:number-columns-repeated='16383'/><table:table-cell><text:p>x</text:p></table:table-cell></table:table-row>";
        assert_eq!(most_cells(&sheet(&format!("{blank}{far}"))), 1_001 * 16_384);
    }
}
