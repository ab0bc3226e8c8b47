//! Line settings, clients and units from listening alone.
//!
//! Input: what came while listening, and the time. Output: at which settings to listen until when,
//! and at the end what was heard. Does not: send; the caller drives it over a link that cannot.
//!
//! # How the settings are told
//! The rate from the bytes themselves ([`crate::listen::settings`]), listening at other rates where
//! too little is left of them. The parity by listening with characters that fail it read as 00: then
//! frames hold only under the parity with which they are sent. With even and odd both broken, there
//! is none. One and two stop bits are received alike.

use std::time::Duration;

use packside_profiles::model::{Base, Profile, Table};
use packside_profiles::{LineSettings, Parity};

use super::found::asked_at;
use crate::event::BadCharacters;
use crate::listen::settings::{Class, Explanation, Protocol, explain, next_settings};
use crate::listen::waveform::Received;
use crate::listen::{Conversation, Summary};

/// Most settings that are listened at before giving up.
const TRIES: usize = 8;
/// Characters after which a conversation without one frame counts as damaged by our parity.
const PLENTY: usize = 64;
/// Characters kept.
const KEPT: usize = 4_096;

/// What to do, or what was heard.
#[derive(Debug, Clone, PartialEq)]
pub enum Listening {
    /// Listen at these settings until then.
    At {
        /// Settings.
        line: LineSettings,
        /// What becomes of characters that fail their check.
        bad: BadCharacters,
        /// Look again then at the latest.
        until: Duration,
    },
    /// Not one byte came in the window.
    Silent,
    /// Somebody talks, at these settings.
    Heard {
        /// Settings; with one stop bit where none or two cannot be told apart.
        line: LineSettings,
        /// Whether it cannot reasonably be an accident.
        is_proven: bool,
    },
    /// Somebody talks over a swapped pair.
    Swapped(LineSettings),
    /// Something else than Modbus RTU is spoken.
    Other(Protocol),
    /// Bytes came that nothing explains.
    Unknown {
        /// So many.
        bytes: usize,
    },
}

/// What a stage of listening is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum ListenFor {
    /// The rate.
    Rate,
    /// Whether this is the parity.
    Parity,
}

/// Listens.
#[derive(Debug, Clone)]
pub struct Overhear {
    window: Duration,
    line: LineSettings,
    stage: ListenFor,
    began: Duration,
    received: Vec<Received>,
    tried: Vec<LineSettings>,
    /// What came, at settings under which the frames hold.
    heard: Vec<(Duration, Vec<u8>)>,
    is_proven: bool,
    /// The settings are not ours to change: those of a gateway.
    is_fixed: bool,
    end: Option<Listening>,
}

impl Overhear {
    /// From now on at these settings; a window without a byte is silence.
    pub fn new(now: Duration, line: LineSettings, window: Duration) -> Self {
        Self {
            window,
            line,
            stage: ListenFor::Rate,
            began: now,
            received: Vec::new(),
            tried: vec![line],
            heard: Vec::new(),
            is_proven: false,
            is_fixed: false,
            end: None,
        }
    }

    /// The same behind a gateway that passes bytes on, at settings of its own.
    #[must_use]
    pub fn fixed(self) -> Self {
        Self {
            is_fixed: true,
            ..self
        }
    }

    /// Bytes came.
    pub fn take(&mut self, at: Duration, bytes: &[u8]) {
        let received = Received::unmarked(bytes).into_iter();
        let at_time = received.map(|one| Received {
            at: Some(at),
            ..one
        });
        self.received.extend(at_time);
        let surplus = self.received.len().saturating_sub(KEPT);
        self.received.drain(..surplus);
        if self.stage == ListenFor::Rate {
            self.heard.push((at, bytes.to_vec()));
        }
    }

    /// What to do now.
    pub fn next(&mut self, now: Duration) -> Listening {
        if self.end.is_none() {
            let is_over = now >= self.began + self.window;
            match self.stage {
                ListenFor::Rate => self.rate(now, is_over),
                ListenFor::Parity => self.parity(now, is_over),
            }
        }
        if let Some(end) = &self.end {
            return end.clone();
        }
        let bad = match self.stage {
            ListenFor::Rate => BadCharacters::Kept,
            ListenFor::Parity => BadCharacters::Zeroed,
        };
        let until = self.began + self.window;
        Listening::At {
            line: self.line,
            bad,
            until: if until > now {
                until
            } else {
                now + self.window
            },
        }
    }

    /// Who asks whom, from what was heard.
    pub fn summary(&self) -> Summary {
        let mut conversation = Conversation::new();
        let mut last = Duration::ZERO;
        for (at, bytes) in &self.heard {
            conversation.take(*at, bytes);
            last = *at;
        }
        conversation.finish(last + Duration::from_secs(1));
        conversation.summary()
    }

