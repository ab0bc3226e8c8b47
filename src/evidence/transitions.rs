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
    /// The first time it went where neither a restart nor an old answer leads: from and to, s.
    pub(crate) leap: Option<(f64, f64)>,
    /// It passed the end of its range since it started: it has run for longer than it says.
    pub(crate) wrapped: bool,
}

/// No answer that somebody kept is older than this, s.
// Kind: invented
const KEPT_S: f64 = 600.0;

/// An uptime that falls from the last twentieth of its range may only have passed the end.
// Kind: common practice
const NEAR_THE_END: f64 = 0.95;

impl Uptime {
    /// Takes the next sample, s; `step` is what two steps of the register come to, `range` where it begins
    /// anew. Gives whether it shows a restart.
    pub(crate) fn take(&mut self, at: Stamp, uptime: f64, (step, range): (f64, f64)) -> bool {
        let Some((before, was)) = self.last.replace((at, uptime)) else {
            return false;
        };
        if wraps((before, was), (at, uptime), (step, range)) {
            self.wrapped = true;
            return false;
        }
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
            (self.rebooted_at, self.wrapped) = (Some(at), false);
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
        if passed > MINUTE {
            return;
        }
        let passed = passed.as_secs_f64();
        if uptime - was > passed + JUMP_S {
            self.ahead.get_or_insert((was, uptime));
        }
        let starts_anew = uptime <= passed + JUMP_S;
        let far = uptime - was > passed + KEPT_S || (was - uptime > KEPT_S && !starts_anew);
        if far {
            self.leap.get_or_insert((was, uptime));
        }
    }
}

/// Whether an uptime fell because it passed the end of its range: it did so at the very time.
fn wraps(
    (before, was): (Stamp, f64),
    (at, uptime): (Stamp, f64),
    (step, range): (f64, f64),
) -> bool {
    let ran = uptime + range - was;
    uptime < was
        && was >= NEAR_THE_END * range
        && at.since(before).is_some_and(|passed| {
            let passed = passed.as_secs_f64();
            (ran - passed).abs() <= step.max(JUMP_S).max(0.01 * passed)
        })
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

    /// How long the last run of a state was, from its first reading to its last, and whether it goes on.
    pub(crate) fn last_run(&self, wanted: StateKind) -> Option<(Duration, bool)> {
        let (kind, ..) = self.0.back()?;
        let mut runs = self.0.iter().rev();
        let (_, from, until) = runs.find(|(kind, ..)| *kind == wanted)?;
        Some((until.saturating_sub(*from), *kind == wanted))
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
    /// Takes an answer: the number of the state and what the switches are in it, if it says that; and the switches.
    pub(crate) fn take(&mut self, stamp: Stamp, (state, wanted): (u64, Option<u64>), raw: u64) {
        let at = stamp.at();
        self.both = self.both.saturating_add(1);
        let contradicts = wanted.is_some_and(|wanted| raw != wanted);
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

/// Current although every switch is reported open.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct WhileOpen {
    from: Option<Stamp>,
    run: u32,
    /// The largest, as the unit tells it.
    pub(crate) amps: f64,
    /// When it was certain, and for how long it is to be reckoned with.
    pub(crate) spell: Option<Spell>,
}

/// So many samples over so long are no glitch.
// Kind: common practice
const SAMPLES: (u32, Duration) = (3, Duration::from_secs(3));
/// A current that is still falling after switching.
// Kind: common practice
pub(crate) const SETTLES: Duration = Duration::from_secs(5);

impl WhileOpen {
    /// Takes the current of an answer that carries the switches too; `flows` is whether it does although they
    /// are open.
    pub(crate) fn take(&mut self, at: Stamp, amps: f64, flows: bool) {
        if !flows {
            (self.from, self.run) = (None, 0);
            if let Some(spell) = &mut self.spell {
                spell.good(at);
            }
            return;
        }
        self.run = self.run.saturating_add(1);
        let from = *self.from.get_or_insert(at);
        let lasted = at.since(from).unwrap_or_default();
        if self.run >= SAMPLES.0 && lasted >= SAMPLES.1 {
            Spell::out(&mut self.spell, at);
            if amps.abs() > self.amps.abs() {
                self.amps = amps;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(seconds: u64) -> Stamp {
        Stamp::new(0, Duration::from_secs(seconds))
    }

    /// Whether a restart was seen, and whether the end of the range was passed.
    fn after(range: f64, samples: &[(u64, f64)]) -> (bool, bool) {
        let mut uptime = Uptime::default();
        let mut restarted = false;
        for (seconds, value) in samples {
            restarted |= uptime.take(at(*seconds), *value, (2.0, range));
        }
        (restarted, uptime.wrapped)
    }

    // Kind: derived (16 bits of seconds end after 18.2 h)
    #[test]
    fn uptime_that_passes_its_end_at_the_very_time_is_no_restart() {
        let end = 65536.0;
        assert_eq!(
            after(end, &[(0, 65530.0), (10, 4.0), (20, 14.0)]),
            (false, true)
        );
        assert_eq!(after(end, &[(0, 65530.0), (60, 4.0)]), (true, false));
        assert_eq!(after(end, &[(0, 5000.0), (10, 4.0)]), (true, false));
        assert_eq!(
            after(end, &[(0, 65530.0), (10, 4.0), (20, 2.0)]),
            (true, false),
            "a restart after it"
        );
    }

    // Kind: common practice
    #[test]
    fn current_while_open_is_certain_after_three_samples_and_three_seconds() {
        let certain = |samples: &[(u64, bool)]| {
            let mut known = WhileOpen::default();
            for (seconds, flows) in samples {
                known.take(at(*seconds), 8.0, *flows);
            }
            known.spell.is_some()
        };
        assert!(!certain(&[(0, true), (1, true)]));
        assert!(!certain(&[(0, true), (1, true), (2, true)]));
        assert!(certain(&[(0, true), (1, true), (3, true)]));
        assert!(!certain(&[(0, true), (1, false), (2, true), (4, true)]));
        assert!(certain(&[(0, true), (2, true), (4, true), (5, false)]));
    }
}
