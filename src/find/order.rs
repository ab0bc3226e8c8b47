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
//! later one finds only what the earlier left. Shares per second fall from look to look (a test looks), so the
//! sorted order never puts a later look first, and it is also the best of all orders that keep each address's
//! looks in sequence.
//!
//! # What a short look is worth
//! An answer that comes after its wait is not lost: it is heard while the next addresses are asked,
//! and carries its address; or it is heard as garbage, and those just asked are asked again with
//! their longer wait. What falls into a question of ours, or comes when we listen at settings that
//! leave nothing of it, stays unheard (`unheard`).
//!
//! # Rows
//! Low addresses are asked at first between questions at other settings, where a late answer is lost more
//! often. So they are asked once more with the short wait, in a row with further addresses at the same
//! settings: what answers within a second is heard, and nobody has waited for it. A row stays together and is
//! sorted by what it finds per second as a whole.
//!
//! A slow look asks function 11, since some units answer nothing else. Weak firmware hangs on it: it stands in a
//! row behind the longest usual look, so that nobody is asked it who might have answered something else.
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
    /// Which look at this address it is.
    pub look: Look,
}

/// The looks at an address, in their order.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Look {
    /// With a short wait.
    First,
    /// As short once more, before others are asked at the same settings, who give it time to answer.
    Again,
    /// With a longer wait.
    Longer,
    /// With the longest wait of a usual unit.
    Longest,
    /// With the wait of a slow unit.
    Slow,
}

/// Waits of the looks, ms: where the prior's answer times bend, and `SLOW_MS`.
pub const FIRST_MS: u16 = 50;
const LONGER_MS: u16 = 200;
const LONGEST_MS: u16 = 500;
/// For units beyond all that.
// Kind: common practice (units of weak firmware answer within a second or so)
const SLOW_MS: u16 = 1_300;

/// Settings with at least this share are where a unit that is slow or odd is looked for as well, at low addresses.
const LIKELY: f64 = 0.07;
/// Where so few addresses are wanted, slow looks stand where their share per second puts them.
const FEW: usize = 3;
/// Shares of all units that are that slow, and that answer nothing but function 11; they say where the looks
/// stand that find these.
// Kind: common practice
const SLOW: f64 = 0.02;
const ODD: f64 = 0.01;
/// A place that is the factory setting of a known map is worth so many times what the prior gives it.
// Kind: common practice (who looks for a unit has a map of one)
const FACTORY: f64 = 10.0;
/// Addresses asked at the same settings behind those that are asked again. Each takes 50 ms and more, so that even
/// at the highest rate addresses 1 to 3 have the time of a slow unit to answer, the last ones half of it.
const FOLLOWERS: usize = 12;

/// Share of the answers that are too late for a first look and that nobody hears either: high
/// addresses follow each other at the same settings, low ones stand between questions at others.
// Kind: derived (counted by the bench in virtual time with seed 731: 181 of 683; 35 of 302 in a row, whether asked
// again or for the first time; its units have the prior's shares)
fn unheard(unit: u8) -> f64 {
    if unit < prior::HIGH_FROM {
        0.27
    } else {
        UNHEARD_IN_A_ROW
    }
}

/// The same where others are asked at the same settings.
const UNHEARD_IN_A_ROW: f64 = 0.12;

/// Characters of a question, and of the longest answer to one.
const QUESTION: usize = 8;
const ANSWER: usize = 9;

/// Longest time from the end of a question to the first byte of its answer, for a unit that takes so long.
///
/// The unit first waits for the frame silence, and a driver may hand over its answer as a whole.
// Kind: derived (9 characters of 11 bits and, where two stop bits make its silence longer, 3.5 of them are less than
// 11 and 3.5 of 10 bits)
pub fn first_byte(line: LineSettings, answer_ms: u16, hold_back: Duration) -> Duration {
    let answer = Duration::from_millis(answer_ms.into());
    line.frame_silence() + answer + line.characters(1 + ANSWER + 2) + hold_back
}

/// The wait of the longest usual look.
pub fn longest_first_byte(line: LineSettings, hold_back: Duration) -> Duration {
    first_byte(line, LONGEST_MS, hold_back)
}

impl Look {
    /// Wait for the begin of an answer, ms.
    pub fn wait_ms(self) -> u16 {
        match self {
            Self::First | Self::Again => FIRST_MS,
            Self::Longer => LONGER_MS,
            Self::Longest => LONGEST_MS,
            Self::Slow => SLOW_MS,
        }
    }
}

