//! What stands between the verdict and the numbers: why, what to do next, what is not tested.
//!
//! Ten seconds must do, with gloves on: a few lines each, what belongs together in one line, and the
//! rest under `--explain` and in JSON.

use std::fmt::Write as _;

use packside_profiles::Class;
use packside_profiles::model::{LiesIn, Severity};

use super::parts::{section, strength};
use crate::facts::doubt::Lack;
use crate::facts::fact::{FactKind, Follows};
use crate::facts::{
    Cause, Certainty, Disposition, Doubt, Finding, Headline, Judgement, NextStep, NotTested,
    Reason, Sight, Source, Verdict, VerdictKind, Why,
};
use crate::judge::{LIKELY, PROVEN};
use crate::show::paper::wrap;
use crate::words;

/// Most reasons, steps, or other things seen on one screen.
const MOST: usize = 6;

/// One entry: a root with all that speaks for it, or a statement for itself.
struct WhyEntry<'a> {
    root: Option<&'a Finding>,
    reasons: Vec<&'a Reason>,
}

/// Why the verdict is what it is. Each root in one entry, with how sure it is, where it lies and what
/// becomes of the part.
pub(super) fn why(out: &mut String, judgement: &Judgement) {
    let mut entries: Vec<WhyEntry<'_>> = Vec::new();
    for reason in &judgement.verdict.why {
        let root = root_of(judgement, reason);
        let same = |entry: &&mut WhyEntry<'_>| match (entry.root, root) {
            (Some(told), Some(root)) => told.id == root.id && told.unit == root.unit,
            _ => false,
        };
        match entries.iter_mut().find(same) {
            Some(entry) => entry.reasons.push(reason),
            None => entries.push(WhyEntry {
                root,
                reasons: vec![reason],
            }),
        }
    }
    // What stands whole in the first lines already is not said again.
    let is_whole = |reason: &Reason| {
        let whole = words::reason(judgement, reason);
        words::in_short(|| words::reason(judgement, reason)) == whole
    };
    let said = match deciding(judgement) {
        Some(Deciding::Reason(reason)) if is_whole(reason) => Some(reason),
        _ => None,
    };
    let only = entries.len() == 1;
    entries.retain(|entry| {
        let [reason] = entry.reasons.as_slice() else {
            return true;
        };
        let is_said = only && entry.root.is_none() && said == Some(*reason);
        !is_said && !is_caution(reason)
    });
    if entries.is_empty() {
        return;
    }
    let _ = writeln!(out, "\nWhy");
    for entry in entries.iter().take(MOST) {
        let told = entry.reasons.iter().take(2);
        let told: Vec<String> = told.map(|one| words::reason(judgement, one)).collect();
        let mut text = told.join("; ");
        if entry.reasons.len() > 2 {
            let _ = write!(text, "; and {} more", entry.reasons.len() - 2);
        }
        wrap(out, &text, "  - ", "    ");
        if let Some(root) = entry.root {
            wrap(out, &of_root(root), "      = ", "      ");
        }
    }
    more(out, entries.len());
}

/// The root that a reason is about.
fn root_of<'a>(judgement: &'a Judgement, reason: &Reason) -> Option<&'a Finding> {
    let Why::Finding { key, fact } = &reason.why else {
        return None;
    };
    let is_it = |f: &&Finding| f.is_root_alarm() && f.key() == *key && f.fact == *fact;
    judgement.findings.iter().find(is_it)
}

fn is_caution(reason: &Reason) -> bool {
    matches!(reason.why, Why::Caution(_))
}

/// The reason that decided, in one line.
pub(super) fn in_short(out: &mut String, judgement: &Judgement) {
    if let Some(text) = deciding_in_short(judgement) {
        wrap(out, &text, "  why: ", "    ");
    }
}

/// The reason that decided, up to where it begins to explain itself.
pub(super) fn deciding_in_short(judgement: &Judgement) -> Option<String> {
    words::in_short(|| {
        Some(match deciding(judgement)? {
            Deciding::Reason(reason) => {
                words::reason(judgement, reason) + &why_silent(&judgement.verdict)
            }
            Deciding::Cause(text) => text,
        })
    })
}

