//! What a search under way has: what it needs from outside, what it tells, and what it has come to.
//!
//! Does not: decide whether asking is right, or ask.

use std::time::Duration;

use packside_profiles::Profile;

use super::overhear_async;
use crate::find::{Findings, Overhear, Search, SearchProgress, Wanted, prior};
use crate::link::{LinkTrouble, Quiet};
use crate::session::MayWake;
use crate::wire::Framing;

/// Gives a search what it needs from outside, and is told how far it is.
pub trait Finder {
    /// Opens a new connection to the same gateway, quiet and framed so; the one before is closed by then.
    /// Only for a gateway of which nobody has said how it puts frames into bytes.
    fn connect(&mut self, framing: Framing) -> impl Future<Output = Result<Quiet, LinkTrouble>>;

    /// Whether somebody says that a unit may wake of being asked; `is_said` where that is clear already.
    fn may_wake(&mut self, _: MayWake, is_said: bool) -> bool {
        is_said
    }

    /// How far it is.
    fn progress(&mut self, _: &FindProgress<'_>) {}
}

/// How far a search is.
#[derive(Debug)]
pub enum FindProgress<'a> {
    /// It listens so long, sending nothing.
    Listening(Duration),
    /// Bytes come unasked: this gateway passes on what it hears on its line.
    PassesBytesOn,
    /// It is about to ask, on a line or behind a gateway.
    Begins {
        /// All of it, on a line.
        search: &'a Search,
        /// Whether it is behind a gateway.
        is_gateway: bool,
    },
    /// So far on a line.
    OnLine(&'a SearchProgress),
    /// So many addresses done behind a gateway, and in all.
    Behind(usize, usize),
    /// Whoever was found is asked who it is.
    Naming,
    /// No Modbus TCP frame came so far: RTU bytes are tried on a new connection.
    TriesRtu,
    /// No RTU answer either: all other addresses are asked over Modbus TCP.
    BackToTcp,
}

/// A search under way.
pub(super) struct Hunt<'a, F> {
    pub(super) wanted: &'a Wanted,
    pub(super) profiles: &'a [Profile],
    pub(super) findings: &'a mut Findings,
    pub(super) finder: &'a mut F,
}

/// Listens at the usual settings first, then where what comes says.
pub(super) async fn overheard(
    quiet: &mut Quiet,
    window: Duration,
    findings: &mut Findings,
    finder: &mut impl Finder,
) -> Result<(), LinkTrouble> {
    finder.progress(&FindProgress::Listening(window));
    let ours = quiet.facts().line();
    let begin = ours.unwrap_or_else(prior::first_line);
    let mut machine = Overhear::new(quiet.now(), begin, window);
    if ours.is_none() {
        machine = machine.fixed();
    }
    let heard = overhear_async(quiet, &mut machine).await?;
    findings.listened = Some((heard, machine.summary()));
    Ok(())
}
