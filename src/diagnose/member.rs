//! One unit address: all its facts, and the verdict about it alone.
//!
//! Order: a root alarm or a measured violation decides first, whatever lamp or inverter say; then a
//! frozen heartbeat; then anything missing or contradictory; only then the inverter link.

use std::collections::BTreeMap;
use std::time::Duration;

use packside_profiles::model::{LiesIn, Profile, Severity, Terminals};
use packside_profiles::{Class, Place, Role, StateKind, Value};

use super::doubt::{self, Doubt, DoubtKind, Gate};
use super::evidence::{MemberEvidence, Seen};
use super::heartbeat::{Pulse, pulse};
use super::inverter::{Circumstances, InverterLink, link, rebooted_at};
use super::judgement::{
    Certainty, Finding, Reading, ReadingQuality, Source, VerdictKind, sort_by_weight,
};
use super::sightings::{self, Sighting};
use super::{answers, beside, flags, gate, measure, notices, plausible, readings, roots, sag};
use crate::event::{Answer, LinkFacts, Plugged};

/// So many second answers are no accident of somebody else's traffic.
const ANSWERED_TWICE: u32 = 2;

/// Everything about one unit address.
#[derive(Debug, Clone)]
pub(crate) struct Member {
    /// Unit address.
    pub(crate) unit: u8,
    /// Verdict about it alone.
    pub(crate) kind: VerdictKind,
    /// What decided, most important first.
    pub(crate) why: Vec<String>,
    /// What keeps a clean verdict out, whether or not it decided.
    pub(crate) doubts: Vec<Doubt>,
    /// The verdict if its roots were gone.
    pub(crate) without_roots: VerdictKind,
    /// What was found.
    pub(crate) findings: Vec<Finding>,
    /// What was read.
    pub(crate) readings: Vec<Reading>,
    /// State of the control unit and its name.
    pub(crate) state: Option<(StateKind, String)>,
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
    /// Whether nothing that a clean verdict needs is missing: see [`super::doubt`].
    pub(crate) fn fills_gate(&self) -> bool {
        self.doubts
            .iter()
            .all(|doubt| doubt.kind.gate() == Gate::Filled)
    }
}

/// What all members share.
pub(crate) struct Shared<'a> {
    /// The profile.
    pub(crate) profile: &'a Profile,
    /// The link.
    pub(crate) facts: Option<&'a LinkFacts>,
    /// Requests of somebody else, by unit address.
    pub(crate) foreign: &'a [(Duration, u8)],
    /// Lamps as seen.
    pub(crate) sightings: &'a [Sighting],
    /// Whether any question of ours was asked.
    pub(crate) we_asked: bool,
    /// Questions answered a second time, by unit address.
    pub(crate) answered_twice: &'a BTreeMap<u8, u32>,
    /// What a person found not in order.
    pub(crate) said: &'a [Answer],
    /// When our own first question went out, by unit address.
    pub(crate) asked_from: &'a BTreeMap<u8, Duration>,
    /// Moment judged.
    pub(crate) moment: Duration,
    /// The last moment at which the clocks had gone apart: how long ago anything before was, is not
    /// known.
    pub(crate) clocks_broke_at: Option<Duration>,
}

impl Shared<'_> {
    /// When somebody else asked this unit.
    fn foreign_to(&self, unit: u8) -> Vec<Duration> {
        self.foreign
            .iter()
            .filter(|(_, asked)| *asked == unit)
            .map(|(at, _)| *at)
            .collect()
    }
}

