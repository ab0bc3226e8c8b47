//! What the events until a moment come to, in one pass over them.
//!
//! A recording of hours holds millions of chunks of bytes; nothing here needs them a second time.
//!
//! Does not: judge, or decode by a profile.

use std::borrow::Borrow;
use std::time::Duration;

use crate::ask::{Outcome, Talk, Talking, framing};
use crate::event::{Event, LinkFacts, What, clock_breaks};

/// Everything that judging draws from.
#[derive(Debug)]
pub struct Seen {
    /// The moment.
    pub(crate) moment: Duration,
    /// Questions and answers, ours and those of others.
    pub(crate) talk: Talk,
    /// Events until the moment that are neither bytes nor questions.
    beside: Vec<Event>,
    /// What persons said, also behind the moment: evidence does not expire by being given late.
    pub(crate) said: Vec<Event>,
    /// Bytes received.
    pub(crate) bytes_in: u64,
    /// Of these, while we only listened.
    pub(crate) heard: usize,
    /// The bytes themselves, as long as no answer to us was among them: what they look like is
    /// asked only then.
    pub(crate) unanswered: Vec<u8>,
    /// The last event.
    pub(crate) end: Duration,
    /// Nothing came over the link behind the moment.
    is_all: bool,
}

impl Seen {
    /// Takes the events until a moment (the last link event where none is given).
    pub fn of(
        events: impl IntoIterator<Item: Borrow<Event>> + Copy,
        moment: Option<Duration>,
    ) -> Self {
        let moment = moment.unwrap_or_else(|| last_moment(events));
        let until = events.into_iter().filter(|e| e.borrow().at <= moment);
        let mut talking = Talking::new(framing(until));
        let mut seen = Self {
            moment,
            talk: Talk::default(),
            beside: Vec::new(),
            said: Vec::new(),
            bytes_in: 0,
            heard: 0,
            unanswered: Vec::new(),
            end: Duration::ZERO,
            is_all: true,
        };
        let (mut listening, mut answered, mut ended) = (false, false, 0);
        for event in events {
            let event = event.borrow();
            if matches!(event.what, What::Sighting { .. } | What::Answer(_)) {
                seen.said.push(event.clone());
            }
            if event.at > moment {
                seen.is_all &= !event.what.is_link();
                continue;
            }
            seen.end = event.at;
            talking.take(event);
            answered |= talking.own().get(ended..).is_some_and(|new| {
                let came = |outcome: &Outcome| {
                    matches!(outcome, Outcome::Answered(_) | Outcome::Exception(_))
                };
                new.iter().any(|exchange| came(&exchange.outcome))
            });
            ended = talking.own().len();
            match &event.what {
                What::In(bytes) => {
                    seen.bytes_in += bytes.len() as u64;
                    seen.heard += if listening { bytes.len() } else { 0 };
                    if answered {
                        seen.unanswered = Vec::new();
                    } else {
                        seen.unanswered.extend(bytes);
                    }
                }
                What::Out(_) | What::Asked { .. } => {}
                what => {
                    if let What::Listening(now) = what {
                        listening = *now;
                    }
                    seen.beside.push(event.clone());
                }
            }
        }
        seen.talk = talking.finish();
        seen
    }

    /// Questions and answers of all the events, where none of them came behind the moment.
    pub fn into_whole_talk(self) -> Option<Talk> {
        self.is_all.then_some(self.talk)
    }

    /// The link as it was opened first.
    pub(crate) fn facts(&self) -> Option<&LinkFacts> {
        self.beside.iter().find_map(|event| match &event.what {
            What::Opened(facts) => Some(facts),
            _ => None,
        })
    }

    /// Whether the link was lost.
    pub(crate) fn was_lost(&self) -> bool {
        let is_lost = |event: &Event| matches!(event.what, What::Lost { .. });
        self.beside.iter().any(is_lost)
    }

    /// The last moment at which both clocks had gone apart.
    pub(crate) fn clocks_broke_at(&self) -> Option<Duration> {
        clock_breaks(&self.beside).last().map(|broken| broken.at)
    }

    /// Time spent listening without asking.
    pub(crate) fn listened(&self) -> Duration {
        let mut total = Duration::ZERO;
        let mut since = None;
        for event in &self.beside {
            match event.what {
                What::Listening(true) => since = Some(event.at),
                What::Listening(false) => {
                    total += since.take().map_or(Duration::ZERO, |from: Duration| {
                        event.at.saturating_sub(from)
                    });
                }
                _ => {}
            }
        }
        total + since.map_or(Duration::ZERO, |from| self.end.saturating_sub(from))
    }
}

/// The moment judged where none is given: the last link event, else the last event.
fn last_moment(events: impl IntoIterator<Item: Borrow<Event>>) -> Duration {
    let (mut last, mut last_link) = (None, None);
    for event in events {
        let event = event.borrow();
        last = Some(event.at);
        if event.what.is_link() {
            last_link = last;
        }
    }
    last_link.or(last).unwrap_or_default()
}
