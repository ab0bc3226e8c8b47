//! The simulator's line as a port, in virtual time: no thread, no clock, no waiting.
//!
//! On the line itself, or through a simulated gateway. Does not: touch a socket or a terminal. A
//! link over this port says that it is simulated.

use std::collections::VecDeque;
use std::time::Duration;

use packside_profiles::{LineSettings, Profile};
use packside_simulator::uart::Tty;
use packside_simulator::{News, Scenario, Site, Way};

use crate::event::BadCharacters;
use crate::event::{Consent, LinkFacts, LinkKind, Plugged};
use crate::link::{Arrived, CONNECT_TIME_OUT, Port, PortGone, Quiet};
use crate::listen::waveform::TtyMarks;
use crate::wire::Framing;

/// The simulated world steps at least so far, so that time never stands still.
const LEAST_STEP: Duration = Duration::from_micros(1);

/// A port on which virtual time passes only while someone waits.
struct SimulatedPort {
    facts: LinkFacts,
    site: Site,
    /// Who we are there; somebody else with every connection.
    client: u32,
    /// Why nothing comes until it is opened again.
    gone: Option<PortGone>,
    /// Time of the world at which the session began.
    began: Duration,
    /// Time of the world now.
    world_now: Duration,
    coming: VecDeque<News>,
    /// On a line: what its port marks, and which of the bytes given last it marked.
    tty: Option<TtyMarks>,
    marks: Option<Vec<usize>>,
}

/// How a simulated unit is reached.
#[derive(Debug, Clone, Copy, Default)]
pub struct Simulated {
    /// Time since power-up.
    pub age: Duration,
    /// Where the laptop is plugged in, if said.
    pub plugged: Option<Plugged>,
    /// Our line settings, where they are not those of the profile: where they are not those of the
    /// unit either, both sides hear what a real line would make of it.
    pub line: Option<LineSettings>,
    /// On the line or through a gateway; as the scenario says unless given.
    pub way: Option<Way>,
}

/// A quiet link to a simulated unit that was powered up `age` ago, at the line settings that the
/// profile says.
pub fn open_simulated(
    scenario: &Scenario,
    profile: &Profile,
    age: Duration,
    plugged: Option<Plugged>,
) -> Quiet {
    let how = Simulated {
        age,
        plugged,
        ..Simulated::default()
    };
    open_simulated_as(scenario, profile, how)
}

/// A quiet link to a simulated unit.
pub fn open_simulated_as(scenario: &Scenario, profile: &Profile, how: Simulated) -> Quiet {
    open_simulated_now(scenario, profile, how, None)
}

/// The same where it is so long after 1970 now; else the clock of the unit begins there.
pub fn open_simulated_now(
    scenario: &Scenario,
    profile: &Profile,
    how: Simulated,
    since_1970: Option<Duration>,
) -> Quiet {
    let way = how.way.unwrap_or(scenario.way());
    // The unit is what it is, whatever map the tool was given for it.
    let own = scenario.load_map(None).map(|map| map.profile);
    let own = own.as_ref().unwrap_or(profile);
    let mut site = Site::new(scenario, own, way, scenario.seed);
    let is_serial = way == Way::Serial;
    if is_serial {
        let world = site.world_mut();
        world.set_tool(how.line.unwrap_or(profile.answering.line));
        // As a real port is opened: characters that fail their check are kept as they came, and
        // marked.
        world.set_tty(Tty::Marked);
    }
    // What was on the line before the session began, nobody has heard.
    drop(site.advance(how.age));
    if let Some(time) = since_1970 {
        site.world_mut().set_unix_time(time);
    }
    let facts = LinkFacts {
        kind: LinkKind::Simulated {
            scenario: scenario.name.as_str().into(),
            line: is_serial.then(|| site.world().tool_line()),
        },
        framing: if way == Way::Tcp {
            Framing::Tcp
        } else {
            Framing::Rtu
        },
        plugged: how.plugged,
        consent: Consent::default(),
    };
    let mut port = SimulatedPort {
        facts,
        site,
        client: 0,
        gone: None,
        began: how.age,
        world_now: how.age,
        coming: VecDeque::new(),
        tty: is_serial.then(TtyMarks::default),
        marks: None,
    };
    port.gone = port.connect().err();
    Quiet::over(Box::new(port), Box::new(|_| {}))
}

