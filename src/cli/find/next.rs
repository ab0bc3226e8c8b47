//! The last line of a search: the complete next command, or the step before it.
//!
//! Does not: say how it ended.

use super::ask::words_of;
use super::{FindArgs, FindReport, SearchEnd};
use crate::find::{Found, FoundIdentity, Listening};
use crate::wire::Framing;

/// The complete next command.
pub(super) fn next_command(report: &FindReport, args: &FindArgs) -> String {
    let shared = report.found.iter().find(|(_, who)| who.is_shared_address());
    if let Some((found, _)) = shared {
        return format!(
            "switch one of the two at address {} off, or give it another address, then packside find {}",
            found.unit,
            args.link.place.as_typed().unwrap_or_default()
        );
    }
    let words = match (&report.found.first(), &report.ended, &report.listened) {
        (Some((found, identity)), ..) => check_words(report, args, found, identity),
        (None, SearchEnd::Busy, Some((Listening::Heard { .. }, _))) => overhear_words(report, args),
        _ => again_words(report, args),
    };
    let command = format!("packside {}", words.join(" "));
    match &report.ended {
        // Once more as it stands would end alike.
        SearchEnd::Trouble(trouble) if report.found.is_empty() => match words_of(trouble).hint {
            Some(hint) => format!("{hint}; then {command}"),
            None => command,
        },
        _ => command,
    }
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
        words.push(format!("--at {name}"));
    } else {
        words.extend(args.link.place.as_typed());
        if !report.facts.is_gateway() {
            words.push(format!("--line {}", found.line));
        } else if report.facts.framing == Framing::Rtu {
            words.push("--framing rtu".to_owned());
        }
        let profile = identity.profile().unwrap_or("YOUR-MAP.toml");
        words.push(format!("--unit {} --profile {profile}", found.unit));
    }
    let config = args.link.config.folder();
    words.extend(
        config
            .iter()
            .map(|folder| format!("--config {}", folder.display())),
    );
    words
}

/// To judge, or only to listen to, what was overheard.
fn overhear_words(report: &FindReport, args: &FindArgs) -> Vec<String> {
    let Some((Listening::Heard { line, .. }, summary)) = &report.listened else {
        return again_words(report, args);
    };
    let unit = summary.answering_units().first().copied();
    let fits = report.fitting.first().zip(unit);
    let mut words = vec![if fits.is_some() { "check" } else { "listen" }.to_owned()];
    words.extend(args.link.place.as_typed());
    words.push(match report.facts.line() {
        Some(_) => format!("--line {line}"),
        None => "--framing rtu".to_owned(),
    });
    words.extend(fits.map(|((map, ..), unit)| format!("--unit {unit} --profile {map}")));
    words
}

/// To listen where all was asked or somebody else asks; to go on searching elsewhere.
fn again_words(report: &FindReport, args: &FindArgs) -> Vec<String> {
    let is_over = matches!(report.ended, SearchEnd::Busy | SearchEnd::Exhausted);
    let listens = is_over && !report.facts.is_gateway();
    let mut words = vec![if listens { "listen" } else { "find" }.to_owned()];
    words.extend(args.link.place.as_typed());
    words.extend(args.link.place.line.map(|line| format!("--line {line}")));
    words.extend(
        args.only
            .filter(|_| !listens)
            .map(|unit| format!("--only {unit}")),
    );
    words.extend((args.all && !listens).then(|| "--all".to_owned()));
    let resume = report.resume.filter(|resume| *resume > 0);
    words.extend(resume.map(|resume| format!("--resume {resume}")));
    if report.ended == SearchEnd::NotAsked {
        let said = args.consent.said();
        words.extend(args.consent.as_typed().map(str::to_owned));
        words.push(
            if said.may_wake {
                "--beside-others"
            } else {
                "--may-wake"
            }
            .to_owned(),
        );
    }
    words
}
