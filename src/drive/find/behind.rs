//! The search behind a gateway whose framing may not be known.
//!
//! Does not: ask over Modbus TCP itself, see `volley`.

use std::time::Duration;

use packside_profiles::Known;

use super::hunt::{FindProgress, Finder, Hunt, overheard};
use super::volley::by_modbus_tcp;
use super::{FUNCTIONS, on_line};
use crate::event::Consent;
use crate::find::{Behind, FindEnd, Search, Volley};
use crate::link::{Asking, LinkTrouble, PortGone, Quiet, Wake};
use crate::listen::Speaks;
use crate::wire::Framing;

/// Addresses tried before another framing is, where not a byte comes.
const TO_TELL_FRAMING: usize = 3;

/// The search behind a gateway, in the framing given; where none is given in both: a few likely
/// addresses over Modbus TCP, then RTU bytes, then all others over Modbus TCP. That the first ones are
/// silent says nothing of the framing. Nothing is left of the link where somebody else is heard on a new
/// connection, or where one cannot be made.
pub(super) async fn behind_gateway<F: Finder>(
    hunt: &mut Hunt<'_, F>,
    link: &mut Option<Asking>,
) -> Result<(), LinkTrouble> {
    let Some(asking) = link else { return Ok(()) };
    let wanted = hunt.wanted;
    if hunt.findings.facts.framing == Framing::Rtu {
        hunt.findings.resume_in = Some(Framing::Rtu);
        return by_rtu(hunt, asking, wanted.skip).await;
    }
    let units = wanted
        .unit
        .map_or_else(Volley::likely_first, |unit| vec![unit]);
    let is_given = wanted.framing.is_some();
    let few = if is_given {
        units.len()
    } else {
        TO_TELL_FRAMING.min(units.len())
    };
    if is_given || wanted.skip < few {
        let tells_after = (!is_given).then(|| few - wanted.skip);
        let done = by_modbus_tcp(hunt, asking, (&units, wanted.skip), tells_after).await;
        let is_spoken = match done {
            Err(LinkTrouble::WrongSpeaker(Speaks::Rtu)) if !is_given => false,
            done => done?,
        };
        if is_spoken || is_given {
            return Ok(());
        }
    }
    let of_rtu = Search::new(wanted.plan_behind(0), hunt.profiles)
        .progress()
        .of;
    if wanted.skip < few + of_rtu {
        *link = None;
        let done = after_silence(hunt, link, wanted.skip.saturating_sub(few)).await;
        hunt.findings.resume = hunt.findings.resume.map(|resume| resume + few);
        done?;
        let is_over =
            hunt.findings.ended != FindEnd::Exhausted || !hunt.findings.garbled.is_empty();
        if is_over || few == units.len() {
            return Ok(());
        }
    }
    hunt.finder.progress(&FindProgress::BackToTcp);
    *link = None;
    let quiet = hunt.finder.connect(Framing::Tcp).await?;
    let asking = link.insert(ask_again(quiet)?);
    hunt.findings.facts.framing = Framing::Tcp;
    let before = few + wanted.skip.saturating_sub(few + of_rtu);
    let done = by_modbus_tcp(hunt, asking, (&units, before), None).await;
    if hunt.findings.resume_in.is_none() {
        hunt.findings.resume = hunt.findings.resume.map(|resume| resume + of_rtu);
    }
    done.map(drop)
}

/// RTU bytes on a new connection, where nothing came over Modbus TCP; not where somebody else is heard.
async fn after_silence<F: Finder>(
    hunt: &mut Hunt<'_, F>,
    link: &mut Option<Asking>,
    skip: usize,
) -> Result<(), LinkTrouble> {
    hunt.finder.progress(&FindProgress::TriesRtu);
    let mut quiet = hunt.finder.connect(Framing::Rtu).await?;
    // Where it was not listened to before, somebody can be overheard only now.
    let window = hunt.wanted.window;
    if hunt.findings.listened.is_none() && !window.is_zero() {
        overheard(&mut quiet, window, hunt.findings, hunt.finder).await?;
        if hunt.findings.is_occupied() && !hunt.wanted.consent.beside_others {
            hunt.findings.facts.framing = Framing::Rtu;
            hunt.findings.ended = FindEnd::Busy;
            return Ok(());
        }
    }
    let asking = link.insert(ask_again(quiet)?);
    by_rtu(hunt, asking, skip).await
}

/// RTU bytes over TCP, at the gateway's own line settings.
async fn by_rtu<F: Finder>(
    hunt: &mut Hunt<'_, F>,
    asking: &mut Asking,
    skip: usize,
) -> Result<(), LinkTrouble> {
    hunt.findings.facts.framing = Framing::Rtu;
    hunt.findings.gateway = Some(Behind::new(Framing::Rtu));
    let search = Search::new(hunt.wanted.plan_behind(skip), hunt.profiles);
    on_line::search(hunt, asking, search).await
}

/// Asks on a new connection, for which the word that was given still holds.
fn ask_again(quiet: Quiet) -> Result<Asking, LinkTrouble> {
    let lost = |why: String| LinkTrouble::Lost(PortGone::StillGone { why });
    let wake = Wake::of(None, &Known::default(), &[]);
    let proof = quiet
        .prove(&wake, Duration::ZERO, Consent::BOTH)
        .map_err(|why| lost(why.to_string()))?;
    let asking = quiet.ask(proof, &FUNCTIONS);
    asking.map_err(|back| lost(back.1.to_string()))
}
