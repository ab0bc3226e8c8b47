//! Serves a world in real time: over a pseudo-terminal, Modbus TCP, or RTU bytes over TCP.
//!
//! Input: a scenario, a profile, a [`Place`]. Output: a [`Server`] that answers whoever asks there.
//! Does not: know registers or frames; all of that is the [`World`]'s, which this room only moves.
//!
//! # Invariants
//! - One thread owns the world. Readers hand it bytes through a bounded channel, so a client that
//!   floods waits, and memory stays bounded.
//! - Answers leave at absolute moments of the scenario: the error of one wait is never added to
//!   the next.
//! - No client's bytes, speed or leaving ends the server.
//!
//! # Why waiting for messages, and not sleeping
//! A wait for the next message with a time-out is as exact as a sleep (about 0.1 ms here), and a
//! request that comes meanwhile is not missed.

mod clock;
#[cfg_attr(not(unix), path = "no_pty.rs")]
mod pty;
mod tcp;
#[cfg(target_os = "linux")]
mod watch;

use std::net::TcpStream;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, sync_channel};
use std::time::Duration;

use packside_profiles::LineSettings;
use packside_profiles::model::Profile;

use crate::gateway::News;
use crate::scenario::Scenario;
use crate::site::{Site, Way};
use crate::world::World;
use clock::Clock;

/// Most messages that wait for the world; readers wait beyond that.
const WAITING: usize = 256;

/// Most bytes that a reader takes at a time.
const PIECE: usize = 1024;

/// How often the caller of [`Server::run`] may look at the world.
const LOOK: Duration = Duration::from_millis(100);

/// How long a reader sleeps at most before it looks whether the server has ended.
const PATIENCE: Duration = Duration::from_millis(200);

/// Where to serve.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Place {
    /// A pseudo-terminal: as a serial adapter, one client at a time.
    Pty,
    /// Modbus TCP at this address; port 0 takes a free one.
    Tcp(String),
    /// RTU bytes over TCP at this address; port 0 takes a free one.
    RtuOverTcp(String),
}

impl Place {
    /// The way to the units from there.
    pub fn way(&self) -> Way {
        match self {
            Self::Pty => Way::Serial,
            Self::Tcp(_) => Way::Tcp,
            Self::RtuOverTcp(_) => Way::RtuOverTcp,
        }
    }
}

/// How to serve.
#[derive(Debug, Clone, PartialEq)]
pub struct Options {
    /// Seed of all chance.
    pub seed: u64,
    /// Time since power-up at which serving begins; what was before is simulated at once.
    pub start_at: Duration,
    /// Scenario seconds in one real second, the line's as well. At any other than 1 the units carry
    /// no mark of their map: nobody can take what they say for evidence.
    pub speed: f64,
    /// Other line settings than those of the profile.
    pub line: Option<LineSettings>,
    /// Another answer time than that of scenario and profile.
    pub answer_time: Option<Duration>,
}

impl Options {
    /// Serves a scenario from power-up on, as it stands.
    pub fn of(scenario: &Scenario) -> Self {
        Self {
            seed: scenario.seed,
            start_at: Duration::ZERO,
            speed: 1.0,
            line: None,
            answer_time: None,
        }
    }
}

/// Why there is no server, or no longer.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum ServeError {
    /// No pseudo-terminal to be had.
    #[error("pseudo-terminal: cannot be opened: {why}")]
    Pty {
        /// As the system says it.
        why: String,
    },
    /// Nobody can be let in at this address.
    #[error("{address}: cannot be listened on: {why}")]
    Listen {
        /// As given.
        address: String,
        /// As the system says it.
        why: String,
    },
    /// The terminal or the socket is gone.
    #[error("the line is gone: {why}")]
    Gone {
        /// As the system says it.
        why: String,
    },
    /// A speed at which no time passes.
    #[error("speed: expected 0.01 to 1000, found {found}")]
    Speed {
        /// As given, in text.
        found: String,
    },
}

/// What readers tell the world's thread.
#[derive(Debug)]
enum Message {
    /// A client sent bytes; the moment they were read.
    Bytes {
        client: u32,
        at: Duration,
        bytes: Vec<u8>,
    },
    /// A connection was made.
    Joined { client: u32, stream: TcpStream },
    /// A connection ended.
    Left { client: u32 },
    /// Nothing can come any more.
    #[cfg_attr(not(unix), expect(dead_code, reason = "only a terminal goes"))]
    Gone { why: String },
}

/// What every reader needs.
#[derive(Debug, Clone)]
struct Inlet {
    clock: Clock,
    inbox: SyncSender<Message>,
    ended: Arc<AtomicBool>,
}

impl Inlet {
    /// Hands over bytes; false once nobody takes them.
    fn bytes(&self, client: u32, bytes: &[u8]) -> bool {
        let at = self.clock.now();
        let bytes = bytes.to_vec();
        self.inbox
            .send(Message::Bytes { client, at, bytes })
            .is_ok()
    }

    fn has_ended(&self) -> bool {
        self.ended.load(Ordering::Relaxed)
    }
}

enum Outlet {
    Pty(pty::Line),
    Tcp(tcp::Doors),
}

/// A world that answers in real time.
pub struct Server {
    site: Site,
    clock: Clock,
    messages: Receiver<Message>,
    outlet: Outlet,
    reach: String,
    ended: Arc<AtomicBool>,
}

