//! Entry point for fuzzing a case, and what must hold for any events.
//!
//! The input says its own events: a byte says what happens and by how much time goes on or back, those
//! behind it with what. Questions are those that a look at the shipped stack asks, so that answers can fit
//! them; whoever answers gives right checks now and then.
//!
//! # Panics
//! Where an invariant does not hold: that is what a fuzzer looks for. Nothing else calls this.

use std::sync::Arc;
use std::time::Duration;

use packside_profiles::Foreign;
use packside_profiles::model::Table;

use super::Case;
use crate::event::{AnswerValue, Consent, Event, LinkFacts, LinkKind, StepAnswer, What};
use crate::wire::{Ask, Framing, Question, crc16};

/// Most that a case may hold of one unit, and beside all units, bytes.
const MOST: usize = 100_000;

/// Reads events out of bytes.
struct FuzzSource<'a> {
    rest: &'a [u8],
    now: Duration,
    exchange: u32,
    asked: Option<Ask>,
}

impl FuzzSource<'_> {
    fn byte(&mut self) -> u8 {
        let Some((first, rest)) = self.rest.split_first() else {
            return 0;
        };
        self.rest = rest;
        *first
    }

    fn bytes(&mut self, length: usize) -> Vec<u8> {
        let (bytes, rest) = self.rest.split_at(length.min(self.rest.len()));
        self.rest = rest;
        bytes.to_vec()
    }

    fn step(&mut self) {
        let step = self.byte();
        let by = Duration::from_millis(u64::from(step >> 2) * u64::from(step >> 2) * 17);
        self.now = match step & 3 {
            0 => self.now.saturating_sub(by),
            _ => self.now.saturating_add(by),
        };
    }

    fn ask(&mut self) -> Ask {
        let (unit, from, count) = (self.byte(), self.byte(), self.byte());
        let table = if from & 1 == 0 {
            Table::Input
        } else {
            Table::Holding
        };
        let question = Question::Read {
            table,
            address: u16::from(from) * 2,
            count: u16::from(count % 125) + 1,
        };
        Ask {
            unit: unit % 20,
            question,
        }
    }

    /// An answer to the last question, or a request of somebody else, with its check.
    fn frame(&mut self) -> Vec<u8> {
        let Some(ask) = self.asked.filter(|_| self.byte() & 3 != 0) else {
            return self.ask().encode_rtu();
        };
        let length = ask.read_bytes().unwrap_or(2).min(250);
        let mut frame = vec![ask.unit, ask.function(), u8::try_from(length).unwrap_or(2)];
        let mut content = self.bytes(length);
        content.resize(length, 0);
        frame.extend(content);
        let check = crc16(&frame).to_le_bytes();
        frame.extend(check);
        frame
    }

    fn what(&mut self) -> What {
        match self.byte() % 16 {
            0 => {
                let is_rtu = self.byte() & 7 != 0;
                What::Opened(LinkFacts {
                    kind: LinkKind::Gateway {
                        address: Foreign::default(),
                    },
                    framing: if is_rtu { Framing::Rtu } else { Framing::Tcp },
                    plugged: None,
                    consent: Consent::default(),
                })
            }
            1..=4 => {
                let ask = self.ask();
                self.asked = Some(ask);
                self.exchange = self.exchange.wrapping_add(u32::from(self.byte() % 3));
                What::Asked {
                    exchange: self.exchange,
                    ask,
                    transaction: None,
                    deadline: self.now,
                }
            }
            5 | 6 => What::Out(self.asked.map_or_else(Vec::new, |ask| ask.encode_rtu())),
            7..=9 => What::In(self.frame()),
            10 => {
                let length = usize::from(self.byte());
                What::In(self.bytes(length))
            }
            11 => What::DeadlinePassed {
                exchange: self.exchange,
            },
            12 => What::Listening(self.byte() & 1 == 0),
            13 => What::Lost {
                why: Foreign::default(),
            },
            14 => What::Clock(format!("2026-01-01T00:00:{:02}Z", self.byte() % 60)),
            _ => match self.byte() {
                step if step < 128 => What::Answer(StepAnswer {
                    step: step.to_string().into(),
                    question: Foreign::default(),
                    value: AnswerValue::NotInOrder,
                    note: None,
                }),
                lamp => What::Sighting {
                    lamp: lamp.to_string().into(),
                    pattern: "off".into(),
                },
            },
        }
    }
}

/// Events in any order, at any times, with any bytes: nothing panics, what is held is bounded, and the
/// same events give the same verdict again.
#[expect(
    clippy::expect_used,
    reason = "the shipped map is there; a fuzz target may fail loudly"
)]
pub fn any_events(data: &[u8]) {
    let found = packside_profiles::find("generic-lv-rack", None).expect("shipped");
    let profile = Arc::new(found.profile);
    let mut source = FuzzSource {
        rest: data,
        now: Duration::from_secs(1),
        exchange: 0,
        asked: None,
    };
    let mut case = Case::new(Some(Arc::clone(&profile)));
    let mut events = Vec::new();
    while !source.rest.is_empty() {
        source.step();
        let event = Event {
            at: source.now,
            what: source.what(),
        };
        case.push(&event);
        events.push(event);
    }
    let bound = MOST * (1 + case.units());
    assert!(case.held() <= bound, "{} bytes held", case.held());
    let read = Case::of(Some(profile), &events);
    let moment = case.moment();
    assert_eq!(case.verdict(moment), read.verdict(moment));
}
