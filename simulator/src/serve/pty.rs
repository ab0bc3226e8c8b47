//! A pseudo-terminal that looks like a serial adapter with the simulated unit on its line.
//!
//! Input: bytes that a client writes into its end. Output: messages to the world's thread, and a
//! [`Line`] to write through. Does not: compare the client's line settings with the unit's; a
//! pseudo-terminal has no bits.
//!
//! # Invariants
//! - What is written while nobody has the client's end open is lost, as on a wire.
//! - Writing never waits: a client that does not read loses what is oldest.
//!
//! # Why this side keeps the client's end open
//! With no end open the kernel answers every read with an error. It also lets this side lift the
//! exclusive use that a client has asked for and that outlives its closing; without that, the next
//! client of an ordinary user would find the terminal busy.

use std::os::fd::OwnedFd;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread;

use rustix::event::{PollFd, PollFlags, Timespec, poll};
use rustix::fs::{Mode, OFlags, fcntl_setfl, open as open_file};
use rustix::io::{Errno, read, write};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{OptionalActions, QueueSelector, tcflush, tcgetattr, tcsetattr};

use super::{Inlet, Message, PATIENCE, PIECE};

/// The only client of a pseudo-terminal.
const CLIENT: u32 = 0;

/// The writing side.
pub(super) struct Line {
    ours: Arc<OwnedFd>,
    theirs: Arc<OwnedFd>,
    listened: Arc<AtomicBool>,
}

impl Line {
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
pub(super) fn open(inlet: &Inlet) -> Result<(Line, String), String> {
    let (ours, theirs, name) = pair().map_err(|error| error.to_string())?;
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

fn pair() -> Result<(OwnedFd, OwnedFd, String), Errno> {
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
