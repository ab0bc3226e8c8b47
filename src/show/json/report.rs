//! A recording and its judgement, `packside.report/1`.
//!
//! Does not: hold anything that the page does not. What judging gave stands in `judged`, which is the
//! object of `packside check`.

use std::time::Duration;

use serde::Serialize;

use super::check::Check;
use super::tenths;
use crate::event::{AnswerValue, clock_breaks};
use crate::recording::Recording;
use crate::show::page::facts::{self, Answered, PageFacts, Taken};
use crate::show::page::series::Series;
use crate::show::page::verify::Broken;
use crate::show::page::{Options, PageSource, SCHEMA, words};
use crate::visit::load;
use crate::words as sentence;

/// A report.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Report {
    /// `packside.report/1`.
    pub schema: &'static str,
    /// Version of this tool.
    pub tool: &'static str,
    /// No real unit: it came from the simulator.
    pub simulated: bool,
    /// The verdict that was shown on site.
    pub shown: Option<Shown>,
    /// Whether it is judged today as it was shown.
    pub as_shown: Option<bool>,
    /// The judgement of today.
    pub judged: Check,
    /// Who, where and when.
    pub visit: Visit,
    /// What the pictures over time show.
    pub over_time: OverTime,
    /// What the load test shows; null where none was recorded.
    pub load_test: Option<LoadTest>,
    /// Answers, with those that they replaced.
    pub answers: Vec<Answer>,
    /// Photographs.
    pub photos: Vec<Photo>,
    /// The recording itself.
    pub recording: Kept,
}

/// A verdict that was shown on site.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Shown {
    /// Local time, RFC 3339.
    pub at: String,
    /// Version of the tool that showed it.
    pub tool: String,
    /// Id of the verdict.
    pub verdict: String,
    /// Its line.
    pub summary: String,
}

/// Who, where and when.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Visit {
    /// Who was there.
    pub who: Option<String>,
    /// Where it is.
    #[serde(rename = "where")]
    pub place: Option<String>,
    /// The inverter, or how it is set.
    pub inverter: Option<String>,
    /// Local time at which it began, RFC 3339.
    pub begun: String,
    /// The same in UTC.
    pub begun_utc: String,
    /// Local time minus UTC.
    pub offset_minutes: i32,
    /// How far the clock of the unit is ahead.
    pub unit_clock_error_s: Option<f64>,
}

/// What the pictures over time show, in seconds since the session began.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct OverTime {
    /// States of the first pack, each from when on.
    pub states: Vec<State>,
    /// Lamps as seen.
    pub lamps: Vec<Lamp>,
    /// What happened beside the answers.
    pub events: Vec<Happened>,
    /// Values.
    pub curves: Vec<Curve>,
}

/// A state.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct State {
    /// From when on.
    pub at_s: f64,
    /// Its name.
    pub state: String,
}

/// A lamp as seen.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Lamp {
    /// When.
    pub at_s: f64,
    /// Its id.
    pub lamp: String,
    /// The pattern.
    pub pattern: String,
}

/// Something that happened.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Happened {
    /// When.
    pub at_s: f64,
    /// What.
    pub text: String,
}

/// Values over time.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Curve {
    /// Unit address.
    pub unit: u8,
    /// What it is for.
    pub role: &'static str,
    /// When, and the value.
    pub dots: Vec<(f64, f64)>,
}

/// What the load test shows.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct LoadTest {
    /// Current before it.
    pub before_a: f64,
    /// Current under load.
    pub under_load_a: f64,
    /// Why there are no resistances.
    pub why_none: Option<String>,
    /// Modules.
    pub modules: Vec<Resistance>,
    /// Cells.
    pub cells: Vec<Resistance>,
    /// The one that stands apart.
    pub outlier: Option<Resistance>,
}

/// A resistance.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Resistance {
    /// Module, from 1.
    pub module: Option<u16>,
    /// Cell, from 1.
    pub cell: Option<u16>,
    /// The resistance.
    pub milliohm: f64,
    /// How far it may be off.
    pub uncertainty: f64,
}

