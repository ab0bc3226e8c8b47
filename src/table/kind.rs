//! Types of registers as makers write them.

use super::text::plain;

/// What a type says of a value.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(super) struct Said {
    pub(super) sort: Option<Sort>,
    /// Bits of one value.
    pub(super) bits: Option<u16>,
    /// So many of them: `uint16[16]`.
    pub(super) count: Option<u32>,
}

/// A sort of values.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Sort {
    /// Unsigned.
    Unsigned,
    /// Signed.
    Signed,
    /// Floating point.
    Float,
    /// Bits.
    Bits,
    /// Values with names.
    Enumeration,
    /// Characters; the count is that of characters.
    Text,
    /// Decimal digits.
    Bcd,
}

/// Words of types, longest first where one holds another, with sort and usual bits.
// Kind: common practice
const WORDS: &[(&str, Sort, Option<u16>)] = &[
    ("bitfield", Sort::Bits, None),
    ("bitmap", Sort::Bits, None),
    ("bitmask", Sort::Bits, None),
    ("bitset", Sort::Bits, None),
    ("bitstring", Sort::Bits, None),
    ("bitleiste", Sort::Bits, None),
    ("bitweise", Sort::Bits, None),
    ("champdebits", Sort::Bits, None),
    ("campodebits", Sort::Bits, None),
    ("campodibit", Sort::Bits, None),
    ("bitveld", Sort::Bits, None),
    ("flags", Sort::Bits, None),
    ("位域", Sort::Bits, None),
    ("按位", Sort::Bits, None),
    ("位图", Sort::Bits, None),
    ("ビットフィールド", Sort::Bits, None),
    ("ビットマップ", Sort::Bits, None),
    ("ビット列", Sort::Bits, None),
    ("enumeration", Sort::Enumeration, None),
    ("enumerazione", Sort::Enumeration, None),
    ("aufzahlung", Sort::Enumeration, None),
    ("enum", Sort::Enumeration, None),
    ("枚举", Sort::Enumeration, None),
    ("列挙", Sort::Enumeration, None),
    ("ohnevorzeichen", Sort::Unsigned, None),
    ("vorzeichenlos", Sort::Unsigned, None),
    ("mitvorzeichen", Sort::Signed, None),
    ("vorzeichenbehaftet", Sort::Signed, None),
    ("unsignedchar", Sort::Unsigned, Some(8)),
    ("uchar", Sort::Unsigned, Some(8)),
    ("string", Sort::Text, None),
    ("zeichenkette", Sort::Text, None),
    ("zeichen", Sort::Text, None),
    ("chaine", Sort::Text, None),
    ("cadena", Sort::Text, None),
    ("stringa", Sort::Text, None),
    ("ascii", Sort::Text, None),
    ("text", Sort::Text, None),
    ("char", Sort::Text, None),
    ("字符", Sort::Text, None),
    ("文字", Sort::Text, None),
    ("texte", Sort::Text, None),
    ("testo", Sort::Text, None),
    ("caratteri", Sort::Text, None),
    ("caracter", Sort::Text, None),
    ("karakter", Sort::Text, None),
    ("alphanum", Sort::Text, None),
    ("alfanum", Sort::Text, None),
    ("utf8", Sort::Text, None),
    ("letters", Sort::Text, None),
    ("文本", Sort::Text, None),
    ("串类型", Sort::Text, None),
    ("bcd", Sort::Bcd, None),
    ("double", Sort::Float, Some(64)),
    ("lreal", Sort::Float, Some(64)),
    ("float", Sort::Float, Some(32)),
    ("single", Sort::Float, Some(32)),
    ("real", Sort::Float, Some(32)),
    ("ieee754", Sort::Float, Some(32)),
    ("fließkomma", Sort::Float, Some(32)),
    ("fliesskomma", Sort::Float, Some(32)),
    ("gleitkomma", Sort::Float, Some(32)),
    ("flottant", Sort::Float, Some(32)),
    ("virgolamobile", Sort::Float, Some(32)),
    ("comaflotante", Sort::Float, Some(32)),
    ("浮点", Sort::Float, Some(32)),
    ("浮動", Sort::Float, Some(32)),
    ("unsigned", Sort::Unsigned, None),
    ("nonsigne", Sort::Unsigned, None),
    ("senzasegno", Sort::Unsigned, None),
    ("sinsigno", Sort::Unsigned, None),
    ("zonderteken", Sort::Unsigned, None),
    ("无符号", Sort::Unsigned, None),
    ("符号なし", Sort::Unsigned, None),
    ("符号無し", Sort::Unsigned, None),
    ("sdword", Sort::Signed, Some(32)),
    ("sword", Sort::Signed, Some(16)),
    ("ulong", Sort::Unsigned, Some(32)),
    ("udint", Sort::Unsigned, Some(32)),
    ("dword", Sort::Unsigned, Some(32)),
    ("ushort", Sort::Unsigned, Some(16)),
    ("usint", Sort::Unsigned, Some(8)),
    ("uint", Sort::Unsigned, None),
    ("word", Sort::Unsigned, Some(16)),
    ("byte", Sort::Unsigned, Some(8)),
    ("signed", Sort::Signed, None),
    ("signe", Sort::Signed, None),
    ("consegno", Sort::Signed, None),
    ("consigno", Sort::Signed, None),
    ("metteken", Sort::Signed, None),
    ("有符号", Sort::Signed, None),
    ("带符号", Sort::Signed, None),
    ("符号付", Sort::Signed, None),
    ("符号あり", Sort::Signed, None),
    ("complement", Sort::Signed, None),
    ("sint", Sort::Signed, None),
    ("dint", Sort::Signed, Some(32)),
    ("long", Sort::Signed, Some(32)),
    ("short", Sort::Signed, Some(16)),
    ("int", Sort::Signed, None),
];

