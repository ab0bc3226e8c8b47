//! The control unit of one pack: states, inverter supervision, flags, switches, lamps.
//!
//! Input: time, physics, signs of life of the inverter. Output: state, active flags, switches,
//! terminals, the lamp code. Moves in steps of [`STEP`]. Does not: know registers.
//!
//! # How a status comes up
//! A status flag is up when an active flag *brings* it and it is really so: switches open,
//! terminals dead, limits zero: what contacts and meters show, not what was ordered. Before the
//! silence time is over nothing brings it.

use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

use packside_profiles::model::{Clears, Flag, Profile, Severity, Terminals};
use packside_profiles::{Class, Role, StateKind};

use crate::control_plan::{Button, ControlPlan, Protection};
use crate::pack::{Order, Pack};
use crate::protect::Seen;

/// Time between two looks of the control unit at its pack.
pub(crate) const STEP: Duration = Duration::from_millis(100);

/// Current that is allowed where nothing limits it, A. Kind: invented
const FULL_CURRENT: f64 = 50.0;

/// A control unit.
#[derive(Debug, Clone)]
pub(crate) struct Control {
    /// State.
    pub(crate) state: StateKind,
    since: Duration,
    /// Power-up.
    pub(crate) booted: Duration,
    silence: Duration,
    /// Last sign of life of the inverter.
    pub(crate) heard: Option<Duration>,
    lonely_since: Duration,
    /// Counter that the inverter wrote last.
    pub(crate) inverter_counter: u16,
    /// Current that the inverter (or a scenario) asks for, A, positive into the battery.
    pub(crate) wanted_current: f64,
    /// Flags that a scenario holds up.
    pub(crate) raised: BTreeSet<String>,
    suppressed: BTreeSet<String>,
    /// Active flags, by id.
    pub(crate) active: BTreeSet<String>,
    latched: BTreeSet<Class>,
    /// Ids of the flags in words that keep what was up; known once the map was seen. Looking each of them up among all
    /// points at every step took a tenth of the time of a world.
    kept_in_words: Option<BTreeSet<String>>,
    protections: Vec<Protection>,
    /// Since when the numbers call for a flag that is not up yet.
    called: BTreeMap<String, Duration>,
    /// Since when a flag is up that does not clear itself.
    up: BTreeMap<String, Duration>,
    /// Until when the switches stay closed without a word of the inverter.
    black_start_until: Option<Duration>,
    black_start_for: Duration,
    /// Largest current either way that is allowed, A.
    pub(crate) limit: f64,
    /// Main switches closed.
    pub(crate) closed: bool,
    /// Pre-charge is done, and the main switches have been told to close.
    closing: bool,
    /// Its clock is so far ahead, s.
    pub(crate) clock_error: f64,
}

impl Control {
    /// A control unit at power-up.
    pub(crate) fn new(silence: Duration, suppressed: &[String], plan: &ControlPlan) -> Self {
        Self {
            state: if plan.asleep {
                StateKind::Off
            } else {
                StateKind::SelfTest
            },
            protections: plan.protections.clone(),
            called: BTreeMap::new(),
            up: BTreeMap::new(),
            black_start_until: None,
            black_start_for: plan.black_start_for,
            limit: 0.0,
            since: Duration::ZERO,
            booted: Duration::ZERO,
            silence,
            heard: None,
            lonely_since: Duration::ZERO,
            inverter_counter: 0,
            wanted_current: 0.0,
            raised: BTreeSet::new(),
            suppressed: suppressed.iter().cloned().collect(),
            active: BTreeSet::new(),
            latched: BTreeSet::new(),
            kept_in_words: None,
            closed: false,
            closing: false,
            clock_error: plan.clock_error_s,
        }
    }

    /// Switched off and on again. What only the service tool clears stays.
    pub(crate) fn restart(&mut self, now: Duration, profile: &Profile) {
        let stays = |id: &String| {
            profile
                .flags
                .iter()
                .any(|f| f.id == *id && f.clears == Clears::Service)
        };
        self.active.retain(stays);
        self.raised.retain(stays);
        self.state = StateKind::SelfTest;
        self.since = now;
        self.booted = now;
        self.lonely_since = now;
        self.heard = None;
        self.closed = false;
        self.called.clear();
        self.up.clear();
        self.black_start_until = None;
    }

    /// What a hand does to it.
    pub(crate) fn press(&mut self, button: Button, now: Duration, profile: &Profile) {
        match button {
            Button::On if self.state == StateKind::Off => self.restart(now, profile),
            Button::On => self.lonely_since = now,
            Button::Off => {
                self.state = StateKind::Off;
                self.closed = false;
            }
            Button::BlackStart if profile.unit.black_start => {
                if self.state == StateKind::Off {
                    self.restart(now, profile);
                }
                self.black_start_until = Some(now + self.black_start_for);
            }
            Button::BlackStart => {}
            Button::Service => {
                let of_service = |id: &String| {
                    profile
                        .flag(id)
                        .is_some_and(|f| f.clears == Clears::Service)
                };
                self.active.retain(|id| !of_service(id));
                self.latched.clear();
            }
        }
    }

