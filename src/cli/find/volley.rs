//! Many addresses behind a gateway over Modbus TCP: who answers, and what is one device at several.

use packside_profiles::Profile;
use packside_profiles::model::Table;

use super::args::FindArgs;
use super::line::describe;
use super::progress::bar;
use super::report::{Behind, FindReport, SearchEnd};
use super::way::first_line;
use crate::drive::find as moves;
use crate::find::{Alike, Found, FoundIdentity, Volley, VolleyReply, Who, who};
use crate::link::{Asking, LinkTrouble};
use crate::wire::{Ask, Framing, Question};

/// Modbus TCP to these addresses, of which so many are left out: gives whether that is what is spoken
/// there. With `tells_after` it ends where so many say nothing and no frame has come.
pub(super) fn by_modbus_tcp(
    asking: &mut Asking,
    args: &FindArgs,
    (units, before): (&[u8], usize),
    tells_after: Option<usize>,
    profiles: &[Profile],
    report: &mut FindReport,
) -> Result<bool, LinkTrouble> {
    let question = first_question(profiles);
    let units = units.get(before..).unwrap_or_default();
    let mut volley = Volley::new(units, question, !args.all).then(other_questions(profiles));
    if let Some(silent) = tells_after {
        volley = volley.tells_after(silent);
    }
    let mut done = volley_with_bar(asking, &mut volley);
    if done.is_ok() && tells_after.is_none_or(|_| volley.has_heard()) && volley.alike().is_empty() {
        // Some answer one function only, and say nothing to all others.
        let silent: Vec<u8> = volley.replies().keys().copied().collect();
        let silent: Vec<u8> = units
            .iter()
            .copied()
            .filter(|unit| silent.contains(unit))
            .collect();
        let mut last = Volley::new(&silent, Question::ServerId, !args.all);
        done = volley_with_bar(asking, &mut last);
        if !last.alike().is_empty() {
            volley = last;
        }
    }
    if volley.is_shut_out() && done.is_ok() {
        done = Err(LinkTrouble::Lost(crate::link::PortGone::Closed));
    }
    let behind = Behind::of(&volley);
    if let Err(trouble) = done {
        report.resume = Some(before + volley.progress().0);
        // Whoever has answered so far is not forgotten.
        if volley.has_heard() {
            (report.gateway, report.resume_in) = (Some(behind), Some(Framing::Tcp));
        }
        return Err(trouble);
    }
    if !volley.has_heard() && tells_after.is_some() {
        return Ok(false);
    }
    report.gateway = Some(behind);
    name_all(asking, &volley, profiles, report)?;
    report.ended = if report.found.is_empty() {
        SearchEnd::Exhausted
    } else {
        SearchEnd::Found
    };
    Ok(volley.has_heard())
}

/// Asks who they are, those that give data first; what is one device at many addresses is one.
fn name_all(
    asking: &mut Asking,
    volley: &Volley,
    profiles: &[Profile],
    report: &mut FindReport,
) -> Result<(), LinkTrouble> {
    let mut silent = volley.replies().iter();
    let silent = silent.find(|(_, reply)| **reply == VolleyReply::Silent);
    let silent = silent.map(|(unit, _)| *unit);
    let alike = volley.alike();
    let gives_data = alike.iter().any(|one| one.refused.is_none());
    for Alike {
        units,
        refused,
        first_refusal,
        question,
        answer_time,
    } in alike
    {
        if units.len() > 1 && refused.is_some() && gives_data {
            // Beside one that gives data: the same device, or the gateway.
            if let Some(behind) = &mut report.gateway {
                behind.refusing.extend(units);
            }
            continue;
        }
        let found = |unit: u8| Found {
            line: first_line(),
            unit,
            refused: first_refusal,
            answer_time,
            ask: Ask { unit, question },
            also_lines: Vec::new(),
            also_at: Vec::new(),
        };
        let Some((first, others)) = units.split_first() else {
            continue;
        };
        let before = report.found.len();
        one_behind(asking, found(*first), silent, profiles, report)?;
        let mut others = others.iter();
        if let Some(second) = others.next() {
            one_behind(asking, found(*second), silent, profiles, report)?;
        }
        let is_one = match report.found.get(before..) {
            Some([(_, one), (_, other)]) => one.is_like(other),
            // The gateway itself, at many addresses.
            Some([]) => true,
            _ => false,
        };
        for unit in others {
            match report.found.get_mut(before) {
                Some((one, _)) if is_one => one.also_at.push(*unit),
                None if is_one => {}
                _ => one_behind(asking, found(*unit), silent, profiles, report)?,
            }
        }
        fold(&mut report.found);
    }
    Ok(())
}

