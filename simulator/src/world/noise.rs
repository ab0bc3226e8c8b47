//! What disturbs the line of a world by itself: spikes of noise, and a device that speaks another
//! protocol.
//!
//! Input: plans of the scenario, dice. Output: happenings in the world's queue. Does not: decide
//! what anybody hears.
//!
//! # Why every spike is thrown, also those that do not come
//! Noise that follows the inverter's power throws all its spikes and lets through a share of them:
//! the dice fall alike whatever the power, so a change of it moves nothing else.

use std::time::Duration;

use super::air::Party;
use super::{Happening, World};
use crate::line_plan::NoiseSource;

impl World {
    /// Begins with what disturbs the line.
    pub(super) fn start_disturbances(&mut self) {
        for source in 0..self.noise.len() {
            let from = self.noise.get(source).map_or(Duration::ZERO, |n| n.from);
            let first = from + self.until_next_spike(source);
            self.push(first, Happening::Spike { source });
        }
        if let Some(chatter) = &self.chatter {
            self.push(chatter.from, Happening::Chatters);
        }
    }

    /// Around the mean distance: half to one and a half of it.
    fn until_next_spike(&mut self, source: usize) -> Duration {
        let per_second = self.noise.get(source).map_or(1.0, |plan| plan.per_second);
        let mean = 1.0 / per_second.clamp(0.001, 10_000.0);
        Duration::from_secs_f64(mean * (1.0 + 0.5 * self.noise_dice.around_zero()))
    }

    /// A spike, if it comes, and the next one.
    pub(super) fn spike(&mut self, at: Duration, source: usize) {
        let Some(plan) = self.noise.get(source).cloned() else {
            return;
        };
        if plan.until.is_some_and(|until| at >= until) {
            return;
        }
        let next = at + self.until_next_spike(source);
        self.push(next, Happening::Spike { source });
        let width = plan.width_us * (1.0 + 0.5 * self.noise_dice.around_zero());
        let comes = self.noise_dice.percent(match plan.follows {
            NoiseSource::Constant => 100.0,
            NoiseSource::InverterPower => 100.0 * self.inverter_power(),
        });
        if comes {
            self.air.spike(at, Duration::from_secs_f64(width / 1e6));
            self.push(
                at + self.air.characters(Party::Tool, 1),
                Happening::Settle { client: None },
            );
        }
    }

    /// The other protocol's device says its line.
    pub(super) fn chatters(&mut self, at: Duration) {
        let Some(plan) = self.chatter.clone() else {
            return;
        };
        if plan.until.is_some_and(|until| at >= until) {
            return;
        }
        self.transmit(Party::Chatter, None, at, plan.text.as_bytes(), None);
        let every = plan.every.max(Duration::from_millis(50));
        self.push(at + every, Happening::Chatters);
    }
}
