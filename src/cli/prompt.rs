//! Keys and lines from a person at a terminal.
//!
//! Keys are taken one by one without Enter; the terminal is put back whatever happens. Prompts go to
//! stderr. Does not: know what is asked.

use std::io::Write as _;
use std::time::Duration;

use crossterm::event::{Event, KeyCode, KeyEventKind, KeyModifiers, poll, read};
use crossterm::terminal::{disable_raw_mode, enable_raw_mode};

/// What a person typed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Typed {
    /// A key, or a line.
    Text(String),
    /// Ctrl-C, Ctrl-D, or the end of the input.
    Stop,
}

/// Raw mode while it lives; put back when dropped, by a panic as well.
struct Raw;

impl Raw {
    fn on() -> std::io::Result<Self> {
        enable_raw_mode()?;
        Ok(Self)
    }
}

impl Drop for Raw {
    fn drop(&mut self) {
        let _ = disable_raw_mode();
    }
}

/// Keys are watched while this lives; Ctrl-C is one of them.
pub(crate) struct Keys {
    /// Puts the terminal back when dropped.
    _raw: Raw,
}

impl Keys {
    /// Begins to watch, where a terminal allows it.
    pub(crate) fn watch() -> Option<Self> {
        let _raw = Raw::on().ok()?;
        Some(Self { _raw })
    }

    /// Whether the person has pressed q, Ctrl-C or Ctrl-D since the last call.
    pub(crate) fn say_stop(&self) -> bool {
        self.say_stop_within(Duration::ZERO)
    }

    /// The same, waiting so long for a key.
    pub(crate) fn say_stop_within(&self, time: Duration) -> bool {
        while poll(time).unwrap_or(false) {
            if matches!(press(), None | Some(KeyCode::Char('q' | 'Q'))) {
                return true;
            }
        }
        false
    }
}

/// One of these keys, any case; others are not taken.
pub(crate) fn key(prompt: &str, allowed: &str) -> Typed {
    echo(prompt);
    let pressed = {
        let Ok(_raw) = Raw::on() else {
            return Typed::Stop;
        };
        loop {
            match press() {
                Some(KeyCode::Char(c)) if allowed.contains(c.to_ascii_lowercase()) => {
                    break Some(c.to_ascii_lowercase());
                }
                Some(_) => {}
                None => break None,
            }
        }
    };
    echo(&pressed.map_or_else(|| "\n".to_owned(), |c| format!("{c}\n")));
    pressed.map_or(Typed::Stop, |c| Typed::Text(c.to_string()))
}

/// A line, ended with Enter.
pub(crate) fn line(prompt: &str) -> Typed {
    echo(prompt);
    let mut text = String::new();
    let ended = {
        let Ok(_raw) = Raw::on() else {
            return Typed::Stop;
        };
        loop {
            match press() {
                Some(KeyCode::Enter) => break true,
                Some(KeyCode::Backspace) => {
                    if text.pop().is_some() {
                        echo("\u{8} \u{8}");
                    }
                }
                Some(KeyCode::Char(c)) => {
                    text.push(c);
                    echo(c.encode_utf8(&mut [0; 4]));
                }
                Some(_) => {}
                None => break false,
            }
        }
    };
    echo("\n");
    if ended {
        Typed::Text(text.trim().to_owned())
    } else {
        Typed::Stop
    }
}

/// The next key pressed; nothing where the person wants to stop.
fn press() -> Option<KeyCode> {
    loop {
        let Event::Key(key) = read().ok()? else {
            continue;
        };
        if key.kind == KeyEventKind::Release {
            continue;
        }
        let is_control = key.modifiers.contains(KeyModifiers::CONTROL);
        return match key.code {
            KeyCode::Char('c' | 'd') if is_control => None,
            KeyCode::Char(_) if is_control => continue,
            code => Some(code),
        };
    }
}

fn echo(text: &str) {
    let mut stderr = std::io::stderr().lock();
    let _ = stderr
        .write_all(text.as_bytes())
        .and_then(|()| stderr.flush());
}
