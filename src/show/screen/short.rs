//! One look on one screen of 24 lines of 80 columns: what a technician reads with gloves on.
//!
//! Danger comes first, then the verdict with its reason, then where the look was kept, what to do, what else
//! was seen, what is not tested, the numbers, the line, the next command. All else is in [`super::look`].

use std::fmt::Write as _;

use packside_profiles::Class;
use packside_profiles::model::{Profile, Severity};

use super::parts::{Colours, headline, link_text};
use super::{reasons, table};
use crate::event::{LinkFacts, LinkKind};
use crate::facts::fact::{Fact, Line};
use crate::facts::{Finding, Judgement, NextStep, VerdictKind, Why};
use crate::show::paper::{labelled, wrap};
use crate::words;

/// Lines of a small terminal.
const ROWS: usize = 24;

/// Renders one judgement for a glance: with room between its parts, where the terminal has it.
pub fn glance(
    judgement: &Judgement,
    profile: Option<&Profile>,
    link: Option<&LinkFacts>,
    around: &super::Around<'_>,
) -> String {
    let airy = laid_out(judgement, profile, link, around, "\n");
    if airy.lines().count() <= ROWS {
        return airy;
    }
    laid_out(judgement, profile, link, around, "")
}

/// The parts in their order, `gap` between those that need none.
fn laid_out(
    judgement: &Judgement,
    profile: Option<&Profile>,
    link: Option<&LinkFacts>,
    around: &super::Around<'_>,
    gap: &str,
) -> String {
    let mut head = String::new();
    for danger in reasons::cautions(judgement) {
        wrap(&mut head, &danger, "", "  ");
    }
    headline(&mut head, "", judgement, around.colour);
    who(&mut head, judgement, profile, link);
    if let Some(why) = reasons::why_in_short(judgement) {
        labelled(&mut head, "Why", &why);
    }
    let _ = writeln!(head);
    if let Some(kept) = around.kept {
        labelled(
            &mut head,
            "Saved",
            &format!("{kept} (keep it: some units forget)"),
        );
    }
    let mut tail = gap.to_owned();
    also(&mut tail, judgement);
    untested(&mut tail, judgement);
    tail.push_str(gap);
    table::numbers(&mut tail, judgement, profile, Colours(around.colour));
    table::line(&mut tail, judgement, profile, link);
    wrap(&mut tail, CAUTION, "", "");
    // Where it is tight, what is left out says already that --full has it.
    if !(gap.is_empty() && tail.contains("--full")) {
        wrap(&mut tail, "more: --full · why: --explain", "", "");
    }
    let _ = writeln!(tail, "{}", around.command);
    let taken = head.lines().count() + tail.lines().count();
    steps(&mut head, judgement, ROWS.saturating_sub(taken));
    head + &tail
}

/// What stands under every screen, in one line.
const CAUTION: &str =
    "Hazardous voltage even when off. Advice to a licensed practitioner, no release.";

/// Who the unit is, in one line.
fn who(
    out: &mut String,
    judgement: &Judgement,
    profile: Option<&Profile>,
    link: Option<&LinkFacts>,
) {
    let identity = &judgement.identity;
    let mut parts = Vec::from_iter(identity.serial.clone());
    match (identity.members.len(), identity.modules.len()) {
        (packs @ 2.., _) => parts.push(format!("{packs} packs")),
        (_, 0) => {}
        (_, 1) => parts.push("1 module".to_owned()),
        (_, modules) => parts.push(format!("{modules} modules")),
    }
    let mut states: Vec<&str> = Vec::new();
    for member in &identity.members {
        let state = member
            .state
            .as_ref()
            .map_or("state not read", |state| &state.name);
        if !states.contains(&state) {
            states.push(state);
        }
    }
    parts.extend(states.into_iter().map(str::to_owned));
    parts.extend(profile.map(|profile| profile.profile.id.to_string()));
    match link.map(|link| (link, &link.kind)) {
        Some((_, LinkKind::Simulated { .. })) => parts.push("SIMULATED".to_owned()),
        Some((link, _)) => parts.push(link_text(link)),
        None => {}
    }
    wrap(out, &parts.join(" · "), "  ", "  ");
}

