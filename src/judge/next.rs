//! What to do now, and what this look could not test.
//!
//! Input: a judged member, its profile. Output: steps by risk (see `step`), and what may be broken
//! although nothing shows it.

use packside_profiles::model::{Clears, LiesIn, Needs, Profile, Severity};
use packside_profiles::{Class, Role, StateKind};

use super::inverter::InverterLink;
use super::measure::at_rest;
use super::member::Member;
use crate::facts::doubt::{Doubt, DoubtKind, Lack};
use crate::facts::fact::{Deed, Remedy};
use crate::facts::judgement::{
    Disposition, Finding, NotTested, Reading, ReadingQuality, Source, VerdictKind,
};
use crate::facts::step::{NextStep, Step, by_risk};
use crate::words;

/// Next steps for one member. `causes` are the steps that settle why its inverter is not heard.
pub(crate) fn steps(
    member: &Member,
    profile: &Profile,
    seconds_since_start: u64,
    causes: &[NextStep],
) -> Vec<NextStep> {
    let mut steps = match member.kind {
        VerdictKind::Normal => vec![hand_over(member)],
        VerdictKind::NotReady => condition_steps(member, profile),
        VerdictKind::Fault => fault_steps(member, profile),
        VerdictKind::AwaitingInverter | VerdictKind::InverterLost => {
            waiting_steps(member, profile, causes)
        }
        // A pack that gave no valid answer keeps the rack open.
        VerdictKind::BusProblem | VerdictKind::Undecided => {
            undecided_steps(member, profile, seconds_since_start)
        }
    };
    by_risk(&mut steps);
    steps
}

/// Nothing is mended where nothing is wrong, and what was remarked is not passed over.
fn hand_over(member: &Member) -> NextStep {
    let remarked = |f: &&Finding| f.severity == Severity::Warning;
    match member.findings.iter().find(remarked) {
        Some(one) => Step::HandOver.with(format!(
            "no fault was found; settle what was remarked ({}) before it is handed over, and keep this result with the \
             visit's papers",
            one.id
        )),
        None => Step::HandOver.plain(),
    }
}

/// The same where the line, not the unit, wants something first.
pub(crate) fn hand_over_later() -> NextStep {
    Step::HandOver.with(
        "no fault was found in the unit; look at the line as well, and keep this result with the visit's papers",
    )
}

fn roots(member: &Member) -> impl Iterator<Item = &Finding> {
    member.findings.iter().filter(|f| f.is_root_alarm())
}

/// What lifts a condition, each thing to do once, whatever says that it is needed.
fn condition_steps(member: &Member, profile: &Profile) -> Vec<NextStep> {
    let mut by_deed: Vec<(&Remedy, Vec<&str>, bool)> = Vec::new();
    for root in roots(member) {
        let charging = root.class.is_some_and(is_low);
        // What its flag and the numbers say of one class is one thing to do.
        let same = |(deed, ids, is_charging): &&mut (&Remedy, Vec<&str>, bool)| {
            **deed == root.to_do || ids.contains(&root.id) || (charging && *is_charging)
        };
        match by_deed.iter_mut().find(same) {
            Some((_, ids, _)) if ids.contains(&root.id) => {}
            Some((_, ids, _)) => ids.push(root.id),
            None => by_deed.push((&root.to_do, vec![root.id], charging)),
        }
    }
    let step = |(deed, ids, charging): (&Remedy, Vec<&str>, bool)| {
        let needs = if charging { Needs::LiveDc } else { Needs::Look };
        let cold = ids.contains(&Class::UnderTemperature.id());
        let first = if cold {
            "do not charge while it is cold; "
        } else {
            ""
        };
        let deed = words::to_do(deed, profile);
        let text = format!("{}: {first}{deed}", ids.join(", "));
        Step::LiftCondition.needing(needs, false, text)
    };
    by_deed.into_iter().map(step).collect()
}

/// Whether it is charging that lifts it.
fn is_low(class: Class) -> bool {
    matches!(
        class,
        Class::LowCharge | Class::CellUnderVoltage | Class::PackUnderVoltage
    )
}

