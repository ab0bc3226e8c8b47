//! Names of values and bits in a remark: `0=off; 1=on`, `Bit0: short`, `off (0), on (1)`, `0x0004: hot`.
//!
//! Whether a number stands in front of its name or behind it is decided for the whole remark, never name by name.

use super::keys::{Key, MOST_BITS, bare_key, key, marked, part, separates};
use super::text::{narrow, plain};
use super::words::{Notion, understood};

/// A name of a value or a bit.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Named {
    pub(super) number: u32,
    pub(super) is_bit: bool,
    pub(super) text: String,
    /// A bit that says it where it is 0.
    pub(super) is_low: bool,
}

/// Most names in one remark.
const MOST_NAMES: usize = 256;

/// The named values and bits of a remark.
pub(super) fn names(text: &str) -> Vec<Named> {
    let chars: Vec<char> = text.chars().map(narrow).collect();
    let bits_in_brackets = bracketed(&chars, true);
    let ways: [&dyn Fn() -> Vec<Named>; 5] = [
        &|| bits_in_brackets.clone(),
        &|| in_front(&chars),
        &|| bracketed(&chars, false),
        &|| at_ends(&chars),
        &|| counted(&chars),
    ];
    let found = ways.iter().map(|way| way());
    found
        .into_iter()
        .find(|names| !names.is_empty())
        .unwrap_or_default()
}

/// The bit that a heading is, `Bit 3`.
pub(super) fn bit(heading: &str) -> Option<u32> {
    let chars: Vec<char> = heading.chars().map(narrow).collect();
    let found = bare_key(&chars).filter(|(is_bit, _)| *is_bit);
    found.map(|(_, number)| number)
}

/// A name without the signs around it.
fn tidy(chars: &[char]) -> String {
    let ends = |c: char| {
        c.is_whitespace()
            || matches!(
                c,
                ';' | ','
                    | '|'
                    | '/'
                    | '、'
                    | '；'
                    | '，'
                    | '。'
                    | '.'
                    | '('
                    | ')'
                    | '['
                    | ']'
                    | ':'
                    | '='
            )
    };
    let text: String = chars.iter().collect();
    let text = text.split_whitespace().collect::<Vec<_>>().join(" ");
    let mut text = text.trim_matches(ends).to_owned();
    if text.matches('(').count() > text.matches(')').count() {
        text.push(')');
    }
    text
}

fn letters(chars: &[char]) -> usize {
    chars.iter().filter(|c| c.is_alphabetic()).count()
}

/// Numbers with a sign behind them, and the names that follow: `0: off`, `Bit 3 - hot`. Where the text begins with a
/// name and ends with a number, each stands behind its name.
fn in_front(chars: &[char]) -> Vec<Named> {
    let mut keys: Vec<Key> = Vec::new();
    let mut at = 0;
    let mut before = '\n';
    // The last character that is no blank.
    let mut solid = '\n';
    while at < chars.len() && keys.len() < MOST_NAMES {
        if let Some(mut found) = key(chars.get(at..).unwrap_or_default(), before, solid) {
            found.from += at;
            found.to += at;
            at = found.to;
            keys.push(found);
            before = ' ';
            solid = ' ';
            continue;
        }
        let Some(c) = chars.get(at) else { break };
        before = *c;
        if *c == '\n' || !c.is_whitespace() {
            solid = *c;
        }
        at += 1;
    }
    named(chars, &keys)
}

/// The names between the keys.
fn named(chars: &[char], keys: &[Key]) -> Vec<Named> {
    let (Some(first), Some(last)) = (keys.first(), keys.last()) else {
        return Vec::new();
    };
    let lead = part(chars, 0, first.from);
    let tail = part(chars, last.to, chars.len());
    let is_intro = lead.iter().rev().find(|c| !c.is_whitespace());
    let is_intro = is_intro.is_some_and(|c| matches!(c, ':' | '.' | '。' | '!' | '('));
    let is_behind = letters(lead) > 1 && !is_intro && letters(tail) == 0 && keys.len() > 1;
    let mut raw: Vec<(Key, String)> = Vec::new();
    for (nth, one) in keys.iter().enumerate() {
        let text = if is_behind {
            let from = nth
                .checked_sub(1)
                .and_then(|n| keys.get(n))
                .map_or(0, |k| k.to);
            part(chars, from, one.from)
        } else {
            let to = keys.get(nth + 1).map_or(chars.len(), |next| next.from);
            part(chars, one.to, to)
        };
        raw.push((one.clone(), tidy(text)));
    }
    let mut names = levelled(&raw);
    if names.iter().any(|name| name.is_bit) && says_low(&chars.iter().collect::<String>()) {
        names
            .iter_mut()
            .filter(|name| name.is_bit)
            .for_each(|name| {
                name.is_low = true;
                let bare = name.text.rsplit_once(['(', ',']);
                if let Some((bare, _)) = bare.filter(|(_, rest)| says_low(rest)) {
                    name.text = bare.trim().to_owned();
                }
            });
    }
    // One number in a sentence is none of a list.
    if names.len() < 2 && !names.iter().any(|name| name.is_bit) {
        names.clear();
    }
    names
}

