//! One look at a unit, as a state machine: what to ask next, and when it is enough.
//!
//! Takes finished exchanges; gives the next question, a wait, or "done". Per unit address:
//! what can change under our asking first (flags, state, supervision) where asking may feed the
//! unit's supervision, then who it is, then everything in the cheapest plan, then the heartbeat until
//! it is seen to move or stand still, and who it is once more.
//!
//! A rack is one look: once its first pack has said how many there are, flags, states and extremes of all
//! packs are read before anything else, so that they are of one time; then pack after pack whole.
//!
//! Does not: send, wait, or judge. It decodes counts and the heartbeat only to know what to ask.
//!
//! # Invariants
//! - Bounded: every read is asked a few times at most, every refusal makes the plan smaller.
//! - Clear-on-read ranges are never asked.

use std::collections::{BTreeSet, VecDeque};
use std::sync::Arc;
use std::time::Duration;

use packside_profiles::model::{FedBy, Profile};
use packside_profiles::{Instance, Known, Layout, Role};

use super::plan::{Cost, Read, Split, absolute, plan, split};
use super::wanted::{avoided, is_measured, is_quick, is_vital};
use crate::ask::{Exchange, Outcome, Silence};
use crate::evidence::heartbeat::{Pulse, PulseCounter};
use crate::evidence::map::count_points;
use crate::evidence::samples::{gather, known};
use crate::facts::readings::is_identity;
use crate::wire::{Ask, Question};

/// How often a read without answer is asked in all.
const TRIES: u8 = 3;
/// How often a read whose answer came damaged is asked in all.
const DISTURBED_TRIES: u8 = 6;
/// Looks at the heartbeat before giving up on it.
const HEARTBEAT_LOOKS: u32 = 5;
/// A counter that stands is looked at for so long: then the unit hangs for certain.
const STILL_FOR: Duration = Duration::from_secs(30);
/// Looks at a counter that stands.
const STILL_LOOKS: u32 = 12;
/// Looks at the counter of the inverter, where only that tells of it: enough for its silence time.
const COUNTER_LOOKS: u32 = 12;
/// Refusals without a single answer after which a unit is left alone.
const REFUSALS: u32 = 12;
/// What may be a fault by one number alone is read again within this time, s.
// Kind: common practice
const READ_AGAIN_WITHIN_S: f64 = 2.0;
/// Pause after a "busy" answer.
const BUSY_PAUSE: Duration = Duration::from_millis(300);

/// What the look wants now.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LookWant {
    /// This question.
    Ask(Ask),
    /// Nothing before this moment.
    WaitUntil(Duration),
    /// The look is over.
    Done,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum LookStage {
    Quick,
    Identity,
    /// Of all packs, before the rest of any.
    Vital,
    Everything,
    Heartbeat(u32),
    IdentityAgain,
    /// A pack whose counter stands, once more after all packs, until that is certain.
    Standing(u32),
    /// What was measured, a second time.
    Again,
    /// The current behind that: it held still only where it was read on both sides.
    AgainCurrent,
    Over,
}

/// One look at one or several unit addresses.
#[derive(Debug)]
pub struct Look {
    profile: Arc<Profile>,
    cost: Cost,
    first_unit: u8,
    only: bool,
    unit: u8,
    stage: LookStage,
    layout: Layout,
    known: Known,
    queue: VecDeque<(Read, u8)>,
    open: Option<(Read, u8)>,
    not_before: Duration,
    /// A counter that stands is looked at until that is certain.
    until_certain: bool,
    /// Refused with exception 02 and not asked again, by unit address.
    refused: Vec<(u8, Instance)>,
    /// Packs that did not answer when their flags were wanted: the rest is not asked.
    silent: BTreeSet<u8>,
    /// Units of which what was measured is read a second time.
    again: VecDeque<u8>,
    /// Packs whose counters stand and were not looked at for long enough, once all packs were read.
    standing: Option<VecDeque<u8>>,
    exchanges: Vec<Exchange>,
    silent_reads: u32,
    /// Reads that something came to, but no answer, from the present unit.
    disturbed_reads: u32,
    /// Reads answered with data, and reads refused, by the present unit.
    answered: u32,
    refusals: u32,
    planned: usize,
}

