//! The last line of a search: the complete next command, or the step before it.
//!
//! Does not: say how it ended.

use packside_profiles::sunspec;

use super::super::args::{FramingArg, typed};
use super::super::reach::failure_of;
use super::args::FindArgs;
use super::report::{FindReport, SearchEnd};
use crate::find::{FindEnd, Found, FoundIdentity, Listening, SelfMap};
use crate::wire::Framing;

/// The complete next command.
pub(super) fn next_command(report: &FindReport, args: &FindArgs) -> String {
    let shared = report
        .findings
        .found
        .iter()
        .find(|(_, who)| who.is_shared_address());
    if let Some((found, _)) = shared {
        return format!(
            "switch one of the two at address {} off, or give it another address, then packside find {}",
            found.unit,
            args.link.place.as_typed().unwrap_or_default()
        );
    }
    let words = match (
        &report.findings.found.first(),
        &report.ended,
        &report.findings.listened,
    ) {
        (Some((found, identity)), ..) => check_words(report, args, found, identity),
        (None, SearchEnd::Over(FindEnd::Busy), Some((Listening::Heard { .. }, _))) => {
            overhear_words(report, args)
        }
        _ => again_words(report, args),
    };
    let command = format!("packside {}", words.join(" "));
    match &report.ended {
        // Once more as it stands would end alike.
        SearchEnd::Trouble(trouble) if report.findings.found.is_empty() => {
            match failure_of(trouble).hint {
                Some(hint) => format!("{hint}; then {command}"),
                None => command,
            }
        }
        _ => command,
    }
}

/// The map with which a unit is read: a known one that fits, or the one made of what it says of itself.
pub(super) fn map_name(identity: &FoundIdentity) -> Option<&str> {
    let made = matches!(identity.described, Some(SelfMap::Made(_)));
    identity.profile().or(made.then_some(sunspec::NAME))
}

/// To look at the unit that was found.
fn check_words(
    report: &FindReport,
    args: &FindArgs,
    found: &Found,
    identity: &FoundIdentity,
) -> Vec<String> {
    let mut words = vec!["check".to_owned()];
    if let (Some(_), Some(name)) = (&report.saved, &args.save) {
        words.push(format!("--at {}", typed(name)));
    } else {
        words.extend(args.link.place.as_typed());
        if !report.findings.facts.is_gateway() {
            words.push(format!("--line {}", found.line));
        } else if report.findings.facts.framing == Framing::Rtu {
            words.push("--framing rtu".to_owned());
        }
        let profile = map_name(identity).unwrap_or("YOUR-MAP.toml");
        words.push(format!(
            "--unit {} --profile {}",
            found.unit,
            typed(profile)
        ));
    }
    words.extend(args.link.config.to_type());
    words
}

/// To judge, or only to listen to, what was overheard.
fn overhear_words(report: &FindReport, args: &FindArgs) -> Vec<String> {
    let Some((Listening::Heard { line, .. }, summary)) = &report.findings.listened else {
        return again_words(report, args);
    };
    let unit = summary.answering_units().first().copied();
    let fits = report.fitting.first().zip(unit);
    let mut words = vec![if fits.is_some() { "check" } else { "listen" }.to_owned()];
    words.extend(args.link.place.as_typed());
    words.push(match report.findings.facts.line() {
        Some(_) => format!("--line {line}"),
        None => "--framing rtu".to_owned(),
    });
    words.extend(fits.map(|((map, ..), unit)| format!("--unit {unit} --profile {}", typed(map))));
    words
}

/// To listen where all was asked or somebody else asks; to go on searching elsewhere.
fn again_words(report: &FindReport, args: &FindArgs) -> Vec<String> {
    let is_over = matches!(
        report.ended,
        SearchEnd::Over(FindEnd::Busy) | SearchEnd::Over(FindEnd::Exhausted)
    );
    let listens = is_over && !report.findings.facts.is_gateway();
    let mut words = vec![if listens { "listen" } else { "find" }.to_owned()];
    words.extend(args.link.place.as_typed());
    words.extend(args.link.place.line.map(|line| format!("--line {line}")));
    let given = args.link.place.framing.filter(|_| !listens);
    let counted_in = report
        .findings
        .resume
        .and(report.findings.resume_in)
        .map(FramingArg::from);
    words.extend(
        given
            .or(counted_in)
            .map(|framing| format!("--framing {}", framing.id())),
    );
    if !listens {
        words.extend(args.only.map(|unit| format!("--only {unit}")));
        words.extend(args.all.then(|| "--all".to_owned()));
        words.extend(
            args.save
                .as_ref()
                .map(|name| format!("--save {}", typed(name))),
        );
        let window = args.listen_first.map(|window| window.as_secs_f64());
        words.extend(window.map(|seconds| format!("--listen-first {seconds}")));
    }
    words.extend(args.link.config.to_type());
    let resume = report.findings.resume.filter(|resume| *resume > 0);
    // The words are given anew each time, but for the rest of one search.
    let is_not_asked = report.ended == SearchEnd::Over(FindEnd::NotAsked);
    if is_not_asked || resume.is_some() {
        words.extend(args.consent.as_typed().map(str::to_owned));
    }
    let missing = match args.consent.said().may_wake {
        true => "--beside-others",
        false => "--may-wake",
    };
    words.extend(is_not_asked.then(|| missing.to_owned()));
    words.extend(resume.map(|resume| format!("--resume {resume}")));
    words
}
