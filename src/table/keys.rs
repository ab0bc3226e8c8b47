//! Numbers of values and bits as they stand in remarks: `Bit 3:`, `0x05 =`, `b0..7`, `[2]`.
//!
//! Does not: know which name belongs to a number (see [`super::named`]).

use super::text::is_ideograph;

/// Most bits of a word.
pub(super) const MOST_BITS: u32 = 64;

/// A number with what shows that it names something, and where it stands.
#[derive(Debug, Clone)]
pub(super) struct Key {
    pub(super) number: u32,
    /// The last of several, as `Bit0..7`.
    pub(super) last: u32,
    pub(super) is_bit: bool,
    /// `B0=1: hot`: the level that says it.
    pub(super) level: Option<bool>,
    pub(super) from: usize,
    pub(super) to: usize,
}

pub(super) fn separates(c: char) -> bool {
    matches!(c, '\n' | ';' | ',' | '|' | '、' | '。' | '/')
}

/// The key of a value or bit that begins here.
pub(super) fn key(chars: &[char], before: char, solid: char) -> Option<Key> {
    let starts = separates(solid) || solid == '(';
    if !(before.is_whitespace() || (starts && before == solid)) {
        return None;
    }
    let (is_bit, mut at) = word(chars)?;
    let is_quoted = matches!(chars.get(at), Some('\'' | '"' | '“' | '‘'));
    at += usize::from(is_quoted);
    let (number, used) = number(chars.get(at..)?, is_bit)?;
    at += used;
    let mut last = number;
    if is_bit && let Some((end, used)) = range_end(chars.get(at..)?, number) {
        last = end;
        at += used;
    }
    at += usize::from(is_quoted && matches!(chars.get(at), Some('\'' | '"' | '”' | '’')));
    at += usize::from(chars.get(at) == Some(&'位'));
    // A name may begin in the next line.
    let gap = chars
        .iter()
        .skip(at)
        .take_while(|c| is_bit && c.is_whitespace() || **c == ' ');
    at += gap.count();
    let mut level = None;
    // `B0=1: hot`
    if is_bit && chars.get(at) == Some(&'=') {
        let behind = at + 1 + blanks(chars, at + 1);
        let digit = chars.get(behind).filter(|c| matches!(c, '0' | '1'));
        let sign = behind + 1 + blanks(chars, behind + 1);
        if let Some(digit) = digit.filter(|_| matches!(chars.get(sign), Some(':' | '→' | '='))) {
            level = Some(*digit == '1');
            at = sign;
        }
    }
    let is_hex = part(chars, 0, at)
        .iter()
        .any(|c| matches!(c, 'x' | 'X' | 'h' | 'H'));
    // The last of those that stand behind their names.
    let sign = chars.get(at).unwrap_or(&'\n');
    let next = chars.get(at + 1).copied().unwrap_or(' ');
    let closes = match sign {
        '=' | ':' | '→' => true,
        '\n' => is_bit && at >= chars.len(),
        // In brackets it stands behind a name.
        ')' if solid == '(' => false,
        '-' | '–' | '—' | '.' | ')' | '、' => {
            (starts || is_bit || is_hex) && !next.is_ascii_digit() && next != '.'
        }
        '(' => is_bit && next.is_alphabetic(),
        c => is_bit && c.is_alphabetic(),
    };
    let to = if sign.is_alphabetic() {
        at
    } else {
        chars.len().min(at + 1)
    };
    (closes && (!is_bit || last < MOST_BITS)).then_some(Key {
        number,
        last,
        is_bit,
        level,
        from: 0,
        to,
    })
}

pub(super) fn blanks(chars: &[char], from: usize) -> usize {
    let rest = chars.get(from..).unwrap_or_default();
    rest.iter().take_while(|c| **c == ' ').count()
}

/// The word in front of a number, if it is one of bits: `Bit`, `bit no.`, `第`; and where the number begins.
fn word(chars: &[char]) -> Option<(bool, usize)> {
    let space = |at: usize| {
        let rest = chars.get(at..).unwrap_or_default();
        rest.iter().take_while(|c| c.is_whitespace()).count()
    };
    let mut at = space(0);
    let begins = chars.get(at..)?;
    let word: String = begins.iter().take_while(|c| c.is_alphabetic()).collect();
    let is_bit = matches!(
        word.to_lowercase().as_str(),
        "bit" | "b" | "d" | "bits" | "位" | "第" | "ビット"
    );
    if !word.is_empty() && !is_bit {
        return None;
    }
    at += word.chars().count();
    at += space(at);
    if is_bit {
        let rest: String = chars.get(at..)?.iter().take(8).collect();
        let small = rest.to_lowercase();
        let marks = [
            "number", "nummer", "no.", "nr.", "n°", "nº", "no", "nr", "#", ".",
        ];
        if let Some(mark) = marks.iter().find(|mark| small.starts_with(**mark)) {
            at += mark.chars().count();
            at += space(at);
        }
    }
    Some((is_bit, at))
}

