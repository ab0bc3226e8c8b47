//! Numbers that were beyond an alarm limit of the map, remembered after they came back.
//!
//! A cell out of its limits for ten seconds is gone from the newest reading and not from the world. How
//! long it stays remembered [`super::spell`] says.
//!
//! Input: one number after the other of one instance, and what the unit did meanwhile. Output: an
//! [`Excursion`] that is open or not.
//!
//! Does not: say what follows from it.
//!
//! # Why like conditions
//! A cell that was too high under charge is in order at rest: that shows nothing. Good samples count only with
//! the same switches, the same temperature and as much current the same way. Nobody is told to bring that about.

use std::time::Duration;

use packside_profiles::Role;
use packside_profiles::model::{CellLimits, Point};

use super::spell::Spell;
use super::stamp::Stamp;

/// Heat so far over its limit is never forgotten, K.
// Kind: common practice
const HEAT_K: f64 = 5.0;
/// Conditions are like within so many kelvin, and with so much of the current.
// Kind: common practice
const LIKE_K: f64 = 5.0;
const LIKE_CURRENT: f64 = 0.8;
/// The current of closing switches is at most so many times its limit.
// Kind: common practice
const INRUSH: f64 = 3.0;

/// What the unit did when a number was read, as far as it is known.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(crate) struct Conditions {
    /// The main switches.
    pub(crate) switches: Option<u64>,
    /// Mean of its temperatures, °C.
    pub(crate) celsius: Option<f64>,
    /// The current, A.
    pub(crate) amps: Option<f64>,
    /// Smaller currents are none, A.
    pub(crate) least_amps: f64,
    /// Switches or state changed a moment before.
    pub(crate) just_switched: bool,
}

impl Conditions {
    /// Whether they are like those of another moment. What was not known then is not asked for.
    fn are_like(&self, then: &Self) -> bool {
        let amps = |then: f64| {
            self.amps.is_some_and(|now| {
                if then.abs() <= self.least_amps {
                    now.abs() <= self.least_amps
                } else {
                    now.signum() == then.signum() && now.abs() >= LIKE_CURRENT * then.abs()
                }
            })
        };
        let celsius = |then: f64| self.celsius.is_some_and(|now| (now - then).abs() <= LIKE_K);
        then.switches.is_none_or(|then| self.switches == Some(then))
            && then.celsius.is_none_or(celsius)
            && then.amps.is_none_or(amps)
    }
}

/// One number beyond its limit, or several with good ones between.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Excursion {
    /// The furthest number.
    pub(crate) worst: f64,
    /// The limit.
    pub(crate) limit: f64,
    /// It was above the limit, below it otherwise.
    pub(crate) above: bool,
    /// When, how often, and for how long it is to be reckoned with.
    pub(crate) spell: Spell,
    /// What the unit did then.
    under: Conditions,
    /// A temperature is like itself, not like the mean of all.
    is_temperature: bool,
    /// The current of switches that just closed, as long as nothing else shows.
    is_inrush: bool,
    /// The last good number that counts as a sample.
    good_at: Option<(Stamp, f64)>,
}

impl Excursion {
    /// Takes the next number of an instance, where its point has limits.
    pub(crate) fn take(
        known: &mut Option<Box<Self>>,
        (at, number): (Stamp, f64),
        good_before: Option<Stamp>,
        point: &Point,
        (cell, refresh): (Option<&CellLimits>, Duration),
    ) {
        let above = point.limits.alarm_above.filter(|limit| number > *limit);
        let below = point.limits.alarm_below.filter(|limit| number < *limit);
        match (above.or(below), known) {
            (Some(limit), known @ None) => {
                let mut new = Self {
                    worst: number,
                    limit,
                    above: above.is_some(),
                    spell: Spell::begin_after(good_before, at),
                    under: Conditions::default(),
                    is_temperature: is_temperature(point.role),
                    is_inrush: false,
                    good_at: None,
                };
                new.note(number, point, cell);
                *known = Some(Box::new(new));
            }
            (Some(_), Some(known)) => {
                known.spell.goes_on_by(at, refresh);
                known.note(number, point, cell);
            }
            (None, Some(known)) if known.is_back(number, point) => {
                // Two answers out of one image are one sample.
                let is_new = |(before, _): (Stamp, f64)| {
                    at.since(before)
                        .is_none_or(|apart| apart >= refresh.mul_f64(0.8))
                };
                if known.good_at.is_none_or(is_new) || !known.spell.is_over() {
                    known.good_at = Some((at, number));
                }
            }
            (None, _) => {}
        }
    }

