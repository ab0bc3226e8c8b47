//! What stands between the verdict and the numbers: why, what to do next, what is not tested.
//!
//! Ten seconds must do, with gloves on: a few lines each, what belongs together in one line, and the
//! rest under `--explain` and in JSON.

use std::fmt::Write as _;

use packside_profiles::Class;
use packside_profiles::model::{LiesIn, Severity};

use super::{LIKELY, section, strength, wrap};
use crate::facts::fact::Follows;
use crate::facts::{Certainty, Disposition, Finding, Judgement, NextStep, VerdictKind};
use crate::judge::PROVEN;
use crate::judge::reference::needs;
use crate::words;

/// How a caution begins.
const CAUTION: &str = "CAUTION: ";

/// Most reasons, steps, or other things seen on one screen.
const MOST: usize = 6;

/// One reason: a root with all that speaks for it, or a statement for itself.
struct Reason<'a> {
    root: Option<&'a Finding>,
    texts: Vec<&'a str>,
}

/// Why the verdict is what it is. Each root in one entry, with how sure it is, where it lies and what
/// becomes of the part.
pub(super) fn why(out: &mut String, judgement: &Judgement) {
    let mut reasons: Vec<Reason<'_>> = Vec::new();
    for text in &judgement.verdict.why {
        let root = judgement
            .findings
            .iter()
            .find(|f| f.is_root_alarm() && text.ends_with(&words::of_finding(judgement, f)));
        let same = |reason: &&mut Reason<'_>| match (reason.root, root) {
            (Some(told), Some(root)) => told.id == root.id && told.unit == root.unit,
            _ => false,
        };
        match reasons.iter_mut().find(same) {
            Some(reason) => reason.texts.push(text),
            None => reasons.push(Reason {
                root,
                texts: vec![text],
            }),
        }
    }
    // What stands in the first lines already is not said again.
    let said = deciding(judgement).filter(|text| !text.contains("; "));
    let only = reasons.len() == 1;
    reasons.retain(|reason| {
        let [text] = reason.texts.as_slice() else {
            return true;
        };
        let is_said = only && reason.root.is_none() && said.as_deref() == Some(text);
        !is_said && !text.contains(CAUTION)
    });
    if reasons.is_empty() {
        return;
    }
    let _ = writeln!(out, "\nWhy");
    for reason in reasons.iter().take(MOST) {
        let mut text = reason
            .texts
            .iter()
            .take(2)
            .copied()
            .collect::<Vec<_>>()
            .join("; ");
        if reason.texts.len() > 2 {
            let _ = write!(text, "; and {} more", reason.texts.len() - 2);
        }
        wrap(out, &text, "  - ", "    ");
        if let Some(root) = reason.root {
            wrap(out, &of_root(root), "      ", "      ");
        }
    }
    more(out, reasons.len());
}

/// The reason that decided, in one line.
pub(super) fn in_short(out: &mut String, judgement: &Judgement) {
    if let Some(text) = deciding(judgement) {
        let text = text.split("; ").next().unwrap_or(&text);
        wrap(out, text, "  why: ", "    ");
    }
}

/// The reason that decided: of a fault what says most of its first root, of silence its likeliest cause.
fn deciding(judgement: &Judgement) -> Option<String> {
    let verdict = &judgement.verdict;
    let plain = || verdict.why.iter().find(|text| !text.contains(CAUTION));
    match verdict.kind {
        VerdictKind::Fault | VerdictKind::NotReady => {
            let root = judgement.telling_root()?;
            let of_root = |text: &&String| text.ends_with(&words::of_finding(judgement, root));
            verdict.why.iter().find(of_root).or_else(plain).cloned()
        }
        VerdictKind::BusProblem if !verdict.causes.is_empty() => {
            let cause = verdict.causes.first()?;
            let reason = cause.reasons_for.first().or(plain())?;
            // None leads clearly: naming one of them would mislead.
            if cause.per_mille < LIKELY {
                return Some(format!("{reason}: several causes are open, see below"));
            }
            let sure = strength(cause.per_mille).trim_end();
            Some(format!("{sure}, {}: {reason}", cause.meaning))
        }
        _ => plain().cloned(),
    }
}

