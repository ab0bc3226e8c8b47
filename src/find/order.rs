//! The order in which to ask: who is most probable per second of asking first.
//!
//! Input: the [`super::prior`]. Output: [`Trial`]s, each an address asked at some line settings with
//! a wait, and what the order costs. Does not: ask, or learn from answers.
//!
//! # Why the share per second decides
//! Let trials with shares p(i) and times t(i) be made one after the other until one finds the unit.
//! The expected time is the sum of p(i) times the time at which trial i ends. Exchange two
//! neighbours i, j: everybody else's end stays where it is, i ends t(j) later and j ends t(i)
//! earlier, so the sum changes by p(i) t(j) - p(j) t(i). No exchange helps exactly if p(i) / t(i)
//! never rises along the order, and every order becomes that one by exchanges of neighbours that do
//! not harm. So sorting is optimal, for any set of trials whose shares do not depend on the order.
//!
//! # Slow units: several looks at the same address
//! A short wait finds most units, a longer one the rest, so each address has several looks, and a
//! later one finds only what the earlier left. Shares per second fall from look to look ([`LOOKS`]
//! makes sure, a test looks), so the sorted order never puts a later look first, and it is also the
//! best of all orders that keep each address's looks in sequence.
//!
//! # What a first look is worth
//! An answer that comes after its wait is not lost: it is heard while the next addresses are asked,
//! and carries its address; or it is heard as garbage, and those just asked are asked again with
//! their longer wait. What falls into a question of ours, or comes when we listen at settings that
//! leave nothing of it, stays unheard ([`unheard`]).
//!
//! # How far from the best there can be
//! [`floor`] is a bound for whoever gives each question its whole wait before the next: it lets the
//! longer looks go on where the shorter ones ended, without asking again. Whatever order and waits
//! such a search chooses, it cannot be faster. Ours can, by late answers, and is. [`least`] is below
//! anything that a pair can carry. The bench prints all of them.

use std::time::Duration;

use packside_profiles::LineSettings;

use super::prior;

/// An address asked at some line settings, with the wait of a look.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Trial {
    /// Line settings.
    pub line: LineSettings,
    /// Unit address.
    pub unit: u8,
    /// Which of the [`LOOKS`].
    pub look: usize,
}

/// Waits of the looks, ms: where the prior's answer times bend.
pub const LOOKS: [u16; 3] = [50, 200, 500];

/// Wait of a slow look, ms: for units beyond all that, and for such as answer nothing but function 11.
// Kind: common practice (units of weak firmware answer within a second or so)
pub const SLOW_MS: u16 = 1_300;
/// The look of that wait.
pub const SLOW_LOOK: usize = LOOKS.len();
/// Settings with at least this share get slow looks, and the first of these addresses before all rare
/// settings. What comes later stands at the end.
const LIKELY: f64 = 0.07;
const SLOW_UNITS: [u8; 3] = [1, 3, 16];
/// Share of all units that is that slow; it says where the slow looks stand.
// Kind: common practice
const SLOW: f64 = 0.03;

/// Share of the answers that are too late for a first look and that nobody hears either: high
/// addresses follow each other at the same settings, low ones stand between questions at others.
// Kind: derived (counted by the bench in virtual time: 53 of 206, 2 of 36; its units have the prior's shares)
pub fn unheard(unit: u8) -> f64 {
    if unit < prior::HIGH_FROM { 0.25 } else { 0.06 }
}

/// Characters of a question, and of the longest answer to one.
const QUESTION: usize = 8;
const ANSWER: usize = 9;

/// Longest time from the end of a question to the first byte of its answer in this look.
///
/// The unit first waits for the frame silence; a byte is there when its last bit is.
pub fn first_byte(line: LineSettings, look_ms: u16, hold_back: Duration) -> Duration {
    line.frame_silence() + Duration::from_millis(look_ms.into()) + line.characters(1) + hold_back
}

/// What a later look waits beyond that, behind which nobody hears a late answer: a driver may hand over
/// an answer as a whole, and with two stop bits the unit's silence is longer than ours.
// Kind: derived (9 characters of 11 bits, and 3.5 of them, are less than 11 and 3.5 of 10 bits)
fn whole(line: LineSettings) -> Duration {
    line.characters(ANSWER + 2)
}

/// The wait of the last look.
pub fn longest_first_byte(line: LineSettings, hold_back: Duration) -> Duration {
    let last = LOOKS.last().copied().unwrap_or_default();
    first_byte(line, last, hold_back) + whole(line)
}

/// The wait of a slow look.
pub fn slow_first_byte(line: LineSettings, hold_back: Duration) -> Duration {
    first_byte(line, SLOW_MS, hold_back) + whole(line)
}

