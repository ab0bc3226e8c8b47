//! Text of a register list made comparable: small letters without accents, split into words, numbers and signs.
//!
//! Does not: know what a word means (see [`super::words`]).

/// A part of a text.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Part {
    /// Letters that stand together, made comparable.
    Word(String),
    /// A number.
    Number(u32),
    /// Anything else, one character; runs of points are one `…`.
    Sign(char),
}

/// A character in small letters without accents. German umlauts lose their dots, as where they are left out.
fn folded(c: char, into: &mut String) {
    let plain = match c {
        'à' | 'á' | 'â' | 'ã' | 'å' | 'ä' | 'ą' => "a",
        'è' | 'é' | 'ê' | 'ë' | 'ę' => "e",
        'ì' | 'í' | 'î' | 'ï' => "i",
        'ò' | 'ó' | 'ô' | 'õ' | 'ö' | 'ø' => "o",
        'ù' | 'ú' | 'û' | 'ü' => "u",
        'ç' | 'ć' => "c",
        'ñ' | 'ń' => "n",
        'ł' => "l",
        'ś' => "s",
        'ź' | 'ż' => "z",
        'ß' => "ss",
        'œ' => "o",
        'æ' => "a",
        'º' | 'ª' => "",
        _ => return into.push(c),
    };
    into.push_str(plain);
}

/// Full-width signs, as Chinese and Japanese lists have them, as the plain ones that they are.
pub(super) fn narrow(c: char) -> char {
    match c {
        '\u{ff01}'..='\u{ff5e}' => char::from_u32(u32::from(c) - 0xfee0).unwrap_or(c),
        '\u{3000}' | '\u{a0}' | '\u{2007}' | '\u{202f}' => ' ',
        '−' => '-',
        _ => c,
    }
}

/// A text in small letters without accents.
pub(super) fn plain(text: &str) -> String {
    let mut folding = String::with_capacity(text.len());
    for c in text.chars().map(narrow).flat_map(char::to_lowercase) {
        folded(c, &mut folding);
    }
    // Where the dots are written out: both ways are one.
    folding
        .replace("ae", "a")
        .replace("oe", "o")
        .replace("ue", "u")
}

/// Whether a character belongs to a script that writes without blanks.
pub(super) fn is_ideograph(c: char) -> bool {
    matches!(u32::from(c), 0x3005..=0x3007 | 0x3040..=0x30ff | 0x3400..=0x9fff | 0xf900..=0xfaff)
}

/// The parts of a text in their order.
pub(super) fn parts(text: &str) -> Vec<Part> {
    // The two differ by their dots alone: a contactor and a protection.
    let text = text
        .replace("chütz", "contactor")
        .replace("chuetz", "contactor")
        .replace("Scontactor", "contactor")
        .replace("scontactor", "contactor");
    let mut parts = Vec::new();
    let mut word = String::new();
    let mut number = String::new();
    let mut before = ' ';
    let mut small_run = 0_u32;
    let end_word = |word: &mut String, parts: &mut Vec<Part>| {
        if !word.is_empty() {
            parts.push(Part::Word(plain(word)));
            word.clear();
        }
    };
    let end_number = |number: &mut String, parts: &mut Vec<Part>| {
        if !number.is_empty() {
            parts.push(number.parse().map_or(Part::Sign('?'), Part::Number));
            number.clear();
        }
    };
    for c in text.chars().map(narrow) {
        if c.is_ascii_digit() {
            end_word(&mut word, &mut parts);
            number.push(c);
        } else if c.is_alphabetic() || is_ideograph(c) {
            end_number(&mut number, &mut parts);
            let splits = (c.is_uppercase() && small_run >= 3)
                || (!word.is_empty() && is_ideograph(c) != is_ideograph(before));
            if splits {
                end_word(&mut word, &mut parts);
            }
            word.push(c);
        } else {
            end_number(&mut number, &mut parts);
            end_word(&mut word, &mut parts);
            match (c, parts.last()) {
                ('.', Some(Part::Sign('.' | '…'))) if before == '.' => {
                    parts.pop();
                    parts.push(Part::Sign('…'));
                }
                (c, _) if c.is_whitespace() => {}
                (c, _) => parts.push(Part::Sign(c)),
            }
        }
        small_run = if c.is_lowercase() { small_run + 1 } else { 0 };
        before = c;
    }
    end_word(&mut word, &mut parts);
    end_number(&mut number, &mut parts);
    parts
}

/// Words that stand between the ends of a range.
pub(super) fn is_to(part: &Part) -> bool {
    match part {
        Part::Sign(c) => matches!(c, '-' | '–' | '—' | '~' | '…' | '‐' | '‑' | '∼' | '〜'),
        Part::Word(word) => matches!(
            word.as_str(),
            "to" | "bis"
                | "a"
                | "al"
                | "hasta"
                | "tot"
                | "至"
                | "到"
                | "から"
                | "through"
                | "thru"
                | "au"
        ),
        Part::Number(_) => false,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // Kind: invented
    #[test]
    fn texts_come_apart_into_words_numbers_and_signs() {
        let words = |text: &str| {
            let parts = parts(text).into_iter().map(|part| match part {
                Part::Word(word) => word,
                Part::Number(number) => number.to_string(),
                Part::Sign(sign) => sign.to_string(),
            });
            parts.collect::<Vec<_>>().join(" ")
        };
        assert_eq!(words("Cell 1…16 voltage"), "cell 1 … 16 voltage");
        assert_eq!(words("Zellspannung 1..16"), "zellspannung 1 … 16");
        assert_eq!(words("cellVoltageMax"), "cell voltage max");
        assert_eq!(words("单体温度1-12"), "单体温度 1 - 12");
        assert_eq!(
            words("Hauptschütz offen, Überstromschutz"),
            "hauptcontactor offen , uberstromschutz"
        );
        assert_eq!(words("État général"), "etat general");
        assert_eq!(words("kWh"), "kwh");
        assert_eq!(words("（０～１００）"), "( 0 ~ 100 )");
    }
}
