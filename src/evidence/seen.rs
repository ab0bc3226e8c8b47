//! What the events so far come to, growing with each of them.
//!
//! Input: events, one after the other. Output: what the line did, what is known of each unit, what people
//! said. Nothing is looked at twice, and no event is kept.
//!
//! Does not: judge.
//!
//! # Invariants
//! - What it keeps is bounded, whatever comes and in whatever order: at most [`UNITS`] units, and of each
//!   what [`super::unit`] says.
//! - No freshness, gap or duration crosses a session, or a moment at which the clocks went apart.

use std::collections::{BTreeMap, BTreeSet};
use std::ops::RangeInclusive;
use std::sync::Arc;
use std::time::Duration;

use packside_profiles::model::Profile;

use super::line::LineMemory;
use super::map::Map;
use super::said::People;
use super::stamp::Stamp;
use super::unit::UnitMemory;
use crate::ask::{Exchange, Talking, Told};
use crate::event::{Event, What, clock_offset_ms, is_clock_break};
use crate::wire::Ask;

/// Most units of which others ask, as long as we asked none.
const UNITS: usize = 32;

/// A question that ended, as it is told beside judging.
pub(crate) struct Ended<'a> {
    pub(crate) exchange: &'a Exchange,
    /// We asked it.
    pub(crate) is_own: bool,
    /// What is known of the unit now.
    pub(crate) unit: Option<&'a UnitMemory>,
}

/// Everything that judging draws from.
#[derive(Debug, Clone)]
pub(crate) struct Seen {
    map: Option<Arc<Map>>,
    /// What the line did in this session.
    pub(crate) line: LineMemory,
    /// Units whose questions were answered or not, by address.
    pub(crate) units: BTreeMap<u8, UnitMemory>,
    /// How often a unit answered a question a second time, with other content.
    pub(crate) twice: BTreeMap<u8, u32>,
    /// How often a question was answered a second time by a unit with another identity.
    pub(crate) contradicted: BTreeMap<u8, u32>,
    /// Units that somebody else ever asked.
    pub(crate) asked_by_others: BTreeSet<u8>,
    /// What people said.
    pub(crate) said: People,
    /// Number of the session that goes on.
    pub(crate) session: u32,
    /// The last moment of this session at which the clocks had gone apart.
    pub(crate) clocks_broke_at: Option<Duration>,
    /// Addresses that a look is about, once we asked.
    pub(crate) of_interest: Option<RangeInclusive<u8>>,
    talking: Talking,
    clock_ms: Option<i64>,
    last: Option<Duration>,
    last_link: Option<Duration>,
}

impl Seen {
    /// Nothing happened yet.
    pub(crate) fn new(profile: Option<Arc<Profile>>) -> Self {
        Self {
            map: profile.map(|profile| Arc::new(Map::new(profile))),
            line: LineMemory::default(),
            units: BTreeMap::new(),
            twice: BTreeMap::new(),
            contradicted: BTreeMap::new(),
            asked_by_others: BTreeSet::new(),
            said: People::default(),
            session: 0,
            clocks_broke_at: None,
            of_interest: None,
            talking: Talking::new(),
            clock_ms: None,
            last: None,
            last_link: None,
        }
    }

    /// The register map.
    pub(crate) fn profile(&self) -> Option<&Profile> {
        Some(&self.map.as_deref()?.profile)
    }

    /// The register map, to be kept beside what it means.
    pub(crate) fn shared_profile(&self) -> Option<Arc<Profile>> {
        Some(Arc::clone(&self.map.as_deref()?.profile))
    }

    /// Takes the next event.
    pub(crate) fn take(&mut self, event: &Event) {
        self.take_telling(event, &mut |_| {});
    }