impl SimulatedPort {
    /// Lets the world go on to a time, and keeps what reaches us.
    fn advance(&mut self, to: Duration) {
        self.coming.extend(self.site.advance(to));
        self.world_now = to;
    }

    fn connect(&mut self) -> Result<(), PortGone> {
        if self.site.is_reachable() {
            self.site.connect(self.world_now, self.client);
            return Ok(());
        }
        if !self.facts.is_gateway() {
            return Err(PortGone::Adapter);
        }
        self.advance(self.world_now + CONNECT_TIME_OUT);
        Err(PortGone::StillGone {
            why: format!("no connection within {CONNECT_TIME_OUT:?}"),
        })
    }

    /// What a piece of news means for us; nothing where it is somebody else's.
    fn arrived(&mut self, news: News) -> Option<Arrived> {
        let ours = |client: Option<u32>| client.is_none_or(|client| client == self.client);
        match news {
            News::Bytes(arrival) => {
                let at = arrival.at.saturating_sub(self.began);
                // On a line everybody hears everything.
                let is_ours = !self.facts.is_gateway() || ours(arrival.client);
                let bytes = match &mut self.tty {
                    Some(tty) => {
                        let (bytes, bad) = tty.split(&arrival.bytes);
                        self.marks = Some(bad);
                        bytes
                    }
                    None => arrival.bytes,
                };
                // Half a mark is no byte yet.
                (is_ours && !bytes.is_empty()).then_some(Arrived::Bytes(at, bytes))
            }
            News::Closed { client, .. } => ours(client).then(|| {
                let gone = if self.facts.is_gateway() {
                    PortGone::Closed
                } else {
                    PortGone::Adapter
                };
                self.gone = Some(gone.clone());
                Arrived::Gone(gone)
            }),
        }
    }
}

impl Port for SimulatedPort {
    fn facts(&self) -> &LinkFacts {
        &self.facts
    }

    fn now(&self) -> Duration {
        self.world_now.saturating_sub(self.began)
    }

    fn send(&mut self, bytes: &[u8]) -> Result<Duration, PortGone> {
        if let Some(gone) = &self.gone {
            return Err(gone.clone());
        }
        self.site.send_from(self.client, self.world_now, bytes);
        Ok(self.now())
    }

    fn wait(&mut self, until: Duration) -> Arrived {
        let end = until + self.began;
        loop {
            if let Some(gone) = &self.gone {
                return Arrived::Gone(gone.clone());
            }
            while let Some(news) = self.coming.pop_front() {
                if let Some(arrived) = self.arrived(news) {
                    return arrived;
                }
            }
            if self.world_now >= end {
                return Arrived::Nothing;
            }
            // Step by step, so that the caller can act the moment something arrives.
            let wake = self.site.next_wake().unwrap_or(end);
            self.advance(wake.max(self.world_now + LEAST_STEP).min(end));
        }
    }

    fn marks(&mut self) -> Option<Vec<usize>> {
        self.marks.take()
    }

    fn rest(&mut self, until: Duration) -> bool {
        self.advance((until + self.began).max(self.world_now));
        true
    }

    fn reopen(&mut self) -> Result<(), PortGone> {
        self.coming.clear();
        self.gone = None;
        if self.facts.is_gateway() {
            self.site.disconnect(self.client);
            self.client = self.client.wrapping_add(1);
        }
        let opened = self.connect();
        self.gone = opened.clone().err();
        opened
    }

    fn set_line(&mut self, line: LineSettings, bad: BadCharacters) -> Result<(), PortGone> {
        let LinkKind::Simulated {
            line: Some(known), ..
        } = &mut self.facts.kind
        else {
            return Err(PortGone::Broken {
                why: format!("a gateway has line settings of its own, {line} was wanted"),
            });
        };
        *known = line;
        let world = self.site.world_mut();
        world.set_tool(line);
        // As a real port: it marks, or zeroes what it would mark.
        let marks = bad == BadCharacters::Kept;
        world.set_tty(if marks { Tty::Marked } else { Tty::Zeroed });
        self.tty = marks.then(TtyMarks::default);
        Ok(())
    }
}
