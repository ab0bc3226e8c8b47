//! Numbers of registers as documents write them.

use super::text::narrow;

/// A register, or a range of them, as written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Written {
    pub(super) first: u32,
    pub(super) last: Option<u32>,
    /// Marked as hexadecimal.
    pub(super) is_hex: bool,
    /// Digits of the first number.
    pub(super) digits: usize,
    /// Bit in the register, behind a point: `40013.3`.
    pub(super) bit: Option<u8>,
}

/// A number with what it is made of.
struct Digits {
    value: u32,
    is_hex: bool,
    digits: usize,
    used: usize,
}

/// Reads a cell; `bare_hex` where the column has hexadecimal numbers without a mark. Nothing if there is anything
/// else in it than a number or the two ends of a range.
pub(super) fn written(cell: &str, bare_hex: bool) -> Option<Written> {
    let cell = match cell.split_whitespace().collect::<Vec<_>>().as_slice() {
        [first, to, last] if is_to(to) => format!("{first}-{last}"),
        _ => cell.to_owned(),
    };
    let chars: Vec<char> = cell
        .chars()
        .map(narrow)
        .filter(|c| !c.is_whitespace() && *c != '\'')
        .collect();
    let first = digits(&chars, bare_hex)?;
    let mut rest = chars.get(first.used..)?;
    let mut found = Written {
        first: first.value,
        last: None,
        is_hex: first.is_hex,
        digits: first.digits,
        bit: None,
    };
    if let [open @ ('(' | '['), ..] = rest {
        // `40108 (0x006B)` says one thing twice.
        let close = if *open == '(' { ')' } else { ']' };
        let end = rest.iter().position(|c| *c == close)?;
        digits(rest.get(1..end)?, bare_hex).filter(|other| other.used + 1 == end)?;
        rest = rest.get(end + 1..)?;
    }
    if let ['.', bit @ ..] = rest
        && !matches!(bit, ['.', ..])
    {
        let text: String = bit.iter().collect();
        // A spreadsheet writes whole numbers with `.0`; a bit stands there as a number below 32.
        found.bit = Some(text.parse().ok().filter(|bit| *bit < 32)?);
        return Some(found);
    }
    let dividers = rest.iter().take_while(|c| is_divider(**c)).count();
    match (dividers, rest.get(dividers..)?) {
        (0, []) => Some(found),
        (1.., rest) => {
            let last = digits(rest, bare_hex || found.is_hex && !marked(rest))?;
            (last.used == rest.len()).then_some(())?;
            found.is_hex |= last.is_hex;
            found.last = Some(last.value).filter(|last| *last > found.first);
            (found.last.is_some() || last.value == found.first).then_some(found)
        }
        _ => None,
    }
}

/// The word between the ends of a range.
fn is_to(word: &str) -> bool {
    const WORDS: [&str; 8] = ["to", "through", "bis", "a", "à", "al", "hasta", "tot"];
    let word = word.to_lowercase();
    WORDS.iter().any(|known| **known == word)
}

fn is_divider(c: char) -> bool {
    matches!(
        c,
        '-' | '–'
            | '—'
            | '‐'
            | '‑'
            | '~'
            | '∼'
            | '〜'
            | '…'
            | '.'
            | ':'
            | '至'
            | '到'
            | '/'
            | '+'
    )
}

fn marked(chars: &[char]) -> bool {
    matches!(chars, ['0', 'x' | 'X', ..]) || matches!(chars.last(), Some('h' | 'H'))
}

/// The number at the beginning.
fn digits(chars: &[char], bare_hex: bool) -> Option<Digits> {
    let (skipped, is_marked) = match chars {
        ['0', 'x' | 'X', ..] => (2, true),
        ['$', ..] => (1, true),
        ['#' | 'R' | 'D', next, ..] if next.is_ascii_digit() => (1, false),
        _ => (0, false),
    };
    let rest = chars.get(skipped..)?;
    let hex = rest.iter().take_while(|c| c.is_ascii_hexdigit()).count();
    let decimal = rest.iter().take_while(|c| c.is_ascii_digit()).count();
    let has_suffix = !is_marked && hex > 0 && matches!(rest.get(hex), Some('h' | 'H'));
    let is_hex = is_marked || has_suffix || bare_hex;
    let count = if is_hex { hex } else { decimal };
    let text: String = rest.iter().take(count).collect();
    if !(1..=8).contains(&count) {
        return None;
    }
    Some(Digits {
        value: u32::from_str_radix(&text, if is_hex { 16 } else { 10 }).ok()?,
        is_hex,
        digits: count,
        used: skipped + count + usize::from(has_suffix),
    })
}

/// Whether a column of numbers is hexadecimal without a mark: letters stand in some, and all are of such digits.
pub(super) fn is_bare_hex<'c>(cells: impl Iterator<Item = &'c str>) -> bool {
    let mut with_letters = 0;
    let mut others = 0;
    for cell in cells.filter(|cell| !cell.is_empty()) {
        let is_range = |c: char| is_divider(c) || c.is_whitespace();
        let fits = cell
            .split(is_range)
            .filter(|part| !part.is_empty())
            .all(|part| {
                (2..=4).contains(&part.len()) && part.chars().all(|c| c.is_ascii_hexdigit())
            });
        let letters = cell.chars().any(|c| matches!(c, 'a'..='f' | 'A'..='F'));
        if fits {
            with_letters += usize::from(letters);
        } else {
            others += 1;
        }
    }
    with_letters > 1 && others * 4 < with_letters
}

#[cfg(test)]
mod tests {
    use super::*;

    // Kind: common practice
    #[test]
    fn registers_are_read_as_documents_write_them() {
        for (cell, first, last, is_hex) in [
            ("100", 100, None, false),
            ("0x3E8", 1000, None, true),
            ("0010H", 16, None, true),
            ("10h", 16, None, true),
            ("40108", 40108, None, false),
            ("400108", 400_108, None, false),
            ("1–16", 1, Some(16), false),
            ("100..115", 100, Some(115), false),
            ("0x3EA - 0x3F1", 1002, Some(1009), true),
            ("012CH…012DH", 300, Some(301), true),
            ("0x10-1F", 16, Some(31), true),
            ("2 - 11", 2, Some(11), false),
            ("40108 (0x006B)", 40108, None, false),
            ("５１０３～５１０８", 5103, Some(5108), false),
            ("40001.0", 40001, None, false),
        ] {
            let found = written(cell, false).unwrap();
            assert_eq!(
                (found.first, found.last, found.is_hex),
                (first, last, is_hex),
                "{cell}"
            );
        }
        for cell in [
            "",
            "Register",
            "0.1",
            "1.5V",
            "Page 3",
            "16-1",
            "12a",
            "999999999",
        ] {
            let found = written(cell, false);
            assert!(
                found.is_none_or(|found| found.bit.is_some()),
                "{cell}: {found:?}"
            );
        }
        assert_eq!(written("40013.3", false).unwrap().bit, Some(3));
        assert_eq!(written("03E8", true).unwrap().first, 1000);
        assert!(is_bare_hex(["0010", "001F", "00A0", "0100"].into_iter()));
        assert!(!is_bare_hex(["10", "20", "30"].into_iter()));
    }
}
