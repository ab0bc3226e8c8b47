//! What to do now, and what this look could not test.
//!
//! Input: a judged member, its profile. Output: steps by risk (see `step`), and what may be broken
//! although nothing shows it.

use packside_profiles::model::{Clears, LiesIn, Needs, Profile};
use packside_profiles::{Role, StateKind};

use super::doubt::{self, DoubtKind};
use super::inverter::InverterLink;
use super::judgement::{Disposition, Finding, NextStep, NotTested, ReadingQuality, VerdictKind};
use super::measure::at_rest;
use super::member::Member;
use super::step::{Step, by_risk};

/// Next steps for one member. `causes` are the steps that settle why its inverter is not heard.
pub(crate) fn steps(
    member: &Member,
    profile: &Profile,
    seconds_since_start: u64,
    causes: &[NextStep],
) -> Vec<NextStep> {
    let mut steps = match member.kind {
        VerdictKind::Normal => vec![Step::HandOver.plain()],
        VerdictKind::NotReady => condition_steps(member),
        VerdictKind::Fault => fault_steps(member),
        VerdictKind::AwaitingInverter | VerdictKind::InverterLost => waiting_steps(profile, causes),
        // A pack that gave no valid answer keeps the rack open.
        VerdictKind::BusProblem | VerdictKind::Undecided => {
            undecided_steps(member, profile, seconds_since_start)
        }
    };
    by_risk(&mut steps);
    steps
}

fn roots(member: &Member) -> impl Iterator<Item = &Finding> {
    member.findings.iter().filter(|f| f.is_root_alarm())
}

fn condition_steps(member: &Member) -> Vec<NextStep> {
    roots(member)
        .map(|f| Step::LiftCondition.with(format!("{}: {}", f.id, f.to_do)))
        .collect()
}

fn fault_steps(member: &Member) -> Vec<NextStep> {
    let mut steps = vec![Step::RecordFirst.plain()];
    let disposed = |wanted| roots(member).find(move |f| f.disposition == Some(wanted));
    if let Some(root) = disposed(Disposition::Quarantine) {
        steps.push(Step::SetApart.with(format!("{}: {}", root.id, Step::SetApart.row().text)));
    }
    let mut told: Vec<&str> = Vec::new();
    for root in roots(member) {
        if told.contains(&root.id) {
            continue;
        }
        told.push(root.id);
        let (needs, licensed) = match root.lies_in {
            LiesIn::InverterSide => (Needs::UnitOff, true),
            LiesIn::Connection | LiesIn::Module | LiesIn::ControlUnit => (Needs::UnitOff, false),
            _ => (Needs::Look, false),
        };
        let to_do = if root.to_do.is_empty() {
            "follow the maker's manual for this flag"
        } else {
            &root.to_do
        };
        let first = if root.lies_in == LiesIn::InverterSide {
            "; nothing is returned before that"
        } else {
            ""
        };
        let text = format!("{}: {to_do}{first}", root.id);
        steps.push(Step::WorkOnRoot.needing(needs, licensed, text));
    }
    // Where the map itself says what to do at the inverter's side, a second step would say it again.
    let untold = |f: &Finding| f.to_do.is_empty() && f.lies_in == LiesIn::InverterSide;
    if roots(member).any(|f| f.lies_in == LiesIn::Unknown || untold(f)) {
        steps.push(Step::Isolate.plain());
    }
    if roots(member).any(|f| f.clears == Some(Clears::PowerCycle) && !f.returned) {
        steps.push(Step::DoesItReturn.plain());
    }
    if let Some(root) = disposed(Disposition::Claim) {
        if root.lies_in == LiesIn::Module && root.place.module.is_some() {
            steps.push(Step::FollowModule.plain());
        }
        steps.push(Step::AskMaker.plain());
    }
    steps
}

fn waiting_steps(profile: &Profile, causes: &[NextStep]) -> Vec<NextStep> {
    let port = match profile.inverter.port {
        packside_profiles::model::InverterPort::ThisBus => "this RS-485 pair",
        packside_profiles::model::InverterPort::OtherRs485 => "its own RS-485 socket",
        packside_profiles::model::InverterPort::Can => "the CAN socket",
        packside_profiles::model::InverterPort::Unknown => "the socket that the manual names",
    };
    let mut steps = vec![
        Step::InverterPowered.plain(),
        Step::InverterCable.with(format!(
            "connect or check the communication cable on {port}: socket, pair and polarity, common wire, line settings, address"
        )),
    ];
    // The causes say in which order, the list above what is never left out.
    let given = causes
        .iter()
        .filter(|step| !steps.iter().any(|s| s.id == step.id));
    let given: Vec<NextStep> = given.cloned().collect();
    let place = |id: &str| {
        causes
            .iter()
            .position(|step| step.id == id)
            .unwrap_or(usize::MAX)
    };
    steps.extend(given);
    steps.sort_by_key(|step| place(step.id));
    steps.push(Step::LookWithInverter.plain());
    steps
}

