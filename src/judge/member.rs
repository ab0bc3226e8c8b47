//! One unit address: all its facts, and the verdict about it alone.
//!
//! Order: a root alarm or a measured violation decides first, whatever lamp or inverter say; then a
//! frozen heartbeat; then anything missing or contradictory; only then the inverter link.

use std::time::Duration;

use packside_profiles::model::{LiesIn, Profile, Severity, Terminals};
use packside_profiles::{Class, Foreign, Place, Role, StateKind};

use super::decide::{Roots, decide, is_empty_only};
use super::identity::{recognition, two_units};
use super::inverter::{InverterLink, link};
use super::shared::Shared;
use super::sightings;
use super::{
    answers, beside, cautions, contradictions, flags, gate, image, measure, notices, plausible,
    remembered, roots, sag, warm,
};
use crate::event::LinkFacts;
use crate::evidence::heartbeat::Pulse;
use crate::evidence::questions;
use crate::evidence::stamp::Stamp;
use crate::evidence::unit::UnitMemory;
use crate::evidence::warm::Alone;
use crate::facts::caution::Caution;
use crate::facts::doubt::{Contradiction, Doubt, Gate, Lack, LinkUnknown, Undefined};
use crate::facts::fact::{Deed, Fact, Measured};
use crate::facts::judgement::{
    Certainty, Finding, Reading, ReadingQuality, Source, UnitState, ValueRemark, VerdictKind, Why,
    sort_by_weight,
};
use crate::facts::readings;

/// Everything about one unit address.
#[derive(Debug, Clone)]
pub(crate) struct Member {
    /// Unit address.
    pub(crate) unit: u8,
    /// It was asked, or somebody else was heard asking it.
    pub(crate) asked: bool,
    /// Verdict about it alone.
    pub(crate) kind: VerdictKind,
    /// What decided, most important first.
    pub(crate) why: Vec<Why>,
    /// What keeps a clean verdict out, whether or not it decided.
    pub(crate) doubts: Vec<Doubt>,
    /// The verdict if its roots were gone.
    pub(crate) without_roots: VerdictKind,
    /// What was found.
    pub(crate) findings: Vec<Finding>,
    /// What was read.
    pub(crate) readings: Vec<Reading>,
    /// State of the control unit, where the map knows it.
    pub(crate) state: Option<UnitState>,
    /// Cells were compared under a step of the current.
    pub(crate) under_load: bool,
    /// The state of charge was compared with the cells at rest.
    pub(crate) charge_compared: bool,
    /// Pre-charge was read as the state since the last restart.
    pub(crate) precharge_seen: bool,
    /// The inverter link.
    pub(crate) inverter: InverterLink,
    /// The map could not be confirmed: a clean verdict is out of the question.
    pub(crate) unconfirmed: bool,
}

impl Member {
    /// Whether nothing that a clean verdict needs is missing: see [`crate::facts::doubt`].
    pub(crate) fn fills_gate(&self) -> bool {
        self.doubts
            .iter()
            .all(|doubt| doubt.kind().gate() == Gate::Filled)
    }
}

