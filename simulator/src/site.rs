//! A world together with the way that leads to it: the line itself, or a gateway on it.
//!
//! Input: connections and bytes of clients with their times. Output: what reaches them. Does not:
//! read a clock; virtual and real time move it alike.
//!
//! # Invariants
//! - Same scenario, profile, way, seed and calls: same output to the byte.

use std::collections::{BTreeMap, VecDeque};
use std::time::Duration;

use packside_profiles::model::Profile;

use crate::frame::Framing;
use crate::gateway::{Gateway, News};
use crate::mischief_plan::MischiefKind;
use crate::scenario::{Event, Scenario};
use crate::world::World;

/// How clients reach the units.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Way {
    /// They are on the line.
    Serial,
    /// Through a gateway, of which they are told that it speaks Modbus TCP.
    Tcp,
    /// Through a gateway, of which they are told that it passes RTU bytes over TCP.
    RtuOverTcp,
}

/// A world and the way to it.
#[derive(Debug, Clone)]
pub struct Site {
    world: World,
    gateway: Option<Gateway>,
    /// When the adapter of a client on the line is pulled out and plugged in, still to come.
    plugs: VecDeque<(Duration, bool)>,
    is_plugged: bool,
}

impl Site {
    /// A site at power-up. Through a gateway of which the scenario says nothing: one that does its
    /// work.
    pub fn new(scenario: &Scenario, profile: &Profile, way: Way, seed: u64) -> Self {
        let mut world = World::new(scenario, profile, seed);
        let framing = match way {
            Way::Serial => None,
            Way::Tcp => Some(Framing::Tcp),
            Way::RtuOverTcp => Some(Framing::Rtu),
        };
        let gateway = framing.map(|framing| Gateway::new(scenario, profile, framing, seed));
        if gateway.is_some() {
            let line = scenario.gateway.as_ref().and_then(|plan| plan.line);
            world.set_tool(line.unwrap_or(world.line()));
        }
        let plug = |event: &Event| Some((event.at, event.adapter?));
        let plugs = scenario.events.iter().filter_map(plug);
        Self {
            world,
            plugs: plugs.filter(|_| way == Way::Serial).collect(),
            is_plugged: true,
            gateway,
        }
    }

    /// Whether a client finds the way at all: its adapter is there, or the gateway answers.
    pub fn is_reachable(&self) -> bool {
        self.is_plugged && self.gateway.as_ref().is_none_or(Gateway::is_reachable)
    }

    /// The units and their line.
    pub fn world(&self) -> &World {
        &self.world
    }

    /// The same, to set up the end of the line on which the clients are.
    pub fn world_mut(&mut self) -> &mut World {
        &mut self.world
    }

    /// A client connects. Whether it may stay is news for later. On the line it is there anyway.
    pub fn connect(&mut self, at: Duration, client: u32) {
        let at = at.max(self.world.now());
        if let Some(gateway) = &mut self.gateway {
            gateway.connect(at, client);
        }
    }

    /// A client is gone; nothing more reaches it.
    pub fn disconnect(&mut self, client: u32) {
        match &mut self.gateway {
            Some(gateway) => gateway.disconnect(client),
            None => self.world.drop_client(client),
        }
    }

    /// Bytes of a client, leaving it at `at`.
    pub fn send_from(&mut self, client: u32, at: Duration, bytes: &[u8]) {
        let at = at.max(self.world.now());
        match &mut self.gateway {
            Some(gateway) => gateway.send_from(at, client, bytes),
            None if self.is_plugged => self.world.send_from(client, at, bytes),
            None => {}
        }
    }

    /// Something happens now, whatever the scenario foresaw: a hand swaps modules, switches the unit
    /// off and on, pulls the adapter out. As an `[[event]]` of a scenario, the time apart.
    pub fn happens(&mut self, event: &Event) {
        let now = self.world.now();
        self.world.happens(event);
        match &mut self.gateway {
            Some(gateway) => gateway.happens(now, event),
            None => self
                .plugs
                .extend(event.adapter.map(|plugged| (now, plugged))),
        }
        self.plugs.make_contiguous().sort_by_key(|(at, _)| *at);
    }

    /// When something happens next without a client.
    pub fn next_wake(&self) -> Option<Duration> {
        let gateway = self.gateway.as_ref().and_then(Gateway::next_wake);
        let plug = self.plugs.front().map(|(at, _)| *at);
        let others = gateway.into_iter().chain(plug);
        self.world.next_wake().into_iter().chain(others).min()
    }

    /// Goes on to a time; gives what reaches clients until then.
    pub fn advance(&mut self, to: Duration) -> Vec<News> {
        let Some(gateway) = &mut self.gateway else {
            return self.advance_on_the_line(to);
        };
        let mut news = Vec::new();
        loop {
            let wakes = [self.world.next_wake(), gateway.next_wake()];
            let next = wakes.into_iter().flatten().min().unwrap_or(to).min(to);
            for arrival in self.world.advance_all(next) {
                gateway.hears(&self.world, &arrival);
            }
            news.extend(gateway.run(next, &mut self.world));
            let is_over = |wake: Option<Duration>| wake.is_none_or(|wake| wake > to);
            if next >= to && is_over(self.world.next_wake()) && is_over(gateway.next_wake()) {
                return news;
            }
        }
    }

    fn advance_on_the_line(&mut self, to: Duration) -> Vec<News> {
        let mut news = Vec::new();
        loop {
            let is_due = self.plugs.front().is_some_and(|(at, _)| *at <= to);
            let plug = if is_due { self.plugs.pop_front() } else { None };
            let arrived = self.world.advance_all(plug.map_or(to, |(at, _)| at));
            if self.is_plugged {
                news.extend(arrived.into_iter().map(News::Bytes));
            }
            let Some((at, is_plugged)) = plug else {
                return news;
            };
            if self.is_plugged && !is_plugged {
                let client = None;
                news.push(News::Closed { at, client });
            }
            self.is_plugged = is_plugged;
        }
    }

    /// How often each bad habit came through so far, on the line and in the gateway.
    pub fn mischief_counts(&self) -> BTreeMap<MischiefKind, u32> {
        let mut counts = self.world.mischief_counts();
        for (kind, count) in self.gateway.iter().flat_map(Gateway::mischief_counts) {
            *counts.entry(kind).or_default() += count;
        }
        counts
    }

    /// One line for people.
    pub fn state_line(&self) -> String {
        let gateway = self.gateway.as_ref().map(Gateway::describe);
        let gateway = gateway.map_or_else(String::new, |words| format!("; {words}"));
        format!("{}{gateway}", self.world.state_line())
    }
}