/// Bits with what their levels say, `Bit0: 1 = hot, 0 = normal`; everything else as it is.
fn levelled(raw: &[(Key, String)]) -> Vec<Named> {
    let has_bits = raw.iter().any(|(key, _)| key.is_bit);
    let mut names: Vec<Named> = Vec::new();
    // Of every bit what 0 and what 1 says, and of all of them what stands before the first.
    let mut levels: Vec<[Option<&str>; 2]> = Vec::new();
    let mut of_all: [Option<&str>; 2] = [None, None];
    // Values of a field of bits are those of the register where it begins with the lowest, and no others.
    let mut field = None;
    for (key, text) in raw {
        if key.is_bit {
            field = (key.last > key.number).then_some(key.number);
        } else if field.is_some_and(|first| first > 0) {
            continue;
        }
        if has_bits && field.is_none() && !key.is_bit && key.number < 2 {
            let levels = levels.last_mut().unwrap_or(&mut of_all);
            if let Some(level) = levels.get_mut(usize::from(key.number == 1)) {
                *level = Some(text);
            }
            continue;
        }
        for (number, text) in each(key, text) {
            names.push(Named {
                number,
                is_bit: key.is_bit,
                text,
                is_low: key.level == Some(false),
            });
            levels.push([None, None]);
        }
    }
    // What stands behind the last of several and nowhere else is said of all.
    let said = levels.iter().filter(|one| **one != [None, None]).count();
    if said == 1
        && levels.len() > 1
        && names.last().is_some_and(|name| !name.text.is_empty())
        && let Some(last) = levels.last_mut().filter(|one| **one != [None, None])
    {
        of_all = std::mem::take(last);
    }
    let all_low = is_low(of_all);
    for (name, levels) in names
        .iter_mut()
        .zip(&levels)
        .filter(|(name, _)| name.is_bit)
    {
        name.is_low |= all_low || is_low(*levels);
        if name.text.is_empty() {
            let level = usize::from(!name.is_low);
            name.text = levels
                .get(level)
                .copied()
                .flatten()
                .unwrap_or_default()
                .to_owned();
        }
    }
    names.retain(|name| !name.text.is_empty());
    names
}

/// Whether 0 is what says it: 1 is named as nothing, and 0 is not.
fn is_low(levels: [Option<&str>; 2]) -> bool {
    let nothing = |text: Option<&str>| text.is_some_and(is_nothing);
    let something = |text: Option<&str>| {
        text.is_some_and(|text| {
            !is_nothing(text)
                && understood(text).any(&[Notion::Alarm, Notion::Fault, Notion::Protect])
        })
    };
    match levels {
        [Some(low), Some(_)] => !is_nothing(low) && nothing(levels.get(1).copied().flatten()),
        [low, None] => something(low),
        [None, high] => nothing(high),
    }
}

/// Whether the words say that there is nothing: `normal`, `no fault`.
pub(super) fn is_nothing(text: &str) -> bool {
    let words = understood(text);
    let small = plain(text);
    words.has(Notion::Nothing)
        || small
            .split(|c: char| !c.is_alphanumeric())
            .any(|word| matches!(word, "ok" | "healthy" | "okay"))
}

/// Ways to say that a bit speaks where it is 0.
// Kind: from memory
const LOW: &[&str] = &[
    "activelow",
    "lowactive",
    "lowaktiv",
    "aktivlow",
    "invertedlogic",
    "negativelogic",
    "negativelogik",
    "actifbas",
    "actifaletatbas",
    "attivobasso",
    "activoenbajo",
    "低电平有效",
    "低有效",
];

