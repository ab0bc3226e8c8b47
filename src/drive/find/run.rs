//! A whole search over one link: listening first, the word, then the line or what is behind a gateway.
//!
//! Input: a quiet link and what is wanted. Output: [`Findings`]. Does not: open a port, or print.

use std::time::Duration;

use packside_profiles::{Known, Profile};

use super::behind::behind_gateway;
use super::hunt::{FindProgress, Finder, Hunt, overheard};
use super::{FUNCTIONS, on_line};
use crate::event::{Consent, LinkKind, What};
use crate::find::{FindEnd, Findings, Listening, Overhear, Search, Wanted, prior};
use crate::link::{Asking, LinkTrouble, Pacing, Quiet, Wake, at_once};
use crate::wire::Framing;

/// Time between two looks at what came.
const GLANCE: Duration = Duration::from_millis(500);

/// Listens before anything is asked, where that can be done; gives the link back, which may be another
/// connection. Where [`Findings::is_occupied`] then, nothing may be asked without a person's word.
///
/// # Errors
/// Where the link fails or the user stops.
pub async fn listen_first_async(
    mut quiet: Quiet,
    wanted: &Wanted,
    findings: &mut Findings,
    finder: &mut impl Finder,
) -> Result<Quiet, LinkTrouble> {
    let window = wanted.window;
    if window.is_zero() {
        return Ok(quiet);
    }
    let is_gateway = matches!(quiet.facts().kind, LinkKind::Gateway { .. });
    if is_gateway && wanted.framing.is_none() && quiet.facts().framing == Framing::Tcp {
        finder.progress(&FindProgress::Listening(window));
        if passes_bytes_on(&mut quiet, window).await? {
            finder.progress(&FindProgress::PassesBytesOn);
            drop(quiet);
            quiet = finder.connect(Framing::Rtu).await?;
            findings.facts = quiet.facts().clone();
        } else {
            let unheard = Overhear::new(quiet.now(), prior::first_line(), window);
            findings.listened = Some((Listening::Silent, unheard.summary()));
        }
    }
    if quiet.facts().can_overhear() {
        overheard(&mut quiet, window, findings, finder).await?;
    }
    Ok(quiet)
}

/// Whether a gateway passes on what it hears on its line: then somebody may be asking there, whom a
/// first question of ours would disturb. A Modbus TCP gateway says nothing unasked.
async fn passes_bytes_on(quiet: &mut Quiet, window: Duration) -> Result<bool, LinkTrouble> {
    let until = quiet.now() + window;
    while quiet.now() < until {
        quiet.listen_async(until.min(quiet.now() + GLANCE)).await?;
        let events = quiet.drain();
        if events.iter().any(|event| matches!(event.what, What::In(_))) {
            return Ok(true);
        }
    }
    Ok(false)
}

/// Asks, where that is right: nothing is asked where somebody was heard, or where a unit might wake, without a
/// person's word.
///
/// # Errors
/// Where the link fails, the user stops, or what speaks is plainly no unit. What was found by then is in the
/// findings.
pub async fn ask_async(
    quiet: Quiet,
    wanted: &Wanted,
    profiles: &[Profile],
    findings: &mut Findings,
    finder: &mut impl Finder,
) -> Result<(), LinkTrouble> {
    if findings.is_occupied() && !wanted.consent.beside_others {
        findings.ended = FindEnd::Busy;
        return Ok(());
    }
    let is_gateway = quiet.facts().is_gateway();
    let search = Search::new(wanted.plan(), profiles);
    finder.progress(&FindProgress::Begins {
        search: &search,
        is_gateway,
    });
    let wake = Wake::of(None, &Known::default(), &[]);
    let said = wanted.consent;
    let why = wake.why().filter(|_| !quiet.facts().is_simulated());
    let consent = Consent {
        may_wake: why.map_or(said.may_wake, |why| finder.may_wake(why, said.may_wake)),
        ..said
    };
    let Ok(proof) = quiet.prove(&wake, wanted.window, consent) else {
        findings.ended = FindEnd::NotAsked;
        return Ok(());
    };
    let Ok(mut asking) = quiet.ask(proof, &FUNCTIONS) else {
        findings.ended = FindEnd::Busy;
        return Ok(());
    };
    asking.pace(Pacing::FULL);
    let began = asking.now();
    let mut link = Some(asking);
    let mut hunt = Hunt {
        wanted,
        profiles,
        findings,
        finder,
    };
    let done = if is_gateway {
        behind_gateway(&mut hunt, &mut link).await
    } else {
        match &mut link {
            Some(asking) => on_line::search(&mut hunt, asking, search).await,
            None => Ok(()),
        }
    };
    if let Some(asking) = &mut link {
        close(asking, began, findings);
    }
    done
}

/// How many questions it took, and how long.
fn close(asking: &mut Asking, began: Duration, findings: &mut Findings) {
    findings.took = asking.now().saturating_sub(began);
    let events = asking.drain();
    let asked = events
        .iter()
        .filter(|event| matches!(event.what, What::Asked { .. }));
    findings.questions = asked.count();
    findings.echoes = asking.echoes();
}

/// [`listen_first_async`], blocking.
///
/// # Errors
/// The same.
pub fn listen_first(
    quiet: Quiet,
    wanted: &Wanted,
    findings: &mut Findings,
    finder: &mut impl Finder,
) -> Result<Quiet, LinkTrouble> {
    at_once(listen_first_async(quiet, wanted, findings, finder))
}

/// [`ask_async`], blocking.
///
/// # Errors
/// The same.
pub fn ask(
    quiet: Quiet,
    wanted: &Wanted,
    profiles: &[Profile],
    findings: &mut Findings,
    finder: &mut impl Finder,
) -> Result<(), LinkTrouble> {
    at_once(ask_async(quiet, wanted, profiles, findings, finder))
}
