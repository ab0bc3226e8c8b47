//! The other side of a real link in tests: hears requests, sends what a test tells it to.

use std::thread::JoinHandle;
use std::time::Duration;

use packside::event::Consent;
use packside::link::{Asking, Grounds, Interrupt, OpenOptions, Quiet, Target, Wake, open};
use packside::wire::Framing;
use packside_profiles::Known;
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt};
use tokio_serial::{SerialPort, SerialStream};

/// A kind of real link.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Way {
    Pty,
    RtuOverTcp,
    ModbusTcp,
}

pub(crate) const WAYS: [Way; 3] = [Way::Pty, Way::RtuOverTcp, Way::ModbusTcp];

impl Way {
    pub(crate) fn framing(self) -> Framing {
        match self {
            Self::Pty | Self::RtuOverTcp => Framing::Rtu,
            Self::ModbusTcp => Framing::Tcp,
        }
    }
}

/// What the other side does with each request: the chunks that it sends.
pub(crate) type Answer = Box<dyn FnMut(&[u8]) -> Vec<Vec<u8>> + Send>;

/// The other side, on a thread of its own until the link is closed.
pub(crate) struct Peer {
    pub(crate) target: Target,
    requests: JoinHandle<Vec<Vec<u8>>>,
    /// Keeps a pseudo terminal alive until the tool has opened it.
    slave: Option<SerialStream>,
}

impl Peer {
    /// Waits for a link of this kind.
    pub(crate) fn start(way: Way, answer: Answer) -> Self {
        let runtime = super::link_open::runtime();
        let handle = runtime.handle().clone();
        let _inside = handle.enter();
        let framing = way.framing();
        let (target, slave, requests) = if way == Way::Pty {
            let (master, slave) = SerialStream::pair().unwrap();
            let port = slave.name().unwrap();
            let target = Target::Serial {
                port: port.into(),
                line: "115200-8N1".parse().unwrap(),
            };
            (
                target,
                Some(slave),
                serve(runtime, framing, answer, async move { master }),
            )
        } else {
            let listener = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
            listener.set_nonblocking(true).unwrap();
            let target =
                Target::gateway(&listener.local_addr().unwrap().to_string(), framing).unwrap();
            let listener = tokio::net::TcpListener::from_std(listener).unwrap();
            let accept = async move {
                let (stream, _) = listener.accept().await.unwrap();
                stream.set_nodelay(true).unwrap();
                stream
            };
            (target, None, serve(runtime, framing, answer, accept))
        };
        Self {
            target,
            requests,
            slave,
        }
    }

    /// Opens the tool's side.
    pub(crate) fn open(&mut self) -> Quiet {
        let options = OpenOptions {
            interrupt: Interrupt::default(),
            ..OpenOptions::default()
        };
        let quiet = open(&self.target, options, Box::new(|_| {})).unwrap();
        self.slave = None;
        quiet
    }

    /// Opens the tool's side and begins to ask by the user's word.
    pub(crate) fn ask(&mut self, functions: &[u8]) -> Asking {
        begin(self.open(), functions)
    }

    /// All requests heard, once the tool's side is closed.
    pub(crate) fn finish(self) -> Vec<Vec<u8>> {
        drop(self.slave);
        self.requests.join().unwrap()
    }
}

/// Begins to ask beside others by the user's word, as fast as the link allows.
pub(crate) fn begin(quiet: Quiet, functions: &[u8]) -> Asking {
    let wake = Wake::of(None, &Known::default(), &[]);
    let proof = quiet.prove(&wake, Duration::ZERO, Consent::BOTH).unwrap();
    let grounds = proof.grounds();
    assert!(matches!(
        grounds,
        Grounds::BesideOthers | Grounds::CannotOverhear
    ));
    let Ok(mut asking) = quiet.ask(proof, functions) else {
        panic!("not asking by the user's word")
    };
    asking.pace(packside::link::Pacing::FULL);
    asking
}

/// Serves on a thread. Ends when the tool closes the link, with all requests that were heard.
fn serve<S, F>(
    runtime: tokio::runtime::Runtime,
    framing: Framing,
    mut answer: Answer,
    connect: F,
) -> JoinHandle<Vec<Vec<u8>>>
where
    S: AsyncRead + AsyncWrite + Unpin,
    F: Future<Output = S> + Send + 'static,
{
    std::thread::spawn(move || {
        runtime.block_on(async {
            let mut stream = connect.await;
            let mut requests = Vec::new();
            let mut pending = Vec::new();
            loop {
                // Closing a pseudo terminal is an error for its other side, closing a socket 0 bytes.
                match stream.read_buf(&mut pending).await {
                    Ok(0) | Err(_) => return requests,
                    Ok(_) => {}
                }
                while let Some(length) = request_length(framing, &pending) {
                    let request: Vec<u8> = pending.drain(..length).collect();
                    for chunk in answer(&request) {
                        stream.write_all(&chunk).await.ok();
                        tokio::task::yield_now().await;
                    }
                    requests.push(request);
                }
            }
        })
    })
}

/// Length of the request at the start, once it is there as a whole.
fn request_length(framing: Framing, bytes: &[u8]) -> Option<usize> {
    let length = match (framing, bytes) {
        (Framing::Tcp, [_, _, _, _, high, low, ..]) => {
            6 + usize::from(u16::from_be_bytes([*high, *low]))
        }
        (Framing::Rtu, [_, 0x11, ..]) => 4,
        (Framing::Rtu, [_, 0x2b, ..]) => 7,
        (Framing::Rtu, [_, _, ..]) => 8,
        _ => return None,
    };
    (bytes.len() >= length).then_some(length)
}
