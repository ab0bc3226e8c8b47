//! What to do now.
//!
//! Input: a judged member, its profile. Output: steps by risk (see `step`).

use packside_profiles::model::{Clears, LiesIn, Needs, Profile, Severity};
use packside_profiles::{Class, StateKind};

use super::cautions::perhaps_flows;
use super::inverter::InverterLink;
use super::member::Member;
use crate::facts::caution::Caution;
use crate::facts::doubt::{Contradiction, Doubt, DoubtKind, Lack, Mismatch};
use crate::facts::fact::{Deed, FactKind, First, Remedy};
use crate::facts::health::Health;
use crate::facts::judgement::{Disposition, Finding, Source, VerdictKind, Why};
use crate::facts::step::{
    AtRoots, HandOver, LookAgain, Mind, NextStep, Step, StepKind, Who, by_risk,
};
use crate::facts::whereabouts::Whereabouts;

/// Next steps for one member. `causes` are the steps that settle why its inverter is not heard.
pub(crate) fn steps(
    member: &Member,
    profile: &Profile,
    seconds_since_start: u64,
    causes: &[NextStep],
    line: &Health,
) -> Vec<NextStep> {
    let mut steps = match member.kind {
        VerdictKind::Normal => vec![hand_over(member)],
        VerdictKind::NotReady => condition_steps(member),
        VerdictKind::Fault => fault_steps(member, profile),
        VerdictKind::AwaitingInverter | VerdictKind::InverterLost => {
            waiting_steps(member, profile, causes)
        }
        // A pack that gave no valid answer keeps the rack open.
        VerdictKind::BusProblem | VerdictKind::Undecided => {
            undecided_steps(member, profile, seconds_since_start, line)
        }
    };
    let danger = danger_first(member);
    steps.retain(|step| !danger.iter().any(|first| first.kind() == step.kind()));
    steps.extend(danger);
    by_risk(&mut steps);
    steps
}

/// Nothing is mended where nothing is wrong, and what was remarked is not passed over.
fn hand_over(member: &Member) -> NextStep {
    let remarked = |f: &&Finding| f.severity == Severity::Warning;
    let remark = member.findings.iter().find(remarked);
    let after = remark.map_or(HandOver::Nothing, |one| HandOver::Remarked(one.id));
    Step::HandOver { after }.next()
}

/// The same where the line, not the unit, wants something first.
pub(crate) fn hand_over_later() -> NextStep {
    let after = HandOver::Line;
    Step::HandOver { after }.next()
}

pub(super) fn roots(member: &Member) -> impl Iterator<Item = &Finding> {
    member.findings.iter().filter(|f| f.is_root_alarm())
}

