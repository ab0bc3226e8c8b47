//! Who answers: recognition registers of the known maps, the open marks, and what it says of itself.
//!
//! Input: a unit that answers, exchanges with it. Output: the questions to ask it, and an
//! [`FoundIdentity`]. Does not: judge the battery, or read anything that a map says is lost when read.
//!
//! # In which order
//! One probe per map, those whose factory settings fit first; at the first map that fits all its
//! marks the rest is not asked. Then the mark of the open models. Functions 2B and 11 only where the
//! map lists them, or where no map fits: weak firmware hangs on them, so afterwards it is asked
//! something that it has answered before, and whether it still does is said.
//!
//! # Sources
//! - SunSpec: "SunS" at 40000, 0 or 50000 (as PyPI pysunspec2 1.3.7 looks for it)
//! - Modbus Application Protocol V1.1b3, 6.13 (report server id) and 6.21 (device identification)

use std::collections::VecDeque;
use std::time::Duration;

use packside_profiles::model::{Base, Profile, Scalar, Table};
use packside_profiles::sunspec::{Chain, MARK_AT, NoMap, UnitAt, map_of};
use packside_profiles::{Instance, Known, Layout, Role, Value, decode};

use super::found::{Found, asked_at};
use crate::ask::{Exchange, Outcome, Silence};
use crate::wire::Framing;
use crate::wire::{Answer, Ask, ByteSpan, ByteStamp, Question, SpanKind, Splitter};

/// The mark of the open models.
const SUNSPEC: [u16; 2] = [0x5375, 0x6e53];
/// Times that a question is asked where what comes is damaged, or nothing comes.
const TRIES: u32 = 3;
/// Times that the serial is read, to see whether it is always the same; before the last one nothing
/// is asked for as long as an answer may take, so that a second, slower unit is heard.
const READINGS: u8 = 3;

/// Longest wait for the begin of an answer of a unit that has answered before.
pub const WAIT: Duration = Duration::from_millis(700);

/// A question that tells units of one map from others.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Probe {
    /// Index of the profile; nothing for the open models.
    pub profile: Option<usize>,
    /// What to ask.
    pub question: Question,
}

/// One probe per map, then the open models.
pub fn probes(profiles: &[Profile]) -> Vec<Probe> {
    let of_profile = |(index, profile): (usize, &Profile)| {
        let rule = profile.recognise.first()?;
        let question = question_of(&place_of(profile, &rule.point)?);
        Some(Probe {
            profile: Some(index),
            question,
        })
    };
    let open = Probe {
        profile: None,
        question: sunspec_at(40_000),
    };
    let known = profiles.iter().enumerate().filter_map(of_profile);
    known.chain([open]).collect()
}

/// A map, and why it is or is not the unit's.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Candidate {
    /// Id of the profile.
    pub profile: String,
    /// Whether all its marks fit, or one does not; nothing where it was not asked, or said nothing.
    pub fits: Option<bool>,
    /// The unit answers at its factory settings and address.
    pub factory: bool,
    /// What speaks for or against it.
    pub reasons: Vec<String>,
}

/// What is known of who answers.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct FoundIdentity {
    /// Maps, best first.
    pub candidates: Vec<Candidate>,
    /// Register of the mark of the open models.
    pub sunspec: Option<u16>,
    /// The models in its chain, where they were read.
    pub chain: Option<Chain>,
    /// The map made of them.
    pub described: Option<SelfMap>,
    /// Device identification: object and text.
    pub device: Vec<(u8, String)>,
    /// Data of the server id.
    pub server_id: Option<Vec<u8>>,
    /// Serial number, by the map that fits.
    pub serial: Option<String>,
    /// Firmware, by the map that fits.
    pub firmware: Option<String>,
    /// What is odd about it.
    pub oddities: Vec<Oddity>,
}

/// What a unit that describes itself gives.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum SelfMap {
    /// The text of a register map.
    Made(String),
    /// None, and why.
    No(NoMap),
}