impl Trial {
    /// Time that it takes where nobody answers.
    pub fn cost(&self, hold_back: Duration) -> Duration {
        self.line.characters(QUESTION) + self.first_byte(hold_back)
    }

    /// Longest time from the end of the question to the first byte of its answer.
    pub fn first_byte(&self, hold_back: Duration) -> Duration {
        first_byte(self.line, self.look.wait_ms(), hold_back)
    }
}

/// What becomes of answers that are too late for a first look.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Late {
    /// They are heard as often as was counted.
    Heard,
    /// They are dropped.
    Dropped,
}

/// The trials of some settings and addresses, with what they find and cost.
struct Shares<'a> {
    lines: &'a [(LineSettings, f64)],
    hold_back: Duration,
    late: Late,
    /// Low addresses are asked again.
    asks_again: bool,
    /// Settings and addresses of known maps.
    factory: &'a [(LineSettings, u8)],
}

impl Shares<'_> {
    /// Share of all usual units that a trial finds, the earlier looks at the same address having found none.
    fn usual(&self, trial: &Trial) -> f64 {
        let by = |look: Look| prior::answered_by(f64::from(look.wait_ms()));
        let in_time = by(Look::First);
        let is_again = self.asks_again && trial.unit < prior::HIGH_FROM;
        let (unheard, again) = match self.late {
            Late::Dropped => (1.0, 1.0),
            Late::Heard if is_again => (unheard(trial.unit), UNHEARD_IN_A_ROW),
            Late::Heard => (unheard(trial.unit), 1.0),
        };
        let of_address = match trial.look {
            Look::First => in_time + (1.0 - in_time) * (1.0 - unheard),
            Look::Again => (1.0 - in_time) * unheard * (1.0 - again),
            Look::Longer => (by(Look::Longer) - in_time) * unheard * again,
            Look::Longest => (1.0 - by(Look::Longer)) * unheard * again,
            Look::Slow => 0.0,
        };
        self.place(trial) * of_address
    }

    /// The same of units that are slow or odd.
    fn unusual(&self, trial: &Trial) -> f64 {
        let is_again = self.asks_again && trial.unit < prior::HIGH_FROM;
        let of_address = match trial.look {
            Look::Again => SLOW * (1.0 - UNHEARD_IN_A_ROW),
            Look::Slow if is_again => SLOW * UNHEARD_IN_A_ROW + ODD,
            Look::Slow => SLOW + ODD,
            _ => 0.0,
        };
        self.place(trial) * of_address
    }

    fn place(&self, trial: &Trial) -> f64 {
        let line = self.lines.iter().find(|(line, _)| *line == trial.line);
        let is_factory = self.factory.contains(&(trial.line, trial.unit));
        let times = if is_factory { FACTORY } else { 1.0 };
        line.map_or(0.0, |(_, share)| *share) * prior::address(trial.unit) * times
    }

    /// What several trials in a row find per second.
    fn worth(&self, trials: &[Trial]) -> f64 {
        let found = trials
            .iter()
            .map(|trial| self.usual(trial) + self.unusual(trial));
        let found: f64 = found.sum();
        let cost: Duration = trials.iter().map(|trial| trial.cost(self.hold_back)).sum();
        found / cost.as_secs_f64()
    }
}

