//! Moves the machines of this room over a link that asks.
//!
//! Does not: decide anything; every want comes from the machines, every refusal from the link.

use super::search::{Progress, Search, Want};
use super::who::{self, Who};
use crate::link::{Asking, LinkTrouble};

/// Functions that a search may ask with: nothing is known of the unit, and it tolerates them or not.
pub const FUNCTIONS: [u8; 4] = [0x03, 0x04, 0x11, 0x2b];

/// Searches until the machine is done. `seen` is told the progress before each question.
///
/// # Errors
/// Where the link fails, the user stops, or what speaks is plainly no unit.
pub fn search(
    asking: &mut Asking,
    search: &mut Search,
    mut seen: impl FnMut(&Progress),
) -> Result<(), LinkTrouble> {
    while let Want::Ask {
        line,
        ask,
        first_byte,
    } = search.next()
    {
        seen(&search.progress());
        if asking.line() != Some(line) {
            asking.set_line(line)?;
        }
        let exchange = asking.probe(ask, first_byte)?;
        tracing::debug!(%line, ?ask, outcome = ?exchange.outcome, "probe");
        search.take(&exchange);
    }
    Ok(())
}

/// Asks a unit who it is, at the settings at which it was found.
///
/// # Errors
/// As [`search`].
pub fn identify(asking: &mut Asking, who: &mut Who<'_>) -> Result<(), LinkTrouble> {
    while let Some(ask) = who.next() {
        let exchange = asking.ask(ask, who::WAIT)?;
        who.take(&exchange);
    }
    Ok(())
}
