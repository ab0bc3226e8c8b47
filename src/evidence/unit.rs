//! What is known of one unit, growing with each of its answers.
//!
//! Input: questions to it with what came of them, own and overheard ones. Output: the last sample of
//! every instance, and what the rules need of those before. The registers of the last answer to each
//! question are kept, so that what they held is decoded once a count or a scale becomes known.
//!
//! Does not: judge freshness or limits. Only exchanges that were accepted give samples, so nothing
//! about the battery is ever drawn from a frame that failed its check.
//!
//! # Invariants
//! - What it takes is bounded: questions and instances are, and so is all that is kept of each.
//! - What was seen inside one answer, or between two, is kept for good.

mod conclude;

use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Duration;

use packside_profiles::model::{Point, Profile};
use packside_profiles::{Instance, Known, Layout, Role, StateKind, Value, decode};

use super::cells::Cells;
use super::charge::ChargedOutside;
use super::current::Currents;
use super::flag_and_age::FlagAndAge;
use super::followed::Followed;
use super::heartbeat::PulseCounter;
use super::inverter_age::InverterAge;
use super::map::Map;
use super::questions::Questions;
use super::samples::{Given, is_alone, offset_inside, power_of, usable, whole};
use super::stamp::Stamp;
use super::track::{Last, Track};
use super::transitions::{Contacts, Fell, SETTLES, States, Uptime, WhileOpen};
use super::warm::Alone;
use super::words::{is_up, word};
use crate::ask::{Exchange, Outcome};
use crate::wire::{Answer, Ask};

/// A lamp is told beside what was read of the unit so long before: who looks at it takes a moment.
// Kind: common practice
const JUST_READ: Duration = Duration::from_secs(120);

/// An uptime that grew by so much, s, runs.
const RUNS_S: f64 = 2.0;
/// Uptimes of one unit differ by less, whenever both were put together, s.
const OTHER_UPTIME_S: f64 = 15.0;

/// Whether the flag of the silent inverter is up.
#[derive(Debug, Clone, Default)]
pub(crate) struct InverterFlag {
    /// In its last sample since evidence counts.
    pub(crate) now_up: Option<bool>,
    /// In any of them.
    pub(crate) was_up: bool,
    /// When it fell under our questions.
    pub(crate) fell: Fell,
    /// It against the time since the inverter was heard.
    pub(crate) against_age: FlagAndAge,
    /// When it was last read.
    read_at: Option<Stamp>,
    /// When each instance was last seen up.
    last_up: BTreeMap<usize, Stamp>,
}

/// All that was seen of one unit address.
#[derive(Debug, Clone)]
pub(crate) struct UnitMemory {
    /// Unit address.
    pub(crate) unit: u8,
    /// Where everything stands.
    pub(crate) layout: Arc<Layout>,
    /// By instance.
    pub(crate) tracks: Vec<Track>,
    /// Valid answers of the unit, its exceptions included, those of a gateway not.
    pub(crate) answered: u32,
    /// Questions in a row, up to now, that nothing answered for it.
    pub(crate) misses: u32,
    /// The session that goes on.
    pub(crate) session: u32,
    /// When our first question of this session went out to it.
    pub(crate) asked_from: Option<Duration>,
    /// Since when it runs, and what its uptime did that no clock does.
    pub(crate) uptime: Uptime,
    /// Since when evidence of the inverter and of its own counter counts, in this session.
    pub(crate) counts_from: Duration,
    /// Its own counter, since then.
    pub(crate) heartbeat: PulseCounter,
    /// The counter that its inverter writes, since then.
    pub(crate) inverter_counter: PulseCounter,
    /// It was read in its pre-charge since it last started.
    pub(crate) precharge_seen: bool,
    /// The states that it was read in, since this session began or the clocks went apart.
    pub(crate) states: States,
    /// When it stopped waiting under our questions.
    pub(crate) waits: Fell,
    /// Its flag of the silent inverter.
    pub(crate) inverter: InverterFlag,
    /// Its switches against its state.
    pub(crate) contacts: Contacts,
    /// The current, in this session.
    pub(crate) currents: Currents,
    /// The time since its inverter was heard, as the unit says.
    pub(crate) inverter_age: InverterAge,
    /// When its switches or its state last changed, in this session.
    pub(crate) switched: Option<Stamp>,
    /// Current although its switches are open.
    pub(crate) while_open: WhileOpen,
    /// Its uptime when its own counter last moved, s.
    pub(crate) uptime_at_beat: Option<f64>,
    /// It was charged outside of the temperatures at which it may be.
    pub(crate) charged_outside: Option<Box<ChargedOutside>>,
    /// A module that was warm by itself while no current flowed.
    pub(crate) warm: Option<Alone>,
    /// Its cells from one answer to the other.
    pub(crate) cells: Cells,
    pub(crate) questions: Questions,
    /// State and switches as they were read last.
    last_switches: Option<(u64, Option<u64>)>,
    known: Known,
    /// By the name of the instance that gives it.
    powers: BTreeMap<String, i8>,
    followed: Followed,
}