/// What lifts a condition, each thing to do once, whatever says that it is needed.
fn condition_steps(member: &Member) -> Vec<NextStep> {
    let mut by_deed: Vec<(&Remedy, Vec<&'static str>, bool)> = Vec::new();
    for root in roots(member) {
        let charging = root.class.is_some_and(is_low);
        // What its flag and the numbers say of one class is one thing to do.
        let same = |(deed, ids, is_charging): &&mut (&Remedy, Vec<&'static str>, bool)| {
            **deed == root.to_do || ids.contains(&root.id) || (charging && *is_charging)
        };
        match by_deed.iter_mut().find(same) {
            Some((_, ids, _)) if ids.contains(&root.id) => {}
            Some((_, ids, _)) => ids.push(root.id),
            None => by_deed.push((&root.to_do, vec![root.id], charging)),
        }
    }
    let step = |(deed, ids, charging): (&Remedy, Vec<&'static str>, bool)| {
        let needs = if charging {
            Needs::Operate
        } else {
            Needs::Look
        };
        let cold = ids.contains(&Class::UnderTemperature.id());
        let to_do = deed.clone();
        Step::LiftCondition { ids, cold, to_do }.needing(needs, Who::Technician)
    };
    let mut steps: Vec<NextStep> = by_deed.into_iter().map(step).collect();
    if steps.is_empty() {
        // Its state alone says it.
        let lift = Step::LiftCondition {
            ids: vec![Class::Maintenance.id()],
            cold: false,
            to_do: Deed::FindPerson.alone(),
        };
        steps.push(lift.next());
    }
    // Who charges it is the inverter.
    let charges = steps.iter().any(|step| step.needs == Needs::Operate);
    if charges && is_unheard(member) {
        steps.push(StepKind::InverterCable.plain());
    }
    steps
}

/// Whether the unit says, and not merely in passing, that it hears no inverter.
fn is_unheard(member: &Member) -> bool {
    let silent =
        |f: &Finding| f.class == Some(Class::InverterSilent) && f.severity != Severity::Notice;
    member.findings.iter().any(silent)
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
    let apart = disposed(Disposition::Quarantine).map(|root| {
        let at = at_roots(member, vec![root.id], root.id);
        (Step::SetApart { at }.next(), root.class)
    });
    // Where a cell heats from inside nobody is there to do anything.
    let heats = roots(member).any(|f| f.fact.kind() == FactKind::HotFromInside);
    let at_roots = match heats {
        true => Vec::new(),
        false => at_the_roots(member, profile),
    };
    match apart.filter(|_| !heats) {
        // What is only measured wrong is looked for first.
        Some((apart, Some(Class::SensorFault))) => {
            steps.extend(at_roots.into_iter().chain([apart]))
        }
        Some((apart, _)) => steps.extend([apart].into_iter().chain(at_roots)),
        None => steps.extend(at_roots),
    }
    // Where the map itself says what to do at the inverter's side, of a flag or of the same that is stored, a second
    // step would say it again, and with a short circuit "look again" would stand before "do not switch on".
    let is_told = |f: &Finding| roots(member).any(|one| one.id == f.id && !is_untold(one));
    let untold = |f: &Finding| f.lies_in == LiesIn::InverterSide && !is_told(f);
    // Nobody goes to what heats to find out where it lies.
    let nobody_knows = |f: &Finding| {
        f.lies_in == LiesIn::Unknown
            && f.class != Some(Class::SwitchFault)
            && f.disposition != Some(Disposition::StayAway)
    };
    if roots(member).any(|f| nobody_knows(f) || untold(f)) {
        steps.push(StepKind::Isolate.plain());
    }
    // What a number shows now would be back at once: a restart tells nothing, and may let the unit run with it.
    let is_shown = |f: &Finding| {
        roots(member).any(|shown| shown.class == f.class && shown.source == Source::Measured)
    };
    let restarts =
        |f: &Finding| f.clears == Some(Clears::PowerCycle) && !f.returned && !is_shown(f);
    if roots(member).any(restarts) && !stays_off(member) {
        steps.push(StepKind::DoesItReturn.plain());
    }
    if let Some(root) = disposed(Disposition::Claim) {
        if root.lies_in == LiesIn::Module && root.place.module.is_some() {
            steps.push(StepKind::FollowModule.plain());
        }
        steps.push(StepKind::AskMaker.plain());
    }
    let hides = |doubt: &Doubt| matches!(doubt, Doubt::MayHide { .. });
    if member.doubts.iter().any(hides) {
        steps.push(StepKind::BehindTheCode.plain());
    }
    // Whoever stays away goes to no cable, and where a current would harm no inverter is connected.
    let is_out = |f: &Finding| {
        wants_no_current(f)
            || matches!(
                f.disposition,
                Some(Disposition::StayAway | Disposition::Quarantine)
            )
    };
    if is_unheard(member) && !roots(member).any(is_out) {
        steps.push(StepKind::InverterCableToo.plain());
    }
    // Where a current would harm, nobody may start one meanwhile; who must stay away is sent to no screen.
    let is_held = |step: &NextStep| step.needs == Needs::Operate;
    if !stays_away(member) && roots(member).any(wants_no_current) && !steps.iter().any(is_held) {
        steps.push(Step::StopCurrent { flows: false }.next());
    }
    if steps.iter().any(|step| step.needs >= Needs::UnitOff) {
        steps.insert(0, StepKind::RecordFirst.plain());
    }
    steps
}

/// Whether a current through it could harm: the first step is 0 A at the inverter's screen. Who must
/// stay away is sent to no screen.
fn wants_no_current(root: &Finding) -> bool {
    use Class as C;
    root.disposition != Some(Disposition::StayAway)
        && matches!(
            root.class,
            Some(
                C::CellOverVoltage
                    | C::CellUnderVoltage
                    | C::CellBelowMinimum
                    | C::CellImbalance
                    | C::CellResistance
                    | C::PackOverVoltage
                    | C::PackUnderVoltage
                    | C::ChargingOutside
                    | C::OverCurrent
                    | C::SensorFault
                    | C::InternalCommunication
                    | C::ConfigurationFault
                    | C::ControlUnitFault
            )
        )
}

/// Whether a restart could charge, close or connect what should stay apart; switches that do not follow do neither
/// for certain.
fn stays_off(member: &Member) -> bool {
    let may_close = |f: &Finding| f.class == Some(Class::SwitchFault);
    roots(member).any(|f| f.forbids_restart() || may_close(f))
}

/// What the cautions of a member want first.
fn danger_first(member: &Member) -> Vec<NextStep> {
    let step = |why: &Why| match why {
        Why::Caution(
            Caution::Heating { .. }
            | Caution::HeatsInside { .. }
            | Caution::Hot { .. }
            | Caution::SaidHot { .. }
            | Caution::Warm { .. },
        ) => Some(StepKind::KeepAway.plain()),
        Why::Caution(Caution::StopCurrent { .. }) => Some(StepKind::StopCurrent.plain()),
        // Packs without a fault are left to become alike.
        Why::Caution(Caution::BetweenPacks { .. }) if roots(member).any(wants_no_current) => {
            Some(StepKind::PartPacks.plain())
        }
        _ => None,
    };
    let mut steps: Vec<NextStep> = member.why.iter().filter_map(step).collect();
    // No screen stops what other packs feed into this one.
    if steps.iter().any(|step| step.kind() == StepKind::PartPacks) {
        steps.push(StepKind::KeepAway.plain());
    }
    // Only rest tells why cells are far apart, and behind cells or a control unit that stand still nobody sees what a
    // current does.
    let flows_unasked = |doubt: &Doubt| {
        matches!(
            doubt,
            Doubt::CurrentWhileOpen { .. }
                | Doubt::SpreadUnderLoad { .. }
                | Doubt::Contradiction {
                    what: Contradiction::BeyondGranted { .. }
                        | Contradiction::CellsStand { .. }
                        | Contradiction::BeatAgainstUptime { .. }
                        | Contradiction::CurrentWithoutInverter { .. }
                        | Contradiction::PowerAgainstCurrent { .. }
                        | Contradiction::PowerOfOtherSize { .. }
                }
        )
    };
    // Of what is no battery, or another one, nobody knows what a current does.
    let is_another = |doubt: &Doubt| {
        matches!(
            doubt,
            Doubt::NotRecognised {
                mismatch: Mismatch::Mark { seen: Some(_), .. }
            }
        )
    };
    let may_flow =
        !member.doubts.iter().any(is_another) && perhaps_flows(&member.findings, &member.readings);
    if may_flow || member.doubts.iter().any(flows_unasked) {
        steps.push(StepKind::StopCurrent.plain());
    }
    steps
}

/// Whether the map does not say what to do about a flag.
fn is_untold(root: &Finding) -> bool {
    root.source == Source::Flag && !matches!(root.to_do.deed, Deed::OfMap(_))
}

/// Whether what is to be done may be a restart: ours, or what the map advises for a flag that one clears.
pub(super) fn may_restart(to_do: &Remedy, profile: &Profile) -> bool {
    match to_do.deed {
        Deed::RestartControlUnit => true,
        Deed::OfMap(flag) => {
            let flag = profile.flags.get(flag.0);
            flag.is_some_and(|flag| flag.clears == Clears::PowerCycle)
        }
        _ => false,
    }
}

/// The same without one: what comes before it stays.
pub(super) fn without_restart(to_do: &Remedy, class: Class) -> Remedy {
    Remedy {
        deed: Deed::Usual(class),
        ..to_do.clone()
    }
}

/// What each root wants, once for each id.
fn at_the_roots(member: &Member, profile: &Profile) -> Vec<NextStep> {
    let has = |class| roots(member).any(|f| f.class == Some(class));
    // Nor is anything charged while cells cannot be read.
    let unread = |f: &Finding| f.to_do.first.contains(&First::DoNotCharge);
    let never_charge = has(Class::CellBelowMinimum) || roots(member).any(unread);
    let odd_cells = [Class::CellUnderVoltage, Class::CellOverVoltage];
    let odd_cell = odd_cells
        .into_iter()
        .find(|class| has(Class::CellImbalance) && has(*class));
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
        // The caution said it, and whoever stays away does nothing else.
        let warm = matches!(
            root.class,
            Some(Class::OverTemperature | Class::TemperatureImbalance)
        );
        if root.disposition == Some(Disposition::StayAway) || stays_away(member) && warm {
            continue;
        }
        if never_charge && low || set_apart && root.class != Some(Class::SensorFault) {
            continue;
        }
        // One odd cell and what makes it, or what it makes, want one thing, and no charge before it.
        let with_resistance =
            has(Class::CellResistance) && root.class == Some(Class::CellUnderVoltage);
        if with_resistance || (odd_cell.is_some() && root.class == odd_cell) {
            continue;
        }
        let mind = minds(root);
        let mut ids = vec![root.id];
        if let (Some(Class::CellImbalance), Some(odd)) = (root.class, odd_cell) {
            ids.insert(0, odd.id());
        }
        let (mut needs, who) = risk(root);
        if mind.contains(&Mind::StopInverter) {
            needs = needs.max(Needs::Operate);
        }
        if root.class == Some(Class::InsulationLow) && is_inside(root) {
            steps.push(Step::Isolate { insulation: true }.needing(needs, who));
        }
        let work = Step::WorkOnRoot {
            at: at_roots(member, ids, root.id),
            to_do: match root.class {
                Some(class) if stays_off(member) && may_restart(&root.to_do, profile) => {
                    without_restart(&root.to_do, class)
                }
                _ => root.to_do.clone(),
            },
            mind,
        };
        steps.push(work.needing(needs, who));
        if root.class == Some(Class::PrechargeFailed) {
            let inside = Step::WorkOnRoot {
                at: at_roots(member, vec![root.id], root.id),
                to_do: Deed::FuseAndResistor.alone(),
                mind: Vec::new(),
            };
            steps.push(inside.needing(needs, who));
        }
    }
    steps
}