/// Why, beside a headline. Of a root: what shows it and how sure that is, where it lies, and whether it may be claimed.
pub(super) fn why_in_short(judgement: &Judgement) -> Option<String> {
    let kind = judgement.verdict.kind;
    let decides = matches!(kind, VerdictKind::Fault | VerdictKind::NotReady);
    let Some(root) = judgement.telling_root().filter(|_| decides) else {
        return deciding_in_short(judgement);
    };
    let same = |f: &Finding| f.is_root_alarm() && f.id == root.id && f.unit == root.unit;
    let said = |f: &Finding| same(f) && f.source == Source::Flag;
    let said = judgement.findings.iter().any(said);
    let found = words::in_short(|| words::of_finding(judgement, root));
    // What is no number stands in no headline.
    let measured = match root.fact.kind() {
        FactKind::SwitchesAgainstState => found.clone(),
        _ => "measured".to_owned(),
    };
    let shown = match (root.fact.has_deciding_number(), root.source) {
        (true, _) if said => format!("{measured}, and the unit's own alarm says the same"),
        (true, _) => format!("{measured}; no alarm of the unit says so"),
        (false, Source::Flag) => format!("only the unit says so, \"{found}\""),
        (false, _) => found,
    };
    Some(format!(
        "{}: {shown}; {}",
        sure_of(root),
        standing_of(judgement, root)
    ))
}

fn sure_of(root: &Finding) -> &'static str {
    match root.sure {
        Certainty::Open => "open whether it is this unit",
        sure => sure.id(),
    }
}

/// Where a root lies, and whether its part may be claimed or charged.
fn standing_of(judgement: &Judgement, root: &Finding) -> String {
    let becomes = match root.disposition {
        Some(Disposition::IsolateAndLookAgain) => "; file no claim yet",
        Some(Disposition::Claim) => "; ask the maker to take it back",
        Some(Disposition::Quarantine) => "; do not charge or install it",
        Some(Disposition::StayAway | Disposition::CorrectOnSite) | None => "",
    };
    let cached = |f: &Finding| f.fact.kind() == FactKind::HeartbeatStill && !f.root;
    let old = if judgement.findings.iter().any(cached) {
        "; these numbers may be old"
    } else if root.class == Some(Class::InternalCommunication) {
        "; cells and sensors shown may be old"
    } else {
        ""
    };
    format!("{}{becomes}{old}", it_lies(root))
}

/// How sure the telling root of a fault is, where it lies, and what becomes of the part.
pub fn standing(judgement: &Judgement) -> Option<String> {
    let is_fault = judgement.verdict.kind == VerdictKind::Fault;
    let root = judgement.telling_root().filter(|_| is_fault)?;
    Some(format!(
        "{}; {}",
        sure_of(root),
        standing_of(judgement, root)
    ))
}

/// What decided.
enum Deciding<'a> {
    Reason(&'a Reason),
    Cause(String),
}