/// Something odd about a unit.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Oddity {
    /// The serial changes from reading to reading.
    #[error("two units answer in turn at this address: the serial was {}", .0.join(", then "))]
    TwoInTurn(Vec<String>),
    /// A question that was answered is answered once more.
    #[error(
        "what is asked is answered twice: two units share this address, one slower than the other, or a gateway \
         repeats what it has said"
    )]
    AnsweredTwice,
    /// Answers that differ from unit to unit are damaged, others are not.
    #[error(
        "its answers are damaged where units differ and clean where they are alike: two units share this address"
    )]
    TwoAtOnce,
    /// It no longer answers what it answered before.
    #[error(
        "it has fallen silent after function {0:02x} hex; switch it off and on before you trust it"
    )]
    HungAfter(u8),
}

impl Oddity {
    /// Whether another unit may have given any of the answers.
    pub fn is_shared_address(&self) -> bool {
        !matches!(self, Self::HungAfter(_))
    }
}

impl FoundIdentity {
    /// Whether two say the same of themselves: a serial, or else everything.
    pub fn is_like(&self, other: &Self) -> bool {
        match (&self.serial, &other.serial) {
            (Some(one), Some(other)) => one == other,
            (None, None) => {
                (self.profile(), self.sunspec, &self.device, &self.server_id)
                    == (
                        other.profile(),
                        other.sunspec,
                        &other.device,
                        &other.server_id,
                    )
            }
            _ => false,
        }
    }

    /// Whether another unit may have given any of the answers.
    pub fn is_shared_address(&self) -> bool {
        self.oddities.iter().any(Oddity::is_shared_address)
    }

    /// Takes the chain of models, and makes a map of it.
    pub fn take_chain(&mut self, chain: Chain, at: UnitAt) {
        self.described = Some(match map_of(&chain, at) {
            Ok(text) => SelfMap::Made(text),
            Err(why) => SelfMap::No(why),
        });
        self.chain = Some(chain);
    }

    /// The map that fits.
    pub fn profile(&self) -> Option<&str> {
        let fitting = self.candidates.iter().find(|one| one.fits == Some(true));
        fitting.map(|one| one.profile.as_str())
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Inquiry {
    Mark {
        profile: usize,
        rule: usize,
    },
    SunSpec(u16),
    Device,
    ServerId,
    /// Does it still answer what it answered before, after this function?
    Alive(u8),
    Serial {
        profile: usize,
        nth: u8,
    },
    Firmware {
        profile: usize,
    },
}

/// Finds out who a unit is.
#[derive(Debug, Clone)]
pub struct Who<'p> {
    profiles: &'p [Profile],
    found: Found,
    steps: VecDeque<Inquiry>,
    tries: u32,
    damaged: u32,
    /// A question had no answer in time, which may still come.
    has_waited_in_vain: bool,
    serials: Vec<String>,
    identity: FoundIdentity,
}

impl<'p> Who<'p> {
    /// Of a unit that was found.
    pub fn new(found: &Found, profiles: &'p [Profile]) -> Self {
        let candidate = |profile: &Profile| Candidate {
            profile: profile.profile.id.clone(),
            fits: None,
            factory: profile.answering.unit == found.unit
                && asked_at(profile.answering.line) == found.line,
            reasons: Vec::new(),
        };
        let candidates: Vec<Candidate> = profiles.iter().map(candidate).collect();
        let mut by_factory: Vec<usize> = (0..profiles.len()).collect();
        by_factory.sort_by_key(|index| candidates.get(*index).is_none_or(|one| !one.factory));
        let marks = by_factory.into_iter().filter(|index| {
            let has_marks = |profile: &Profile| !profile.recognise.is_empty();
            profiles.get(*index).is_some_and(has_marks)
        });
        let mut steps: VecDeque<Inquiry> = marks
            .map(|profile| Inquiry::Mark { profile, rule: 0 })
            .collect();
        steps.extend(MARK_AT.map(Inquiry::SunSpec));
        steps.extend([Inquiry::Device, Inquiry::ServerId]);
        Self {
            profiles,
            found: found.clone(),
            steps,
            tries: 0,
            damaged: 0,
            has_waited_in_vain: false,
            serials: Vec::new(),
            identity: FoundIdentity {
                candidates,
                ..FoundIdentity::default()
            },
        }
    }

