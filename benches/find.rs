//! How fast an unknown unit is found, and named. In virtual time on the simulated line, bit by bit.
//!
//! Times count from the first byte sent; the quiet window before it is printed beside. Run:
//! `cargo bench --bench find`.

#![allow(
    clippy::print_stdout,
    clippy::print_stderr,
    clippy::unwrap_used,
    clippy::indexing_slicing,
    clippy::cast_possible_truncation,
    clippy::cast_precision_loss,
    clippy::cast_sign_loss,
    clippy::disallowed_methods,
    reason = "a benchmark prints, measures, and may fail loudly"
)]

use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::{Duration, Instant};

use packside::drive::find as run;
use packside::event::{Consent, What};
use packside::find::order::{Late, Look};
use packside::find::{
    FoundIdentity, Listening, Overhear, Plan, Search, Volley, Who, order, prior, who,
};
use packside::link::{Wake, quiet_window};
use packside::simulated::Simulated;
use packside::simulated::open_simulated_as;
use packside_profiles::{Known, LineSettings, Profile};
use packside_simulator::{Scenario, Way};

const UNITS: usize = 2_000;
const SEED: usize = 731;

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
    /// Silent to all but function 11.
    is_odd: bool,
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
        is_odd: false,
    }
}

struct Outcome {
    found: Duration,
    named: Duration,
    right: bool,
    identity: FoundIdentity,
    /// Times that its address was asked at its settings in the order, hints left out.
    looks: usize,
}

/// This for each number below `all`, on all cores, with a word on stderr now and then.
fn each<T: Send>(what: &str, all: usize, of: impl Fn(usize) -> T + Sync) -> Vec<T> {
    let (next, done, began) = (AtomicUsize::new(0), AtomicUsize::new(0), Instant::now());
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    let work = || {
        let mut results = Vec::new();
        loop {
            let n = next.fetch_add(1, Ordering::Relaxed);
            if n >= all {
                return results;
            }
            results.push((n, of(n)));
            let done = done.fetch_add(1, Ordering::Relaxed) + 1;
            if done.is_multiple_of(100) || done == all {
                let took = began.elapsed().as_secs_f64();
                eprintln!("{what}: {done} of {all} after {took:.0} s");
            }
        }
    };
    let mut results: Vec<(usize, T)> = std::thread::scope(|scope| {
        let threads: Vec<_> = (0..cores).map(|_| scope.spawn(work)).collect();
        let joined = threads.into_iter().map(|thread| thread.join().unwrap());
        joined.flatten().collect()
    });
    results.sort_by_key(|(n, _)| *n);
    results.into_iter().map(|(_, result)| result).collect()
}

/// What a scenario changes in its map for a unit with another address.
fn at_address(unit: u8) -> toml::Table {
    format!("[answering]\nunit = {unit}").parse().unwrap()
}

