//! What an overheard line amounts to, in words that a technician understands.
//!
//! Input: counts, the time listened, the first bytes. Output: [`Picture`]s, the leading one first.
//!
//! Does not: judge the battery, or explain wrong settings ([`Scene::explained`] carries that in).

use std::time::Duration;

use super::tally::Summary;
use crate::listen::Speaks;
use crate::listen::speaks;
use crate::wire::Framing;

/// What a picture shows. Ids are stable.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Id {
    /// Not one byte.
    NothingHeard,
    /// Bytes, but something that is not Modbus RTU.
    OtherProtocol,
    /// Bytes, but no frame.
    NoFrame,
    /// Somebody asks and the unit never answers.
    UnitSilent,
    /// More than one client asks.
    TwoClients,
    /// Answers without questions.
    OnlyAnswers,
    /// Questions are answered, but many frames are damaged.
    Damaged,
    /// Questions are answered.
    Sound,
}

impl Id {
    /// Stable word.
    pub fn id(self) -> &'static str {
        match self {
            Self::NothingHeard => "nothing-heard",
            Self::OtherProtocol => "other-protocol",
            Self::NoFrame => "no-frame",
            Self::UnitSilent => "unit-silent",
            Self::TwoClients => "two-clients",
            Self::OnlyAnswers => "only-answers",
            Self::Damaged => "damaged",
            Self::Sound => "sound",
        }
    }
}

/// How sure it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Strength {
    /// No other reading of what was heard is reasonable.
    Proven,
    /// The best reading.
    Likely,
    /// One of several.
    Open,
}

impl Strength {
    /// Stable word.
    pub fn id(self) -> &'static str {
        match self {
            Self::Proven => "proven",
            Self::Likely => "likely",
            Self::Open => "open",
        }
    }
}

/// One thing that the line shows.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Picture {
    /// What.
    pub id: Id,
    /// How sure.
    pub strength: Strength,
    /// In one sentence.
    pub text: String,
    /// What shows it, or what it does not show.
    pub why: Vec<String>,
    /// What to do next; only looking or low voltage.
    pub next: String,
}

/// Everything that a picture is drawn from.
#[derive(Debug, Clone, Copy)]
pub struct Scene<'a> {
    /// Counts.
    pub summary: &'a Summary,
    /// How long was listened; `None` for bytes without times.
    pub listened: Option<Duration>,
    /// The first bytes that were heard.
    pub first: &'a [u8],
    /// Found, how sure, next: what explains bytes without frames, where that was looked into.
    pub explained: Option<[&'a str; 3]>,
}

/// What the line shows, the leading thing first. Never empty.
pub fn picture(scene: &Scene<'_>) -> Vec<Picture> {
    let summary = scene.summary;
    if summary.bytes == 0 {
        return vec![nothing_heard(scene)];
    }
    // One frame in noise may be an accident.
    let has_frames = summary.answered + summary.exceptions > 0 || summary.frames >= 2;
    if !has_frames || summary.noise_bytes > 40 * frame_bytes(summary) {
        return vec![other_protocol(scene).unwrap_or_else(|| no_frame(scene))];
    }
    let mut pictures = Vec::new();
    pictures.extend(unit_silent(summary));
    pictures.extend(two_clients(summary));
    if summary.requests == 0 {
        pictures.push(only_answers(summary));
    }
    // Collisions damage frames: where two ask, the line need not be at fault.
    pictures.extend(damaged(summary).filter(|_| summary.clients.count < 2));
    if pictures.is_empty() {
        pictures.push(sound(scene));
    }
    pictures
}

fn frame_bytes(summary: &Summary) -> u64 {
    summary.bytes - summary.noise_bytes.min(summary.bytes)
}

fn nothing_heard(scene: &Scene<'_>) -> Picture {
    let mut why = Vec::new();
    if let Some(listened) = scene.listened {
        let seconds = listened.as_secs_f64();
        // A client that asks every p seconds is heard for certain once we listen longer than p,
        // with something to spare for its jitter.
        let period = (seconds * 0.8).floor();
        why.push(if period < 1.0 {
            format!("{seconds:.1} s are too short to rule out anybody")
        } else {
            format!(
                "{seconds:.0} s of silence rule out a client on this pair that asks every {period:.0} s or faster"
            )
        });
    }
    why.push(
        "it does not show why: the inverter may be off, not set to this battery, or on another socket or CAN"
            .to_owned(),
    );
    why.push(
        "it says nothing about the battery, and an open wire or a dead adapter sounds the same"
            .to_owned(),
    );
    Picture {
        id: Id::NothingHeard,
        strength: Strength::Open,
        text: "Nobody asks here: not one byte was heard.".to_owned(),
        why,
        next: "look at the inverter: powered, battery type set, cable in the socket for the battery? Then listen again"
            .to_owned(),
    }
}

