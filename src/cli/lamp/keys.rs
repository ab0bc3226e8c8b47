//! Keys as they are pressed, with their times: the one place of this command that reads a clock.
//!
//! # Invariants
//! - The time of a key is taken right after it was read, on the thread that reads.
//! - The terminal is put back whatever ends the watching: a key, an error, a panic, a signal. Ctrl-C is a
//!   key like others here.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, channel};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use crossterm::event::{Event, KeyCode, KeyEvent, KeyEventKind, KeyModifiers, poll, read};
use crossterm::terminal::disable_raw_mode;

use crate::cli::interrupt;
use crate::lamp::Key;

/// How often the reader looks whether it is still wanted.
const LOOK: Duration = Duration::from_millis(100);

/// What was pressed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Pressed {
    /// Something about the lamp.
    Told(Key),
    /// Enough.
    Done,
    /// Ctrl-C.
    Stop,
}

/// Reads keys until it is dropped, then puts the terminal back.
pub(super) struct KeyReader {
    pressed: Receiver<(Duration, Pressed)>,
    ended: Arc<AtomicBool>,
    reader: Option<JoinHandle<()>>,
    origin: Instant,
}

impl KeyReader {
    /// Switches the terminal to single keys.
    #[expect(clippy::disallowed_methods, reason = "the clock of a real driver")]
    pub(super) fn open() -> std::io::Result<Self> {
        interrupt::raw_mode()?;
        let (sender, pressed) = channel();
        let ended = Arc::new(AtomicBool::new(false));
        let (origin, end) = (Instant::now(), Arc::clone(&ended));
        let reader = std::thread::spawn(move || {
            while !end.load(Ordering::Relaxed) {
                match poll(LOOK) {
                    Ok(true) => {}
                    Ok(false) => continue,
                    Err(_) => return,
                }
                let Ok(event) = read() else { return };
                let at = origin.elapsed();
                if let Some(what) = meant(&event)
                    && sender.send((at, what)).is_err()
                {
                    return;
                }
            }
        });
        Ok(Self {
            pressed,
            ended,
            reader: Some(reader),
            origin,
        })
    }

    /// The next key, or nothing within this time. An error if no more keys can come.
    pub(super) fn next(&self, wait: Duration) -> std::io::Result<Option<(Duration, Pressed)>> {
        if interrupt::is_wished() {
            return Ok(Some((self.now(), Pressed::Stop)));
        }
        match self.pressed.recv_timeout(wait) {
            Ok(pressed) => Ok(Some(pressed)),
            Err(RecvTimeoutError::Timeout) => Ok(None),
            Err(RecvTimeoutError::Disconnected) => {
                Err(std::io::Error::other("the terminal is gone"))
            }
        }
    }

    /// Time since the keys were opened.
    pub(super) fn now(&self) -> Duration {
        self.origin.elapsed()
    }
}

impl Drop for KeyReader {
    fn drop(&mut self) {
        self.ended.store(true, Ordering::Relaxed);
        if let Some(reader) = self.reader.take() {
            let _ = reader.join();
        }
        let _ = disable_raw_mode();
    }
}

/// What a key means; keys without a meaning, and keys let go, are nothing.
fn meant(event: &Event) -> Option<Pressed> {
    let Event::Key(KeyEvent {
        code,
        modifiers,
        kind: KeyEventKind::Press,
        ..
    }) = event
    else {
        return None;
    };
    if modifiers.contains(KeyModifiers::CONTROL) {
        return matches!(code, KeyCode::Char('c' | 'd')).then_some(Pressed::Stop);
    }
    Some(match code {
        KeyCode::Char(' ') => Pressed::Told(Key::Flash),
        KeyCode::Char('j' | 'J') => Pressed::Told(Key::LightsUp),
        KeyCode::Char('f' | 'F') => Pressed::Told(Key::GoesOut),
        KeyCode::Char('s' | 'S') => Pressed::Told(Key::Steady),
        KeyCode::Char('d' | 'D') => Pressed::Told(Key::Dark),
        KeyCode::Backspace => Pressed::Told(Key::Again),
        KeyCode::Enter | KeyCode::Esc | KeyCode::Char('q' | 'Q') => Pressed::Done,
        _ => return None,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn key(code: KeyCode, modifiers: KeyModifiers, kind: KeyEventKind) -> Option<Pressed> {
        meant(&Event::Key(KeyEvent::new_with_kind(code, modifiers, kind)))
    }

    // Kind: derived (some systems report a key that is let go as well)
    #[test]
    fn only_the_press_of_a_key_counts() {
        let space = KeyCode::Char(' ');
        let told = Some(Pressed::Told(Key::Flash));
        assert_eq!(key(space, KeyModifiers::NONE, KeyEventKind::Press), told);
        assert_eq!(key(space, KeyModifiers::NONE, KeyEventKind::Release), None);
        assert_eq!(key(space, KeyModifiers::NONE, KeyEventKind::Repeat), None);
    }

    // Kind: common practice
    #[test]
    fn ctrl_c_stops_and_enter_is_done() {
        let press = KeyEventKind::Press;
        assert_eq!(
            key(KeyCode::Char('c'), KeyModifiers::CONTROL, press),
            Some(Pressed::Stop)
        );
        assert_eq!(key(KeyCode::Char('x'), KeyModifiers::CONTROL, press), None);
        assert_eq!(
            key(KeyCode::Enter, KeyModifiers::NONE, press),
            Some(Pressed::Done)
        );
        assert_eq!(key(KeyCode::Char('x'), KeyModifiers::NONE, press), None);
    }
}
