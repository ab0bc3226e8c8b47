//! What happened, and when: the only truth that the rest is derived from.
//!
//! Live commands produce events, a recording holds them, [`crate::judge`] judges them. Nobody
//! downstream sees who asked.

use std::time::Duration;

use jiff::Timestamp;
use packside_profiles::{Foreign, LineSettings};

use crate::wire::{Ask, Framing};

mod answer;

pub use answer::{AnswerValue, Fitness, FollowedEnd};

/// One thing that happened.
#[derive(Debug, Clone, PartialEq)]
pub struct Event {
    /// Monotonic time since the start of the session.
    pub at: Duration,
    /// What it was.
    pub what: What,
}

/// The kinds of events.
#[derive(Debug, Clone, PartialEq)]
pub enum What {
    /// The link as it was opened, first event of every session; or its line has other settings
    /// from now on.
    Opened(LinkFacts),
    /// A question is about to be sent: what is asked, and until when an answer counts as in time.
    Asked {
        /// Number of this exchange, rising within a session.
        exchange: u32,
        /// The question.
        ask: Ask,
        /// Transaction id, on Modbus TCP.
        transaction: Option<u16>,
        /// End of the wait.
        deadline: Duration,
    },
    /// Bytes sent; `at` is when the write returned.
    Out(Vec<u8>),
    /// Bytes received; `at` is when the read returned, an upper bound.
    In(Vec<u8>),
    /// Which bytes of the last [`What::In`] the port marked as bad (parity or stop bit; a 00 may be
    /// a break), by place. The first one, perhaps empty, says that from then on the port gives marks.
    Marked(Vec<usize>),
    /// The wait of an exchange is over without an accepted answer.
    DeadlinePassed {
        /// Its number.
        exchange: u32,
    },
    /// The adapter or connection is gone.
    Lost {
        /// Why, in one phrase.
        why: Foreign,
    },
    /// It is back.
    Back,
    /// Listening without asking began or ended (`true` = began).
    Listening(bool),
    /// Wall clock, RFC 3339 in UTC.
    Clock(String),
    /// A lamp as a person or a camera saw it: lamp id, pattern id.
    Sighting {
        /// Lamp, as the profile names it.
        lamp: Foreign,
        /// Pattern, as the lamp room names it.
        pattern: Foreign,
    },
    /// A named moment.
    Mark(Foreign),
    /// What a person answered, or the tool measured, at a step of a visit.
    Answer(StepAnswer),
    /// A picture that a person took.
    Photo {
        /// Step of the visit.
        step: Foreign,
        /// Name of the file.
        file: Foreign,
        /// SHA-256 of its content, hex.
        sha256: String,
    },
}

/// An answer at a step of a visit. The same step may be answered again: the last one counts.
#[derive(Debug, Clone, PartialEq)]
pub struct StepAnswer {
    /// Id of the step.
    pub step: Foreign,
    /// The question as it was put.
    pub question: Foreign,
    /// The answer.
    pub value: AnswerValue,
    /// Reason or remark.
    pub note: Option<Foreign>,
}

impl What {
    /// A lamp as seen: its id, and that of the pattern.
    pub fn sighting(lamp: impl Into<Foreign>, pattern: impl Into<Foreign>) -> Self {
        Self::Sighting {
            lamp: lamp.into(),
            pattern: pattern.into(),
        }
    }

    /// Whether a person said it: then it is on the disk before the tool goes on.
    pub fn is_from_a_person(&self) -> bool {
        matches!(
            self,
            Self::Sighting { .. } | Self::Mark(_) | Self::Answer(_) | Self::Photo { .. }
        )
    }

    /// Whether this is something that the link did (and not the clock or a person).
    pub fn is_link(&self) -> bool {
        matches!(
            self,
            Self::Opened(_)
                | Self::Asked { .. }
                | Self::Out(_)
                | Self::In(_)
                | Self::DeadlinePassed { .. }
                | Self::Lost { .. }
                | Self::Back
                | Self::Listening(_)
        )
    }
}

/// What becomes of characters that fail their parity or stop bit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum BadCharacters {
    /// They come through as they were taken.
    Kept,
    /// They read as 00, so that a frame with another parity than ours is none.
    Zeroed,
}

/// Where the laptop is plugged in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Plugged {
    /// A service socket, beside the inverter's.
    Service,
    /// The inverter's own socket: we silenced it.
    InsteadOfInverter,
    /// Clipped across the pair, as a second device.
    AcrossThePair,
}

impl Plugged {
    /// All of them.
    pub const ALL: [Self; 3] = [Self::Service, Self::InsteadOfInverter, Self::AcrossThePair];

