//! Many addresses behind a gateway over Modbus TCP: who answers, and what is one device at several.

use packside_profiles::model::Table;

use super::hunt::{FindProgress, Finder, Hunt};
use super::on_line::describe;
use super::{identify_async, is_past_the_line_async, volley_async};
use crate::find::behind::{everybody, fold, last_resort};
use crate::find::{Alike, Behind, FindEnd, Found, Volley, VolleyReply, Who, prior};
use crate::link::{Asking, LinkTrouble, PortGone};
use crate::wire::{Ask, Framing, Question};

/// Modbus TCP to these addresses, of which so many are left out: gives whether that is what is spoken
/// there. With `tells_after` it ends where so many say nothing and no frame has come.
pub(super) async fn by_modbus_tcp<F: Finder>(
    hunt: &mut Hunt<'_, F>,
    asking: &mut Asking,
    (units, before): (&[u8], usize),
    tells_after: Option<usize>,
) -> Result<bool, LinkTrouble> {
    let stops_at_first = !hunt.wanted.all;
    let units = units.get(before..).unwrap_or_default();
    let mut volley = everybody(units, hunt.profiles, stops_at_first);
    if let Some(silent) = tells_after {
        volley = volley.tells_after(silent);
    }
    let mut done = told(hunt, asking, &mut volley).await;
    if done.is_ok() && tells_after.is_none_or(|_| volley.has_heard()) && volley.alike().is_empty() {
        let mut last = last_resort(&volley, units, stops_at_first);
        done = told(hunt, asking, &mut last).await;
        if !last.alike().is_empty() {
            volley = last;
        }
    }
    if volley.is_shut_out() && done.is_ok() {
        done = Err(LinkTrouble::Lost(PortGone::Closed));
    }
    let behind = Behind::of(&volley);
    if let Err(trouble) = done {
        hunt.findings.resume = Some(before + volley.progress().0);
        // Whoever has answered so far is not forgotten.
        if volley.has_heard() {
            (hunt.findings.gateway, hunt.findings.resume_in) = (Some(behind), Some(Framing::Tcp));
        }
        return Err(trouble);
    }
    if !volley.has_heard() && tells_after.is_some() {
        return Ok(false);
    }
    hunt.findings.gateway = Some(behind);
    name_all(hunt, asking, &volley).await?;
    hunt.findings.ended = if hunt.findings.found.is_empty() {
        FindEnd::Exhausted
    } else {
        FindEnd::Found
    };
    Ok(volley.has_heard())
}

/// Asks all of them, and tells how far it is.
async fn told<F: Finder>(
    hunt: &mut Hunt<'_, F>,
    asking: &mut Asking,
    volley: &mut Volley,
) -> Result<(), LinkTrouble> {
    let finder = &mut *hunt.finder;
    let seen = |volley: &Volley| {
        let (done, of) = volley.progress();
        finder.progress(&FindProgress::Behind(done, of));
    };
    let done = volley_async(asking, volley, seen).await;
    hunt.finder.progress(&FindProgress::Naming);
    done
}

/// Asks who they are, those that give data first; what is one device at many addresses is one.
async fn name_all<F: Finder>(
    hunt: &mut Hunt<'_, F>,
    asking: &mut Asking,
    volley: &Volley,
) -> Result<(), LinkTrouble> {
    let mut silent = volley.replies().iter();
    let silent = silent.find(|(_, reply)| **reply == VolleyReply::Silent);
    let silent = silent.map(|(unit, _)| *unit);
    let alike = volley.alike();
    let gives_data = alike.iter().any(|one| one.refused.is_none());
    for alike in alike {
        if alike.units.len() > 1 && alike.refused.is_some() && gives_data {
            // Beside one that gives data: the same device, or the gateway.
            if let Some(behind) = &mut hunt.findings.gateway {
                behind.refusing.extend(alike.units);
            }
            continue;
        }
        let Some((first, others)) = alike.units.split_first() else {
            continue;
        };
        let before = hunt.findings.found.len();
        one_behind(hunt, asking, found(&alike, *first), silent).await?;
        let mut others = others.iter();
        if let Some(second) = others.next() {
            one_behind(hunt, asking, found(&alike, *second), silent).await?;
        }
        let is_one = match hunt.findings.found.get(before..) {
            Some([(_, one), (_, other)]) => one.is_like(other),
            // The gateway itself, at many addresses.
            Some([]) => true,
            _ => false,
        };
        for unit in others {
            match hunt.findings.found.get_mut(before) {
                Some((one, _)) if is_one => one.also_at.push(*unit),
                None if is_one => {}
                _ => one_behind(hunt, asking, found(&alike, *unit), silent).await?,
            }
        }
        fold(&mut hunt.findings.found);
    }
    Ok(())
}

/// One of those that answer alike.
fn found(alike: &Alike, unit: u8) -> Found {
    Found {
        line: prior::first_line(),
        unit,
        refused: alike.first_refusal,
        answer_time: alike.answer_time,
        ask: Ask {
            unit,
            question: alike.question,
        },
        also_lines: Vec::new(),
        also_at: Vec::new(),
    }
}

/// Who answers for an address: a unit, or the gateway itself.
async fn one_behind<F: Finder>(
    hunt: &mut Hunt<'_, F>,
    asking: &mut Asking,
    found: Found,
    silent: Option<u8>,
) -> Result<(), LinkTrouble> {
    let (unit, question) = (found.unit, found.ask.question);
    let mut who = Who::new(&found, hunt.profiles);
    identify_async(asking, &mut who).await?;
    let mut identity = who.identity();
    describe(asking, &found, &mut identity).await?;
    let is_unknown = identity.profile().is_none() && identity.sunspec.is_none();
    if let Some(silent) = silent.filter(|_| is_unknown) {
        // Nobody has read this yet, so that no cache can have it.
        let fresh = Question::Read {
            table: Table::Input,
            address: u16::from(unit) + 1,
            count: 1,
        };
        let silent = Ask {
            unit: silent,
            question,
        };
        let fresh = Ask {
            unit,
            question: fresh,
        };
        if is_past_the_line_async(asking, silent, fresh).await? == Some(true) {
            if let Some(behind) = &mut hunt.findings.gateway {
                behind.own.push(unit);
            }
            return Ok(());
        }
    }
    hunt.findings.found.push((found, identity));
    Ok(())
}
