//! What can go wrong with opening a link, sorted by who can do something about it, with the one hint
//! that fits the true cause.
//!
//! Texts are in the shape *what failed: why*, without a full stop; a hint is one action. A hint is
//! given only where its cause was seen, never as a list of possibilities.

use std::time::Duration;

use packside_profiles::Foreign;

use super::SerialPortName;
use crate::session::Blame;

/// Why a link could not be opened.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum OpenError {
    /// No such serial port.
    #[error("cannot open {}: there is no such port; {}", port.clean(), there_is(.there))]
    PortMissing {
        /// As given.
        port: Foreign,
        /// The ports of this computer.
        there: Vec<SerialPortName>,
    },
    /// Another program holds it.
    #[error("cannot open {}: another program is using it", port.clean())]
    PortBusy {
        /// As given.
        port: Foreign,
    },
    /// Another program holds it, or the system does not let us: it says the same of both.
    #[error("cannot open {}: another program is using it, or this user may not open it", port.clean())]
    PortDenied {
        /// As given.
        port: Foreign,
    },
    /// The system does not let us.
    #[error("cannot open {}: this user may not open it", port.clean())]
    PortForbidden {
        /// As given.
        port: Foreign,
        /// Group that may, and that we are not in.
        group: Option<String>,
    },
    /// A file, a folder or another device.
    #[error("cannot open {}: it is not a serial port", port.clean())]
    NotSerial {
        /// As given.
        port: Foreign,
    },
    /// The driver refuses.
    #[error("cannot open {}: the driver refuses: {why}", port.clean())]
    PortUnusable {
        /// As given.
        port: Foreign,
        /// As the system says it.
        why: String,
    },
    /// The name has no address.
    #[error("cannot reach {}: the name was not found: {why}", host.clean())]
    HostNotFound {
        /// As given.
        host: Foreign,
        /// As the system says it.
        why: String,
    },
    /// The host is there and nothing listens on that port.
    #[error(
        "cannot reach {}: the host refuses the connection, nothing listens on this TCP port", address.clean()
    )]
    ConnectRefused {
        /// Host and port.
        address: Foreign,
    },
    /// Packets disappear.
    #[error("cannot reach {}: no answer to the connection within {waited:?}", address.clean())]
    ConnectTimeOut {
        /// Host and port.
        address: Foreign,
        /// How long we waited.
        waited: Duration,
    },
    /// No way there.
    #[error("cannot reach {}: no way there from this computer: {why}", address.clean())]
    Unreachable {
        /// Host and port.
        address: Foreign,
        /// As the system says it.
        why: String,
    },
    /// Any other refusal of the network.
    #[error("cannot reach {}: {why}", address.clean())]
    ConnectFailed {
        /// Host and port.
        address: Foreign,
        /// As the system says it.
        why: String,
    },
    /// The system gives no thread.
    #[error("cannot start the thread of the port: {why}")]
    NoThread {
        /// As the system says it.
        why: String,
    },
    /// The user stopped it.
    #[error("stopped before the link was open")]
    Interrupted,
}

impl OpenError {
    /// Whose business it is.
    pub fn blame(&self) -> Blame {
        match self {
            Self::PortMissing { .. }
            | Self::PortBusy { .. }
            | Self::PortDenied { .. }
            | Self::PortForbidden { .. }
            | Self::PortUnusable { .. }
            | Self::NoThread { .. } => Blame::ThisComputer,
            Self::HostNotFound { .. }
            | Self::ConnectRefused { .. }
            | Self::ConnectTimeOut { .. }
            | Self::Unreachable { .. }
            | Self::ConnectFailed { .. } => Blame::Path,
            Self::NotSerial { .. } => Blame::Usage,
            Self::Interrupted => Blame::Stopped,
        }
    }

    /// The one thing to do, where the cause tells it.
    pub fn hint(&self) -> Option<String> {
        match self {
            Self::PortMissing { port, there } => match near(port.as_given(), there) {
                Some(name) => Some(format!("did you mean {name}?")),
                None if there.is_empty() => Some("plug in the adapter, then try again".into()),
                None => None,
            },
            Self::PortBusy { .. } => Some("close the other program that has this port open".into()),
            Self::PortDenied { .. } => {
                Some("close any other program that may have this port open, then try again".into())
            }
            Self::PortForbidden {
                group: Some(group), ..
            } => Some(format!(
                "join the group {group} (sudo usermod -aG {group} $USER), then log out and in"
            )),
            Self::NotSerial { .. } => {
                Some("give the name of a serial port, for example /dev/ttyUSB0 or COM3".into())
            }
            Self::ConnectRefused { .. } => Some(
                "check the TCP port in the gateway's settings (Modbus TCP usually has 502)".into(),
            ),
            Self::ConnectTimeOut { .. } => Some(
                "check that the VPN or tunnel is up and that no firewall swallows the packets"
                    .into(),
            ),
            Self::HostNotFound { .. } => {
                Some("check the spelling, or give the address in numbers".into())
            }
            _ => None,
        }
    }
}

