//! Processor time of one exchange of 125 registers over Modbus TCP, ours and that of the stock Rust client,
//! against a server that is started elsewhere: `benches/compare` does that, beside a client in C.
//!
//! Run: `cargo bench --bench exchange -- HOST:PORT`. Prints `ours N` and `stock N`, microseconds.

#![allow(
    clippy::print_stdout,
    clippy::unwrap_used,
    clippy::indexing_slicing,
    reason = "a benchmark prints, and may fail loudly"
)]

use std::time::Duration;

use packside::ask::Outcome;
use packside::event::Consent;
use packside::link::{OpenOptions, Pacing, Target, Wake, open};
use packside::wire::{Ask, Framing, Question};
use packside_profiles::Known;
use packside_profiles::model::Table;
use tokio_modbus::client::{Reader as _, tcp};

/// Exchanges in one run, as many as the work order measured, and the runs of which the middle one counts.
const EXCHANGES: u32 = 4000;
const RUNS: usize = 9;
const REGISTERS: u16 = 125;

fn main() {
    let place = std::env::args().skip(1).find(|word| word.contains(':'));
    let Some(place) = place else {
        println!("expected HOST:PORT of a server, see benches/compare");
        return;
    };
    println!("ours {:.2}", median(|| ours(&place)));
    println!("stock {:.2}", median(|| stock(&place)));
}

/// The middle one of several runs, microseconds of an exchange.
fn median(run: impl Fn() -> Duration) -> f64 {
    let mut times: Vec<Duration> = (0..RUNS).map(|_| run()).collect();
    times.sort_unstable();
    times[RUNS / 2].as_secs_f64() * 1e6 / f64::from(EXCHANGES)
}

/// Processor time of all threads of this process so far; of those that ended nothing is known, so none may
/// end meanwhile.
fn used() -> Duration {
    let threads = std::fs::read_dir("/proc/self/task").unwrap();
    let nanoseconds = threads.map(|thread| {
        let text = std::fs::read_to_string(thread.unwrap().path().join("schedstat")).unwrap();
        text.split(' ').next().unwrap().parse::<u64>().unwrap()
    });
    Duration::from_nanos(nanoseconds.sum())
}

fn ours(place: &str) -> Duration {
    let target = Target::gateway(place, Framing::Tcp).unwrap();
    let quiet = open(&target, OpenOptions::default(), Box::new(|_| {})).unwrap();
    let wake = Wake::of(None, &Known::default(), &[]);
    let proof = quiet.prove(&wake, Duration::ZERO, Consent::BOTH).unwrap();
    let mut asking = quiet.ask(proof, &[3]).ok().unwrap();
    asking.pace(Pacing::FULL);
    let question = Question::Read {
        table: Table::Holding,
        address: 0,
        count: REGISTERS,
    };
    let before = used();
    for number in 0..EXCHANGES {
        let exchange = asking
            .ask(Ask { unit: 1, question }, Duration::from_secs(2))
            .unwrap();
        assert!(matches!(exchange.outcome, Outcome::Answered(_)));
        // Whoever asks takes the tape away, as every command does.
        if number % 8 == 7 {
            asking.drain();
        }
    }
    used() - before
}

fn stock(place: &str) -> Duration {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .unwrap();
    runtime.block_on(async {
        let address = place.parse().unwrap();
        let mut context = tcp::connect(address).await.unwrap();
        let before = used();
        for _ in 0..EXCHANGES {
            let words = context.read_holding_registers(0, REGISTERS).await;
            assert_eq!(words.unwrap().unwrap().len(), usize::from(REGISTERS));
        }
        used() - before
    })
}