/// Says how many stand elsewhere.
fn more(out: &mut String, count: usize) {
    if count > MOST {
        let _ = writeln!(out, "    and {} more (--explain)", count - MOST);
    }
}

fn of_root(root: &Finding) -> String {
    let sure = match root.sure {
        Certainty::Open => "open, if these numbers are of this unit at all",
        sure => sure.id(),
    };
    let becomes = root.disposition.map_or("", Disposition::meaning);
    format!("= {} ({sure}), {}: {becomes}", root.id, lies_in(root))
}

fn lies_in(root: &Finding) -> &'static str {
    match root.lies_in {
        LiesIn::Module if root.class == Some(Class::InsulationLow) => "in the stack or its cables",
        LiesIn::Module => "in a module",
        LiesIn::ControlUnit => "in the control unit",
        LiesIn::Connection => "in a connection",
        LiesIn::InverterSide => "often on the inverter's side",
        LiesIn::SiteCondition => "a condition, no defect of a part",
        LiesIn::Operator => "in an operator's hands",
        LiesIn::Unknown => "nobody knows yet where",
    }
}

/// Findings beyond those that decided. What only follows from others, or says the same as a root again,
/// takes one line.
pub(super) fn also(out: &mut String, judgement: &Judgement) {
    let untold = |f: &&Finding| {
        let why = &judgement.verdict.why;
        !why.iter()
            .any(|why| why.ends_with(&words::of_finding(judgement, f)))
    };
    let roots = judgement.roots();
    let mut lines: Vec<String> = Vec::new();
    let mut again: Vec<&str> = Vec::new();
    let mut follow: Vec<(Follows, Vec<&str>)> = Vec::new();
    for finding in judgement.findings.iter().filter(untold) {
        if let Some(from) = finding
            .follows_from
            .filter(|_| finding.class.is_some() && !finding.fact.is_contradicted())
        {
            match follow.iter_mut().find(|(root, _)| *root == from) {
                Some((_, ids)) if ids.contains(&finding.id) => {}
                Some((_, ids)) => ids.push(finding.id),
                None => follow.push((from, vec![finding.id])),
            }
            continue;
        }
        let explained = |f: &Finding| f.id == finding.id && f.follows_from.is_some();
        let is_again = roots.contains(&finding.id) || judgement.findings.iter().any(explained);
        let told_anyway = finding.fact.is_contradicted();
        if is_again
            && !told_anyway
            && finding.class.is_some()
            && finding.severity != Severity::Alarm
        {
            if !again.contains(&finding.id) {
                again.push(finding.id);
            }
            continue;
        }
        let line = format!(
            "{} {}: {}",
            severity(finding.severity),
            finding.id,
            words::of_finding(judgement, finding)
        );
        // The packs of a rack often say the same.
        if !lines.contains(&line) {
            lines.push(line);
        }
    }
    let shown = lines.iter().take(MOST);
    let again =
        (!again.is_empty()).then(|| format!("again, as a warning or stored: {}", again.join(", ")));
    let consequences = follow
        .iter()
        .map(|(from, ids)| format!("because of {from}: {}", ids.join(", ")));
    let consequences: Vec<String> = again.into_iter().chain(consequences).collect();
    let all = shown.chain(&consequences).map(String::as_str);
    section(out, "Also seen", all);
    more(out, lines.len());
}

fn severity(severity: Severity) -> &'static str {
    match severity {
        Severity::Alarm => "alarm",
        Severity::Warning => "warning",
        Severity::Notice => "note",
    }
}

