//! Serves a [`World`] in real time, over a pseudo-terminal or over TCP.
//!
//! One thread owns the world and is the only one that steps it; a reader thread per client hands
//! over what comes in. Answers go out at their computed times, counted from one origin, so that
//! lateness of this computer never adds up.
//!
//! Does not: decide what is answered. Everything that it serves is simulated.

use std::collections::BTreeMap;
use std::io::{self, Read, Write};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{self, Receiver, RecvTimeoutError, Sender};
use std::sync::{Arc, Mutex};
use std::thread;
use std::time::{Duration, Instant};

use crate::World;

/// Longest nap, so that a wish to stop is seen.
const NAP: Duration = Duration::from_millis(100);
/// Most connections at once.
const CONNECTIONS: u32 = 8;

/// What reader threads hand over.
enum Input {
    New(u32, Box<dyn Write + Send>),
    Bytes(u32, Vec<u8>),
    Gone(u32),
}

/// A served world: how it is doing, and how to end it.
#[derive(Debug, Clone)]
pub struct Served {
    stop: Arc<AtomicBool>,
    line: Arc<Mutex<String>>,
}

impl Served {
    /// Ends the serving within a tenth of a second.
    pub fn stop(&self) {
        self.stop.store(true, Ordering::Relaxed);
    }

    /// One line about what the unit does now.
    pub fn state_line(&self) -> String {
        self.line
            .lock()
            .map(|line| line.clone())
            .unwrap_or_default()
    }
}

impl Drop for Stopper {
    fn drop(&mut self) {
        self.0.stop();
    }
}

/// Ends a served world when it goes out of scope; for tests and benchmarks.
#[derive(Debug)]
pub struct Stopper(pub Served);

/// Serves over TCP. Gives the address, with the port that the system chose where it was 0.
///
/// # Errors
/// Where the address cannot be listened on.
pub fn tcp(world: World, start_at: Duration, address: &str) -> io::Result<(SocketAddr, Served)> {
    let listener = TcpListener::bind(address)?;
    let address = listener.local_addr()?;
    let (sender, receiver) = mpsc::channel();
    let served = run(world, start_at, receiver);
    thread::Builder::new()
        .name("simulated-gateway".into())
        .spawn(move || {
            for (client, stream) in (0..).zip(listener.incoming()) {
                let Ok(stream) = stream else { continue };
                if accept(client, stream, &sender).is_err() {
                    break;
                }
            }
        })?;
    Ok((address, served))
}

fn accept(client: u32, stream: TcpStream, sender: &Sender<Input>) -> io::Result<()> {
    let _ = stream.set_nodelay(true);
    let gone = |_| io::Error::from(io::ErrorKind::BrokenPipe);
    let writer = stream.try_clone()?;
    writer.set_write_timeout(Some(Duration::from_secs(2)))?;
    sender
        .send(Input::New(client, Box::new(writer)))
        .map_err(gone)?;
    reader(client, stream, sender.clone())
}

/// A thread that hands over everything one client sends.
fn reader(
    client: u32,
    mut source: impl Read + Send + 'static,
    sender: Sender<Input>,
) -> io::Result<()> {
    let read = move || {
        let mut buffer = [0; 1024];
        loop {
            let input = match source.read(&mut buffer) {
                Ok(count) if count > 0 => {
                    Input::Bytes(client, buffer.get(..count).unwrap_or_default().to_vec())
                }
                Err(error) if error.kind() == io::ErrorKind::Interrupted => continue,
                _ => Input::Gone(client),
            };
            let ended = matches!(input, Input::Gone(_));
            if sender.send(input).is_err() || ended {
                return;
            }
        }
    };
    thread::Builder::new()
        .name("simulated-reader".into())
        .spawn(read)
        .map(drop)
}

/// Serves on a new pseudo-terminal and gives the path of its other end.
///
/// # Errors
/// Where the system gives no pseudo-terminal.
#[cfg(unix)]
pub fn pty(world: World, start_at: Duration) -> io::Result<(std::path::PathBuf, Served)> {
    let (master, path, keep) = crate::unix::open_pty()?;
    let (sender, receiver) = mpsc::channel();
    let served = run(world, start_at, receiver);
    let gone = |_| io::Error::from(io::ErrorKind::BrokenPipe);
    sender
        .send(Input::New(0, Box::new(master.try_clone()?)))
        .map_err(gone)?;
    let source = Held {
        master,
        _keep: keep,
    };
    reader(0, source, sender)?;
    Ok((path, served))
}

/// The master together with an open other end: without one, reading fails.
#[cfg(unix)]
struct Held {
    master: std::fs::File,
    _keep: std::fs::File,
}

#[cfg(unix)]
impl Read for Held {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        self.master.read(buffer)
    }
}

/// Steps the world in real time on a thread of its own.
///
/// The time before `start_at` is lived through first, so that serving begins with a unit that is there.
fn run(mut world: World, start_at: Duration, receiver: Receiver<Input>) -> Served {
    drop(world.advance_all(start_at));
    let served = Served {
        stop: Arc::default(),
        line: Arc::default(),
    };
    let shared = served.clone();
    thread::spawn(move || {
        Loop {
            world,
            clients: BTreeMap::new(),
            shared,
        }
        .run(start_at, &receiver)
    });
    served
}

struct Loop {
    world: World,
    clients: BTreeMap<u32, Box<dyn Write + Send>>,
    shared: Served,
}

impl Loop {
    fn run(mut self, start_at: Duration, receiver: &Receiver<Input>) {
        let origin = now();
        while !self.shared.stop.load(Ordering::Relaxed) {
            let at = start_at + origin.elapsed();
            self.deliver(at);
            let until_wake = self
                .world
                .next_wake()
                .map_or(NAP, |wake| wake.saturating_sub(at));
            match receiver.recv_timeout(until_wake.min(NAP)) {
                Ok(input) => self.take(input, start_at + origin.elapsed()),
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => return,
            }
            if let Ok(mut line) = self.shared.line.lock() {
                *line = self.world.state_line();
            }
        }
    }

    fn take(&mut self, input: Input, at: Duration) {
        match input {
            Input::New(client, _) if self.clients.len() >= CONNECTIONS as usize => {
                self.world.drop_client(client);
            }
            Input::New(client, writer) => {
                self.clients.insert(client, writer);
            }
            Input::Bytes(client, bytes) => {
                self.deliver(at);
                self.world.send_from(client, at, &bytes);
            }
            Input::Gone(client) => {
                self.clients.remove(&client);
                self.world.drop_client(client);
            }
        }
    }

    /// Lets the world go on and hands out what has arrived.
    fn deliver(&mut self, at: Duration) {
        for arrival in self.world.advance_all(at) {
            let mut gone = Vec::new();
            for (client, writer) in &mut self.clients {
                let theirs = arrival.client.is_none_or(|named| named == *client);
                if theirs
                    && writer
                        .write_all(&arrival.bytes)
                        .and_then(|()| writer.flush())
                        .is_err()
                {
                    gone.push(*client);
                }
            }
            for client in gone {
                self.clients.remove(&client);
                self.world.drop_client(client);
            }
        }
    }
}

#[expect(
    clippy::disallowed_methods,
    reason = "serving happens in real time; nothing else here reads a clock"
)]
fn now() -> Instant {
    Instant::now()
}
