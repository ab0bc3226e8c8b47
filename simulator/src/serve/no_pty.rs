//! Where the system has no pseudo-terminals: opening one fails, so that there never is a [`Line`].

use packside_profiles::LineSettings;

use super::Inlet;
use crate::uart::Tty;

/// Never there.
pub(super) enum Line {}

impl Line {
    pub(super) fn settings(&self, _: LineSettings) -> Option<(LineSettings, Tty)> {
        match *self {}
    }

    pub(super) fn write(&mut self, _: &[u8]) {
        match *self {}
    }

    pub(super) fn pull_out(&mut self) {
        match *self {}
    }

    pub(super) fn plug_in(&mut self) -> Result<(), String> {
        match *self {}
    }
}

/// Fails.
pub(super) fn open(_: LineSettings, _: &Inlet, _: bool) -> Result<(Line, String), String> {
    Err("this system has none; serve TCP instead (--tcp 127.0.0.1:0)".to_owned())
}
