//! Pseudo-terminals: the only Unix-only code of this package.

use std::ffi::OsStr;
use std::fs::{File, OpenOptions};
use std::io;
use std::os::unix::ffi::OsStrExt as _;
use std::path::PathBuf;

use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{OptionalActions, tcgetattr, tcsetattr};

/// A new pseudo-terminal in raw mode: master, path of the other end, and that end held open.
pub(crate) fn open_pty() -> io::Result<(File, PathBuf, File)> {
    let master = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY)?;
    grantpt(&master)?;
    unlockpt(&master)?;
    let name = ptsname(&master, Vec::new())?;
    let path = PathBuf::from(OsStr::from_bytes(name.as_bytes()));
    let other = OpenOptions::new().read(true).write(true).open(&path)?;
    let mut settings = tcgetattr(&other)?;
    settings.make_raw();
    tcsetattr(&other, OptionalActions::Now, &settings)?;
    Ok((File::from(master), path, other))
}