/// A number at the beginning, and how many characters it takes: `12`, `0x0C`, `0CH`.
fn number(chars: &[char], is_bit: bool) -> Option<(u32, usize)> {
    let rest: String = chars.iter().take(12).collect();
    if let Some(hex) = rest.strip_prefix("0x").or(rest.strip_prefix("0X")) {
        let digits = hex.chars().take_while(char::is_ascii_hexdigit).count();
        let number = u32::from_str_radix(hex.get(..digits)?, 16).ok()?;
        return Some((number, digits + 2));
    }
    let hex = rest.chars().take_while(char::is_ascii_hexdigit).count();
    let is_marked = matches!(rest.chars().nth(hex), Some('H' | 'h'))
        && rest.starts_with(|c: char| c.is_ascii_digit())
        && !rest.chars().nth(hex + 1).is_some_and(char::is_alphanumeric);
    if !is_bit && hex > 0 && is_marked {
        return Some((u32::from_str_radix(rest.get(..hex)?, 16).ok()?, hex + 1));
    }
    let digits = rest.chars().take_while(char::is_ascii_digit).count();
    Some((rest.get(..digits)?.parse().ok()?, digits))
}

/// The last of a range of bits, and how many characters lead to its end: `..7`, `-15`, ` to 7`.
fn range_end(chars: &[char], first: u32) -> Option<(u32, usize)> {
    let text: String = chars.iter().take(16).collect();
    let bare = text.trim_start();
    let sign = ["...", "..", "…", "-", "–", "~", "～", "至", "to ", "bis "]
        .into_iter()
        .find(|sign| bare.starts_with(sign))?;
    let rest = bare.strip_prefix(sign)?.trim_start();
    let rest = ["bit", "Bit", "BIT", "b", "B"]
        .into_iter()
        .find_map(|word| rest.strip_prefix(word))
        .unwrap_or(rest);
    let digits = rest.chars().take_while(char::is_ascii_digit).count();
    let last: u32 = rest.get(..digits)?.parse().ok()?;
    let used = text.chars().count() - rest.chars().count() + digits;
    (last > first && last < MOST_BITS).then_some((last, used))
}

/// A text that is nothing but a number, called a bit or not.
pub(super) fn bare_key(chars: &[char]) -> Option<(bool, u32)> {
    let (is_bit, at) = word(chars)?;
    let (number, used) = number(chars.get(at..)?, is_bit)?;
    let rest = chars.get(at + used..)?;
    let is_all = rest.iter().all(|c| c.is_whitespace() || *c == '位');
    is_all.then_some((is_bit, number))
}

/// A number with the signs around it in front of a name: its value, where the name begins, and the signs.
pub(super) fn marked(chars: &[char], from: usize) -> Option<(u32, usize, String)> {
    let mut at = from;
    let mut signs = String::new();
    if let Some(c) = chars.get(at).filter(|c| matches!(c, '(' | '[' | '#' | '.')) {
        signs.push(*c);
        at += 1;
    }
    let (value, used) = number(chars.get(at..)?, false)?;
    let written: String = part(chars, at, at + used).iter().collect();
    if written.starts_with("0x") || written.starts_with("0X") {
        signs.push('x');
    }
    at += used;
    if let Some(c) = chars
        .get(at)
        .filter(|c| matches!(c, ')' | ']' | '、' | '.' | '/' | '-'))
    {
        signs.push(*c);
        at += 1;
    }
    let gap = blanks(chars, at);
    let rest = chars.get(at + gap..)?;
    // A unit is no name.
    let is_name = rest.iter().take(2).filter(|c| c.is_alphabetic()).count() == 2
        || rest.first().is_some_and(|c| is_ideograph(*c));
    let is_parted = gap > 0 || !signs.is_empty();
    (is_name && is_parted).then_some((value, at + gap, signs))
}

/// The characters between two places.
pub(super) fn part(chars: &[char], from: usize, to: usize) -> &[char] {
    chars.get(from..to).unwrap_or_default()
}
