//! The first parts of the page: verdict, next step, cautions, who and where.
//!
//! Does not: draw (`figures`), or leave out what speaks against the unit, whoever reads it.

use packside_profiles::Role;
use packside_profiles::model::{Needs, Profile};

use super::facts;
use super::found;
use super::html::Html;
use super::parts::{Parts, folded, section, table};
use super::words;
use crate::facts::{Cause, NextStep, Sight, StepKind, VerdictKind};
use crate::judge::LIKELY;
use crate::show::screen;
use crate::words as sentence;

/// Who is it about, and when.
pub(crate) fn title(html: &mut Html, parts: &Parts) {
    html.around("h1", &[], |h1| {
        h1.text("Record of a visit to the battery unit ");
        h1.put("strong", &[], &parts.serial());
    });
    let (begun, again) = parts.sittings();
    let again = again.map_or_else(String::new, |again| format!("; gone on with at {again}"));
    html.put(
        "p",
        &[("class", "soft")],
        &format!("{begun}{again} (local time and its offset to UTC)"),
    );
    if parts.is_simulated() {
        html.put(
            "p",
            &[("class", "stamp")],
            "SIMULATED: made with the built-in simulator. There was no real unit, and nothing here is about one.",
        );
    }
}

/// The verdict as shown on site, and as judged today where that differs.
pub(crate) fn verdict(html: &mut Html, parts: &Parts) {
    let today = &parts.source.judgement.verdict;
    let shown = parts.source.session.last_shown();
    let kind = shown.map_or(Some(today.kind), |shown| words::kind_of(&shown.verdict));
    let (sign, class) = words::sign(kind);
    html.around("section", &[("class", "verdict")], |section| {
        section.put("h2", &[], "Verdict");
        section.around("div", &[], |inner| {
            inner.around("p", &[("class", "head")], |head| {
                head.put("span", &[("class", class), ("aria-hidden", "true")], sign);
                let unknown = || shown.map_or_else(String::new, |s| s.verdict.clone());
                let text = kind.map_or_else(unknown, |kind| words::verdict(kind).to_owned());
                head.put("span", &[], &text);
            });
            if let Some(kind) = kind.filter(|_| !parts.for_desk()) {
                inner.put("p", &[], words::verdict_for_customer(kind));
            }
            summary(inner, parts);
            if parts.for_desk() && !today.why.is_empty() {
                inner.around("ul", &[], |list| {
                    for why in sentence::reasons(parts.source.judgement) {
                        list.put("li", &[], &why);
                    }
                    if let Some(standing) = screen::standing(parts.source.judgement) {
                        list.put("li", &[], &standing);
                    }
                });
            }
            causes(inner, parts);
            said(inner, parts);
        });
    });
}

/// The verdict in one sentence, as it was shown on site where it was.
fn summary(html: &mut Html, parts: &Parts) {
    let now = sentence::summary(parts.source.judgement);
    match parts.source.session.last_shown() {
        None => html.put("p", &[], &now),
        Some(shown) if parts.for_desk() => html.put("p", &[], &shown.summary),
        Some(_) => html,
    };
}

/// What was shown when, and whether it would be shown again.
fn said(html: &mut Html, parts: &Parts) {
    let (session, today) = (parts.source.session, &parts.source.judgement.verdict);
    let summary = sentence::summary(parts.source.judgement);
    let Some(shown) = session.last_shown() else {
        html.put(
            "p",
            &[("class", "differs")],
            "No verdict was shown on site, or the recording was cut before it. This one was judged now, from what is recorded.",
        );
        return;
    };
    let same = shown.verdict == today.kind.id() && shown.summary == summary;
    let again = match same {
        true => format!(
            " Judged again by packside {} from the recorded bytes: the same.",
            env!("CARGO_PKG_VERSION")
        ),
        false => String::new(),
    };
    html.put(
        "p",
        &[("class", "soft small")],
        &format!(
            "Shown on site at {} by packside {}.{again}",
            words::local(&session.start, shown.at),
            shown.tool
        ),
    );
    if !same {
        html.put(
            "p",
            &[("class", "differs")],
            &format!(
                "Judged again by packside {} from the recorded bytes, it is another: {}. {}",
                env!("CARGO_PKG_VERSION"),
                words::verdict(today.kind),
                if parts.for_desk() {
                    &summary
                } else {
                    words::verdict_for_customer(today.kind)
                }
            ),
        );
    }
}

