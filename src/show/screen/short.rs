//! One look on one screen of 24 lines of 80 columns: what a technician reads with gloves on.
//!
//! Danger comes first, then the verdict with its reason, then where the look was kept, what to do, what else
//! was seen, what is not tested, the numbers, the line, the next command. All else is in [`super::look`].

use std::fmt::Write as _;

use packside_profiles::model::{Profile, Severity};
use packside_profiles::{Class, Role, StateKind};

use super::parts::{Colours, headline, link_text};
use super::{reasons, table};
use crate::event::{LinkFacts, LinkKind};
use crate::facts::caution::Caution;
use crate::facts::fact::{Fact, FactKind, Line, Measured};
use crate::facts::{
    Cause, CauseKind, DoubtKind, Finding, Judgement, MemberSummary, NextStep, Reading, VerdictKind,
    Why,
};
use crate::judge::{LIKELY, TOUCH_LIMIT_V};
use crate::show::paper::{labelled, paper, wrap};
use crate::words;

/// Lines of a small terminal, and of a narrow one: that of a phone is higher.
fn rows() -> usize {
    if paper().width < 80 { 40 } else { 24 }
}

/// Renders one judgement for a glance: with room between its parts, where no step is lost or shortened for it.
pub fn glance(
    judgement: &Judgement,
    profile: Option<&Profile>,
    link: Option<&LinkFacts>,
    around: &super::Around<'_>,
) -> String {
    let laid = |before, gap, also| laid_out(judgement, profile, link, around, [before, gap], also);
    let ways = [
        laid("\n", "\n", 2),
        laid("\n", "", 2),
        laid("\n", "", 1),
        laid("", "", 1),
    ];
    let fitting = || {
        ways.iter()
            .filter(|(screen, _)| screen.lines().count() <= rows())
    };
    let most = fitting().map(|(_, told)| *told).max();
    let best = fitting().find(|(_, told)| Some(*told) == most);
    let [.., smallest] = &ways;
    best.unwrap_or(smallest).0.clone()
}

/// The parts in their order, what stands before the steps and between parts that need no gap, so many lines of what else
/// was seen; and how much of the steps is in it.
fn laid_out(
    judgement: &Judgement,
    profile: Option<&Profile>,
    link: Option<&LinkFacts>,
    around: &super::Around<'_>,
    [before, gap]: [&str; 2],
    also_lines: usize,
) -> (String, (usize, usize)) {
    let mut head = String::new();
    for danger in reasons::cautions(judgement) {
        wrap(&mut head, &danger, "", "  ");
    }
    headline(&mut head, "", judgement, around.colour);
    who(&mut head, judgement, profile, link);
    if let Some(why) = reasons::why_in_short(judgement) {
        labelled(&mut head, "Why", &why);
    }
    head.push_str(before);
    if let Some(kept) = around.kept {
        labelled(
            &mut head,
            "Saved",
            &format!("{kept} (keep it: some units forget)"),
        );
    }
    let mut tail = gap.to_owned();
    let mut part = String::new();
    also(&mut part, judgement, also_lines);
    untested(&mut part, judgement);
    if !part.is_empty() {
        tail.push_str(&part);
        tail.push_str(gap);
    }
    table::numbers(&mut tail, judgement, profile, Colours(around.colour));
    table::line(&mut tail, judgement, profile, link);
    wrap(&mut tail, caution(judgement), "", "");
    // Where it is tight, what is left out says already that --full has it.
    if !(gap.is_empty() && tail.contains("--full")) {
        wrap(&mut tail, "more: --full · why: --explain", "", "");
    }
    let _ = writeln!(tail, "{}", around.command);
    let taken = head.lines().count() + tail.lines().count();
    let told = steps(&mut head, judgement, rows().saturating_sub(taken));
    (head + &tail, told)
}

