//! Text in the encodings in which spreadsheets save it.
//!
//! A mark at the beginning decides; without one it is UTF-8 if it can be. Else it is the one of Japanese or Chinese
//! spreadsheets if nearly all of it then is usual there and cannot well be Latin, and Latin (Windows-1252)
//! otherwise, which any bytes can be.

use encoding_rs::{Encoding, GB18030, SHIFT_JIS, UTF_16BE, UTF_16LE, WINDOWS_1252};

/// The text and the name of its encoding; nothing where it is none.
pub(super) fn text(bytes: &[u8]) -> Option<(String, &'static str)> {
    if let Some((encoding, mark)) = Encoding::for_bom(bytes) {
        let (text, _) = encoding.decode_without_bom_handling(bytes.get(mark..)?);
        return Some((lines(&text), encoding.name()));
    }
    if let Some(encoding) = wide(bytes) {
        let (text, _) = encoding.decode_without_bom_handling(bytes);
        return Some((lines(&text), encoding.name()));
    }
    if bytes.contains(&0) {
        return None;
    }
    if let Ok(text) = std::str::from_utf8(bytes) {
        return Some((lines(text), "UTF-8"));
    }
    for (encoding, fits) in [
        (SHIFT_JIS, is_japanese as fn(&[u8], &str) -> bool),
        (GB18030, is_chinese),
    ] {
        let text = encoding.decode_without_bom_handling_and_without_replacement(bytes);
        if let Some(text) = text.filter(|text| fits(bytes, text)) {
            return Some((lines(&text), encoding.name()));
        }
    }
    let (text, _) = WINDOWS_1252.decode_without_bom_handling(bytes);
    Some((lines(&text), WINDOWS_1252.name()))
}

/// Two bytes a character without a mark: every second byte of plain text is zero.
fn wide(bytes: &[u8]) -> Option<&'static Encoding> {
    let start = bytes.get(..bytes.len().min(200))?;
    let zeros = |first: usize| {
        start
            .iter()
            .skip(first)
            .step_by(2)
            .filter(|byte| **byte == 0)
            .count()
    };
    let most = start.len() / 4;
    match (zeros(0), zeros(1)) {
        (0, odd) if odd > most && odd > 1 => Some(UTF_16LE),
        (even, 0) if even > most && even > 1 => Some(UTF_16BE),
        _ => None,
    }
}

/// Usual characters are two bytes that ASCII has not (GB 2312). Behind a letter of Latin with an accent nearly always
/// stands a plain one.
fn is_chinese(bytes: &[u8], _: &str) -> bool {
    let (mut usual, mut foreign) = (0, 0);
    let mut rest = bytes.iter();
    while let Some(lead) = rest.next() {
        if !lead.is_ascii() {
            foreign += 1;
            let trail = rest.next();
            let is_usual = (0xa1..=0xf7).contains(lead) && trail.is_some_and(|byte| *byte >= 0xa1);
            usual += usize::from(is_usual);
        }
    }
    nearly_all(usual, foreign)
}

/// Its own script (kana) is in it: neither Latin nor usual Chinese text has those bytes. Without it `é` and the
/// letter behind would pass for a rare sign.
fn is_japanese(_: &[u8], text: &str) -> bool {
    let usual = |c: &char| matches!(u32::from(*c), 0x3000..=0x30ff | 0x4e00..=0x9fa5 | 0xff01..=0xff5e | 0x2000..=0x22ff | 0xb0 | 0xb1 | 0xd7);
    let kana = |c: char| matches!(u32::from(c), 0x3041..=0x30fa);
    let foreign = text.chars().filter(|c| !c.is_ascii()).count();
    text.contains(kana) && nearly_all(text.chars().filter(usual).count(), foreign)
}

fn nearly_all(part: usize, whole: usize) -> bool {
    part * 20 >= whole * 19
}

/// With one kind of line end.
fn lines(text: &str) -> String {
    text.replace("\r\n", "\n").replace('\r', "\n")
}

#[cfg(test)]
mod tests {
    use super::*;

    // Kind: published (Unicode, Windows-1252, GB 18030, Shift_JIS code tables through encoding_rs)
    #[test]
    fn usual_encodings_are_told_apart() {
        for (encoding, sample) in [
            (WINDOWS_1252, "Register;Zellspannung höchste;°C\n"),
            (WINDOWS_1252, "Register;Kapazität\n"),
            (WINDOWS_1252, "Adresse;Tension générale de l’élément\n"),
            (WINDOWS_1252, "Dirección;Tensión de celda;mínimo\n"),
            (GB18030, "地址;单体电压;说明\n30001;电池组总电压;0.1V\n"),
            (SHIFT_JIS, "アドレス;セル電圧;単位\n"),
        ] {
            let (bytes, _, lossy) = encoding.encode(sample);
            assert!(!lossy);
            assert_eq!(text(&bytes), Some((sample.to_owned(), encoding.name())));
        }
        let marked = [b"\xef\xbb\xbf".as_slice(), "é;x\r\n".as_bytes()].concat();
        assert_eq!(text(&marked), Some(("é;x\n".to_owned(), "UTF-8")));
        let wide: Vec<u8> = "Addr;Name\n"
            .encode_utf16()
            .flat_map(u16::to_le_bytes)
            .collect();
        assert_eq!(text(&wide), Some(("Addr;Name\n".to_owned(), "UTF-16LE")));
        assert_eq!(text(&[0, 1, 2, 0, 0, 0]), None);
    }
}