impl Look {
    /// A look that starts at `unit`; `only` keeps it from following a rack to its other packs.
    pub fn new(profile: Arc<Profile>, unit: u8, only: bool, cost: Cost) -> Self {
        let mut look = Self {
            profile,
            cost,
            first_unit: unit,
            only,
            unit,
            stage: LookStage::Quick,
            layout: Layout::default(),
            known: Known::default(),
            queue: VecDeque::new(),
            open: None,
            not_before: Duration::ZERO,
            until_certain: false,
            refused: Vec::new(),
            silent: BTreeSet::new(),
            again: VecDeque::new(),
            standing: None,
            exchanges: Vec::new(),
            silent_reads: 0,
            disturbed_reads: 0,
            answered: 0,
            refusals: 0,
            planned: 0,
        };
        look.begin_unit(unit);
        look
    }

    /// Looks at a counter that stands for as long as it takes to know that it does.
    pub fn until_certain(mut self) -> Self {
        self.until_certain = true;
        self
    }

    /// What to do now.
    pub fn next(&mut self, now: Duration) -> LookWant {
        if now < self.not_before {
            return LookWant::WaitUntil(self.not_before);
        }
        while self.queue.is_empty() {
            if self.stage == LookStage::Over {
                return LookWant::Done;
            }
            self.advance();
            if now < self.not_before {
                return LookWant::WaitUntil(self.not_before);
            }
        }
        let Some((read, tries)) = self.queue.pop_front() else {
            return LookWant::Done;
        };
        let ask = Ask {
            unit: self.unit,
            question: Question::Read {
                table: read.table,
                address: read.address,
                count: read.count,
            },
        };
        self.open = Some((read, tries + 1));
        LookWant::Ask(ask)
    }

    /// Goes on with what was measured of these units, a second time: one number is no proof. A unit gets the
    /// time to measure anew.
    pub fn read_again(&mut self, units: impl IntoIterator<Item = u8>, now: Duration) {
        self.again = units.into_iter().collect();
        self.stage = LookStage::Again;
        let refresh = self.profile.unit.refresh_s * 1.1;
        self.not_before = now + Duration::from_secs_f64(refresh.clamp(1.0, READ_AGAIN_WITHIN_S));
    }

    /// Takes the outcome of the last question.
    pub fn take(&mut self, exchange: &Exchange) {
        self.exchanges.push(exchange.clone());
        let Some((read, tries)) = self.open.take() else {
            return;
        };
        match &exchange.outcome {
            Outcome::Answered(_) => {
                self.silent_reads = 0;
                self.answered += 1;
            }
            Outcome::Exception(0x02 | 0x03) => {
                self.silent_reads = 0;
                self.divide(&read);
            }
            Outcome::Exception(code) => {
                self.refused_otherwise(read, tries, *code, exchange.ended_at)
            }
            Outcome::TimedOut(Silence::Damaged | Silence::OnlyNotOurs) => {
                self.disturbed(read, tries);
            }
            _ => self.unanswered(read, tries),
        }
    }

    /// Questions answered and questions planned so far, for a progress bar.
    pub fn progress(&self) -> (usize, usize) {
        (self.planned.saturating_sub(self.queue.len()), self.planned)
    }

    /// The address being looked at.
    pub fn unit(&self) -> u8 {
        self.unit
    }

    fn refused_otherwise(&mut self, read: Read, tries: u8, code: u8, at: Duration) {
        if matches!(code, 0x05 | 0x06) {
            self.not_before = at + BUSY_PAUSE;
        }
        if matches!(code, 0x0a | 0x0b) {
            self.unanswered(read, tries);
        } else if tries < TRIES {
            self.queue.push_front((read, tries));
        }
    }

    /// Something came, but no answer: the line is disturbed, and somebody is there. One question that
    /// fails does not end the look; a unit that never gave a valid answer does.
    fn disturbed(&mut self, read: Read, tries: u8) {
        self.disturbed_reads += 1;
        if self.answered == 0 && self.disturbed_reads >= u32::from(TRIES) {
            self.give_up();
        } else if tries < DISTURBED_TRIES {
            self.queue.push_front((read, tries));
        }
    }