/// Judges one member that gave at least one valid answer.
pub(crate) fn judge(evidence: &UnitMemory, shared: &Shared<'_>) -> Member {
    let profile = shared.profile;
    let facts = MemberFacts::of(evidence, shared);
    let state = facts.state.as_ref().and_then(|state| state.kind);
    let recognition = recognition(&facts.readings, shared);
    let unconfirmed = !recognition.doubts.is_empty();
    let (mut findings, mut doubts) = facts.told(evidence, shared, recognition.doubts);
    let two_units = two_units(evidence, shared, profile);
    if !two_units.is_empty() {
        roots::of_neither(&mut findings);
    }
    let woken = matches!(
        facts.inverter,
        InverterLink::Woke { .. }
            | InverterLink::SilentSoFar {
                fed_by_us: true,
                ..
            }
    );
    let should_be_dead = profile.unit.terminals_without_inverter == Terminals::Dead
        && state.is_some_and(measure::should_be_open);
    let caution = beside::relate(
        &mut findings,
        &facts.readings,
        profile,
        woken,
        should_be_dead,
    );
    let is_certain = !unconfirmed && two_units.is_empty();
    let is_empty_only = is_empty_only(&facts.readings, evidence, profile);
    roots::settle(&mut findings, is_certain, is_empty_only);
    let roots = Roots::of(&findings, is_empty_only, unconfirmed);
    let (mut kind, mut why) = decide(&roots, &mut doubts, &facts.inverter, state, profile);
    let none = Roots::default();
    let (mut without_roots, _) = decide(&none, &mut doubts, &facts.inverter, state, profile);
    // Numbers of two units do not add up, and bits of another map say nothing: what was found is told,
    // and is no statement about this unit.
    if !two_units.is_empty() || recognition.is_another_map {
        of_another(two_units, recognition.is_another_map, &mut doubts, &mut why);
        without_roots = VerdictKind::Undecided;
        kind = VerdictKind::Undecided;
    }
    if let Some(state) = facts.state.as_ref().filter(|_| !shared.we_asked())
        && kind == VerdictKind::Undecided
    {
        let state = state.shown().to_owned();
        why.insert(0, Why::Overheard { state });
    }
    let mut cautions = cautions::cautions(&findings, &facts.readings, profile);
    let of_terminals = caution.filter(|_| facts.no_measurement.is_none());
    if of_terminals.is_some() {
        // Live terminals say it with their voltage.
        cautions.retain(|caution| !matches!(caution, Caution::CannotOpen | Caution::OnePoleLive));
    }
    cautions.extend(of_terminals);
    why.splice(0..0, cautions.into_iter().map(Why::Caution));
    Member {
        unit: evidence.unit,
        asked: true,
        kind,
        why,
        doubts,
        without_roots,
        findings,
        readings: as_old_as_the_pulse(facts.readings, facts.pulse),
        under_load: facts.plausible.under_load,
        charge_compared: facts.plausible.charge_compared,
        precharge_seen: evidence.precharge_seen,
        state: facts.state.and_then(SaidState::known),
        inverter: facts.inverter,
        unconfirmed,
    }
}

/// Puts what says that this is another unit, or two, before everything else, each reason once.
fn of_another(
    two_units: Vec<Doubt>,
    is_another_map: bool,
    doubts: &mut Vec<Doubt>,
    why: &mut Vec<Why>,
) {
    let misfit = |doubt: &&Doubt| is_another_map && matches!(doubt, Doubt::NotRecognised { .. });
    let first = two_units.iter().chain(doubts.iter().filter(misfit));
    let first = first.map(|doubt| Why::Doubts(vec![doubt.clone()]));
    let mut told: Vec<Why> = Vec::new();
    for reason in first.chain(why.drain(..)) {
        if !told.contains(&reason) {
            told.push(reason);
        }
    }
    *why = told;
    doubts.splice(0..0, two_units);
}

/// What was seen of one member, before anything is concluded from it.
struct MemberFacts {
    readings: Vec<Reading>,
    state: Option<SaidState>,
    measured: measure::Numbers,
    plausible: plausible::Plausible,
    flagged: flags::FlagPicture,
    pulse: Pulse,
    /// What was read is an image of one word.
    no_measurement: Option<Doubt>,
    inverter: InverterLink,
}

