//! Compares what a stream was cut into with what it was made of.

use std::collections::BTreeMap;
use std::time::Duration;

use packside::wire::{Piece, PieceKind, Stream};

use super::traffic::{Score, Traffic, Truth};

/// Runs a stream over the traffic in chunks and scores it.
pub(crate) fn score(traffic: &Traffic, chunk: usize) -> Score {
    let mut stream = Stream::new();
    let mut score = Score::default();
    let mut judge = Judge {
        parts: &traffic.parts,
        damaged_answers: &traffic.damaged_answers,
        at: 0,
        part: 0,
        last_request: None,
    };
    score.frames = traffic
        .parts
        .iter()
        .filter(|(_, truth)| *truth != Truth::Garbage)
        .count();
    for bytes in traffic.bytes.chunks(chunk) {
        stream.feed(bytes, Duration::ZERO, |piece| {
            judge.take(&piece, &mut score)
        });
    }
    stream.finish(|piece| judge.take(&piece, &mut score));
    assert_eq!(
        judge.at,
        traffic.bytes.len(),
        "every byte in exactly one piece"
    );
    score
}

struct Judge<'a> {
    parts: &'a [(usize, Truth)],
    damaged_answers: &'a BTreeMap<usize, Vec<u8>>,
    at: usize,
    part: usize,
    /// Part of the last request, if it was a true one.
    last_request: Option<usize>,
}

impl Judge<'_> {
    fn take(&mut self, piece: &Piece<'_>, score: &mut Score) {
        let (start, end) = (self.at, self.at + piece.bytes.len());
        self.at = end;
        while self
            .parts
            .get(self.part)
            .is_some_and(|(to, _)| *to <= start)
        {
            self.part += 1;
        }
        if piece.kind == PieceKind::Noise {
            return;
        }
        let begins = self
            .part
            .checked_sub(1)
            .map_or(0, |before| self.parts[before].0);
        let (to, truth) = self.parts[self.part];
        let is_frame = (begins, to) == (start, end) && truth != Truth::Garbage;
        if !is_frame {
            score.false_frames += 1;
        } else {
            score.whole += 1;
            let right = matches!(
                (piece.kind, truth),
                (PieceKind::Request, Truth::Request)
                    | (PieceKind::Answer { .. }, Truth::Answer)
                    | (PieceKind::Exception { .. }, Truth::Exception)
            );
            score.exact += usize::from(right);
            score.wrong_direction += usize::from(!right);
        }
        match piece.kind {
            PieceKind::Answer { answers: true } | PieceKind::Exception { answers: true } => {
                // Between them nothing but noise, and no request or answer that was destroyed.
                let follows = self
                    .last_request
                    .is_some_and(|request| self.only_garbage_between(request));
                let said = self.damaged_answers.get(&self.part);
                if follows && is_frame && truth != Truth::Request {
                    score.answered += 1
                } else if follows && said.is_some_and(|said| said == piece.bytes) {
                    score.completed += 1
                } else {
                    score.false_answers += 1
                }
                self.last_request = None;
            }
            PieceKind::Request if is_frame && truth == Truth::Request => {
                self.last_request = Some(self.part);
            }
            _ => self.last_request = None,
        }
    }

    fn only_garbage_between(&self, request: usize) -> bool {
        self.parts[request + 1..self.part]
            .iter()
            .all(|(_, truth)| *truth == Truth::Garbage)
    }
}
