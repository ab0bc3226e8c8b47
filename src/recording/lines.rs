//! Lines of a recording as JSON, and back.
//!
//! Does not: hash, or touch a file. Bytes are lower-case hex. A member that is not known is passed
//! over, one that is missing or of another kind makes the line unreadable, and says which.

use std::time::Duration;

use packside_profiles::{Foreign, LineSettings};
use serde::Deserialize;
use serde_json::{Map, Value as Json, json};

use super::{Entry, Header, ProfileText, SCHEMA, Shown, ShownFact, Start};
use crate::event::{AnswerValue, Consent, Event, LinkFacts, LinkKind, Plugged, StepAnswer, What};
use crate::wire::Framing;
use crate::wire::{Ask, hex};

/// A line that could be understood.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum RecordingLine {
    Header(Header),
    Start(Start),
    Entry(Entry),
    Seal {
        lines: u64,
    },
    /// Of a type that a later version may have added.
    Unknown(Foreign),
}

pub(super) fn header(header: &Header) -> Json {
    let profile = header
        .profile
        .as_ref()
        .map(|p| json!({ "id": p.id, "sha256": p.sha256, "text": p.text }));
    json!({
        "type": "header", "schema": SCHEMA, "tool": header.tool,
        "simulated_seed": header.simulated_seed, "profile": profile,
    })
}

pub(super) fn start(start: &Start) -> Json {
    json!({ "type": "session", "utc": start.utc, "offset_minutes": start.offset_minutes })
}

pub(super) fn seal(lines: u64) -> Json {
    json!({ "type": "seal", "lines": lines })
}

pub(super) fn entry(entry: &Entry) -> Json {
    match entry {
        Entry::Event(event) => self::event(event),
        Entry::Unit(serial) => json!({ "type": "unit", "serial": serial.as_given() }),
        Entry::Shown(shown) => json!({
            "type": "shown", "at_ns": nanos(shown.at), "tool": shown.tool,
            "verdict": shown.verdict, "summary": shown.summary,
            "facts": shown.facts.as_ref().map(|facts| facts.iter().map(fact).collect::<Vec<_>>()),
        }),
        Entry::Afresh(on) => json!({ "type": "afresh", "on": on }),
    }
}

fn fact(fact: &ShownFact) -> Json {
    json!({
        "id": fact.id, "unit": fact.unit, "module": fact.module, "item": fact.item, "source": fact.source,
    })
}

fn event(event: &Event) -> Json {
    let at = nanos(event.at);
    match &event.what {
        What::Opened(facts) => opened(at, facts),
        What::Asked {
            exchange,
            ask,
            transaction,
            deadline,
        } => json!({
            "type": "asked", "at_ns": at, "exchange": exchange, "unit": ask.unit, "pdu": hex(&ask.encode_pdu()),
            "transaction": transaction, "deadline_ns": nanos(*deadline),
        }),
        What::Out(bytes) => json!({ "type": "out", "at_ns": at, "bytes": hex(bytes) }),
        What::In(bytes) => json!({ "type": "in", "at_ns": at, "bytes": hex(bytes) }),
        What::Marked(places) => json!({ "type": "marked", "at_ns": at, "places": places }),
        What::DeadlinePassed { exchange } => {
            json!({ "type": "deadline", "at_ns": at, "exchange": exchange })
        }
        What::Lost { why } => json!({ "type": "lost", "at_ns": at, "why": why.as_given() }),
        What::Back => json!({ "type": "back", "at_ns": at }),
        What::Listening(on) => json!({ "type": "listening", "at_ns": at, "on": on }),
        What::Clock(utc) => json!({ "type": "clock", "at_ns": at, "utc": utc }),
        What::Sighting { lamp, pattern } => {
            json!({ "type": "sighting", "at_ns": at, "lamp": lamp.as_given(), "pattern": pattern.as_given() })
        }
        What::Mark(name) => json!({ "type": "mark", "at_ns": at, "name": name.as_given() }),
        What::Answer(answer) => json!({
            "type": "answer", "at_ns": at, "step": answer.step.as_given(), "question": answer.question.as_given(),
            "value": answer.value.text().as_given(), "kind": answer.value.kind(),
            "note": answer.note.as_ref().map(Foreign::as_given),
        }),
        What::Photo { step, file, sha256 } => {
            json!({ "type": "photo", "at_ns": at, "step": step.as_given(), "file": file.as_given(), "sha256": sha256 })
        }
    }
}