/// What stands under every screen, in one line: at extra-low voltage it is the current that burns.
fn caution(judgement: &Judgement) -> &'static str {
    let mut packs = judgement
        .readings
        .iter()
        .filter(|r| r.role == Role::PackVoltage)
        .peekable();
    let is_low = |r: &Reading| r.number().is_some_and(|volts| volts.abs() < TOUCH_LIMIT_V);
    match packs.peek().is_some() && packs.all(is_low) {
        true => "Live even when off, a short circuit burns. For licensed people, not a permit.",
        false => "Hazardous voltage even when off. Advice for licensed people, not a work permit.",
    }
}

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
    let mut states: Vec<String> = Vec::new();
    for member in &identity.members {
        let unknown = || {
            let read = |r: &&Reading| r.role == Role::State && r.unit == member.unit;
            let code = judgement.readings.iter().find(read).and_then(|r| r.raw);
            code.map_or("state not read".to_owned(), |code| {
                format!("state {code}, not in the register map")
            })
        };
        let state = member
            .state
            .as_ref()
            .map_or_else(unknown, |state| state.name.clone());
        let state = match waits_although_heard(judgement, profile, member) {
            true => format!("its state still \"{state}\""),
            false => state,
        };
        if !states.contains(&state) {
            states.push(state);
        }
    }
    if !states.is_empty() {
        parts.push(states.join(", "));
    }
    parts.extend(profile.map(|profile| profile.profile.id.to_string()));
    match link.map(|link| (link, &link.kind)) {
        Some((_, LinkKind::Simulated { .. })) => parts.push("SIMULATED".to_owned()),
        Some((link, _)) => parts.push(link_text(link)),
        None => {}
    }
    wrap(out, &parts.join(" · "), "  ", "  ");
}

/// Whether it says that it waits for an inverter that it heard just now.
fn waits_although_heard(
    judgement: &Judgement,
    profile: Option<&Profile>,
    member: &MemberSummary,
) -> bool {
    let waits = member.state.as_ref().map(|state| state.kind) == Some(StateKind::Waiting);
    let of_age = |r: &&Reading| r.role == Role::InverterAge && r.unit == member.unit;
    let age = judgement
        .readings
        .iter()
        .find(of_age)
        .and_then(Reading::number);
    let silence_s = profile.map_or(0.0, |profile| f64::from(profile.inverter.silence_s));
    waits && age.is_some_and(|age| age < silence_s)
}

/// A step of a judgement by its place among those that are to be done, in one sentence.
pub fn step(judgement: &Judgement, place: usize) -> Option<String> {
    let steps = to_do(judgement);
    steps.get(place).map(|one| in_words(judgement, one))
}

/// What is to be done; that the look is kept is said elsewhere.
fn to_do(judgement: &Judgement) -> Vec<&NextStep> {
    let steps = judgement.verdict.next.iter();
    steps.filter(|step| !step.keeps_the_look()).collect()
}

fn in_words(judgement: &Judgement, step: &NextStep) -> String {
    format!(
        "{}, {}. {}",
        words::needs(step.needs).to_uppercase(),
        words::who(step.who),
        words::begun(&words::next_step(judgement, step))
    )
}

/// What to do: the first step whole, as many others as there is room for, at least in short, the upper ones whole. What
/// is left out stands last. Gives how many, and how many of them whole.
fn steps(out: &mut String, judgement: &Judgement, room: usize) -> (usize, usize) {
    let steps = to_do(judgement);
    let shown = |(index, one): (usize, &&NextStep), more: &str| {
        let mut text = String::new();
        let what = in_words(judgement, one) + more;
        wrap(&mut text, &what, &format!("{:<3}", index + 1), "   ");
        text
    };
    let height = |text: &String| text.lines().count();
    let whole: Vec<String> = steps.iter().enumerate().map(|one| shown(one, "")).collect();
    let mut told: Vec<String> = Vec::new();
    for (one, whole) in steps.iter().enumerate().zip(&whole) {
        let short = words::in_short(|| shown(one, " (--full)"));
        let is_shorter = one.0 > 0 && height(&short) < height(whole);
        told.push(if is_shorter { short } else { whole.clone() });
    }
    // What is left out takes a line as well.
    let taken = |told: &[String]| {
        told.iter().map(height).sum::<usize>() + usize::from(told.len() < steps.len())
    };
    while told.len() > 1 && taken(&told) > room {
        told.pop();
    }
    let mut left = room.saturating_sub(taken(&told));
    for (told, whole) in told.iter_mut().zip(&whole) {
        let wants = height(whole) - height(told);
        if wants <= left {
            left -= wants;
            told.clone_from(whole);
        }
    }
    told.iter().for_each(|text| out.push_str(text));
    match steps.len() - told.len() {
        0 => {}
        1 => out.push_str("   one more step: --full\n"),
        _ => out.push_str("   more steps: --full\n"),
    }
    let in_full = told
        .iter()
        .zip(&whole)
        .filter(|(told, whole)| told == whole);
    (told.len(), in_full.count())
}

