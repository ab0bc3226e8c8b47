//! Text in registers.

/// Printable text padded with NUL or blanks; none where anything else is in it.
pub(crate) fn text_of(words: &[u16]) -> Option<String> {
    let bytes: Vec<u8> = words.iter().flat_map(|word| word.to_be_bytes()).collect();
    let end = bytes
        .iter()
        .position(|byte| *byte == 0)
        .unwrap_or(bytes.len());
    let (text, rest) = bytes.split_at_checked(end)?;
    let is_clean = text.iter().all(|byte| (0x20..0x7f).contains(byte));
    let is_padded = rest.iter().all(|byte| matches!(*byte, 0 | 0x20));
    if !is_clean || !is_padded {
        return None;
    }
    Some(
        text.iter()
            .map(|byte| char::from(*byte))
            .collect::<String>()
            .trim()
            .to_owned(),
    )
}
