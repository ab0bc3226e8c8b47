//! A link that only listens, and the rules by which it may become one that asks.
//!
//! Does not: send. Nothing in this file calls the port's `send`.
//!
//! # The rules
//! Asking is shown to be right by one of: a line heard silent for the window; a link on which
//! nobody can be overheard (Modbus TCP), which is then said; the user's word that it may ask beside
//! others. Where a question may wake the unit, another word is needed beside that on every real link:
//! neither word stands for the other. A simulated link needs none.
//!
//! # Why any byte breaks the silence, and not only valid frames
//! With wrong line settings a conversation looks like noise. Asking into it could cause the very
//! fault we look for.

use std::time::Duration;

use packside_profiles::LineSettings;

use super::tap::{Tap, WaitHeard};
use super::{EventSink, Grounds, LinkTrouble, NotShown, Port, Proof, Say};
use crate::event::BadCharacters;
use crate::event::{Consent, Event, LinkFacts, What};
use crate::session::Wake;

/// An open link that listens.
pub struct Quiet {
    pub(super) tap: Tap,
}

impl Quiet {
    /// Puts the tap on an open port. `say` is told what the user should know meanwhile.
    pub fn over(port: Box<dyn Port>, say: Say) -> Self {
        let mut tap = Tap::new(port, say);
        let now = tap.port.now();
        tap.record(now, What::Listening(true));
        Self { tap }
    }

    /// Goes on listening with the tape of a link that asked.
    pub(super) fn again(mut tap: Tap) -> Self {
        let now = tap.port.now();
        tap.record(now, What::Listening(true));
        Self { tap }
    }

    /// Tells this sink every event, those on the tape first.
    pub fn record_to(&mut self, sink: EventSink) {
        self.tap.record_to(sink);
    }

    /// The link as it was opened.
    pub fn facts(&self) -> &LinkFacts {
        self.tap.port.facts()
    }

    /// The time now.
    pub fn now(&self) -> Duration {
        self.tap.port.now()
    }

    /// Events since the last drain.
    pub fn tape(&self) -> &[Event] {
        self.tap.tape()
    }

    /// Takes the events since the last call.
    pub fn drain(&mut self) -> Vec<Event> {
        self.tap.drain()
    }

    /// How long no byte has come.
    pub fn silent_for(&self) -> Duration {
        self.tap.silent_for()
    }

    /// An earlier link heard silence on the same line for so long, just before: it counts as heard here
    /// until the first byte comes.
    pub fn was_silent(&mut self, before: Duration) {
        self.tap.was_silent(before);
    }

    /// Listens until `until`. A lost link is opened again meanwhile.
    ///
    /// # Errors
    /// Where the user stops, or a lost link is not back by then.
    pub async fn listen_async(&mut self, until: Duration) -> Result<(), LinkTrouble> {
        loop {
            if self.tap.is_lost() {
                if !self.tap.opens_by(until) {
                    return self.tap.rest(until).await;
                }
                self.tap.bring_back(until).await?;
            }
            match self.tap.wait(until).await? {
                WaitHeard::Nothing => return Ok(()),
                WaitHeard::Bytes(_) => self.tap.overheard(),
                WaitHeard::Lost(_) => {}
            }
            if self.now() >= until {
                return Ok(());
            }
        }
    }

    /// Listens at other line settings from now on.
    ///
    /// # Errors
    /// Where the port is gone, is no line, or does not take them.
    pub fn set_line(&mut self, line: LineSettings, bad: BadCharacters) -> Result<(), LinkTrouble> {
        self.tap.set_line(line, bad).map(drop)
    }

    /// Listens until no byte has come for `window`, at most until `until`. Returns whether it was
    /// silent for so long.
    ///
    /// # Errors
    /// As [`Quiet::listen_async`].
    pub async fn listen_for_silence_async(
        &mut self,
        window: Duration,
        until: Duration,
    ) -> Result<bool, LinkTrouble> {
        while self.silent_for() < window && self.now() < until {
            let silence_ends = self.now() + (window - self.silent_for());
            if self.tap.is_lost() {
                self.tap.bring_back(until).await?;
            }
            self.tap.wait(silence_ends.min(until)).await?;
        }
        Ok(self.silent_for() >= window)
    }

    /// Judges by the rules whether asking is right.
    ///
    /// `window` is the silence needed, `consent` what a person said after the caution.
    ///
    /// # Errors
    /// Where it is not shown, and why.
    pub fn prove(
        &self,
        wake: &Wake,
        window: Duration,
        consent: Consent,
    ) -> Result<Proof, NotShown> {
        let facts = self.facts();
        let consent = consent.and(facts.consent);
        let is_simulated = facts.is_simulated();
        let is_free = consent.may_wake || is_simulated;
        let proof = |grounds| {
            Ok(Proof {
                grounds,
                keeps_off: if is_free {
                    Vec::new()
                } else {
                    wake.keeps_off.clone()
                },
                clears: wake.clears.clone(),
            })
        };
        if is_simulated {
            return proof(Grounds::Simulated);
        }
        if let Some(why) = wake.why().filter(|_| !consent.may_wake) {
            return Err(NotShown::MayWake { why });
        }
        if !facts.can_overhear() {
            return proof(Grounds::CannotOverhear);
        }
        if consent.beside_others {
            return proof(Grounds::BesideOthers);
        }
        if window.is_zero() {
            return Err(NotShown::NotListened);
        }
        let silent = self.silent_for();
        if silent < window {
            return Err(NotShown::NotSilent { silent, window });
        }
        proof(Grounds::HeardSilent(window))
    }
}