    /// Takes the next event, and tells each exchange that it ends.
    pub(crate) fn take_telling(&mut self, event: &Event, ended: &mut dyn FnMut(Ended<'_>)) {
        self.last = Some(event.at);
        if event.what.is_link() {
            self.last_link = self.last;
        }
        if let What::Clock(utc) = &event.what {
            self.clock(event.at, utc);
        }
        let at = Stamp::new(self.session, event.at);
        self.said.take(at, &event.what);
        if let (What::Sighting { .. }, Some(map)) = (&event.what, &self.map) {
            let of = |(unit, memory): (&u8, &UnitMemory)| {
                let up = memory.flags_up(map, at);
                up.into_iter().map(|flag| (*unit, flag)).collect::<Vec<_>>()
            };
            self.said
                .told_beside(self.units.iter().flat_map(of).collect());
        }
        // The bytes of an answer count as answered: what they end is taken first.
        let mut told = Vec::new();
        self.talking.take(event, &mut |one| told.push(one));
        told.into_iter().for_each(|one| self.tell(one, ended));
        self.line.take(event);
    }

    /// The session is over: what was under way is decided, and the times of the next one are others.
    pub(crate) fn begin_session(&mut self) {
        let mut told = Vec::new();
        self.talking.finish(&mut |one| told.push(one));
        told.into_iter().for_each(|one| self.tell(one, &mut |_| {}));
        self.session = self.session.saturating_add(1);
        self.talking = Talking::new();
        self.line = LineMemory::default();
        self.clocks_broke_at = None;
        self.clock_ms = None;
        (self.last, self.last_link) = (None, None);
        for unit in self.units.values_mut() {
            unit.begin_session(self.session);
        }
    }

    /// Bytes that it holds, but for the register map and what people said.
    pub(crate) fn held(&self) -> usize {
        self.line.held() + self.units.values().map(UnitMemory::held).sum::<usize>()
    }

    /// The moment judged where none is given: the last event on the link, else the last event.
    pub(crate) fn moment(&self) -> Duration {
        self.last_link.or(self.last).unwrap_or_default()
    }

    /// Whether we asked anything in this session.
    pub(crate) fn we_asked(&self) -> bool {
        self.line.requests > 0
    }

    fn clock(&mut self, at: Duration, utc: &str) {
        let Some(now) = clock_offset_ms(at, utc) else {
            return;
        };
        let before = self.clock_ms.replace(now);
        if before.is_some_and(|before| is_clock_break(before, now)) {
            self.clocks_broke_at = Some(at);
            for unit in self.units.values_mut() {
                unit.clocks_broke(at);
            }
        }
    }

    fn tell(&mut self, told: Told, ended: &mut dyn FnMut(Ended<'_>)) {
        let mut take = |exchange: &Exchange, is_own: bool| {
            if is_own {
                self.own(exchange);
            } else {
                self.answered(exchange, false);
            }
            ended(Ended {
                exchange,
                is_own,
                unit: self.units.get(&exchange.ask.unit),
            });
        };
        match told {
            Told::Own(exchange) => take(&exchange, true),
            Told::Overheard(exchange) => take(&exchange, false),
            Told::Request(at, unit) => {
                self.line.request(at, unit);
                self.asked_by_others.insert(unit);
            }
            Told::Twice(unit) => *self.twice.entry(unit).or_insert(0) += 1,
            Told::Again(at, ask, words) => self.again(at, &ask, &words),
        }
    }

    /// A question was answered once more. Numbers may differ lawfully, as a retry comes later: only another
    /// identity or uptime is another unit.
    fn again(&mut self, at: Duration, ask: &Ask, words: &[u16]) {
        let Some(map) = &self.map else { return };
        let unit = self.units.get(&ask.unit);
        if unit.is_some_and(|unit| unit.is_another(ask, words, at, map)) {
            *self.contradicted.entry(ask.unit).or_insert(0) += 1;
        }
    }

    fn own(&mut self, exchange: &Exchange) {
        self.look_is_about(exchange.ask.unit);
        self.answered(exchange, true);
        let current = self.current_flows();
        self.line.own(exchange, current);
    }

    /// What others ask of other units is not our business: from the first one asked on as many count as the
    /// map has packs.
    fn look_is_about(&mut self, unit: u8) {
        let first = self.of_interest.as_ref().map(|known| *known.start());
        let Some(map) = self
            .map
            .as_ref()
            .filter(|_| first.is_none_or(|first| unit < first))
        else {
            return;
        };
        let members = map.profile.members.as_ref();
        let packs = members.map_or(1, |members| members.at_most);
        let about = unit..=unit.saturating_add(packs.saturating_sub(1));
        self.units.retain(|unit, _| about.contains(unit));
        self.of_interest = Some(about);
    }

    /// Takes an exchange with a unit, ours or somebody else's.
    fn answered(&mut self, exchange: &Exchange, is_own: bool) {
        let (Some(map), unit) = (&self.map, exchange.ask.unit) else {
            return;
        };
        let is_meant = match &self.of_interest {
            Some(about) => about.contains(&unit),
            None => self.units.contains_key(&unit) || self.units.len() < UNITS,
        };
        if !is_meant {
            return;
        }
        let from = self.clocks_broke_at.unwrap_or_default();
        let new = || UnitMemory::new(unit, self.session, from, map);
        let unit = self.units.entry(unit).or_insert_with(new);
        if let Some(sent) = exchange.sent_at.filter(|_| is_own) {
            unit.asked_from.get_or_insert(sent);
        }
        unit.take(exchange, map);
    }

    /// Whether current flows, by the first unit that tells it.
    fn current_flows(&self) -> Option<bool> {
        let rest = self.profile()?.unit.rest_current;
        let amps = self.units.values().find_map(UnitMemory::current)?;
        Some(amps.abs() > rest)
    }
}
