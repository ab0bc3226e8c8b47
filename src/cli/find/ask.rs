//! The asking half of a search: the word, then the line or what is behind a gateway.
//!
//! Does not: listen, or print the end.

use std::time::Duration;

use packside_profiles::{Known, Profile};

use super::super::failure::{Failure, USAGE, failure};
use super::super::{out, session};
use super::args::FindArgs;
use super::behind::behind_gateway;
use super::line::{Stopped, on_a_line, plan};
use super::progress::long;
use super::report::{FindReport, SearchEnd};
use crate::drive::find as moves;
use crate::event::{Consent, LinkKind, What};
use crate::find::{Plan, Search};
use crate::link::{Asking, LinkTrouble, Pacing, Quiet, Wake};

/// Asks, where the user says so.
pub(super) fn ask(
    quiet: Quiet,
    args: &FindArgs,
    profiles: &[Profile],
    report: &mut FindReport,
) -> Result<(), Failure> {
    let is_gateway = report.facts.is_gateway();
    let plan = Plan {
        // Behind a gateway the number counts other questions as well.
        skip: if is_gateway { 0 } else { args.resume },
        ..plan(args, report)
    };
    let search = Search::new(plan, profiles);
    let progress = search.progress();
    if !is_gateway && args.resume > 0 && args.resume >= progress.of {
        let message = format!(
            "--resume: expected at most {}, found {}",
            progress.of.saturating_sub(1),
            args.resume
        );
        let hint = Some("leave it out to begin at the first question".to_owned());
        return Err(failure(USAGE, "usage", message, hint));
    }
    if is_gateway {
        out::note(
            "asking is for a gateway to a service or inverter socket. Up to 247 addresses, the likely ones first: one \
             that is silent costs the gateway's own time-out, all of them about 4 min where that is 1 s",
        );
    } else {
        out::note(&format!(
            "asking is for a service or inverter socket. Likely settings and addresses come first: most units answer \
             within seconds; every address once takes {}, all {} questions {}",
            long(search.once()),
            progress.of - progress.done,
            long(progress.left)
        ));
    }
    let wake = Wake::of(None, &Known::default(), &[]);
    let is_real = !matches!(quiet.facts().kind, LinkKind::Simulated { .. });
    let said = args.consent.said();
    let consent = Consent {
        may_wake: session::may_wake(wake.why().filter(|_| is_real), said.may_wake),
        ..said
    };
    let Ok(proof) = quiet.prove(&wake, report.window, consent) else {
        report.ended = SearchEnd::NotAsked;
        return Ok(());
    };
    let Ok(mut asking) = quiet.ask(proof, &moves::FUNCTIONS) else {
        report.ended = SearchEnd::Busy;
        return Ok(());
    };
    asking.pace(Pacing::FULL);
    let began = asking.now();
    let done = if is_gateway {
        behind_gateway(asking, args, profiles, report)
    } else {
        match on_a_line(&mut asking, search, profiles, report, said.beside_others) {
            Ok(()) => Ok(Some(asking)),
            Err(trouble) => Err(Stopped(trouble, Some(Box::new(asking)))),
        }
    };
    match done {
        Ok(Some(mut asking)) => close(&mut asking, began, report),
        Ok(None) => {}
        Err(Stopped(trouble, asking)) => {
            report.ended = match trouble {
                LinkTrouble::Interrupted => SearchEnd::Stopped,
                trouble => SearchEnd::Trouble(trouble),
            };
            if let Some(mut asking) = asking {
                close(&mut asking, began, report);
            }
        }
    }
    Ok(())
}

/// How many questions it took, and how long.
fn close(asking: &mut Asking, began: Duration, report: &mut FindReport) {
    report.took = asking.now().saturating_sub(began);
    let events = asking.drain();
    let asked = events
        .iter()
        .filter(|event| matches!(event.what, What::Asked { .. }));
    report.questions = asked.count();
    report.echoes = asking.echoes();
}
