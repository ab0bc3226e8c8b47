//! What the numbers of one answer say together: a restart, a counter that moved, a current outside of its
//! temperatures, switches against a state.
//!
//! Input: an answer that was decoded. Does not: compare what two answers say, but where a rule asks for it.

use std::sync::Arc;
use std::time::Duration;

use packside_profiles::{Quality, Role, StateKind};

use super::UnitMemory;
use crate::evidence::cells::CellAnswer;
use crate::evidence::charge::{ChargedOutside, Outside, charging};
use crate::evidence::excursion::{Conditions, Excursion};
use crate::evidence::flag_and_age::{differ, slack_s};
use crate::evidence::map::Map;
use crate::evidence::samples::Given;
use crate::evidence::stamp::Stamp;
use crate::evidence::track::{Last, Track};
use crate::evidence::transitions::SETTLES;
use crate::evidence::warm::{Alone, alone};
use crate::evidence::words::{TURN, is_up, state_explains};

/// Temperatures older than this are not held against a current.
const FRESH: Duration = Duration::from_secs(60);
/// The current of closing switches lasts no longer.
// Kind: common practice
const INRUSH: Duration = Duration::from_secs(2);

impl UnitMemory {
    /// Draws from one answer what its numbers say together.
    pub(super) fn conclude(&mut self, number: usize, at: Stamp, map: &Map) {
        let track = |index: Option<usize>| self.tracks.get(index?).filter(|track| track.is_of(at));
        let uptime = track(self.followed.uptime).and_then(|track| track.number_of(at));
        let ends = (map.uptime_step, map.uptime_range);
        let restarted = uptime.is_some_and(|uptime| self.uptime.take(at, uptime, ends));
        if restarted {
            self.restarted(at, map);
        }
        let track = |index: Option<usize>| self.tracks.get(index?).filter(|track| track.is_of(at));
        let value_of = |index| track(index).and_then(|track| track.number_of(at));
        let (beat, inverter_beat, inverter_age) = (
            value_of(self.followed.heartbeat),
            value_of(self.followed.inverter_beat),
            value_of(self.followed.inverter_age),
        );
        let amps = value_of(self.followed.current);
        if let Some(value) = beat {
            self.heartbeat.take(at.at(), value);
            if self.heartbeat.has_just_moved() {
                self.uptime_at_beat = self.uptime.now();
            }
        }
        if let Some(value) = inverter_beat {
            self.inverter_counter.take(at.at(), value);
        }
        if let Some(value) = inverter_age {
            self.inverter_age.take(at.at(), value);
        }
        if let Some(amps) = amps {
            self.currents.take(at.at(), amps);
            self.charge(at, amps, map);
        }
        self.heat(at, map);
        self.warm(at, map);
        self.state_and_switches(at, amps, map);
        self.inverter_flag(at, map);
        self.flag_against_age(at, map);
        self.cells_of(number, at, map);
        self.before_silence(number, at, map);
        self.valid_numbers(at, map);
        self.conditions(at, map);
    }

    /// What the unit did when this answer came, for all that was beyond a limit.
    fn conditions(&mut self, at: Stamp, map: &Map) {
        let is_known = |track: &Track| track.excursion.is_some() && track.is_of(at);
        if !self.tracks.iter().any(is_known) {
            return;
        }
        let fresh = |index: usize| {
            let (when, number) = self.tracks.get(index)?.number?;
            let is_fresh = at.since(when).is_some_and(|ago| ago <= FRESH);
            is_fresh.then_some(number)
        };
        let celsius: Vec<f64> = (self.followed.temperatures.iter())
            .filter_map(|index| fresh(*index))
            .collect();
        let count = celsius.len();
        let now = Conditions {
            switches: self.last_switches.and_then(|(_, switches)| switches),
            celsius: (count > 0).then(|| celsius.iter().sum::<f64>() / count as f64),
            amps: self.followed.current.and_then(fresh),
            least_amps: map.least_current(),
            just_switched: self.switched_within(at, INRUSH),
        };
        for (instance, track) in self.layout.instances.iter().zip(&mut self.tracks) {
            if is_known(track)
                && let Some(point) = map.point(instance.point)
                && let Some(excursion) = &mut track.excursion
            {
                excursion.under(at, now, point.role);
            }
        }
    }