/// What to do: the first step whole, the others as far as there is room for them.
fn steps(out: &mut String, judgement: &Judgement, room: usize) {
    let is_step = |step: &&NextStep| !step.keeps_the_look();
    let steps: Vec<&NextStep> = judgement.verdict.next.iter().filter(is_step).collect();
    let mut left = room;
    for (index, step) in steps.iter().enumerate() {
        let mut text = String::new();
        let what = format!(
            "{}, {}. {}",
            words::needs(step.needs).to_uppercase(),
            words::who(step.who),
            words::begun(&words::next_step(judgement, step))
        );
        wrap(&mut text, &what, &format!("{:<3}", index + 1), "   ");
        let lines = text.lines().count();
        let is_last = index + 1 == steps.len();
        // What is left out takes a line as well.
        if index > 0 && lines + usize::from(!is_last) > left {
            let more = steps.len() - index;
            let what = if more == 1 {
                "one more step"
            } else {
                "more steps"
            };
            let _ = writeln!(out, "   {what}: --full");
            return;
        }
        left = left.saturating_sub(lines);
        out.push_str(&text);
    }
}

/// What else was seen: other roots and warnings, each in a few words; what follows from another is left out.
fn also(out: &mut String, judgement: &Judgement) {
    let told = judgement.telling_root();
    let is_else = |f: &&Finding| {
        let is_told = told.is_some_and(|root| root.id == f.id && root.unit == f.unit);
        let is_the_verdict =
            f.class == Some(Class::InverterSilent) && is_silent(judgement.verdict.kind);
        // How often others asked stands in the line about the line.
        let is_below = matches!(f.fact, Fact::Line(Line::OthersAsk { .. }));
        let is_no_news = is_told || is_the_verdict || is_below || f.severity == Severity::Notice;
        f.follows_from.is_none() && !is_no_news
    };
    let mut seen: Vec<String> = Vec::new();
    for finding in judgement.findings.iter().filter(is_else) {
        let decided = |why: &Why| matches!(why, Why::Finding { fact, .. } if *fact == finding.fact);
        let first = judgement.verdict.why.first();
        if first.is_some_and(|reason| decided(&reason.why)) {
            continue;
        }
        let text = match finding.class {
            Some(class) => words::class_in_short(class).to_owned(),
            None => words::in_short(|| words::of_finding(judgement, finding)),
        };
        if !seen.contains(&text) {
            seen.push(text);
        }
    }
    few(out, "Also", &seen, "; ", 2);
}

/// Whether the verdict says already that no inverter is heard.
fn is_silent(kind: VerdictKind) -> bool {
    matches!(
        kind,
        VerdictKind::AwaitingInverter | VerdictKind::InverterLost
    )
}

/// What may be broken although nothing shows it.
fn untested(out: &mut String, judgement: &Judgement) {
    let names: Vec<String> = judgement
        .not_tested
        .iter()
        .map(|item| words::untested(item.what))
        .collect();
    few(out, "Untested", &names, ", ", 1);
}

/// As many as so many lines hold, at least one; how many more there are is said.
fn few(out: &mut String, label: &str, all: &[String], between: &str, lines: usize) {
    let shown = |count: usize| {
        let mut text = all.get(..count).unwrap_or(all).join(between);
        if count < all.len() {
            let _ = write!(text, "{between}{} more: --full", all.len() - count);
        }
        let mut shown = String::new();
        labelled(&mut shown, label, &text);
        shown
    };
    let fits = |count: &usize| shown(*count).lines().count() <= lines;
    if !all.is_empty() {
        let most = (1..=all.len()).rev().find(fits).unwrap_or(1);
        out.push_str(&shown(most));
    }
}