    /// A sign of life of the inverter.
    pub(crate) fn feed(&mut self, now: Duration) {
        self.heard = Some(now);
        self.lonely_since = now;
    }

    /// Whether the inverter was heard within the silence time.
    pub(crate) fn hears(&self, now: Duration) -> bool {
        self.heard
            .is_some_and(|at| now.saturating_sub(at) < self.silence)
    }

    /// Whether the current limits are above zero.
    pub(crate) fn allows_current(&self, now: Duration) -> bool {
        self.closed && self.hears(now)
    }

    /// One look at the pack.
    pub(crate) fn step(&mut self, now: Duration, profile: &Profile, pack: &mut Pack) {
        if self.state == StateKind::Off {
            pack.wanted = 0.0;
            pack.circuit.order(Order::Open);
            pack.flow(STEP);
            return;
        }
        if self.kept_in_words.is_none() {
            let keeps = |flag: &&Flag| role_of(profile, flag) == Some(Role::LatchedWord);
            let ids = profile
                .flags
                .iter()
                .filter(keeps)
                .map(|flag| flag.id.clone());
            self.kept_in_words = Some(ids.collect());
        }
        pack.wanted = if self.allows_current(now) && self.in_service() {
            self.wanted_current.clamp(-self.limit, self.limit)
        } else {
            0.0
        };
        pack.flow(STEP);
        pack.measure_insulation(self.state);
        let seen = Seen::of(profile, pack);
        self.limit = FULL_CURRENT * seen.derating(profile);
        self.flags(now, profile, seen);
        let next = self.next_state(now, profile, pack);
        if next != self.state {
            self.state = next;
            self.since = now;
        }
        self.closed = self.in_service();
        // The state follows once the contacts have moved.
        self.closing =
            self.state == StateKind::Precharge && (self.closing || pack.circuit.is_precharged());
        pack.circuit.order(match self.state {
            StateKind::Precharge if !self.closing => Order::Precharge,
            _ if self.closed || self.closing => Order::Closed,
            _ => Order::Open,
        });
        self.statuses(now, profile, pack);
    }

    fn in_service(&self) -> bool {
        matches!(self.state, StateKind::Standby | StateKind::Running)
    }