impl MemberFacts {
    fn of(evidence: &UnitMemory, shared: &Shared<'_>) -> Self {
        let profile = shared.profile;
        let broke_at = shared.seen.clocks_broke_at;
        let now = (shared.moment, shared.read_until(evidence));
        let readings = readings::readings(evidence, profile, now, broke_at);
        let state = state(&readings, profile);
        let kind = state.as_ref().and_then(|state: &SaidState| state.kind);
        let pulse = own_pulse(evidence, profile);
        let no_measurement = image::no_measurement(&readings, profile, pulse);
        let now = Stamp::new(evidence.session, shared.moment);
        let terminals = evidence.first(profile, Role::TerminalVoltage);
        let terminals_before = terminals.and_then(|track| Some(track.before?.1));
        let steady = steady(evidence, &readings, profile, shared.moment);
        let mut measured = measure::measure(&readings, profile, kind, terminals_before, steady);
        let no_current = !measure::current_flows(&readings, profile);
        let earlier = evidence.warm.filter(Alone::is_confirmed);
        let warm = warm::by_itself(&readings, &measured.findings, no_current, earlier);
        measured.findings.extend(warm);
        let at_rest = measure::at_rest(&readings, profile);
        Self {
            plausible: plausible::look(&readings, evidence, profile, at_rest, now),
            flagged: flags::picture(evidence, profile, kind, &measured.settled),
            pulse,
            no_measurement,
            inverter: link(evidence, profile, shared),
            measured,
            readings,
            state,
        }
    }

    /// What the flags of an image say that is no measurement: it is told, and proves nothing.
    fn flagged_in_vain(&self) -> Vec<Finding> {
        let mut findings = self.flagged.findings.clone();
        for finding in &mut findings {
            finding.root = false;
            finding.severity = Severity::Notice;
            finding.sure = Certainty::Open;
            finding.to_do = Deed::Nothing.alone();
        }
        findings
    }

    /// Findings, and what keeps a clean verdict out, beginning with the doubts given.
    fn told(
        &self,
        evidence: &UnitMemory,
        shared: &Shared<'_>,
        mut doubts: Vec<Doubt>,
    ) -> (Vec<Finding>, Vec<Doubt>) {
        let (profile, unit) = (shared.profile, evidence.unit);
        if let Some(doubt) = &self.no_measurement {
            doubts.push(doubt.clone());
            return (self.flagged_in_vain(), doubts);
        }
        let mut findings = merge(
            self.flagged.findings.clone(),
            self.measured.findings.clone(),
        );
        remembered::confirm(&mut findings, evidence, profile);
        findings.extend(self.plausible.findings.clone());
        let own = &self.flagged.findings;
        let (earlier, open) = remembered::all(evidence, profile, shared.moment);
        doubts.extend(open);
        findings.extend(earlier);
        findings.extend(sag::gives_way(evidence, &self.readings, profile, own));
        let (inverter, readings) = (&self.inverter, &self.readings);
        notices::add(
            &mut findings,
            unit,
            inverter,
            shared.facts(),
            readings,
            profile,
        );
        let alarm = findings.iter().any(Finding::is_root_alarm);
        let state = self.state.as_ref().and_then(|state| state.kind);
        let lamps = lamps(shared, &self.flagged.active, alarm, state, unit);
        let said = answers::findings(shared.said, unit);
        doubts.extend(gate::missing(
            readings,
            &evidence.layout,
            profile,
            self.pulse,
            shared.we_asked(),
        ));
        doubts.extend(lamps.iter().map(|f| Doubt::LampContradicts {
            found: f.fact.clone(),
        }));
        doubts.extend(said.iter().map(|f| Doubt::AnsweredNo {
            found: f.fact.clone(),
        }));
        findings.extend(lamps);
        findings.extend(said);
        doubts.extend(beside::low_by_flag_only(&findings, readings, profile));
        doubts.extend(self.flagged.doubts.clone());
        doubts.extend(self.measured.doubts.clone());
        doubts.extend(self.plausible.doubts.clone());
        doubts.extend(warned_in_vain(&findings, readings));
        doubts.extend(unknown_state(self.state.as_ref()));
        doubts.extend(contradictions::contradictions(readings, evidence, profile));
        doubts.extend(gone_silent(evidence, shared.seen.line.is_lost));
        doubts.extend(evidence.questions.forgot.then_some(Doubt::TooMuchToKeep {
            most: questions::MOST,
        }));
        frozen(
            &mut findings,
            &mut doubts,
            self.pulse,
            (unit, profile),
            shared.facts(),
            evidence.runs_without_beat(),
        );
        (findings, doubts)
    }
}

