//! The serial ports of this computer: what each is, whether it may be opened, who has it.
//!
//! Does not: open any of them; opening may raise the control lines of an adapter. What the system
//! does not show is `None`, never a guess.

use std::time::Duration;

use tokio_serial::SerialPortType;

use super::platform::{SystemFacts, facts, has_ports};
use super::serial::in_order;
use super::{Clock, Interrupt};

/// Time between two looks for a new port.
const LOOK: Duration = Duration::from_millis(300);

/// What a USB adapter holds back where the system does not show it.
// Kind: common practice (16 ms as adapters come)
const HOLD_BACK: Duration = Duration::from_millis(16);

/// A serial port and what is known of it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LocalPort {
    /// Name to open it by.
    pub name: String,
    /// What the adapter says of itself, where it is one.
    pub adapter: Option<AdapterFacts>,
    /// What the system shows.
    pub system: SystemFacts,
}

/// What a USB adapter says of itself.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct AdapterFacts {
    /// Maker.
    pub maker: Option<String>,
    /// Product.
    pub product: Option<String>,
    /// Serial number.
    pub serial: Option<String>,
}

impl LocalPort {
    /// The port with this name, known or not.
    pub fn named(name: &str) -> Self {
        let known = ports().into_iter().find(|port| port.name == name);
        known.unwrap_or_else(|| Self {
            name: name.to_owned(),
            adapter: None,
            system: facts(std::path::Path::new("/"), name),
        })
    }

    /// How long it may hold back what comes in.
    pub fn holds_back(&self) -> Duration {
        let usual = self.adapter.as_ref().map_or(Duration::ZERO, |_| HOLD_BACK);
        self.system.hold_back.unwrap_or(usual)
    }

    /// The one thing to do before it can be opened, if there is one.
    pub fn fix(&self) -> Option<String> {
        let system = &self.system;
        if let Some(group) = system
            .missing_group
            .as_ref()
            .filter(|_| system.is_allowed == Some(false))
        {
            return Some(format!(
                "join the group {group} (sudo usermod -aG {group} $USER), then log out and in"
            ));
        }
        if system.is_allowed == Some(false) {
            return Some(
                "this user may not open it: ask whoever looks after this computer".to_owned(),
            );
        }
        let (number, name) = system.held_by.first()?;
        Some(format!(
            "close {name} (process {number}), which has it open"
        ))
    }
}

/// The serial ports of this computer, adapters first.
pub fn ports() -> Vec<LocalPort> {
    if !has_ports() {
        return Vec::new();
    }
    let ports = tokio_serial::available_ports().unwrap_or_default();
    let mut ports: Vec<LocalPort> = ports
        .into_iter()
        .map(|port| LocalPort {
            adapter: match port.port_type {
                SerialPortType::UsbPort(usb) => Some(AdapterFacts {
                    maker: usb.manufacturer,
                    product: usb.product,
                    serial: usb.serial_number,
                }),
                _ => None,
            },
            system: facts(std::path::Path::new("/"), &port.port_name),
            name: port.port_name,
        })
        .collect();
    ports.sort_by(|a, b| {
        (a.adapter.is_none(), in_order(&a.name)).cmp(&(b.adapter.is_none(), in_order(&b.name)))
    });
    ports
}

/// Waits until an adapter is there that was not there before; nothing where the user stops or the
/// time is over.
#[expect(clippy::disallowed_methods, reason = "a real driver waits")]
pub fn wait_for_new(longest: Duration, interrupt: &Interrupt) -> Option<LocalPort> {
    let before: Vec<String> = ports().into_iter().map(|port| port.name).collect();
    let clock = Clock::start();
    while clock.now() < longest && !interrupt.raised() {
        let new = ports()
            .into_iter()
            .find(|port| !before.contains(&port.name));
        if new.is_some() {
            // Its rights are set a moment after it is there.
            std::thread::sleep(LOOK * 2);
            return new.map(|port| LocalPort::named(&port.name));
        }
        std::thread::sleep(LOOK);
    }
    None
}