    /// Nobody answers any more: what is left is not asked.
    fn give_up(&mut self) {
        self.queue.clear();
        match self.stage {
            LookStage::Vital => {
                self.silent.insert(self.unit);
            }
            LookStage::Again | LookStage::Standing(_) => {}
            _ => self.stage = LookStage::IdentityAgain,
        }
    }

    fn unanswered(&mut self, read: Read, tries: u8) {
        self.silent_reads += 1;
        if self.silent_reads >= u32::from(TRIES) {
            // Three questions in a row are enough to say so.
            self.give_up();
        } else if tries < TRIES {
            self.queue.push_front((read, tries));
        }
    }

    /// Cuts a refused block until the missing points are known.
    ///
    /// A unit that refuses everything has another map or is not configured: a few refusals show it.
    fn divide(&mut self, read: &Read) {
        self.refusals += 1;
        if self.answered == 0 && self.refusals >= REFUSALS {
            return self.give_up();
        }
        match split(read, &self.layout.instances) {
            Split::Halves(left, right) => {
                self.planned += 2;
                self.queue.push_front((right, 0));
                self.queue.push_front((left, 0));
            }
            Split::Missing(gone) => {
                let instances = gone.iter().filter_map(|i| self.layout.instances.get(*i));
                let unit = self.unit;
                self.refused.extend(instances.map(|i| (unit, i.clone())));
            }
        }
    }

    fn begin_unit(&mut self, unit: u8) {
        let asking_feeds = !matches!(
            self.profile.inverter.fed_by,
            FedBy::Writes | FedBy::OtherPort
        );
        self.begin_at(
            unit,
            if asking_feeds {
                LookStage::Quick
            } else {
                LookStage::Identity
            },
        );
    }

    /// Goes on with a unit from this stage; what it counts may be known from before.
    fn begin_at(&mut self, unit: u8, stage: LookStage) {
        self.unit = unit;
        self.learn_counts();
        self.silent_reads = 0;
        self.disturbed_reads = 0;
        self.answered = 0;
        self.refusals = 0;
        self.stage = stage;
        self.fill();
    }

    /// Queues the reads of the present stage.
    fn fill(&mut self) {
        let wanted: Vec<usize> = match self.stage {
            LookStage::Quick | LookStage::Standing(_) => self.indices(is_quick),
            LookStage::Heartbeat(_) => {
                let counts = |role| role == Role::InverterHeartbeat && self.is_by_counter();
                self.indices(|role| is_quick(role) || counts(role))
            }
            LookStage::Identity => {
                let counts = count_points(&self.profile);
                self.indices_of(|role, id| is_identity(role) || counts.contains(id))
            }
            // The terminals once more, with what they must agree with out of the same answer: our own
            // questions may have closed the switches, and capacitors discharge.
            LookStage::IdentityAgain => self.indices(|role| {
                matches!(
                    role,
                    Role::Serial
                        | Role::Firmware
                        | Role::TerminalVoltage
                        | Role::PackVoltage
                        | Role::PackCurrent
                        | Role::PackPower
                        | Role::State
                        | Role::Switches
                )
            }),
            LookStage::Vital => self.indices(is_vital),
            LookStage::Everything => self.indices(|_| true),
            LookStage::Again => self.indices(|role| is_quick(role) || is_measured(role)),
            LookStage::AgainCurrent => self.indices(|role| role == Role::PackCurrent),
            LookStage::Over => Vec::new(),
        };
        let instances: Vec<Instance> = wanted
            .iter()
            .filter_map(|i| self.layout.instances.get(*i).cloned())
            .collect();
        let spans = absolute(&self.profile.spans, &self.known);
        let avoided = avoided(&self.profile, &self.known);
        let mut reads = plan(&instances, &spans, &avoided, &self.cost);
        for read in &mut reads {
            // Back to indices into the whole layout.
            read.instances = read
                .instances
                .iter()
                .filter_map(|i| wanted.get(*i).copied())
                .collect();
        }
        self.planned += reads.len();
        self.queue = reads.into_iter().map(|read| (read, 0)).collect();
    }