    /// Its word on the command line, in JSON and in recordings.
    pub fn id(self) -> &'static str {
        match self {
            Self::Service => "service",
            Self::InsteadOfInverter => "instead-of-inverter",
            Self::AcrossThePair => "across-the-pair",
        }
    }
}

impl StepAnswer {
    /// Whether it says that something is not in order.
    pub fn says_no(&self) -> bool {
        use AnswerValue as V;
        matches!(self.value, V::NotInOrder | V::Stored(Fitness::Quarantine))
    }

    /// Whether the step was left out.
    pub fn is_left_out(&self) -> bool {
        self.value.is_left_out()
    }
}

/// What kind of link it is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum LinkKind {
    /// A serial adapter.
    Serial {
        /// Name of the port.
        port: Foreign,
        /// Its settings.
        line: LineSettings,
    },
    /// A TCP gateway.
    Gateway {
        /// Address as given.
        address: Foreign,
    },
    /// The built-in simulator.
    Simulated {
        /// Scenario.
        scenario: Foreign,
        /// Our line settings; none behind a simulated gateway.
        line: Option<LineSettings>,
    },
}

/// A link as it was opened.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LinkFacts {
    /// Kind and place.
    pub kind: LinkKind,
    /// Framing.
    pub framing: Framing,
    /// Where the laptop is plugged in, if said.
    pub plugged: Option<Plugged>,
    /// What the user said when it was opened.
    pub consent: Consent,
}

/// What a person says about asking. The two have nothing to do with each other, and neither is a word
/// against listening first.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Consent {
    /// Asking may wake the unit: everybody is clear of it.
    pub may_wake: bool,
    /// Somebody else asks on this pair, and it is asked all the same.
    pub beside_others: bool,
}

impl Consent {
    /// Both of them.
    pub const BOTH: Self = Self {
        may_wake: true,
        beside_others: true,
    };

    /// What was said here or there.
    #[must_use]
    pub fn and(self, other: Self) -> Self {
        Self {
            may_wake: self.may_wake || other.may_wake,
            beside_others: self.beside_others || other.beside_others,
        }
    }
}

impl LinkFacts {
    /// Our line settings, where we are on a line.
    pub fn line(&self) -> Option<LineSettings> {
        match self.kind {
            LinkKind::Serial { line, .. } => Some(line),
            LinkKind::Simulated { line, .. } => line,
            LinkKind::Gateway { .. } => None,
        }
    }

    /// Whether a gateway stands between us and the line.
    pub fn is_gateway(&self) -> bool {
        self.line().is_none()
    }

    /// Whether no real unit is behind it.
    pub fn is_simulated(&self) -> bool {
        matches!(self.kind, LinkKind::Simulated { .. })
    }

    /// Whether other people's traffic can be heard on it.
    pub fn can_overhear(&self) -> bool {
        self.framing == Framing::Rtu
    }
}

/// A moment at which wall clock and session clock had gone apart: the computer had slept, or its
/// clock was set. How long anything took that was under way is not known.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ClockBreak {
    /// When it was noticed.
    pub at: Duration,
    /// How far the wall clock had run ahead (behind: negative), ms.
    pub apart_ms: i64,
}

/// Two clocks may go apart by so much between two notes, ms.
const CLOCK_SLACK_MS: i64 = 1_000;

/// How far the wall clock, RFC 3339, is ahead of the session's, ms; nothing where it cannot be read.
pub(crate) fn clock_offset_ms(at: Duration, utc: &str) -> Option<i64> {
    let since = i64::try_from(at.as_millis()).ok()?;
    let wall = utc.parse::<Timestamp>().ok()?.as_millisecond();
    wall.checked_sub(since)
}

/// Whether two such offsets are no longer the same clock going on.
pub(crate) fn is_clock_break(before_ms: i64, now_ms: i64) -> bool {
    now_ms.abs_diff(before_ms) > CLOCK_SLACK_MS.unsigned_abs()
}

/// All such moments of a session, in order.
pub fn clock_breaks(events: &[Event]) -> Vec<ClockBreak> {
    let mut known: Option<i64> = None;
    let mut breaks = Vec::new();
    for event in events {
        let What::Clock(utc) = &event.what else {
            continue;
        };
        let Some(now) = clock_offset_ms(event.at, utc) else {
            continue;
        };
        if let Some(before) = known.filter(|before| is_clock_break(*before, now)) {
            breaks.push(ClockBreak {
                at: event.at,
                apart_ms: now.saturating_sub(before),
            });
        }
        known = Some(now);
    }
    breaks
}