impl UnitMemory {
    pub(crate) fn new(unit: u8, session: u32, counts_from: Duration, map: &Map) -> Self {
        let known = Known::default();
        let layout = Arc::new(Layout::new(&map.profile, &known));
        let tracks = layout.instances.iter();
        Self {
            unit,
            tracks: tracks.map(|i| Track::new(map, i.point)).collect(),
            followed: Followed::of(&layout, map),
            layout,
            answered: 0,
            misses: 0,
            session,
            asked_from: None,
            uptime: Uptime::default(),
            counts_from,
            heartbeat: PulseCounter::default(),
            inverter_counter: PulseCounter::default(),
            precharge_seen: false,
            states: States::default(),
            waits: Fell::default(),
            inverter: InverterFlag::default(),
            contacts: Contacts::default(),
            currents: Currents::default(),
            inverter_age: InverterAge::default(),
            switched: None,
            while_open: WhileOpen::default(),
            uptime_at_beat: None,
            charged_outside: None,
            warm: None,
            cells: Cells::default(),
            questions: Questions::default(),
            last_switches: None,
            known,
            powers: BTreeMap::new(),
        }
    }

    /// Bytes that it holds, the layout among them.
    pub(crate) fn held(&self) -> usize {
        let tracks = self.tracks.iter().map(Track::held).sum::<usize>();
        let followed = self.followed.cells.capacity() + self.followed.first_of.len() * 24;
        size_of::<Self>()
            + self.layout.instances.capacity() * size_of::<Instance>()
            + self.tracks.capacity() * size_of::<Track>()
            + tracks
            + followed
            + self.questions.held()
            + self.cells.held()
            + self.currents.held()
    }