/// Weighed reasons of a line that does badly, or of a silent inverter: the first one, where it leads, then all of them,
/// folded, so that the next step stays in sight.
fn causes(html: &mut Html, parts: &Parts) {
    let causes = &parts.source.judgement.verdict.causes;
    let Some(first) = causes.first().filter(|_| parts.for_desk()) else {
        return;
    };
    if first.per_mille >= LIKELY {
        let sure = screen::strength(first.per_mille).trim_end();
        let text = format!("{sure}: {}", sentence::cause(first.kind));
        html.put("p", &[], &sentence::begun(&text));
    }
    folded(
        html,
        "What may be behind it, the likeliest first",
        |inner| {
            inner.around("ol", &[], |list| {
                for cause in causes.iter().take(5) {
                    list.put("li", &[], &weighed(cause));
                }
            });
        },
    );
}

/// A cause with what speaks for and against it.
fn weighed(cause: &Cause) -> String {
    let seen = |lead: &str, sights: &[Sight]| match sights {
        [] => String::new(),
        sights => format!("; {lead}: {}", sentence::sights(sights).join(", ")),
    };
    format!(
        "{}{}{}",
        sentence::cause(cause.kind),
        seen("for it", &cause.reasons_for),
        seen("against", &cause.reasons_against)
    )
}

/// What may be broken all the same.
pub(crate) fn not_tested(html: &mut Html, parts: &Parts) {
    let items = &parts.source.judgement.not_tested;
    section(html, "Not tested", |inner| {
        if items.is_empty() {
            let nothing = match parts.source.judgement.verdict.kind {
                VerdictKind::BusProblem => "Nothing was tested: no valid answer came.",
                _ => "No list: what a look can tell was looked at. What it cannot tell stays open.",
            };
            inner.put("p", &[], nothing);
            return;
        }
        inner.put(
            "p",
            &[],
            "This could not be tested so far. It may be broken all the same.",
        );
        let rows: Vec<Vec<String>> = items
            .iter()
            .map(|item| {
                vec![
                    sentence::begun(&sentence::untested(item.what)),
                    sentence::why_not(item),
                    sentence::when(item.when),
                ]
            })
            .collect();
        let names: Vec<String> = items.iter().map(|i| sentence::untested(i.what)).collect();
        inner.put(
            "p",
            &[],
            &format!("{}.", sentence::begun(&names.join(", "))),
        );
        folded(inner, "Why not, and when it can be", |details| {
            table(details, "", &["What", "Why not", "When it can be"], &rows);
        });
    });
}

/// What to do, lowest risk first. A customer is asked to look, nothing else.
pub(crate) fn next(html: &mut Html, parts: &Parts) {
    let steps = &parts.source.judgement.verdict.next;
    section(html, "Next step", |inner| {
        // Who reads this holds what was kept.
        let is_kept = |step: &&NextStep| !step.keeps_the_look() || steps.len() == 1;
        let steps: Vec<&NextStep> = steps.iter().filter(is_kept).collect();
        let told: Vec<&NextStep> = steps
            .iter()
            .copied()
            .filter(|step| parts.for_desk() || is_for_customers(step))
            .collect();
        if !told.is_empty() {
            inner.around("ol", &[], |list| {
                for step in &told {
                    list.around("li", &[], |item| {
                        item.put("span", &[("class", "needs")], words::needs(step.needs));
                        let text = sentence::next_step(parts.source.judgement, step);
                        item.text(&format!(" {text} ({})", sentence::who(step.who)));
                    });
                }
            });
        }
        match steps.len() - told.len() {
            0 if steps.is_empty() => inner.put("p", &[], "None."),
            0 => inner,
            _ => inner.put("p", &[], NOT_FOR_CUSTOMERS),
        };
        if !parts.for_desk() {
            inner.put("p", &[], "Please look only, and touch nothing.");
        }
    });
}

/// Whether somebody without tools can do it: listening to a line is none of their business.
fn is_for_customers(step: &NextStep) -> bool {
    step.needs == Needs::Look && step.kind() != StepKind::LineToo
}

const NOT_FOR_CUSTOMERS: &str =
    "There is more to do, and all of it is work for a qualified person.";

/// What every report must carry.
pub(crate) fn cautions(html: &mut Html) {
    html.around("section", &[("class", "cautions")], |section| {
        section.put("h2", &[], "Caution");
        section.around("div", &[], |inner| {
            for text in [
                "Battery stacks hold hazardous voltage even when switched off. The stack itself cannot be made dead; only \
                 the far side of an open isolator can be proven dead, with a rated two-pole tester. Short-circuit current \
                 welds tools and burns, at 48 V as well. Never open DC connectors or breakers under load; wait for the \
                 inverter's capacitors.",
                "Hot, hissing, smoking, swollen or smelling: leave, call the fire service. Flooded: stay out of the water, do not power it. A cell \
                 below its maker's absolute minimum, or one that cannot be read: do not charge, do not install, set it \
                 apart, ask the maker. A damaged or suspect lithium battery does not travel as ordinary goods (UN special \
                 provision 376).",
                "All of it is work for qualified people under local codes, with the maker's manual and protective \
                 equipment. Nothing on this page is a release for work or a proof of absence of voltage. A verdict is \
                 advice to a licensed practitioner, who decides.",
            ] {
                inner.put("p", &[], text);
            }
        });
    });
}

