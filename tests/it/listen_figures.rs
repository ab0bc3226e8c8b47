//! How well a listening stream cuts made-up traffic: the small form of `benches/listen.rs`.

use std::time::Duration;

use packside::listen::Conversation;
use packside::wire::{PieceKind, Stream};

use super::score::score;
use super::traffic::{Dice, Line, MIXES, traffic};

const DAMAGED: Line = Line {
    damaged: 200,
    noise: 500,
    exceptions: 100,
    unanswered: 100,
};

// Kind: invented (made-up traffic), the limits are the goals of the listening part
#[test]
fn mixed_traffic_is_cut_exactly_and_no_answer_is_joined_wrong() {
    for (index, mix) in MIXES.into_iter().enumerate() {
        let seed = 70 + index as u64;
        let made = traffic(seed, 100_000, mix, DAMAGED);
        let s = score(&made, 777);
        println!("mix {} seed {seed}: {s:?}", mix.name);
        assert!(
            s.exact * 10_000 >= s.frames * 9_997,
            "mix {} seed {seed}: {s:?}",
            mix.name
        );
        assert!(s.false_answers == 0, "mix {} seed {seed}: {s:?}", mix.name);
    }
}

#[test]
fn clean_traffic_is_cut_without_a_mistake_in_any_chunks() {
    let clean = Line {
        damaged: 0,
        noise: 0,
        exceptions: 200,
        unanswered: 0,
    };
    for (mix, chunk) in MIXES.into_iter().zip([1, 7, 300, 5000]) {
        let made = traffic(9, 20_000, mix, clean);
        let s = score(&made, chunk);
        // A long answer can hold a valid request by accident, once in millions.
        assert!(
            s.frames - s.exact <= 2 && s.false_answers == 0,
            "mix {}: {s:?}",
            mix.name
        );
    }
}

#[test]
fn pure_noise_gives_no_answered_exchange() {
    let mut dice = Dice::new(4);
    let mut stream = Stream::new();
    let (mut frames, mut bytes) = (0, 0);
    for _ in 0..500 {
        let noise: Vec<u8> = (0..10_000).map(|_| dice.byte()).collect();
        stream.feed(&noise, Duration::ZERO, |piece| {
            bytes += piece.bytes.len();
            frames += usize::from(piece.kind != PieceKind::Noise);
            let answers = matches!(
                piece.kind,
                PieceKind::Answer { answers: true } | PieceKind::Exception { answers: true }
            );
            assert!(!answers, "seed 4: {piece:02x?}");
        });
        assert!(stream.held() <= Stream::MOST_HELD);
    }
    println!("5 MB of noise, seed 4: {frames} accidental frames");
    assert!(bytes + Stream::MOST_HELD >= 5_000_000 && frames < 40);
}

#[test]
fn conversation_survives_any_bytes_at_any_times() {
    for seed in 0..300 {
        let mut dice = Dice::new(seed);
        let mix = MIXES[dice.below(MIXES.len())];
        let made = traffic(
            seed,
            40,
            mix,
            Line {
                damaged: 3000,
                ..DAMAGED
            },
        );
        let mut conversation = Conversation::new();
        let mut now = Duration::ZERO;
        let mut at = 0;
        while at < made.bytes.len() {
            let end = made.bytes.len().min(at + 1 + dice.below(60));
            now += Duration::from_millis(dice.below(2500) as u64 * u64::from(dice.below(4) == 0));
            conversation.take(now, &made.bytes[at..end]);
            at = end;
        }
        conversation.finish(now);
        let summary = conversation.summary();
        assert_eq!(summary.bytes, made.bytes.len() as u64, "seed {seed}");
        let ended = summary.answered
            + summary.exceptions
            + summary.unanswered
            + summary.garbled
            + summary.mismatched;
        assert_eq!(summary.requests, ended + summary.broadcasts, "seed {seed}");
    }
}

/// The fuzz entry points, from seeds: random bytes, and frames with their chunk lengths among them.
#[test]
fn fuzz_entry_points_hold_for_seeded_inputs() {
    for seed in 0..2000 {
        let mut dice = Dice::new(seed);
        let mix = MIXES[dice.below(MIXES.len())];
        let mut bytes: Vec<u8> = if dice.below(3) == 0 {
            (0..dice.below(2000)).map(|_| dice.byte()).collect()
        } else {
            traffic(seed, 12, mix, DAMAGED).bytes
        };
        for _ in 0..dice.below(8) {
            let at = dice.below(bytes.len().max(1));
            bytes.insert(at.min(bytes.len()), dice.byte());
        }
        packside::listen::any_stream(&bytes);
        packside::listen::any_conversation(&bytes);
    }
}
