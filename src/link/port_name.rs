//! A serial port of this computer by its name.

/// A serial port of this computer.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SerialPortName {
    /// Name to open it by.
    pub name: String,
    /// Whether it is an adapter that was plugged in (USB), and what it calls itself.
    pub adapter: Option<String>,
}