/// The ports that are there, in words.
fn there_is(ports: &[SerialPortName]) -> String {
    if ports.is_empty() {
        return "this computer has no serial port".into();
    }
    let name = |port: &SerialPortName| match &port.adapter {
        Some(adapter) => format!("{} ({adapter})", port.name),
        None => port.name.clone(),
    };
    let names: Vec<String> = ports.iter().map(name).collect();
    format!("there is {}", names.join(", "))
}

/// The one port that may have been meant: at most two letters off, and no other as near.
fn near(port: &str, there: &[SerialPortName]) -> Option<String> {
    let short = |name: &str| name.rsplit('/').next().unwrap_or(name).to_lowercase();
    let distance = |name: &SerialPortName| letters_off(&short(port), &short(&name.name));
    let best = there.iter().min_by_key(|name| distance(name))?;
    let as_near = there
        .iter()
        .filter(|name| distance(name) == distance(best))
        .count();
    (distance(best) <= 2 && as_near == 1).then(|| best.name.clone())
}

/// Letters to change, add or drop to get from one word to the other.
fn letters_off(a: &str, b: &str) -> usize {
    let mut row: Vec<usize> = (0..=b.chars().count()).collect();
    for (i, from) in a.chars().enumerate() {
        let mut next = vec![i + 1];
        for ((to, above), diagonal) in b.chars().zip(row.iter().skip(1)).zip(&row) {
            let left = next.last().copied().unwrap_or_default();
            next.push(
                (left + 1)
                    .min(above + 1)
                    .min(diagonal + usize::from(from != to)),
            );
        }
        row = next;
    }
    row.last().copied().unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ports(names: &[&str]) -> Vec<SerialPortName> {
        let port = |name: &&str| SerialPortName {
            name: (*name).to_owned(),
            adapter: name.contains("USB").then(|| "USB-RS485".to_owned()),
        };
        names.iter().map(port).collect()
    }

    fn check(error: OpenError, expected: &str) {
        let hint = error
            .hint()
            .map_or(String::new(), |hint| format!("\nhint: {hint}"));
        assert_eq!(format!("{error}{hint}"), expected);
    }

    // Kind: invented
    #[test]
    fn err_port_missing_lists_what_is_there_and_the_near_match() {
        let there = ports(&["/dev/ttyS0", "/dev/ttyUSB0"]);
        check(
            OpenError::PortMissing {
                port: "/dev/ttyUSB1".into(),
                there: there.clone(),
            },
            "cannot open /dev/ttyUSB1: there is no such port; there is /dev/ttyS0, /dev/ttyUSB0 (USB-RS485)\n\
             hint: did you mean /dev/ttyUSB0?",
        );
        check(
            OpenError::PortMissing {
                port: "/dev/modem".into(),
                there,
            },
            "cannot open /dev/modem: there is no such port; there is /dev/ttyS0, /dev/ttyUSB0 (USB-RS485)",
        );
        check(
            OpenError::PortMissing {
                port: "COM3".into(),
                there: Vec::new(),
            },
            "cannot open COM3: there is no such port; this computer has no serial port\n\
             hint: plug in the adapter, then try again",
        );
    }

    // Kind: invented
    #[test]
    fn err_port_missing_between_two_equally_near_names_guesses_none() {
        let there = ports(&["/dev/ttyUSB0", "/dev/ttyUSB2"]);
        assert_eq!(
            OpenError::PortMissing {
                port: "/dev/ttyUSB1".into(),
                there
            }
            .hint(),
            None
        );
    }

    // Kind: invented
    #[test]
    fn err_port_forbidden_hints_at_the_group_only_if_that_is_the_cause() {
        check(
            OpenError::PortForbidden {
                port: "/dev/ttyUSB0".into(),
                group: Some("dialout".into()),
            },
            "cannot open /dev/ttyUSB0: this user may not open it\n\
             hint: join the group dialout (sudo usermod -aG dialout $USER), then log out and in",
        );
        check(
            OpenError::PortForbidden {
                port: "/dev/ttyUSB0".into(),
                group: None,
            },
            "cannot open /dev/ttyUSB0: this user may not open it",
        );
    }

    // Kind: derived
    // Note: the textbook distance of these two words is 3: two letters changed, one added
    #[test]
    fn letters_off_counts_changes_additions_and_drops() {
        assert_eq!(letters_off("kitten", "sitting"), 3);
        assert_eq!(letters_off("", "abc"), 3);
        assert_eq!(letters_off("ttyUSB0", "ttyUSB0"), 0);
    }
}
