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
//! # How an adapter is pulled out
//! This side closes both ends, so whoever has the client's end open learns that it has hung up, as
//! with a real one. Its thread may wait for [`PATIENCE`] before it lets go. Plugged in again it is a
//! new terminal; a path beside it leads to whichever there is.
//!
//! # Why this side keeps the client's end open
//! With no end open the kernel answers every read with an error. It also lets this side lift the
//! exclusive use that a client has asked for and that outlives its closing; without that, the next
//! client of an ordinary user would find the terminal busy.

use std::os::fd::OwnedFd;
use std::path::{Path, PathBuf};
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

/// A pseudo-terminal, or the place where one was until the adapter was pulled out.
pub(super) struct Line {
    usual: LineSettings,
    inlet: Inlet,
    ends: Option<Ends>,
    /// Where the client's end is found also after it was gone; nothing where it never goes.
    link: Option<PathBuf>,
}

impl Line {
    /// The line settings that the client's end has now; `usual` says what it leaves open.
    pub(super) fn settings(&self, usual: LineSettings) -> Option<(LineSettings, Tty)> {
        let set = tcgetattr(&*self.ends.as_ref()?.theirs).ok()?;
        Some(read_settings(&set, usual))
    }

    /// Writes what reaches the client now.
    pub(super) fn write(&mut self, bytes: &[u8]) {
        if let Some(ends) = &self.ends {
            ends.write(bytes);
        }
    }

    /// The adapter is pulled out: whoever has it open learns that it is gone, and nobody finds it.
    pub(super) fn pull_out(&mut self) {
        // The threads of the ends let go of them when they see this.
        if let Some(ends) = self.ends.take() {
            ends.pulled_out.store(true, Ordering::Relaxed);
        }
        if let Some(link) = &self.link {
            let _ = std::fs::remove_file(link);
        }
    }

    /// The adapter is plugged in again, at the same place; nothing where it is in.
    pub(super) fn plug_in(&mut self) -> Result<(), String> {
        if self.ends.is_none() {
            let (ends, name) = Ends::open(self.usual, &self.inlet)?;
            self.ends = Some(ends);
            if let Some(link) = &self.link {
                point_to(link, &name)?;
            }
        }
        Ok(())
    }
}

impl Drop for Line {
    fn drop(&mut self) {
        self.pull_out();
    }
}

/// Lets a path lead to a pseudo-terminal.
fn point_to(link: &Path, name: &str) -> Result<(), String> {
    let _ = std::fs::remove_file(link);
    std::os::unix::fs::symlink(name, link)
        .map_err(|error| format!("{}: {error}", packside_profiles::shown(link)))
}

/// Both ends of a pseudo-terminal.
struct Ends {
    ours: Arc<OwnedFd>,
    theirs: Arc<OwnedFd>,
    listened: Arc<AtomicBool>,
    pulled_out: Arc<AtomicBool>,
}

impl Ends {
    fn write(&self, bytes: &[u8]) {
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

    fn open(line: LineSettings, inlet: &Inlet) -> Result<(Self, String), String> {
        let (ours, theirs, name) = pair(line).map_err(|error| error.to_string())?;
        let ends = Self {
            ours: Arc::new(ours),
            theirs: Arc::new(theirs),
            listened: Arc::new(AtomicBool::new(true)),
            pulled_out: Arc::new(AtomicBool::new(false)),
        };
        #[cfg(target_os = "linux")]
        {
            let watched = super::watch::Watched {
                theirs: Arc::clone(&ends.theirs),
                listened: Arc::clone(&ends.listened),
                pulled_out: Arc::clone(&ends.pulled_out),
            };
            super::watch::start(&name, watched, inlet.clone())
                .map_err(|error| error.to_string())?;
        }
        let (ours, listened) = (Arc::clone(&ends.ours), Arc::clone(&ends.listened));
        let (pulled_out, inlet) = (Arc::clone(&ends.pulled_out), inlet.clone());
        thread::spawn(move || read_all(&ours, (&listened, &pulled_out), &inlet));
        Ok((ends, name))
    }
}

/// Opens a pseudo-terminal. Gives the line and the path of the client's end.
///
/// Its speed is the line's until a client sets another. One that `comes_and_goes` is found under a
/// path that stays the same.
pub(super) fn open(
    usual: LineSettings,
    inlet: &Inlet,
    comes_and_goes: bool,
) -> Result<(Line, String), String> {
    let (ends, mut name) = Ends::open(usual, inlet)?;
    let mut line = Line {
        usual,
        inlet: inlet.clone(),
        ends: Some(ends),
        link: None,
    };
    if comes_and_goes {
        // The terminal tells servers of one process apart.
        let terminal = name.replace('/', "-");
        let own = format!("packside-adapter-{}{terminal}", std::process::id());
        let link = std::env::temp_dir().join(own);
        point_to(&link, &name)?;
        name = packside_profiles::shown(&link);
        line.link = Some(link);
    }
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
    Ok((
        ours,
        theirs,
        name.to_str().map(str::to_owned).map_err(|_| Errno::INVAL)?,
    ))
}

fn read_all(ours: &OwnedFd, (listened, pulled_out): (&AtomicBool, &AtomicBool), inlet: &Inlet) {
    let mut buffer = [0; PIECE];
    while !inlet.has_ended() && !pulled_out.load(Ordering::Relaxed) {
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
