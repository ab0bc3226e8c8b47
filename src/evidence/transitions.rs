//! What changed in a unit from one sample to the next: restarts, a flag that falls, switches against
//! the state.
//!
//! Does not: keep samples, or say what a change means.

use std::collections::VecDeque;
use std::time::Duration;

use packside_profiles::StateKind;

use super::spell::Spell;
use super::stamp::Stamp;

/// No uptime runs ahead of the clock by more than this, s.
const JUMP_S: f64 = 5.0;
/// Across longer gaps this computer's own clock may have stood still.
const MINUTE: Duration = Duration::from_secs(60);

/// What the uptime of a unit did.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct Uptime {
    last: Option<(Stamp, f64)>,
    /// The last moment at which it showed a restart: it stepped back, or has grown by less than the time
    /// that passed, to no more than that time (what stands still, or is an old answer, is no restart).
    pub(crate) rebooted_at: Option<Stamp>,
    /// The first time it went back by more than an old answer explains: from and to, s.
    pub(crate) back: Option<(f64, f64)>,
    /// The first time it ran ahead of the clock.
    pub(crate) ahead: Option<(f64, f64)>,
}

impl Uptime {
    /// Takes the next sample, s; `step` is what two steps of the register come to. Gives whether it shows a
    /// restart.
    pub(crate) fn take(&mut self, at: Stamp, uptime: f64, step: f64) -> bool {
        let Some((before, was)) = self.last.replace((at, uptime)) else {
            return false;
        };
        let restarted = match at.since(before) {
            // How long it was off the line nobody knows.
            None => uptime < was,
            Some(passed) => {
                self.jumps(was, uptime, passed);
                let passed = passed.as_secs_f64();
                // Clocks of units are off by a percent at most (common practice).
                let slack = step.max(5.0).max(0.01 * passed);
                let is_late = uptime > was && uptime <= passed && was + passed - uptime > slack;
                uptime < was || is_late
            }
        };
        if restarted {
            self.rebooted_at = Some(at);
        }
        restarted
    }

    /// As it was read last, s.
    pub(crate) fn now(&self) -> Option<f64> {
        self.last.map(|(_, uptime)| uptime)
    }

    fn jumps(&mut self, was: f64, uptime: f64, passed: Duration) {
        if uptime + JUMP_S < was {
            self.back.get_or_insert((was, uptime));
        }
        if passed <= MINUTE && uptime - was > passed.as_secs_f64() + JUMP_S {
            self.ahead.get_or_insert((was, uptime));
        }
    }
}

/// Something that was up under our questions, and fell.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(crate) struct Fell {
    first_up: Option<Duration>,
    last_up: Duration,
    down: Option<Duration>,
}

impl Fell {
    /// Takes the next sample; `asked_from` is when our first question went out, if one did.
    pub(crate) fn take(&mut self, at: Duration, is_up: bool, asked_from: Option<Duration>) {
        if self.down.is_some() {
            return;
        }
        if is_up {
            self.last_up = at;
            if asked_from.is_some_and(|from| at >= from) {
                self.first_up.get_or_insert(at);
            }
        } else if self.first_up.is_some_and(|first| at > first) {
            self.down = Some(at);
        }
    }

    /// When it fell, if it was up for no longer than this after our first question.
    pub(crate) fn soon_after(&self, asked_from: Duration, soon: Duration) -> Option<Duration> {
        self.down
            .filter(|_| self.last_up.saturating_sub(asked_from) < soon)
    }
}

/// Most changes of the state that are remembered: the last ones.
const STATES: usize = 64;

/// The states that a unit was read in, one after the other.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(crate) struct States(VecDeque<(StateKind, Duration, Duration)>);

impl States {
    /// Takes the next reading.
    pub(crate) fn take(&mut self, at: Duration, kind: StateKind) {
        match self.0.back_mut() {
            Some((last, _, until)) if *last == kind => *until = at,
            _ => self.0.push_back((kind, at, at)),
        }
        if self.0.len() > STATES {
            self.0.pop_front();
        }
    }