    /// The next question, if there is one.
    pub fn wanted(&mut self) -> Option<Ask> {
        while let Some(step) = self.steps.front() {
            if let Some(question) = self.question(*step) {
                let unit = self.found.unit;
                return Some(Ask { unit, question });
            }
            self.steps.pop_front();
        }
        None
    }

    /// Longest wait for the begin of its answer: longer for one that was slow.
    pub fn wait(&self) -> Duration {
        let slow = self.found.answer_time.map_or(WAIT, |time| time * 2);
        slow.max(WAIT)
    }

    /// How long only to listen before the next question.
    pub fn listens_first(&self) -> Option<Duration> {
        let last = READINGS - 1;
        let is_last =
            matches!(self.steps.front(), Some(Inquiry::Serial { nth, .. }) if *nth == last);
        (is_last && self.tries == 0).then(|| self.wait())
    }

    /// Bytes came while nothing was asked.
    pub fn overhear(&mut self, bytes: &[u8]) {
        if self.has_waited_in_vain {
            return;
        }
        let mut splitter = Splitter::new(Framing::Rtu);
        let stamp = ByteStamp {
            at: Duration::ZERO,
            during: None,
        };
        splitter.push(bytes, stamp);
        let from_it = |span: &ByteSpan| {
            span.kind == SpanKind::Frame && span.bytes.first() == Some(&self.found.unit)
        };
        let mut spans = std::iter::from_fn(|| splitter.next(None, true));
        if spans.any(|span| from_it(&span)) && !self.identity.is_shared_address() {
            self.identity.oddities.push(Oddity::AnsweredTwice);
        }
    }

    /// Takes what came of it.
    pub fn take(&mut self, exchange: &Exchange) {
        let Some(step) = self.steps.front().copied() else {
            return;
        };
        self.tries += 1;
        self.has_waited_in_vain |= !is_answer(&exchange.outcome);
        if let Outcome::TimedOut(silence) = exchange.outcome {
            self.damaged += u32::from(silence == Silence::Damaged);
            let tries = if silence == Silence::Nothing {
                TRIES - 1
            } else {
                TRIES
            };
            if self.tries < tries {
                return;
            }
        }
        let is_garbled = self.damaged >= TRIES;
        (self.tries, self.damaged) = (0, 0);
        self.steps.pop_front();
        match step {
            Inquiry::Mark { profile, rule } => self.mark(profile, rule, &exchange.outcome),
            Inquiry::SunSpec(at) => {
                if registers(&exchange.outcome) == Some(&SUNSPEC[..]) {
                    self.identity.sunspec = Some(at);
                    self.steps
                        .retain(|step| !matches!(step, Inquiry::SunSpec(_)));
                }
            }
            Inquiry::Device => self.device(&exchange.outcome),
            Inquiry::ServerId => {
                if let Outcome::Answered(Answer::ServerId(data)) = &exchange.outcome {
                    self.identity.server_id = Some(data.clone());
                }
                self.after_rare(0x11, &exchange.outcome);
            }
            Inquiry::Alive(function) => {
                if !is_answer(&exchange.outcome) {
                    self.identity.oddities.push(Oddity::HungAfter(function));
                    self.steps.clear();
                }
            }
            Inquiry::Serial { profile, nth } => {
                if is_garbled {
                    self.identity.oddities.push(Oddity::TwoAtOnce);
                    return;
                }
                let text = self.value(profile, Role::Serial, &exchange.outcome);
                self.serials.extend(text);
                if nth + 1 < READINGS {
                    self.steps.push_front(Inquiry::Serial {
                        profile,
                        nth: nth + 1,
                    });
                } else {
                    self.compare_serials();
                }
            }
            Inquiry::Firmware { profile } => {
                self.identity.firmware = self.value(profile, Role::Firmware, &exchange.outcome);
            }
        }
    }