    /// Takes what the unit did when the number of this moment was read.
    pub(crate) fn under(&mut self, at: Stamp, now: Conditions, role: Role) {
        if self.spell.last() == at {
            let first = self.spell.times() == 1 && !self.spell.is_confirmed();
            let flows = |amps: Option<f64>| amps.map_or(0.0, f64::abs);
            self.is_inrush = first
                && role == Role::PackCurrent
                && now.just_switched
                && self.worst.abs() <= INRUSH * self.limit.abs();
            if self.under.amps.is_none() || flows(now.amps) > flows(self.under.amps) {
                self.under = now;
            }
            if self.is_temperature {
                self.under.celsius = Some(self.worst);
            }
        } else if let Some((_, number)) = self.good_at.filter(|(when, _)| *when == at) {
            let celsius = if self.is_temperature {
                Some(number)
            } else {
                now.celsius
            };
            let now = Conditions { celsius, ..now };
            self.spell.is_good(at, now.are_like(&self.under));
        }
    }

    /// Whether it is back and still to be reckoned with. What is beyond now is no memory.
    pub(crate) fn is_open(&self, now: Stamp) -> bool {
        let only_inrush = self.is_inrush && self.spell.times() == 1 && !self.spell.is_confirmed();
        self.spell.is_open(now) && !only_inrush
    }

    fn note(&mut self, number: f64, point: &Point, cell: Option<&CellLimits>) {
        self.worst = if self.above {
            self.worst.max(number)
        } else {
            self.worst.min(number)
        };
        let stays = match point.role {
            Role::Insulation => true,
            Role::CellVoltage | Role::CellVoltageMin => {
                cell.is_some_and(|cell| number < cell.never_charge_below)
            }
            Role::CellTemperature | Role::CellTemperatureMax => {
                self.above && number > self.limit + HEAT_K
            }
            _ => false,
        };
        if stays {
            self.spell.stay();
        }
    }

    /// Whether a number is so far inside that it did not only dither at the limit.
    fn is_back(&self, number: f64, point: &Point) -> bool {
        let margin = match point.role {
            Role::CellVoltage | Role::CellVoltageMax | Role::CellVoltageMin => 0.02,
            Role::CellTemperature | Role::CellTemperatureMax | Role::CellTemperatureMin => 2.0,
            Role::Insulation => 0.1 * self.limit.abs(),
            Role::Soc => 1.0,
            _ => 0.05 * self.limit.abs(),
        };
        let margin = margin.max(3.0 * point.scale.value().abs());
        if self.above {
            number <= self.limit - margin
        } else {
            number >= self.limit + margin
        }
    }
}

fn is_temperature(role: Role) -> bool {
    matches!(
        role,
        Role::CellTemperature | Role::CellTemperatureMax | Role::CellTemperatureMin
    )
}

#[cfg(test)]
mod tests {
    use packside_profiles::Profile;

    use super::*;

    fn profile() -> Profile {
        let (id, text) = packside_profiles::shipped()[0];
        packside_profiles::load(text, id).expect("shipped")
    }

    fn at(seconds: u64) -> Stamp {
        Stamp::new(0, Duration::from_secs(seconds))
    }

    /// What is open at the end of a run of numbers with their conditions, one a second.
    fn open(role: Role, refresh: u64, samples: Vec<(f64, Conditions)>) -> Option<(bool, bool)> {
        let profile = profile();
        let mut points = profile.points.iter();
        let point = points.find(|p| p.role == role).expect("a point");
        let (mut known, mut now) = (None::<Box<Excursion>>, at(0));
        let mut good = None;
        for (second, (number, conditions)) in (0..).zip(samples) {
            now = at(second);
            let rest = (profile.cell.as_ref(), Duration::from_secs(refresh));
            Excursion::take(&mut known, (now, number), good, point, rest);
            if let Some(known) = &mut known {
                known.under(now, conditions, role);
            }
            good = Some(now);
        }
        let known = known?;
        Some((known.is_open(now), known.spell.is_confirmed()))
    }

    /// What is open at the end of a run of cell voltages, one a second.
    fn open_after(volts: impl IntoIterator<Item = f64>) -> bool {
        let samples = volts
            .into_iter()
            .map(|volts| (volts, Conditions::default()));
        open(Role::CellVoltage, 1, samples.collect()).is_some_and(|(open, _)| open)
    }