/// Whether the current held still since the oldest of the numbers that must add up was read.
fn steady(
    evidence: &UnitMemory,
    readings: &[Reading],
    profile: &Profile,
    moment: Duration,
) -> bool {
    let of_sums = |r: &&Reading| {
        r.quality == ReadingQuality::Good
            && matches!(
                r.role,
                Role::CellVoltage
                    | Role::CellVoltageMax
                    | Role::CellVoltageMin
                    | Role::ModuleVoltage
                    | Role::PackVoltage
            )
    };
    let ages = || readings.iter().filter(of_sums).filter_map(|r| r.age);
    let (Some(oldest), Some(newest)) = (ages().max(), ages().min()) else {
        return true;
    };
    let from = moment.saturating_sub(oldest);
    let until = moment.saturating_sub(newest);
    let moved = evidence.currents.moved(from, until);
    moved.is_some_and(|moved| moved <= 2.0 * profile.unit.rest_current)
}

/// So many questions in a row without an answer are no accident.
// Kind: common practice
const MISSES: u32 = 2;

/// No clean verdict from before the link was lost or the unit fell silent.
fn gone_silent(unit: &UnitMemory, lost: bool) -> Option<Doubt> {
    let misses = unit.misses;
    (lost || misses >= MISSES).then_some(Doubt::GoneSilent { misses, lost })
}

/// Behind a counter that stands still every value is stale, whatever its age.
fn as_old_as_the_pulse(mut readings: Vec<Reading>, pulse: Pulse) -> Vec<Reading> {
    let stale = |r: &&mut Reading| {
        matches!(pulse, Pulse::Frozen { .. })
            && r.quality == ReadingQuality::Good
            && !readings::is_identity(r.role)
    };
    for reading in readings.iter_mut().filter(stale) {
        reading.quality = ReadingQuality::Stale;
        reading.remark = Some(ValueRemark::StandsStill);
    }
    readings
}

/// Lamps that contradict the registers.
fn lamps(
    shared: &Shared<'_>,
    active: &[String],
    alarm: bool,
    state: Option<StateKind>,
    unit: u8,
) -> Vec<Finding> {
    let (seen, profile) = (shared.sightings, shared.profile);
    sightings::contradictions(seen, profile, active, alarm, state, unit)
}

/// The unit warns of its insulation, and the number that would tell is not valid now.
fn warned_in_vain(findings: &[Finding], readings: &[Reading]) -> Option<Doubt> {
    let warns = |f: &Finding| {
        f.class == Some(Class::InsulationLow)
            && f.source == Source::Flag
            && f.severity == Severity::Warning
    };
    let insulation = readings.iter().find(|r| r.role == Role::Insulation)?;
    let is_told = insulation.quality == ReadingQuality::Good;
    (findings.iter().any(warns) && !is_told).then(|| Doubt::NotRead {
        name: insulation.name.clone(),
        lack: Lack::NoValue,
    })
}

/// A state that the profile does not know.
fn unknown_state(state: Option<&SaidState>) -> Option<Doubt> {
    let state = state.filter(|state| state.kind.is_none())?;
    let what = Undefined::State {
        code: state.code,
        name: state.name.clone(),
    };
    Some(Doubt::UndefinedBit { what })
}

/// Whether the own heartbeat moves, since the last restart or break of the clocks.
fn own_pulse(evidence: &UnitMemory, profile: &Profile) -> Pulse {
    let refresh = profile.unit.refresh_s.clamp(0.1, 60.0);
    evidence.heartbeat.pulse(Duration::from_secs_f64(refresh))
}