/// Makes one entry of those that are the same device by what they say of themselves.
fn fold(found: &mut Vec<(Found, FoundIdentity)>) {
    let mut folded: Vec<(Found, FoundIdentity)> = Vec::new();
    for (one, identity) in found.drain(..) {
        let is_same = |(other, known): &&mut (Found, FoundIdentity)| {
            known.is_like(&identity)
                && (identity.serial.is_some()
                    || !other.also_at.is_empty()
                    || !one.also_at.is_empty())
        };
        match folded.iter_mut().find(is_same) {
            Some((known, _)) => {
                known.also_at.push(one.unit);
                known.also_at.extend(one.also_at);
                known.also_at.sort_unstable();
            }
            None => folded.push((one, identity)),
        }
    }
    *found = folded;
}

/// Asks all of them, with a bar on a terminal.
fn volley_with_bar(asking: &mut Asking, volley: &mut Volley) -> Result<(), LinkTrouble> {
    let bar = bar("addresses");
    let done = moves::volley(asking, volley, |volley| {
        if let Some(bar) = &bar {
            let (done, of) = volley.progress();
            bar.set_length(of as u64);
            bar.set_position(done as u64);
            bar.set_message("asking behind the gateway");
        }
    });
    if let Some(bar) = bar {
        bar.finish_and_clear();
    }
    done
}

/// What everybody is asked.
fn first_question(profiles: &[Profile]) -> Question {
    who::probes(profiles).first().map_or(
        Question::Read {
            table: Table::Holding,
            address: 0,
            count: 1,
        },
        |probe| probe.question,
    )
}

/// What those are asked who refuse the first question: they may have something else, or no registers.
fn other_questions(profiles: &[Profile]) -> Vec<Question> {
    let probes = who::probes(profiles).into_iter().skip(1);
    let mut questions: Vec<Question> = probes.map(|probe| probe.question).collect();
    questions.extend([Table::Input, Table::Holding].map(|table| Question::Read {
        table,
        address: 0,
        count: 1,
    }));
    questions.push(Question::ServerId);
    questions
}

/// Who answers for an address: a unit, or the gateway itself.
fn one_behind(
    asking: &mut Asking,
    found: Found,
    silent: Option<u8>,
    profiles: &[Profile],
    report: &mut FindReport,
) -> Result<(), LinkTrouble> {
    let (unit, question) = (found.unit, found.ask.question);
    let mut who = Who::new(&found, profiles);
    moves::identify(asking, &mut who)?;
    let mut identity = who.identity();
    describe(asking, &found, &mut identity)?;
    if identity.profile().is_none() && identity.sunspec.is_none() {
        // Nobody has read this yet, so that no cache can have it.
        let fresh = Question::Read {
            table: Table::Input,
            address: u16::from(unit) + 1,
            count: 1,
        };
        let silent = silent.map(|unit| Ask { unit, question });
        let itself = match silent {
            Some(silent) => moves::is_past_the_line(
                asking,
                silent,
                Ask {
                    unit,
                    question: fresh,
                },
            )?,
            None => None,
        };
        if itself == Some(true) {
            if let Some(behind) = &mut report.gateway {
                behind.own.push(unit);
            }
            return Ok(());
        }
    }
    report.found.push((found, identity));
    Ok(())
}