    /// Whether its switches or its state changed so short a time before.
    fn switched_within(&self, at: Stamp, time: Duration) -> bool {
        let ago = self.switched.and_then(|switched| at.since(switched));
        ago.is_some_and(|ago| ago <= time)
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
            if let (Some(celsius), Some(point), Some(heat)) = (number, point, track.heat_mut()) {
                heat.take(at, celsius, point.scale.value().abs(), at_rest);
            }
        }
    }

    /// Which module stands alone above the others while no current flows.
    fn warm(&mut self, at: Stamp, map: &Map) {
        let rest = map.profile.unit.rest_current;
        let temperatures = &self.followed.temperatures;
        let comes = temperatures.iter().any(|index| {
            let track = self.tracks.get(*index);
            track.is_some_and(|track| track.is_of(at))
        });
        if !comes || self.current().is_none_or(|amps| amps.abs() > rest) {
            return;
        }
        let sensors = temperatures.iter().filter_map(|index| {
            let module = self.layout.instances.get(*index)?.place.module?;
            let (when, celsius) = self.tracks.get(*index)?.number?;
            let is_fresh = at.since(when).is_some_and(|ago| ago <= FRESH);
            is_fresh.then_some((module, celsius))
        });
        if let Some((module, celsius, next)) = alone(sensors) {
            let new = Alone {
                module,
                celsius,
                next,
                first: at,
                last: at,
            };
            Alone::keep(&mut self.warm, new);
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
        let outside =
            celsius.filter_map(|(place, celsius)| Outside::of(place, celsius, charging, cell));
        let furthest = outside.max_by(|a, b| a.by().total_cmp(&b.by()));
        let charges = charging > 2.0 * map.profile.unit.rest_current;
        match furthest.filter(|_| charges) {
            Some(outside) => {
                ChargedOutside::take(&mut self.charged_outside, at, charging, outside);
            }
            None => {
                if let Some(known) = &mut self.charged_outside {
                    known.ends(at);
                }
            }
        }
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
                let known = &mut track.excursion;
                Excursion::take(known, (at, number), None, point, map.for_excursions());
            }
        }
    }

    /// The unit has restarted: what it says of itself counts anew.
    fn restarted(&mut self, at: Stamp, map: &Map) {
        self.precharge_seen = false;
        self.uptime_at_beat = None;
        self.begin_to_count(at.at());
        // Modules may have been exchanged while the unit was off.
        for (instance, track) in self.layout.instances.iter().zip(&mut self.tracks) {
            let role = map.point(instance.point).map(|point| point.role);
            if role == Some(Role::ModuleSerial) {
                track.begin_texts_at(at);
            }
        }
    }

    fn state_and_switches(&mut self, at: Stamp, amps: Option<f64>, map: &Map) {
        let tracks = &self.tracks;
        let raw_of = |index: Option<usize>| match &tracks.get(index?)?.last {
            Some(Last {
                at: when,
                what: Given::Decoded(decoded),
            }) if *when == at && decoded.quality == Quality::Good => Some(decoded.raw),
            _ => None,
        };
        let switches = raw_of(self.followed.switches);
        let Some(raw) = raw_of(self.followed.state) else {
            return;
        };
        let before = self.last_switches;
        let changed = before.is_some_and(|(state, known)| {
            let unlike = known.zip(switches).is_some_and(|(known, now)| known != now);
            state != raw || unlike
        });
        self.last_switches = Some((raw, switches.or(before.and_then(|(_, known)| known))));
        if changed {
            self.switched = Some(at);
        }
        let state = self
            .followed
            .state
            .and_then(|index| map.point(self.layout.instances.get(index)?.point))
            .and_then(|point| point.values.iter().find(|value| value.is == raw));
        let Some(kind) = state.and_then(|state| state.state) else {
            return;
        };
        self.precharge_seen |= kind == StateKind::Precharge;
        self.states.take(at.at(), kind);
        self.waits
            .take(at.at(), kind == StateKind::Waiting, self.asked_from);
        if let Some(switches) = switches {
            let closed = map.profile.unit.switches_closed;
            let wanted = map.profile.unit.wants_closed(kind);
            let wanted = wanted.map(|all| if all { closed } else { 0 });
            self.contacts.take(at, (raw, wanted), switches & closed);
            if let Some(amps) = amps {
                let flows = switches & closed == 0
                    && amps.abs() > map.least_current()
                    && kind != StateKind::Precharge
                    && !self.switched_within(at, SETTLES);
                self.while_open.take(at, amps, flows);
            }
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
                    .is_some_and(|ago| ago <= TURN);
            let is_up = shown || turns;
            inverter.now_up = Some(is_up);
            inverter.read_at = Some(at);
            inverter.was_up |= is_up;
            inverter.fell.take(at.at(), is_up, self.asked_from);
        }
    }

    /// Holds the flag of the silent inverter against the time since it was heard, where either is new.
    fn flag_against_age(&mut self, at: Stamp, map: &Map) {
        let Some((index, (age_at, age_s))) = self.followed.inverter_age.and_then(|index| {
            let track = self.tracks.get(index)?;
            Some((index, track.number?))
        }) else {
            return;
        };
        let Some((is_up, flag_at)) = self.inverter.now_up.zip(self.inverter.read_at) else {
            return;
        };
        let instance = self.layout.instances.get(index);
        let point = instance.and_then(|instance| map.point(instance.point));
        let between = age_at.since(flag_at).zip(flag_at.since(age_at));
        let (Some(point), Some((one, other))) = (point, between) else {
            return;
        };
        if (age_at != at && flag_at != at) || age_at.at() < self.counts_from {
            return;
        }
        let slack = one.max(other).as_secs_f64() + slack_s(point, &map.profile);
        let silence_s = map.profile.inverter.silence_s;
        let differ = differ(is_up, age_s, silence_s, slack);
        self.inverter.against_age.take(at.at(), differ);
    }

    fn cells_of(&mut self, number: usize, at: Stamp, map: &Map) {
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
        let amps = self.current();
        let rest = map.profile.unit.rest_current;
        let at_rest = amps.is_some_and(|amps| amps.abs() <= rest);
        self.cells.take_with(answer, (amps, at_rest), &self.layout);
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
            let track = self.tracks.get_mut(index);
            if let Some(flag) = track
                .and_then(Track::words_mut)
                .and_then(|words| words.flags.get_mut(place))
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