    /// Alarms that keep the switches open: neither statuses nor the silent inverter.
    fn alarms<'p>(&self, profile: &'p Profile) -> impl Iterator<Item = &'p Flag> {
        profile.flags.iter().filter(|flag| {
            let root = !flag.class.is_status() && flag.class != Class::InverterSilent;
            root && flag.severity == Severity::Alarm
                && self.active.contains(&flag.id)
                && !self.is_kept_in_word(flag)
        })
    }

    /// Whether it stands in a word that keeps what was up.
    fn is_kept_in_word(&self, flag: &Flag) -> bool {
        let kept = self.kept_in_words.as_ref();
        kept.is_some_and(|kept| kept.contains(&flag.id))
    }

    fn flags(&mut self, now: Duration, profile: &Profile, seen: Seen) {
        let tested = self.state != StateKind::SelfTest;
        for flag in profile.flags.iter().filter(|flag| !flag.class.is_status()) {
            let up = if self.is_kept_in_word(flag) {
                self.latched.contains(&flag.class)
            } else if profile.inverter.flag.as_ref() == Some(&flag.id) {
                tested && now.saturating_sub(self.heard.unwrap_or(self.booted)) >= self.silence
            } else {
                tested && self.protects(now, profile, flag, seen)
            };
            let holds = self.holds(now, flag);
            let up = (up || holds || self.raised.contains(&flag.id))
                && !self.suppressed.contains(&flag.id);
            set(&mut self.active, &flag.id, up);
        }
        let new: Vec<Class> = self.alarms(profile).map(|flag| flag.class).collect();
        self.latched.extend(new);
    }

    /// Whether a protection is up, by its delay and its hysteresis.
    fn protects(&mut self, now: Duration, profile: &Profile, flag: &Flag, seen: Seen) -> bool {
        let plan = self.protections.iter().find(|p| p.class == flag.class);
        let (delay, hysteresis) = plan.map_or((Duration::ZERO, 0.0), |p| (p.delay, p.hysteresis));
        let was_up = self.active.contains(&flag.id);
        let margin = if was_up { hysteresis } else { 0.0 };
        let seen = seen.with_margin(margin);
        if !seen.calls_for(profile, flag.class, flag.severity) {
            self.called.remove(&flag.id);
            return false;
        }
        if was_up || delay.is_zero() {
            return true;
        }
        let since = *self.called.entry(flag.id.clone()).or_insert(now);
        now.saturating_sub(since) >= delay
    }

    /// Whether a flag that is up stays up by itself: until it is cleared, or tried again.
    fn holds(&mut self, now: Duration, flag: &Flag) -> bool {
        let plan = self.protections.iter().find(|p| p.class == flag.class);
        let clears = plan.and_then(|p| p.clears).unwrap_or(flag.clears);
        if clears == Clears::BySelf || !self.active.contains(&flag.id) {
            self.up.remove(&flag.id);
            return false;
        }
        let Some(retry) = plan.and_then(|p| p.retry) else {
            return true;
        };
        let since = *self.up.entry(flag.id.clone()).or_insert(now);
        let holds = now.saturating_sub(since) < retry;
        if !holds {
            self.up.remove(&flag.id);
        }
        holds
    }

    fn statuses(&mut self, now: Duration, profile: &Profile, pack: &Pack) {
        let active = profile
            .flags
            .iter()
            .filter(|f| self.active.contains(&f.id) && !f.class.is_status());
        let active = active.filter(|f| !self.is_kept_in_word(f));
        let brought: BTreeSet<String> = active.flat_map(|f| f.brings.iter().cloned()).collect();
        for flag in profile.flags.iter().filter(|flag| flag.class.is_status()) {
            let real = match flag.class {
                Class::SwitchesOpen => pack.circuit.poles() != (true, true),
                Class::TerminalsDead => !pack.has_live_terminals(),
                Class::LimitsZero => !self.allows_current(now),
                Class::NotReadyStatus => !self.in_service(),
                Class::Balancing => pack.balances(),
                Class::Derating => self.allows_current(now) && self.limit < FULL_CURRENT,
                _ => false,
            };
            let by_itself = matches!(flag.class, Class::Derating | Class::Balancing);
            let up = (real && (by_itself || brought.contains(&flag.id)))
                || self.raised.contains(&flag.id);
            set(
                &mut self.active,
                &flag.id,
                up && !self.suppressed.contains(&flag.id),
            );
        }
    }

    fn next_state(&self, now: Duration, profile: &Profile, pack: &Pack) -> StateKind {
        let picture = &profile.unit;
        let lonely = now.saturating_sub(self.lonely_since);
        if picture
            .auto_off_s
            .is_some_and(|s| lonely >= Duration::from_secs(s.into()))
        {
            return StateKind::Off;
        }
        if now.saturating_sub(self.booted) < seconds(picture.self_test_s) {
            return StateKind::SelfTest;
        }
        if self.alarms(profile).any(|f| f.class == Class::Maintenance) {
            return StateKind::Maintenance;
        }
        if self.alarms(profile).any(|f| !f.class.is_condition()) {
            return StateKind::Fault;
        }
        let silent = now.saturating_sub(self.heard.unwrap_or(self.booted)) >= self.silence;
        let may_close = match picture.terminals_without_inverter {
            Terminals::Dead => self.hears(now),
            Terminals::Live => true,
            Terminals::LiveUntilSilence => !silent,
        };
        let black_start = self.black_start_until.is_some_and(|until| now < until);
        if !(may_close || black_start) || self.alarms(profile).next().is_some() {
            return StateKind::Waiting;
        }
        match self.state {
            StateKind::Precharge if pack.circuit.poles() == (true, true) => StateKind::Standby,
            StateKind::Precharge => StateKind::Precharge,
            StateKind::Standby | StateKind::Running
                if pack.current_seen().abs() > picture.rest_current =>
            {
                StateKind::Running
            }
            StateKind::Standby | StateKind::Running => StateKind::Standby,
            _ if picture.precharge_s.is_none() => StateKind::Standby,
            _ => StateKind::Precharge,
        }
    }

    /// Pattern of a lamp: of the first lamp code that applies, dark where none says anything.
    pub(crate) fn lamp_pattern<'p>(&self, profile: &'p Profile, lamp: &str) -> &'p str {
        let code = profile.lamp_codes.iter().find(|code| {
            let alarm = code.any_alarm && self.alarms(profile).next().is_some();
            alarm
                || code.flags.iter().any(|id| self.active.contains(id))
                || code.states.contains(&self.state)
        });
        let powered = self.state != StateKind::Off
            || code.is_some_and(|c| c.states.contains(&StateKind::Off));
        code.filter(|_| powered)
            .and_then(|c| c.lamps.get(lamp))
            .map_or("off", String::as_str)
    }
}

/// Role of the word or code that a flag stands in.
fn role_of(profile: &Profile, flag: &Flag) -> Option<Role> {
    profile
        .points
        .iter()
        .find(|p| p.id == flag.point)
        .map(|p| p.role)
}

fn set(flags: &mut BTreeSet<String>, id: &str, up: bool) {
    if !up {
        flags.remove(id);
    } else if !flags.contains(id) {
        flags.insert(id.to_owned());
    }
}

/// Seconds of a profile as a duration; nonsense counts as none.
fn seconds(s: f64) -> Duration {
    Duration::try_from_secs_f64(s).unwrap_or_default()
}
