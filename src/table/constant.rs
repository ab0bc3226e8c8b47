//! What a row says that a register always holds: `always 4660`, `immer 0x1234`, `固定值4660`, `4660 (fixed)`.
//!
//! Does not: say what follows from it. A number that many registers hold anyway is none.

use super::text::{is_ideograph, narrow, plain};

/// Words that say so.
// Kind: common practice
const ALWAYS: &[&str] = &[
    "always",
    "constant",
    "const",
    "fixed",
    "immer",
    "stets",
    "konstant",
    "konstante",
    "konstanter",
    "fest",
    "fester",
    "festwert",
    "toujours",
    "constante",
    "fixe",
    "sempre",
    "fisso",
    "fissa",
    "costante",
    "siempre",
    "fijo",
    "fija",
    "altijd",
    "vast",
    "vaste",
    "zawsze",
];
/// The same in scripts that write without blanks.
const ALWAYS_IN_IDEOGRAPHS: &[&str] = &["固定", "恒定", "恒为", "始终", "总是", "常に", "常時"];
/// What may stand between the word and the number.
const BETWEEN: &[&str] = &[
    "value", "wert", "valeur", "valore", "valor", "waarde", "is", "ist", "est", "e", "es", "equal",
    "equals", "to", "at", "reads", "returns", "the", "auf", "gleich", "a", "de", "di", "op",
    "liest",
];
const BETWEEN_IN_IDEOGRAPHS: &str = "值値为為是等于は";

/// Smaller numbers stand in any register, and so does one with all bits set: they prove nothing.
const LEAST: u32 = 256;

#[derive(Debug, Clone, PartialEq)]
enum Token {
    Word(String),
    Number(u32),
    Sign(char),
}

/// The number that a row says is always there.
pub(super) fn constant(text: &str) -> Option<u32> {
    let tokens = tokens(text);
    (0..tokens.len()).find_map(|at| {
        let (before, rest) = tokens.split_at_checked(at)?;
        let Some((Token::Word(word), behind)) = rest.split_first() else {
            return None;
        };
        if !is_always(word) {
            return None;
        }
        let number = following(behind).or_else(|| preceding(before))?;
        (number >= LEAST && !matches!(number, 0xffff | 0xffff_ffff)).then_some(number)
    })
}

fn is_always(word: &str) -> bool {
    let ends_so = |always: &&str| {
        let behind = word.split_once(*always).map(|(_, behind)| behind);
        behind.is_some_and(|behind| behind.chars().all(|c| BETWEEN_IN_IDEOGRAPHS.contains(c)))
    };
    ALWAYS.iter().any(|always| plain(always) == word) || ALWAYS_IN_IDEOGRAPHS.iter().any(ends_so)
}

/// The number right behind the word, where nothing goes on with it.
fn following(behind: &[Token]) -> Option<u32> {
    let is_between = |token: &&Token| match token {
        Token::Word(word) => {
            BETWEEN.iter().any(|between| plain(between) == *word)
                || word.chars().all(|c| BETWEEN_IN_IDEOGRAPHS.contains(c))
        }
        Token::Sign(sign) => matches!(sign, '=' | ':' | '('),
        Token::Number(_) => false,
    };
    let between = behind.iter().take_while(is_between).count();
    let (Token::Number(number), rest) = behind.get(between..)?.split_first()? else {
        return None;
    };
    let goes_on = match rest {
        [Token::Word(_), ..] => true,
        [Token::Sign('.' | ','), Token::Number(_), ..] => true,
        [Token::Sign(sign), ..] => !matches!(sign, ';' | ',' | '.' | ')' | '(' | '|' | '。' | '、'),
        _ => false,
    };
    (!goes_on).then_some(*number)
}

/// `4660 fixed`, `4660 (fixed)`.
fn preceding(before: &[Token]) -> Option<u32> {
    let (last, rest) = before.split_last()?;
    let (number, rest) = match (last, rest.split_last()) {
        (Token::Number(number), _) => (number, rest),
        (Token::Sign('(' | ','), Some((Token::Number(number), rest))) => (number, rest),
        _ => return None,
    };
    let is_part = matches!(rest.last(), Some(Token::Sign(sign)) if *sign != ';');
    (!is_part).then_some(*number)
}

fn tokens(text: &str) -> Vec<Token> {
    let chars: Vec<char> = text.chars().map(narrow).collect();
    let mut tokens = Vec::new();
    let mut rest = chars.as_slice();
    while let Some((first, behind)) = rest.split_first() {
        let run = |is: fn(&char) -> bool| rest.iter().take_while(|c| is(c)).count();
        let used = if first.is_ascii_digit() {
            let is_hex = *first == '0' && matches!(behind.first(), Some('x' | 'X'));
            let (digits, radix, used) = if is_hex {
                let used = run(char::is_ascii_alphanumeric);
                (rest.get(2..used), 16, used)
            } else {
                let used = run(char::is_ascii_digit);
                (rest.get(..used), 10, used)
            };
            let digits: String = digits.unwrap_or_default().iter().collect();
            let number =
                u32::from_str_radix(&digits, radix).map_or(Token::Sign('?'), Token::Number);
            tokens.push(number);
            used
        } else if is_ideograph(*first) {
            let used = rest.iter().take_while(|c| is_ideograph(**c)).count();
            tokens.push(Token::Word(rest.iter().take(used).collect()));
            used
        } else if first.is_alphabetic() {
            let used = rest
                .iter()
                .take_while(|c| c.is_alphabetic() && !is_ideograph(**c))
                .count();
            let word: String = rest.iter().take(used).collect();
            tokens.push(Token::Word(plain(&word)));
            used
        } else {
            if !first.is_whitespace() {
                tokens.push(Token::Sign(*first));
            }
            1
        };
        rest = rest.get(used.max(1)..).unwrap_or_default();
    }
    tokens
}

#[cfg(test)]
mod tests {
    use super::*;

    // Kind: invented
    #[test]
    fn a_constant_is_a_rare_number_beside_the_word_that_says_so() {
        for (text, expected) in [
            (
                "40030; Kennung dieser Liste, immer 4660; 1; UINT16",
                Some(4660),
            ),
            ("40030; Map id; UINT16; always 0x1234", Some(0x1234)),
            (
                "40030; Map id; UINT16; fixed value = 4660 (0x1234)",
                Some(4660),
            ),
            ("表标识; 固定值4660", Some(4660)),
            ("列表标识固定为4660", Some(4660)),
            ("识别码; 始终为 0x55AA", Some(0x55aa)),
            ("Identifiant, toujours égal à 21930", None),
            ("Identifiant; toujours 21930", Some(21930)),
            ("4660 (fixed)", Some(4660)),
            ("30012; 4660 fest", Some(4660)),
            // What proves nothing, and what is no constant of this register.
            ("reserved, always 0", None),
            ("always 65535", None),
            ("Fixed address 40030", None),
            ("fixed 400 V supply", None),
            ("always 400.5", None),
            ("40030; fixed", None),
            ("4660", None),
        ] {
            assert_eq!(constant(text), expected, "{text}");
        }
    }
}