/// The reason that decided: of a fault what says most of its first root, of silence its likeliest cause.
fn deciding(judgement: &Judgement) -> Option<Deciding<'_>> {
    let verdict = &judgement.verdict;
    // Of what is open, that which the headline names.
    let named = |reason: &&Reason| match (&reason.why, &verdict.headline) {
        (Why::Doubts(doubts), Headline::Open { first, .. }) => {
            doubts.iter().any(|doubt| Some(doubt.kind()) == *first)
        }
        _ => false,
    };
    let plain = || {
        let first = verdict.why.iter().find(|reason| !is_caution(reason));
        verdict.why.iter().find(named).or(first)
    };
    match verdict.kind {
        VerdictKind::Fault | VerdictKind::NotReady => {
            let root = judgement.telling_root()?;
            let of_root = |reason: &&Reason| root_of(judgement, reason) == Some(root);
            let found = verdict.why.iter().find(of_root).or_else(plain);
            found.map(Deciding::Reason)
        }
        // What the line lost, the line explains.
        VerdictKind::Undecided if is_of_line(verdict) => {
            let cause = verdict.causes.first()?;
            let seen = cause.reasons_for.first().map(words::sight);
            let seen = seen.map_or_else(String::new, |seen| format!(": {seen}"));
            let sure = strength(cause.per_mille).trim_end();
            let text = format!("{sure}, {}{seen}", words::cause(cause.kind));
            Some(Deciding::Cause(text))
        }
        VerdictKind::BusProblem if !verdict.causes.is_empty() => {
            let cause = verdict.causes.first()?;
            let said = || Some(words::reason(judgement, plain()?));
            let seen = cause.reasons_for.first().map(words::sight);
            let reason = seen.or_else(said)?;
            // None leads clearly: naming one of them would mislead.
            if cause.per_mille < LIKELY {
                let text = format!("{reason}: several causes are open");
                return Some(Deciding::Cause(text));
            }
            let sure = strength(cause.per_mille).trim_end();
            let text = format!("{sure}, {}: {reason}", words::cause(cause.kind));
            Some(Deciding::Cause(text))
        }
        _ => plain().map(Deciding::Reason),
    }
}

/// Why the inverter is not heard, where one reason is likely.
fn why_silent(verdict: &Verdict) -> String {
    let waits = matches!(
        verdict.kind,
        VerdictKind::AwaitingInverter | VerdictKind::InverterLost
    );
    let likely = |cause: &&Cause| waits && cause.per_mille >= LIKELY;
    let text = |cause: &Cause| {
        let sure = strength(cause.per_mille).trim_end();
        let seen = cause.reasons_for.first().map(words::sight);
        let seen = seen.map_or_else(String::new, |seen| format!(" ({seen})"));
        format!("; {sure}, {}{seen}", words::cause(cause.kind))
    };
    let first = verdict.causes.first().filter(likely);
    first.map_or_else(String::new, text)
}

/// Whether what keeps a verdict open was lost on a line for which one reason is likely.
pub(super) fn is_of_line(verdict: &Verdict) -> bool {
    let lost = |open: &Doubt| {
        matches!(
            open,
            Doubt::GoneSilent { .. }
                | Doubt::HeartbeatUnseen
                | Doubt::NotRead {
                    lack: Lack::NotRead | Lack::TooOld,
                    ..
                }
        )
    };
    verdict.open.first().is_some_and(lost)
        && verdict
            .causes
            .first()
            .is_some_and(|c| c.per_mille >= LIKELY)
}

/// Says how many stand elsewhere.
fn more(out: &mut String, count: usize) {
    if count > MOST {
        let _ = writeln!(out, "    and {} more (--explain)", count - MOST);
    }
}

fn of_root(root: &Finding) -> String {
    let becomes = root.disposition.map_or("", Disposition::meaning);
    format!("{} ({}), {}: {becomes}", root.id, sure(root), lies_in(root))
}

fn sure(root: &Finding) -> &'static str {
    match root.sure {
        Certainty::Open => "open, if these numbers are of this unit at all",
        sure => sure.id(),
    }
}

/// The same for a line that names no root.
fn it_lies(root: &Finding) -> &'static str {
    match root.lies_in {
        LiesIn::Module if root.class == Some(Class::InsulationLow) => {
            "in the stack, or beyond its switches: the test below tells"
        }
        _ if root.class == Some(Class::PrechargeFailed) => {
            "a load or swapped polarity at the inverter, else the main fuse or the pre-charge resistor"
        }
        LiesIn::ControlUnit if root.class == Some(Class::FuseOpen) => {
            "what blew it may lie outside"
        }
        LiesIn::Connection if root.fact.kind() == FactKind::LoneSensor => "not known yet which",
        LiesIn::Connection if root.fact.kind() == FactKind::DoesNotAddUp => {
            "its sense wires, or readings that stand still"
        }
        LiesIn::Module => "it lies in a module",
        LiesIn::ControlUnit => "it lies in the control unit",
        LiesIn::Connection => "it lies in a connection",
        LiesIn::InverterSide => "it often lies on the inverter's side",
        LiesIn::SiteCondition => "a condition, no defect of a part",
        LiesIn::Operator => "somebody set it so",
        LiesIn::Unknown => "nobody knows yet where it lies",
    }
}