/// Whether a remark says that its bits speak where they are 0.
fn says_low(text: &str) -> bool {
    let joined: String = plain(text)
        .chars()
        .filter(|c| c.is_alphanumeric())
        .collect();
    LOW.iter().any(|way| joined.contains(way))
}

/// The numbers of a key with the name of each: of `Bit0..3: a / b / c / d` four, of a field of bits none.
fn each(key: &Key, text: &str) -> Vec<(u32, String)> {
    if key.last == key.number {
        return vec![(key.number, text.to_owned())];
    }
    let many = usize::try_from(key.last.saturating_sub(key.number)).unwrap_or(0) + 1;
    for sign in ['/', ';', ',', '、', '|'] {
        let parts: Vec<&str> = text.split(sign).map(str::trim).collect();
        if parts.len() == many && parts.iter().all(|part| !part.is_empty()) {
            return (key.number..)
                .zip(parts.into_iter().map(str::to_owned))
                .collect();
        }
    }
    Vec::new()
}

/// Numbers in brackets; `with_word`: those that are called bits, or the others.
fn in_brackets(chars: &[char], with_word: bool) -> Vec<Key> {
    let opening = chars
        .iter()
        .enumerate()
        .filter(|(_, c)| matches!(c, '(' | '['));
    let keys = opening.filter_map(|(from, _)| {
        let inside: Vec<char> = chars.iter().skip(from + 1).take(14).copied().collect();
        let end = inside.iter().position(|c| matches!(c, ')' | ']'))?;
        let (is_bit, number) = inside.get(..end).and_then(bare_key)?;
        (is_bit == with_word).then_some(Key {
            number,
            last: number,
            is_bit,
            level: None,
            from,
            to: from + end + 2,
        })
    });
    keys.take(MOST_NAMES).collect()
}

/// Names with numbers in brackets, in front of them or behind.
fn bracketed(chars: &[char], with_word: bool) -> Vec<Named> {
    let keys = in_brackets(chars, with_word);
    let (Some(first), Some(last)) = (keys.first(), keys.last()) else {
        return Vec::new();
    };
    // Without a word they may be anything: a list counts from nothing or goes on for long.
    if keys.len() < 2 || !with_word && first.number != 0 && keys.len() < 3 {
        return Vec::new();
    }
    let is_rising = keys
        .windows(2)
        .all(|pair| matches!(pair, [a, b] if a.number < b.number));
    if !with_word && !is_rising {
        return Vec::new();
    }
    let lead = letters(part(chars, 0, first.from));
    let tail = letters(part(chars, last.to, chars.len()));
    let ends = |key: &&Key| {
        let mut rest = chars.iter().skip(key.to).filter(|c| **c != ' ');
        rest.next().is_none_or(|c| separates(*c) || *c == '.')
    };
    let is_behind = match (lead > 0, tail > 0) {
        (true, false) => true,
        (false, true) => false,
        _ => keys.iter().filter(ends).count() * 2 > keys.len(),
    };
    let text = |nth: usize, key: &Key| {
        let neighbour = if is_behind {
            nth.checked_sub(1)
        } else {
            Some(nth + 1)
        };
        let other = neighbour.and_then(|nth| keys.get(nth));
        if is_behind {
            tidy(part(chars, other.map_or(0, |k| k.to), key.from))
        } else {
            tidy(part(chars, key.to, other.map_or(chars.len(), |k| k.from)))
        }
    };
    let raw: Vec<(Key, String)> = keys
        .iter()
        .enumerate()
        .map(|(nth, key)| (key.clone(), text(nth, key)))
        .collect();
    let whole = |(key, text): &(Key, String)| Named {
        number: key.number,
        is_bit: key.is_bit,
        text: without_intro(text).to_owned(),
        is_low: with_word && says_low(&chars.iter().collect::<String>()),
    };
    let names = raw.iter().filter(|(_, text)| !text.is_empty()).map(whole);
    names
        .filter(|name| name.number < MOST_BITS || !name.is_bit)
        .collect()
}

/// What stands behind the colon of an introduction: `Status: Off` is `Off`.
fn without_intro(text: &str) -> &str {
    text.rsplit_once(':').map_or(text, |(_, rest)| rest.trim())
}

