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

use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Duration;

use packside_profiles::model::{Point, Profile};
use packside_profiles::{
    Decoded, Foreign, Instance, Known, Layout, Quality, Role, StateKind, Value, decode,
};

use super::cells::{CellAnswer, Cells};
use super::charge::{ChargedOutside, Outside, charging};
use super::current::Currents;
use super::excursion::Excursion;
use super::heartbeat::PulseCounter;
use super::heat::Heat;
use super::map::Map;
use super::questions::Questions;
use super::samples::{Given, is_alone, offset_inside, power_of, usable, whole};
use super::stamp::Stamp;
use super::transitions::{Beat, Contacts, Fell, States, Uptime};
use super::words::{WordMemory, is_up, state_explains, word};
use crate::ask::{Exchange, Outcome};
use crate::wire::{Answer, Ask};

/// Temperatures older than this are not held against a current.
const FRESH: Duration = Duration::from_secs(60);
/// An uptime that grew by so much, s, runs.
const RUNS_S: f64 = 2.0;
/// Uptimes of one unit differ by less, whenever both were put together, s.
const OTHER_UPTIME_S: f64 = 15.0;
/// Most different serial numbers of one place that are told apart.
const TEXTS: usize = 8;

/// What an instance gave last.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Last {
    /// When the answer was complete.
    pub(crate) at: Stamp,
    /// What it was.
    pub(crate) what: Given,
}

/// What is known of one instance.
#[derive(Debug, Clone, Default)]
pub(crate) struct Track {
    /// What was read last.
    pub(crate) last: Option<Last>,
    /// The last usable number, and when.
    pub(crate) number: Option<(Stamp, f64)>,
    /// The usable number before that.
    pub(crate) before: Option<f64>,
    /// When it was beyond an alarm limit, if it ever was.
    pub(crate) excursion: Option<Box<Excursion>>,
    /// The question that gave the last sample.
    from: Option<usize>,
    kept: Option<Box<Kept>>,
}

/// What a rule needs of earlier samples of one instance.
#[derive(Debug, Clone)]
enum Kept {
    Words(WordMemory),
    /// Different texts, in the order in which they came.
    Texts(Vec<Foreign>),
    /// What a temperature did.
    Heat(Heat),
}

impl Track {
    fn new(map: &Map, point: usize) -> Self {
        let role = map.point(point).map(|point| point.role);
        let kept = match role {
            Some(Role::Serial | Role::ModuleSerial) => Some(Kept::Texts(Vec::new())),
            _ if map.tells_heat(point) => Some(Kept::Heat(Heat::default())),
            _ => map
                .words_of(point)
                .map(|flags| Kept::Words(WordMemory::new(flags.len()))),
        };
        Self {
            kept: kept.map(Box::new),
            ..Self::default()
        }
    }

    /// Its words, where it is one.
    pub(crate) fn words(&self) -> Option<&WordMemory> {
        match self.kept.as_deref() {
            Some(Kept::Words(words)) => Some(words),
            _ => None,
        }
    }

    /// The different texts that it gave, where it is a serial number.
    pub(crate) fn texts(&self) -> &[Foreign] {
        match self.kept.as_deref() {
            Some(Kept::Texts(texts)) => texts,
            _ => &[],
        }
    }

    /// What it did, where it is a temperature.
    pub(crate) fn heat(&self) -> Option<&Heat> {
        match self.kept.as_deref() {
            Some(Kept::Heat(heat)) => Some(heat),
            _ => None,
        }
    }

    /// Bytes that it holds beside itself.
    fn held(&self) -> usize {
        let text = |text: &Foreign| size_of::<Foreign>() + text.as_given().len();
        let last = match self.last.as_ref().map(|last| &last.what) {
            Some(Given::Decoded(Decoded {
                value: Some(Value::Text(value)),
                ..
            })) => value.as_given().len(),
            _ => 0,
        };
        let kept = self.kept.as_deref().map_or(0, |kept| {
            size_of::<Kept>()
                + match kept {
                    Kept::Words(words) => words.held(),
                    Kept::Texts(texts) => texts.iter().map(text).sum(),
                    Kept::Heat(heat) => heat.held(),
                }
        });
        last + kept
            + self
                .excursion
                .as_ref()
                .map_or(0, |_| size_of::<Excursion>())
    }

    /// Whether it was read in the answer that was complete at this moment.
    fn is_of(&self, at: Stamp) -> bool {
        self.last.as_ref().is_some_and(|last| last.at == at)
    }

