//! Figures of listening: how many frames are cut out right, and how fast.
//!
//! Everything is made from printed seeds. Run: `cargo bench --bench listen`.

#![allow(
    missing_docs,
    unreachable_pub,
    clippy::print_stdout,
    clippy::unwrap_used,
    clippy::indexing_slicing,
    clippy::disallowed_methods,
    clippy::cast_possible_truncation,
    reason = "a benchmark prints, measures, and may fail loudly"
)]

use std::time::Duration;

use packside::wire::{PieceKind, Stream, is_sealed};

#[path = "../tests/it/score.rs"]
mod score;
#[path = "../tests/it/traffic.rs"]
mod traffic;

use traffic::{Dice, Line, MIXES, traffic as make};

const SEED: u64 = 5;
const CHUNK: usize = 64 * 1024;
const DAMAGED: Line = Line {
    damaged: 200,
    noise: 500,
    exceptions: 100,
    unanswered: 100,
};
const CLEAN: Line = Line {
    damaged: 0,
    noise: 0,
    exceptions: 100,
    unanswered: 0,
};

fn main() {
    accuracy(1_000_000);
    pure_noise(200_000_000);
    println!("\nspeed by processor time, one core, in memory, median of 5, best in brackets");
    for mix in MIXES {
        let bytes = make(SEED, 400_000, mix, CLEAN).bytes;
        speed(&format!("clean, mix {}", mix.name), &bytes);
    }
    let bytes = make(SEED, 400_000, MIXES[3], DAMAGED).bytes;
    speed("2 % damaged, mix all", &bytes);
    speed("noise", &noise(SEED, 20_000_000));
    speed("headers of long frames", &[0x02, 0xfa].repeat(2_000_000));
}

/// Time that this process has spent on a processor: what others do on the machine does not count.
fn cpu_ns() -> u64 {
    let stat = std::fs::read_to_string("/proc/self/schedstat").unwrap();
    stat.split_whitespace().next().unwrap().parse().unwrap()
}

/// Every mix: frames cut out right, and what was not.
fn accuracy(frames: usize) {
    println!(
        "{frames} frames each, seed {SEED}, 2 % damaged, a run of noise before 5 %, all unit addresses"
    );
    for mix in MIXES {
        let traffic = make(SEED, frames, mix, DAMAGED);
        let s = score::score(&traffic, CHUNK);
        println!(
            "  {:<9} {} undamaged: whole {:.4} %, right direction {:.4} %, wrong direction {:.4} %; false frames {}, \
             answers joined wrong {}, exchanges {}",
            mix.name,
            s.frames,
            percent(s.whole, s.frames),
            percent(s.exact, s.frames),
            percent(s.wrong_direction, s.frames),
            s.false_frames,
            s.false_answers,
            s.answered,
        );
    }
}

fn percent(part: usize, whole: usize) -> f64 {
    100.0 * part as f64 / whole as f64
}

fn noise(seed: u64, bytes: usize) -> Vec<u8> {
    let mut dice = Dice::new(seed);
    (0..bytes / 4)
        .flat_map(|_| (dice.next() as u32).to_le_bytes())
        .collect()
}

/// Random bytes: frames and exchanges found by accident, memory held.
fn pure_noise(bytes: usize) {
    let mut stream = Stream::new();
    let (mut frames, mut answered, mut most) = (0, 0, 0);
    for block in 0..20 {
        let bytes = noise(1000 + block, bytes / 20);
        for chunk in bytes.chunks(CHUNK) {
            stream.feed(chunk, Duration::ZERO, |piece| {
                frames += usize::from(piece.kind != PieceKind::Noise);
                let answers = matches!(
                    piece.kind,
                    PieceKind::Answer { answers: true } | PieceKind::Exception { answers: true }
                );
                answered += usize::from(answers);
            });
            most = most.max(stream.held());
        }
    }
    println!(
        "\n{bytes} random bytes, seeds 1000 to 1019: {frames} accidental frames, {answered} answered exchanges, \
         at most {most} bytes held"
    );
}

/// Bytes per second of the stream with its pairing, and of the plain way.
fn speed(name: &str, bytes: &[u8]) {
    let mut ours = Vec::new();
    let mut pieces = 0;
    for _ in 0..5 {
        let start = cpu_ns();
        let mut stream = Stream::new();
        pieces = 0;
        for chunk in bytes.chunks(CHUNK) {
            stream.feed(chunk, Duration::ZERO, |piece| {
                pieces += std::hint::black_box(piece.bytes.len()).min(1)
            });
        }
        stream.finish(|piece| pieces += std::hint::black_box(piece.bytes.len()).min(1));
        ours.push(bytes.len() as f64 / ((cpu_ns() - start) as f64 / 1e9) / 1e6);
    }
    ours.sort_by(f64::total_cmp);
    let part = &bytes[..bytes.len().min(300_000)];
    let start = cpu_ns();
    let plain_frames = std::hint::black_box(every_offset_every_length(part));
    let plain = part.len() as f64 / ((cpu_ns() - start) as f64 / 1e9) / 1e6;
    println!(
        "  {name:<24} {:>6.0} MB/s ({:.0}), {pieces} pieces of {:.1} MB; every offset and every length: {plain:.3} MB/s \
         ({plain_frames} frames in {:.1} MB), ratio {:.0}",
        ours[2],
        ours[4],
        bytes.len() as f64 / 1e6,
        part.len() as f64 / 1e6,
        ours[2] / plain,
    );
}

/// The straightforward way: at every offset every length, the first right CRC wins.
fn every_offset_every_length(bytes: &[u8]) -> usize {
    let (mut at, mut frames) = (0, 0);
    while at + 4 <= bytes.len() {
        let most = (bytes.len() - at).min(256);
        match (4..=most).find(|length| is_sealed(&bytes[at..at + length])) {
            Some(length) => {
                frames += 1;
                at += length;
            }
            None => at += 1,
        }
    }
    frames
}
