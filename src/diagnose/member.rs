//! One unit address: all its facts, and the verdict about it alone.
//!
//! Order: a root alarm or a measured violation decides first, whatever lamp or inverter say; then a
//! frozen heartbeat; then anything missing or contradictory; only then the inverter link.

use std::collections::BTreeMap;
use std::time::Duration;

use packside_profiles::model::{LiesIn, Profile, Severity};
use packside_profiles::{Class, Place, Role, StateKind, Value};

use super::evidence::{MemberEvidence, Seen};
use super::heartbeat::{Pulse, pulse};
use super::inverter::{Circumstances, InverterLink, link, rebooted_at};
use super::judgement::{Finding, Reading, ReadingQuality, Source, VerdictKind, sort_by_weight};
use super::sightings::{self, Sighting};
use super::{answers, flags, gate, measure, notices, readings};
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
    /// What was found.
    pub(crate) findings: Vec<Finding>,
    /// What was read.
    pub(crate) readings: Vec<Reading>,
    /// State of the control unit and its name.
    pub(crate) state: Option<(StateKind, String)>,
    /// The inverter link.
    pub(crate) inverter: InverterLink,
    /// The map could not be confirmed: a clean verdict is out of the question.
    pub(crate) unconfirmed: bool,
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
    /// Questions answered a second time, by unit address.
    pub(crate) answered_twice: &'a BTreeMap<u8, u32>,
    /// What a person found not in order.
    pub(crate) said: &'a [Answer],
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
    let readings = readings::readings(evidence, profile, shared.moment, shared.clocks_broke_at);
    let rebooted_at = rebooted_at(evidence, profile);
    let state = state(&readings, profile);
    let state_kind = state.as_ref().and_then(|(kind, _)| *kind);
    let measured = measure::measure(&readings, profile, state_kind);
    let settled = &measured.settled;
    let flagged = flags::picture(evidence, profile, state_kind, rebooted_at, settled);
    let counts_from = rebooted_at.max(shared.clocks_broke_at);
    let pulse = own_pulse(evidence, profile, counts_from);
    let foreign = shared.foreign_to(evidence.unit);
    let around = Circumstances {
        facts: shared.facts,
        foreign: &foreign,
        moment: shared.moment,
        counts_from,
    };
    let inverter = link(evidence, profile, &around);

    let mut findings = merge(flagged.findings, measured.findings);
    notices::add(
        &mut findings,
        evidence.unit,
        &inverter,
        shared.facts,
        &readings,
        profile,
    );
    let alarm = findings.iter().any(Finding::is_root_alarm);
    let lamps = lamps(shared, &flagged.active, alarm, state_kind, evidence.unit);
    let mut doubts = recognition(&readings, profile);
    let unconfirmed = !doubts.is_empty();
    let two_units = two_units(evidence, shared, profile);
    doubts.extend(gate::missing(&readings, &evidence.layout, profile, pulse));
    let said = answers::findings(shared.said, evidence.unit);
    doubts.extend(lamps.iter().chain(&said).map(|f| f.text.clone()));
    findings.extend(lamps);
    findings.extend(said);
    doubts.extend(flagged.doubts);
    doubts.extend(measured.doubts);
    doubts.extend(unknown_state(state.as_ref()));
    frozen(
        &mut findings,
        &mut doubts,
        pulse,
        evidence.unit,
        shared.facts,
    );
    let roots = Roots::of(&findings, &readings, profile, unconfirmed);
    let (kind, why) = decide(&roots, doubts, &inverter, state_kind, profile);
    // Numbers of two units do not add up: nothing said of them is a statement about either.
    let (kind, why) = if two_units.is_empty() {
        (kind, why)
    } else {
        (VerdictKind::Undecided, [two_units, why].concat())
    };
    Member {
        unit: evidence.unit,
        kind,
        why,
        findings,
        readings,
        state: state.and_then(|(kind, name)| Some((kind?, name))),
        inverter,
        unconfirmed,
    }
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
fn unknown_state(state: Option<&(Option<StateKind>, String)>) -> Option<String> {
    match state {
        Some((None, name)) => Some(format!("state {name}, which the profile does not know")),
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

/// A member that never answered.
pub(crate) fn silent(unit: u8) -> Member {
    Member {
        unit,
        kind: VerdictKind::BusProblem,
        why: vec![format!(
            "unit {unit} gave no valid answer: nothing can be said about it"
        )],
        findings: Vec::new(),
        readings: Vec::new(),
        state: None,
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
fn recognition(readings: &[Reading], profile: &Profile) -> Vec<String> {
    use packside_profiles::model::Scalar;
    let mut doubts = Vec::new();
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
        if !fits {
            let seen = found.map_or_else(|| "not readable".to_owned(), |(_, v)| value_text(v));
            doubts.push(format!(
                "this may not be a {}: {} is {seen}, the profile expects {}",
                profile.profile.id,
                rule.point,
                match &rule.equals {
                    Scalar::Number(n) => n.to_string(),
                    Scalar::Text(t) => format!("\"{t}…\""),
                }
            ));
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
            doubts.push(format!("firmware {firmware} is outside the range of the profile (from {from}, below {limit})"));
        }
    }
    doubts
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
fn two_units(evidence: &MemberEvidence, shared: &Shared<'_>, profile: &Profile) -> Vec<String> {
    let mut doubts = identity_changes(evidence, profile);
    let twice = shared.answered_twice.get(&evidence.unit).copied();
    if let Some(times) = twice.filter(|times| *times >= ANSWERED_TWICE) {
        doubts.push(format!(
            "{times} questions were answered twice, with different content: two units have the address {}",
            evidence.unit
        ));
    }
    doubts
}

/// Serial numbers that change.
fn identity_changes(evidence: &MemberEvidence, profile: &Profile) -> Vec<String> {
    let mut doubts = Vec::new();
    for (instance, point, samples) in evidence.each(profile) {
        if !matches!(point.role, Role::Serial | Role::ModuleSerial) {
            continue;
        }
        let mut texts: Vec<String> = Vec::new();
        for sample in samples {
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
            doubts.push(format!(
                "{} changes between {}: two units may answer in turn",
                instance.name,
                texts.join(" and ")
            ));
        }
    }
    doubts
}

/// A heartbeat that stands still: a fault at the unit, perhaps only a cache over a gateway.
fn frozen(
    findings: &mut Vec<Finding>,
    doubts: &mut Vec<String>,
    pulse: Pulse,
    unit: u8,
    facts: Option<&LinkFacts>,
) {
    let Pulse::Frozen { stood } = pulse else {
        return;
    };
    let gateway = facts.is_some_and(LinkFacts::is_gateway);
    let text = format!(
        "the own heartbeat has not moved for {:.1} s: the answers are stale",
        stood.as_secs_f64()
    );
    if gateway {
        doubts.push(format!("{text}; the gateway may answer from a cache"));
    }
    findings.insert(
        0,
        Finding {
            id: Class::ControlUnitFault.id(),
            class: Some(Class::ControlUnitFault),
            severity: if gateway { Severity::Warning } else { Severity::Alarm },
            source: Source::Measured,
            root: !gateway,
            follows_from: None,
            lies_in: if gateway { LiesIn::Unknown } else { LiesIn::ControlUnit },
            clears: None,
            unit,
            place: Place::default(),
            text,
            to_do: "record this first; then restart the control unit by the manual and see whether it returns".to_owned(),
        },
    );
}

/// Whether a root is only a condition or an operator's action.
fn is_condition(finding: &Finding, readings: &[Reading], profile: &Profile) -> bool {
    let Some(class) = finding.class.filter(|c| c.is_condition()) else {
        return false;
    };
    if !matches!(
        class,
        Class::CellUnderVoltage | Class::PackUnderVoltage | Class::LowCharge
    ) {
        return true;
    }
    let Some(limit) = profile.cell.as_ref().map(|c| c.never_charge_below) else {
        return false;
    };
    let mut cells = readings
        .iter()
        .filter(|r| r.role == Role::CellVoltage)
        .peekable();
    cells.peek().is_some() && cells.all(|cell| cell.number().is_some_and(|volts| volts >= limit))
}

/// The root alarms, as far as they decide.
struct Roots {
    texts: Vec<String>,
    only_conditions: bool,
    unconfirmed: bool,
}

impl Roots {
    fn of(
        findings: &[Finding],
        readings: &[Reading],
        profile: &Profile,
        unconfirmed: bool,
    ) -> Self {
        let roots: Vec<&Finding> = findings.iter().filter(|f| f.is_root_alarm()).collect();
        Self {
            texts: roots.iter().map(|f| f.text.clone()).collect(),
            only_conditions: roots.iter().all(|f| is_condition(f, readings, profile)),
            unconfirmed,
        }
    }
}

/// Root alarms first; then anything missing or contradictory; only then the inverter link.
fn decide(
    roots: &Roots,
    doubts: Vec<String>,
    inverter: &InverterLink,
    state: Option<StateKind>,
    profile: &Profile,
) -> (VerdictKind, Vec<String>) {
    let mut why = roots.texts.clone();
    if !why.is_empty() && !roots.only_conditions {
        if roots.unconfirmed {
            why.push("unconfirmed: the map could not be recognised for certain".to_owned());
        }
        return (VerdictKind::Fault, why);
    }
    if !doubts.is_empty() {
        why.splice(0..0, doubts);
        return (VerdictKind::Undecided, why);
    }
    if !why.is_empty() {
        return (VerdictKind::NotReady, why);
    }
    by_inverter(inverter, state, profile)
}

/// Nothing is wrong and nothing is missing: what remains is the inverter link.
fn by_inverter(
    inverter: &InverterLink,
    state: Option<StateKind>,
    profile: &Profile,
) -> (VerdictKind, Vec<String>) {
    let silence_s = profile.inverter.silence_s;
    match (inverter, state) {
        (_, Some(StateKind::Fault)) => (
            VerdictKind::Undecided,
            vec!["the unit is in its fault state, yet no flag and no number says why".to_owned()],
        ),
        (_, Some(StateKind::Maintenance)) => (
            VerdictKind::NotReady,
            vec!["the unit is in its maintenance state".to_owned()],
        ),
        (InverterLink::TooEarly { remaining_s }, _) => (
            VerdictKind::Undecided,
            vec![format!(
                "too early: the silence time of {silence_s} s is not over ({remaining_s} s to go), so neither the \
                 inverter nor its absence has shown"
            )],
        ),
        (InverterLink::Unknown(why), _) => (VerdictKind::Undecided, vec![why.clone()]),
        (InverterLink::SilentSoFar { proven }, _) => {
            let heard = if *proven {
                " and never did since power-up"
            } else {
                "; whether it was ever heard is not known"
            };
            (
                VerdictKind::AwaitingInverter,
                vec![format!(
                    "the unit has not heard an inverter for {silence_s} s{heard}"
                )],
            )
        }
        (InverterLink::Lost, _) => (
            VerdictKind::InverterLost,
            vec![format!(
                "the inverter was heard before and has been silent for {silence_s} s or more"
            )],
        ),
        (InverterLink::Heard, Some(StateKind::Standby | StateKind::Running)) => (
            VerdictKind::Normal,
            vec!["the inverter is heard and the unit is in service".to_owned()],
        ),
        (InverterLink::Heard, state) => (
            VerdictKind::Undecided,
            vec![format!(
                "the inverter is heard, but the unit is in state {} and not in service: look again in a few seconds",
                state.map_or("unknown", StateKind::id)
            )],
        ),
    }
}

/// Whether we sit in the inverter's socket and silenced it ourselves.
pub(crate) fn we_hold_its_socket(facts: Option<&LinkFacts>) -> bool {
    facts.is_some_and(|f| f.plugged == Some(Plugged::InsteadOfInverter))
}