/// An answer.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Answer {
    /// Id of the step.
    pub step: String,
    /// The question as it was put.
    pub question: String,
    /// The last answer.
    pub value: String,
    /// Reason or remark.
    pub note: String,
    /// Local time, RFC 3339.
    pub when: String,
    /// Answers before it.
    pub before: Vec<String>,
}

/// A photograph.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Photo {
    /// Id of the step.
    pub step: String,
    /// File.
    pub file: String,
    /// Its fingerprint, hex.
    pub sha256: String,
    /// Local time, RFC 3339.
    pub when: String,
    /// Whether it was found, with this fingerprint.
    pub found: bool,
}

/// A recording.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Kept {
    /// Its fingerprint, hex.
    pub fingerprint: String,
    /// Lines.
    pub lines: u64,
    /// Sessions.
    pub sessions: usize,
    /// What is missing or changed.
    pub missing: Vec<String>,
    /// Verdicts that were shown.
    pub shown: usize,
    /// Moments at which clocks had gone apart.
    pub clock_jumps: Vec<ClockJump>,
}

/// A moment at which the wall clock and that of the session had gone apart.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct ClockJump {
    /// Local time, RFC 3339.
    pub at: String,
    /// How far the wall clock had run ahead.
    pub apart_ms: i64,
}

/// Whether a recording holds.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Verified {
    /// `packside.verified/1`.
    pub schema: &'static str,
    /// Version of this tool.
    pub tool: &'static str,
    /// Whether it is whole and judged today as it was shown.
    pub holds: bool,
    /// Its fingerprint, hex.
    pub fingerprint: String,
    /// What does not hold.
    pub broken: Vec<Doubt>,
}

/// Something that does not hold.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Doubt {
    /// Its id.
    pub id: &'static str,
    /// The same in words.
    pub text: String,
}

impl Verified {
    /// What does not hold of a recording.
    pub fn of(recording: &Recording, broken: &[Broken]) -> Self {
        let doubt = |broken: &Broken| Doubt {
            id: broken.id(),
            text: broken.to_string(),
        };
        Self {
            schema: "packside.verified/1",
            tool: super::TOOL,
            holds: broken.is_empty(),
            fingerprint: recording.fingerprint.clone(),
            broken: broken.iter().map(doubt).collect(),
        }
    }
}

impl Report {
    /// One report. `judged` is the result of judging as `packside check` gives it.
    pub fn of(source: &PageSource, options: Options, judged: Check) -> Self {
        let facts = PageFacts::of(source.recording, options);
        let shown = source.session.last_shown();
        let verdict = &source.judgement.verdict;
        let local = |at| words::rfc3339(&source.session.start, at);
        Self {
            schema: SCHEMA,
            tool: super::TOOL,
            simulated: facts::is_simulated(source),
            shown: shown.map(|shown| Shown {
                at: local(shown.at),
                tool: shown.tool.clone(),
                verdict: shown.verdict.clone(),
                summary: shown.summary.clone(),
            }),
            as_shown: shown.map(|shown| {
                shown.verdict == verdict.kind.id()
                    && shown.summary == sentence::summary(source.judgement)
            }),
            judged: hide_place(judged, options),
            visit: Visit::of(source, &facts),
            over_time: OverTime::of(source, &facts),
            load_test: LoadTest::of(source),
            answers: facts.answers.iter().map(Answer::of).collect(),
            photos: facts
                .taken
                .iter()
                .map(|taken| Photo::of(taken, source))
                .collect(),
            recording: Kept::of(source),
        }
    }
}

/// The address of a gateway is the address of somebody's house.
fn hide_place(mut judged: Check, options: Options) -> Check {
    let link = judged.link.as_mut();
    if let Some(link) = link.filter(|link| link.kind == "gateway" && !options.names) {
        facts::TAKEN_OUT.clone_into(&mut link.place);
    }
    judged
}