/// Judges one member that gave at least one valid answer.
pub(crate) fn judge(evidence: &MemberEvidence, shared: &Shared<'_>) -> Member {
    let profile = shared.profile;
    let facts = Facts::of(evidence, shared);
    let state = facts.state.as_ref().and_then(|(kind, _)| *kind);
    let recognition = recognition(&facts.readings, profile, shared.we_asked);
    let unconfirmed = !recognition.doubts.is_empty();
    let (mut findings, mut doubts) = facts.told(evidence, shared, recognition.doubts);
    let two_units = two_units(evidence, shared, profile);
    let woken = matches!(
        facts.inverter,
        InverterLink::Woke(_)
            | InverterLink::SilentSoFar {
                fed_by_us: true,
                ..
            }
    );
    let should_be_dead = profile.unit.terminals_without_inverter == Terminals::Dead
        && matches!(
            state,
            Some(StateKind::Waiting | StateKind::SelfTest | StateKind::Fault | StateKind::Off)
        );
    let caution = beside::relate(
        &mut findings,
        &facts.readings,
        profile,
        woken,
        should_be_dead,
    );
    roots::settle(&mut findings, unconfirmed || !two_units.is_empty());
    let roots = Roots::of(&findings, profile, unconfirmed);
    let (mut kind, mut why) = decide(&roots, &mut doubts, &facts.inverter, state, profile);
    let none = Roots::default();
    let (mut without_roots, _) = decide(&none, &mut doubts, &facts.inverter, state, profile);
    // Numbers of two units do not add up, and bits of another map say nothing: what was found is told,
    // and is no statement about this unit.
    if !two_units.is_empty() || recognition.is_another_map {
        let first = doubts
            .iter()
            .filter(|doubt| recognition.is_another_map && doubt.kind == DoubtKind::NotRecognised);
        let first: Vec<Doubt> = two_units.iter().chain(first).cloned().collect();
        why.splice(0..0, first.into_iter().map(|doubt| doubt.text));
        let mut told: Vec<String> = Vec::new();
        why.retain(|text| {
            !told.contains(text) && {
                told.push(text.clone());
                true
            }
        });
        doubts.splice(0..0, two_units);
        without_roots = VerdictKind::Undecided;
        kind = VerdictKind::Undecided;
    }
    if let Some((_, state)) = facts.state.as_ref().filter(|_| !shared.we_asked)
        && kind == VerdictKind::Undecided
    {
        why.insert(0, format!("overheard: the unit is in state {state}"));
    }
    why.splice(0..0, caution.or_else(|| stands_still(&findings)));
    Member {
        unit: evidence.unit,
        kind,
        why,
        doubts,
        without_roots,
        findings,
        readings: as_old_as_the_pulse(facts.readings, facts.pulse),
        under_load: facts.plausible.under_load,
        charge_compared: facts.plausible.charge_compared,
        precharge_seen: precharge_seen(evidence, profile),
        state: facts.state.and_then(|(kind, name)| Some((kind?, name))),
        inverter: facts.inverter,
        unconfirmed,
    }
}

/// What was seen of one member, before anything is concluded from it.
struct Facts {
    readings: Vec<Reading>,
    state: Option<(Option<StateKind>, String)>,
    measured: measure::Measured,
    plausible: plausible::Plausible,
    flagged: flags::FlagPicture,
    pulse: Pulse,
    inverter: InverterLink,
}

impl Facts {
    fn of(evidence: &MemberEvidence, shared: &Shared<'_>) -> Self {
        let profile = shared.profile;
        let readings = readings::readings(evidence, profile, shared.moment, shared.clocks_broke_at);
        let rebooted_at = rebooted_at(evidence, profile);
        let state = state(&readings, profile);
        let kind = state.as_ref().and_then(|(kind, _)| *kind);
        let terminals_before = evidence.before_last(profile, Role::TerminalVoltage);
        let steady = steady(evidence, &readings, profile, shared.moment);
        let measured = measure::measure(&readings, profile, kind, terminals_before, steady);
        let at_rest = measure::at_rest(&readings, profile);
        let counts_from = rebooted_at.max(shared.clocks_broke_at);
        let foreign = shared.foreign_to(evidence.unit);
        let around = Circumstances {
            facts: shared.facts,
            foreign: &foreign,
            asked_from: shared.asked_from.get(&evidence.unit).copied(),
            moment: shared.moment,
            counts_from,
        };
        Self {
            plausible: plausible::look(&readings, evidence, profile, at_rest),
            flagged: flags::picture(evidence, profile, kind, rebooted_at, &measured.settled),
            pulse: own_pulse(evidence, profile, counts_from),
            inverter: link(evidence, profile, &around),
            measured,
            readings,
            state,
        }
    }