/// Searches for one unit; times from the first byte sent.
fn searched(unit: Unit, name: &str, profile: &Profile, profiles: &[Profile]) -> Option<Outcome> {
    let mut scenario = Scenario::find(name).unwrap();
    scenario.line.unit = Some(unit.line);
    scenario.stack.answer_time = Some(Duration::from_secs_f64(unit.answer_ms / 1000.0));
    scenario.map = at_address(unit.address);
    if unit.is_odd {
        // Silent, and there again at once.
        scenario.control.hangs_on = vec![0x03, 0x04, 0x2b];
        scenario.control.hangs_for = Some(Duration::ZERO);
    }
    let age = Duration::from_secs(30);
    let first = prior::lines().next().unwrap().0;
    let quiet = open_simulated_as(
        &scenario,
        profile,
        Simulated {
            age,
            line: Some(first),
            ..Simulated::default()
        },
    );
    let wake = Wake::of(None, &Known::default(), &[]);
    let proof = quiet
        .prove(&wake, Duration::ZERO, Consent::default())
        .unwrap();
    let mut asking = quiet.ask(proof, &run::FUNCTIONS).map_err(drop).unwrap();
    let mut search = Search::new(Plan::everything(Duration::ZERO), profiles);
    let alike = |line: LineSettings| LineSettings {
        stop_bits: 1,
        ..line
    };
    let (mut began, mut looks) = (None, 0);
    run::search(&mut asking, &mut search, |progress| {
        let is_its =
            |trial: order::Trial| (trial.line, trial.unit) == (alike(unit.line), unit.address);
        looks += usize::from(!progress.by_hint && progress.now.is_some_and(is_its));
    })
    .unwrap();
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
    Some(Outcome {
        found: found_at - began,
        named: asking.now() - began,
        right: found.line == alike(unit.line) && found.unit == unit.address,
        identity,
        looks,
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

/// A count from the environment, for a shorter run.
fn count(name: &str, usual: usize) -> usize {
    std::env::var(name).map_or(usual, |text| text.parse().unwrap())
}

/// Seed of the first unit; the next ones have the next numbers.
fn seed() -> u64 {
    count("FIND_SEED", SEED) as u64
}

fn main() {
    let began = Instant::now();
    let profiles = profiles();
    println!(
        "quiet window before the first byte: {:.0} s, not counted below; seed {}",
        quiet_window(None).as_secs_f64(),
        seed()
    );
    by_the_prior(&profiles);
    whole_prior(&profiles);
    unusual(&profiles);
    factory(&profiles);
    busy();
    gateway(&profiles);
    println!("{:.0} s in all", began.elapsed().as_secs_f64());
}

/// What can be computed.
fn by_the_prior(profiles: &[Profile]) {
    let lines: Vec<_> = prior::lines().collect();
    let units: Vec<u8> = (1..=247).collect();
    let order = order::order(&lines, &units, Duration::ZERO, Late::Dropped, &[]);
    let (expected, _) = order::expected(&order, Duration::ZERO, Late::Dropped);
    let ours = order::order(&lines, &units, Duration::ZERO, Late::Heard, &[]);
    let (hearing, _) = order::expected(&ours, Duration::ZERO, Late::Heard);
    let floor = order::floor(Duration::ZERO);
    println!(
        "one question at a time, late answers dropped: expected {expected:.1} s, no order below {floor:.1} s, ratio {:.3}",
        expected / floor
    );
    println!("our order, late answers heard as often as counted before: expected {hearing:.1} s");
    let search = Search::new(Plan::everything(Duration::ZERO), profiles);
    let first = order.iter().filter(|trial| trial.look == Look::First);
    let once: Duration = first.map(|trial| trial.cost(Duration::ZERO)).sum();
    println!(
        "exhaustive: {} questions, every address at all settings once {:.0} s, with the longer waits {:.0} s",
        search.progress().of,
        once.as_secs_f64(),
        search.progress().left.as_secs_f64()
    );
}

/// Units drawn from the prior, against the nested loop.
fn whole_prior(profiles: &[Profile]) {
    let (mut times, mut named, mut loops) = (Vec::new(), Vec::new(), Vec::new());
    let (mut wrong, mut missed, mut unnamed) = (0, 0, 0);
    // Of the units slower than the first wait: all, and those found before they were asked anew.
    let (mut slow, mut heard_late) = (0, 0);
    let outcomes = each("whole prior", count("FIND_UNITS", UNITS), |n| {
        let unit = drawn(seed() + n as u64);
        (unit, searched(unit, "hv-waiting", &profiles[0], profiles))
    });
    for (unit, outcome) in outcomes {
        loops.push(nested(unit));
        let Some(outcome) = outcome else {
            missed += 1;
            println!("  missed: {unit:?}");
            continue;
        };
        times.push(outcome.found.as_secs_f64());
        named.push(outcome.named.as_secs_f64());
        if unit.answer_ms > f64::from(order::FIRST_MS) {
            slow += 1;
            heard_late += i32::from(outcome.looks <= 1);
        }
        if !outcome.right {
            wrong += 1;
            println!("  wrong: {unit:?}");
        }
        if outcome.identity.profile() != Some("generic-hv-stack") {
            unnamed += 1;
            println!("  not named: {unit:?}");
        }
    }
    let (total, total_loops): (f64, f64) = (times.iter().sum(), loops.iter().sum());
    let measured = times.len() as f64;
    for list in [&mut times, &mut named, &mut loops] {
        list.sort_by(f64::total_cmp);
    }
    println!(
        "whole prior, {} units: found after median {:.2} s, 95 % {:.1} s, 99 % {:.1} s, longest {:.1} s, mean {:.1} s; \
         named after median {:.2} s; wrong {wrong}, not found {missed}, not named {unnamed}",
        loops.len(),
        quantile(&times, 0.5),
        quantile(&times, 0.95),
        quantile(&times, 0.99),
        times.last().unwrap(),
        total / measured,
        quantile(&named, 0.5)
    );
    println!(
        "  slower than the first wait {slow}, of these found before they were asked anew {heard_late} ({:.1} %)",
        100.0 * f64::from(heard_late) / f64::from(slow)
    );
    let mean = total / measured;
    println!(
        "  mean against the floor of waiting for each answer: {:.3}; against no waiting at all, {:.2} s: {:.1}",
        mean / order::floor(Duration::ZERO),
        order::least(),
        mean / order::least()
    );
    println!(
        "  nested loop: mean {:.1} s, median {:.1} s; loop / ours: total time {:.2}, medians {:.1}",
        total_loops / loops.len() as f64,
        quantile(&loops, 0.5),
        total_loops / total,
        quantile(&loops, 0.5) / quantile(&times, 0.5)
    );
}

/// Units that the prior leaves out, at its settings and addresses: slow ones, and such as answer nothing but
/// function 11.
fn unusual(profiles: &[Profile]) {
    for what in ["answer after 0.5 to 1.3 s", "only function 11"] {
        let all = count("FIND_UNUSUAL", 500);
        let outcomes = each(what, all, |n| {
            let mut unit = drawn(seed() + n as u64);
            unit.is_odd = what == "only function 11";
            if !unit.is_odd {
                unit.answer_ms = 500.0 + 800.0 * Dice::new(seed() + (UNITS + n) as u64).share();
            }
            let outcome = searched(unit, "hv-waiting", &profiles[0], profiles);
            outcome.filter(|outcome| outcome.right)
        });
        let found = outcomes.iter().flatten();
        let mut times: Vec<f64> = found.map(|outcome| outcome.found.as_secs_f64()).collect();
        times.sort_by(f64::total_cmp);
        let before = |seconds: f64| times.iter().filter(|time| **time <= seconds).count();
        println!(
            "{what}, {all} units: found {}, after median {:.1} s; within 30 s {}, 60 s {}, 300 s {}",
            times.len(),
            quantile(&times, 0.5),
            before(30.0),
            before(60.0),
            before(300.0)
        );
    }
}

/// Units as they leave the factory, by the shipped maps.
fn factory(profiles: &[Profile]) {
    for (profile, scenario) in profiles.iter().zip(["hv-waiting", "rack-waiting"]) {
        let id = &profile.profile.id;
        let mut named = each(id, count("FIND_FACTORY", 200), |n| {
            let unit = Unit {
                line: profile.answering.line,
                address: profile.answering.unit,
                ..drawn(seed() + n as u64)
            };
            let outcome = searched(unit, scenario, profile, profiles).unwrap();
            assert_eq!(outcome.identity.profile(), Some(id.as_str()));
            outcome.named.as_secs_f64()
        });
        named.sort_by(f64::total_cmp);
        println!(
            "factory settings of {id}, answer times of the prior: named after median {:.2} s, longest {:.2} s",
            quantile(&named, 0.5),
            named.last().unwrap()
        );
    }
}

/// An inverter polls, with periods inside the window: settings by listening, nothing sent.
fn busy() {
    let window = quiet_window(None);
    let profile = packside_profiles::find("generic-hv-stack", None)
        .unwrap()
        .profile;
    let (mut right, mut proven, mut sent, mut took) = (0, 0, 0, Vec::new());
    let all = count("FIND_BUSY", 500);
    let overheard = each("busy line", all, |n| {
        let unit = drawn(seed() + n as u64);
        let mut scenario = Scenario::find("hv-running").unwrap();
        scenario.line.unit = Some(unit.line);
        let plan = scenario.inverter.as_mut().unwrap();
        plan.every = Duration::from_millis(1_000 + (n as u64 % 19) * 500);
        let every = plan.every;
        let how = Simulated {
            age: Duration::from_secs(60) + Duration::from_millis(37 * n as u64),
            line: prior::lines().next().map(|(line, _)| line),
            ..Simulated::default()
        };
        let mut quiet = open_simulated_as(&scenario, &profile, how);
        let mut machine = Overhear::new(quiet.now(), prior::lines().next().unwrap().0, window);
        let heard = run::overhear(&mut quiet, &mut machine).unwrap();
        let events = quiet.drain();
        let outs = events
            .iter()
            .filter(|event| matches!(event.what, What::Out(_)));
        (unit, every, heard, outs.count(), quiet.now().as_secs_f64())
    });
    for (unit, every, heard, outs, seconds) in overheard {
        sent += outs;
        took.push(seconds);
        let truth = LineSettings {
            stop_bits: 1,
            ..unit.line
        };
        match heard {
            Listening::Heard { line, is_proven } if line == truth => {
                right += 1;
                proven += usize::from(is_proven);
            }
            other => println!("  busy, every {every:?}: {} told as {other:?}", unit.line),
        }
    }
    took.sort_by(f64::total_cmp);
    println!(
        "busy line, {all} lines of the prior, polled every 1 to 10 s: {sent} bytes sent, settings right {:.2} %, of these \
         proven {:.2} %, after median {:.0} s, longest {:.0} s of listening",
        100.0 * right as f64 / all as f64,
        100.0 * proven as f64 / right as f64,
        quantile(&took, 0.5),
        took.last().unwrap()
    );
}

/// 247 addresses behind a gateway, three units, 500 ms serial time-out.
fn gateway(profiles: &[Profile]) {
    for latency_ms in [0, 20, 100, 300] {
        let ask_all = |most: usize| {
            let mut scenario = Scenario::find("rack-waiting").unwrap();
            scenario.stack.packs = 3;
            let mut plan = scenario.gateway.clone().unwrap_or_default();
            plan.latency = Duration::from_millis(latency_ms);
            plan.time_out = Duration::from_millis(500);
            scenario.gateway = Some(plan);
            scenario.map = at_address(40);
            let how = Simulated {
                age: Duration::from_secs(30),
                way: Some(Way::Tcp),
                ..Simulated::default()
            };
            let quiet = open_simulated_as(&scenario, &profiles[1], how);
            let wake = Wake::of(None, &Known::default(), &[]);
            let proof = quiet
                .prove(&wake, Duration::ZERO, Consent::default())
                .unwrap();
            let mut asking = quiet.ask(proof, &run::FUNCTIONS).map_err(drop).unwrap();
            let began = asking.now();
            let question = who::probes(profiles)[0].question;
            let mut volley = Volley::new(&Volley::likely_first(), question, false).at_most(most);
            run::volley(&mut asking, &mut volley, |_| {}).unwrap();
            assert_eq!(volley.answering().count(), 3);
            ((asking.now() - began).as_secs_f64(), volley.most_open())
        };
        let ((one, _), (many, open)) = (ask_all(1), ask_all(16));
        println!(
            "gateway, 247 addresses, 3 units, 500 ms time-out, {latency_ms} ms each way: one by one {one:.1} s, up to {open} \
             outstanding {many:.1} s, ratio {:.2}",
            one / many
        );
    }
}
