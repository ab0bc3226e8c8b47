//! Entry points for fuzzing, and what must hold for any input.
//!
//! The input says its own chunks and times: a byte with the top bit set begins a new chunk whose
//! length and pause follow from it. So a fuzzer can move both.
//!
//! # Panics
//! Where an invariant does not hold: that is what a fuzzer looks for. Nothing else calls these.

use std::time::Duration;

use super::{Conversation, Utterance};
use crate::wire::Stream;

/// Cuts the input into chunks with the time each is read.
fn chunks(data: &[u8]) -> Vec<(Duration, &[u8])> {
    let mut now = Duration::ZERO;
    let mut chunks = Vec::new();
    let mut rest = data;
    while let [control, after @ ..] = rest {
        let length = usize::from(control & 0x3f) + 1;
        now += match control >> 6 {
            0 | 1 => Duration::ZERO,
            2 => Duration::from_millis(20),
            _ => Duration::from_millis(1500),
        };
        let (chunk, left) = after.split_at(length.min(after.len()));
        chunks.push((now, chunk));
        rest = left;
    }
    chunks
}

/// Every byte is in exactly one piece, in order, and memory is bounded.
pub fn any_stream(data: &[u8]) {
    let mut stream = Stream::new();
    let mut told = Vec::new();
    let mut fed = Vec::new();
    for (at, chunk) in chunks(data) {
        fed.extend_from_slice(chunk);
        stream.feed(chunk, at, |piece| told.extend_from_slice(piece.bytes));
        assert!(stream.held() <= Stream::MOST_HELD, "held too much");
    }
    stream.finish(|piece| told.extend_from_slice(piece.bytes));
    assert_eq!(fed, told, "every byte once, in order");
}

/// Every byte and every request is told once, and the counts agree.
pub fn any_conversation(data: &[u8]) {
    let mut conversation = Conversation::new();
    let (mut told, mut bytes, mut now) = (Vec::new(), 0, Duration::ZERO);
    for (at, chunk) in chunks(data) {
        bytes += chunk.len();
        now = at;
        told.extend(conversation.take(at, chunk));
    }
    told.extend(conversation.finish(now));
    let length = |told: &Utterance| match told {
        Utterance::Noise { bytes, .. } => *bytes,
        Utterance::Exchange(exchange) => exchange.request.len() + exchange.answer.len(),
    };
    assert_eq!(told.iter().map(length).sum::<usize>(), bytes, "every byte");
    let summary = conversation.summary();
    let ended = summary.answered + summary.exceptions + summary.unanswered + summary.broadcasts;
    let otherwise = summary.garbled + summary.mismatched;
    assert_eq!(summary.requests, ended + otherwise, "every request");
}
