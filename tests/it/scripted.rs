//! A port in virtual time on which given bytes come at given times.

use std::collections::VecDeque;
use std::time::Duration;

use packside::event::LinkFacts;
use packside::link::{Arrived, Port, PortGone};

/// Virtual time passes only while someone waits.
pub(crate) struct Scripted {
    facts: LinkFacts,
    now: Duration,
    coming: VecDeque<(Duration, Vec<u8>)>,
    is_mute: bool,
}

impl Scripted {
    /// A port over which nothing may be sent.
    pub(crate) fn mute(facts: LinkFacts, coming: VecDeque<(Duration, Vec<u8>)>) -> Self {
        Self {
            facts,
            now: Duration::ZERO,
            coming,
            is_mute: true,
        }
    }

    /// A port that takes what is sent.
    pub(crate) fn open(facts: LinkFacts, coming: VecDeque<(Duration, Vec<u8>)>) -> Self {
        Self {
            is_mute: false,
            ..Self::mute(facts, coming)
        }
    }
}

impl Port for Scripted {
    fn facts(&self) -> &LinkFacts {
        &self.facts
    }

    fn now(&self) -> Duration {
        self.now
    }

    fn send(&mut self, _: &[u8]) -> Result<Duration, PortGone> {
        assert!(!self.is_mute, "a quiet link sent something");
        Ok(self.now)
    }

    fn wait(&mut self, until: Duration) -> Arrived {
        match self.coming.front() {
            Some((at, _)) if *at <= until.max(self.now) => {
                let (at, bytes) = self.coming.pop_front().unwrap();
                self.now = self.now.max(at);
                Arrived::Bytes(at, bytes)
            }
            _ => {
                self.now = self.now.max(until);
                Arrived::Nothing
            }
        }
    }

    fn rest(&mut self, until: Duration) -> bool {
        self.now = self.now.max(until);
        true
    }

    fn reopen(&mut self) -> Result<(), PortGone> {
        Ok(())
    }
}