    /// Findings, and what keeps a clean verdict out, beginning with the doubts given.
    fn told(
        &self,
        evidence: &MemberEvidence,
        shared: &Shared<'_>,
        mut doubts: Vec<Doubt>,
    ) -> (Vec<Finding>, Vec<Doubt>) {
        let (profile, unit) = (shared.profile, evidence.unit);
        let mut findings = merge(
            self.flagged.findings.clone(),
            self.measured.findings.clone(),
        );
        findings.extend(self.plausible.findings.clone());
        let own = &self.flagged.findings;
        findings.extend(sag::gives_way(evidence, &self.readings, profile, own));
        let (inverter, readings) = (&self.inverter, &self.readings);
        notices::add(
            &mut findings,
            unit,
            inverter,
            shared.facts,
            readings,
            profile,
        );
        let alarm = findings.iter().any(Finding::is_root_alarm);
        let state = self.state.as_ref().and_then(|(kind, _)| *kind);
        let lamps = lamps(shared, &self.flagged.active, alarm, state, unit);
        let said = answers::findings(shared.said, unit);
        doubts.extend(gate::missing(
            readings,
            &evidence.layout,
            profile,
            self.pulse,
            shared.we_asked,
        ));
        doubts.extend(
            lamps
                .iter()
                .map(|f| DoubtKind::LampContradicts.says(&f.text)),
        );
        doubts.extend(said.iter().map(|f| DoubtKind::AnsweredNo.says(&f.text)));
        findings.extend(lamps);
        findings.extend(said);
        doubts.extend(beside::low_by_flag_only(&findings, readings, profile));
        doubts.extend(self.flagged.doubts.clone());
        doubts.extend(self.measured.doubts.clone());
        doubts.extend(self.plausible.doubts.clone());
        doubts.extend(unknown_state(self.state.as_ref()));
        frozen(&mut findings, &mut doubts, self.pulse, unit, shared.facts);
        (findings, doubts)
    }
}

