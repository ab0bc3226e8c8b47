//! Columns of blanks, as text pasted from a PDF or a terminal has them.
//!
//! Where columns stand under each other, what is blank in (nearly) all lines separates them, so that an empty
//! cell stays one. Where they do not, two blanks or more separate.

use super::row::{MOST_COLUMNS, MOST_ROWS, Row};
use super::text::is_ideograph;

/// The rows of a text.
pub(super) fn rows(text: &str) -> Vec<Row> {
    let lines: Vec<(u32, &str)> = (1..).zip(text.lines()).take(MOST_ROWS + 1).collect();
    let split: Vec<Row> = lines
        .iter()
        .map(|(line, text)| row(*line, by_blanks(text)))
        .collect();
    let usual = usual(&split);
    let body: Vec<&str> = lines
        .iter()
        .zip(&split)
        .filter(|(_, row)| row.cells.len() > 2 && row.cells.len() + 3 >= usual)
        .map(|((_, text), _)| *text)
        .collect();
    // A terminal gives two places to some signs, a document may count each once.
    let (width, borders) = [(|_| 1) as Width, wide]
        .map(|width| (width, borders(&body, width)))
        .into_iter()
        .max_by_key(|(width, borders)| begun(&body, *width, borders))
        .unwrap_or((wide, Vec::new()));
    if borders.len() + 1 < usual || body.len() < 3 {
        return split;
    }
    let aligned = lines.iter().zip(split).map(|((line, text), split)| {
        // A heading or a sentence is one cell, unless it begins far to the right: more of the row above.
        let indent = text.chars().take_while(|c| c.is_whitespace()).count();
        let goes_on = borders.last().is_some_and(|last| indent + 1 >= *last);
        if split.cells.len() < 2 && !goes_on {
            split
        } else {
            row(*line, by_borders(text, &borders, width))
        }
    });
    aligned.collect()
}

fn row(line: u32, cells: Vec<String>) -> Row {
    Row { line, cells }
}

/// Cells between runs of two blanks or more, or tabs.
fn by_blanks(line: &str) -> Vec<String> {
    let parts = line.trim().split("  ").flat_map(|part| part.split('\t'));
    let cells = parts.map(str::trim).filter(|cell| !cell.is_empty());
    let cells: Vec<String> = cells.take(MOST_COLUMNS + 1).map(str::to_owned).collect();
    if cells.is_empty() {
        vec![String::new()]
    } else {
        cells
    }
}

fn usual(rows: &[Row]) -> usize {
    let count = |n: &usize| rows.iter().filter(|row| row.cells.len() == *n).count();
    (2..=MOST_COLUMNS)
        .max_by_key(|n| (count(n), *n))
        .unwrap_or(2)
}

/// Widest line that is looked at.
const WIDEST: usize = 1_000;

/// How many places a character takes.
type Width = fn(char) -> usize;

fn wide(c: char) -> usize {
    usize::from(
        is_ideograph(c)
            || matches!(c, '\u{3000}'..='\u{303f}' | '\u{ac00}'..='\u{d7a3}' | '\u{ff01}'..='\u{ff60}'),
    ) + 1
}

/// The characters of a line, each with the place where it stands.
fn placed(line: &str, width: Width) -> impl Iterator<Item = (usize, char)> {
    line.chars().scan(0, move |next, c| {
        let place = *next;
        *next += width(c);
        Some((place, c))
    })
}

/// Where columns begin, but the first: behind what is blank in nearly all lines.
fn borders(lines: &[&str], width: Width) -> Vec<usize> {
    let mut inked = [0_usize; WIDEST];
    let mut end = 0;
    for line in lines {
        for (place, c) in placed(line, width).filter(|(_, c)| !c.is_whitespace()) {
            for count in inked.iter_mut().skip(place).take(width(c)) {
                *count += 1;
                end = end.max(place + 1);
            }
        }
    }
    // A long remark or a slipped line may reach into a gap.
    let allowed = lines.len() / 30;
    let mut borders = empty_columns(lines, width, &inked, allowed);
    let mut gap = 0;
    let mut seen = false;
    for (place, count) in inked.iter().enumerate().take(end) {
        if *count <= allowed {
            gap += 1;
            continue;
        }
        if seen && gap >= 2 && begins(lines, width, place) {
            borders.push(place);
        }
        seen = true;
        gap = 0;
    }
    borders.sort_unstable();
    borders.dedup();
    borders
}

/// Whether more cells begin here than words that go on from the left: a gap in the few long remarks of a list is none
/// between columns.
fn begins(lines: &[&str], width: Width, place: usize) -> bool {
    let at = |line: &&&str, place: usize| {
        let mut chars = placed(line, width).skip_while(|(at, _)| *at < place);
        chars.next().is_some_and(|(_, c)| !c.is_whitespace())
    };
    let inked = lines.iter().filter(|line| at(line, place));
    let (go_on, begin): (Vec<&&str>, Vec<&&str>) =
        inked.partition(|line| (1..=2).any(|back| at(line, place.saturating_sub(back))));
    begin.len() >= go_on.len()
}