fn lies_in(root: &Finding) -> &'static str {
    match root.lies_in {
        LiesIn::Module if root.class == Some(Class::InsulationLow) => {
            "in the stack, or beyond its switches: a test tells"
        }
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
    let tells = |reason: &Reason, f: &Finding| match &reason.why {
        Why::Finding { fact, .. } => *fact == f.fact,
        Why::Doubts(doubts) => doubts.iter().any(|doubt| doubt.found() == Some(&f.fact)),
        _ => false,
    };
    let untold = |f: &&Finding| {
        let why = &judgement.verdict.why;
        !why.iter().any(|reason| tells(reason, f))
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
    let mut lines: Vec<(&str, Vec<&str>, &[Sight])> = Vec::new();
    let told = judgement.verdict.causes.iter().take(5);
    for cause in told.filter(|cause| cause.per_mille >= 50) {
        let sure = strength(cause.per_mille);
        let (leading, meaning) = (
            cause.reasons_for.get(..2).unwrap_or(&cause.reasons_for),
            words::cause(cause.kind),
        );
        match lines
            .iter_mut()
            .find(|(same, _, given)| *same == sure && *given == leading)
        {
            Some((_, meanings, _)) => meanings.push(meaning),
            None => lines.push((sure, vec![meaning], leading)),
        }
    }
    let lines: Vec<String> = lines
        .into_iter()
        .map(|(sure, meanings, reasons)| {
            let because = if reasons.is_empty() {
                String::new()
            } else {
                format!(" (for it: {})", words::sights(reasons).join(", "))
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
        wrap(out, &in_words(judgement, step), &number, "     ");
    }
    more(out, steps.len());
}

fn in_words(judgement: &Judgement, step: &NextStep) -> String {
    let (needs, who) = (words::needs(step.needs), words::who(step.who));
    format!("[{needs}, {who}] {}", words::next_step(judgement, step))
}

/// The cautions that lead the reasons.
pub(super) fn cautions(judgement: &Judgement) -> impl Iterator<Item = String> {
    let why = judgement
        .verdict
        .why
        .iter()
        .filter(|reason| is_caution(reason));
    why.map(|caution| words::reason(judgement, caution))
}

/// The cautions, each a paragraph.
pub(super) fn caution(out: &mut String, judgement: &Judgement) {
    for caution in cautions(judgement) {
        wrap(out, &caution, "  ", "  ");
    }
}

/// The first step in one paragraph. That a look is kept is said above it.
pub(super) fn first_step(out: &mut String, judgement: &Judgement) {
    let steps = &judgement.verdict.next;
    let is_step = |step: &&NextStep| !step.keeps_the_look();
    if let Some(step) = steps.iter().find(is_step).or(steps.first()) {
        wrap(out, &in_words(judgement, step), "  do:  ", "    ");
    }
}

/// What may be broken although nothing shows it, grouped by the reason.
pub(super) fn not_tested(out: &mut String, judgement: &Judgement) {
    let mut groups: Vec<(Vec<String>, &NotTested)> = Vec::new();
    for item in &judgement.not_tested {
        let alike = |other: &NotTested| {
            (other.why, other.when) == (item.why, item.when) && other.units == item.units
        };
        match groups.iter_mut().find(|(_, other)| alike(other)) {
            Some((names, _)) => names.push(words::untested(item.what)),
            None => groups.push((vec![words::untested(item.what)], item)),
        }
    }
    let line = |(names, item): (Vec<String>, &NotTested)| {
        let (why, when) = (words::why_not(item), words::when(item.when));
        format!("{}: {why}; {when}", names.join(", "))
    };
    let lines: Vec<String> = groups.into_iter().map(line).collect();
    let lines = lines.iter().map(String::as_str);
    section(out, "Not tested, may still be broken", lines);
}