/// What to keep in mind while a root is worked on.
fn minds(root: &Finding) -> Vec<Mind> {
    let of = [
        (root.class == Some(Class::CellImbalance), Mind::StopInverter),
        (root.fact.may_be_the_fuse(), Mind::PerhapsTheFuse),
        (root.lies_in == LiesIn::InverterSide, Mind::ReturnNothing),
    ];
    let due = of.into_iter().filter(|(is_due, _)| *is_due);
    due.map(|(_, mind)| mind).collect()
}

/// Whether a root keeps everybody away.
fn stays_away(member: &Member) -> bool {
    roots(member).any(|f| f.disposition == Some(Disposition::StayAway))
}

/// Whether it lies in the stack.
fn is_inside(root: &Finding) -> bool {
    matches!(root.lies_in, LiesIn::Module | LiesIn::Connection)
}

/// What the work at a root needs, and who may do it.
///
/// Cells cannot be switched off: whoever opens the cables between modules, a joint or a sense wire works
/// on live DC, whatever the main switches say.
fn risk(root: &Finding) -> (Needs, Who) {
    use Class as C;
    match root.class {
        // One pole may be at earth, and an isolator is opened.
        Some(C::InsulationLow) => (Needs::LiveDc, Who::Licensed),
        Some(C::CellResistance) => (Needs::LiveDc, Who::Licensed),
        // The sense harness sits at stack potential.
        Some(C::SensorFault) => (Needs::LiveDc, Who::Licensed),
        // Its switches may not obey, so that nothing can be said to be off.
        Some(C::ControlUnitFault) if root.source == Source::Measured => {
            (Needs::LiveDc, Who::Licensed)
        }
        // Behind them the stack is live with the unit off as well, and one pole may be beyond them.
        Some(C::SwitchFault | C::FuseOpen | C::PrechargeFailed | C::ShortCircuit) => {
            (Needs::LiveDc, Who::Licensed)
        }
        // The link cables run between the modules, whose poles nothing switches off.
        Some(C::InternalCommunication) => (Needs::LiveDc, Who::Licensed),
        // The unit's own control charges it, from the inverter's screen.
        Some(class) if is_low(class) => (Needs::Operate, Who::Technician),
        // What is done is done at the inverter's screen.
        Some(C::CellOverVoltage | C::PackOverVoltage | C::OverCurrent | C::ChargingOutside) => {
            (Needs::Operate, Who::Technician)
        }
        Some(
            C::CellImbalance | C::TemperatureImbalance | C::OverTemperature | C::ConfigurationFault,
        ) => (Needs::Look, Who::Technician),
        _ => match root.lies_in {
            LiesIn::InverterSide | LiesIn::Unknown => (Needs::UnitOff, Who::Licensed),
            LiesIn::Connection | LiesIn::Module | LiesIn::ControlUnit => {
                (Needs::UnitOff, Who::Technician)
            }
            LiesIn::SiteCondition | LiesIn::Operator => (Needs::Look, Who::Technician),
        },
    }
}