/// What else was seen: other roots and warnings, each in a few words; what follows from another is left out.
fn also(out: &mut String, judgement: &Judgement, lines: usize) {
    let told = judgement.telling_root();
    // Of two roots the headline names both.
    let roots = judgement.roots();
    let named = roots.get(1).filter(|_| roots.len() == 2).copied();
    let of_terminals = |why: &Why| matches!(why, Why::Caution(Caution::Contradicted { .. }));
    let warned = judgement
        .verdict
        .why
        .iter()
        .any(|reason| of_terminals(&reason.why));
    let is_else = |f: &&Finding| {
        let is_told = told.is_some_and(|root| root.id == f.id && root.unit == f.unit)
            || named.is_some_and(|named| named == f.id);
        let is_warned = warned
            && matches!(
                f.fact.kind(),
                FactKind::TerminalsLive | FactKind::TerminalsDecay
            );
        let is_the_verdict =
            f.class == Some(Class::InverterSilent) && is_silent(judgement.verdict.kind);
        // How often others asked stands in the line about the line.
        let is_below = matches!(f.fact, Fact::Line(Line::OthersAsk { .. }));
        let is_idle = f.severity == Severity::Notice && !is_stored(f);
        // A pack without an answer keeps the verdict open, and is the reason then.
        let is_missing = is_missing_pack(f) && judgement.verdict.kind == VerdictKind::Undecided;
        // What an inverter sends at other settings is no noise.
        let is_talk = f.fact.kind() == FactKind::BadLine && inverter_at_other_settings(judgement);
        // What the line lost stands above with what it suffers from.
        let verdict = &judgement.verdict;
        let is_why = f.fact.kind() == FactKind::BadLine
            && verdict.kind == VerdictKind::Undecided
            && reasons::is_of_line(verdict);
        let is_no_news = is_why
            || is_talk
            || is_told
            || is_warned
            || is_the_verdict
            || is_below
            || is_idle
            || is_missing;
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
            _ if is_perhaps_cache(finding) => {
                words::doubt_in_short(DoubtKind::PerhapsCache, None).to_owned()
            }
            Some(class) if !is_stored(finding) => words::fact_in_short(&finding.fact)
                .unwrap_or_else(|| words::class_in_short(class))
                .to_owned(),
            _ => words::in_short(|| words::of_finding(judgement, finding)),
        };
        if !seen.contains(&text) {
            seen.push(text);
        }
    }
    few(out, "Also", &seen, "; ", lines);
}

/// Whether the control unit stands only in what a gateway gives.
fn is_perhaps_cache(finding: &Finding) -> bool {
    matches!(
        finding.fact,
        Fact::Measured(Measured::HeartbeatStill {
            by_gateway: true,
            ..
        })
    )
}

/// Whether the unit remembers it and does not say it now.
fn is_stored(finding: &Finding) -> bool {
    finding.fact.kind() == FactKind::Stored
}

/// Whether it is likely that an inverter talks here at settings of its own.
fn inverter_at_other_settings(judgement: &Judgement) -> bool {
    let verdict = &judgement.verdict;
    let talks =
        |cause: &Cause| cause.kind == CauseKind::InverterLineSettings && cause.per_mille >= LIKELY;
    is_silent(verdict.kind) && verdict.causes.first().is_some_and(talks)
}

/// Whether it says of a pack that it gives no answer.
fn is_missing_pack(finding: &Finding) -> bool {
    matches!(finding.fact, Fact::Line(Line::MemberMissing { .. }))
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