fn fault_steps(member: &Member, profile: &Profile) -> Vec<NextStep> {
    let mut steps = Vec::new();
    let disposed = |wanted| roots(member).find(move |f| f.disposition == Some(wanted));
    if let Some(root) = disposed(Disposition::Quarantine) {
        let place = whereabouts(member, root.id);
        let text = format!("{}{place}: {}", root.id, Step::SetApart.row().text);
        steps.push(Step::SetApart.with(text));
    }
    steps.extend(at_the_roots(member, profile));
    // Where the map itself says what to do at the inverter's side, a second step would say it again.
    let untold = |f: &Finding| is_untold(f) && f.lies_in == LiesIn::InverterSide;
    let nobody_knows =
        |f: &Finding| f.lies_in == LiesIn::Unknown && f.class != Some(Class::SwitchFault);
    if roots(member).any(|f| nobody_knows(f) || untold(f)) {
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
    let hides = |doubt: &Doubt| matches!(doubt, Doubt::MayHide { .. });
    if member.doubts.iter().any(hides) {
        steps.push(Step::BehindTheCode.plain());
    }
    let silent =
        |f: &&Finding| f.class == Some(Class::InverterSilent) && f.severity != Severity::Notice;
    if member.findings.iter().any(|f| silent(&f)) {
        steps.push(Step::InverterCableToo.plain());
    }
    if steps.iter().any(|step| step.needs >= Needs::UnitOff) {
        steps.insert(0, Step::RecordFirst.plain());
    }
    steps
}

/// Whether nobody says what to do about it.
fn is_untold(root: &Finding) -> bool {
    root.to_do == Remedy::default()
}

/// What each root wants, once for each id.
fn at_the_roots(member: &Member, profile: &Profile) -> Vec<NextStep> {
    let has = |class| roots(member).any(|f| f.class == Some(class));
    let never_charge = has(Class::CellBelowMinimum);
    let odd_low_cell = has(Class::CellImbalance) && has(Class::CellUnderVoltage);
    let mut told: Vec<&str> = Vec::new();
    let mut steps = Vec::new();
    for root in roots(member) {
        if told.contains(&root.id) {
            continue;
        }
        told.push(root.id);
        let low = root.class.is_some_and(is_low);
        // Nothing is charged while a cell must never be charged again; that one is set apart, above.
        let set_apart = root.disposition == Some(Disposition::Quarantine);
        if never_charge && low || set_apart && root.class != Some(Class::SensorFault) {
            continue;
        }
        // One low cell and what makes it, or what it makes, want one thing, and no charge before it.
        if (odd_low_cell || has(Class::CellResistance))
            && root.class == Some(Class::CellUnderVoltage)
        {
            continue;
        }
        let (ids, first) = if odd_low_cell && root.class == Some(Class::CellImbalance) {
            (
                format!("{}, {}", Class::CellUnderVoltage.id(), root.id),
                "stop the inverter, neither charge nor discharge; ",
            )
        } else {
            (root.id.to_owned(), "")
        };
        let to_do = if is_untold(root) {
            "follow the maker's manual for this flag".to_owned()
        } else {
            words::to_do(&root.to_do, profile)
        };
        let last = match root.class {
            Some(Class::PrechargeFailed) => "; then the main fuse and the pre-charge resistor",
            _ => "",
        };
        let returned = match root.lies_in {
            LiesIn::InverterSide => "; nothing is returned before that",
            _ => "",
        };
        let place = whereabouts(member, root.id);
        let text = format!("{ids}{place}: {first}{to_do}{last}{returned}");
        let (needs, licensed) = risk(root);
        if root.class == Some(Class::InsulationLow) && needs == Needs::LiveDc {
            steps.push(Step::Isolate.with(
                "insulation-low: unit off, open the isolator to the inverter, unit on, all by the manual, and look again: \
                 still low, it is the stack or its cables; risen, the inverter's side",
            ));
        }
        steps.push(Step::WorkOnRoot.needing(needs, licensed, text));
    }
    steps
}

/// What the work at a root needs, and whether an electrician's licence.
///
/// Cells cannot be switched off: whoever opens the cables between modules, a joint or a sense wire works
/// on live DC, whatever the main switches say.
fn risk(root: &Finding) -> (Needs, bool) {
    use Class as C;
    let inside = matches!(root.lies_in, LiesIn::Module | LiesIn::Connection);
    match root.class {
        Some(C::InsulationLow) if inside => (Needs::LiveDc, true),
        Some(C::CellResistance) => (Needs::LiveDc, true),
        Some(C::SensorFault) if matches!(root.to_do.deed, Deed::SenseWire { .. }) => {
            (Needs::LiveDc, true)
        }
        Some(C::SwitchFault) if matches!(root.to_do.deed, Deed::OpenIsolators { .. }) => {
            (Needs::LiveDc, true)
        }
        // Its switches may not obey, so that nothing can be said to be off.
        Some(C::ControlUnitFault) if root.source == Source::Measured => (Needs::LiveDc, false),
        Some(C::SwitchFault | C::FuseOpen | C::PrechargeFailed | C::ShortCircuit) => {
            (Needs::UnitOff, true)
        }
        Some(class) if is_low(class) => (Needs::LiveDc, false),
        Some(
            C::CellImbalance
            | C::CellOverVoltage
            | C::PackOverVoltage
            | C::TemperatureImbalance
            | C::OverTemperature
            | C::OverCurrent
            | C::ChargingOutside
            | C::ConfigurationFault,
        ) => (Needs::Look, false),
        _ => match root.lies_in {
            LiesIn::InverterSide | LiesIn::Unknown => (Needs::UnitOff, true),
            LiesIn::Connection | LiesIn::Module | LiesIn::ControlUnit => (Needs::UnitOff, false),
            LiesIn::SiteCondition | LiesIn::Operator => (Needs::Look, false),
        },
    }
}

/// Where roots of this id are, as far as a place is known.
fn whereabouts(member: &Member, id: &str) -> String {
    let mut places: Vec<String> = Vec::new();
    for root in roots(member).filter(|f| f.id == id) {
        let place = words::whereabouts(root);
        if !place.is_empty() && !places.contains(&place) {
            places.push(place);
        }
    }
    places.truncate(3);
    if places.is_empty() {
        String::new()
    } else {
        format!(" ({})", places.join(", "))
    }
}

fn waiting_steps(member: &Member, profile: &Profile, causes: &[NextStep]) -> Vec<NextStep> {
    let port = match profile.inverter.port {
        packside_profiles::model::InverterPort::ThisBus => "this RS-485 pair",
        packside_profiles::model::InverterPort::OtherRs485 => "its own RS-485 socket",
        packside_profiles::model::InverterPort::Can => "the CAN socket",
        packside_profiles::model::InverterPort::Unknown => "the socket that the manual names",
    };
    let powered = match member.kind {
        // It was right before: no setting is asked for.
        VerdictKind::InverterLost => Step::InverterPowered.with(
            "is the inverter on: its display, the grid? Then its communication cable, at both ends",
        ),
        _ => Step::InverterPowered.plain(),
    };
    let mut steps = vec![
        powered,
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
    let state = member.state.as_ref().map(|state| state.kind);
    let starting = matches!(state, Some(StateKind::SelfTest | StateKind::Precharge));
    let refuses = |doubt: &Doubt| matches!(doubt.lack(), Some(Some(Lack::Refused(_))));
    let refused = member.doubts.iter().any(refuses);
    let words = |kind: DoubtKind| {
        match (kind.step(), &member.inverter) {
        (Step::WaitSilence, InverterLink::TooEarly { remaining_s }) => Some(format!(
            "wait these {remaining_s} s without touching anything, then look again"
        )),
        (Step::WatchLamp, _) => Some(format!(
            "stop asking and watch the lamps for {} s: our own questions may keep the flag down",
            profile.inverter.silence_s
        )),
        (Step::LookAgain, _) if kind == DoubtKind::NotRead && refused => Some(
            "compare nameplate and firmware with the map (packside profile show): the unit refuses registers that the map \
             has. Both agree: ask the maker for the map of this firmware. Until it can be read do not put the unit into \
             service"
                .to_owned(),
        ),
        (Step::LookAgain, _) if kind == DoubtKind::NotRead => Some(
            "look again; if the same points stay unreadable, the profile or firmware does not fit"
                .to_owned(),
        ),
        (Step::LookAgain, _) if kind == DoubtKind::LowByFlagOnly => Some(
            "look again, best while a small current flows: does one cell sag beside its sisters?"
                .to_owned(),
        ),
        (Step::LookAgain, _) if starting || seconds_since_start < 5 => {
            Some("look again in a few seconds".to_owned())
        }
        (Step::LookAgain, _) => Some("look again, and compare with the lamps".to_owned()),
        _ => None,
    }
    };
    let mut steps = settling(&member.doubts, words);
    let two = |doubt: &Doubt| matches!(doubt, Doubt::TwoUnits { .. });
    if member.doubts.iter().any(two) {
        steps.push(Step::OneUnitOff.plain());
    }
    if steps.is_empty() {
        steps.push(Step::LookAgain.plain());
    }
    steps
}

/// The steps that settle these doubts, each once, the words given for a kind before its own.
fn settling(doubts: &[Doubt], words: impl Fn(DoubtKind) -> Option<String>) -> Vec<NextStep> {
    let mut steps: Vec<NextStep> = Vec::new();
    for kind in doubts.iter().map(Doubt::kind) {
        let step = kind.step();
        if steps.iter().any(|told| told.id == step.row().id) {
            continue;
        }
        steps.push(words(kind).map_or_else(|| step.plain(), |text| step.with(text)));
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
        "charge-report",
        "whether the state of charge that the unit reports is right",
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
    let state = member.state.as_ref().map(|state| state.kind);
    let connected = matches!(state, Some(StateKind::Standby | StateKind::Running));
    let current = member
        .readings
        .iter()
        .find(|r| r.role == Role::PackCurrent)
        .and_then(|r| r.number());
    let flowing = current.is_some_and(|amps| amps.abs() > profile.unit.rest_current);
    let switch_fault = roots(member).any(|f| f.class == Some(Class::SwitchFault));
    if connected && !member.precharge_seen {
        add(
            "pre-charge",
            "no reading caught it, it was over before or between two of them",
            "at the next power-up with the inverter",
        );
        let known = |r: &&Reading| r.role == Role::Switches && r.quality == ReadingQuality::Good;
        if !switch_fault && member.readings.iter().any(|r| known(&r)) {
            add(
                "main-switches",
                "closed all through this look: whether they open is not known",
                "when the unit is next switched off",
            );
        }
    }
    if !connected && switch_fault {
        let why = "a main switch does not do as ordered: nothing behind it can be judged";
        let when = "when that is settled, at power-up with the inverter";
        for id in ["pre-charge", "main-fuse", "inverter-side-insulation"] {
            add(id, why, when);
        }
    } else if !connected {
        let why = "not seen to work in this look";
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
    for (id, why, when) in of_current_and_charge(member, flowing) {
        add(id, why, when);
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

/// What needs a current, or a second meter.
fn of_current_and_charge(
    member: &Member,
    flowing: bool,
) -> Vec<(&'static str, &'static str, &'static str)> {
    const WITH_CURRENT: &str = "with a small charge and discharge";
    // Nothing on this wire tells the direction or the scale of a current from a second source.
    let mut list = vec![if flowing {
        (
            "current-sensor",
            "current flows, and was not compared with another meter",
            "beside the inverter's screen, while it charges and discharges",
        )
    } else {
        ("current-sensor", "no current flows", WITH_CURRENT)
    }];
    if !member.under_load {
        let why = if flowing {
            "the last readings show no step of the current"
        } else {
            "no current flows"
        };
        list.push(("cells-under-load", why, WITH_CURRENT));
    }
    if !member.charge_compared {
        list.push((
            "charge-report",
            "the state of charge can be compared with the cells only at rest, outside the flat part of the curve",
            "at rest, nearly empty or nearly full",
        ));
    }
    list
}