/// Names with the number at their end: `off=0; on=1`, `short: bit0; hot: bit 1`.
fn at_ends(chars: &[char]) -> Vec<Named> {
    let pieces = chars.split(|c| separates(*c) && *c != '/');
    let mut names: Vec<Named> = Vec::new();
    for piece in pieces.filter(|piece| piece.iter().any(|c| !c.is_whitespace())) {
        let Some((text, is_bit, number)) = at_end(piece) else {
            return Vec::new();
        };
        names.push(Named {
            number,
            is_bit,
            text,
            is_low: false,
        });
    }
    let mut numbers: Vec<u32> = names.iter().map(|name| name.number).collect();
    numbers.sort_unstable();
    let is_list = matches!(numbers.as_slice(), [0, 1, ..] | [1, 2, ..]);
    let is_list = is_list || numbers.len() > 1 && names.iter().all(|name| name.is_bit);
    let is_one = names
        .iter()
        .all(|name| Some(name.is_bit) == names.first().map(|n| n.is_bit));
    if is_list && is_one { names } else { Vec::new() }
}

/// A name with the number behind it.
fn at_end(piece: &[char]) -> Option<(String, bool, u32)> {
    let text: String = piece.iter().collect();
    let text = text.trim();
    let by_sign = text.rsplit_once(['=', ':', '→']);
    let by_blank = || {
        text.to_lowercase()
            .rfind(" bit")
            .and_then(|at| text.split_at_checked(at))
    };
    let (name, rest) = by_sign.or_else(by_blank)?;
    let rest: Vec<char> = rest.trim().chars().collect();
    let (is_bit, number) = bare_key(&rest)?;
    let name = tidy(&name.chars().collect::<Vec<char>>());
    let is_name = name.chars().filter(|c| c.is_alphabetic()).count() > 1;
    let is_named = is_name && (is_bit || by_sign.is_some());
    (is_named && (!is_bit || number < MOST_BITS)).then_some((name, is_bit, number))
}

