//! How often wrong line settings and swapped pairs are named right, over every pair of settings.
//!
//! True settings times assumed settings times pair times marks, an inverter polling for some seconds
//! on each line. Prints a table. Run: `cargo bench --bench settings [-- SEED [BAUD…]]`.

#![allow(
    clippy::print_stdout,
    clippy::unwrap_used,
    clippy::indexing_slicing,
    clippy::cast_possible_truncation,
    clippy::disallowed_methods,
    reason = "a benchmark prints, measures, and may fail loudly"
)]

use std::collections::BTreeMap;
use std::time::{Duration, Instant};

#[path = "../tests/it/settings_grid.rs"]
mod settings_grid;
#[path = "../tests/it/settings_line.rs"]
mod settings_line;

use packside::listen::settings::explain;
use settings_grid::{Counts, listen, settings, wire};
use settings_line::{Marks, Pair};

const SECONDS: u32 = 6;
/// Nothing was tuned on it.
const SEED: u64 = 31;
const BAUDS: [u32; 6] = [4_800, 9_600, 19_200, 38_400, 57_600, 115_200];
/// How many cases of each kind of miss are printed.
const SHOWN: usize = 3;

fn main() {
    let began = Instant::now();
    let given: Vec<u32> = std::env::args()
        .filter_map(|word| word.parse().ok())
        .collect();
    let words: Vec<String> = std::env::args().collect();
    let seconds = words.iter().find_map(|word| word.strip_prefix("seconds="));
    let seconds = u64::from(seconds.map_or(SECONDS, |text| text.parse().unwrap()));
    let only_bare = words.iter().any(|word| word == "bare");
    let seed = given.first().map_or(SEED, |seed| u64::from(*seed));
    let bauds = given
        .get(1..)
        .filter(|bauds| !bauds.is_empty())
        .unwrap_or(&BAUDS);
    println!(
        "{seconds} s of an inverter polling on each line, seed {seed}; sums over 4 layouts each of {bauds:?}"
    );
    let mut wrong = 0;
    for (pair, marks) in [
        (Pair::Straight, Marks::Full),
        (Pair::Straight, Marks::Tty),
        (Pair::Straight, Marks::None),
        (Pair::SwappedBiased, Marks::Full),
        (Pair::SwappedBiased, Marks::None),
        (Pair::SwappedFloating, Marks::Full),
        (Pair::SwappedFloating, Marks::None),
    ] {
        if only_bare && (pair == Pair::Straight || marks != Marks::None) {
            continue;
        }
        wrong += block(pair, marks, seed, bauds, seconds);
    }
    if !only_bare {
        slowest(seed);
    }
    println!(
        "proven but wrong: {wrong}; {:.0} s in all",
        began.elapsed().as_secs_f64()
    );
    assert_eq!(wrong, 0, "a proof was wrong");
}

/// One block of the table, a line for each relation of the rates; gives how many were proven wrong.
fn block(pair: Pair, marks: Marks, seed: u64, bauds: &[u32], seconds: u64) -> usize {
    let mut by_ratio: BTreeMap<u32, Counts> = BTreeMap::new();
    let all = settings(bauds);
    for truth in &all {
        let wire = wire(*truth, pair, seconds, seed);
        for ours in &all {
            let counts = by_ratio.entry(ours.baud * 100 / truth.baud).or_default();
            listen(&wire, *truth, *ours, pair, marks, counts);
        }
    }
    println!("{pair:?}, marks {marks:?}");
    by_ratio
        .iter()
        .for_each(|(ratio, counts)| line(*ratio, counts));
    let sum = |count: fn(&Counts) -> usize| by_ratio.values().map(count).sum::<usize>();
    let (right, never) = (sum(|c| c.tries.len()), sum(|c| c.never_right.len()));
    println!(
        "  lost ones that end right: {right} of {} ({:.2} %)",
        right + never,
        100.0 * right as f64 / (right + never).max(1) as f64
    );
    by_ratio
        .values()
        .map(|counts| counts.proven_wrong.len())
        .sum()
}

/// The counts of one relation of rates.
fn line(ratio: u32, counts: &Counts) {
    let classes: Vec<String> = counts
        .by_class
        .iter()
        .map(|(id, n)| format!("{id} {n}"))
        .collect();
    let most = counts.tries.iter().max().copied().unwrap_or(0);
    let mean = counts.tries.iter().sum::<usize>() as f64 / counts.tries.len().max(1) as f64;
    println!(
        "  our rate {:>5.2} x theirs: {:<40} unproven {}, proven wrong {}, likely wrong {}, lost never right {}; \
         tries mean {mean:.1}, most {most}; {:.1} ms each",
        f64::from(ratio) / 100.0,
        classes.join(", "),
        counts.unproven.len(),
        counts.proven_wrong.len(),
        counts.likely_wrong.len(),
        counts.never_right.len(),
        counts.took.as_secs_f64() * 1e3 / f64::from(counts.explained),
    );
    let shown = [
        counts.proven_wrong.as_slice(),
        &counts.likely_wrong,
        &counts.never_right,
        &counts.unproven,
    ];
    for text in shown.iter().flat_map(|list| list.iter().take(SHOWN)) {
        println!("    {text}");
    }
}

/// The longest that one explanation takes.
fn slowest(seed: u64) {
    let mut worst = (Duration::ZERO, String::new());
    for truth in settings(&[4_800, 19_200, 57_600]) {
        for pair in [Pair::Straight, Pair::SwappedFloating] {
            let wire = wire(truth, pair, 4 * u64::from(SECONDS), seed);
            for ours in settings(&[9_600, 19_200, 57_600, 115_200]) {
                let heard = wire.heard(ours, Marks::None);
                let began = Instant::now();
                let found = explain(&heard, ours);
                let took = began.elapsed();
                if took > worst.0 {
                    worst = (took, format!("{truth} {pair:?} at {ours}: {}", found.id()));
                }
            }
        }
    }
    println!(
        "slowest explanation: {:.0} ms ({})",
        worst.0.as_secs_f64() * 1e3,
        worst.1
    );
}