/// A member that never answered.
pub(crate) fn silent(unit: u8, asked: bool) -> Member {
    Member {
        unit,
        kind: VerdictKind::BusProblem,
        why: vec![Why::Doubts(vec![Doubt::PackSilent { asked }])],
        doubts: vec![Doubt::PackSilent { asked }],
        asked,
        without_roots: VerdictKind::BusProblem,
        findings: Vec::new(),
        readings: Vec::new(),
        state: None,
        under_load: false,
        charge_compared: false,
        precharge_seen: false,
        inverter: InverterLink::Unknown(LinkUnknown::NoAnswer),
        unconfirmed: false,
    }
}

/// What the unit says of its state.
struct SaidState {
    /// Absent where the map does not know the number.
    kind: Option<StateKind>,
    code: u64,
    /// Its name in the map.
    name: Option<Foreign>,
}

impl SaidState {
    fn shown(&self) -> String {
        let number = || self.code.to_string();
        self.name
            .as_ref()
            .map_or_else(number, |name| name.clean().into_owned())
    }

    fn known(self) -> Option<UnitState> {
        Some(UnitState {
            kind: self.kind?,
            code: self.code,
            name: self.shown(),
        })
    }
}

fn state(readings: &[Reading], profile: &Profile) -> Option<SaidState> {
    let reading = readings
        .iter()
        .find(|r| r.role == Role::State && r.quality == ReadingQuality::Good)?;
    let code = reading.raw?;
    let point = profile.points.iter().find(|p| p.id == reading.point)?;
    let named = point.values.iter().find(|v| v.is == code);
    Some(SaidState {
        kind: named.and_then(|value| value.state),
        code,
        name: named.map(|value| value.name.clone()),
    })
}

/// A measured violation and a flag of the same class at the same place say the same thing: both
/// are kept, the flag first, and the measurement confirms it.
fn merge(flagged: Vec<Finding>, measured: Vec<Finding>) -> Vec<Finding> {
    let mut all = flagged;
    all.extend(measured);
    sort_by_weight(&mut all);
    all
}

/// A control unit whose own counter stands for so long, and for ten refreshes, hangs.
// Kind: common practice (refuted by units that work on with a counter that pauses for longer)
const CERTAINLY_STILL: Duration = Duration::from_secs(30);

/// A heartbeat that stands still: a fault at the unit, perhaps only a cache over a gateway.
fn frozen(
    findings: &mut Vec<Finding>,
    doubts: &mut Vec<Doubt>,
    pulse: Pulse,
    (unit, profile): (u8, &Profile),
    facts: Option<&LinkFacts>,
    runs_on: bool,
) {
    let Pulse::Frozen { stood } = pulse else {
        return;
    };
    let gateway = facts.is_some_and(LinkFacts::is_gateway);
    if runs_on {
        let what = Contradiction::BeatAgainstUptime {
            stood_s: stood.as_secs_f64(),
        };
        // What is too old to be used is so because of it.
        doubts.insert(0, Doubt::Contradiction { what });
        return;
    }
    let certain = CERTAINLY_STILL.max(Duration::from_secs_f64(profile.refresh_s()) * 10);
    if !gateway && stood < certain {
        doubts.push(Doubt::HeartbeatUnseen);
        return;
    }
    let fact = Fact::from(Measured::HeartbeatStill {
        stood,
        every_s: profile.unit.refresh_s,
        by_gateway: gateway,
    });
    if gateway {
        doubts.push(Doubt::PerhapsCache {
            found: fact.clone(),
        });
    }
    findings.insert(
        0,
        Finding {
            fact,
            id: Class::ControlUnitFault.id(),
            class: Some(Class::ControlUnitFault),
            severity: if gateway {
                Severity::Warning
            } else {
                Severity::Alarm
            },
            source: Source::Measured,
            root: !gateway,
            follows_from: None,
            lies_in: if gateway {
                LiesIn::Unknown
            } else {
                LiesIn::ControlUnit
            },
            clears: None,
            unit,
            place: Place::default(),
            to_do: Deed::RestartControlUnit.alone(),
            since: None,
            returned: false,
            sure: Certainty::Proven,
            disposition: None,
        },
    );
}