/// Reads the cell of a type; nothing if it is none.
pub(super) fn said(cell: &str) -> Option<Said> {
    let text = plain(cell);
    let joined: String = text.chars().filter(|c| c.is_alphanumeric()).collect();
    // Which half it is says nothing of its sign.
    let joined = ["highbyte", "lowbyte", "hibyte", "lobyte"]
        .iter()
        .find_map(|half| joined.strip_suffix(half).filter(|rest| !rest.is_empty()))
        .unwrap_or(&joined)
        .to_owned();
    if joined.is_empty() || joined.chars().count() > 48 {
        return None;
    }
    let (bracketed, outside) = brackets(&text);
    let numbers = numbers(&outside);
    let mut said = Said::default();
    let word = WORDS.iter().find(|(word, ..)| joined.contains(word));
    if let Some((_, sort, bits)) = word {
        said.sort = Some(*sort);
        said.bits = *bits;
    } else if let Some(bits) = bare_width(&joined) {
        // So wide, and no word of what it is.
        said.bits = Some(bits);
        return Some(said);
    } else {
        let joined = joined.trim_end_matches("le").trim_end_matches("be");
        let letters: String = joined.chars().filter(|c| c.is_alphabetic()).collect();
        let sort = match letters.as_str() {
            "u" | "ui" => Sort::Unsigned,
            "s" | "i" | "si" => Sort::Signed,
            "f" | "r" | "fp" => Sort::Float,
            "b" | "bit" | "bits" | "bf" => Sort::Bits,
            "str" | "c" => Sort::Text,
            _ => return None,
        };
        if numbers.is_empty() {
            return None;
        }
        said.sort = Some(sort);
    }
    // `long unsigned`, `unsigned short`, `16 bit unsigned`, `float 64`.
    let width = numbers
        .iter()
        .copied()
        .find(|n| matches!(n, 8 | 16 | 32 | 64));
    match said.sort {
        Some(Sort::Text) => said.count = bracketed.or(numbers.first().copied()),
        _ => {
            let long = joined.contains("long") && !joined.contains("longlong");
            let wide = width.and_then(|n| u16::try_from(n).ok());
            said.bits = wide.or(if long { Some(32) } else { said.bits });
            said.bits = said.bits.or_else(|| joined.contains("short").then_some(16));
            said.count = bracketed;
        }
    }
    Some(said)
}

/// `16bit`, `32 bits`: the bits of a value and nothing else.
fn bare_width(joined: &str) -> Option<u16> {
    let digits = joined.strip_suffix("bits").or(joined.strip_suffix("bit"))?;
    let bits = digits.parse().ok()?;
    matches!(bits, 8 | 16 | 32 | 64).then_some(bits)
}

/// The number in brackets, and the text without them.
fn brackets(text: &str) -> (Option<u32>, String) {
    let ends = text.find(['[', '(']).and_then(|from| {
        let rest = text.get(from..)?;
        let to = rest.find([']', ')'])?;
        Some((from, from + to))
    });
    let inside = ends.and_then(|(from, to)| text.get(from + 1..to)?.trim().parse().ok());
    match (inside, ends) {
        (Some(number), Some((from, to))) => {
            let outside = [text.get(..from), text.get(to + 1..)];
            (Some(number), outside.into_iter().flatten().collect())
        }
        _ => (None, text.to_owned()),
    }
}

fn numbers(text: &str) -> Vec<u32> {
    let runs = text.split(|c: char| !c.is_ascii_digit());
    runs.filter_map(|run| run.parse().ok()).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    // Kind: common practice
    #[test]
    fn types_are_read_as_makers_write_them() {
        for (cell, sort, bits) in [
            ("U16", Sort::Unsigned, Some(16)),
            ("uint16", Sort::Unsigned, Some(16)),
            ("INT16", Sort::Signed, Some(16)),
            ("WORD", Sort::Unsigned, Some(16)),
            ("S32", Sort::Signed, Some(32)),
            ("float", Sort::Float, Some(32)),
            ("FLOAT32", Sort::Float, Some(32)),
            ("16 bit unsigned", Sort::Unsigned, Some(16)),
            ("unsigned int", Sort::Unsigned, None),
            ("signed int", Sort::Signed, None),
            ("unsigned long", Sort::Unsigned, Some(32)),
            ("BITMAP", Sort::Bits, None),
            ("BITFIELD16", Sort::Bits, Some(16)),
            ("Enum", Sort::Enumeration, None),
            ("DWORD", Sort::Unsigned, Some(32)),
            ("无符号16位", Sort::Unsigned, Some(16)),
            ("有符号整型", Sort::Signed, None),
            ("Ganzzahl 16 Bit, vorzeichenlos", Sort::Unsigned, Some(16)),
            ("16 Bit mit Vorzeichen", Sort::Signed, Some(16)),
            ("Zeichenkette", Sort::Text, None),
            ("unsigned char", Sort::Unsigned, Some(8)),
            ("16ビット符号なし整数", Sort::Unsigned, Some(16)),
            ("ビットフィールド", Sort::Bits, None),
            ("entier non signé 32 bits", Sort::Unsigned, Some(32)),
        ] {
            let found = said(cell).unwrap_or_else(|| panic!("{cell}"));
            assert_eq!((found.sort, found.bits), (Some(sort), bits), "{cell}");
        }
        assert_eq!(said("CHAR[20]").unwrap().count, Some(20));
        assert_eq!(said("ASCII 6").unwrap().count, Some(6));
        assert_eq!(said("U16[16]").unwrap().count, Some(16));
        for cell in ["", "V", "Pack voltage", "R/W", "0x03"] {
            assert_eq!(said(cell), None, "{cell}");
        }
    }
}
