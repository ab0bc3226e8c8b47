//! How fast an unknown unit is found, and named. In virtual time on the simulated line, bit by bit.
//!
//! Times count from the first byte sent; the quiet window before it is printed beside. Run:
//! `cargo bench --bench find`.

#![allow(
    clippy::print_stdout,
    clippy::unwrap_used,
    clippy::indexing_slicing,
    clippy::cast_possible_truncation,
    clippy::cast_precision_loss,
    clippy::cast_sign_loss,
    clippy::disallowed_methods,
    reason = "a benchmark prints, measures, and may fail loudly"
)]

use std::time::{Duration, Instant};

use packside::event::What;
use packside::find::{Identity, Plan, Search, Who, order, prior, run};
use packside::link::{Simulated, Wake, open_simulated_as, quiet_window};
use packside_profiles::{Known, LineSettings, Parity, Profile};
use packside_simulator::Scenario;

const UNITS: usize = 2_000;
const SEED: u64 = 731;

/// A small generator of numbers (xorshift), the same for the same seed.
struct Dice(u64);

impl Dice {
    fn new(seed: u64) -> Self {
        let mut dice = Self(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1);
        (0..8).for_each(|_| {
            dice.share();
        });
        dice
    }

    /// From 0 to below 1.
    fn share(&mut self) -> f64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 >> 11) as f64 / (1u64 << 53) as f64
    }
}

/// A unit as it stands there.
#[derive(Debug, Clone, Copy)]
struct Unit {
    line: LineSettings,
    address: u8,
    answer_ms: f64,
}

fn drawn(seed: u64) -> Unit {
    let mut dice = Dice::new(seed);
    let mut pick = |shares: &[f64]| {
        let mut left = dice.share() * shares.iter().sum::<f64>();
        let mut at = 0;
        while at + 1 < shares.len() && left >= shares[at] {
            left -= shares[at];
            at += 1;
        }
        at
    };
    let baud = prior::BAUDS[pick(&prior::BAUDS.map(|(_, share)| share))].0;
    let layout = prior::LAYOUTS[pick(&prior::LAYOUTS.map(|(.., share)| share))];
    let addresses: Vec<f64> = (1..=247).map(prior::address).collect();
    let address = 1 + pick(&addresses) as u8;
    let share = dice.share();
    // The time by which so many have answered, by halving.
    let (mut low, mut high) = (0.0, 500.0);
    for _ in 0..40 {
        let middle = (low + high) / 2.0;
        if prior::answered_by(middle) < share {
            low = middle;
        } else {
            high = middle;
        }
    }
    Unit {
        line: LineSettings {
            baud,
            parity: layout.0,
            stop_bits: layout.1,
        },
        address,
        answer_ms: high,
    }
}

struct Outcome {
    found: Duration,
    named: Duration,
    right: bool,
    identity: Identity,
}

/// Searches for one unit; times from the first byte sent.
fn searched(unit: Unit, profile: &Profile, profiles: &[Profile]) -> Option<Outcome> {
    let mut scenario = Scenario::find("hv-waiting").unwrap();
    scenario.line.unit = Some(unit.line);
    scenario.stack.answer_time = Some(Duration::from_secs_f64(unit.answer_ms / 1000.0));
    let mut map = profile.clone();
    map.answering.unit = unit.address;
    let age = Duration::from_secs(30);
    let first = prior::lines().next().unwrap().0;
    let quiet = open_simulated_as(
        &scenario,
        &map,
        Simulated {
            age,
            line: Some(first),
            ..Simulated::default()
        },
    );
    let wake = Wake::of(None, &Known::default(), &[]);
    let proof = quiet.prove(&wake, Duration::ZERO, false).unwrap();
    let mut asking = quiet.ask(proof, &run::FUNCTIONS).map_err(drop).unwrap();
    let mut search = Search::new(Plan::everything(Duration::ZERO), profiles);
    let mut began = None;
    run::search(&mut asking, &mut search, |_| {}).unwrap();
    let found_at = asking.now();
    for event in asking.drain() {
        if let What::Asked { .. } = event.what {
            began.get_or_insert(event.at);
        }
    }
    let began = began.unwrap();
    let found = search.found().first()?.clone();
    let mut who = Who::new(&found, profiles);
    run::identify(&mut asking, &mut who).unwrap();
    let identity = who.identity();
    let alike = |line: LineSettings| LineSettings {
        stop_bits: 1,
        ..line
    };
    Some(Outcome {
        found: found_at - began,
        named: asking.now() - began,
        right: found.line == alike(unit.line) && found.unit == unit.address,
        identity,
    })
}