impl Server {
    /// Opens the place and starts the clock.
    ///
    /// # Errors
    /// Where the place cannot be opened or the speed is none.
    pub fn open(
        scenario: &Scenario,
        profile: &Profile,
        place: &Place,
        options: &Options,
    ) -> Result<Self, ServeError> {
        if !(0.01..=1000.0).contains(&options.speed) {
            let found = options.speed.to_string();
            return Err(ServeError::Speed { found });
        }
        let mut site = Site::new(scenario, profile, place.way(), options.seed);
        let world = site.world_mut();
        if let Some(line) = options.line {
            world.set_line(line);
        }
        // What runs at another speed has other times than the unit that it stands for.
        if options.speed != 1.0 {
            world.unmark();
        }
        if let Some(time) = options.answer_time {
            world.set_answer_time(time);
        }
        // What was on the line before anybody could listen, nobody has heard.
        let line = world.tool_line();
        drop(site.advance(options.start_at));
        site.world_mut().set_unix_time(clock::since_1970());
        let clock = Clock::start(options.start_at, options.speed);
        let (inbox, messages) = sync_channel(WAITING);
        let ended = Arc::new(AtomicBool::new(false));
        let inlet = Inlet {
            clock,
            inbox,
            ended: Arc::clone(&ended),
        };
        let plugs = scenario.events.iter().any(|event| event.adapter.is_some());
        let (outlet, reach) = open_place(place, (line, plugs), &inlet)?;
        Ok(Self {
            site,
            clock,
            messages,
            outlet,
            reach,
            ended,
        })
    }

    /// Path of the pseudo-terminal, or the address with the port that was taken.
    pub fn reach(&self) -> &str {
        &self.reach
    }

    /// The world as it is now.
    pub fn world(&self) -> &World {
        self.site.world()
    }

    /// Serves until `look` says no; it sees the site about ten times a second.
    ///
    /// # Errors
    /// Where the line is gone.
    pub fn run(&mut self, mut look: impl FnMut(&Site) -> bool) -> Result<(), ServeError> {
        let mut next_look = self.clock.now();
        loop {
            let now = self.clock.now();
            self.deliver(now)?;
            if now >= next_look {
                if !look(&self.site) {
                    return Ok(());
                }
                next_look = self.clock.after(LOOK);
            }
            let wake = self.site.next_wake();
            let wake = wake.map_or(next_look, |wake| wake.min(next_look));
            match self.messages.recv_timeout(self.clock.until(wake)) {
                Ok(message) => self.take(message)?,
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => {
                    let why = "no reader is left".to_owned();
                    return Err(ServeError::Gone { why });
                }
            }
        }
    }

    fn take(&mut self, message: Message) -> Result<(), ServeError> {
        match message {
            Message::Bytes { client, at, bytes } => {
                self.heed_settings();
                self.site.send_from(client, at, &bytes);
            }
            Message::Joined { client, stream } => {
                if let Outlet::Tcp(doors) = &mut self.outlet {
                    doors.let_in(client, stream);
                }
                self.site.connect(self.clock.now(), client);
            }
            Message::Left { client } => self.forget(client),
            Message::Gone { why } => return Err(ServeError::Gone { why }),
        }
        Ok(())
    }

    /// On a pseudo-terminal, the client's line settings are those of its end.
    fn heed_settings(&mut self) {
        if let Outlet::Pty(line) = &self.outlet
            && let Some((settings, tty)) = line.settings(self.site.world().line())
        {
            self.site.world_mut().set_tool(settings);
            self.site.world_mut().set_tty(tty);
        }
    }

    fn forget(&mut self, client: u32) {
        if let Outlet::Tcp(doors) = &mut self.outlet {
            doors.let_out(client);
        }
        self.site.disconnect(client);
    }

    fn deliver(&mut self, now: Duration) -> Result<(), ServeError> {
        let mut gone = Vec::new();
        if self.site.next_wake().is_some_and(|wake| wake <= now) {
            self.heed_settings();
        }
        for news in self.site.advance(now) {
            match (&mut self.outlet, news) {
                (Outlet::Pty(line), News::Bytes(arrival)) => line.write(&arrival.bytes),
                (Outlet::Pty(line), News::Closed { .. }) => line.pull_out(),
                (Outlet::Tcp(doors), News::Bytes(arrival)) => {
                    gone.extend(doors.write(arrival.client, &arrival.bytes));
                }
                (Outlet::Tcp(_), News::Closed { client, .. }) => gone.extend(client),
            }
        }
        for client in gone {
            self.forget(client);
        }
        if let Outlet::Pty(line) = &mut self.outlet
            && self.site.is_reachable()
        {
            line.plug_in().map_err(|why| ServeError::Gone { why })?;
        }
        Ok(())
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        self.ended.store(true, Ordering::Relaxed);
    }
}

fn open_place(
    place: &Place,
    (line, comes_and_goes): (LineSettings, bool),
    inlet: &Inlet,
) -> Result<(Outlet, String), ServeError> {
    match place {
        Place::Pty => {
            let (line, name) =
                pty::open(line, inlet, comes_and_goes).map_err(|why| ServeError::Pty { why })?;
            Ok((Outlet::Pty(line), name))
        }
        Place::Tcp(address) | Place::RtuOverTcp(address) => {
            let (doors, reach) = tcp::open(address, inlet).map_err(|why| ServeError::Listen {
                address: address.clone(),
                why,
            })?;
            Ok((Outlet::Tcp(doors), reach))
        }
    }
}
