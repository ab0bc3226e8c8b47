//! The simulator's line as a port, in virtual time: no thread, no clock, no waiting.
//!
//! Does not: touch a socket or a terminal. A link over this port says that it is simulated.

use std::collections::VecDeque;
use std::time::Duration;

use packside_profiles::{LineSettings, Profile};
use packside_simulator::uart::Tty;
use packside_simulator::{Framing as SimulatedFraming, Scenario, World};

use super::{Arrived, BadCharacters, Port, PortGone, Quiet};
use crate::event::{Framing, LinkFacts, LinkKind, Plugged};

/// The simulated world steps at least so far, so that time never stands still.
const LEAST_STEP: Duration = Duration::from_micros(1);

/// A port on which virtual time passes only while someone waits.
struct SimulatedPort {
    facts: LinkFacts,
    world: World,
    /// Time of the world at which the session began.
    began: Duration,
    /// Time of the world now.
    world_now: Duration,
    coming: VecDeque<(Duration, Vec<u8>)>,
}

/// A quiet link to a simulated unit that was powered up `age` ago, at the line settings that the
/// profile says.
pub fn open_simulated(
    scenario: &Scenario,
    profile: &Profile,
    age: Duration,
    plugged: Option<Plugged>,
) -> Quiet {
    open_simulated_at(scenario, profile, age, plugged, None)
}

/// The same with other line settings of ours: where they are not those of the unit, both sides
/// hear what a real line would make of it.
pub fn open_simulated_at(
    scenario: &Scenario,
    profile: &Profile,
    age: Duration,
    plugged: Option<Plugged>,
    line: Option<LineSettings>,
) -> Quiet {
    let mut world = World::new(scenario, profile, SimulatedFraming::Rtu, scenario.seed);
    if let Some(line) = line {
        world.set_tool(line);
    }
    // As a real port is opened: characters that fail their check are kept as they came.
    world.set_tty(Tty::Unchecked);
    // What was on the line before the session began, nobody has heard.
    drop(world.advance(age));
    let kind = LinkKind::Simulated {
        scenario: scenario.name.clone(),
        line: world.tool_line(),
    };
    let facts = LinkFacts {
        kind,
        framing: Framing::Rtu,
        plugged,
        ask_anyway: false,
    };
    let port = SimulatedPort {
        facts,
        world,
        began: age,
        world_now: age,
        coming: VecDeque::new(),
    };
    Quiet::over(Box::new(port), Box::new(|_| {}))
}

impl SimulatedPort {
    /// Lets the world go on to a time, and keeps what reaches us.
    fn advance(&mut self, to: Duration) {
        self.coming.extend(self.world.advance(to));
        self.world_now = to;
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
        self.world.send(self.world_now, bytes);
        Ok(self.now())
    }

    fn wait(&mut self, until: Duration) -> Arrived {
        let end = until + self.began;
        loop {
            if let Some((at, bytes)) = self.coming.pop_front() {
                return Arrived::Bytes(at.saturating_sub(self.began), bytes);
            }
            if self.world_now >= end {
                return Arrived::Nothing;
            }
            // Step by step, so that the caller can act the moment something arrives.
            let wake = self.world.next_wake().unwrap_or(end);
            self.advance(wake.max(self.world_now + LEAST_STEP).min(end));
        }
    }

    fn rest(&mut self, until: Duration) -> bool {
        self.advance((until + self.began).max(self.world_now));
        true
    }

    fn reopen(&mut self) -> Result<(), PortGone> {
        Ok(())
    }

    fn set_line(&mut self, line: LineSettings, bad: BadCharacters) -> Result<(), PortGone> {
        self.world.set_tool(line);
        self.world.set_tty(match bad {
            BadCharacters::Kept => Tty::Unchecked,
            BadCharacters::Zeroed => Tty::Zeroed,
        });
        if let LinkKind::Simulated { line: known, .. } = &mut self.facts.kind {
            *known = line;
        }
        Ok(())
    }
}