fn undecided_steps(member: &Member, profile: &Profile, seconds_since_start: u64) -> Vec<NextStep> {
    let starting = matches!(
        member.state,
        Some((StateKind::SelfTest | StateKind::Precharge, _))
    );
    let words = |kind: DoubtKind| match (kind.step(), &member.inverter) {
        (Step::MissingPack, _) => Some(format!(
            "address {}: {}",
            member.unit,
            Step::MissingPack.row().text
        )),
        (Step::WaitSilence, InverterLink::TooEarly { remaining_s }) => Some(format!(
            "wait {} s without touching anything, then look again",
            remaining_s + 5
        )),
        (Step::WatchLamp, _) => Some(format!(
            "stop asking and watch the lamps for {} s: our own questions may keep the flag down",
            profile.inverter.silence_s
        )),
        (Step::LookAgain, _) if kind == DoubtKind::NotRead => Some(
            "look again; if the same points stay unreadable, the profile or firmware does not fit"
                .to_owned(),
        ),
        (Step::LookAgain, _) if starting || seconds_since_start < 5 => {
            Some("look again in a few seconds".to_owned())
        }
        (Step::LookAgain, _) => Some("look again, and compare with the lamps".to_owned()),
        _ => None,
    };
    let mut steps = doubt::steps(&member.doubts, words);
    if steps.is_empty() {
        steps.push(Step::LookAgain.plain());
    }
    steps
}

/// Ids of what a look may be unable to test, with what they are.
pub const NOT_TESTED: &[(&str, &str)] = &[
    (
        "pre-charge",
        "charging the inverter's capacitors before the main switches close",
    ),
    ("main-switches", "whether both main switches close and open"),
    ("main-fuse", "whether the main fuse carries current"),
    (
        "inverter-side-insulation",
        "insulation of the inverter, the PV and their cables",
    ),
    (
        "current-sensor",
        "zero, sign and scale of the current sensor",
    ),
    (
        "cells-under-load",
        "resistance of cells and joints: what sags while current flows",
    ),
    (
        "cell-balance",
        "whether cells and temperatures are alike at rest",
    ),
    ("insulation", "the unit's own insulation measurement"),
];

/// What this look could not test, although it may be broken.
pub(crate) fn not_tested(member: &Member, profile: &Profile) -> Vec<NotTested> {
    let mut list = Vec::new();
    let mut add = |id: &'static str, why: &str, when: &str| {
        debug_assert!(NOT_TESTED.iter().any(|(known, _)| *known == id), "{id}");
        list.push(NotTested {
            id,
            why: why.to_owned(),
            when: when.to_owned(),
        });
    };
    let state = member.state.as_ref().map(|(kind, _)| *kind);
    let connected = matches!(state, Some(StateKind::Standby | StateKind::Running));
    let current = member
        .readings
        .iter()
        .find(|r| r.role == Role::PackCurrent)
        .and_then(|r| r.number());
    let flowing = current.is_some_and(|amps| amps.abs() > profile.unit.rest_current);
    if connected && !member.precharge_seen {
        add(
            "pre-charge",
            "no reading caught it, it was over before or between two of them",
            "at the next power-up with the inverter",
        );
    }
    if !connected {
        let why = "the switches have not been asked to close";
        let when = "at power-up with the inverter";
        add("pre-charge", why, when);
        add("main-switches", why, when);
        add("main-fuse", "no current can flow through it", when);
        add(
            "inverter-side-insulation",
            "the inverter side is not connected",
            when,
        );
    }
    if connected && !at_rest(&member.readings, profile) {
        add(
            "cell-balance",
            "current flows or cells balance, so a spread is not judged",
            "at rest",
        );
    }
    if !flowing {
        add(
            "current-sensor",
            "no current flows",
            "with a small charge and discharge",
        );
        add(
            "cells-under-load",
            "no current flows",
            "with a small charge and discharge",
        );
    }
    let insulation = member.readings.iter().find(|r| r.role == Role::Insulation);
    if insulation.is_some_and(|r| r.quality != ReadingQuality::Good) {
        add(
            "insulation",
            "the unit has no valid value now",
            "when its measurement has run",
        );
    }
    list
}
