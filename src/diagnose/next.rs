//! What to do now, and what this look could not test.
//!
//! Steps are ranked by risk first (look before low voltage before unit off before live DC).

use packside_profiles::model::{Clears, LiesIn, Needs, Profile, Severity};
use packside_profiles::{Class, Role, StateKind};

use super::inverter::InverterLink;
use super::judgement::{Finding, NextStep, NotTested, ReadingQuality, VerdictKind};
use super::member::Member;

const TECHNICIAN: &str = "technician";
const LICENSED: &str = "licensed electrician";
const ANYONE: &str = "anyone on site";

fn step(id: &'static str, text: impl Into<String>, needs: Needs, who: &'static str) -> NextStep {
    NextStep {
        id,
        text: text.into(),
        needs,
        who,
    }
}

/// Next steps for one member.
pub(crate) fn steps(member: &Member, profile: &Profile, seconds_since_start: u64) -> Vec<NextStep> {
    let mut steps = match member.kind {
        VerdictKind::Normal => vec![step(
            "hand-over",
            "nothing to mend; keep this result with the visit's papers",
            Needs::Look,
            TECHNICIAN,
        )],
        VerdictKind::NotReady => condition_steps(member),
        VerdictKind::Fault => fault_steps(member),
        VerdictKind::AwaitingInverter => awaiting_steps(profile),
        VerdictKind::InverterLost => lost_steps(),
        VerdictKind::BusProblem => Vec::new(),
        VerdictKind::Undecided => undecided_steps(member, profile, seconds_since_start),
    };
    rank(&mut steps);
    steps
}

/// Lowest risk first; looking again comes after what is to be done before.
pub(crate) fn rank(steps: &mut [NextStep]) {
    steps.sort_by_key(|step| (step.id == "look-with-inverter", step.needs));
}

fn roots(member: &Member) -> impl Iterator<Item = &Finding> {
    member.findings.iter().filter(|f| {
        f.root && f.severity == Severity::Alarm && f.class != Some(Class::InverterSilent)
    })
}

fn condition_steps(member: &Member) -> Vec<NextStep> {
    roots(member)
        .map(|f| {
            step(
                "lift-condition",
                format!("{}: {}", f.id, f.to_do),
                Needs::Look,
                TECHNICIAN,
            )
        })
        .collect()
}

fn fault_steps(member: &Member) -> Vec<NextStep> {
    let mut steps = vec![step(
        "record-first",
        "before anything is switched off, restarted or reset: keep this result (--format json), some units forget at power-off",
        Needs::Look,
        TECHNICIAN,
    )];
    let mut told: Vec<&str> = Vec::new();
    for root in roots(member) {
        if told.contains(&root.id) {
            continue;
        }
        told.push(root.id);
        let (needs, who) = match root.lies_in {
            LiesIn::InverterSide => (Needs::UnitOff, LICENSED),
            LiesIn::Connection | LiesIn::Module | LiesIn::ControlUnit => {
                (Needs::UnitOff, TECHNICIAN)
            }
            _ => (Needs::Look, TECHNICIAN),
        };
        let to_do = if root.to_do.is_empty() {
            "follow the maker's manual for this flag"
        } else {
            &root.to_do
        };
        steps.push(step(
            "work-on-root",
            format!("{}: {to_do}", root.id),
            needs,
            who,
        ));
    }
    if roots(member).any(|f| matches!(f.lies_in, LiesIn::InverterSide | LiesIn::Unknown)) {
        steps.push(step(
            "isolate-and-look-again",
            "this may lie on the inverter's side: isolate it by the manual and look again before anything is returned",
            Needs::UnitOff,
            LICENSED,
        ));
    }
    if roots(member).any(|f| f.clears == Some(Clears::PowerCycle)) {
        steps.push(step(
            "does-it-return",
            "after recording: one power cycle by the manual; does the flag return?",
            Needs::UnitOff,
            TECHNICIAN,
        ));
    }
    steps
}

fn awaiting_steps(profile: &Profile) -> Vec<NextStep> {
    let port = match profile.inverter.port {
        packside_profiles::model::InverterPort::ThisBus => "this RS-485 pair",
        packside_profiles::model::InverterPort::OtherRs485 => "its own RS-485 socket",
        packside_profiles::model::InverterPort::Can => "the CAN socket",
        packside_profiles::model::InverterPort::Unknown => "the socket that the manual names",
    };
    vec![
        step(
            "inverter-powered",
            "is the inverter powered, and is this battery type chosen on its screen?",
            Needs::Look,
            ANYONE,
        ),
        step(
            "inverter-cable",
            format!(
                "connect or check the communication cable on {port}: socket, pair and polarity, common wire, line settings, address"
            ),
            Needs::LowVoltage,
            TECHNICIAN,
        ),
        step(
            "look-with-inverter",
            "then look again: what is listed as not tested can only be seen with the inverter",
            Needs::Look,
            TECHNICIAN,
        ),
    ]
}

fn lost_steps() -> Vec<NextStep> {
    vec![
        step(
            "inverter-powered",
            "is the inverter powered, was it restarted or updated?",
            Needs::Look,
            ANYONE,
        ),
        step(
            "inverter-cable",
            "check the communication cable to the inverter: seated, not chafed, common wire",
            Needs::LowVoltage,
            TECHNICIAN,
        ),
        step(
            "look-with-inverter",
            "then look again",
            Needs::Look,
            TECHNICIAN,
        ),
    ]
}

fn undecided_steps(member: &Member, profile: &Profile, seconds_since_start: u64) -> Vec<NextStep> {
    let mut steps = Vec::new();
    let starting = matches!(
        member.state,
        Some((StateKind::SelfTest | StateKind::Precharge, _))
    );
    match &member.inverter {
        InverterLink::TooEarly { remaining_s } => steps.push(step(
            "wait-silence-time",
            format!("wait {} s without touching anything, then look again", remaining_s + 5),
            Needs::Look,
            ANYONE,
        )),
        InverterLink::Unknown(_) if member.why.len() == 1 => steps.push(step(
            "watch-lamp",
            format!(
                "stop asking and watch the lamps for {} s: our own questions may keep the flag down",
                profile.inverter.silence_s
            ),
            Needs::Look,
            ANYONE,
        )),
        _ => {}
    }
    let unread = member
        .why
        .iter()
        .any(|w| w.contains("not read") || w.contains("too old") || w.contains("refused"));
    if unread {
        steps.push(step(
            "look-again",
            "look again; if the same points stay unreadable, the profile or firmware does not fit",
            Needs::Look,
            TECHNICIAN,
        ));
    }
    if member.unconfirmed {
        steps.push(step(
            "right-profile",
            "compare nameplate and firmware with the profile (packside profile show)",
            Needs::Look,
            TECHNICIAN,
        ));
    }
    if steps.is_empty() {
        let text = if starting || seconds_since_start < 5 {
            "look again in a few seconds"
        } else {
            "look again, and compare with the lamps"
        };
        steps.push(step("look-again", text, Needs::Look, TECHNICIAN));
    }
    steps
}

/// What this look could not test, although it may be broken.
pub(crate) fn not_tested(member: &Member, profile: &Profile) -> Vec<NotTested> {
    let mut list = Vec::new();
    let mut add = |id: &'static str, why: &str, when: &str| {
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
    if connected {
        add(
            "pre-charge",
            "it was over before this look",
            "at the next power-up with the inverter",
        );
    } else {
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