/// Numbers that count on, all written in one way, each in front of a name: `0 off, 1 on`, `0. off 1. on`, `#0 a #1 b`.
fn counted(chars: &[char]) -> Vec<Named> {
    let mut keys: Vec<Key> = Vec::new();
    let mut way: Option<String> = None;
    for from in 0..chars.len() {
        if keys.last().is_some_and(|last| from < last.to) || keys.len() >= MOST_NAMES {
            continue;
        }
        let before = part(chars, 0, from).iter().rev();
        let solid = before.clone().find(|c| **c == '\n' || !c.is_whitespace());
        let is_free = before
            .clone()
            .next()
            .is_none_or(|c| c.is_whitespace() || separates(*c));
        let Some((number, to, signs)) = Some(from)
            .filter(|_| is_free)
            .and_then(|_| marked(chars, from))
        else {
            continue;
        };
        let is_apart = solid.is_none_or(|c| separates(*c) || matches!(c, ':' | '。' | '.'));
        let is_hex = signs.contains('x');
        let fits = match keys.last() {
            None => {
                (number == 0 || is_hex && number == 1 || number == 1 && !signs.is_empty())
                    && is_apart
            }
            Some(last) => number == last.number + 1 || is_apart && number > last.number,
        };
        if fits && way.as_ref().is_none_or(|way| *way == signs) {
            way = Some(signs);
            keys.push(Key {
                number,
                last: number,
                is_bit: false,
                level: None,
                from,
                to,
            });
        }
    }
    let enough = keys.len() > 2 || keys.len() == 2 && chars.iter().any(|c| separates(*c));
    if enough {
        named(chars, &keys)
    } else {
        Vec::new()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(text: &str) -> Vec<String> {
        let names = names(text).into_iter();
        let shown = names.map(|n| {
            let (bit, low) = (
                if n.is_bit { "b" } else { "" },
                if n.is_low { "!" } else { "" },
            );
            format!("{bit}{}{low} {}", n.number, n.text)
        });
        shown.collect()
    }

    // Kind: invented
    #[test]
    fn values_and_bits_are_named_in_many_ways() {
        for text in [
            "0=off; 1=on; 5=fault",
            "0-off, 1-on, 5-fault",
            "0 = off\n1 = on\n5 = fault",
            "0: off 1: on 5: fault",
            "0：off、1：on、5：fault",
            "0x00: off | 0x01: on | 0x05: fault",
            "0 off, 1 on, 5 fault",
            "00H-off 01H-on 05H-fault",
            "'0' = off, '1' = on, '5' = fault",
            "off (0), on (1), fault (5)",
            "off=0; on=1; fault=5",
            "off: 0, on: 1, fault: 5",
            "(0) off (1) on (5) fault",
            "[0] off [1] on [5] fault",
        ] {
            assert_eq!(of(text), ["0 off", "1 on", "5 fault"], "{text}");
        }
        for text in [
            "0 off 1 on 2 fault",
            "0. off 1. on 2. fault",
            "0/off 1/on 2/fault",
            "0、off 1、on 2、fault",
        ] {
            assert_eq!(of(text), ["0 off", "1 on", "2 fault"], "{text}");
        }
        for text in [
            "Bit0: short, Bit3: cell over voltage",
            "bit0 short | bit3 cell over voltage",
            "Bit 0 - short; Bit 3 - cell over voltage",
            "b0=short, b3=cell over voltage",
            "short (bit 0), cell over voltage (bit 3)",
            "short [b0] cell over voltage [b3]",
            "short: bit0; cell over voltage: bit3",
            "short bit 0, cell over voltage bit 3",
            "bit.0 short; bit.3 cell over voltage",
            "bit no. 0 short; bit no. 3 cell over voltage",
            "bit n° 0: short; bit n° 3: cell over voltage",
            "Bit0 (short) Bit3 (cell over voltage)",
            "B0=1: short; B3=1: cell over voltage",
            "Bit0: 1 = short, 0 = normal; Bit3: 1 = cell over voltage, 0 = normal",
            "Bit0: 0 = normal, 1 = short; Bit3: 0 = normal, 1 = cell over voltage",
            "Bit0: short (0 = normal, 1 = alarm), Bit3: cell over voltage (0 = normal, 1 = alarm)",
        ] {
            assert_eq!(of(text), ["b0 short", "b3 cell over voltage"], "{text}");
        }
        assert_eq!(
            of("bit0: over, hot; bit1: cold"),
            ["b0 over, hot", "b1 cold"]
        );
        for text in [
            "0..100",
            "-40 to 80",
            "see chapter 3",
            "0.1 V/bit",
            "1 means yes",
            "min=0, max=100",
            "0 A, 10 A",
        ] {
            assert!(of(text).is_empty(), "{text}: {:?}", of(text));
        }
    }

    // Kind: invented (another hand wrote such lists: every name moved to the bit before it)
    #[test]
    fn a_number_behind_its_name_is_not_that_of_the_next() {
        assert_eq!(
            of(
                "cell over voltage (bit 0), cell under voltage (bit 1), hot (bit 2), others reserved"
            ),
            ["b0 cell over voltage", "b1 cell under voltage", "b2 hot"]
        );
        assert_eq!(
            of("State: Off (0), Standby (1), Running (2), Fault (3)"),
            ["0 Off", "1 Standby", "2 Running", "3 Fault"]
        );
        assert_eq!(of("hot bit 0 cold bit 1"), ["b0 hot", "b1 cold"]);
        // In front stays in front, whatever stands in brackets.
        assert_eq!(
            of("Bit0: hot (1), Bit1: cold (2)"),
            ["b0 hot (1)", "b1 cold (2)"]
        );
    }

    // Kind: invented
    #[test]
    fn bits_that_speak_where_they_are_low_are_told() {
        for text in [
            "Active low! 0 = alarm. Bit0: hot; Bit1: cold",
            "Bit0: hot; Bit1: cold (active low)",
            "Bit0: 0 = hot, 1 = normal; Bit1: 0 = cold, 1 = normal",
            "B0=0: hot; B1=0: cold",
            "Bit0: hot; Bit1: cold; 1 = normal, 0 = alarm",
        ] {
            assert_eq!(of(text), ["b0! hot", "b1! cold"], "{text}");
        }
    }

    // Kind: invented
    #[test]
    fn a_range_of_bits_is_as_many_names_or_none() {
        assert_eq!(
            of("Bit0..2: hot / cold / short"),
            ["b0 hot", "b1 cold", "b2 short"]
        );
        assert_eq!(
            of("Bit0: hot; Bit1-3: charge level; Bit4: cold"),
            ["b0 hot", "b4 cold"]
        );
    }
}
