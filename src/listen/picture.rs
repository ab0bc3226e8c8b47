//! What an overheard line amounts to, in words that a technician understands.
//!
//! Input: counts, the time listened, the first bytes. Output: [`Picture`]s, the leading one first.
//!
//! Does not: judge the battery, or explain wrong settings ([`Scene::explained`] carries that in).

use std::time::Duration;

use super::noise::is_text;
use super::tally::Summary;
use crate::listen::Speaks;
use crate::listen::speaks;
use crate::statistics::wilson;
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
    /// Questions are answered, but many frames are damaged, or bytes come between them that are none.
    Damaged,
    /// Questions come back from the line.
    Echo,
    /// Others than those asked answer, or at another length.
    Mismatched,
    /// Frames with a right check, of functions that no standard names, and nothing else.
    Unlisted,
    /// Another protocol between the frames.
    Beside,
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
            Self::Echo => "echo",
            Self::Mismatched => "mismatched",
            Self::Unlisted => "unlisted",
            Self::Beside => "beside",
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
    /// What explains bytes without frames, where that was looked into.
    pub explained: Option<Explained<'a>>,
}

/// What line settings and wiring explain.
#[derive(Debug, Clone, Copy)]
pub struct Explained<'a> {
    /// What was found, in words.
    pub found: &'a str,
    /// How sure that is.
    pub strength: Strength,
    /// What to do next, in words.
    pub next: &'a str,
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
    pictures.extend(mismatched(summary));
    if summary.requests == 0 {
        let is_unlisted = summary.unlisted == summary.frames;
        pictures.push(if is_unlisted {
            unlisted(summary)
        } else {
            only_answers(summary)
        });
    }
    // Collisions damage frames: where two ask, the line need not be at fault.
    pictures.extend(damaged(summary).filter(|_| summary.clients.count < 2));
    if pictures.is_empty() {
        pictures.push(sound(scene));
    }
    pictures.extend(echo(summary));
    pictures.extend(beside(summary));
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
        .or_else(|| (scene.first.len() >= 16 && is_text(scene.first)).then_some(Speaks::Text))?;
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

