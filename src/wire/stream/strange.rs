//! Frames of which no standard says what they look like: who asks and who answers.
//!
//! Does not: say which bytes are such frames (see [`crate::wire::gap`]).
//!
//! # Who asks
//! The one that is followed by a frame of its unit and function, or by its refusal: they take turns. Where
//! an odd number of one function is left until something else is said, one of them stood alone: a frame
//! as long as the one before, with another length behind it, is then the next question and not an
//! answer. Where nothing decides it stays [`PieceKind::Unknown`].

use super::*;
use crate::wire::gap::may_answer;

impl Stream {
    /// Gives out the frames of unknown functions that end or lie between `decided` and `end`, with
    /// the noise before each. `next` is the known frame that begins at `end`.
    pub(super) fn strange(
        &mut self,
        end: usize,
        (right, next): (Side, (usize, usize)),
        most: usize,
        give: &mut dyn FnMut(Piece<'_>),
    ) {
        let start = self.decided;
        if end - start < SHORTEST || end - start > GAP {
            return;
        }
        let left = match (self.noise_is_cut, self.frame_before) {
            (true, _) => Side::Bytes,
            (false, true) => Side::Frame,
            (false, false) => Side::Silence,
        };
        let gap = self.bytes.get(start..end).unwrap_or_default();
        let behind = self.bytes.get(next.0..next.1).unwrap_or_default();
        let frames = self.strange.frames(gap, (left, right), behind);
        let mut frames: Vec<(usize, usize)> =
            frames.iter().map(|(a, b)| (a + start, b + start)).collect();
        if frames.is_empty() {
            return;
        }
        self.strange.is_spoken = true;
        self.settle_deferred(None, give);
        frames.push(next);
        for at in 0..frames.len() - 1 {
            let Some([this, rest @ ..]) = frames.get(at..) else {
                break;
            };
            if this.1 - start > most {
                break;
            }
            if this.0 > self.decided {
                self.asked.noise += this.0 - self.decided;
                self.emit(self.decided, this.0, PieceKind::Noise, give);
            }
            let kind = self.strange_kind(*this, rest);
            self.tell(this.0, this.1, kind, give);
            self.decided = this.1;
            self.noise_is_cut = false;
            self.frame_before = true;
            self.strange.is_searched = false;
        }
    }

    /// Whether an odd number of frames like this one follow each other, the question before it not counted.
    fn one_stands_alone(&self, here: &[u8], rest: &[(usize, usize)]) -> bool {
        let mut end = None;
        let alike = rest.iter().take_while(|(from, to)| {
            let next = self.bytes.get(*from..*to).unwrap_or_default();
            let is_alike = next.first_chunk::<2>() == here.first_chunk::<2>();
            end = (!is_alike).then_some(next);
            is_alike
        });
        let is_odd = alike.count() % 2 == 1;
        // Beyond the end of what is known nothing can be counted.
        end.is_some_and(|next| !next.is_empty()) && is_odd
    }

    /// Who speaks, as far as the frames on either side say so.
    fn strange_kind(&self, this: (usize, usize), rest: &[(usize, usize)]) -> PieceKind {
        let bytes = |(from, to): (usize, usize)| self.bytes.get(from..to).unwrap_or_default();
        let here = bytes(this);
        let code = here.get(1).copied().unwrap_or_default();
        let is_near = |from: usize, to: usize| to.saturating_sub(from) <= SPLINTERS;
        let next = rest
            .first()
            .filter(|next| is_near(this.1, next.0) && next.1 > next.0);
        let follows = next.is_some_and(|next| may_answer(here, bytes(*next)));
        let waited = self.time_of(this.0).saturating_sub(self.asked.at);
        let is_due = self.asked.noise <= SPLINTERS && waited <= ANSWER_WAIT;
        let asked = &self.asked.frame;
        if is_due && may_answer(asked, here) {
            if code >= 0x80 {
                return PieceKind::Exception { answers: true };
            }
            let asks_on = asked.len() == here.len()
                && next.is_some_and(|next| follows && next.1 - next.0 != here.len())
                && self.one_stands_alone(here, rest);
            let may_be = !shape::is_public(code) || shape::answers_oddly(asked, here);
            if !asks_on && may_be {
                return PieceKind::Answer { answers: true };
            }
        }
        match code {
            0x80.. if here.len() == 5 => PieceKind::Exception { answers: false },
            0x80.. => PieceKind::Unknown,
            _ if follows => PieceKind::Request,
            _ => PieceKind::Unknown,
        }
    }
}