fn other_protocol(scene: &Scene<'_>) -> Option<Picture> {
    // The first frame was most likely heard from the middle.
    let starts = (0..scene.first.len()).filter(|at| {
        *at == 0
            || matches!(scene.first.get(at - 1), Some(b'\n' | b'\r'))
            || scene.first.get(*at) == Some(&b':')
    });
    let speaker = starts
        .take(64)
        .filter_map(|at| speaks(Framing::Rtu, scene.first.get(at..)?))
        .max_by_key(|speaker| *speaker == Speaks::ModbusAscii)
        .or_else(|| is_text(scene.first).then_some(Speaks::Text))?;
    let strength = match speaker {
        Speaks::ModbusAscii | Speaks::WebServer => Strength::Proven,
        _ => Strength::Likely,
    };
    let quoted: String = scene
        .first
        .iter()
        .take(40)
        .map(|byte| {
            if byte.is_ascii_graphic() || *byte == b' ' {
                char::from(*byte)
            } else {
                '·'
            }
        })
        .collect();
    let mut why = vec![format!(
        "{} bytes, none of them in a valid RTU frame",
        scene.summary.bytes
    )];
    if matches!(
        speaker,
        Speaks::ModbusAscii | Speaks::Text | Speaks::WebServer
    ) {
        why.push(format!("it begins: {quoted}"));
    }
    Some(Picture {
        id: Id::OtherProtocol,
        strength,
        text: match speaker {
            Speaks::ModbusAscii => {
                "Another protocol: Modbus ASCII is spoken here, not RTU.".to_owned()
            }
            Speaks::Text => "Another protocol: this is readable text, not Modbus.".to_owned(),
            Speaks::WebServer => "Another protocol: a web server answers here.".to_owned(),
            Speaks::Rtu | Speaks::Tcp => {
                "Another protocol: Modbus TCP frames come from here, not RTU.".to_owned()
            }
        },
        why,
        next: match speaker {
            Speaks::ModbusAscii => "set the inverter and the unit to RTU, or take the RTU socket",
            _ => "look where this cable ends: it is not the battery's Modbus pair",
        }
        .to_owned(),
    })
}

fn is_text(bytes: &[u8]) -> bool {
    let printable = |byte: &&u8| byte.is_ascii_graphic() || b" \t\r\n".contains(byte);
    bytes.len() >= 16 && bytes.iter().filter(printable).count() * 100 >= bytes.len() * 95
}

fn no_frame(scene: &Scene<'_>) -> Picture {
    let bytes = scene.summary.bytes;
    let mut why = vec![format!(
        "{bytes} bytes were heard, no two frames with a right check value among them"
    )];
    let (strength, next) = match scene.explained {
        Some([found, sure, next]) => {
            let strength = match sure {
                sure if sure.starts_with("proven") => Strength::Proven,
                sure if sure.starts_with("likely") => Strength::Likely,
                _ => Strength::Open,
            };
            if strength == Strength::Open {
                why.insert(0, found.to_owned());
            }
            (strength, next.to_owned())
        }
        None => (
            Strength::Open,
            "try other line settings with --line, for example 19200-8E1; then swap the pair at the adapter".to_owned(),
        ),
    };
    why.push("somebody talks on this pair; nothing can be said about the battery".to_owned());
    let text = match scene.explained {
        Some([found, ..]) if strength != Strength::Open => {
            let mut letters = found.chars();
            let first = letters.next().map(|c| c.to_ascii_uppercase());
            first.into_iter().chain(letters).chain(['.']).collect()
        }
        _ => {
            "Bytes, but no Modbus frame: wrong line settings, a swapped pair, or another protocol."
                .to_owned()
        }
    };
    Picture {
        id: Id::NoFrame,
        strength,
        text,
        why,
        next,
    }
}