fn opened(at: u64, facts: &LinkFacts) -> Json {
    let (kind, place, line) = match &facts.kind {
        LinkKind::Serial { port, line } => ("serial", port, Some(line)),
        LinkKind::Gateway { address } => ("gateway", address, None),
        LinkKind::Simulated { scenario, line } => ("simulated", scenario, line.as_ref()),
    };
    let framing = match facts.framing {
        Framing::Rtu => "rtu",
        Framing::Tcp => "tcp",
    };
    json!({
        "type": "opened", "at_ns": at, "kind": kind, "place": place.as_given(), "line": line.map(ToString::to_string),
        "framing": framing, "plugged": facts.plugged.map(Plugged::id),
        "ask_anyway": facts.consent != Consent::default(),
        "may_wake": facts.consent.may_wake, "beside_others": facts.consent.beside_others,
    })
}

/// Length of what stands at the end of every line: `,"h":"` and sixteen digits, `"}`.
const SEAL: usize = 6 + super::chain::DIGITS + 2;

/// Reads a line of bytes in or out, of which a recording is full, as this version writes it.
/// Whatever is not exactly that goes the long way, which also says what is wrong with it.
fn bytes(object: &str) -> Option<Event> {
    let (is_in, rest) = match object.strip_prefix("{\"type\":\"in\",\"at_ns\":") {
        Some(rest) => (true, rest),
        None => (false, object.strip_prefix("{\"type\":\"out\",\"at_ns\":")?),
    };
    let (at, rest) = rest.split_once(',')?;
    // No sign, which a number of JSON could not have.
    let at = Some(at).filter(|at| at.bytes().all(|digit| digit.is_ascii_digit()))?;
    let (digits, end) = rest.strip_prefix("\"bytes\":\"")?.split_once('"')?;
    if !end.starts_with(",\"h\":\"") || end.len() != SEAL {
        return None;
    }
    let bytes = unhex(digits)?;
    Some(Event {
        at: Duration::from_nanos(at.parse().ok()?),
        what: if is_in {
            What::In(bytes)
        } else {
            What::Out(bytes)
        },
    })
}

/// A question.
#[derive(Deserialize)]
struct AskedLine<'a> {
    at_ns: u64,
    exchange: u32,
    unit: u8,
    pdu: &'a str,
    transaction: Option<u16>,
    deadline_ns: u64,
}

/// Reads a question without a tree of values in between.
fn asked(object: &str) -> Option<Event> {
    if !object.starts_with("{\"type\":\"asked\",") {
        return None;
    }
    let line: AskedLine = serde_json::from_str(object).ok()?;
    Some(Event {
        at: Duration::from_nanos(line.at_ns),
        what: What::Asked {
            exchange: line.exchange,
            ask: Ask::from_pdu(line.unit, &unhex(line.pdu)?)?,
            transaction: line.transaction,
            deadline: Duration::from_nanos(line.deadline_ns),
        },
    })
}

/// Reads one object. The error says what was expected.
pub(super) fn understand(object: &str) -> Result<RecordingLine, String> {
    if let Some(event) = bytes(object).or_else(|| asked(object)) {
        return Ok(RecordingLine::Entry(Entry::Event(event)));
    }
    let json: Json = serde_json::from_str(object).map_err(|error| format!("JSON: {error}"))?;
    let members = ObjectMembers(json.as_object().ok_or("expected an object")?);
    match members.text("type")? {
        "header" => members.header().map(RecordingLine::Header),
        "session" => Ok(RecordingLine::Start(Start {
            utc: members.owned("utc")?,
            offset_minutes: members.get("offset_minutes", |v| {
                v.as_i64().and_then(|n| i32::try_from(n).ok())
            })?,
        })),
        "seal" => Ok(RecordingLine::Seal {
            lines: members.get("lines", Json::as_u64)?,
        }),
        "unit" => Ok(RecordingLine::Entry(Entry::Unit(
            members.foreign("serial")?,
        ))),
        "shown" => Ok(RecordingLine::Entry(Entry::Shown(Shown {
            at: members.time("at_ns")?,
            tool: members.owned("tool")?,
            verdict: members.owned("verdict")?,
            summary: members.owned("summary")?,
            facts: members.facts_shown()?,
        }))),
        "afresh" => Ok(RecordingLine::Entry(Entry::Afresh(
            members.get("on", Json::as_bool)?,
        ))),
        kind => match members.what(kind)? {
            Some(what) => Ok(RecordingLine::Entry(Entry::Event(Event {
                at: members.time("at_ns")?,
                what,
            }))),
            None => Ok(RecordingLine::Unknown(kind.into())),
        },
    }
}

