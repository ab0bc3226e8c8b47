//! How long one full poll cycle takes against the least time the line needs.
//!
//! The simulator paces a pseudo-terminal at character times; the tool asks as in the field. Printed
//! side by side: measured, computed minimum, their ratio, and what asking for every point alone
//! would need (computed). Run: `cargo bench --bench cycle`.

#![allow(
    clippy::print_stdout,
    clippy::unwrap_used,
    clippy::indexing_slicing,
    clippy::disallowed_methods,
    reason = "a benchmark prints, measures, and may fail loudly"
)]

use std::time::{Duration, Instant};

use packside::event::{Consent, What};
use packside::link::{Asking, Interrupt, OpenOptions, Target, Wake, open};
use packside::poll::{Cost, Read, cycle_time, plan, unplanned};
use packside::wire::{Ask, Question};
use packside_profiles::model::{Base, Profile, Span, Table};
use packside_profiles::{Instance, Known, Layout, Place};
use packside_simulator::Scenario;
use packside_simulator::serve::{Options, Place as Serve, Server};

const ANSWER_TIME: Duration = Duration::from_millis(5);
const CYCLES: usize = 5;

fn main() {
    planning();
    println!(
        "generic-hv-stack, 5 modules, answer time 5 ms, pty paced by the simulator, median of {CYCLES} cycles"
    );
    for line in ["9600-8E1", "19200-8E1", "115200-8N1"] {
        cycle(line);
    }
}

/// One line setting: measured cycle, least time, and one question per point.
fn cycle(line: &str) {
    let (profile, wanted) = stack_of_five();
    let cost = Cost {
        line: Some(line.parse().unwrap()),
        answer_time: ANSWER_TIME,
    };
    let reads = plan(&wanted, &profile.spans, &profile.clears_when_read, &cost);
    assert!(unplanned(&wanted, &reads).is_empty());
    let registers: u32 = reads.iter().map(|read| u32::from(read.count)).sum();
    let least = cycle_time(&reads, &cost);
    let alone: Duration = wanted
        .iter()
        .map(|one| cost.of(one.table, one.registers))
        .sum();
    let mut asking = served(line, &profile);
    let mut times: Vec<Duration> = (0..=CYCLES)
        .map(|_| measured(&mut asking, &reads))
        .skip(1)
        .collect();
    times.sort_unstable();
    let median = times[times.len() / 2];
    println!(
        "{line:<11} {} points in {} reads of {registers} registers from {} spans: measured {:.1} ms, least {:.1} ms, \
         ratio {:.3}; one question per point {:.1} ms, {:.1} times ours",
        wanted.len(),
        reads.len(),
        profile.spans.len(),
        median.as_secs_f64() * 1e3,
        least.as_secs_f64() * 1e3,
        median.as_secs_f64() / least.as_secs_f64(),
        alone.as_secs_f64() * 1e3,
        alone.as_secs_f64() / median.as_secs_f64(),
    );
}

/// From the first byte sent to the silence after the last answer.
fn measured(asking: &mut Asking, reads: &[Read]) -> Duration {
    let started = Instant::now();
    for read in reads {
        let question = Question::Read {
            table: read.table,
            address: read.address,
            count: read.count,
        };
        let exchange = asking
            .ask(Ask { unit: 1, question }, Duration::from_secs(2))
            .unwrap();
        assert!(exchange.first_byte_at.is_some(), "{exchange:?}");
    }
    let took = started.elapsed();
    assert!(
        asking
            .drain()
            .iter()
            .any(|event| matches!(event.what, What::In(_)))
    );
    took
}

/// A simulated stack on a pseudo-terminal, and the tool asking on its other end.
fn served(line: &str, profile: &Profile) -> Asking {
    let scenario = Scenario::find("hv-waiting").unwrap();
    let options = Options {
        start_at: Duration::from_secs(60),
        line: Some(line.parse().unwrap()),
        answer_time: Some(ANSWER_TIME),
        ..Options::of(&scenario)
    };
    let mut server = Server::open(&scenario, profile, &Serve::Pty, &options).unwrap();
    let port = server.reach().to_owned();
    std::thread::spawn(move || server.run(|_| true));
    let target = Target::Serial {
        port: port.into(),
        line: line.parse().unwrap(),
    };
    let options = OpenOptions {
        plugged: None,
        consent: Consent::BOTH,
        interrupt: Interrupt::default(),
        ..OpenOptions::default()
    };
    let quiet = open(&target, options, Box::new(|_| {})).unwrap();
    let proof = quiet
        .prove(
            &Wake::of(Some(profile), &Known::default(), &[]),
            Duration::ZERO,
            Consent::BOTH,
        )
        .unwrap();
    quiet
        .ask(proof, &profile.answering.functions)
        .map_err(|back| back.1)
        .unwrap()
}

/// The generic high-voltage stack with five modules, and everything of it that may be read.
fn stack_of_five() -> (Profile, Vec<Instance>) {
    let profile = packside_profiles::find("generic-hv-stack", None)
        .unwrap()
        .profile;
    let known = Known {
        counts: [("module_count".to_owned(), 5)].into(),
        ..Known::default()
    };
    let clears = |i: &Instance| {
        let read = Read {
            table: i.table,
            address: i.address,
            count: i.registers,
            instances: Vec::new(),
        };
        profile
            .clears_when_read
            .iter()
            .any(|span| read.touches(span))
    };
    let layout = Layout::new(&profile, &known);
    assert!(layout.pending.is_empty());
    let wanted = layout
        .instances
        .into_iter()
        .filter(|i| !clears(i))
        .collect();
    (profile, wanted)
}

/// Median time to plan 1,000 points of one and two registers with gaps, in 10 spans.
fn planning() {
    let point = |i: u16| Instance {
        point: usize::from(i),
        place: Place::default(),
        table: Table::Input,
        address: i * 4,
        registers: 1 + i % 2,
    };
    let wanted: Vec<Instance> = (0..1000).map(point).collect();
    let span = |i: u16| Span {
        table: Table::Input,
        base: Base::Absolute,
        from: i * 400,
        to: i * 400 + 399,
    };
    let spans: Vec<Span> = (0..11).map(span).collect();
    let cost = Cost {
        line: Some("9600-8E1".parse().unwrap()),
        answer_time: ANSWER_TIME,
    };
    let mut times: Vec<Duration> = (0..101)
        .map(|_| {
            let start = Instant::now();
            std::hint::black_box(plan(std::hint::black_box(&wanted), &spans, &[], &cost));
            start.elapsed()
        })
        .collect();
    times.sort_unstable();
    let reads = plan(&wanted, &spans, &[], &cost).len();
    println!(
        "planning 1,000 points into {reads} reads: {:.3} ms (median of 101)",
        times[50].as_secs_f64() * 1e3
    );
}