impl Trial {
    /// Time that it takes where nobody answers.
    pub fn cost(&self, hold_back: Duration) -> Duration {
        self.line.characters(QUESTION) + self.first_byte(hold_back)
    }

    /// Longest time from the end of the question to the first byte of its answer.
    pub fn first_byte(&self, hold_back: Duration) -> Duration {
        let first = first_byte(self.line, self.wait_ms(), hold_back);
        match self.look {
            0 => first,
            _ => first + whole(self.line),
        }
    }

    /// Wait for the begin of an answer, ms.
    pub fn wait_ms(&self) -> u16 {
        LOOKS.get(self.look).copied().unwrap_or(SLOW_MS)
    }
}

/// Puts slow looks into an order: those of the likeliest addresses at the likeliest settings by their share
/// per second, those of further ones at the end. Where all settings are given, every address has one.
pub fn with_slow_looks(
    order: Vec<Trial>,
    lines: &[(LineSettings, f64)],
    units: &[u8],
    hold_back: Duration,
) -> Vec<Trial> {
    let [first, early, late] = SLOW_UNITS;
    let mut slow: Vec<(f64, Trial)> = Vec::new();
    let mut last = Vec::new();
    let are_few = units.len() <= SLOW_UNITS.len();
    for (line, share) in lines
        .iter()
        .filter(|(_, share)| are_few || *share >= LIKELY)
    {
        for unit in units {
            let trial = Trial {
                line: *line,
                unit: *unit,
                look: SLOW_LOOK,
            };
            let worth = SLOW * share * prior::address(*unit) / trial.cost(hold_back).as_secs_f64();
            match unit {
                _ if are_few => slow.push((worth, trial)),
                unit if (first..=early).contains(unit) => slow.push((worth, trial)),
                unit if *unit <= late || lines.len() == 1 => last.push(trial),
                _ => {}
            }
        }
    }
    slow.sort_by(|(a, _), (b, _)| b.total_cmp(a));
    let mut slow = slow.into_iter().peekable();
    let mut all = Vec::with_capacity(order.len() + last.len());
    for trial in order {
        let of = lines.iter().find(|(line, _)| *line == trial.line);
        let share = of.map_or(0.0, |(_, share)| *share) * prior::address(trial.unit);
        let found = share * look_share(trial.look, unheard(trial.unit));
        let worth = found / trial.cost(hold_back).as_secs_f64();
        while let Some((_, before)) = slow.next_if(|(slow, _)| *slow > worth) {
            all.push(before);
        }
        all.push(trial);
    }
    all.extend(slow.map(|(_, trial)| trial));
    all.extend(last);
    all
}

/// Share of all units that a look finds, the earlier looks at the same address having found none.
fn look_share(look: usize, unheard: f64) -> f64 {
    let by = |look: usize| {
        LOOKS
            .get(look)
            .map_or(1.0, |ms| prior::answered_by(f64::from(*ms)))
    };
    let in_time = by(0);
    match look {
        0 => in_time + (1.0 - in_time) * (1.0 - unheard),
        _ => (by(look) - by(look - 1)) * unheard,
    }
}

/// The trials over these settings and addresses, best first. Where two are alike, the one that needs
/// no change of settings comes first. `unheard` is the share of late answers that nobody hears, by
/// address: [`unheard`], or 1 for a search that drops them.
pub fn order(
    lines: &[(LineSettings, f64)],
    units: &[u8],
    hold_back: Duration,
    unheard: impl Fn(u8) -> f64,
) -> Vec<Trial> {
    let mut all: Vec<(f64, Trial)> = Vec::with_capacity(lines.len() * units.len() * LOOKS.len());
    for (line, line_share) in lines {
        for unit in units {
            for look in 0..LOOKS.len() {
                let trial = Trial {
                    line: *line,
                    unit: *unit,
                    look,
                };
                let share = line_share * prior::address(*unit) * look_share(look, unheard(*unit));
                all.push((share / trial.cost(hold_back).as_secs_f64(), trial));
            }
        }
    }
    // Stable: alike trials stay in the order of settings and addresses above.
    all.sort_by(|(a, _), (b, _)| b.total_cmp(a));
    all.into_iter().map(|(_, trial)| trial).collect()
}

/// Expected time of asking in this order, by the prior alone, where this share of the late answers is
/// not heard: seconds, over the units that the order finds, and their share.
pub fn expected(order: &[Trial], hold_back: Duration, unheard: impl Fn(u8) -> f64) -> (f64, f64) {
    let lines: Vec<(LineSettings, f64)> = prior::lines().collect();
    let share_of = |trial: &Trial| {
        let line = lines.iter().find(|(line, _)| *line == trial.line);
        line.map_or(0.0, |(_, share)| *share)
            * prior::address(trial.unit)
            * look_share(trial.look, unheard(trial.unit))
    };
    weighed(order.iter().map(|trial| {
        let cost = trial.cost(hold_back).as_secs_f64();
        (share_of(trial), cost)
    }))
}