/// The members of an object.
struct ObjectMembers<'a>(&'a Map<String, Json>);

impl<'a> ObjectMembers<'a> {
    fn get<T>(&self, key: &str, read: impl Fn(&'a Json) -> Option<T>) -> Result<T, String> {
        let found = self
            .0
            .get(key)
            .ok_or_else(|| format!("expected \"{key}\", found none"))?;
        read(found).ok_or_else(|| format!("\"{key}\": found {found}, which it cannot be"))
    }

    fn text(&self, key: &str) -> Result<&'a str, String> {
        self.get(key, Json::as_str)
    }

    fn foreign(&self, key: &str) -> Result<Foreign, String> {
        self.text(key).map(Foreign::from)
    }

    fn owned(&self, key: &str) -> Result<String, String> {
        self.text(key).map(str::to_owned)
    }

    fn time(&self, key: &str) -> Result<Duration, String> {
        self.get(key, Json::as_u64).map(Duration::from_nanos)
    }

    fn small<T: TryFrom<u64>>(&self, key: &str) -> Result<T, String> {
        self.get(key, |v| v.as_u64().and_then(|n| T::try_from(n).ok()))
    }

    /// A member that may be null.
    fn maybe<T>(
        &self,
        key: &str,
        read: impl Fn(&'a Json) -> Option<T>,
    ) -> Result<Option<T>, String> {
        self.get(key, |v| {
            if v.is_null() {
                Some(None)
            } else {
                read(v).map(Some)
            }
        })
    }

    /// What was found; nothing where an earlier version wrote the line.
    fn facts_shown(&self) -> Result<Option<Vec<ShownFact>>, String> {
        if !self.0.contains_key("facts") {
            return Ok(None);
        }
        let Some(all) = self.maybe("facts", Json::as_array)? else {
            return Ok(None);
        };
        let fact = |json: &Json| {
            let members = ObjectMembers(json.as_object().ok_or("\"facts\": expected objects")?);
            let place = |key| {
                let number = |v: &Json| v.as_u64().and_then(|n| u16::try_from(n).ok());
                members.maybe(key, number)
            };
            Ok(ShownFact {
                id: members.owned("id")?,
                unit: members.small("unit")?,
                module: place("module")?,
                item: place("item")?,
                source: members.owned("source")?,
            })
        };
        all.iter()
            .map(fact)
            .collect::<Result<_, String>>()
            .map(Some)
    }

    fn bytes(&self, key: &str) -> Result<Vec<u8>, String> {
        self.get(key, |v| unhex(v.as_str()?))
    }

    fn header(&self) -> Result<Header, String> {
        let schema = self.text("schema")?;
        if schema != SCHEMA {
            return Err(format!("schema: expected {SCHEMA}, found {schema}"));
        }
        let profile = self.maybe("profile", Json::as_object)?.map(ObjectMembers);
        let profile = profile.map(|p| {
            Ok::<_, String>(ProfileText {
                id: p.owned("id")?,
                sha256: p.owned("sha256")?,
                text: p.owned("text")?,
            })
        });
        Ok(Header {
            tool: self.owned("tool")?,
            profile: profile.transpose()?,
            simulated_seed: self.maybe("simulated_seed", Json::as_u64)?,
        })
    }

    /// What happened; nothing where this type of line is not known.
    fn what(&self, kind: &str) -> Result<Option<What>, String> {
        Ok(Some(match kind {
            "opened" => What::Opened(self.facts()?),
            "asked" => What::Asked {
                exchange: self.small("exchange")?,
                ask: self.ask()?,
                transaction: self.maybe("transaction", |v| {
                    v.as_u64().and_then(|n| u16::try_from(n).ok())
                })?,
                deadline: self.time("deadline_ns")?,
            },
            "out" => What::Out(self.bytes("bytes")?),
            "in" => What::In(self.bytes("bytes")?),
            "marked" => What::Marked(self.get("places", |v| {
                let place = |v: &Json| usize::try_from(v.as_u64()?).ok();
                v.as_array()?.iter().map(place).collect()
            })?),
            "deadline" => What::DeadlinePassed {
                exchange: self.small("exchange")?,
            },
            "lost" => What::Lost {
                why: self.foreign("why")?,
            },
            "back" => What::Back,
            "listening" => What::Listening(self.get("on", Json::as_bool)?),
            "clock" => What::Clock(self.owned("utc")?),
            "sighting" => What::Sighting {
                lamp: self.foreign("lamp")?,
                pattern: self.foreign("pattern")?,
            },
            "mark" => What::Mark(self.foreign("name")?),
            "answer" => What::Answer(StepAnswer {
                step: self.foreign("step")?,
                question: self.foreign("question")?,
                value: self.answer()?,
                note: self.maybe("note", |v| v.as_str().map(Foreign::from))?,
            }),
            "photo" => What::Photo {
                step: self.foreign("step")?,
                file: self.foreign("file")?,
                sha256: self.owned("sha256")?,
            },
            _ => return Ok(None),
        }))
    }

    /// What was answered; older versions did not write of what kind it is.
    fn answer(&self) -> Result<AnswerValue, String> {
        let value = self.owned("value")?;
        if !self.0.contains_key("kind") {
            return Ok(AnswerValue::untyped(&value));
        }
        let kind = self.text("kind")?;
        AnswerValue::read(kind, &value)
            .ok_or_else(|| format!("\"value\": expected an answer of kind {kind}, found {value}"))
    }

    fn ask(&self) -> Result<Ask, String> {
        let (unit, pdu) = (self.small("unit")?, self.bytes("pdu")?);
        Ask::from_pdu(unit, &pdu)
            .ok_or_else(|| "\"pdu\": no question that this tool asks".to_owned())
    }

    fn facts(&self) -> Result<LinkFacts, String> {
        let place = self.foreign("place")?;
        let line = self.maybe("line", |v| v.as_str()?.parse::<LineSettings>().ok())?;
        let kind = match (self.text("kind")?, line) {
            ("serial", Some(line)) => LinkKind::Serial { port: place, line },
            ("simulated", line) => LinkKind::Simulated {
                scenario: place,
                line,
            },
            ("gateway", _) => LinkKind::Gateway { address: place },
            (kind, _) => {
                return Err(format!(
                    "\"kind\": {kind} without line settings, or unknown"
                ));
            }
        };
        let framing = self.get("framing", |v| match v.as_str()? {
            "rtu" => Some(Framing::Rtu),
            "tcp" => Some(Framing::Tcp),
            _ => None,
        })?;
        let plugged = self.maybe("plugged", |v| {
            Plugged::ALL
                .into_iter()
                .find(|p| v.as_str() == Some(p.id()))
        })?;
        Ok(LinkFacts {
            kind,
            framing,
            plugged,
            consent: self.consent()?,
        })
    }

    /// Older files have one word for both.
    fn consent(&self) -> Result<Consent, String> {
        let both = self.get("ask_anyway", Json::as_bool)?;
        let word = |key| match self.0.contains_key(key) {
            true => self.get(key, Json::as_bool),
            false => Ok(both),
        };
        Ok(Consent {
            may_wake: word("may_wake")?,
            beside_others: word("beside_others")?,
        })
    }
}

pub(super) fn nanos(time: Duration) -> u64 {
    // 584 years.
    u64::try_from(time.as_nanos()).unwrap_or(u64::MAX)
}

fn unhex(text: &str) -> Option<Vec<u8>> {
    let (pairs, rest) = text.as_bytes().as_chunks::<2>();
    if !rest.is_empty() {
        return None;
    }
    let mut bytes = Vec::with_capacity(pairs.len());
    for [high, low] in pairs {
        bytes.push(nibble(*high)? << 4 | nibble(*low)?);
    }
    Some(bytes)
}

/// `char::to_digit` takes five times as long, on what most of a recording consists of.
fn nibble(digit: u8) -> Option<u8> {
    match digit {
        b'0'..=b'9' => Some(digit - b'0'),
        b'a'..=b'f' => Some(digit - b'a' + 10),
        b'A'..=b'F' => Some(digit - b'A' + 10),
        _ => None,
    }
}
