//! Figures of the poller: planning, and a full cycle on a paced line against what is possible.
//!
//! Run with `cargo bench --bench cycle`; prints a table for the README.

#![allow(
    clippy::print_stdout,
    clippy::unwrap_used,
    clippy::disallowed_methods,
    reason = "a benchmark prints and measures"
)]

use std::time::{Duration, Instant};

use packside::poll::{Cost, plan};
use packside_profiles::model::{Base, Span, Table};
use packside_profiles::{Instance, Place};

fn main() {
    planning();
}

/// Median time to plan 1,000 points of one and two registers with gaps, in 10 spans.
fn planning() {
    let point = |i: u16| Instance {
        point: usize::from(i),
        name: String::new(),
        place: Place::default(),
        table: Table::Input,
        address: i * 4 + i % 3,
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
        answer_time: Duration::from_millis(5),
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