    /// Instances with their point and what is known of each.
    pub(crate) fn each<'a>(
        &'a self,
        profile: &'a Profile,
    ) -> impl Iterator<Item = (&'a Instance, &'a Point, &'a Track)> {
        let both = self.layout.instances.iter().zip(&self.tracks);
        both.filter_map(|(instance, track)| {
            let point = profile.points.get(instance.point)?;
            Some((instance, point, track))
        })
    }

    /// Flags, by their place in the map, that were up in words read no longer than [`JUST_READ`] before.
    pub(crate) fn flags_up(&self, map: &Map, at: Stamp) -> Vec<usize> {
        let both = self.layout.instances.iter().zip(&self.tracks);
        let up = both.filter_map(|(instance, track)| {
            let last = track.last.as_ref()?;
            at.since(last.at).filter(|ago| *ago <= JUST_READ)?;
            let (raw, flags) = (word(&last.what)?, map.words_of(instance.point)?);
            let is_up =
                move |index: &&usize| map.flag(**index).is_some_and(|flag| is_up(flag, raw));
            Some(flags.iter().filter(is_up).copied())
        });
        up.flatten().collect()
    }

    /// What is known of the first instance with this role.
    pub(crate) fn first(&self, profile: &Profile, role: Role) -> Option<&Track> {
        self.tracks.get(self.place(profile, role)?)
    }

    /// Where the first instance with this role stands in the layout.
    pub(crate) fn place(&self, profile: &Profile, role: Role) -> Option<usize> {
        let has_role = |instance: &Instance| {
            let point = profile.points.get(instance.point);
            point.is_some_and(|point| point.role == role)
        };
        self.layout.instances.iter().position(has_role)
    }

    /// The last usable number of the first instance with this role.
    pub(crate) fn last_number(&self, profile: &Profile, role: Role) -> Option<f64> {
        Some(self.first(profile, role)?.number?.1)
    }

    /// The same, if it was read in this session and since evidence counts.
    pub(crate) fn number_that_counts(&self, profile: &Profile, role: Role) -> Option<f64> {
        let (when, number) = self.first(profile, role)?.number?;
        let at = when.within(self.session)?;
        (at >= self.counts_from).then_some(number)
    }

    /// Packs of the rack as this one says, from its last answer that carries the number.
    pub(crate) fn pack_count(&self, profile: &Profile) -> Option<u16> {
        let name = profile.members.as_ref()?.count.as_ref()?;
        let (_, _, track) = self.each(profile).find(|(_, point, _)| point.id == *name)?;
        whole(track.number?.1)
    }

    /// The current as it was read last in this session, as the unit tells it.
    pub(crate) fn current(&self) -> Option<f64> {
        let (when, amps) = self.tracks.get(self.followed.current?)?.number?;
        when.within(self.session).map(|_| amps)
    }

    /// Whether it was in pre-charge when it was read last, or had just switched.
    pub(crate) fn is_switching(&self, profile: &Profile) -> bool {
        let state = self
            .first(profile, Role::State)
            .and_then(|track| track.last.as_ref());
        let just = |last: &Last| {
            let ago = self.switched.and_then(|switched| last.at.since(switched));
            ago.is_some_and(|ago| ago <= SETTLES)
        };
        let states = self.states.read();
        let precharge = states
            .last()
            .is_some_and(|(_, kind)| *kind == StateKind::Precharge);
        precharge || state.is_some_and(just)
    }

    /// Takes a question that ended.
    pub(crate) fn take(&mut self, exchange: &Exchange, map: &Map) {
        let at = Stamp::new(self.session, exchange.ended_at);
        self.misses = match &exchange.outcome {
            Outcome::Answered(_) => 0,
            Outcome::Exception(code) if !matches!(code, 0x0a | 0x0b) => 0,
            _ => self.misses.saturating_add(1),
        };
        match &exchange.outcome {
            Outcome::Answered(answer) => {
                self.answered = self.answered.saturating_add(1);
                if let Answer::Registers(words) = answer {
                    self.registers(&exchange.ask, words, at, map);
                }
            }
            // 0A and 0B are words of a gateway about a unit that it did not reach.
            Outcome::Exception(0x0a | 0x0b) => {}
            Outcome::Exception(_) => self.answered = self.answered.saturating_add(1),
            Outcome::TimedOut(_) | Outcome::LinkLost => {}
        }
        if let Outcome::Exception(code) = exchange.outcome {
            self.refused(&exchange.ask, code, at, map);
        }
    }

    /// Another session begins.
    pub(crate) fn begin_session(&mut self, session: u32) {
        self.session = session;
        self.asked_from = None;
        self.currents.clear();
        self.cells.forget_answers();
        self.contacts = Contacts::default();
        self.states.clear();
        self.begin_to_count(Duration::ZERO);
        self.heartbeat = PulseCounter::default();
        (self.uptime_at_beat, self.switched, self.last_switches) = (None, None, None);
        self.inverter_counter = PulseCounter::default();
    }

    /// The clocks went apart: how long anything took that was under way is not known.
    pub(crate) fn clocks_broke(&mut self, at: Duration) {
        self.states.clear();
        self.begin_to_count(at);
    }

    /// From a moment of this session on evidence of the inverter and of the own counter counts anew.
    pub(crate) fn begin_to_count(&mut self, from: Duration) {
        self.counts_from = from;
        self.heartbeat.begin_at(from);
        self.inverter_counter.begin_at(from);
        self.inverter_age = InverterAge::default();
        self.waits = Fell::default();
        self.inverter = InverterFlag::default();
    }

    /// Whether its uptime went on while its own counter stood.
    pub(crate) fn runs_without_beat(&self) -> bool {
        let passed = self.uptime.now().zip(self.uptime_at_beat);
        passed.is_some_and(|(now, then)| now - then >= RUNS_S)
    }

    fn refused(&mut self, ask: &Ask, code: u8, at: Stamp, map: &Map) {
        let layout = Arc::clone(&self.layout);
        for (instance, track) in layout.instances.iter().zip(&mut self.tracks) {
            if is_alone(ask, instance)
                && let Some(point) = map.point(instance.point)
            {
                track.take(at, Given::Refused(code), map, (instance.point, point));
                track.from = None;
            }
        }
    }

    fn registers(&mut self, ask: &Ask, words: &[u16], at: Stamp, map: &Map) {
        let cells = &self.followed.cells;
        let taken = self.questions.take(ask, words, at, cells, &self.layout);
        let Some((number, before)) = taken else {
            return;
        };
        if before.is_none() {
            // Perhaps the place of a question that was forgotten.
            for track in &mut self.tracks {
                track.from = track.from.filter(|from| usize::from(*from) != number);
            }
        }
        if self.learns_a_count(ask, words, map) {
            self.lay_out(number, &[], map);
        }
        self.decode(number, before.as_deref(), None, map);
        let scales = self.learns_scales(at, map);
        if !scales.is_empty() {
            let fresh = self.lay_out(number, &scales, map);
            self.decode(number, None, Some(&fresh), map);
        }
        self.conclude(number, at, map);
    }

    /// Whether another answer to a question is that of another unit: by its identity, or by an uptime that
    /// cannot be of the same time.
    pub(crate) fn is_another(&self, ask: &Ask, words: &[u16], at: Duration, map: &Map) -> bool {
        self.layout
            .instances
            .iter()
            .zip(&self.tracks)
            .any(|(instance, track)| {
                let Some((offset, point)) =
                    offset_inside(ask, instance).zip(map.point(instance.point))
                else {
                    return false;
                };
                let is_text = matches!(point.role, Role::Serial | Role::ModuleSerial);
                if !is_text && point.role != Role::Uptime {
                    return false;
                }
                let end = offset + usize::from(point.width());
                let Some(Ok(other)) = words.get(offset..end).map(|own| decode(point, own, 0))
                else {
                    return false;
                };
                let Some(Last {
                    at: when,
                    what: Given::Decoded(known),
                }) = &track.last
                else {
                    return false;
                };
                match (&other.value, &known.value) {
                    (Some(Value::Text(other)), Some(Value::Text(known))) => other != known,
                    (Some(Value::Number(other)), Some(Value::Number(known))) => {
                        let passed = at.saturating_sub(when.at()).as_secs_f64();
                        (other - known - passed).abs() > OTHER_UPTIME_S + map.uptime_step
                    }
                    _ => false,
                }
            })
    }

    /// Whether an answer says for the first time, or otherwise than before, how often something repeats.
    fn learns_a_count(&mut self, ask: &Ask, words: &[u16], map: &Map) -> bool {
        let mut is_new = false;
        for instance in &map.counts {
            let Some(point) = map.point(instance.point) else {
                continue;
            };
            let registers = offset_inside(ask, instance)
                .and_then(|from| words.get(from..from + usize::from(instance.registers)));
            let decoded = registers.and_then(|registers| decode(point, registers, 0).ok());
            let count = decoded.and_then(|decoded| whole(usable(&Given::Decoded(decoded))?));
            if let Some(count) = count {
                let before = self.known.counts.insert(point.id.clone(), count);
                is_new |= before != Some(count);
            }
        }
        is_new
    }

    /// Points that scale others and say so for the first time, or otherwise than before.
    fn learns_scales(&mut self, at: Stamp, map: &Map) -> Vec<String> {
        let mut new = Vec::new();
        for index in &self.followed.scales {
            let instance = self.layout.instances.get(*index);
            let (Some(instance), Some(track)) = (instance, self.tracks.get(*index)) else {
                continue;
            };
            let power = track.number_of(at).and_then(|number| {
                (-10i8..=10).find(|power| (f64::from(*power) - number).abs() < 0.5)
            });
            if let Some((power, point)) = power.zip(map.point(instance.point))
                && self.powers.insert(instance.name(&map.profile), power) != Some(power)
            {
                new.push(point.id.clone());
            }
        }
        new
    }

    /// Places everything anew. What stands where it stood, and is scaled as it was, keeps what is known of
    /// it; the rest is taken from the last answers to all questions but the one that is being taken. Gives
    /// which instances those are.
    fn lay_out(&mut self, number: usize, rescaled: &[String], map: &Map) -> Vec<bool> {
        let layout = Arc::new(Layout::new(&map.profile, &self.known));
        let old = std::mem::replace(&mut self.layout, Arc::clone(&layout));
        let tracks = old.instances.iter().zip(std::mem::take(&mut self.tracks));
        let mut known: BTreeMap<_, _> = tracks
            .map(|(instance, track)| ((instance.point, instance.place), (instance, track)))
            .collect();
        let mut fresh = Vec::new();
        for instance in &layout.instances {
            let scale = map
                .point(instance.point)
                .and_then(|p| p.scale_point.as_ref());
            let is_rescaled = scale.is_some_and(|scale| rescaled.contains(scale));
            let same = known.remove(&(instance.point, instance.place));
            let same = same.filter(|(before, _)| *before == instance && !is_rescaled);
            fresh.push(same.is_none());
            self.tracks
                .push(same.map_or_else(|| Track::new(map, instance.point), |(_, track)| track));
        }
        self.followed = Followed::of(&layout, map);
        self.inverter.last_up.clear();
        self.cells.forget_answers();
        self.questions.lay_out(&layout, &self.followed.cells);
        for other in self.questions.oldest_first() {
            if other != number {
                self.decode(other, None, Some(&fresh), map);
            }
        }
        fresh
    }

    /// Decodes what the last answer to a question holds. `before` are the registers of the answer before;
    /// `fresh` says which instances are meant, where not all are.
    fn decode(&mut self, number: usize, before: Option<&[u16]>, fresh: Option<&[bool]>, map: &Map) {
        let Some(question) = self.questions.get(number) else {
            return;
        };
        for (index, offset) in &question.inside {
            let index = usize::from(*index);
            if fresh.is_some_and(|fresh| fresh.get(index) != Some(&true)) {
                continue;
            }
            let (Some(instance), Some(track)) =
                (self.layout.instances.get(index), self.tracks.get_mut(index))
            else {
                continue;
            };
            let Some(point) = map.point(instance.point) else {
                continue;
            };
            let offset = usize::from(*offset);
            let place = offset..offset + usize::from(instance.registers);
            let Some(words) = question.words.get(place.clone()) else {
                continue;
            };
            // Most registers say the same as a second ago.
            // Without the call that comparing slices makes: they have one word or two.
            let same = before
                .and_then(|before| before.get(place))
                .is_some_and(|before| before.iter().eq(words));
            if same && track.from.is_some_and(|from| usize::from(from) == number) {
                track.again(question.last, map, (instance.point, point));
                continue;
            }
            let Some(power) = power_of(&self.powers, point, instance) else {
                continue;
            };
            if let Ok(decoded) = decode(point, words, power) {
                let what = Given::Decoded(decoded);
                track.take(question.last, what, map, (instance.point, point));
                track.from = u8::try_from(number).ok();
            }
        }
    }
}
