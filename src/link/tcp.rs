//! A gateway over TCP: name, connection, and nothing held back.

use std::io::ErrorKind;
use std::time::Duration;

use packside_profiles::Foreign;
use packside_profiles::LineSettings;
use tokio::net::{TcpStream, lookup_host};
use tokio::time::timeout;

use super::PortGone;
use super::trouble::OpenError;
use super::worker::Opener;

/// Longest time for the name and for the connection, each.
pub const CONNECT_TIME_OUT: Duration = Duration::from_secs(5);

/// Connects to a gateway.
#[derive(Debug, Clone)]
pub(crate) struct TcpOpener {
    /// Name or address.
    pub(crate) host: Foreign,
    /// TCP port.
    pub(crate) port: u16,
}

impl Opener for TcpOpener {
    type Stream = TcpStream;

    async fn open(self) -> Result<(TcpStream, bool), OpenError> {
        let not_found = |why: String| OpenError::HostNotFound {
            host: self.host.clone(),
            why,
        };
        let found = timeout(
            CONNECT_TIME_OUT,
            lookup_host((self.host.as_given(), self.port)),
        )
        .await;
        let addresses = found
            .map_err(|_| not_found(format!("no answer within {CONNECT_TIME_OUT:?}")))?
            .map_err(|error| not_found(error.to_string()))?;
        let mut last = not_found("the name has no address".into());
        for address in addresses {
            match timeout(CONNECT_TIME_OUT, TcpStream::connect(address)).await {
                Ok(Ok(stream)) => {
                    // A refused option costs milliseconds, not answers.
                    stream.set_nodelay(true).ok();
                    return Ok((stream, false));
                }
                Ok(Err(error)) => last = self.refused(&error),
                Err(_) => {
                    last = OpenError::ConnectTimeOut {
                        address: self.address(),
                        waited: CONNECT_TIME_OUT,
                    }
                }
            }
        }
        Err(last)
    }

    fn set_line(&self, _: &mut TcpStream, line: LineSettings) -> Result<(), PortGone> {
        Err(PortGone::Broken {
            why: format!("a connection has no line settings, {line} was wanted"),
        })
    }

    fn at_line(self, _: LineSettings) -> Self {
        self
    }

    fn zero_bytes(&self) -> PortGone {
        PortGone::Closed
    }

    fn broken(&self, error: &std::io::Error) -> PortGone {
        match error.kind() {
            ErrorKind::UnexpectedEof | ErrorKind::BrokenPipe => PortGone::Closed,
            _ => PortGone::Broken {
                why: error.to_string(),
            },
        }
    }
}

impl TcpOpener {
    /// As people write it.
    pub(crate) fn address(&self) -> Foreign {
        let (host, port) = (self.host.as_given(), self.port);
        if host.contains(':') {
            return format!("[{host}]:{port}").into();
        }
        format!("{host}:{port}").into()
    }

    fn refused(&self, error: &std::io::Error) -> OpenError {
        let address = self.address();
        match error.kind() {
            ErrorKind::ConnectionRefused => OpenError::ConnectRefused { address },
            ErrorKind::TimedOut => OpenError::ConnectTimeOut {
                address,
                waited: CONNECT_TIME_OUT,
            },
            ErrorKind::HostUnreachable | ErrorKind::NetworkUnreachable => OpenError::Unreachable {
                address,
                why: error.to_string(),
            },
            _ => OpenError::ConnectFailed {
                address,
                why: error.to_string(),
            },
        }
    }
}
