//! A serial adapter: settings, control lines down, and the true reason when it cannot be opened.
//!
//! # Sources
//! - Modbus over Serial Line V1.02, 2.5.1: eight data bits, parity, stop bits

use std::path::Path;

use packside_profiles::{LineSettings, Parity};
use tokio_serial::{ErrorKind, SerialPort, SerialPortBuilderExt, SerialPortType, SerialStream};

use super::PortGone;
use super::trouble::OpenError;
use super::worker::Opener;

/// Opens a serial port.
#[derive(Debug, Clone)]
pub(crate) struct SerialOpener {
    /// Name or path.
    pub(crate) port: String,
    /// Settings.
    pub(crate) line: LineSettings,
}

impl Opener for SerialOpener {
    type Stream = SerialStream;

    async fn open(self) -> Result<(SerialStream, bool), OpenError> {
        let parity = match self.line.parity {
            Parity::None => tokio_serial::Parity::None,
            Parity::Even => tokio_serial::Parity::Even,
            Parity::Odd => tokio_serial::Parity::Odd,
        };
        let stop_bits = if self.line.stop_bits == 2 {
            tokio_serial::StopBits::Two
        } else {
            tokio_serial::StopBits::One
        };
        let side_door = super::unix::side_door(Path::new(&self.port));
        let opened = tokio_serial::new(&self.port, self.line.baud)
            .parity(parity)
            .stop_bits(stop_bits)
            .data_bits(tokio_serial::DataBits::Eight)
            .flow_control(tokio_serial::FlowControl::None)
            .dtr_on_open(false)
            .open_native_async();
        let mut stream = opened.map_err(|error| self.refused(&error))?;
        // Opening raises both on many systems, and on some adapters RTS turns the transmitter on.
        // A pseudo terminal has no such lines and refuses, which harms nothing.
        stream.write_data_terminal_ready(false).ok();
        stream.write_request_to_send(false).ok();
        let is_marked = side_door.is_some_and(|door| super::unix::mark_bad_characters(&door));
        Ok((stream, is_marked))
    }

    fn zero_bytes(&self) -> PortGone {
        PortGone::Adapter
    }

    fn broken(&self, _: &std::io::Error) -> PortGone {
        // A hung-up tty fails every call; there is no line error that a raw tty reports here.
        PortGone::Adapter
    }
}

impl SerialOpener {
    /// Sorts the refusal of the system by its true cause.
    fn refused(&self, error: &tokio_serial::Error) -> OpenError {
        let port = self.port.clone();
        let why = error.description.clone();
        let path = Path::new(&port);
        if path.is_file() || path.is_dir() {
            return OpenError::NotSerial { port };
        }
        let is_there = path.exists() || list().iter().any(|there| there.name == port);
        match error.kind() {
            ErrorKind::Io(std::io::ErrorKind::PermissionDenied) => {
                let group = super::unix::missing_group(path);
                OpenError::PortForbidden { port, group }
            }
            ErrorKind::NoDevice | ErrorKind::Io(std::io::ErrorKind::NotFound) if !is_there => {
                OpenError::PortMissing {
                    port,
                    there: list(),
                }
            }
            ErrorKind::NoDevice => OpenError::PortBusy { port },
            _ if super::unix::says_no_tty(&why) => OpenError::NotSerial { port },
            _ => OpenError::PortUnusable { port, why },
        }
    }
}

/// A serial port of this computer.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SerialPortName {
    /// Name to open it by.
    pub name: String,
    /// Whether it is an adapter that was plugged in (USB), and what it calls itself.
    pub adapter: Option<String>,
}

/// The serial ports of this computer, in order of name.
pub fn list() -> Vec<SerialPortName> {
    // The library panics where this folder is missing (some containers).
    if cfg!(target_os = "linux") && !Path::new("/sys/class/tty").is_dir() {
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
    ports.sort_by(|a, b| a.name.cmp(&b.name));
    ports
}

/// The serial adapters that were plugged into this computer, in order of name.
pub fn adapters() -> Vec<SerialPortName> {
    list()
        .into_iter()
        .filter(|port| port.adapter.is_some())
        .collect()
}
