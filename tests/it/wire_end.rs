//! The far end of a pseudo-terminal, as plain reads and writes.

use std::io::{Read, Write};
use std::time::Duration;

use tokio_serial::SerialPort as _;
use tokio_serial::SerialStream;

/// The far end; keeps the near end's name alive.
pub(crate) struct WireEnd {
    master: SerialStream,
    _near: SerialStream,
}

/// A far end, and the name of the near one.
pub(crate) fn pair() -> (WireEnd, String) {
    let runtime = super::link_open::runtime();
    let _inside = runtime.enter();
    let (master, near) = SerialStream::pair().unwrap();
    let name = near.name().unwrap();
    std::mem::forget(runtime);
    (
        WireEnd {
            master,
            _near: near,
        },
        name,
    )
}

impl Write for WireEnd {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        self.master.write(bytes)
    }

    fn flush(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}

impl Read for WireEnd {
    /// What is there now; nothing where there is nothing.
    fn read(&mut self, into: &mut [u8]) -> std::io::Result<usize> {
        if self.master.bytes_to_read().unwrap_or(0) == 0 {
            return Ok(0);
        }
        self.master.set_timeout(Duration::from_millis(1)).ok();
        self.master.read(into)
    }
}
