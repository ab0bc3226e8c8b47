//! Connections over TCP: lets clients in, reads what they send, writes what reaches them.
//!
//! Input: an address. Output: messages to the world's thread, and [`Doors`] to write through.
//! Does not: know what the bytes mean.
//!
//! # Invariants
//! - At most [`GUESTS`] connections at a time; a further one is closed at once.
//! - A client that does not read loses its connection, so that nobody else waits for it.

use std::collections::BTreeMap;
use std::io::{ErrorKind, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::thread;
use std::time::Duration;

use super::{Inlet, Message, PATIENCE, PIECE};

/// Most connections at a time.
const GUESTS: usize = 32;

/// Longest wait for a client that does not read.
const WRITE_PATIENCE: Duration = Duration::from_millis(20);

/// The writing sides of all connections.
pub(super) struct Doors {
    streams: BTreeMap<u32, TcpStream>,
    listener: TcpListener,
}

impl Doors {
    pub(super) fn let_in(&mut self, client: u32, stream: TcpStream) {
        self.streams.insert(client, stream);
    }

    pub(super) fn let_out(&mut self, client: u32) {
        if let Some(stream) = self.streams.remove(&client) {
            // Its reader ends by this, if it has not ended yet.
            let _ = stream.shutdown(std::net::Shutdown::Both);
        }
    }

    /// Writes to one client or to all. Gives those that cannot be written to.
    pub(super) fn write(&mut self, client: Option<u32>, bytes: &[u8]) -> Vec<u32> {
        let meant = self
            .streams
            .iter_mut()
            .filter(|(id, _)| client.is_none_or(|one| one == **id));
        meant
            .filter_map(|(id, stream)| stream.write_all(bytes).is_err().then_some(*id))
            .collect()
    }
}

impl Drop for Doors {
    fn drop(&mut self) {
        // The thread that lets clients in waits for one: it is let go by one from here.
        if let Ok(address) = self.listener.local_addr() {
            let _ = TcpStream::connect_timeout(&address, PATIENCE);
        }
    }
}

/// Listens at an address. Gives the doors and the address with its real port.
pub(super) fn open(address: &str, inlet: &Inlet) -> Result<(Doors, String), String> {
    let listener = TcpListener::bind(address).map_err(|error| error.to_string())?;
    let reach = listener.local_addr().map_err(|error| error.to_string())?;
    let entrance = listener.try_clone().map_err(|error| error.to_string())?;
    let inlet = inlet.clone();
    thread::spawn(move || let_clients_in(&entrance, &inlet));
    let doors = Doors {
        streams: BTreeMap::new(),
        listener,
    };
    Ok((doors, reach.to_string()))
}

fn let_clients_in(entrance: &TcpListener, inlet: &Inlet) {
    let guests = Arc::new(AtomicUsize::new(0));
    let mut client = 0u32;
    for stream in entrance.incoming() {
        if inlet.has_ended() {
            return;
        }
        let Ok(stream) = stream else {
            // Usually too many open files; trying again at once would only burn the processor.
            pause();
            continue;
        };
        if guests.load(Ordering::Relaxed) >= GUESTS {
            continue;
        }
        client = client.wrapping_add(1);
        let Ok(writing) = prepare(&stream) else {
            continue;
        };
        let joined = Message::Joined {
            client,
            stream: writing,
        };
        if inlet.inbox.send(joined).is_err() {
            return;
        }
        guests.fetch_add(1, Ordering::Relaxed);
        let (inlet, guests) = (inlet.clone(), Arc::clone(&guests));
        thread::spawn(move || {
            read_all(stream, client, &inlet);
            guests.fetch_sub(1, Ordering::Relaxed);
            let _ = inlet.inbox.send(Message::Left { client });
        });
    }
}

#[expect(
    clippy::disallowed_methods,
    reason = "a real driver waits; nothing is timed by this"
)]
fn pause() {
    thread::sleep(Duration::from_millis(20));
}

fn prepare(stream: &TcpStream) -> std::io::Result<TcpStream> {
    stream.set_nodelay(true)?;
    stream.set_read_timeout(Some(PATIENCE))?;
    stream.set_write_timeout(Some(WRITE_PATIENCE))?;
    stream.try_clone()
}

fn read_all(mut stream: TcpStream, client: u32, inlet: &Inlet) {
    let mut buffer = [0; PIECE];
    while !inlet.has_ended() {
        match stream.read(&mut buffer) {
            Ok(0) => return,
            Ok(count) => {
                let bytes = buffer.get(..count).unwrap_or_default();
                if !inlet.bytes(client, bytes) {
                    return;
                }
            }
            Err(error) if is_patience(error.kind()) => {}
            Err(_) => return,
        }
    }
}

/// Whether nothing came for a while, and nothing else is wrong.
fn is_patience(kind: ErrorKind) -> bool {
    matches!(
        kind,
        ErrorKind::WouldBlock | ErrorKind::TimedOut | ErrorKind::Interrupted
    )
}
