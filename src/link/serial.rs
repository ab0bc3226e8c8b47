//! A serial adapter: settings, control lines down, and the true reason when it cannot be opened.
//!
//! # Sources
//! - Modbus over Serial Line V1.02, 2.5.1: eight data bits, parity, stop bits

use std::fs::File;
use std::io;
use std::path::Path;
use std::pin::Pin;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::task::{Context, Poll};

use packside_profiles::{Foreign, LineSettings, Parity};
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio_serial::{SerialPort, SerialPortBuilderExt, SerialPortType, SerialStream};

use super::latency::Eased;
use super::platform::{self, WhyNot};
use super::trouble::OpenError;
use super::worker::Opener;
use super::{PortGone, SerialPortName};

/// Opens a serial port.
#[derive(Debug, Clone)]
pub(crate) struct SerialOpener {
    /// Name or path.
    pub(crate) port: Foreign,
    /// Settings.
    pub(crate) line: LineSettings,
    /// What was asked of its adapter, as long as the port is used.
    #[expect(dead_code, reason = "it is there to be dropped")]
    pub(super) eased: Option<Eased>,
}

impl Opener for SerialOpener {
    type Stream = HeldPort;

    async fn open(self) -> Result<(HeldPort, bool), OpenError> {
        let path = Path::new(&self.port);
        if platform::is_no_port(path) {
            return Err(OpenError::NotSerial { port: self.port });
        }
        let door = platform::side_door(path);
        let before = door.and_then(PutBack::note);
        let opened = tokio_serial::new(self.port.as_given(), self.line.baud)
            .parity(parity_of(self.line))
            .stop_bits(stop_bits_of(self.line))
            .data_bits(tokio_serial::DataBits::Eight)
            .flow_control(tokio_serial::FlowControl::None)
            .dtr_on_open(false)
            .open_native_async();
        let mut stream = opened.map_err(|error| self.refused(&error))?;
        // Opening raises both on many systems, and on some adapters RTS turns the transmitter on.
        // A pseudo terminal has no such lines and refuses, which harms nothing.
        stream.write_data_terminal_ready(false).ok();
        stream.write_request_to_send(false).ok();
        let before = before.map(PutBack::on_close);
        let can_mark = platform::can_mark(path);
        let port = HeldPort {
            stream,
            can_mark,
            before,
        };
        let is_marked = port.mark();
        Ok((port, is_marked))
    }

    fn set_line(&self, port: &mut HeldPort, line: LineSettings) -> Result<(), PortGone> {
        let stream = &mut port.stream;
        let set = stream
            .set_baud_rate(line.baud)
            .and_then(|()| stream.set_parity(parity_of(line)))
            .and_then(|()| stream.set_stop_bits(stop_bits_of(line)));
        set.map_err(|error| PortGone::Broken {
            why: format!("it does not take {line}: {}", error.description),
        })?;
        // Setting the parity has changed the flags as well.
        port.mark();
        Ok(())
    }

    fn at_line(self, line: LineSettings) -> Self {
        Self { line, ..self }
    }

    fn zero_bytes(&self) -> PortGone {
        PortGone::Adapter
    }

    fn broken(&self, _: &std::io::Error) -> PortGone {
        // A hung-up tty fails every call; there is no line error that a raw tty reports here.
        PortGone::Adapter
    }
}

/// Parity in the words of the library.
fn parity_of(line: LineSettings) -> tokio_serial::Parity {
    match line.parity {
        Parity::None => tokio_serial::Parity::None,
        Parity::Even => tokio_serial::Parity::Even,
        Parity::Odd => tokio_serial::Parity::Odd,
    }
}

/// Stop bits in the words of the library.
fn stop_bits_of(line: LineSettings) -> tokio_serial::StopBits {
    if line.stop_bits == 2 {
        tokio_serial::StopBits::Two
    } else {
        tokio_serial::StopBits::One
    }
}

/// An open serial port with the second way to its flags: the library's has none for them, and the
/// port lets nobody open it again. Both close together, so that an unplugged name becomes free.
pub(crate) struct HeldPort {
    stream: SerialStream,
    can_mark: bool,
    /// Dropped last; where the system lets nobody look, nothing is put back.
    before: Option<PutBack>,
}

