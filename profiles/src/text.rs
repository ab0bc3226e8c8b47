//! Reading a text file that a person named: bounded, so that a device or a wrong file cannot fill the
//! memory.

use std::fs::File;
use std::io::{Error, ErrorKind, Read};
use std::path::Path;

/// Most bytes of a text file. Register maps and scenarios stay below a hundredth of it.
pub const MOST_BYTES: u64 = 4 << 20;

/// The text of a file.
///
/// # Errors
/// Where it cannot be read, is no UTF-8 text, or is longer than [`MOST_BYTES`].
pub fn read_text(path: &Path) -> std::io::Result<String> {
    text_of(open_file(path)?)
}

/// Opens a file to be read. A pipe nobody writes into would be waited for without end, and a device
/// may never end: neither is one.
///
/// # Errors
/// Where it cannot be opened, or is something else than a file.
pub fn open_file(path: &Path) -> std::io::Result<File> {
    let found = std::fs::metadata(path)?;
    if found.is_file() {
        return File::open(path);
    }
    let what = if found.is_dir() {
        "a folder"
    } else {
        "a pipe or device"
    };
    let why = format!("expected a file, found {what}");
    Err(Error::new(ErrorKind::InvalidInput, why))
}

/// The text of an open file or stream.
///
/// # Errors
/// As [`read_text`].
pub fn text_of(from: impl Read) -> std::io::Result<String> {
    let mut text = String::new();
    from.take(MOST_BYTES + 1).read_to_string(&mut text)?;
    if text.len() as u64 > MOST_BYTES {
        let most = MOST_BYTES >> 20;
        let why = format!("expected a text of at most {most} MB, found a longer one");
        return Err(Error::new(ErrorKind::FileTooLarge, why));
    }
    Ok(text)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_never_ends_is_refused() {
        // Kind: invented.
        let endless = std::io::repeat(b'0');
        let why = text_of(endless)
            .map(|_| ())
            .expect_err("endless")
            .to_string();
        assert_eq!(why, "expected a text of at most 4 MB, found a longer one");
        assert_eq!(text_of(&b"map"[..]).expect("short"), "map");
    }
}
