//! How often the verdict is right, in virtual time. Run:
//!
//!     cargo bench --bench verdict                      short samples of everything
//!     cargo bench --bench verdict -- runs 0 30000      scenarios and composed pairs, cases by number
//!     cargo bench --bench verdict -- perturbed 0 3000  the same with rates, delays and limits moved
//!     cargo bench --bench verdict -- phases 600        a line that is bad, then mended
//!     cargo bench --bench verdict -- causes 3000       shares of soft causes against the truth
//!     cargo bench --bench verdict -- speed             time of judging

#![allow(
    clippy::print_stdout,
    clippy::unwrap_used,
    clippy::indexing_slicing,
    clippy::cast_precision_loss,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    clippy::disallowed_methods,
    reason = "figures are printed, measured with a clock, and may fail loudly"
)]

mod calibration;
mod run;

use std::time::{Duration, Instant};

use packside::cli::rehearse::Rehearsal;
use packside::diagnose::judge;
use packside_simulator::compose::Stretch;
use packside_simulator::{Scenario, Way};

fn main() {
    let arguments: Vec<String> = std::env::args()
        .skip(1)
        .filter(|a| a != "--bench")
        .collect();
    let number = |at: usize, usual: usize| {
        arguments
            .get(at)
            .and_then(|text| text.parse().ok())
            .unwrap_or(usual)
    };
    match arguments.first().map(String::as_str) {
        Some("runs") => runs(number(1, 0), number(2, 3000)),
        Some("perturbed") => perturbed(number(1, 0), number(2, 2000)),
        Some("phases") => println!("{}", run::phases(number(1, 600)).text()),
        Some("causes") => {
            let held_out = usize::try_from(calibration::HELD_OUT).unwrap();
            calibration::print(number(1, 2000), number(2, held_out) as u64);
        }
        Some("speed") => speed(),
        _ => {
            println!("== every third of all kinds, one seed");
            println!("{}", run::run_all(&run::sample(3)).text());
            perturbed(0, 1000);
            println!("{}", run::phases(200).text());
            calibration::print(500, calibration::HELD_OUT);
            speed();
        }
    }
}

fn runs(from: usize, to: usize) {
    println!("== cases {from} to {to}");
    println!(
        "{}",
        run::run_all(&run::cases(from, to, &|_| Stretch::default())).text()
    );
}

/// Rates, delays and periods times a half to two, silence time give or take a fifth, cells spread
/// within what a sound unit may have. Shipped scenarios have no such handles and are left out.
fn perturbed(from: usize, to: usize) {
    println!("== perturbed cases {from} to {to} (composed pairs only)");
    let stretch = |seed: u64| {
        let even = |salt: u64| {
            let mixed = (seed ^ salt).wrapping_mul(0x9e37_79b9_7f4a_7c15) >> 40;
            mixed as f64 / f64::from(1u32 << 24)
        };
        Stretch {
            times: 0.5 * 4f64.powf(even(1)),
            silence: 0.8 + 0.4 * even(2),
            spread: 0.5 + 9.0 * even(3),
        }
    };
    let cases: Vec<run::Case> = run::cases(from, to, &stretch)
        .into_iter()
        .filter(|case| case.text.is_some())
        .collect();
    println!("{}", run::run_all(&cases).text());
}

/// Time of judging one cycle of five modules, and of each further cycle.
fn speed() {
    let profile = packside_profiles::find("generic-hv-stack", None)
        .unwrap()
        .profile;
    let scenario = Scenario::find("hv-waiting").unwrap();
    let mut session = Rehearsal::open(
        &scenario,
        &profile,
        Duration::from_secs(90),
        Some(Way::Serial),
    );
    let mut told = Vec::new();
    for cycles in 1..=11u32 {
        let events = session.look().to_vec();
        let mut times: Vec<Duration> = (0..21)
            .map(|_| {
                let begun = Instant::now();
                std::hint::black_box(judge(&events, Some(&profile), None));
                begun.elapsed()
            })
            .collect();
        times.sort_unstable();
        told.push((cycles, times[10]));
        if cycles == 1 {
            let from = events
                .iter()
                .find(|e| matches!(e.what, packside::event::What::Out(_)));
            let last = events.last().map_or(Duration::ZERO, |e| e.at);
            let first = from.map_or(Duration::ZERO, |e| e.at);
            println!(
                "first byte sent to verdict at {}, 5 modules: {:.2} s (virtual time; the own counter has to be seen moving)",
                profile.answering.line,
                last.saturating_sub(first).as_secs_f64()
            );
        }
    }
    let (one, eleven) = (told[0].1, told[10].1);
    println!(
        "judging 1 look: {:.3} ms; each further look in the same events: {:.3} ms (median of 21)",
        one.as_secs_f64() * 1e3,
        eleven.saturating_sub(one).as_secs_f64() * 100.0
    );
}
