//! Keys and lines from a person at a terminal.
//!
//! Keys are taken one by one without Enter; the terminal is put back whatever happens. Prompts go to
//! stderr. Does not: know what is asked.

use std::io::Write as _;
use std::sync::Mutex;
use std::time::{Duration, Instant};

use crossterm::event::{Event, KeyCode, KeyEventKind, KeyModifiers, poll, read};
use crossterm::terminal::disable_raw_mode;

use super::interrupt;
use crate::link::CAN_PAUSE;

/// How often whoever waits for a key looks whether somebody wants to stop.
const LOOK: Duration = Duration::from_millis(100);

/// The same key again within this time is a key that bounced or was held: it answers nothing.
const AGAIN: Duration = Duration::from_millis(400);
/// The key taken last, and when it last came.
static TAKEN: Mutex<Option<(char, Instant)>> = Mutex::new(None);

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
        interrupt::raw_mode()?;
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
        self.say_stop_within(Duration::ZERO).unwrap_or(false)
    }

    /// The same, waiting so long for a key.
    ///
    /// # Errors
    /// Where no more keys can come.
    pub(crate) fn say_stop_within(&self, time: Duration) -> std::io::Result<bool> {
        while poll(time)? {
            if matches!(
                read_one()?,
                Pressed::Stop | Pressed::Key(KeyCode::Char('q' | 'Q'))
            ) {
                return Ok(true);
            }
        }
        Ok(false)
    }
}

/// One of these keys, any case; others are not taken.
pub(crate) fn key(prompt: &str, allowed: &str) -> Typed {
    let pressed = {
        let Ok(_raw) = Raw::on() else {
            return Typed::Stop;
        };
        if !forget() {
            return Typed::Stop;
        }
        echo(prompt);
        loop {
            match press() {
                Some(code) if is_again(code) => {}
                Some(KeyCode::Char(c)) if allowed.contains(c.to_ascii_lowercase()) => {
                    take(c);
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
    let mut text = String::new();
    let ended = {
        let Ok(_raw) = Raw::on() else {
            return Typed::Stop;
        };
        if !forget() {
            return Typed::Stop;
        }
        echo(prompt);
        loop {
            match press() {
                // What opened this line is not its first letter.
                Some(code) if text.is_empty() && is_again(code) => {}
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

/// Takes away what was typed before a prompt stood there: it answers nothing. `false` where the person wants
/// to stop.
fn forget() -> bool {
    while poll(Duration::ZERO).unwrap_or(false) {
        match read_one() {
            Ok(Pressed::Stop) | Err(_) => return false,
            Ok(_) => {}
        }
    }
    true
}

/// Remembers which key answered a prompt.
#[expect(clippy::disallowed_methods, reason = "the clock of a real keyboard")]
fn take(key: char) {
    if let Ok(mut taken) = TAKEN.lock() {
        *taken = Some((key.to_ascii_lowercase(), Instant::now()));
    }
}

/// Whether this is the key that answered the prompt before, typed twice or held.
fn is_again(code: KeyCode) -> bool {
    let KeyCode::Char(key) = code else {
        return false;
    };
    let last = TAKEN.lock().ok().and_then(|taken| *taken);
    let again =
        last.is_some_and(|(taken, at)| taken == key.to_ascii_lowercase() && at.elapsed() < AGAIN);
    if again {
        take(key);
    }
    again
}

/// The next key pressed; nothing where the person wants to stop, by a key or otherwise.
fn press() -> Option<KeyCode> {
    loop {
        while !poll(LOOK).ok()? {
            if interrupt::is_wished() {
                return None;
            }
        }
        match read_one().ok()? {
            Pressed::Key(code) => return Some(code),
            Pressed::Stop => return None,
            Pressed::Nothing => {}
        }
    }
}

/// What one event of the terminal means.
enum Pressed {
    Key(KeyCode),
    /// Ctrl-C or Ctrl-D.
    Stop,
    /// A key let go, another size of the window, and the like.
    Nothing,
}

/// The event that has come.
fn read_one() -> std::io::Result<Pressed> {
    let Event::Key(key) = read()? else {
        return Ok(Pressed::Nothing);
    };
    if key.kind == KeyEventKind::Release {
        return Ok(Pressed::Nothing);
    }
    let is_control = key.modifiers.contains(KeyModifiers::CONTROL);
    Ok(match key.code {
        KeyCode::Char('c' | 'd') if is_control => Pressed::Stop,
        KeyCode::Char('z') if is_control && CAN_PAUSE => {
            interrupt::pause();
            Pressed::Nothing
        }
        KeyCode::Char(_) if is_control => Pressed::Nothing,
        code => Pressed::Key(code),
    })
}

fn echo(text: &str) {
    let mut stderr = std::io::stderr().lock();
    let _ = stderr
        .write_all(text.as_bytes())
        .and_then(|()| stderr.flush());
}