/// Roots under these ids, with the first places of those with one id, as far as places are known.
fn at_roots(member: &Member, ids: Vec<&'static str>, id: &str) -> AtRoots {
    let mut places: Vec<Whereabouts> = Vec::new();
    for root in roots(member).filter(|f| f.id == id) {
        let place = root.whereabouts();
        if !place.is_whole() && !places.contains(&place) {
            places.push(place);
        }
    }
    // A whole module says its cells and sensors.
    let whole: Vec<_> = places.iter().filter(|p| p.place.item.is_none()).collect();
    let whole: Vec<Option<u16>> = whole.into_iter().map(|p| p.place.module).collect();
    places.retain(|p| p.place.item.is_none() || !whole.contains(&p.place.module));
    places.truncate(3);
    AtRoots {
        unit: None,
        ids,
        places,
    }
}

fn waiting_steps(member: &Member, profile: &Profile, causes: &[NextStep]) -> Vec<NextStep> {
    // It was right before: no setting is asked for.
    let was_heard = member.kind == VerdictKind::InverterLost;
    let port = Some(profile.inverter.port);
    let mut steps = vec![
        Step::InverterPowered { was_heard }.next(),
        Step::InverterCable { port }.next(),
    ];
    // The causes say in which order, the list above what is never left out.
    let given = causes
        .iter()
        .filter(|step| !steps.iter().any(|s| s.kind() == step.kind()));
    let given: Vec<NextStep> = given.cloned().collect();
    let place = |kind: StepKind| {
        causes
            .iter()
            .position(|step| step.kind() == kind)
            .unwrap_or(usize::MAX)
    };
    steps.extend(given);
    steps.sort_by_key(|step| place(step.kind()));
    steps.push(StepKind::LookWithInverter.plain());
    steps
}

