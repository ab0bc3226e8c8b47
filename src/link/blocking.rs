//! The same calls for whoever may block: one link to a thread, and virtual time.
//!
//! Does not: wait for a connection that must be awaited (`at_once` says so).

use std::time::Duration;

use packside_profiles::LineSettings;

use super::{Asking, LinkTrouble, Quiet, VolleyCame, at_once};
use crate::ask::Exchange;
use crate::wire::Ask;

impl Quiet {
    /// [`Quiet::listen_async`], blocking.
    ///
    /// # Errors
    /// The same.
    pub fn listen(&mut self, until: Duration) -> Result<(), LinkTrouble> {
        at_once(self.listen_async(until))
    }

    /// [`Quiet::listen_for_silence_async`], blocking.
    ///
    /// # Errors
    /// The same.
    pub fn listen_for_silence(
        &mut self,
        window: Duration,
        until: Duration,
    ) -> Result<bool, LinkTrouble> {
        at_once(self.listen_for_silence_async(window, until))
    }
}

impl Asking {
    /// [`Asking::idle_async`], blocking.
    ///
    /// # Errors
    /// The same.
    pub fn idle(&mut self, until: Duration) -> Result<(), LinkTrouble> {
        at_once(self.idle_async(until))
    }

    /// [`Asking::ask_async`], blocking.
    ///
    /// # Errors
    /// The same.
    pub fn ask(&mut self, ask: Ask, time_out: Duration) -> Result<Exchange, LinkTrouble> {
        at_once(self.ask_async(ask, time_out))
    }

    /// [`Asking::set_line_async`], blocking.
    ///
    /// # Errors
    /// The same.
    pub fn set_line(&mut self, line: LineSettings) -> Result<(), LinkTrouble> {
        at_once(self.set_line_async(line))
    }

    /// [`Asking::probe_async`], blocking.
    ///
    /// # Errors
    /// The same.
    pub fn probe(&mut self, ask: Ask, first_byte: Duration) -> Result<Exchange, LinkTrouble> {
        at_once(self.probe_async(ask, first_byte))
    }

    /// [`Asking::post_async`], blocking.
    ///
    /// # Errors
    /// The same.
    pub fn post(&mut self, ask: Ask) -> Result<u16, LinkTrouble> {
        at_once(self.post_async(ask))
    }

    /// [`Asking::receive_async`], blocking.
    ///
    /// # Errors
    /// The same.
    pub fn receive(&mut self, until: Duration) -> Result<VolleyCame, LinkTrouble> {
        at_once(self.receive_async(until))
    }
}