    fn indices(&self, wanted: impl Fn(Role) -> bool) -> Vec<usize> {
        self.indices_of(|role, _| wanted(role))
    }

    fn indices_of(&self, wanted: impl Fn(Role, &str) -> bool) -> Vec<usize> {
        let clears = absolute(&self.profile.clears_when_read, &self.known);
        let is_wanted = |instance: &Instance| {
            let point = self.profile.points.get(instance.point);
            let asked_for = point.is_some_and(|p| wanted(p.role, &p.id));
            let last = instance
                .address
                .saturating_add(instance.registers.saturating_sub(1));
            let clears = clears
                .iter()
                .any(|s| s.table == instance.table && s.from <= last && s.to >= instance.address);
            asked_for && !clears && !self.is_refused(instance)
        };
        self.layout
            .instances
            .iter()
            .enumerate()
            .filter(|(_, i)| is_wanted(i))
            .map(|(n, _)| n)
            .collect()
    }

    fn is_refused(&self, instance: &Instance) -> bool {
        let mut refused = self.refused.iter();
        refused.any(|(unit, gone)| *unit == self.unit && gone == instance)
    }

    /// The queue is empty: go to the next stage.
    fn advance(&mut self) {
        self.stage = match self.stage {
            LookStage::Quick => LookStage::Identity,
            LookStage::Identity => {
                self.learn_counts();
                let is_rack = self.unit == self.first_unit && self.packs() > 1;
                if is_rack {
                    LookStage::Vital
                } else {
                    LookStage::Everything
                }
            }
            LookStage::Vital => return self.next_vital(),
            LookStage::Again => LookStage::AgainCurrent,
            LookStage::AgainCurrent => return self.next_again(),
            LookStage::Everything => LookStage::Heartbeat(0),
            LookStage::Heartbeat(looks)
                if looks + 1 < self.most_looks() && !self.heartbeat_known() =>
            {
                LookStage::Heartbeat(looks + 1)
            }
            LookStage::Heartbeat(_) => LookStage::IdentityAgain,
            LookStage::Standing(looks) if looks + 1 < STILL_LOOKS && self.stands(self.unit) => {
                LookStage::Standing(looks + 1)
            }
            LookStage::Standing(_) => return self.next_standing(),
            LookStage::IdentityAgain | LookStage::Over => return self.next_unit(),
        };
        match self.stage {
            LookStage::Heartbeat(_) if self.heartbeat_known() => {
                self.stage = LookStage::IdentityAgain;
            }
            LookStage::Heartbeat(looks) | LookStage::Standing(looks) => self.wait_for_beat(looks),
            _ => {}
        }
        self.fill();
    }

    /// Growing gaps: equal ones could hit a counter that is reset with just that period.
    fn wait_for_beat(&mut self, looks: u32) {
        let last = self.exchanges.last().map_or(Duration::ZERO, |e| e.ended_at);
        let refresh = self.profile.unit.refresh_s.clamp(0.1, 60.0);
        self.not_before = last + Duration::from_secs_f64(refresh * (1.1 + 0.37 * f64::from(looks)));
    }

    fn learn_counts(&mut self) {
        let mine: Vec<&Exchange> = self
            .exchanges
            .iter()
            .filter(|e| e.ask.unit == self.unit)
            .collect();
        self.known = known(&mine, &self.profile);
        self.layout = Layout::new(&self.profile, &self.known);
    }

    /// Whether the heartbeat was seen moving, or standing still for certain; the inverter's counter too,
    /// where only that tells of the inverter.
    fn heartbeat_known(&self) -> bool {
        let silence = Duration::from_secs(self.profile.inverter.silence_s.into());
        let of_inverter = || match self.pulse(self.unit, Role::InverterHeartbeat) {
            Pulse::Moving => true,
            Pulse::Frozen { stood } => stood >= silence,
            Pulse::NotKnown => false,
        };
        let has_own = self
            .profile
            .points_with(Role::OwnHeartbeat)
            .next()
            .is_some();
        let own_known = !has_own
            || match self.pulse(self.unit, Role::OwnHeartbeat) {
                Pulse::Moving => true,
                Pulse::NotKnown => false,
                // In a rack the others come first.
                Pulse::Frozen { .. } => self.packs() > 1 || !self.stands(self.unit),
            };
        own_known && (!self.is_by_counter() || of_inverter())
    }

