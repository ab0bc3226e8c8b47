//! What is decided about a frame and the noise before it: direction and order.
//!
//! Does not: look for frames (see [`super`]).

use super::*;

/// So many bytes of a frame in the noise before it are no accident.
const CLEAR_TRACE: usize = 3;

impl Stream {
    /// A frame begins at `at`: settles what stands before it, then itself.
    pub(super) fn frame(&mut self, length: usize, can: Can, give: &mut dyn FnMut(Piece<'_>)) {
        let (start, end) = (self.at, self.at + length);
        if start > self.decided {
            self.strange(start, (Side::Frame, (start, end)), GAP, give);
        }
        if self.deferred.is_some() {
            self.settle_deferred(Some((start, end)), give);
        }
        let noise = start - self.decided;
        let is_behind_noise = noise > 0 || self.noise_is_cut || !self.frame_before;
        let answers = self.answers(start, end, can);
        let is_direct = answers && self.asked.noise + noise <= SPLINTERS;
        if is_direct && can != Can::Either {
            let waited = self.time_of(start).saturating_sub(self.asked.at);
            self.longest_wait = self.longest_wait.max(waited);
        }
        let kind = match can {
            Can::Refusal => PieceKind::Exception { answers: is_direct },
            Can::Answer => PieceKind::Answer { answers: is_direct },
            Can::Request => PieceKind::Request,
            Can::Either if answers && !self.noise_was_the_answer(start) => {
                PieceKind::Answer { answers: is_direct }
            }
            Can::Either if is_behind_noise => {
                let else_request = !self.noise_was_its_request(start, end);
                let frame = self.bytes.get(start..end).unwrap_or_default();
                let likeness = self.likeness(start, frame);
                self.gap(give);
                self.deferred = Some(Deferred {
                    start,
                    end,
                    else_request,
                    likeness,
                });
                self.frame_ended(end);
                return;
            }
            Can::Either => PieceKind::Request,
        };
        if noise > 0 {
            self.gap(give);
        }
        self.tell(start, end, kind, give);
        self.frame_ended(end);
    }

    fn frame_ended(&mut self, end: usize) {
        (self.at, self.decided) = (end, end);
        self.noise_is_cut = false;
        self.frame_before = true;
        self.strange.is_searched = false;
    }

    /// How long a copy of the last request can still be its answer.
    fn copy_wait(&self) -> Duration {
        (self.longest_wait * 2).clamp(COPY_WAIT, LONGEST_COPY_WAIT)
    }

    /// Whether the frame can answer the last request.
    #[inline]
    fn answers(&self, start: usize, end: usize, can: Can) -> bool {
        if self.asked.frame.is_empty() || can == Can::Request {
            return false;
        }
        let waited = self.time_of(start).saturating_sub(self.asked.at);
        let wait = if can == Can::Either {
            self.copy_wait()
        } else {
            ANSWER_WAIT
        };
        let frame = self.bytes.get(start..end).unwrap_or_default();
        waited <= wait && shape::fits(&self.asked.frame, frame)
    }

    /// Whether the noise before `start` looks like the last request once more: then it was its
    /// answer, damaged, and what stands here is a second try.
    fn noise_was_the_answer(&self, start: usize) -> bool {
        let frame = &self.asked.frame;
        start > self.decided && self.likeness(start, frame) * 2 > frame.len()
    }

    /// Whether the noise before a frame that may be either was its request.
    fn noise_was_its_request(&self, start: usize, end: usize) -> bool {
        let waits = !self.asked.frame.is_empty();
        let frame = self.bytes.get(start..end).unwrap_or_default();
        // Another run of noise may stand between a request and its answer.
        let noise = self.noise_before(start, KEPT_NOISE);
        let trace = self::likeness(noise, frame);
        if self.frame_before && !waits {
            // Nothing was due: somebody asked, and this is what came of it. Unless no trace of it
            // is left in the noise; of a request that was cut short at least its unit is.
            let unit = frame.first();
            return trace >= CLEAR_TRACE || unit.is_some_and(|unit| noise.contains(unit));
        }
        let likeness = self.likeness(start, frame);
        if waits && self.likeness(start, &self.asked.frame) >= trace.max(likeness) {
            return false;
        }
        // In long noise some bytes are found by accident.
        if trace >= CLEAR_TRACE + noise.len() / 32 {
            return true;
        }
        // Of a request that was cut short only some bytes are left.
        let noise = self.noise_before(start, frame.len()).len();
        let is_copy = likeness >= 2.max(noise.div_ceil(2));
        let head = frame.get(..2).unwrap_or_default();
        // A read is answered with something else; only unit and function come again.
        let is_read = matches!(head, [_, 0x01 | 0x02]);
        is_copy || is_read && self.noise_before(start, 16).windows(2).any(|w| w == head)
    }

    /// The last bytes of noise before a place.
    fn noise_before(&self, start: usize, most: usize) -> &[u8] {
        let from = self.decided.max(start.saturating_sub(most));
        self.bytes.get(from..start).unwrap_or_default()
    }

    /// How many bytes of the frame are found in the noise before `start`, in order.
    fn likeness(&self, start: usize, frame: &[u8]) -> usize {
        likeness(self.noise_before(start, frame.len().min(16) + 2), frame)
    }

    /// Settles the frame whose direction waited, by the frame that follows it.
    pub(super) fn settle_deferred(
        &mut self,
        next: Option<(usize, usize)>,
        give: &mut dyn FnMut(Piece<'_>),
    ) {
        let Some(deferred) = self.deferred.take() else {
            return;
        };
        let frame = self.bytes.get(deferred.start..deferred.end);
        let frame = frame.unwrap_or_default();
        let is_answered = next.is_some_and(|(start, end)| {
            let next = self.bytes.get(start..end).unwrap_or_default();
            let asked_at = self.time_of(deferred.end - 1);
            let in_time = self.time_of(start).saturating_sub(asked_at) <= self.copy_wait();
            in_time && shape::fits(frame, next)
        });
        // Noise behind it that is nearly a copy was its answer.
        let behind = deferred.end..self.at.min(deferred.end + frame.len() + 2);
        let behind = self.bytes.get(behind).unwrap_or_default();
        let was_answered = likeness(behind, frame).saturating_sub(deferred.likeness) >= 3;
        let kind = if is_answered || was_answered || deferred.else_request {
            PieceKind::Request
        } else {
            PieceKind::Answer { answers: false }
        };
        self.tell(deferred.start, deferred.end, kind, give);
    }

    /// Gives out a frame and keeps in mind what it means for the next one.
    #[inline]
    pub(super) fn tell(
        &mut self,
        start: usize,
        end: usize,
        kind: PieceKind,
        give: &mut dyn FnMut(Piece<'_>),
    ) {
        let at = self.time_of(end - 1);
        let asked = &mut self.asked;
        asked.frame.clear();
        asked.noise = 0;
        asked.answer = None;
        if kind == PieceKind::Request {
            let frame = self.bytes.get(start..end).unwrap_or_default();
            asked.frame.extend_from_slice(frame);
            asked.answer = shape::answer_length(frame);
            asked.at = at;
        }
        self.emit(start, end, kind, give);
    }

    /// Gives out the noise up to `at`.
    pub(super) fn gap(&mut self, give: &mut dyn FnMut(Piece<'_>)) {
        let (start, end) = (self.decided, self.at);
        if end > start {
            self.asked.noise += end - start;
            self.emit(start, end, PieceKind::Noise, give);
            self.decided = end;
            self.noise_is_cut = true;
        }
    }

    /// Looks into the begin of a long run of bytes for frames of unknown functions: once behind a
    /// frame, and again and again where such are spoken.
    pub(super) fn search_run(&mut self, give: &mut dyn FnMut(Piece<'_>)) {
        if self.strange.is_searched {
            return;
        }
        self.strange.is_searched = true;
        let end = self.decided + GAP;
        // Of what lies further back the frames behind are not known yet.
        self.strange(end, (Side::Bytes, (end, end)), LONGEST, give);
        if self.strange.is_searched && self.strange.is_spoken {
            self.settle_deferred(None, give);
            let end = self.decided + LONGEST;
            self.asked.noise += LONGEST;
            self.emit(self.decided, end, PieceKind::Noise, give);
            self.decided = end;
            self.noise_is_cut = true;
            self.strange.is_searched = false;
        }
    }

    /// Gives out most of a long run of noise.
    pub(super) fn cut_noise(&mut self, give: &mut dyn FnMut(Piece<'_>)) {
        self.settle_deferred(None, give);
        let end = self.at.saturating_sub(KEPT_NOISE);
        if end <= self.decided {
            return;
        }
        self.asked.noise += end - self.decided;
        self.emit(self.decided, end, PieceKind::Noise, give);
        self.decided = end;
        self.noise_is_cut = true;
    }

    #[inline]
    pub(super) fn emit(
        &mut self,
        start: usize,
        end: usize,
        kind: PieceKind,
        give: &mut dyn FnMut(Piece<'_>),
    ) {
        while self.times.get(1).is_some_and(|(from, _)| *from <= start) {
            self.times.pop_front();
        }
        self.given = end;
        if let Some(bytes) = self.bytes.get(start..end) {
            give(Piece {
                kind,
                bytes,
                first: self.time_of(start),
                last: self.time_of(end.saturating_sub(1)),
            });
        }
    }

    /// When a byte came.
    #[inline]
    pub(super) fn time_of(&self, index: usize) -> Duration {
        if let Some((_, time)) = self.times.front().filter(|_| self.times.len() == 1) {
            return *time;
        }
        let until = self.times.iter().take_while(|(from, _)| *from <= index);
        until.last().map_or(self.last_in, |(_, time)| *time)
    }

    /// Forgets what was given out.
    pub(super) fn compact(&mut self) {
        let count = std::mem::take(&mut self.given);
        if count == 0 {
            return;
        }
        self.bytes.drain(..count);
        self.windows.forget(count);
        self.at -= count;
        self.decided -= count;
        self.needs = self.needs.saturating_sub(count);
        if let Some(deferred) = &mut self.deferred {
            deferred.start -= count;
            deferred.end -= count;
        }
        while self.times.get(1).is_some_and(|(from, _)| *from <= count) {
            self.times.pop_front();
        }
        for (from, _) in &mut self.times {
            *from = from.saturating_sub(count);
        }
        if self.bytes.is_empty() {
            self.times.clear();
        }
    }
}

/// How many bytes of a frame are found in some noise, in order: the longest common subsequence.
fn likeness(noise: &[u8], frame: &[u8]) -> usize {
    if noise.is_empty() {
        return 0;
    }
    let frame = frame.get(..frame.len().min(16)).unwrap_or_default();
    let mut row = [0_usize; 17];
    for byte in noise {
        let mut diagonal = 0;
        let mut left = 0;
        for (cell, other) in row.iter_mut().skip(1).zip(frame) {
            let above = *cell;
            *cell = if byte == other {
                diagonal + 1
            } else {
                above.max(left)
            };
            (diagonal, left) = (above, *cell);
        }
    }
    row.into_iter().max().unwrap_or_default()
}