/// The least expected time that any one-at-a-time search can have for the prior: seconds. See the
/// head of this file.
pub fn floor(hold_back: Duration) -> f64 {
    let mut pieces: Vec<(f64, f64)> = Vec::new();
    for (line, line_share) in prior::lines() {
        for unit in 1..=247 {
            let share = line_share * prior::address(unit);
            let (mut done_ms, mut found) = (0, 0.0);
            for ms in LOOKS {
                let by = prior::answered_by(f64::from(ms));
                let more = Duration::from_millis((ms - done_ms).into());
                let asked = Trial {
                    line,
                    unit,
                    look: 0,
                };
                let cost = if done_ms == 0 {
                    asked.cost(hold_back)
                } else {
                    more
                };
                pieces.push((share * (by - found), cost.as_secs_f64()));
                (done_ms, found) = (ms, by);
            }
        }
    }
    pieces.sort_by(|a, b| (b.0 / b.1).total_cmp(&(a.0 / a.1)));
    weighed(pieces.into_iter()).0
}

/// The least expected time that any search on one pair can have, whatever it hears: questions follow
/// each other without a wait, and the one that reaches the unit is answered as the prior says. Seconds
/// to the begin of the answer. Out of reach, since the answer would fall into the next questions.
pub fn least() -> f64 {
    let mut pieces: Vec<(f64, f64)> = Vec::new();
    for (line, line_share) in prior::lines() {
        let cost = line.characters(QUESTION) + line.frame_silence();
        pieces
            .extend((1..=247).map(|unit| (line_share * prior::address(unit), cost.as_secs_f64())));
    }
    pieces.sort_by(|a, b| (b.0 / b.1).total_cmp(&(a.0 / a.1)));
    let answers: f64 = (0..500)
        .map(|ms| 1.0 - prior::answered_by(f64::from(ms) + 0.5))
        .sum();
    weighed(pieces.into_iter()).0 + answers / 1000.0
}

/// Sum of share times end, and of the shares.
fn weighed(pieces: impl Iterator<Item = (f64, f64)>) -> (f64, f64) {
    let (mut end, mut sum, mut shares) = (0.0, 0.0, 0.0);
    for (share, cost) in pieces {
        end += cost;
        sum += share * end;
        shares += share;
    }
    (sum, shares)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn all() -> Vec<Trial> {
        let lines: Vec<_> = prior::lines().collect();
        let units: Vec<u8> = (1..=247).collect();
        order(&lines, &units, Duration::ZERO, unheard)
    }

    // Kind: derived (8 rates x 3 layouts x 247 addresses x 3 looks)
    #[test]
    fn every_trial_is_there_once_and_no_look_before_an_earlier_one() {
        let order = all();
        assert_eq!(order.len(), 24 * 247 * 3);
        let mut looks = std::collections::BTreeMap::new();
        for trial in &order {
            let next = looks.entry((trial.line, trial.unit)).or_insert(0);
            assert_eq!(trial.look, *next, "{trial:?}");
            *next += 1;
        }
    }

    // Kind: derived (the exchange argument, tried on neighbours)
    #[test]
    fn no_exchange_of_neighbours_shortens_the_expected_time() {
        let lines: Vec<_> = prior::lines().collect();
        let share = |trial: &Trial| {
            let line = lines.iter().find(|(line, _)| *line == trial.line).unwrap();
            line.1 * prior::address(trial.unit) * look_share(trial.look, unheard(trial.unit))
        };
        let sum = |order: &[Trial]| {
            weighed(
                order
                    .iter()
                    .map(|t| (share(t), t.cost(Duration::ZERO).as_secs_f64())),
            )
            .0
        };
        let mut order = all();
        let best = sum(&order);
        for at in (0..order.len() - 1).step_by(97) {
            order.swap(at, at + 1);
            assert!(sum(&order) >= best - 1e-9, "{at}");
            order.swap(at, at + 1);
        }
    }

    // Kind: derived (a bound holds; the prior leaves nobody out)
    #[test]
    fn no_order_is_better_than_the_floor() {
        let lines: Vec<_> = prior::lines().collect();
        let units: Vec<u8> = (1..=247).collect();
        let order = order(&lines, &units, Duration::ZERO, |_| 1.0);
        let (ours, found) = expected(&order, Duration::ZERO, |_| 1.0);
        assert!((found - 1.0).abs() < 1e-9, "{found}");
        assert!(floor(Duration::ZERO) < ours, "{ours}");
        // Kind: derived (the same sum in another language: 1.95527 s, of which 0.07625 s for the answer)
        assert!((least() - 1.95527).abs() < 1e-3, "{}", least());
    }
}
