//! A world at power-up: who stands there, how each is set up, and what will happen by itself.
//!
//! Input: a scenario, a profile, a seed. Output: a [`World`] at time zero. Does not: move it.

use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Duration;

use packside_profiles::model::Profile;
use packside_profiles::{LineSettings, Parity};

use super::air::{Air, Party};
use super::inverter::Turn;
use super::{Happening, World};
use crate::dice::Dice;
use crate::mischief::Rules;
use crate::scenario::{Event, InverterPlan, Scenario, Stack};
use crate::uart::{Settings, Tty};
use crate::unit::{Birth, Unit, shared_layout};

impl World {
    /// A world at power-up.
    pub fn new(scenario: &Scenario, profile: &Profile, seed: u64) -> Self {
        let profile = Arc::new(profile.clone());
        let stack = &scenario.stack;
        let by_event = scenario.events.iter().any(|event| event.inverter.is_some());
        let answer_time = Duration::from_millis(profile.answering.answer_time_ms.into());
        let line = scenario.line.unit.unwrap_or(profile.answering.line);
        let neighbour = scenario.neighbour.as_ref();
        let mut world = Self {
            name: scenario.name.clone(),
            line,
            answer_time: stack.answer_time.unwrap_or(answer_time),
            now: Duration::ZERO,
            units: units(scenario, &profile, seed),
            coupled: Duration::ZERO,
            neighbour: neighbour_unit(scenario, &profile, seed),
            neighbour_answer_time: neighbour
                .and_then(|neighbour| neighbour.answer_time)
                .unwrap_or(answer_time),
            neighbour_from: neighbour.map_or(Duration::ZERO, |neighbour| neighbour.from),
            rules: Rules::new(&scenario.mischief, Dice::fork(seed, 1001)),
            noise_dice: Dice::fork(seed, 1003),
            air: air_of(scenario, line, profile.answering.line),
            tty: tty_of(profile.answering.line),
            lamps: scenario.lamps,
            has_common_wire: scenario.line.common_wire,
            noise: scenario.noise.clone(),
            second: scenario.second_client.clone(),
            chatter: scenario.chatter.clone(),
            inverter: scenario
                .inverter
                .clone()
                .or_else(|| by_event.then(InverterPlan::default)),
            inverter_forced: (by_event && scenario.inverter.is_none()).then_some(false),
            inverter_counter: 0,
            inverter_is_cut: false,
            battery_live_since: None,
            clients: BTreeMap::new(),
            queue: BTreeMap::new(),
            pushed: 0,
            line_free: Duration::ZERO,
            talks_until: BTreeMap::new(),
            arrived: Vec::new(),
            hold_back: scenario.line.hold_back,
            held: Vec::new(),
            profile,
        };
        world.plan(&scenario.events);
        world
    }

    /// Puts into the queue what happens by itself.
    fn plan(&mut self, events: &[Event]) {
        for event in events {
            self.push(event.at, Happening::Event(event.clone()));
        }
        if let Some(from) = self.inverter.as_ref().map(|plan| plan.from) {
            let turn = Turn::first(Party::Inverter, from);
            self.push(from, Happening::Turn(turn));
        }
        if let Some(from) = self.second.as_ref().map(|plan| plan.from) {
            let turn = Turn::first(Party::Second, from);
            self.push(from, Happening::Turn(turn));
        }
        self.start_disturbances();
    }
}

/// The units of the stack at power-up.
fn units(scenario: &Scenario, profile: &Arc<Profile>, seed: u64) -> Vec<Unit> {
    let stack = &scenario.stack;
    let layout = Arc::new(shared_layout(profile, stack));
    let birth = |index: u8| Birth {
        address: profile.answering.unit.saturating_add(index - 1),
        index,
        dice: Dice::fork(seed, index.into()),
    };
    let mut units: Vec<Unit> = (1..=stack.packs.max(1))
        .map(|i| Unit::new(profile, &layout, stack, scenario, birth(i)))
        .collect();
    let wanted = scenario.inverter.as_ref().map_or(0.0, |plan| plan.current);
    units
        .iter_mut()
        .for_each(|unit| unit.control.wanted_current = wanted);
    units
}

/// The unit that does not belong to the stack: of the same kind, with cells of its own.
fn neighbour_unit(scenario: &Scenario, profile: &Arc<Profile>, seed: u64) -> Option<Unit> {
    let plan = scenario.neighbour.as_ref()?;
    let stack = Stack {
        packs: 1,
        packs_expected: None,
        soc: plan.soc,
        temperature: plan.temperature,
        ..scenario.stack.clone()
    };
    let layout = Arc::new(shared_layout(profile, &stack));
    let birth = Birth {
        address: plan.address,
        index: 1,
        dice: Dice::fork(seed, 1004),
    };
    let mut unit = Unit::new(profile, &layout, &stack, scenario, birth);
    unit.control.raised.extend(plan.raise.iter().cloned());
    Some(unit)
}

/// The pair with everybody on it set up as the scenario says.
fn air_of(scenario: &Scenario, units: LineSettings, tool: LineSettings) -> Air {
    let plan = &scenario.line;
    let exact = Settings::from(units);
    let mut air = Air::new(exact, plan.idle);
    air.set_ringing(plan.ringing());
    let of_units = Settings {
        error_ppm: plan.unit_ppm,
        swapped: plan.unit_swapped,
        ..exact
    };
    air.set(Party::Units, of_units);
    air.set(
        Party::Inverter,
        Settings {
            swapped: plan.inverter_swapped,
            ..Settings::from(plan.inverter.unwrap_or(units))
        },
    );
    let second = plan.second_client.unwrap_or(units);
    air.set(Party::Second, second.into());
    let chatter = scenario.chatter.as_ref().and_then(|chatter| chatter.line);
    air.set(Party::Chatter, chatter.unwrap_or(units).into());
    air.set(
        Party::Tool,
        Settings {
            swapped: plan.tool_swapped,
            ..Settings::from(tool)
        },
    );
    air
}

/// What a usual program has its terminal do: with a parity to check, a bad byte reads as 00;
/// without one nothing is checked.
pub(super) fn tty_of(line: LineSettings) -> Tty {
    if line.parity == Parity::None {
        Tty::Unchecked
    } else {
        Tty::Zeroed
    }
}