    /// What was found out; maps that fit first, then those not asked, then those ruled out.
    pub fn identity(&self) -> FoundIdentity {
        let mut identity = self.identity.clone();
        let rank = |one: &Candidate| match one.fits {
            Some(true) => 0,
            None => 1 + u8::from(!one.factory),
            Some(false) => 3,
        };
        identity.candidates.sort_by_key(rank);
        for candidate in &mut identity.candidates {
            if candidate.factory {
                let reason = "it answers at the factory settings and address of this map";
                candidate.reasons.push(reason.to_owned());
            }
            if candidate.reasons.is_empty() {
                candidate.reasons.push("not asked for its marks".to_owned());
            }
        }
        identity
    }

    fn question(&self, step: Inquiry) -> Option<Question> {
        match step {
            Inquiry::Mark { profile, rule } => {
                let profile = self.profiles.get(profile)?;
                let point = &profile.recognise.get(rule)?.point;
                let place = place_of(profile, point)?;
                (!is_lost_when_read(profile, &place)).then(|| question_of(&place))
            }
            Inquiry::SunSpec(at) => Some(sunspec_at(at)),
            Inquiry::Device => Some(Question::DeviceId { code: 1, object: 0 }),
            Inquiry::ServerId => Some(Question::ServerId),
            Inquiry::Alive(_) => Some(self.found.ask.question),
            Inquiry::Serial { profile, .. } => self.question_of_role(profile, Role::Serial),
            Inquiry::Firmware { profile } => self.question_of_role(profile, Role::Firmware),
        }
    }

    fn question_of_role(&self, profile: usize, role: Role) -> Option<Question> {
        let profile = self.profiles.get(profile)?;
        let point = profile.points_with(role).next()?;
        let place = place_of(profile, &point.id)?;
        (!is_lost_when_read(profile, &place)).then(|| question_of(&place))
    }

    /// A mark of a map was asked for.
    fn mark(&mut self, index: usize, rule: usize, outcome: &Outcome) {
        let Some(profile) = self.profiles.get(index) else {
            return;
        };
        let Some(mark) = profile.recognise.get(rule) else {
            return;
        };
        let (fits, reason) = compare(profile, &mark.point, &mark.equals, outcome);
        let is_last = rule + 1 >= profile.recognise.len();
        if let Some(candidate) = self.identity.candidates.get_mut(index) {
            candidate.reasons.push(reason);
            candidate.fits = match fits {
                Some(true) if !is_last => None,
                fits => fits,
            };
        }
        if fits != Some(true) {
            return;
        }
        if !is_last {
            self.steps.push_front(Inquiry::Mark {
                profile: index,
                rule: rule + 1,
            });
            return;
        }
        // This map fits: the others are not asked, and rare functions only where it lists them.
        let lists = |function: u8| profile.answering.functions.contains(&function);
        self.steps.retain(|step| match step {
            Inquiry::Device => lists(0x2b),
            Inquiry::ServerId => lists(0x11),
            _ => false,
        });
        self.steps.push_front(Inquiry::Firmware { profile: index });
        self.steps.push_front(Inquiry::Serial {
            profile: index,
            nth: 0,
        });
    }

    fn device(&mut self, outcome: &Outcome) {
        if let Outcome::Answered(Answer::DeviceId { objects, .. }) = outcome {
            let texts = objects.iter().map(|(id, bytes)| {
                let text = String::from_utf8_lossy(bytes);
                (*id, packside_profiles::clean(&text).trim().to_owned())
            });
            self.identity.device = texts.collect();
        }
        self.after_rare(0x2b, outcome);
    }

    /// After a function on which weak firmware hangs: where it gave no answer, does it still live?
    fn after_rare(&mut self, function: u8, outcome: &Outcome) {
        if !is_answer(outcome) {
            self.steps.push_front(Inquiry::Alive(function));
        }
    }