/// How many cells begin where columns do.
fn begun(lines: &[&str], width: Width, borders: &[usize]) -> usize {
    let of_line = |line: &&str| {
        let mut blanks = 0;
        let cells = placed(line, width).filter(|(place, c)| {
            let begins = blanks > 1 && !c.is_whitespace() && borders.contains(place);
            blanks = if c.is_whitespace() { blanks + 1 } else { 0 };
            begins
        });
        cells.count()
    };
    lines.iter().map(of_line).sum()
}

/// Where a heading stands with (nearly) nothing under it: a column of its own, though an empty one.
fn empty_columns(lines: &[&str], width: Width, inked: &[usize], allowed: usize) -> Vec<usize> {
    let cells = |line: &&&str| by_blanks(line).len();
    let most = lines.iter().map(|line| cells(&line)).max().unwrap_or(0);
    let Some(head) = lines.iter().find(|line| cells(line) == most) else {
        return Vec::new();
    };
    let mut starts: Vec<(usize, usize)> = Vec::new();
    for (place, c) in placed(head, width).filter(|(_, c)| !c.is_whitespace()) {
        match starts.last_mut() {
            Some((_, end)) if place < *end + 2 => *end = place + width(c),
            _ => starts.push((place, place + width(c))),
        }
    }
    let is_empty = |(start, end): &(usize, usize)| {
        let under = inked.get(*start..*end).unwrap_or_default();
        !under.is_empty() && under.iter().all(|count| *count <= allowed.max(1))
    };
    let inner = starts.iter().skip(1).filter(|one| is_empty(one));
    inner.map(|(start, _)| *start).collect()
}

/// Cells between the borders; a word that reaches over one stays whole in the column where it begins.
fn by_borders(line: &str, borders: &[usize], width: Width) -> Vec<String> {
    let chars: Vec<(usize, char)> = placed(line, width).collect();
    let mut cells = Vec::new();
    let mut from = 0;
    for border in borders {
        let mut to = chars.partition_point(|(place, _)| place < border);
        let blank = |at: usize| chars.get(at).is_none_or(|(_, c)| c.is_whitespace());
        while to > from && to < chars.len() && !blank(to - 1) && !blank(to) {
            to -= 1;
        }
        cells.push(cell(chars.get(from.min(to)..to)));
        from = to;
    }
    cells.push(cell(chars.get(from..)));
    cells
}

fn cell(chars: Option<&[(usize, char)]>) -> String {
    let text: String = chars.unwrap_or_default().iter().map(|(_, c)| c).collect();
    text.trim().to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    // Kind: invented
    #[test]
    fn empty_cells_stay_empty_where_columns_stand_under_each_other() {
        let text = "Register list\n\n\
                    Addr   Name                Type     Unit   Remark\n\
                    100    Pack voltage        uint16   0.1V\n\
                    101    Alarms              uint16          Bit0: short\n\
                    102    State of charge     uint16   %\n\
                    Page 3\n";
        let rows = rows(text);
        assert_eq!(rows[0].cells, ["Register list"]);
        assert_eq!(
            rows[4].cells,
            ["101", "Alarms", "uint16", "", "Bit0: short"]
        );
        assert_eq!(rows[5].cells, ["102", "State of charge", "uint16", "%", ""]);
        assert_eq!((rows[6].line, rows[6].cells.len()), (7, 1));
    }

    // Kind: invented
    #[test]
    fn a_heading_with_nothing_under_it_is_a_column_of_its_own() {
        let text = "Addr   Name            Factor   Offset   Unit\n\
                    100    Pack voltage    0.1               V\n\
                    101    Current         0.1               A\n\
                    102    Capacity        0.01              Ah\n";
        let rows = rows(text);
        assert_eq!(rows[0].cells, ["Addr", "Name", "Factor", "Offset", "Unit"]);
        assert_eq!(rows[2].cells, ["101", "Current", "0.1", "", "A"]);
    }

    // Kind: invented
    #[test]
    fn signs_of_two_places_stand_under_each_other_as_in_a_terminal() {
        let text = "地址   名称       单位   说明\n\
                    100    总电压     0.1V\n\
                    101    电流       0.1A   放电为正\n\
                    102    运行状态          0:待机\n";
        let rows = rows(text);
        assert_eq!(rows[1].cells, ["100", "总电压", "0.1V", ""]);
        assert_eq!(rows[3].cells, ["102", "运行状态", "", "0:待机"]);
    }

    // Kind: invented (counted as one place each, short names would leave a gap of their own behind the second column)
    #[test]
    fn columns_begin_where_most_cells_do() {
        let text = "地址     描述            数量  类型        系数   单位\n\
                    101-102  系统总电压      2     无符号32位  0.001  V\n\
                    103      电流            1     16位有符号  0.1    A\n\
                    104      荷电状态        1     无符号16位  0.1    %\n\
                    105      SOH             1     无符号16位  1      %\n\
                    106      最高单体电压    1     无符号16位  0.001  V\n";
        let rows = rows(text);
        assert_eq!(
            rows[0].cells,
            ["地址", "描述", "数量", "类型", "系数", "单位"]
        );
        assert_eq!(rows[4].cells, ["105", "SOH", "1", "无符号16位", "1", "%"]);
    }
}
