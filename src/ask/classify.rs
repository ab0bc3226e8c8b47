//! What a whole frame is: the accepted answer, or which kind of stray.

use std::time::Duration;

use super::exchange::{Outcome, StrayKind};
use super::frame::{FOREIGN_WAIT, Named, unit_and_pdu};
use super::pairing::{ForeignRequest, Open, Pairing};
use crate::wire::Framing;
use crate::wire::{Adu, Ask, ByteSpan, Misfit, Reply, is_request, read_request};

impl Pairing {
    pub(super) fn name(&mut self, span: &ByteSpan) -> Named {
        match self.framing {
            Framing::Rtu => self.name_rtu(span),
            Framing::Tcp => self.name_tcp(span),
        }
    }

    /// The question of somebody else that waits for its answer.
    pub(super) fn awaited(&self) -> Option<&Ask> {
        self.foreign.as_ref()?.ask.as_ref()
    }

    fn name_rtu(&mut self, span: &ByteSpan) -> Named {
        if self.is_echo(span) {
            return Named::Stray(StrayKind::Echo);
        }
        let Some((unit, pdu)) = unit_and_pdu(&span.bytes) else {
            return Named::Stray(StrayKind::Noise);
        };
        self.forget_old_foreign(span.first.at);
        if let Some(open) = self.open.as_ref().filter(|open| is_during(open, span))
            && open.ask.unit == unit
            && let Ok(reply) = open.ask.decode(pdu)
        {
            let doubtful = open.contested || self.fits_unanswered(unit, pdu);
            return if doubtful {
                Named::Stray(StrayKind::Doubtful)
            } else {
                Named::Accepted(outcome(reply))
            };
        }
        Named::Stray(self.name_stray(span, unit, pdu))
    }

    /// Whether the frame is our own request given back. Where an answer could look the same, the
    /// first copy is taken for the echo, unless the link has been shown not to echo.
    fn is_echo(&mut self, span: &ByteSpan) -> bool {
        let echoes = self.echoes();
        let Some(open) = self.open.as_mut().filter(|open| is_during(open, span)) else {
            return false;
        };
        // Where it is not known yet, only the first frame can be it: somebody else may ask the
        // same. Where it is known, an adapter may deliver a late answer and the echo together.
        let may_echo = match echoes {
            Some(echoes) => echoes,
            None => !open.frame_seen,
        };
        let can_be = may_echo && !open.echo_seen;
        if !can_be || span.bytes != open.request {
            return false;
        }
        open.echo_seen = true;
        let could_answer =
            unit_and_pdu(&span.bytes).is_some_and(|(_, p)| open.ask.decode(p).is_ok());
        if !could_answer {
            self.note_echo();
        }
        true
    }

    /// Whether an earlier question to this unit could have this answer.
    fn fits_unanswered(&self, unit: u8, pdu: &[u8]) -> bool {
        self.unanswered_of(unit).any(|ask| ask.decode(pdu).is_ok())
    }

    fn name_stray(&mut self, span: &ByteSpan, unit: u8, pdu: &[u8]) -> StrayKind {
        let answers_foreign = self.answers_foreign(span, unit, pdu);
        if answers_foreign {
            self.foreign = None;
        }
        if self.fits_unanswered(unit, pdu) {
            return StrayKind::Late;
        }
        if answers_foreign {
            return StrayKind::ForeignAnswer;
        }
        if self.accepted.contains(&span.bytes) {
            return StrayKind::Duplicate;
        }
        if is_request(&span.bytes) {
            self.note_foreign(span);
            return StrayKind::ForeignRequest;
        }
        self.foreign = None;
        let Some(open) = &self.open else {
            return StrayKind::ForeignAnswer;
        };
        match open.ask.decode(pdu) {
            Ok(_) if unit == open.ask.unit => StrayKind::ForeignAnswer,
            Ok(_) => StrayKind::WrongUnit,
            Err(_) if unit != open.ask.unit => StrayKind::ForeignAnswer,
            Err(misfit) => name_misfit(misfit),
        }
    }

    /// Whether the frame answers the request heard from somebody else.
    fn answers_foreign(&self, span: &ByteSpan, unit: u8, pdu: &[u8]) -> bool {
        let Some(foreign) = &self.foreign else {
            return false;
        };
        match &foreign.ask {
            Some(ask) => ask.unit == unit && ask.decode(pdu).is_ok(),
            // Writes and diagnostics are answered with the begin of the request.
            None => {
                let head = |frame: &[u8]| frame.get(..2).map(<[u8]>::to_vec);
                let same = head(&foreign.frame) == head(&span.bytes);
                same && (foreign.frame == span.bytes || !is_request(&span.bytes))
            }
        }
    }

    fn note_foreign(&mut self, span: &ByteSpan) {
        let ask = read_request(&span.bytes);
        if let (Some(ask), Some(open)) = (&ask, &mut self.open) {
            open.contested |= ask.shares_answers_with(&open.ask);
        }
        let unit = span.bytes.first().copied().unwrap_or_default();
        self.heard_request = Some((span.last.at, unit));
        self.foreign = Some(ForeignRequest {
            frame: span.bytes.clone(),
            ask,
            at: span.last.at,
        });
    }

    pub(super) fn forget_old_foreign(&mut self, now: Duration) {
        let is_old = |foreign: &ForeignRequest| now.saturating_sub(foreign.at) > FOREIGN_WAIT;
        if self.foreign.as_ref().is_some_and(is_old) {
            self.foreign = None;
        }
    }

    fn name_tcp(&mut self, span: &ByteSpan) -> Named {
        let Some(adu) = Adu::read(&span.bytes) else {
            return Named::Stray(StrayKind::Noise);
        };
        let open = self.open.as_ref().filter(|open| is_during(open, span));
        let Some(open) = open.filter(|open| open.transaction == adu.transaction) else {
            let known = self
                .transactions
                .iter()
                .rev()
                .find(|(id, _)| *id == adu.transaction);
            return Named::Stray(match known {
                Some((_, true)) => StrayKind::Duplicate,
                Some((_, false)) => StrayKind::Late,
                None => StrayKind::ForeignTransaction,
            });
        };
        let reply = open.ask.decode(adu.pdu);
        if span.bytes == open.request
            && (reply.is_err() || self.echoes() == Some(true))
            && !open.echo_seen
        {
            self.note_echo();
            if let Some(open) = &mut self.open {
                open.echo_seen = true;
            }
            return Named::Stray(StrayKind::Echo);
        }
        match reply {
            _ if adu.unit != open.ask.unit => Named::Stray(StrayKind::WrongUnit),
            Ok(reply) => Named::Accepted(outcome(reply)),
            Err(misfit) => Named::Stray(name_misfit(misfit)),
        }
    }
}

fn outcome(reply: Reply) -> Outcome {
    match reply {
        Reply::Answer(answer) => Outcome::Answered(answer),
        Reply::Exception(code) => Outcome::Exception(code),
    }
}

fn name_misfit(misfit: Misfit) -> StrayKind {
    match misfit {
        Misfit::Function { .. } => StrayKind::WrongFunction,
        Misfit::EchoedNumber { .. } => StrayKind::ForeignAnswer,
        _ => StrayKind::WrongCount,
    }
}

/// Whether all of a span came after the open question went out.
fn is_during(open: &Open, span: &ByteSpan) -> bool {
    span.first.during == Some(open.number)
}