/// When the loop over settings, most likely first, and addresses would have it: seconds.
fn nested(unit: Unit) -> f64 {
    const EACH: f64 = 0.3;
    let mut lines: Vec<(LineSettings, f64)> = prior::lines().collect();
    lines.sort_by(|a, b| b.1.total_cmp(&a.1));
    let at = lines
        .iter()
        .position(|(line, _)| line.baud == unit.line.baud && line.parity == unit.line.parity)
        .unwrap();
    if unit.answer_ms > EACH * 1000.0 {
        return (lines.len() * 247) as f64 * EACH;
    }
    (at * 247 + usize::from(unit.address)) as f64 * EACH
}

fn quantile(sorted: &[f64], share: f64) -> f64 {
    sorted[((sorted.len() - 1) as f64 * share).round() as usize]
}

fn profiles() -> Vec<Profile> {
    packside_profiles::shipped()
        .iter()
        .map(|(id, _)| packside_profiles::find(id, None).unwrap().profile)
        .collect()
}

fn main() {
    let began = Instant::now();
    let profiles = profiles();
    let hv = profiles[0].clone();
    println!(
        "quiet window before the first byte: {:.0} s; seed {SEED}, {UNITS} units drawn from the prior",
        quiet_window(None).as_secs_f64()
    );
    let lines: Vec<_> = prior::lines().collect();
    let units: Vec<u8> = (1..=247).collect();
    let one_at_a_time = order::order(&lines, &units, Duration::ZERO, 1.0);
    let (expected, _) = order::expected(&one_at_a_time, Duration::ZERO);
    let floor = order::floor(Duration::ZERO);
    println!(
        "one at a time, no late answer heard: expected {expected:.2} s, floor {floor:.2} s, ratio {:.3}",
        expected / floor
    );
    let search = Search::new(Plan::everything(Duration::ZERO), &profiles);
    println!(
        "exhaustive bound: {} trials, {:.0} s",
        search.progress().of,
        search.progress().left.as_secs_f64()
    );
    let first: Duration = one_at_a_time
        .iter()
        .filter(|t| t.look == 0)
        .map(|t| t.cost(Duration::ZERO))
        .sum();
    println!("  of it first looks: {:.0} s", first.as_secs_f64());

    let count: usize = std::env::var("FIND_UNITS").map_or(UNITS, |n| n.parse().unwrap());
    let (mut times, mut named, mut loops, mut wrong, mut missed, mut unnamed) =
        (Vec::new(), Vec::new(), Vec::new(), 0, 0, 0);
    let mut worst = (0.0, None);
    for n in 0..count {
        let unit = drawn(SEED + n as u64);
        loops.push(nested(unit));
        match searched(unit, &hv, &profiles) {
            Some(outcome) => {
                let t = outcome.found.as_secs_f64();
                times.push(t);
                if t > worst.0 {
                    worst = (t, Some(unit));
                }
                named.push(outcome.named.as_secs_f64());
                if !outcome.right {
                    wrong += 1;
                    println!("wrong: {unit:?}");
                }
                if outcome.identity.profile() != Some("generic-hv-stack") {
                    unnamed += 1;
                    println!("unnamed {unit:?} {:?}", outcome.identity);
                }
            }
            None => {
                missed += 1;
                println!("missed: {unit:?}");
            }
        }
    }
    let total: f64 = times.iter().sum();
    let total_loops: f64 = loops.iter().sum();
    times.sort_by(f64::total_cmp);
    named.sort_by(f64::total_cmp);
    loops.sort_by(f64::total_cmp);
    println!(
        "found: median {:.2} s, 95 % {:.1} s, 99 % {:.1} s, worst {:.1} s, mean {:.2} s; wrong {wrong}, missed {missed}, unnamed {unnamed}",
        quantile(&times, 0.5),
        quantile(&times, 0.95),
        quantile(&times, 0.99),
        times.last().unwrap(),
        total / times.len() as f64
    );
    println!("worst {:?}", worst.1);
    println!("named: median {:.2} s", quantile(&named, 0.5));
    println!(
        "nested loop: mean {:.1} s, median {:.1} s; ratio of totals {:.2}, of medians {:.2}",
        total_loops / loops.len() as f64,
        quantile(&loops, 0.5),
        total_loops / total,
        quantile(&loops, 0.5) / quantile(&times, 0.5)
    );
    println!("{:.0} s of processor", began.elapsed().as_secs_f64());
    let _ = Parity::None;
}
