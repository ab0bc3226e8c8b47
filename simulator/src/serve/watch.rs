//! Notices when a client opens and closes its end of a pseudo-terminal. Linux only.
//!
//! Input: notices of the file system. Output: whether anybody listens. When a client has closed its
//! end, what it has not read is thrown away and its exclusive use is lifted. Does not: count; on a
//! serial adapter there is one client at a time as well.
//!
//! # Sources
//! - inotify(7), ioctl_tty(2) (`TIOCNXCL`)

use std::mem::MaybeUninit;
use std::os::fd::OwnedFd;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread;

use rustix::fs::inotify::{CreateFlags, ReadFlags, Reader, WatchFlags, add_watch, init};
use rustix::io::Errno;
use rustix::termios::{QueueSelector, ioctl_tiocnxcl, tcflush};

use super::Inlet;
use super::pty::readable;

/// What is watched.
pub(super) struct Watched {
    /// This side's handle of the client's end.
    pub(super) theirs: Arc<OwnedFd>,
    /// Whether a client has it open.
    pub(super) listened: Arc<AtomicBool>,
    /// The adapter is gone, and nothing is left to watch.
    pub(super) pulled_out: Arc<AtomicBool>,
}

/// Watches until the server ends. Until the first client opens, nobody listens.
pub(super) fn start(name: &str, watched: Watched, inlet: Inlet) -> Result<(), Errno> {
    let notices = init(CreateFlags::CLOEXEC | CreateFlags::NONBLOCK)?;
    let wanted = WatchFlags::OPEN | WatchFlags::CLOSE;
    add_watch(&notices, name, wanted)?;
    watched.listened.store(false, Ordering::Relaxed);
    thread::spawn(move || {
        while !inlet.has_ended() && !watched.pulled_out.load(Ordering::Relaxed) {
            if readable(&notices) {
                take(&notices, &watched);
            }
        }
    });
    Ok(())
}

fn take(notices: &OwnedFd, watched: &Watched) {
    let mut space = [MaybeUninit::uninit(); 1024];
    let mut reader = Reader::new(notices, &mut space);
    while let Ok(notice) = reader.next() {
        let what = notice.events();
        let closed = ReadFlags::CLOSE_WRITE | ReadFlags::CLOSE_NOWRITE;
        if what.intersects(closed) {
            watched.listened.store(false, Ordering::Relaxed);
            let _ = tcflush(&*watched.theirs, QueueSelector::IFlush);
            let _ = ioctl_tiocnxcl(&*watched.theirs);
        } else if what.contains(ReadFlags::OPEN) {
            watched.listened.store(true, Ordering::Relaxed);
        }
    }
}
