//! A pseudo-terminal that looks like a serial adapter with the simulated unit on its line.
//!
//! Input: bytes that a client writes into its end. Output: messages to the world's thread, and a
//! [`Line`] to write through; the line settings that the client has given its end. Does not: garble
//! (the world does, by those settings).
//!
//! # Invariants
//! - What is written while nobody has the client's end open is lost, as on a wire.
//! - Writing never waits: a client that does not read loses what is oldest.
//!
//! # What a pseudo-terminal knows of the client's settings
//! The speed and the stop bits, as they were set. Parity and data bits are lost, but their traces
//! in the input flags stay: `INPCK` where a parity is checked (`PARODD` beside it: an odd one),
//! `IGNPAR` without it where a program has said that there is none. With neither trace the client
//! has said nothing of parity, and is taken to have it right.
//!
//! # Why this side keeps the client's end open
//! With no end open the kernel answers every read with an error. It also lets this side lift the
//! exclusive use that a client has asked for and that outlives its closing; without that, the next
//! client of an ordinary user would find the terminal busy.

use std::os::fd::OwnedFd;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread;

use packside_profiles::{LineSettings, Parity};
use rustix::event::{PollFd, PollFlags, Timespec, poll};
use rustix::fs::{Mode, OFlags, fcntl_setfl, open as open_file};
use rustix::io::{Errno, read, write};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{
    ControlModes, InputModes, OptionalActions, QueueSelector, Termios, tcflush, tcgetattr,
    tcsetattr,
};

use super::{Inlet, Message, PATIENCE, PIECE};
use crate::uart::Tty;

/// The only client of a pseudo-terminal.
const CLIENT: u32 = 0;

/// The writing side.
pub(super) struct Line {
    ours: Arc<OwnedFd>,
    theirs: Arc<OwnedFd>,
    listened: Arc<AtomicBool>,
}

impl Line {
    /// The line settings that the client's end has now; `usual` says what it leaves open.
    pub(super) fn settings(&self, usual: LineSettings) -> Option<(LineSettings, Tty)> {
        let set = tcgetattr(&*self.theirs).ok()?;
        Some(read_settings(&set, usual))
    }

    /// Writes what reaches the client now.
    pub(super) fn write(&mut self, bytes: &[u8]) {
        if !self.listened.load(Ordering::Relaxed) {
            return;
        }
        let mut rest = bytes;
        while !rest.is_empty() {
            match write(&*self.ours, rest) {
                Ok(count) if count > 0 => rest = rest.get(count..).unwrap_or_default(),
                Err(Errno::INTR) => {}
                // Full: nobody has read for a long time.
                _ => {
                    let _ = tcflush(&*self.theirs, QueueSelector::IFlush);
                    return;
                }
            }
        }
    }
}

/// Opens a pseudo-terminal. Gives the line and the path of the client's end.
///
/// Its speed is the line's until a client sets another.
pub(super) fn open(line: LineSettings, inlet: &Inlet) -> Result<(Line, String), String> {
    let (ours, theirs, name) = pair(line).map_err(|error| error.to_string())?;
    let line = Line {
        ours: Arc::new(ours),
        theirs: Arc::new(theirs),
        listened: Arc::new(AtomicBool::new(true)),
    };
    #[cfg(target_os = "linux")]
    {
        let watched = super::watch::Watched {
            theirs: Arc::clone(&line.theirs),
            listened: Arc::clone(&line.listened),
        };
        super::watch::start(&name, watched, inlet.clone()).map_err(|error| error.to_string())?;
    }
    let (ours, listened, inlet) = (
        Arc::clone(&line.ours),
        Arc::clone(&line.listened),
        inlet.clone(),
    );
    thread::spawn(move || read_all(&ours, &listened, &inlet));
    Ok((line, name))
}

/// Takes the settings from what is left of them on a pseudo-terminal, and what such a terminal
/// does with a bad byte.
fn read_settings(set: &Termios, usual: LineSettings) -> (LineSettings, Tty) {
    let checks = set.input_modes.contains(InputModes::INPCK);
    let ignores = set.input_modes.contains(InputModes::IGNPAR);
    let parity = match (checks, ignores) {
        (true, _) if set.control_modes.contains(ControlModes::PARODD) => Parity::Odd,
        (true, _) => Parity::Even,
        (false, true) => Parity::None,
        (false, false) => usual.parity,
    };
    let two = set.control_modes.contains(ControlModes::CSTOPB);
    let baud = match set.output_speed() {
        0 => usual.baud,
        speed => speed,
    };
    let tty = match (checks, ignores) {
        (true, true) => Tty::Dropped,
        (true, false) => Tty::Zeroed,
        (false, _) => Tty::Unchecked,
    };
    let line = LineSettings {
        baud,
        parity,
        stop_bits: if two { 2 } else { 1 },
    };
    (line, tty)
}

fn pair(line: LineSettings) -> Result<(OwnedFd, OwnedFd, String), Errno> {
    let ours = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY)?;
    grantpt(&ours)?;
    unlockpt(&ours)?;
    let name = ptsname(&ours, Vec::new())?;
    let theirs = open_file(
        name.as_c_str(),
        OFlags::RDWR | OFlags::NOCTTY,
        Mode::empty(),
    )?;
    let mut settings = tcgetattr(&theirs)?;
    settings.make_raw();
    // A speed that the system does not take leaves its own, which the client will change.
    let _ = settings.set_speed(line.baud);
    tcsetattr(&theirs, OptionalActions::Now, &settings)?;
    fcntl_setfl(&ours, OFlags::RDWR | OFlags::NONBLOCK)?;
    Ok((ours, theirs, name.to_string_lossy().into_owned()))
}

fn read_all(ours: &OwnedFd, listened: &AtomicBool, inlet: &Inlet) {
    let mut buffer = [0; PIECE];
    while !inlet.has_ended() {
        if !readable(ours) {
            continue;
        }
        match read(ours, &mut buffer) {
            Ok(count) if count > 0 => {
                // Whoever asks is there, whatever the watch has made of it.
                listened.store(true, Ordering::Relaxed);
                if !inlet.bytes(CLIENT, buffer.get(..count).unwrap_or_default()) {
                    return;
                }
            }
            Err(Errno::INTR | Errno::AGAIN) => {}
            failed => {
                let why = failed.map_or_else(|error| error.to_string(), |_| "closed".to_owned());
                let _ = inlet.inbox.send(Message::Gone { why });
                return;
            }
        }
    }
}

/// Waits a while for something to read.
pub(super) fn readable(file: &OwnedFd) -> bool {
    let patience = Timespec {
        tv_sec: 0,
        tv_nsec: i64::from(PATIENCE.subsec_nanos()),
    };
    let mut wanted = [PollFd::new(file, PollFlags::IN)];
    poll(&mut wanted, Some(&patience)).is_ok_and(|count| count > 0)
}
