//! How often the verdict is right, in virtual time. Run:
//!
//!     cargo bench --bench verdict                      short samples of everything
//!     cargo bench --bench verdict -- runs 200 60       scenarios and core pairs with 200 seeds, other pairs with 60
//!     cargo bench --bench verdict -- perturbed 3       pairs with rates, delays and limits moved, 3 seeds each
//!     cargo bench --bench verdict -- phases 600        a line that is bad, then mended
//!     cargo bench --bench verdict -- traceless 200     faults that show nowhere at first
//!     cargo bench --bench verdict -- causes 3000       shares of soft causes against the truth
//!     cargo bench --bench verdict -- speed             time of judging
//!     cargo bench --bench verdict -- record COMMIT DATE 200 60  all of it, kept in tests/figures/

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

use packside::judge::judge;
use packside::simulated::rehearsal::Rehearsal;
use packside_simulator::{Scenario, Way};
use run::cases::{Which, Worlds};

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
    let told = match arguments.first().map(String::as_str) {
        Some("runs") => runs(number(1, 2) as u64, number(2, 1) as u64),
        Some("perturbed") => perturbed(number(1, 3)),
        Some("phases") => run::phases(number(1, 600)).text(),
        Some("traceless") => run::traceless::traceless(number(1, 200)).text(),
        Some("causes") => {
            let held_out = usize::try_from(calibration::HELD_OUT).unwrap();
            calibration::figures(number(1, 2000), number(2, held_out) as u64)
        }
        Some("speed") => speed(),
        Some("record") => return record(&arguments),
        _ => [
            format!(
                "== every third of all kinds, one seed\n{}",
                run::run_all(&run::cases::sample(3), Worlds::AsTold).text()
            ),
            perturbed(1),
            run::phases(200).text(),
            run::traceless::traceless(40).text(),
            calibration::figures(500, calibration::HELD_OUT),
            speed(),
        ]
        .join("\n"),
    };
    println!("{told}");
}

/// All figures, kept in the repository: `record COMMIT DATE CORE OTHERS`.
fn record(arguments: &[String]) {
    let [_, commit, date, sizes @ ..] = arguments else {
        println!("expected: record COMMIT DATE [SEEDS_OF_CORE SEEDS_OF_OTHERS]");
        return;
    };
    let size = |at: usize, usual: u64| {
        sizes
            .get(at)
            .and_then(|text| text.parse().ok())
            .unwrap_or(usual)
    };
    let begun = Instant::now();
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    let parts = [
        runs(size(0, 200), size(1, 60)),
        perturbed(3),
        run::phases(600).text(),
        run::traceless::traceless(200).text(),
        calibration::figures(3000, calibration::HELD_OUT),
        speed(),
    ];
    let minutes = begun.elapsed().as_secs_f64() / 60.0;
    let page = format!(
        "# How often the verdict is right\n\n\
         All units are simulated and invented. Commit {commit}, {date}; {minutes:.0} minutes on {cores} cores. Again by\n\
         `cargo bench --bench verdict -- record COMMIT DATE {} {}`.\n\n```\n{}\n```\n\n\
         ![shares told against truth](verdict-reliability.svg)\n",
        size(0, 200),
        size(1, 60),
        parts.join("\n")
    );
    let kept = std::fs::create_dir_all("tests/figures")
        .and_then(|()| std::fs::write("tests/figures/verdict.md", &page))
        .and_then(|()| std::fs::copy(calibration::PLOT, "tests/figures/verdict-reliability.svg"));
    println!("{page}");
    match kept {
        Ok(_) => println!("kept in tests/figures/verdict.md"),
        Err(error) => println!("tests/figures could not be written: {error}"),
    }
}

fn runs(core: u64, others: u64) -> String {
    let begun = Instant::now();
    let planned = run::cases::plan(core, others);
    let table = run::run_all(&planned, Worlds::AsTold);
    let took = begun.elapsed().as_secs_f64();
    format!(
        "== scenarios and core pairs with {core} seeds, the other pairs with {others}: {} runs in {:.1} minutes ({:.1} per second)\n{}",
        table.runs,
        took / 60.0,
        table.runs as f64 / took.max(1e-9),
        table.text()
    )
}

/// Rates, delays and periods times a half to two, silence time give or take a fifth, cells spread
/// within what a sound unit may have, and limits moved towards it. Shipped scenarios have no such
/// handles and are left out.
fn perturbed(seeds: usize) -> String {
    let mut planned = run::cases::plan(seeds as u64, seeds as u64);
    planned.retain(|(which, ..)| matches!(which, Which::Pair(_)));
    let table = run::run_all(&planned, Worlds::Perturbed);
    format!(
        "== perturbed worlds: every composed pair with {seeds} seeds\n{}",
        table.text()
    )
}

/// Time of judging one cycle of five modules, and of each further cycle.
fn speed() -> String {
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
    let mut text = String::new();
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
            text = format!(
                "== speed\nfirst byte sent to verdict at {}, 5 modules: {:.2} s (virtual time; the own counter has to be seen moving)",
                profile.answering.line,
                last.saturating_sub(first).as_secs_f64()
            );
        }
    }
    let (one, eleven) = (told[0].1, told[10].1);
    format!(
        "{text}\njudging 1 look: {:.3} ms; each further look in the same events: {:.3} ms (median of 21)",
        one.as_secs_f64() * 1e3,
        eleven.saturating_sub(one).as_secs_f64() * 100.0
    )
}