    /// The number in the answer that was complete at this moment.
    fn number_of(&self, at: Stamp) -> Option<f64> {
        let (when, number) = self.number?;
        (when == at && self.is_of(at)).then_some(number)
    }

    /// The word in the answer that was complete at this moment.
    fn word_of(&self, at: Stamp) -> Option<u64> {
        word(&self.last.as_ref().filter(|last| last.at == at)?.what)
    }

    fn take(&mut self, at: Stamp, what: Given, map: &Map, point: (usize, &Point)) {
        let new = usable(&what);
        self.keep(at, &what, map, point);
        if let Some(new) = new {
            if point.1.valid_when.is_none() {
                Excursion::take(
                    &mut self.excursion,
                    at,
                    new,
                    point.1,
                    map.profile.cell.as_ref(),
                );
            }
            self.before = self.number.map(|(_, number)| number);
            self.number = Some((at, new));
        }
        self.last = Some(Last { at, what });
    }

    fn keep(&mut self, at: Stamp, what: &Given, map: &Map, (index, point): (usize, &Point)) {
        match self.kept.as_deref_mut() {
            Some(Kept::Words(words)) => {
                if let Some((raw, flags)) = word(what).zip(map.words_of(index)) {
                    words.take(at, raw, point, flags, map);
                }
            }
            Some(Kept::Texts(texts)) => {
                if let Given::Decoded(Decoded {
                    value: Some(Value::Text(text)),
                    ..
                }) = what
                    && texts.len() < TEXTS
                    && !texts.contains(text)
                {
                    texts.push(text.clone());
                }
            }
            Some(Kept::Heat(_)) | None => {}
        }
    }

    /// Forgets its texts but for that of the answer that was complete at this moment.
    fn begin_texts_at(&mut self, at: Stamp) {
        let now = match &self.last {
            Some(Last {
                at: when,
                what:
                    Given::Decoded(Decoded {
                        value: Some(Value::Text(text)),
                        ..
                    }),
            }) if *when == at => Some(text.clone()),
            _ => None,
        };
        if let Some(Kept::Texts(texts)) = self.kept.as_deref_mut() {
            *texts = now.into_iter().collect();
        }
    }

    /// The same registers came again.
    fn again(&mut self, at: Stamp, map: &Map, point: (usize, &Point)) {
        let Some(last) = &mut self.last else { return };
        last.at = at;
        if let Some(new) = usable(&last.what) {
            if self.excursion.is_some() && point.1.valid_when.is_none() {
                Excursion::take(
                    &mut self.excursion,
                    at,
                    new,
                    point.1,
                    map.profile.cell.as_ref(),
                );
            }
            self.before = Some(new);
            self.number = Some((at, new));
        }
        if matches!(self.kept.as_deref(), Some(Kept::Words(_))) {
            let what = last.what.clone();
            self.keep(at, &what, map, point);
        }
    }
}

/// Where the instances stand that are followed beyond their last sample.
#[derive(Debug, Clone, Default)]
struct Followed {
    uptime: Option<usize>,
    heartbeat: Option<usize>,
    state: Option<usize>,
    switches: Option<usize>,
    current: Option<usize>,
    inverter_beat: Option<usize>,
    temperatures: Vec<usize>,
    inverter: Vec<usize>,
    scales: Vec<usize>,
    /// By instance: whether it is a cell.
    cells: Vec<bool>,
    /// By point: its first instance.
    first_of: BTreeMap<usize, usize>,
}

impl Followed {
    fn of(layout: &Layout, map: &Map) -> Self {
        let mut followed = Self::default();
        for (index, instance) in layout.instances.iter().enumerate() {
            let role = map.point(instance.point).map(|point| point.role);
            followed.cells.push(role == Some(Role::CellVoltage));
            followed.first_of.entry(instance.point).or_insert(index);
            if map.carries_inverter_flag(instance.point) {
                followed.inverter.push(index);
            }
            if matches!(
                role,
                Some(Role::CellTemperature | Role::CellTemperatureMin | Role::CellTemperatureMax)
            ) {
                followed.temperatures.push(index);
            }
            let first = match role {
                Some(Role::Uptime) => &mut followed.uptime,
                Some(Role::OwnHeartbeat) => &mut followed.heartbeat,
                Some(Role::State) => &mut followed.state,
                Some(Role::Switches) => &mut followed.switches,
                Some(Role::PackCurrent) => &mut followed.current,
                Some(Role::InverterHeartbeat) => &mut followed.inverter_beat,
                Some(Role::ScaleFactor) => {
                    followed.scales.push(index);
                    continue;
                }
                _ => continue,
            };
            first.get_or_insert(index);
        }
        followed
    }
}