impl Visit {
    fn of(source: &PageSource, facts: &PageFacts) -> Self {
        let start = &source.session.start;
        let answer = |step| {
            let answer = facts.answer(step)?;
            Some(answer.value.text().clean().into_owned())
        };
        Self {
            who: answer("who"),
            place: answer("where"),
            inverter: answer("inverter-setting").or_else(|| answer("inverter")),
            begun: words::rfc3339(start, Duration::ZERO),
            begun_utc: start.utc.clone(),
            offset_minutes: start.offset_minutes,
            unit_clock_error_s: facts::clock_error(source).map(tenths),
        }
    }
}

impl OverTime {
    fn of(source: &PageSource, facts: &PageFacts) -> Self {
        let series = Series::of(source);
        let seconds = |at: Duration| at.as_secs_f64();
        let state = |(at, name): &(Duration, String)| State {
            at_s: seconds(*at),
            state: name.clone(),
        };
        let lamp = |(lamp, pattern, at): &(String, String, Duration)| Lamp {
            at_s: seconds(*at),
            lamp: lamp.clone(),
            pattern: pattern.clone(),
        };
        let events = series.notes.iter().map(|note| Happened {
            at_s: seconds(note.at),
            text: facts.without_names(&note.text),
        });
        let curves = series.curves.iter().map(|curve| Curve {
            unit: curve.unit,
            role: curve.role.id(),
            dots: curve.dots.iter().map(|(t, v)| (seconds(*t), *v)).collect(),
        });
        Self {
            states: series.states.iter().map(state).collect(),
            lamps: series.lamps.iter().map(lamp).collect(),
            events: events.collect(),
            curves: curves.collect(),
        }
    }
}

impl LoadTest {
    fn of(source: &PageSource) -> Option<Self> {
        let events = &source.session.events;
        let step = load::recorded(events.beside(), events, source.profile?)?;
        let (fitted, why_none) = match load::fit(&step) {
            Ok(fitted) => (Some(fitted), None),
            Err(why) => (None, Some(why.to_string())),
        };
        let all = |list: &[load::Resistance]| list.iter().map(Resistance::of).collect();
        let fitted = fitted.as_ref();
        Some(Self {
            before_a: step.before,
            under_load_a: step.under_load,
            why_none,
            modules: fitted.map(|f| all(&f.modules)).unwrap_or_default(),
            cells: fitted.map(|f| all(&f.cells)).unwrap_or_default(),
            outlier: fitted.and_then(|f| f.outlier.as_ref().map(Resistance::of)),
        })
    }
}

impl Resistance {
    fn of(one: &load::Resistance) -> Self {
        Self {
            module: one.place.module,
            cell: one.place.item,
            milliohm: one.milliohm,
            uncertainty: one.uncertainty,
        }
    }
}

impl Answer {
    fn of(answered: &Answered) -> Self {
        let text = |value: &AnswerValue| value.text().clean().into_owned();
        Self {
            step: answered.step.clone(),
            question: answered.question.clone(),
            value: text(&answered.value),
            note: answered.note.clone(),
            when: answered.stamp.clone(),
            before: answered.before.iter().map(text).collect(),
        }
    }
}

impl Photo {
    fn of(taken: &Taken, source: &PageSource) -> Self {
        let mut pictures = source.pictures.iter();
        Self {
            step: taken.step.clone(),
            file: taken.file.clone(),
            sha256: taken.sha256.clone(),
            when: taken.stamp.clone(),
            found: pictures.any(|picture| picture.sha256 == taken.sha256),
        }
    }
}

impl Kept {
    fn of(source: &PageSource) -> Self {
        let recording = source.recording;
        let breaks = clock_breaks(source.session.events.beside());
        let jumps = breaks.iter().map(|broken| ClockJump {
            at: words::rfc3339(&source.session.start, broken.at),
            apart_ms: broken.apart_ms,
        });
        Self {
            fingerprint: recording.fingerprint.clone(),
            lines: recording.lines,
            sessions: recording.sessions.len(),
            missing: recording.missing.iter().map(ToString::to_string).collect(),
            shown: recording.sessions.iter().map(|s| s.shown.len()).sum(),
            clock_jumps: jumps.collect(),
        }
    }
}