fn no_frame(scene: &Scene<'_>) -> Picture {
    let bytes = scene.summary.bytes;
    let mut why = vec![format!(
        "{bytes} bytes were heard, no two frames with a right check value among them"
    )];
    let (strength, next) = match scene.explained {
        Some(explained) => {
            if explained.strength == Strength::Open {
                why.insert(0, explained.found.to_owned());
            }
            (explained.strength, explained.next.to_owned())
        }
        None if scene.listened.is_none() => (
            Strength::Open,
            "say with --line at which settings these bytes were received, or receive them again at others".to_owned(),
        ),
        None => (
            Strength::Open,
            "try other line settings with --line, for example 19200-8E1; then swap the pair at the adapter".to_owned(),
        ),
    };
    why.push("somebody talks on this pair; nothing can be said about the battery".to_owned());
    let text = match scene.explained {
        Some(explained) if strength != Strength::Open => {
            let mut letters = explained.found.chars();
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
    let runs = summary.damaged + summary.unclear;
    if runs > 0 {
        why.push(format!(
            "{runs} times bytes came that are no frame: it may answer with other settings, or two answer at once"
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

fn mismatched(summary: &Summary) -> Option<Picture> {
    let asked = summary.answered + summary.exceptions + summary.mismatched;
    if summary.mismatched < FEW || summary.mismatched * 50 < asked {
        return None;
    }
    Some(Picture {
        id: Id::Mismatched,
        strength: Strength::Likely,
        text: "Questions are answered with something else than what was asked for.".to_owned(),
        why: vec![format!(
            "{} of {asked} answers come from another unit, or at another length, or of another register",
            summary.mismatched
        )],
        next: "see which unit speaks in the lines above: two units at one address, or a gateway that answers late with \
               an older question's data"
            .to_owned(),
    })
}

fn unlisted(summary: &Summary) -> Picture {
    let mut why = vec![
        "the line settings and the pair are right: the check values fit".to_owned(),
        "who asks and who answers cannot be told without knowing these functions".to_owned(),
    ];
    why.extend(unlisted_functions(summary));
    Picture {
        id: Id::Unlisted,
        strength: Strength::Likely,
        text: "Frames are heard whose functions no standard names, and no others.".to_owned(),
        why,
        next: "ask the maker what is spoken here: another protocol in Modbus frames, or functions of their own".to_owned(),
    }
}

/// Which functions were heard that no standard names, or how the standard was left.
fn unlisted_functions(summary: &Summary) -> Option<String> {
    let functions: Vec<String> = summary
        .by_unlisted
        .iter()
        .take(8)
        .map(|(function, _)| format!("{function:02X}"))
        .collect();
    (summary.unlisted > 0).then(|| {
        format!(
            "{} whole and valid frames are of functions, exception codes or counts that no standard names (function {} \
             hex): they are counted as frames, not as damage",
            summary.unlisted,
            functions.join(", ")
        )
    })
}

fn echo(summary: &Summary) -> Option<Picture> {
    (summary.echoes >= FEW).then(|| Picture {
        id: Id::Echo,
        strength: Strength::Likely,
        text: "Questions come back from the line.".to_owned(),
        why: vec![format!(
            "{} of {} questions were heard a second time at once: the asker's adapter or a converter gives back what it \
             sends",
            summary.echoes, summary.requests
        )],
        next: "nothing is wrong with the unit; switch the echo off at the converter where the asker stumbles over it"
            .to_owned(),
    })
}

fn beside(summary: &Summary) -> Option<Picture> {
    (summary.foreign >= FEW).then(|| Picture {
        id: Id::Beside,
        strength: Strength::Likely,
        text: "Something else is spoken on this pair beside Modbus.".to_owned(),
        why: vec![format!(
            "{} times bytes came between the frames that begin alike, or can be read as text: no damage does that",
            summary.foreign
        )],
        next: "find what it is and give it a pair of its own: two protocols on one pair collide sooner or later".to_owned(),
    })
}

/// So many of a kind are no accident.
const FEW: u64 = 3;
/// Share of damaged frames above which the line itself is the finding.
const MUCH: f64 = 0.02;

fn damaged(summary: &Summary) -> Option<Picture> {
    let share = summary.damage;
    if summary.damaged >= FEW && share.low >= MUCH {
        return Some(Picture {
            id: Id::Damaged,
            strength: Strength::Proven,
            text: "They talk, but the line damages frames.".to_owned(),
            why: vec![format!(
                "at least {:.1} % of the frames fail their check (between {:.1} and {:.1} %): what is left of them still \
                 shows which frames they were",
                100.0 * share.seen,
                100.0 * share.low,
                100.0 * share.high
            )],
            next: REPAIR.to_owned(),
        });
    }
    let runs = summary.damaged + summary.unclear;
    let (low, _) = wilson(runs, runs + summary.frames);
    (runs >= FEW && low >= MUCH).then(|| Picture {
        id: Id::Damaged,
        strength: Strength::Open,
        text: "They talk, but bytes come between the frames that belong to none.".to_owned(),
        why: vec![
            format!("{runs} times, beside {} valid frames", summary.frames),
            "damaged frames, noise, or another protocol: nothing in the bytes says which"
                .to_owned(),
        ],
        next: REPAIR.to_owned(),
    })
}

const REPAIR: &str = "look for the common wire, terminators at both ends only, and the cable's distance to power cables";

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
    let writes = summary.polls.iter().any(|poll| poll.asked.writes());
    if summary.ours > 0 {
        why.push(format!("{} of the questions are our own", summary.ours));
    }
    if summary.ours < summary.requests {
        why.push(if writes {
            "the asker also writes, as an inverter does with its sign of life".to_owned()
        } else {
            "the asker only reads: it may be the inverter or a monitoring box".to_owned()
        });
    }
    if let Some(Explained { found, next, .. }) = scene.explained {
        why.push(format!("{found}; {next}"));
    }
    why.extend(unlisted_functions(summary));
    let strength = if answered >= 5 && answered * 10 >= summary.requests * 9 {
        Strength::Proven
    } else {
        Strength::Likely
    };
    Picture {
        id: Id::Sound,
        strength,
        text: match strength {
            Strength::Proven if summary.ours == summary.requests => {
                "Nobody else asks in this recording; our own questions were answered."
            }
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