fn undecided_steps(
    member: &Member,
    profile: &Profile,
    seconds_since_start: u64,
    line: &Health,
) -> Vec<NextStep> {
    let state = member.state.as_ref().map(|state| state.kind);
    let starting = matches!(state, Some(StateKind::SelfTest | StateKind::Precharge));
    let refuses = |doubt: &Doubt| matches!(doubt.lack(), Some(Some(Lack::Refused(_))));
    let refused = member.doubts.iter().any(refuses);
    let is_busy =
        |doubt: &Doubt| matches!(doubt.lack(), Some(Some(Lack::Refused(BUSY | BUSY_LONG))));
    let only_busy = line.busy >= 2 && !line.damages();
    let busy = only_busy || member.doubts.iter().any(is_busy);
    let gone = |doubt: &Doubt| matches!(doubt, Doubt::GoneSilent { .. });
    let cache = |doubt: &Doubt| matches!(doubt, Doubt::PerhapsCache { .. });
    let cached = member.doubts.iter().any(cache);
    let line_is_bad = line.is_bad() || member.doubts.iter().any(gone);
    let unread = |doubt: &Doubt| {
        matches!(
            doubt,
            Doubt::NotRead { .. } | Doubt::NotRecognised { .. } | Doubt::GoneSilent { .. }
        )
    };
    let for_this = |doubt: &Doubt| match (doubt.step(), &member.inverter) {
        (StepKind::WaitSilence, InverterLink::TooEarly { remaining_s, .. }) => Step::WaitSilence {
            remaining_s: Some(*remaining_s),
        },
        (StepKind::WatchLamp, _) => Step::WatchLamp {
            silence_s: Some(profile.inverter.silence_s),
        },
        (StepKind::LookAgain, _) if unread(doubt) && busy => Step::WaitForBusy,
        // Another look would be answered from the same memory.
        (StepKind::LookAgain, _) if unread(doubt) && cached => Step::PastTheCache,
        (StepKind::LookAgain, _) if unread(doubt) && !refused && line_is_bad => Step::LineFirst,
        (StepKind::LookAgain, _) => Step::LookAgain {
            why: match doubt.kind() {
                DoubtKind::NotRead if refused => LookAgain::Refused,
                DoubtKind::NotRead => LookAgain::Unreadable,
                DoubtKind::LowByFlagOnly => LookAgain::UnderCurrent,
                _ if starting || seconds_since_start < 5 => LookAgain::InSeconds,
                _ => LookAgain::WithLamps,
            },
        },
        (step, _) => step.bare(),
    };
    let mut steps = settling(&member.doubts, for_this);
    let two = |doubt: &Doubt| matches!(doubt, Doubt::TwoUnits { .. });
    if member.doubts.iter().any(two) {
        steps.push(StepKind::OneUnitOff.plain());
    }
    // It ends with another look.
    if steps.iter().any(|step| step.kind() == StepKind::LineFirst) {
        steps.retain(|step| step.kind() != StepKind::LookAgain);
    }
    // What is another unit than the map's refuses what it has not.
    if steps
        .iter()
        .any(|step| step.kind() == StepKind::RightProfile)
    {
        let refused = Step::LookAgain {
            why: LookAgain::Refused,
        };
        steps.retain(|one| one.step != refused);
    }
    if steps.is_empty() {
        steps.push(StepKind::LookAgain.plain());
    }
    steps
}

/// Exceptions of a unit that has no time: it works on something longer, or on something else.
const BUSY_LONG: u8 = 0x05;
const BUSY: u8 = 0x06;

/// The steps that settle these doubts, each once, as they are to be done here.
fn settling(doubts: &[Doubt], for_this: impl Fn(&Doubt) -> Step) -> Vec<NextStep> {
    let mut steps: Vec<NextStep> = Vec::new();
    for doubt in doubts {
        let step = for_this(doubt);
        if !steps.iter().any(|told| told.kind() == step.kind()) {
            steps.push(step.next());
        }
    }
    steps
}