    fn rate(&mut self, now: Duration, is_over: bool) {
        if self.received.is_empty() {
            if is_over {
                self.end = Some(if self.tried.len() == 1 {
                    Listening::Silent
                } else {
                    Listening::Unknown { bytes: 0 }
                });
            }
            return;
        }
        let explanation = explain(&self.received, self.line);
        if !explanation.is_proven() && !is_over {
            return;
        }
        let is_proven = explanation.is_proven();
        match explanation.class {
            Class::Exact(_) | Class::Equivalent(_) if self.is_fixed => {
                self.is_proven = is_proven;
                self.name(self.line);
            }
            Class::OtherProtocol(protocol) => self.end = Some(Listening::Other(protocol)),
            _ if self.is_fixed => {
                let bytes = self.received.len();
                self.end = Some(Listening::Unknown { bytes });
            }
            Class::Exact(_) | Class::Equivalent(_) => {
                self.is_proven = is_proven;
                self.listen_at(now, with_parity(self.line, Parity::Even), ListenFor::Parity);
            }
            Class::Survives(hypotheses) => {
                let mut straight = hypotheses.iter().filter(|one| !one.is_swapped);
                match (straight.next(), hypotheses.first()) {
                    (Some(one), _) => self.try_next(now, vec![asked_at(one.settings)]),
                    (None, Some(one)) => self.end = Some(Listening::Swapped(one.settings)),
                    (None, None) => self.try_next(now, Vec::new()),
                }
            }
            Class::Lost(next) => self.try_next(now, next),
            Class::Nothing => {
                if now >= self.began + self.window * 3 {
                    self.try_next(now, next_settings(&self.received, self.line, &self.tried));
                }
            }
        }
    }

    fn parity(&mut self, now: Duration, is_over: bool) {
        let explanation = explain(&self.received, self.line);
        let holds = matches!(explanation.class, Class::Exact(_) | Class::Equivalent(_));
        if holds && (explanation.is_proven() || is_over && has_frames(&explanation)) {
            self.is_proven |= explanation.is_proven();
            return self.name(self.line);
        }
        let is_broken = self.received.len() >= PLENTY && !has_frames(&explanation);
        let is_heard_out = is_over && !self.received.is_empty();
        if !is_broken && !is_heard_out {
            if now >= self.began + self.window * 3 {
                // They have fallen silent: what is known is the rate.
                self.is_proven = false;
                self.name(with_parity(self.line, Parity::None));
            }
            return;
        }
        match self.line.parity {
            Parity::Even => {
                self.listen_at(now, with_parity(self.line, Parity::Odd), ListenFor::Parity)
            }
            _ => self.name(with_parity(self.line, Parity::None)),
        }
    }

    fn name(&mut self, line: LineSettings) {
        let is_proven = self.is_proven;
        self.end = Some(Listening::Heard { line, is_proven });
    }

    /// Goes on at the first of these settings that was not tried yet.
    fn try_next(&mut self, now: Duration, lines: Vec<LineSettings>) {
        let mut lines = lines.into_iter().map(asked_at);
        let fresh = lines.find(|line| !self.tried.contains(line));
        match fresh.filter(|_| self.tried.len() < TRIES) {
            Some(line) => {
                self.tried.push(line);
                self.heard.clear();
                self.listen_at(now, line, ListenFor::Rate);
            }
            None => {
                let bytes = self.received.len();
                self.end = Some(Listening::Unknown { bytes });
            }
        }
    }

    fn listen_at(&mut self, now: Duration, line: LineSettings, stage: ListenFor) {
        self.line = line;
        self.stage = stage;
        self.began = now;
        self.received.clear();
    }
}

/// Maps that a conversation fits, best first: share of the reads overheard that lie in ranges that
/// the map can read, and so many reads. None where no read was overheard.
pub fn fitting<'p>(summary: &Summary, profiles: &'p [Profile]) -> Vec<(&'p Profile, usize, usize)> {
    let reads: Vec<(Table, u16, u16)> = summary
        .polls
        .iter()
        .filter_map(|poll| {
            let table = match poll.asked.function {
                0x03 => Table::Holding,
                0x04 => Table::Input,
                _ => return None,
            };
            Some((table, poll.asked.register?, poll.asked.count?))
        })
        .collect();
    let mut fits: Vec<(&Profile, usize, usize)> = profiles
        .iter()
        .map(|profile| {
            let inside = reads.iter().filter(|read| lies_in(profile, **read)).count();
            (profile, inside, reads.len())
        })
        .filter(|(_, inside, _)| *inside > 0)
        .collect();
    fits.sort_by_key(|(_, inside, _)| std::cmp::Reverse(*inside));
    fits
}

fn lies_in(profile: &Profile, (table, from, count): (Table, u16, u16)) -> bool {
    let last = from.saturating_add(count.saturating_sub(1));
    profile.spans.iter().any(|span| {
        span.base == Base::Absolute && span.table == table && span.from <= from && last <= span.to
    })
}

fn with_parity(line: LineSettings, parity: Parity) -> LineSettings {
    LineSettings {
        parity,
        stop_bits: 1,
        ..line
    }
}

fn has_frames(explanation: &Explanation) -> bool {
    explanation.evidence.frames > 0
}
