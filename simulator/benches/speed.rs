//! How much faster than real time a line is simulated, on one core.
//!
//! A unit of five modules at 9600-8E1, asked without a pause for its largest block, as a poll
//! cycle asks. Once on a line where nothing disturbs, and on lines where bits must be computed.
//! Printed: seconds of the scenario in one real second (best of [`ROUNDS`]), and what share of the
//! questions was answered. Run: `cargo bench -p packside-simulator --bench speed`.

#![allow(
    clippy::print_stdout,
    clippy::unwrap_used,
    clippy::indexing_slicing,
    clippy::disallowed_methods,
    reason = "a benchmark prints, measures, and may fail loudly"
)]

use std::time::{Duration, Instant};

use packside_simulator::{Scenario, World};

const ROUNDS: usize = 5;

/// Time of the scenario that is simulated in one round.
const STRETCH: Duration = Duration::from_secs(1800);

/// Longest wait for an answer.
const PATIENCE: Duration = Duration::from_millis(500);

/// Reads 125 input registers from 64 on, of unit 1.
// Kind: derived (CRC by the published rule; a wrong one would be answered by silence, which shows)
const QUESTION: [u8; 8] = [0x01, 0x04, 0x00, 0x40, 0x00, 0x7d, 0x31, 0xff];

fn main() {
    println!(
        "5 modules, 9600-8E1, {} s of the scenario, best of {ROUNDS}:",
        STRETCH.as_secs()
    );
    let clean = "";
    report("undisturbed", clean, "9600-8E1", 2000.0);
    let noise = "[[noise]]\nper_second = 4\nwidth_us = 100\n";
    report("noise, 4 spikes a second", noise, "9600-8E1", 500.0);
    let second = "[second_client]\nevery = \"1s\"\nregisters = 60\n";
    report("a second client that collides", second, "9600-8E1", 500.0);
    // Bits of all that is said, both ways; nobody understands anybody.
    let inverter = "[inverter]\nevery = \"200ms\"\n";
    report(
        "another parity, inverter talks",
        inverter,
        "9600-8O1",
        500.0,
    );
    // The unit understands the tool, and every bit of its answer is computed.
    let swapped = "[line]\nunit_ppm = 30000\n";
    report("crystals 3 % apart", swapped, "9600-8E1", 500.0);
}

fn report(what: &str, rest: &str, tool: &str, wanted: f64) {
    let (mut best, mut share) = (0.0f64, 0.0);
    for _ in 0..ROUNDS {
        let (factor, answered) = round(rest, tool);
        (best, share) = (best.max(factor), answered);
    }
    let verdict = if best >= wanted { "reached" } else { "MISSED" };
    println!(
        "  {what:<32} {best:>8.0} x real time, {:>3.0} % answered; wanted {wanted:.0}: {verdict}",
        share * 100.0
    );
}

/// One round: how many times faster than real time, and the share of questions answered.
fn round(rest: &str, tool: &str) -> (f64, f64) {
    let text = format!(
        "format = 2\nname = \"speed\"\ntitle = \"invented\"\nprofile = \"generic-hv-stack\"\nlook_at = \"1s\"\n[stack]\nmodules = 5\n{rest}"
    );
    let scenario = Scenario::load(&text, "speed").unwrap();
    let profile = packside_profiles::find(&scenario.profile, None)
        .unwrap()
        .profile;
    let mut world = World::new(&scenario, &profile, 1);
    world.set_tool(tool.parse().unwrap());
    let (mut asked, mut answered) = (0u32, 0u32);
    let began = Instant::now();
    while world.now() < STRETCH {
        asked += 1;
        answered += u32::from(ask(&mut world));
    }
    let took = began.elapsed().as_secs_f64();
    (
        STRETCH.as_secs_f64() / took,
        f64::from(answered) / f64::from(asked),
    )
}

/// Asks once; whether as many bytes as belong to the answer came to us in time.
fn ask(world: &mut World) -> bool {
    let began = world.now();
    world.send(began, &QUESTION);
    let mut came = 0;
    while came < 255 && world.now() < began + PATIENCE {
        let wake = world
            .next_wake()
            .map_or(began + PATIENCE, |wake| wake.min(began + PATIENCE));
        let to = wake.max(world.now() + Duration::from_micros(1));
        let ours = world.advance_all(to);
        came += ours
            .iter()
            .filter(|a| a.client == Some(0))
            .map(|a| a.bytes.len())
            .sum::<usize>();
    }
    let silence = world.line().frame_silence();
    world.advance(world.now() + silence);
    came >= 255
}