fn unit_silent(summary: &Summary) -> Option<Picture> {
    let silent = summary.silent_units();
    if silent.is_empty() {
        return None;
    }
    let requests: u32 = silent
        .iter()
        .filter_map(|unit| summary.units.get(unit))
        .map(|t| t.requests)
        .sum();
    let answering = summary.answering_units();
    let names = list(&silent);
    let mut why = vec![format!(
        "{requests} questions to {names}, not one answer heard"
    )];
    if answering.is_empty() {
        why.push("the inverter talks: it is powered, set to Modbus, and on this pair".to_owned());
    } else {
        why.push(format!(
            "{} on the same pair answers, so the pair and the settings are right",
            list(&answering)
        ));
    }
    if summary.damaged > 0 {
        why.push(format!(
            "{} times bytes came that are no frame: it may answer with other settings, or two answer at once",
            summary.damaged
        ));
    }
    why.push(
        "silence says nothing about the cells: the unit may be off, asleep, at another address, or set to another \
         speed or parity, and then it drops every question without a word"
            .to_owned(),
    );
    Some(Picture {
        id: Id::UnitSilent,
        strength: if requests >= 5 { Strength::Proven } else { Strength::Likely },
        text: format!("Somebody asks, but {names} never {}.", if silent.len() == 1 { "answers" } else { "answer" }),
        why,
        next: "look at the unit: powered and awake? Address switches as the inverter expects? Then its socket and wires"
            .to_owned(),
    })
}

fn two_clients(summary: &Summary) -> Option<Picture> {
    let why = summary
        .clients
        .why
        .clone()
        .filter(|_| summary.clients.count > 1)?;
    Some(Picture {
        id: Id::TwoClients,
        strength: Strength::Likely,
        text: "At least two clients ask on this pair, where only one may.".to_owned(),
        why: vec![
            why,
            "their questions collide sooner or later: answers get lost, and the unit looks faulty".to_owned(),
        ],
        next: "find the second one (a monitoring box, a second inverter, a gateway) and take it off this pair".to_owned(),
    })
}

fn only_answers(summary: &Summary) -> Picture {
    Picture {
        id: Id::OnlyAnswers,
        strength: Strength::Open,
        text: "Answers are heard, but no question.".to_owned(),
        why: vec![format!("{} frames, none of them a question", summary.frames)],
        next: "listen on: the questions may be on a second pair (four-wire line), or too weak at this end".to_owned(),
    }
}

/// Share of damaged frames above which the line itself is the finding.
const MUCH: f64 = 0.02;

fn damaged(summary: &Summary) -> Option<Picture> {
    let share = summary.damage;
    if share.low < MUCH {
        return None;
    }
    Some(Picture {
        id: Id::Damaged,
        strength: Strength::Proven,
        text: "They talk, but the line damages frames.".to_owned(),
        why: vec![format!(
            "{:.1} % of what may have been frames fails its check (between {:.1} and {:.1} %)",
            100.0 * share.seen,
            100.0 * share.low,
            100.0 * share.high
        )],
        next: "look for the common wire, terminators at both ends only, and the cable's distance to power cables".to_owned(),
    })
}

fn sound(scene: &Scene<'_>) -> Picture {
    let summary = scene.summary;
    let answered = summary.answered + summary.exceptions;
    let mut why = vec![format!(
        "{answered} of {} questions answered by {}",
        summary.requests,
        list(&summary.answering_units())
    )];
    if summary.exceptions > 0 {
        why.push(format!(
            "{} of them refused: the asker wants something that the unit does not have",
            summary.exceptions
        ));
    }
    let writes = summary
        .polls
        .iter()
        .filter(|poll| poll.asked.writes())
        .count();
    why.push(if writes > 0 {
        "the asker also writes, as an inverter does with its sign of life".to_owned()
    } else {
        "the asker only reads: it may be the inverter or a monitoring box".to_owned()
    });
    if let Some([found, _, next]) = scene.explained {
        why.push(format!("{found}; {next}"));
    }
    let strength = if answered >= 5 && answered * 10 >= summary.requests * 9 {
        Strength::Proven
    } else {
        Strength::Likely
    };
    Picture {
        id: Id::Sound,
        strength,
        text: match strength {
            Strength::Proven => "The conversation is sound: somebody asks and is answered.",
            _ if answered < summary.requests => "Somebody asks and is answered, but not always.",
            _ => "Somebody asks and is answered; too few questions were heard to call it sound.",
        }
        .to_owned(),
        why,
        next: if strength == Strength::Proven {
            "nothing to do on this pair; what the battery says of itself stands above"
        } else {
            "listen longer; if questions stay unanswered, look at the unit's power and at the pair"
        }
        .to_owned(),
    }
}

/// Addresses in words.
fn list(units: &[u8]) -> String {
    let names: Vec<String> = units.iter().map(ToString::to_string).collect();
    match names.as_slice() {
        [] => "nobody".to_owned(),
        [one] => format!("unit {one}"),
        several => format!("units {}", several.join(", ")),
    }
}
