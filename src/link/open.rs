//! Opens a link, and leaves it quiet.

use std::path::Path;

use packside_profiles::{Foreign, LineSettings};

use super::awaited::AwaitedPort;
use super::clock::Clock;
use super::on_thread::OwnThreadPort;
use super::serial::SerialOpener;
use super::tcp::TcpOpener;
use super::worker::ThreadPort;
use super::{Interrupt, Notice, OpenError, Port, Quiet, Say};
use crate::event::{Consent, LinkFacts, LinkKind, Plugged};
use crate::wire::Framing;

/// TCP port of Modbus TCP where none is given.
///
/// # Sources
/// - Modbus Messaging on TCP/IP Implementation Guide V1.0b, 4.2.1: port 502
pub const MODBUS_TCP_PORT: u16 = 502;

/// Where a real unit is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Target {
    /// A serial adapter.
    Serial {
        /// Name or path of the port.
        port: Foreign,
        /// Its settings.
        line: LineSettings,
    },
    /// A TCP gateway.
    Gateway {
        /// Name or address.
        host: Foreign,
        /// TCP port.
        port: u16,
        /// How frames are put into bytes there.
        framing: Framing,
    },
}

impl Target {
    /// A gateway from `HOST[:PORT]`, with an IPv6 address in brackets where a port follows.
    ///
    /// # Errors
    /// What was expected, where this cannot be one.
    pub fn gateway(text: &str, framing: Framing) -> Result<Self, String> {
        if text.is_empty() || text.contains(['/', ' ']) {
            return Err("expected HOST or HOST:PORT, for example 192.0.2.7:502".to_owned());
        }
        let (host, port) = match text.strip_prefix('[').and_then(|rest| rest.split_once(']')) {
            Some((host, rest)) => (host, rest.strip_prefix(':')),
            None if text.matches(':').count() == 1 => text
                .split_once(':')
                .map_or((text, None), |(host, port)| (host, Some(port))),
            None => (text, None),
        };
        let port = match port.map(str::parse) {
            None => MODBUS_TCP_PORT,
            Some(Ok(port)) if port > 0 && !host.is_empty() => port,
            Some(_) => {
                return Err("expected a TCP port from 1 to 65535 behind the colon".to_owned());
            }
        };
        Ok(Self::Gateway {
            host: host.into(),
            port,
            framing,
        })
    }
}

/// What else is known when a link is opened.
#[derive(Debug, Clone, Default)]
pub struct OpenOptions {
    /// Where the laptop is plugged in, if said.
    pub plugged: Option<Plugged>,
    /// What the user said about asking.
    pub consent: Consent,
    /// Raised when the user wants to stop.
    pub interrupt: Interrupt,
    /// The clock of a session that began before; else it begins now.
    pub clock: Option<Clock>,
}

/// Opens a real link; it only listens until asking is shown to be right.
///
/// # Errors
/// [`OpenError`] with the true cause.
pub fn open(target: &Target, options: OpenOptions, mut say: Say) -> Result<Quiet, OpenError> {
    let clock = options.clock.unwrap_or_else(Clock::start);
    let facts = target.facts(&options);
    say(&target.opening());
    let interrupt = options.interrupt;
    let port: Box<dyn Port> = match target {
        Target::Serial { port, line } => {
            let eased = super::latency::ease(Path::new("/"), port.as_given(), *line, &mut say);
            let opener = SerialOpener {
                port: port.clone(),
                line: *line,
                eased,
            };
            Box::new(ThreadPort::open(opener, facts, interrupt, clock)?)
        }
        Target::Gateway {
            host,
            port,
            framing,
        } => {
            let opener = TcpOpener {
                host: host.clone(),
                port: *port,
            };
            // Over Modbus TCP nothing comes unasked that would have to be stamped meanwhile.
            if *framing == Framing::Tcp && OwnThreadPort::can_be() {
                Box::new(OwnThreadPort::open(opener, facts, interrupt, clock)?)
            } else {
                Box::new(ThreadPort::open(opener, facts, interrupt, clock)?)
            }
        }
    };
    Ok(Quiet::over(port, say))
}

/// The same, without a thread for a gateway: its link must be awaited.
///
/// # Errors
/// [`OpenError`] with the true cause.
pub(super) async fn open_async(
    target: &Target,
    options: OpenOptions,
    mut say: Say,
) -> Result<Quiet, OpenError> {
    let Target::Gateway { host, port, .. } = target else {
        return open(target, options, say);
    };
    let clock = options.clock.unwrap_or_else(Clock::start);
    let facts = target.facts(&options);
    say(&target.opening());
    let opener = TcpOpener {
        host: host.clone(),
        port: *port,
    };
    let port = AwaitedPort::open(opener, facts, options.interrupt, clock).await?;
    Ok(Quiet::over(Box::new(port), say))
}

impl Target {
    /// What is told before it is opened.
    fn opening(&self) -> Notice {
        match self {
            Self::Serial { port, line } => Notice::OpeningPort {
                port: port.clone(),
                line: *line,
            },
            Self::Gateway { .. } => Notice::Connecting {
                address: self.place(),
            },
        }
    }

    /// Name of the port, or host and port.
    fn place(&self) -> Foreign {
        match self {
            Self::Serial { port, .. } => port.clone(),
            Self::Gateway { host, port, .. } => TcpOpener {
                host: host.clone(),
                port: *port,
            }
            .address(),
        }
    }

    fn facts(&self, options: &OpenOptions) -> LinkFacts {
        let (kind, framing) = match self {
            Self::Serial { port, line } => {
                let (port, line) = (port.clone(), *line);
                (LinkKind::Serial { port, line }, Framing::Rtu)
            }
            Self::Gateway { framing, .. } => {
                let address = self.place();
                (LinkKind::Gateway { address }, *framing)
            }
        };
        LinkFacts {
            kind,
            framing,
            plugged: options.plugged,
            consent: options.consent,
        }
    }
}