impl HeldPort {
    /// Has bad characters marked, where that can be.
    fn mark(&self) -> bool {
        let before = self.before.as_ref();
        let marks = |before: &PutBack| platform::mark_bad_characters(&before.0.door);
        self.can_mark && before.is_some_and(marks)
    }
}

/// A port as it was before it was opened.
struct Noted {
    door: File,
    modes: platform::Modes,
}

/// Ports whose settings are not put back yet. The program may end while a thread still holds one.
static NOT_PUT_BACK: Mutex<Vec<Arc<Noted>>> = Mutex::new(Vec::new());

/// Puts the settings of a port back when dropped, or when [`put_back_all`] comes first.
struct PutBack(Arc<Noted>);

impl PutBack {
    /// Notes how a port is.
    fn note(door: File) -> Option<Arc<Noted>> {
        let modes = platform::modes(&door)?;
        Some(Arc::new(Noted { door, modes }))
    }

    fn on_close(noted: Arc<Noted>) -> Self {
        not_put_back().push(Arc::clone(&noted));
        Self(noted)
    }
}

impl Drop for PutBack {
    fn drop(&mut self) {
        let mut ports = not_put_back();
        let known = ports.iter().position(|port| Arc::ptr_eq(port, &self.0));
        if let Some(place) = known {
            let noted = ports.swap_remove(place);
            platform::put_back(&noted.door, &noted.modes);
        }
    }
}

fn not_put_back() -> MutexGuard<'static, Vec<Arc<Noted>>> {
    NOT_PUT_BACK.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Puts the settings of every port that is still open back as they were: the program ends.
pub fn put_back_all() {
    for noted in not_put_back().drain(..) {
        platform::put_back(&noted.door, &noted.modes);
    }
}

impl AsyncRead for HeldPort {
    fn poll_read(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        buffer: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_read(context, buffer)
    }
}

impl AsyncWrite for HeldPort {
    fn poll_write(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        bytes: &[u8],
    ) -> Poll<io::Result<usize>> {
        Pin::new(&mut self.stream).poll_write(context, bytes)
    }

    fn poll_flush(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_flush(context)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_shutdown(context)
    }
}

impl SerialOpener {
    /// Sorts the refusal of the system by its true cause.
    fn refused(&self, error: &tokio_serial::Error) -> OpenError {
        let (port, why) = (self.port.clone(), error.description.clone());
        match platform::why_not(Path::new(&port), error.kind(), &why) {
            WhyNot::Missing => OpenError::PortMissing {
                port,
                there: list(),
            },
            WhyNot::Busy => OpenError::PortBusy { port },
            WhyNot::Forbidden { or_busy: true, .. } => OpenError::PortDenied { port },
            WhyNot::Forbidden { group, .. } => OpenError::PortForbidden { port, group },
            WhyNot::NotSerial => OpenError::NotSerial { port },
            WhyNot::Other => OpenError::PortUnusable { port, why },
        }
    }
}

/// The serial ports of this computer, in order of name.
pub fn list() -> Vec<SerialPortName> {
    if !platform::has_ports() {
        return Vec::new();
    }
    let mut ports: Vec<SerialPortName> = tokio_serial::available_ports()
        .unwrap_or_default()
        .into_iter()
        .map(|port| SerialPortName {
            name: port.port_name,
            adapter: match port.port_type {
                SerialPortType::UsbPort(usb) => {
                    Some(usb.product.unwrap_or_else(|| "USB adapter".into()))
                }
                _ => None,
            },
        })
        .collect();
    ports.sort_by(|a, b| in_order(&a.name).cmp(&in_order(&b.name)));
    ports
}

/// By what names of ports are sorted: the number at their end counts as one.
pub(super) fn in_order(name: &str) -> (&str, Option<u64>) {
    let letters = name.trim_end_matches(|c: char| c.is_ascii_digit());
    let number = name.get(letters.len()..).and_then(|end| end.parse().ok());
    (letters, number)
}

#[cfg(test)]
mod tests {
    use super::*;

    // Kind: invented
    #[test]
    fn port_ten_comes_after_port_nine() {
        let mut names = ["COM10", "COM9", "/dev/ttyUSB2", "COM100", "/dev/ttyUSB11"];
        names.sort_by(|a, b| in_order(a).cmp(&in_order(b)));
        let sorted = ["/dev/ttyUSB2", "/dev/ttyUSB11", "COM9", "COM10", "COM100"];
        assert_eq!(names, sorted);
    }
}