    fn value(&self, index: usize, role: Role, outcome: &Outcome) -> Option<String> {
        let profile = self.profiles.get(index)?;
        let point = profile.points_with(role).next()?;
        let decoded = decode(point, registers(outcome)?, 0).ok()?;
        decoded.value.map(|value| text_of(&value))
    }

    fn compare_serials(&mut self) {
        let first = self.serials.first().cloned();
        if self
            .serials
            .iter()
            .any(|serial| Some(serial) != first.as_ref())
        {
            let seen = std::mem::take(&mut self.serials);
            self.identity.oddities.push(Oddity::TwoInTurn(seen));
            return;
        }
        self.identity.serial = first;
    }
}

/// Whether a mark fits, and the reason in words. Nothing where no answer came.
fn compare(
    profile: &Profile,
    point: &str,
    wanted: &Scalar,
    outcome: &Outcome,
) -> (Option<bool>, String) {
    let where_it_is = place_of(profile, point).map_or_else(String::new, |place| {
        format!(" ({:?} register {})", place.table, place.address).to_lowercase()
    });
    let decoded = profile
        .point(point)
        .zip(registers(outcome))
        .and_then(|(point, words)| decode(point, words, 0).ok());
    let Some(decoded) = decoded else {
        let is_refused = is_answer(outcome) && matches!(outcome, Outcome::Exception(_));
        let why = match outcome {
            Outcome::Exception(code) if is_refused => format!("refused with exception {code:02x}"),
            _ => "not answered".to_owned(),
        };
        return (
            is_refused.then_some(false),
            format!("{point}{where_it_is} is {why}"),
        );
    };
    let (fits, wanted) = match wanted {
        Scalar::Number(number) => (
            i128::from(decoded.raw) == i128::from(*number),
            number.to_string(),
        ),
        Scalar::Text(text) => (
            matches!(&decoded.value, Some(Value::Text(found)) if found.as_given().starts_with(text.as_given())),
            format!("\"{}\" at its begin", text.clean()),
        ),
    };
    let found = decoded
        .value
        .as_ref()
        .map_or_else(|| "not available".to_owned(), text_of);
    let reason = if fits {
        format!("{point}{where_it_is} is {found}, as this map expects")
    } else {
        format!("{point}{where_it_is} is {found}, this map expects {wanted}")
    };
    (Some(fits), reason)
}

fn text_of(value: &Value) -> String {
    match value {
        Value::Text(text) => text.clean().trim().to_owned(),
        Value::Number(number) => number.to_string(),
        Value::Bits(raw) | Value::Code(raw) => raw.to_string(),
    }
}

/// Whether the unit has said something; 0A and 0B are a gateway's words for one that has not.
fn is_answer(outcome: &Outcome) -> bool {
    match outcome {
        Outcome::Answered(_) => true,
        Outcome::Exception(code) => !matches!(code, 0x0a | 0x0b),
        _ => false,
    }
}

fn registers(outcome: &Outcome) -> Option<&[u16]> {
    match outcome {
        Outcome::Answered(Answer::Registers(words)) => Some(words),
        _ => None,
    }
}

/// Where a point stands before anything of the unit is known.
fn place_of(profile: &Profile, point: &str) -> Option<Instance> {
    let index = profile.points.iter().position(|one| one.id == point)?;
    let layout = Layout::new(profile, &Known::default());
    layout
        .instances
        .into_iter()
        .find(|instance| instance.point == index)
}

fn question_of(place: &Instance) -> Question {
    Question::Read {
        table: place.table,
        address: place.address,
        count: place.registers,
    }
}

fn sunspec_at(address: u16) -> Question {
    Question::Read {
        table: Table::Holding,
        address,
        count: 2,
    }
}

/// Whether reading it would lose what it holds.
fn is_lost_when_read(profile: &Profile, place: &Instance) -> bool {
    let last = place
        .address
        .saturating_add(place.registers.saturating_sub(1));
    let mut spans = profile.clears_when_read.iter();
    spans.any(|span| {
        span.table == place.table
            && (span.base != Base::Absolute || (span.from <= last && span.to >= place.address))
    })
}