    /// Forgets everything.
    pub(crate) fn clear(&mut self) {
        self.0.clear();
    }
    /// Each state with the first and, if there was another, the last reading of it.
    pub(crate) fn read(&self) -> Vec<(Duration, StateKind)> {
        let ends = self.0.iter().flat_map(|(kind, from, until)| {
            let last = (from != until).then_some((*until, *kind));
            std::iter::once((*from, *kind)).chain(last)
        });
        ends.collect()
    }
}

/// Switches against the state, in answers that carry both.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(crate) struct Contacts {
    /// Answers with both.
    pub(crate) both: u32,
    /// Those at the end that contradict each other.
    pub(crate) run: u32,
    /// The first and the last of these.
    pub(crate) from: Duration,
    pub(crate) until: Duration,
    /// The state, by its number, and the switches in the last one.
    pub(crate) state: u64,
    pub(crate) raw: u64,
    /// How often they began to contradict each other.
    begins: u32,
    /// For how long it is to be reckoned with, if they ever did so for certain.
    pub(crate) spell: Option<Spell>,
}

/// A unit that has just decided to open takes up to this long until its switches are open.
// Kind: common practice (contactors move within a tenth of a second, control units in cycles of up to one)
const MOVING: Duration = Duration::from_secs(1);
/// Caught on their way so often within a minute, they chatter.
// Kind: common practice
const CHATTERS: u32 = 2;

impl Contacts {
    /// Takes an answer: the state and its number, the switches, and what these are where all are closed.
    pub(crate) fn take(
        &mut self,
        stamp: Stamp,
        kind: StateKind,
        state: u64,
        raw: u64,
        closed: u64,
    ) {
        let at = stamp.at;
        self.both = self.both.saturating_add(1);
        let contradicts = match kind {
            StateKind::Standby | StateKind::Running => raw != closed,
            StateKind::Waiting | StateKind::Fault | StateKind::SelfTest | StateKind::Off => {
                raw != 0
            }
            _ => false,
        };
        if !contradicts {
            self.run = 0;
            if let Some(spell) = &mut self.spell {
                spell.good(stamp);
            }
            return;
        }
        if self.run == 0 {
            if at.saturating_sub(self.from) > MINUTE {
                self.begins = 0;
            }
            self.from = at;
            self.begins = self.begins.saturating_add(1);
        }
        self.run = self.run.saturating_add(1);
        self.until = at;
        self.raw = raw;
        self.state = state;
        if self.is_certain() || self.begins >= CHATTERS {
            Spell::out(&mut self.spell, stamp);
        }
    }

    /// Whether they contradict each other now: a single answer may have caught them on their way.
    pub(crate) fn is_certain(&self) -> bool {
        // Where it came up in this very look they may still be on their way.
        let came_up = self.run < self.both;
        self.run >= 2 && !(came_up && self.until.saturating_sub(self.from) < MOVING)
    }
}

/// A counter of somebody else: whether it was ever seen moving, and since when it stands.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct Beat {
    last: Option<f64>,
    from: Stamp,
    until: Stamp,
    equal: u32,
    moved: bool,
}

impl Beat {
    /// Takes the next value.
    pub(crate) fn take(&mut self, at: Stamp, value: f64) {
        let same = self
            .last
            .is_some_and(|last| (last - value).abs() < f64::EPSILON);
        if same {
            self.equal = self.equal.saturating_add(1);
        } else {
            self.moved |= self.last.is_some();
            (self.last, self.from, self.equal) = (Some(value), at, 1);
        }
        self.until = at;
    }

    /// Whether it was ever seen moving.
    pub(crate) fn has_moved(&self) -> bool {
        self.moved
    }

    /// How long it stands, where it was seen moving before and has the same value at least three times.
    pub(crate) fn stands(&self) -> Option<Duration> {
        let stood = self.until.since(self.from)?;
        (self.moved && self.equal >= 3).then_some(stood)
    }
}