/// Weighed causes as proven, likely, open: no two-digit probabilities for people. Causes with the same
/// reason for them share one line.
pub(super) fn causes(out: &mut String, judgement: &Judgement) {
    let causes = &judgement.verdict.causes;
    let proven = causes
        .first()
        .is_some_and(|cause| cause.per_mille >= PROVEN);
    // That one stands in the first lines.
    if proven && judgement.verdict.kind == VerdictKind::BusProblem {
        return;
    }
    let mut lines: Vec<(&str, Vec<&str>, String)> = Vec::new();
    let told = judgement.verdict.causes.iter().take(5);
    for cause in told.filter(|cause| cause.per_mille >= 50) {
        let sure = strength(cause.per_mille);
        let reasons: Vec<&str> = cause
            .reasons_for
            .iter()
            .take(2)
            .map(String::as_str)
            .collect();
        let reasons = reasons.join(", ");
        match lines
            .iter_mut()
            .find(|(same, _, given)| *same == sure && *given == reasons)
        {
            Some((_, meanings, _)) => meanings.push(cause.meaning),
            None => lines.push((sure, vec![&cause.meaning], reasons)),
        }
    }
    let lines: Vec<String> = lines
        .into_iter()
        .map(|(sure, meanings, reasons)| {
            let because = if reasons.is_empty() {
                String::new()
            } else {
                format!(" (for it: {reasons})")
            };
            format!("{}: {}{because}", sure.trim_end(), meanings.join("; or "))
        })
        .collect();
    let of = match judgement.verdict.kind {
        VerdictKind::AwaitingInverter | VerdictKind::InverterLost => {
            "Why the inverter may be silent"
        }
        VerdictKind::BusProblem => "Why nothing valid may come",
        _ => "What the line suffers from",
    };
    section(out, of, lines.iter().map(String::as_str));
}

/// What to do, in order of risk.
pub fn next(out: &mut String, judgement: &Judgement) {
    let steps = &judgement.verdict.next;
    if steps.is_empty() {
        return;
    }
    let _ = writeln!(out, "\nNext, in this order");
    for (index, step) in steps.iter().take(MOST).enumerate() {
        let number = format!("  {}. ", index + 1);
        wrap(out, &in_words(step), &number, "     ");
    }
    more(out, steps.len());
}

fn in_words(step: &NextStep) -> String {
    format!("[{}, {}] {}", needs(step.needs), step.who, step.text)
}

/// The caution that leads the reasons, if there is one.
pub(super) fn caution(out: &mut String, judgement: &Judgement) {
    let why = judgement.verdict.why.iter();
    for caution in why.filter(|text| text.contains(CAUTION)) {
        wrap(out, caution, "  ", "  ");
    }
}

/// The first step in one paragraph. That a look is kept is said by the command below it.
pub(super) fn first_step(out: &mut String, judgement: &Judgement) {
    let steps = &judgement.verdict.next;
    let is_step = |step: &&NextStep| !step.keeps_the_look();
    if let Some(step) = steps.iter().find(is_step).or(steps.first()) {
        let lead = match steps.first() {
            Some(first) if first.keeps_the_look() => {
                "  do:  first run the last line, it keeps what is seen; then "
            }
            _ => "  do:  ",
        };
        wrap(out, &in_words(step), lead, "    ");
    }
}

/// What may be broken although nothing shows it, grouped by the reason.
pub(super) fn not_tested(out: &mut String, judgement: &Judgement) {
    let mut groups: Vec<(Vec<&str>, &str, &str)> = Vec::new();
    for item in &judgement.not_tested {
        match groups
            .iter_mut()
            .find(|(_, why, when)| *why == item.why && *when == item.when)
        {
            Some((ids, _, _)) => ids.push(item.id),
            None => groups.push((vec![item.id], &item.why, &item.when)),
        }
    }
    let lines: Vec<String> = groups
        .into_iter()
        .map(|(ids, why, when)| format!("{}: {why}; {when}", ids.join(", ")))
        .collect();
    let lines = lines.iter().map(String::as_str);
    section(out, "Not tested, may still be broken", lines);
}
