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

use packside::listen::Conversation;
use packside::wire::{PieceKind, Stream, is_sealed};

#[path = "../tests/it/score.rs"]
mod score;
#[path = "../tests/it/traffic.rs"]
mod traffic;

use traffic::{Dice, Line, MIXES, Traffic, Truth, traffic as make};

const SEED: u64 = 5;
/// A seed that was never looked at while the rules of direction were made.
const HELD_OUT: u64 = 77_001;
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
    for seed in [SEED, HELD_OUT] {
        accuracy(1_000_000, seed);
    }
    pure_noise(200_000_000);
    println!("\nspeed by processor time, one core, in memory, median of 5, best in brackets");
    for mix in MIXES {
        let traffic = make(SEED, 400_000, mix, CLEAN);
        let ours = speed(&format!("clean, mix {}", mix.name), &traffic.bytes);
        reference(&traffic, ours);
    }
    let bytes = make(SEED, 400_000, MIXES[3], DAMAGED).bytes;
    speed("2 % damaged, mix all", &bytes);
    speed("noise", &noise(SEED, 20_000_000));
    speed("headers of long frames", &[0x02, 0xfa].repeat(2_000_000));
    memory();
}

/// Time that this process has spent on a processor: what others do on the machine does not count.
fn cpu_ns() -> u64 {
    let stat = std::fs::read_to_string("/proc/self/schedstat").unwrap();
    stat.split_whitespace().next().unwrap().parse().unwrap()
}

/// Every mix: frames cut out right, and what was not.
fn accuracy(frames: usize, seed: u64) {
    println!(
        "{frames} frames each, seed {seed}, 2 % damaged, a run of noise before 5 %, all unit addresses"
    );
    for mix in MIXES {
        let traffic = make(seed, frames, mix, DAMAGED);
        let s = score::score(&traffic, CHUNK);
        println!(
            "  {:<9} {} undamaged: whole {:.4} %, right direction {:.4} %, wrong direction {:.4} %; false frames {}, \
             answers joined wrong {}, answers completed by what follows {}, exchanges {}",
            mix.name,
            s.frames,
            percent(s.whole, s.frames),
            percent(s.exact, s.frames),
            percent(s.wrong_direction, s.frames),
            s.false_frames,
            s.false_answers,
            s.completed,
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

/// Resident memory of this process, in kB.
fn resident() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap();
    let line = status
        .lines()
        .find(|line| line.starts_with("VmRSS"))
        .unwrap();
    line.split_whitespace().nth(1).unwrap().parse().unwrap()
}

/// What a whole conversation holds after more and more traffic, noise and time.
fn memory() {
    let mut conversation = Conversation::new();
    let (mut now, mut bytes) = (Duration::ZERO, 0);
    println!(
        "\nmemory of a conversation with its counts: new damaged traffic and noise in each block"
    );
    for block in 1..=40 {
        let mut input = make(2000 + block, 50_000, MIXES[3], DAMAGED).bytes;
        input.extend(noise(3000 + block, 1_000_000));
        for chunk in input.chunks(300) {
            now += Duration::from_millis(100);
            std::hint::black_box(conversation.take(now, chunk));
        }
        bytes += input.len();
        drop(input);
        if block % 10 == 0 {
            println!(
                "  after {:>5.1} MB: {} kB resident",
                bytes as f64 / 1e6,
                resident()
            );
        }
    }
}

/// The framer of pymodbus on the same frames, given one by one.
fn reference(traffic: &Traffic, ours: f64) {
    let python = "target/reference/bin/python";
    let root = std::path::Path::new(env!("CARGO_MANIFEST_DIR"));
    let file = std::env::temp_dir().join(format!("packside-frames-{}", std::process::id()));
    let (mut frames, mut at) = (Vec::new(), 0);
    for (end, truth) in traffic.parts.iter().take(50_000) {
        frames.push(u8::from(*truth != Truth::Request));
        frames.extend(((end - at) as u16).to_be_bytes());
        frames.extend(&traffic.bytes[at..*end]);
        at = *end;
    }
    std::fs::write(&file, frames).unwrap();
    let done = std::process::Command::new(root.join(python))
        .arg(root.join("tests/interop/framer_speed.py"))
        .arg(&file)
        .output();
    std::fs::remove_file(&file).unwrap();
    let Some(output) = done.ok().filter(|done| done.status.success()) else {
        return println!(
            "    pymodbus: not measured, {python} is missing (./tests/run sets it up)"
        );
    };
    let text = String::from_utf8(output.stdout).unwrap();
    let numbers: Vec<f64> = text
        .split_whitespace()
        .map(|n| n.parse().unwrap())
        .collect();
    let theirs = numbers[1] / numbers[2] / 1e6;
    println!(
        "    pymodbus' framer on the first {:.1} MB, told where each frame begins and who speaks: {theirs:.2} MB/s, \
         {} of {} frames taken, ratio {:.0}",
        numbers[1] / 1e6,
        numbers[0],
        traffic.parts.len().min(50_000),
        ours / theirs
    );
}

/// The system counts processor time in ticks of some milliseconds: so often the same bytes are heard.
const PASSES: usize = 10;

/// Bytes per second of the stream with its pairing, and of the plain way. Gives the former in MB/s.
fn speed(name: &str, bytes: &[u8]) -> f64 {
    let mut ours = Vec::new();
    let mut pieces = 0;
    for _ in 0..5 {
        let start = cpu_ns();
        let mut stream = Stream::new();
        pieces = 0;
        for chunk in (0..PASSES).flat_map(|_| bytes.chunks(CHUNK)) {
            stream.feed(chunk, Duration::ZERO, |piece| {
                pieces += std::hint::black_box(piece.bytes.len()).min(1)
            });
        }
        stream.finish(|piece| pieces += std::hint::black_box(piece.bytes.len()).min(1));
        ours.push((PASSES * bytes.len()) as f64 / ((cpu_ns() - start) as f64 / 1e9) / 1e6);
    }
    ours.sort_by(f64::total_cmp);
    let part = &bytes[..bytes.len().min(300_000)];
    let start = cpu_ns();
    let plain_frames = std::hint::black_box(every_offset_every_length(part));
    let plain = part.len() as f64 / ((cpu_ns() - start) as f64 / 1e9) / 1e6;
    println!(
        "  {name:<24} {:>6.0} MB/s ({:.0}), {:.1} million pieces a second; every offset and every length: {plain:.3} MB/s \
         ({plain_frames} frames in {:.1} MB), ratio {:.0}",
        ours[2],
        ours[4],
        ours[2] * pieces as f64 / (PASSES * bytes.len()) as f64,
        part.len() as f64 / 1e6,
        ours[2] / plain,
    );
    ours[2]
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