/// Whether the current held still since the oldest of the numbers that must add up was read.
fn steady(
    evidence: &MemberEvidence,
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
    let currents = evidence.series(profile, Role::PackCurrent);
    if currents.is_empty() {
        return true;
    }
    // Shown only by a current before or with the first of them, and one with or after the last.
    let before = currents.partition_point(|(at, _)| *at <= from);
    let bracketed = before > 0 && currents.last().is_some_and(|(at, _)| *at >= until);
    let since = currents.iter().skip(before.saturating_sub(1));
    let (low, high) = since.fold(
        (f64::INFINITY, f64::NEG_INFINITY),
        |(low, high), (_, amps)| (low.min(*amps), high.max(*amps)),
    );
    bracketed && high - low <= 2.0 * profile.unit.rest_current
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
        reading.remark = Some("the unit's own counter stands still".to_owned());
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

/// A state that the profile does not know.
fn unknown_state(state: Option<&(Option<StateKind>, String)>) -> Option<Doubt> {
    match state {
        Some((None, name)) => Some(
            DoubtKind::UndefinedBit.says(format!("state {name}, which the profile does not know")),
        ),
        _ => None,
    }
}

/// Whether the own heartbeat moves, since the last restart or break of the clocks.
fn own_pulse(evidence: &MemberEvidence, profile: &Profile, counts_from: Option<Duration>) -> Pulse {
    let mut series = evidence.series(profile, Role::OwnHeartbeat);
    series.retain(|(at, _)| counts_from.is_none_or(|from| *at >= from));
    pulse(
        &series,
        Duration::from_secs_f64(profile.unit.refresh_s.clamp(0.1, 60.0)),
    )
}

/// Whether the unit was read in its pre-charge since it last started.
fn precharge_seen(evidence: &MemberEvidence, profile: &Profile) -> bool {
    let since = rebooted_at(evidence, profile).unwrap_or_default();
    let states = evidence.states(profile);
    states
        .iter()
        .any(|(at, kind)| *at >= since && *kind == StateKind::Precharge)
}

/// A member that never answered.
pub(crate) fn silent(unit: u8, why: &str) -> Member {
    Member {
        unit,
        kind: VerdictKind::BusProblem,
        why: vec![why.to_owned()],
        doubts: vec![DoubtKind::PackSilent.says(why)],
        without_roots: VerdictKind::BusProblem,
        findings: Vec::new(),
        readings: Vec::new(),
        state: None,
        under_load: false,
        charge_compared: false,
        precharge_seen: false,
        inverter: InverterLink::Unknown("no answer".to_owned()),
        unconfirmed: false,
    }
}

/// The state by name; the kind is absent where the profile does not know the number.
fn state(readings: &[Reading], profile: &Profile) -> Option<(Option<StateKind>, String)> {
    let reading = readings
        .iter()
        .find(|r| r.role == Role::State && r.quality == ReadingQuality::Good)?;
    let raw = reading.raw?;
    let point = profile.points.iter().find(|p| p.id == reading.point)?;
    let named = point.values.iter().find(|v| v.is == raw);
    Some(named.map_or((None, raw.to_string()), |v| (v.state, v.name.clone())))
}

/// A measured violation and a flag of the same class at the same place say the same thing: both
/// are kept, the flag first, and the measurement confirms it.
fn merge(flagged: Vec<Finding>, measured: Vec<Finding>) -> Vec<Finding> {
    let mut all = flagged;
    all.extend(measured);
    sort_by_weight(&mut all);
    all
}

/// Whether this is the unit that the profile describes.
#[derive(Default)]
struct Recognition {
    doubts: Vec<Doubt>,
    /// A value that proves the map was read, and is another one.
    is_another_map: bool,
}

fn recognition(readings: &[Reading], profile: &Profile, we_asked: bool) -> Recognition {
    use packside_profiles::model::Scalar;
    let mut doubts = Vec::new();
    let mut is_another_map = false;
    for rule in &profile.recognise {
        let reading = readings.iter().find(|r| r.point == rule.point);
        let found = reading.and_then(|r| r.value.as_ref().map(|v| (r, v)));
        let fits = match (&rule.equals, found) {
            (Scalar::Number(n), Some((r, _))) => {
                r.raw.is_some_and(|raw| i128::from(raw) == i128::from(*n))
            }
            (Scalar::Text(t), Some((_, Value::Text(text)))) => text.starts_with(t.as_str()),
            _ => false,
        };
        let unasked = reading.is_some_and(|r| r.quality == ReadingQuality::NeverAsked) && !we_asked;
        if unasked {
            let text = format!(
                "whether this is a {}: nobody asked for it",
                profile.profile.id
            );
            doubts.push(DoubtKind::NotAsked.says(text));
        } else if !fits {
            is_another_map |= found.is_some();
            let seen = found.map_or_else(|| "not readable".to_owned(), |(_, v)| value_text(v));
            doubts.push(DoubtKind::NotRecognised.says(format!(
                "this may not be a {}: {} is {seen}, the profile expects {}",
                profile.profile.id,
                rule.point,
                match &rule.equals {
                    Scalar::Number(n) => n.to_string(),
                    Scalar::Text(t) => format!("\"{t}…\""),
                }
            )));
        }
    }
    let firmware = readings
        .iter()
        .find(|r| r.role == Role::Firmware)
        .and_then(|r| r.value.as_ref())
        .map(value_text);
    let head = &profile.profile;
    if let Some(firmware) = firmware {
        let below = head
            .firmware_from
            .as_ref()
            .is_some_and(|from| version(&firmware) < version(from));
        let above = head
            .firmware_below
            .as_ref()
            .is_some_and(|limit| version(&firmware) >= version(limit));
        if below || above {
            let from = head.firmware_from.as_deref().unwrap_or("any");
            let limit = head.firmware_below.as_deref().unwrap_or("any");
            doubts.push(DoubtKind::NotRecognised.says(format!(
                "firmware {firmware} is outside the range of the profile (from {from}, below {limit})"
            )));
        }
    }
    Recognition {
        doubts,
        is_another_map,
    }
}

/// Dotted numbers, compared part by part.
pub(crate) fn version(text: &str) -> Vec<u32> {
    text.split(|c: char| !c.is_ascii_digit())
        .filter(|part| !part.is_empty())
        .filter_map(|p| p.parse().ok())
        .collect()
}

/// A value for people.
pub(crate) fn value_text(value: &Value) -> String {
    match value {
        Value::Number(number) => number.to_string(),
        Value::Text(text) => text.clone(),
        Value::Bits(bits) => format!("0x{bits:04x}"),
        Value::Code(code) => code.to_string(),
    }
}

/// Signs that two units answer at this address, or that another house does.
fn two_units(evidence: &MemberEvidence, shared: &Shared<'_>, profile: &Profile) -> Vec<Doubt> {
    let mut doubts = identity_changes(evidence, profile);
    doubts.extend(uptime_jumps(evidence, profile));
    let twice = shared.answered_twice.get(&evidence.unit).copied();
    if let Some(times) = twice.filter(|times| *times >= ANSWERED_TWICE) {
        doubts.push(DoubtKind::TwoUnits.says(format!(
            "{times} questions were answered twice, with different content: two units have the address {}",
            evidence.unit
        )));
    }
    doubts
}

/// Serial numbers that change. Modules may have been exchanged while the unit was off: theirs count since
/// its last restart; its own always counts.
fn identity_changes(evidence: &MemberEvidence, profile: &Profile) -> Vec<Doubt> {
    let mut doubts = Vec::new();
    let restarted = rebooted_at(evidence, profile).unwrap_or_default();
    for (instance, point, samples) in evidence.each(profile) {
        let from = match point.role {
            Role::Serial => Duration::ZERO,
            Role::ModuleSerial => restarted,
            _ => continue,
        };
        let mut texts: Vec<String> = Vec::new();
        for sample in samples.iter().filter(|sample| sample.at >= from) {
            let Seen::Decoded(decoded) = &sample.what else {
                continue;
            };
            let Some(Value::Text(text)) = &decoded.value else {
                continue;
            };
            if !texts.contains(text) {
                texts.push(text.clone());
            }
        }
        if texts.len() > 1 {
            doubts.push(DoubtKind::TwoUnits.says(format!(
                "{} changes between {}: two units may answer in turn",
                instance.name,
                texts.join(" and ")
            )));
        }
    }
    doubts
}

/// Uptime that jumps back and forth: a restart only goes back, a clock never runs ahead.
fn uptime_jumps(evidence: &MemberEvidence, profile: &Profile) -> Option<Doubt> {
    let uptime = evidence.series(profile, Role::Uptime);
    let steps = || uptime.iter().zip(uptime.iter().skip(1));
    let back = steps().find(|(a, b)| b.1 + JUMP_S < a.1)?;
    let ahead = steps().find(|(a, b)| {
        let passed = b.0.saturating_sub(a.0);
        passed <= MINUTE && b.1 - a.1 > passed.as_secs_f64() + JUMP_S
    })?;
    Some(DoubtKind::TwoUnits.says(format!(
        "the uptime jumps from {:.0} to {:.0} s and from {:.0} to {:.0} s: two units may answer in turn",
        back.0.1, back.1.1, ahead.0.1, ahead.1.1
    )))
}

/// No uptime runs ahead of the clock by more than this, s.
const JUMP_S: f64 = 5.0;
/// Across longer gaps this computer's own clock may have stood still.
const MINUTE: Duration = Duration::from_secs(60);

/// A heartbeat that stands still: a fault at the unit, perhaps only a cache over a gateway.
fn frozen(
    findings: &mut Vec<Finding>,
    doubts: &mut Vec<Doubt>,
    pulse: Pulse,
    unit: u8,
    facts: Option<&LinkFacts>,
) {
    let Pulse::Frozen { stood } = pulse else {
        return;
    };
    let gateway = facts.is_some_and(LinkFacts::is_gateway);
    let mut text = format!(
        "{STANDS_STILL} for {:.1} s: every value shown may be old, and another fault may hide behind \
         them",
        stood.as_secs_f64()
    );
    if gateway {
        text.push_str("; the gateway may answer from a cache");
        doubts.push(DoubtKind::PerhapsCache.says(&text));
    }
    findings.insert(
        0,
        Finding {
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
            text,
            to_do:
                "stop the inverter, then restart the control unit by the manual: does it return?"
                    .to_owned(),
            since: None,
            returned: false,
            sure: Certainty::Proven,
            disposition: None,
            deciding: None,
        },
    );
}

/// Behind a control unit that stands still neither the terminals nor the current are known.
fn stands_still(findings: &[Finding]) -> Option<String> {
    let stands = |f: &Finding| {
        f.is_root_alarm() && f.source == Source::Measured && f.text.starts_with(STANDS_STILL)
    };
    findings.iter().any(stands).then(|| {
        format!(
            "{}THE CONTROL UNIT STANDS STILL: take the terminals for live and current for flowing, its switches may not obey",
            beside::CAUTION
        )
    })
}

/// How the words of a heartbeat that stands still begin.
const STANDS_STILL: &str = "the own heartbeat has not moved";

/// Whether a root is only a condition or an operator's action.
///
/// A low cell is one only where the profile says below which voltage none may ever be charged: a cell
/// known below it is a root of its own, one that could not be read keeps the gate shut.
fn is_condition(finding: &Finding, profile: &Profile) -> bool {
    let Some(class) = finding.class.filter(|c| c.is_condition()) else {
        return false;
    };
    if !matches!(
        class,
        Class::CellUnderVoltage | Class::PackUnderVoltage | Class::LowCharge
    ) {
        return true;
    }
    profile.cell.is_some()
}

/// The root alarms, as far as they decide.
#[derive(Default)]
struct Roots {
    texts: Vec<String>,
    only_conditions: bool,
    unconfirmed: bool,
}

impl Roots {
    fn of(findings: &[Finding], profile: &Profile, unconfirmed: bool) -> Self {
        let roots: Vec<&Finding> = findings.iter().filter(|f| f.is_root_alarm()).collect();
        Self {
            texts: roots.iter().map(|f| f.text.clone()).collect(),
            only_conditions: roots.iter().all(|f| is_condition(f, profile)),
            unconfirmed,
        }
    }
}

/// Root alarms first; then anything missing or contradictory; only then the inverter link.
fn decide(
    roots: &Roots,
    doubts: &mut Vec<Doubt>,
    inverter: &InverterLink,
    state: Option<StateKind>,
    profile: &Profile,
) -> (VerdictKind, Vec<String>) {
    let mut why = roots.texts.clone();
    if !why.is_empty() && !roots.only_conditions {
        if roots.unconfirmed {
            why.push("unconfirmed: the map could not be recognised for certain".to_owned());
        }
        let hides = |doubt: &&Doubt| doubt.kind == DoubtKind::MayHide;
        why.extend(doubts.iter().filter(hides).map(|doubt| doubt.text.clone()));
        return (VerdictKind::Fault, why);
    }
    if !doubts.is_empty() {
        why.splice(0..0, doubt::told(doubts));
        return (VerdictKind::Undecided, why);
    }
    if !why.is_empty() {
        return (VerdictKind::NotReady, why);
    }
    match by_inverter(inverter, state, profile) {
        Ok((kind, why)) => (kind, vec![why]),
        Err(doubt) => {
            let why = vec![doubt.text.clone()];
            doubts.push(doubt);
            (VerdictKind::Undecided, why)
        }
    }
}

/// Nothing is wrong and nothing is missing: what remains is the inverter link.
fn by_inverter(
    inverter: &InverterLink,
    state: Option<StateKind>,
    profile: &Profile,
) -> Result<(VerdictKind, String), Doubt> {
    let silence_s = profile.inverter.silence_s;
    match (inverter, state) {
        (_, Some(StateKind::Fault)) => Err(DoubtKind::FaultStateOnly
            .says("the unit is in its fault state, yet no flag and no number says why")),
        (_, Some(StateKind::Maintenance)) => Ok((
            VerdictKind::NotReady,
            "the unit is in its maintenance state".to_owned(),
        )),
        (InverterLink::TooEarly { remaining_s }, _) => Err(DoubtKind::TooEarly.says(format!(
            "too early: the silence time of {silence_s} s is not over ({remaining_s} s to go), so neither the \
             inverter nor its absence has shown"
        ))),
        (InverterLink::Woke(why), _) => Err(DoubtKind::WokeAfterUs.says(why)),
        (InverterLink::Unknown(why), _) => Err(DoubtKind::LinkUnknown.says(why)),
        (InverterLink::SilentSoFar { proven, fed_by_us }, _) => {
            let heard = if *proven {
                " and never did since power-up"
            } else {
                "; whether it was ever heard is not known"
            };
            let why = if *fed_by_us {
                format!(
                    "the unit said that it hears no inverter until we asked; nobody else was heard since, so it takes our \
                     own questions for the inverter{heard}"
                )
            } else {
                format!("the unit has not heard an inverter for {silence_s} s{heard}")
            };
            Ok((VerdictKind::AwaitingInverter, why))
        }
        (InverterLink::Lost { heard_s }, _) => {
            let why = match heard_s {
                Some(ago) => format!(
                    "the unit heard its inverter until {ago} s ago and not since: look at the inverter, then at its cable"
                ),
                None => format!(
                    "the inverter was heard before and has been silent for {silence_s} s or more"
                ),
            };
            Ok((VerdictKind::InverterLost, why))
        }
        (InverterLink::Heard, Some(StateKind::Standby | StateKind::Running)) => Ok((
            VerdictKind::Normal,
            "the inverter is heard and the unit is in service".to_owned(),
        )),
        (InverterLink::Heard, state) => Err(DoubtKind::NotInService.says(format!(
            "the inverter is heard, but the unit is in state {} and not in service: look again in a few seconds",
            state.map_or("unknown", StateKind::id)
        ))),
    }
}

/// Whether we sit in the inverter's socket and silenced it ourselves.
pub(crate) fn we_hold_its_socket(facts: Option<&LinkFacts>) -> bool {
    facts.is_some_and(|f| f.plugged == Some(Plugged::InsteadOfInverter))
}