/// Who, where, what, how.
pub(crate) fn visit(html: &mut Html, parts: &Parts) {
    let source = parts.source;
    let identity = &source.judgement.identity;
    let said = |step: &str| parts.facts.answer(step).filter(|a| !a.value.is_left_out());
    let answer = |step: &str| said(step).map(|a| a.value.text().clean().into_owned());
    let not_said = || "not said".to_owned();
    section(html, "Who, where, what", |inner| {
        inner.around("dl", &[], |list| {
            let mut pair = |name: &str, text: &str| {
                list.put("dt", &[], name).put("dd", &[], text);
            };
            pair("Done by", &answer("who").unwrap_or_else(not_said));
            pair("Site", &answer("where").unwrap_or_else(not_said));
            let (begun, again) = parts.sittings();
            pair("Begun", &begun);
            if let Some(again) = again {
                pair("Gone on with", &again);
            }
            pair("Unit", &parts.serial());
            let text =
                |known: &Option<String>| known.clone().unwrap_or_else(|| "not read".to_owned());
            pair("Model", &text(&identity.model));
            pair("Firmware of the control unit", &text(&identity.firmware));
            let inverter = answer("inverter-setting").or_else(|| answer("inverter"));
            pair(
                "Inverter and its battery setting",
                &inverter.unwrap_or_else(not_said),
            );
            if parts.for_desk() {
                if let Some(profile) = source.profile {
                    let head = &profile.profile;
                    let verified = if head.verified_on_hardware {
                        "compared with a real unit"
                    } else {
                        "never compared with a real unit"
                    };
                    let sha = source
                        .profile_sha256
                        .get(..12)
                        .unwrap_or(source.profile_sha256);
                    pair(
                        "Register map",
                        &format!("{} ({sha}), {}; {verified}", head.id, head.title.clean()),
                    );
                }
                if let Some(link) = source.session.link() {
                    pair("Reached by", &facts::link_text(link, parts.options));
                    if let Some(plugged) = link.plugged {
                        pair("Plugged in", &words::named(&plugged.id().replace('-', " ")));
                    }
                }
                let has_clock = |profile: &Profile| {
                    let mut points = profile.points.iter();
                    points.any(|point| point.role == Role::UnitClock)
                };
                let error = facts::clock_error(source);
                let named = source.profile.is_some_and(has_clock);
                pair("Clock of the unit", &words::clock_error(error, named));
            }
        });
        modules(inner, parts);
    });
}

/// Modules and packs with what they say of themselves.
fn modules(html: &mut Html, parts: &Parts) {
    let identity = &parts.source.judgement.identity;
    let text = |known: &Option<String>| known.clone().unwrap_or_else(|| "not read".to_owned());
    if identity.members.len() > 1 {
        let rows: Vec<Vec<String>> = identity
            .members
            .iter()
            .map(|m| {
                let state = m
                    .state
                    .as_ref()
                    .map_or("not read", |state| state.name.as_str());
                let read = |role: Role| {
                    let mut mine = parts.source.judgement.readings.iter();
                    let found = mine.find(|r| r.unit == m.unit && r.role == role);
                    found.map_or_else(|| "not read".to_owned(), found::value)
                };
                vec![
                    m.unit.to_string(),
                    text(&m.serial),
                    text(&m.firmware),
                    state.to_owned(),
                    read(Role::PackVoltage),
                    read(Role::PackCurrent),
                    read(Role::Soc),
                    words::verdict(m.kind).to_owned(),
                ]
            })
            .collect();
        html.put("h3", &[], "Packs");
        let columns = [
            "Address",
            "Serial number",
            "Firmware",
            "State",
            "Voltage",
            "Current",
            "Charge",
            "By itself",
        ];
        table(html, "", &columns, &rows);
    }
    if !identity.modules.is_empty() {
        let rows: Vec<Vec<String>> = identity
            .modules
            .iter()
            .map(|m| vec![m.position.to_string(), text(&m.serial), text(&m.firmware)])
            .collect();
        html.put("h3", &[], "Modules, as they say");
        table(html, "", &["Position", "Serial number", "Firmware"], &rows);
    }
}