/// The trials over these settings and addresses, best first, with the factory settings of known maps. Where two
/// are alike, the one that needs no change of settings comes first.
pub fn order(
    lines: &[(LineSettings, f64)],
    units: &[u8],
    hold_back: Duration,
    late: Late,
    factory: &[(LineSettings, u8)],
) -> Vec<Trial> {
    let (low, high): (Vec<u8>, Vec<u8>) = units.iter().partition(|unit| **unit < prior::HIGH_FROM);
    let asks_again = late == Late::Heard && high.len() >= FOLLOWERS;
    let shares = Shares {
        lines,
        hold_back,
        late,
        asks_again,
        factory,
    };
    let mut rows: Vec<(f64, Vec<Trial>)> = Vec::with_capacity(lines.len() * units.len() * 3);
    for (line, share) in lines {
        let of = |unit: u8, look: Look| Trial {
            line: *line,
            unit,
            look,
        };
        // Worth as much as what must come before, at most.
        let mut row = |most: f64, trials: Vec<Trial>| {
            let worth = shares.worth(&trials).min(most);
            rows.push((worth, trials));
            worth
        };
        let (followers, others) = high.split_at(if asks_again { FOLLOWERS } else { 0 });
        for unit in low.iter().chain(others) {
            row(f64::MAX, vec![of(*unit, Look::First)]);
        }
        let mut most = f64::MAX;
        if asks_again {
            let again = low.iter().map(|unit| of(*unit, Look::Again));
            let behind = followers.iter().map(|unit| of(*unit, Look::First));
            most = row(most, again.chain(behind).collect());
        }
        let is_every = lines.len() == 1 || units.len() <= FEW;
        for unit in units {
            row(most, vec![of(*unit, Look::Longer)]);
            let is_slow = is_every || (*share >= LIKELY && *unit < prior::HIGH_FROM);
            let mut last = vec![of(*unit, Look::Longest)];
            if is_slow && late == Late::Heard {
                last.push(of(*unit, Look::Slow));
            }
            row(most, last);
        }
    }
    // Stable: alike rows stay in the order of settings and addresses above.
    rows.sort_by(|(a, _), (b, _)| b.total_cmp(a));
    rows.into_iter().flat_map(|(_, trials)| trials).collect()
}

/// Expected time of asking in this order, by the prior alone: seconds, over the units that the order finds, and
/// their share.
pub fn expected(order: &[Trial], hold_back: Duration, late: Late) -> (f64, f64) {
    let lines: Vec<(LineSettings, f64)> = prior::lines().collect();
    let shares = Shares {
        lines: &lines,
        hold_back,
        late,
        asks_again: order.iter().any(|trial| trial.look == Look::Again),
        factory: &[],
    };
    weighed(order.iter().map(|trial| {
        let cost = trial.cost(hold_back).as_secs_f64();
        (shares.usual(trial), cost)
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
            for ms in [FIRST_MS, LONGER_MS, LONGEST_MS] {
                let by = prior::answered_by(f64::from(ms));
                let more = Duration::from_millis((ms - done_ms).into());
                let asked = Trial {
                    line,
                    unit,
                    look: Look::First,
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
        order(&lines, &units, Duration::ZERO, Late::Heard, &[])
    }

    // Kind: derived (8 rates x 3 layouts x 247 addresses x 3 looks, 16 addresses again at all settings, slow looks at
    // them at 5 settings)
    #[test]
    fn every_trial_is_there_once_and_no_look_before_an_earlier_one() {
        let order = all();
        assert_eq!(order.len(), 24 * 247 * 3 + 24 * 16 + 5 * 16);
        let mut looks = std::collections::BTreeMap::new();
        for trial in &order {
            let before = looks.insert((trial.line, trial.unit), trial.look);
            assert!(before < Some(trial.look), "{trial:?}");
        }
    }

    // Kind: derived (25 questions of 53 ms and more, and 12)
    #[test]
    fn who_is_asked_again_has_time_to_answer_at_the_same_settings() {
        let order = all();
        for (at, again) in order.iter().enumerate() {
            let behind = order.iter().skip(at + 1);
            let same = behind.take_while(|other| other.line == again.line);
            let time: Duration = same.map(|trial| trial.cost(Duration::ZERO)).sum();
            let least = if again.unit <= 3 {
                SLOW_MS
            } else {
                SLOW_MS / 2 - 50
            };
            let enough = time >= Duration::from_millis(least.into());
            assert!(again.look != Look::Again || enough, "{again:?} {time:?}");
        }
    }

    // Kind: derived (the exchange argument, tried on neighbours)
    #[test]
    fn no_exchange_of_neighbours_shortens_the_expected_time() {
        let lines: Vec<_> = prior::lines().collect();
        let units: Vec<u8> = (1..=247).collect();
        let mut order = order(&lines, &units, Duration::ZERO, Late::Dropped, &[]);
        let sum = |order: &[Trial]| expected(order, Duration::ZERO, Late::Dropped).0;
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
        let order = order(&lines, &units, Duration::ZERO, Late::Dropped, &[]);
        let (ours, found) = expected(&order, Duration::ZERO, Late::Dropped);
        assert!((found - 1.0).abs() < 1e-9, "{found}");
        assert!(floor(Duration::ZERO) < ours, "{ours}");
        // Kind: derived (the same sum in another language: 1.95527 s, of which 0.07625 s for the answer)
        assert!((least() - 1.95527).abs() < 1e-3, "{}", least());
    }
}