/// Whether the flag of the silent inverter is up.
#[derive(Debug, Clone, Default)]
pub(crate) struct InverterFlag {
    /// In its last sample since evidence counts.
    pub(crate) now_up: Option<bool>,
    /// In any of them.
    pub(crate) was_up: bool,
    /// When it fell under our questions.
    pub(crate) fell: Fell,
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
    /// The counter that its inverter writes.
    pub(crate) inverter_beat: Beat,
    /// Its uptime when its own counter last moved, s.
    pub(crate) uptime_at_beat: Option<f64>,
    /// It was charged outside of the temperatures at which it may be.
    pub(crate) charged_outside: Option<Box<ChargedOutside>>,
    /// Its cells from one answer to the other.
    pub(crate) cells: Cells,
    pub(crate) questions: Questions,
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
            inverter_beat: Beat::default(),
            uptime_at_beat: None,
            charged_outside: None,
            cells: Cells::default(),
            questions: Questions::default(),
            known,
            powers: BTreeMap::new(),
        }
    }

    /// Bytes that it holds, the layout among them.
    pub(crate) fn held(&self) -> usize {
        let instances = self.layout.instances.iter();
        let layout = instances.map(|one| size_of::<Instance>() + one.name.capacity());
        let tracks = self.tracks.iter().map(Track::held).sum::<usize>();
        let followed = self.followed.cells.capacity() + self.followed.first_of.len() * 24;
        size_of::<Self>()
            + layout.sum::<usize>()
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

    /// Takes a question that ended.
    pub(crate) fn take(&mut self, exchange: &Exchange, map: &Map) {
        let at = Stamp {
            session: self.session,
            at: exchange.ended_at,
        };
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
        (self.inverter_beat, self.uptime_at_beat) = (Beat::default(), None);
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
        self.waits = Fell::default();
        self.inverter = InverterFlag::default();
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
                track.from = track.from.filter(|from| *from != number);
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
                        let passed = at.saturating_sub(when.at).as_secs_f64();
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
                && self.powers.insert(instance.name.clone(), power) != Some(power)
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
            if same && track.from == Some(number) {
                track.again(question.last, map, (instance.point, point));
                continue;
            }
            let Some(power) = power_of(&self.powers, point, instance) else {
                continue;
            };
            if let Ok(decoded) = decode(point, words, power) {
                let what = Given::Decoded(decoded);
                track.take(question.last, what, map, (instance.point, point));
                track.from = Some(number);
            }
        }
    }

    /// Draws from one answer what its numbers say together.
    fn conclude(&mut self, number: usize, at: Stamp, map: &Map) {
        let track = |index: Option<usize>| self.tracks.get(index?).filter(|track| track.is_of(at));
        let uptime = track(self.followed.uptime).and_then(|track| track.number_of(at));
        let restarted = uptime.is_some_and(|uptime| self.uptime.take(at, uptime, map.uptime_step));
        if restarted {
            self.restarted(at, map);
        }
        let track = |index: Option<usize>| self.tracks.get(index?).filter(|track| track.is_of(at));
        let value_of = |index| track(index).and_then(|track| track.number_of(at));
        let (beat, inverter_beat) = (
            value_of(self.followed.heartbeat),
            value_of(self.followed.inverter_beat),
        );
        let amps = value_of(self.followed.current);
        if let Some(value) = beat {
            self.heartbeat.take(at.at, value);
            if self.heartbeat.has_just_moved() {
                self.uptime_at_beat = self.uptime.now();
            }
        }
        if let Some(value) = inverter_beat {
            self.inverter_beat.take(at, value);
            self.inverter_counter.take(at.at, value);
        }
        if let Some(amps) = amps {
            self.currents.take(at.at, amps);
            self.charge(at, amps, map);
        }
        self.heat(at, map);
        self.state_and_switches(at, map);
        self.inverter_flag(at, map);
        self.cells_of(number, at);
        self.before_silence(number, at, map);
        self.valid_numbers(at, map);
    }

    /// What the temperatures of this answer did since the ones before.
    fn heat(&mut self, at: Stamp, map: &Map) {
        let rest = map.profile.unit.rest_current;
        let at_rest = self.current().is_some_and(|amps| amps.abs() <= rest);
        for index in &self.followed.temperatures {
            let (Some(instance), Some(track)) = (
                self.layout.instances.get(*index),
                self.tracks.get_mut(*index),
            ) else {
                continue;
            };
            let (number, point) = (track.number_of(at), map.point(instance.point));
            let kept = track.kept.as_deref_mut();
            if let (Some(celsius), Some(point), Some(Kept::Heat(heat))) = (number, point, kept) {
                heat.take(at, celsius, point.scale.value().abs(), at_rest);
            }
        }
    }

    /// Holds the current of this answer against the temperatures that were read last.
    fn charge(&mut self, at: Stamp, amps: f64, map: &Map) {
        let index = self.followed.current;
        let point = index
            .and_then(|index| self.layout.instances.get(index))
            .and_then(|instance| map.point(instance.point));
        let Some((charging, cell)) = point
            .and_then(|point| charging(point, amps))
            .zip(map.profile.cell.as_ref())
        else {
            return;
        };
        let celsius = self.followed.temperatures.iter().filter_map(|index| {
            let (when, celsius) = self.tracks.get(*index)?.number?;
            let is_fresh = at.since(when).is_some_and(|ago| ago <= FRESH);
            is_fresh.then_some((*index, celsius))
        });
        let outside = celsius.filter_map(|(place, celsius)| Outside::of(place, celsius, cell));
        let furthest = outside.max_by(|a, b| a.by().total_cmp(&b.by()));
        let charges = charging > 2.0 * map.profile.unit.rest_current;
        match furthest.filter(|_| charges) {
            Some(outside) => {
                ChargedOutside::take(&mut self.charged_outside, at, charging, outside);
            }
            None => {
                if let Some(known) = &mut self.charged_outside {
                    known.spell.good(at);
                }
            }
        }
    }

    /// Whether its uptime went on while its own counter stood.
    pub(crate) fn runs_without_beat(&self) -> bool {
        let passed = self.uptime.now().zip(self.uptime_at_beat);
        passed.is_some_and(|(now, then)| now - then >= RUNS_S)
    }

    /// Numbers that mean something only while another point says so: an insulation monitor in its self-test
    /// shows nothing.
    fn valid_numbers(&mut self, at: Stamp, map: &Map) {
        for (index, other) in &map.valid_when {
            let Some((point, condition)) = map
                .point(*index)
                .and_then(|point| Some((point, point.valid_when.as_ref()?)))
            else {
                continue;
            };
            let first_of = |index: usize| self.followed.first_of.get(&index).copied();
            let raw = first_of(*other).and_then(|other| {
                match &self.tracks.get(other)?.last.as_ref()?.what {
                    Given::Decoded(decoded) => Some(decoded.raw),
                    Given::Refused(_) => None,
                }
            });
            let is_valid = raw.is_some_and(|raw| condition.is.contains(&raw));
            let Some(track) = first_of(*index).and_then(|own| self.tracks.get_mut(own)) else {
                continue;
            };
            if let Some(number) = track.number_of(at).filter(|_| is_valid) {
                let cell = map.profile.cell.as_ref();
                Excursion::take(&mut track.excursion, at, number, point, cell);
            }
        }
    }

    /// The unit has restarted: what it says of itself counts anew.
    fn restarted(&mut self, at: Stamp, map: &Map) {
        self.precharge_seen = false;
        (self.inverter_beat, self.uptime_at_beat) = (Beat::default(), None);
        self.begin_to_count(at.at);
        // Modules may have been exchanged while the unit was off.
        for (instance, track) in self.layout.instances.iter().zip(&mut self.tracks) {
            let role = map.point(instance.point).map(|point| point.role);
            if role == Some(Role::ModuleSerial) {
                track.begin_texts_at(at);
            }
        }
    }

    fn state_and_switches(&mut self, at: Stamp, map: &Map) {
        let tracks = &self.tracks;
        let raw_of = |index: Option<usize>| match &tracks.get(index?)?.last {
            Some(Last {
                at: when,
                what: Given::Decoded(decoded),
            }) if *when == at && decoded.quality == Quality::Good => Some(decoded.raw),
            _ => None,
        };
        let Some(raw) = raw_of(self.followed.state) else {
            return;
        };
        let state = self
            .followed
            .state
            .and_then(|index| map.point(self.layout.instances.get(index)?.point))
            .and_then(|point| point.values.iter().find(|value| value.is == raw));
        let Some(kind) = state.and_then(|state| state.state) else {
            return;
        };
        self.precharge_seen |= kind == StateKind::Precharge;
        self.states.take(at.at, kind);
        self.waits
            .take(at.at, kind == StateKind::Waiting, self.asked_from);
        if let Some(switches) = raw_of(self.followed.switches) {
            let closed = map.profile.unit.switches_closed;
            self.contacts.take(at, kind, raw, switches & closed, closed);
        }
    }

    fn inverter_flag(&mut self, at: Stamp, map: &Map) {
        let flag = map.inverter_flag.and_then(|flag| map.flag(flag));
        for index in &self.followed.inverter {
            let Some(Last {
                at: when,
                what: Given::Decoded(decoded),
            }) = self
                .tracks
                .get(*index)
                .and_then(|track| track.last.as_ref())
            else {
                continue;
            };
            if *when != at || decoded.quality != Quality::Good {
                continue;
            }
            let shown = flag.map_or(decoded.raw != 0, |flag| is_up(flag, decoded.raw));
            let inverter = &mut self.inverter;
            if shown {
                inverter.last_up.insert(*index, at);
            }
            // A code that takes turns shows others in between.
            let rotates = self
                .layout
                .instances
                .get(*index)
                .and_then(|instance| map.point(instance.point))
                .is_some_and(|point| point.rotates);
            let turns = rotates
                && inverter
                    .last_up
                    .get(index)
                    .and_then(|up| at.since(*up))
                    .is_some_and(|ago| ago <= super::words::TURN);
            let is_up = shown || turns;
            inverter.now_up = Some(is_up);
            inverter.was_up |= is_up;
            inverter.fell.take(at.at, is_up, self.asked_from);
        }
    }

    fn cells_of(&mut self, number: usize, at: Stamp) {
        let Some(question) = self.questions.get(number).filter(|q| !q.cells.is_empty()) else {
            return;
        };
        let volts = |cell: &u16| {
            let track = self.tracks.get(usize::from(*cell));
            track
                .and_then(|track| track.number_of(at))
                .unwrap_or(f64::NAN)
        };
        let current = self
            .followed
            .current
            .and_then(|index| self.tracks.get(index));
        let answer = CellAnswer {
            at,
            current: current.and_then(|track| track.number_of(at)),
            cells: Arc::clone(&question.cells),
            volts: question.cells.iter().map(volts).collect(),
        };
        self.cells.take(answer, &self.layout);
    }

    /// Notes statuses that are up in this answer while the unit is in service and nothing that brings them
    /// is. Only words and a state out of one answer are compared: two answers may be of two moments.
    fn before_silence(&mut self, number: usize, at: Stamp, map: &Map) {
        let Some(question) = self.questions.get(number) else {
            return;
        };
        let Some(state) = self.state_of(at, map) else {
            return;
        };
        let mut found = Vec::new();
        for (index, _) in &question.inside {
            let index = usize::from(*index);
            let (Some(instance), Some(track)) =
                (self.layout.instances.get(index), self.tracks.get(index))
            else {
                continue;
            };
            let Some((raw, flags)) = track.word_of(at).zip(map.words_of(instance.point)) else {
                continue;
            };
            for (place, flag) in flags.iter().enumerate() {
                if self.is_before_silence(*flag, raw, (state, at), map) {
                    found.push((index, place));
                }
            }
        }
        for (index, place) in found {
            let kept = self
                .tracks
                .get_mut(index)
                .and_then(|t| t.kept.as_deref_mut());
            if let Some(Kept::Words(words)) = kept
                && let Some(flag) = words.flags.get_mut(place)
            {
                flag.before_silence = true;
            }
        }
    }

    fn is_before_silence(
        &self,
        index: usize,
        raw: u64,
        (state, at): (StateKind, Stamp),
        map: &Map,
    ) -> bool {
        let (Some(flag), Some(bringing)) = (map.flag(index), map.brought_by.get(index)) else {
            return false;
        };
        let is_down = |other: &usize| {
            let point = map.point_of.get(*other).copied().flatten();
            let first = point.and_then(|point| self.followed.first_of.get(&point));
            let track = first.and_then(|index| self.tracks.get(*index));
            let raw = track.and_then(|track| track.word_of(at));
            raw.zip(map.flag(*other))
                .is_some_and(|(raw, other)| !is_up(other, raw))
        };
        !bringing.is_empty()
            && is_up(flag, raw)
            && !state_explains(state, flag.class)
            && bringing.iter().all(is_down)
    }

    /// The state in the answer that was complete at this moment.
    fn state_of(&self, at: Stamp, map: &Map) -> Option<StateKind> {
        let index = self.followed.state?;
        let raw = self.tracks.get(index)?.word_of(at)?;
        let point = map.point(self.layout.instances.get(index)?.point)?;
        point.values.iter().find(|value| value.is == raw)?.state
    }
}