    /// Whether nothing but the counter that it writes tells of the inverter.
    fn is_by_counter(&self) -> bool {
        let has = |role| self.profile.points_with(role).next().is_some();
        self.profile.inverter.flag.is_none()
            && has(Role::InverterHeartbeat)
            && !has(Role::InverterFlag)
    }

    fn most_looks(&self) -> u32 {
        let stands = || {
            let own = self.pulse(self.unit, Role::OwnHeartbeat);
            matches!(own, Pulse::Frozen { .. })
        };
        match self.is_by_counter() {
            true => COUNTER_LOOKS,
            false if stands() => STILL_LOOKS,
            false => HEARTBEAT_LOOKS,
        }
    }

    /// Whether a counter stands, and not for long enough to be certain of it where that is wanted.
    fn stands(&self, unit: u8) -> bool {
        let own = self.pulse(unit, Role::OwnHeartbeat);
        let certain = STILL_FOR.max(Duration::from_secs_f64(self.profile.refresh_s()) * 10);
        self.until_certain && matches!(own, Pulse::Frozen { stood } if stood < certain)
    }

    /// What a counter of a unit does.
    fn pulse(&self, unit: u8, role: Role) -> Pulse {
        let evidence = gather(&self.exchanges, &self.profile);
        let mine = evidence.iter().find(|e| e.unit == unit);
        let series = mine.map(|e| e.series(&self.profile, role));
        let mut counter = PulseCounter::default();
        for (at, value) in series.unwrap_or_default() {
            counter.take(at, value);
        }
        counter.pulse(Duration::from_secs_f64(self.profile.refresh_s()))
    }

    /// The next pack's flags; after the last one the first pack whole.
    fn next_vital(&mut self) {
        match self.pack_after(self.unit) {
            Some(unit) => self.begin_at(unit, LookStage::Vital),
            None => self.begin_at(self.first_unit, LookStage::Everything),
        }
    }

    fn next_again(&mut self) {
        match self.again.pop_front() {
            Some(unit) => self.begin_at(unit, LookStage::Again),
            None => self.stage = LookStage::Over,
        }
    }

    fn next_unit(&mut self) {
        let mut next = self.pack_after(self.unit);
        while let Some(unit) = next.filter(|unit| self.silent.contains(unit)) {
            next = self.pack_after(unit);
        }
        match next {
            // Its flags were read with those of all packs.
            Some(unit) => self.begin_at(unit, LookStage::Identity),
            None => self.next_standing(),
        }
    }

    /// The next pack that perhaps hangs. While one is looked at the others stand as well.
    fn next_standing(&mut self) {
        let mut standing = self.standing.take().unwrap_or_else(|| {
            let packs = std::iter::successors(Some(self.first_unit), |unit| self.pack_after(*unit));
            packs.collect()
        });
        let next = std::iter::from_fn(|| standing.pop_front()).find(|unit| self.stands(*unit));
        self.standing = Some(standing);
        match next {
            Some(unit) => {
                self.begin_at(unit, LookStage::Standing(0));
            }
            None => self.stage = LookStage::Over,
        }
    }

    fn pack_after(&self, unit: u8) -> Option<u8> {
        let next = u16::from(unit) + 1;
        let end = u16::from(self.first_unit) + self.packs();
        u8::try_from(next).ok().filter(|_| next < end)
    }

    /// Packs that are looked at.
    fn packs(&self) -> u16 {
        let members = self.profile.members.as_ref().filter(|_| !self.only);
        members.map_or(1, |members| self.pack_count().min(members.at_most.into()))
    }

    /// Packs of the rack, as its first pack says.
    fn pack_count(&self) -> u16 {
        let evidence = gather(&self.exchanges, &self.profile);
        let first = evidence.iter().find(|e| e.unit == self.first_unit);
        first
            .and_then(|e| e.pack_count(&self.profile))
            .unwrap_or(1)
            .max(1)
    }
}

#[cfg(test)]
#[path = "look_tests.rs"]
mod tests;