    fn flowing(amps: f64, celsius: f64) -> Conditions {
        Conditions {
            switches: Some(3),
            celsius: Some(celsius),
            amps: Some(amps),
            least_amps: 1.5,
            just_switched: false,
        }
    }

    /// A cell too high for five seconds under 12 A at 20 °C, then in order for ten minutes like this.
    fn after_charge(then: Conditions) -> bool {
        let before = vec![(3.3, flowing(12.0, 20.0)); 3];
        let high = vec![(3.7, flowing(12.0, 20.0)); 5];
        let all = [before, high, vec![(3.4, then); 600]].concat();
        open(Role::CellVoltage, 1, all).is_some_and(|(open, _)| open)
    }

    // Kind: common practice
    #[test]
    fn only_like_conditions_show_that_it_is_over() {
        assert!(!after_charge(flowing(10.0, 24.0)));
        assert!(after_charge(flowing(0.0, 20.0)), "at rest");
        assert!(after_charge(flowing(-12.0, 20.0)), "the other way");
        assert!(after_charge(flowing(9.0, 20.0)), "less than four fifths");
        assert!(after_charge(flowing(12.0, 26.0)), "warmer");
        let open_switches = Conditions {
            switches: Some(0),
            ..flowing(12.0, 20.0)
        };
        assert!(after_charge(open_switches));
    }

    #[test]
    fn answers_out_of_one_image_are_one_sample() {
        let high = |refresh| {
            let samples = vec![(3.72, Conditions::default()); 4];
            open(Role::CellVoltage, refresh, samples)
        };
        assert_eq!(high(1), Some((false, true)));
        assert_eq!(high(10), Some((false, false)));
        // Ten good samples take as long as ten images.
        let once = |refresh, good| {
            let one = vec![(3.72, Conditions::default())];
            let all = [one, vec![(3.3, Conditions::default()); good]].concat();
            open(Role::CellVoltage, refresh, all).map(|(open, _)| open)
        };
        assert_eq!(once(1, 15), Some(false));
        assert_eq!(once(10, 15), Some(true));
        assert_eq!(once(10, 100), Some(false));
    }

    #[test]
    fn current_of_closing_switches_is_told_and_no_doubt() {
        let at_closing = |amps: f64, seconds: usize, just_switched: bool| {
            let closing = Conditions {
                just_switched,
                ..flowing(amps, 20.0)
            };
            let all = [
                vec![(amps, closing); seconds],
                vec![(1.0, flowing(1.0, 20.0)); 3],
            ];
            open(Role::PackCurrent, 1, all.concat()).map(|(open, _)| open)
        };
        assert_eq!(at_closing(200.0, 1, true), Some(false));
        assert_eq!(at_closing(200.0, 1, false), Some(true));
        assert_eq!(at_closing(200.0, 3, true), Some(true));
        assert_eq!(at_closing(500.0, 1, true), Some(true));
    }

    fn run(parts: &[(f64, usize)]) -> Vec<f64> {
        parts
            .iter()
            .flat_map(|(volts, times)| vec![*volts; *times])
            .collect()
    }

    // Kind: common practice
    #[test]
    fn one_odd_sample_is_forgotten_after_ten_good_ones_and_ten_seconds_out_are_not() {
        assert!(open_after(run(&[(3.3, 5), (3.72, 1), (3.3, 5)])));
        assert!(!open_after(run(&[(3.3, 5), (3.72, 1), (3.3, 12)])));
        assert!(open_after(run(&[(3.3, 5), (3.72, 10), (3.3, 90)])));
        assert!(!open_after(run(&[(3.3, 5), (3.72, 10), (3.3, 130)])));
    }

    #[test]
    fn a_second_time_and_a_cell_below_its_minimum_stay() {
        assert!(open_after(run(&[
            (3.72, 3),
            (3.3, 20),
            (3.72, 1),
            (3.3, 4000)
        ])));
        assert!(open_after(run(&[(1.9, 2), (3.3, 4000)])));
        assert!(!open_after(run(&[(3.3, 50)])));
    }

    #[test]
    fn what_dithers_at_its_limit_is_one_excursion() {
        let dithers = (0..40).map(|n| if n % 2 == 0 { 3.652 } else { 3.645 });
        let all: Vec<f64> = dithers.chain(run(&[(3.3, 500)])).collect();
        assert!(!open_after(all));
    }
}
