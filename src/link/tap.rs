//! The one tap on a port: sees every byte with its time and direction, and keeps the tape.
//!
//! [`super::Quiet`] and [`super::Asking`] both work through it, so nothing gets past the tape.
//!
//! Does not: decide what to send or when.

use std::future::poll_fn;
use std::time::Duration;

use packside_profiles::LineSettings;

use super::{Arrived, ClockWatch, LinkTrouble, Notice, Port, PortGone};
use crate::event::BadCharacters;
use crate::event::{Event, What};

/// Told to the user while something takes its time, one line each.
pub type Say = Box<dyn FnMut(&Notice) + Send>;

/// Told every event the moment it stands on the tape.
pub type EventSink = Box<dyn FnMut(&Event) + Send>;

/// A port is not opened again sooner than this after it was opened; after each opening that brought no
/// answer the pause is twice as long.
const FIRST_PAUSE: Duration = Duration::from_millis(500);
/// Longest pause between two tries of a gateway, which may have others to serve.
const LONGEST_PAUSE: Duration = Duration::from_secs(60);
/// The same of an adapter, which harms nobody.
const LONGEST_PAUSE_HERE: Duration = Duration::from_secs(8);
/// Received bytes kept to tell who speaks.
const KEPT: usize = 512;
/// Bytes that nobody asked for allowed at once, and for each second more: ten times what the fastest line
/// carries.
const FLOOD: u64 = 1 << 17;
/// The same of a port that was opened again and has not answered since: still what the fastest line carries.
const FLOOD_AGAIN: u64 = FLOOD / 8;
/// A port on which somebody is overheard for so long works, without an answer to us. Sooner it may be one that
/// takes every connection, floods it or hangs up.
const SETTLED: Duration = Duration::from_secs(5);

/// A port, its tape, and what the tape says about silence.
pub(crate) struct Tap {
    pub(crate) port: Box<dyn Port>,
    say: Say,
    tape: Vec<Event>,
    sink: Option<EventSink>,
    clocks: ClockWatch,
    /// When the last byte, ours or foreign, has left the wire.
    line_busy_until: Duration,
    /// When the last foreign byte came, or the link was opened.
    last_heard: Duration,
    /// Silence that an earlier link heard on the same line, just before.
    silent_before: Duration,
    /// The first bytes since the link was opened.
    first_received: Vec<u8>,
    /// Bytes that came, all in all.
    received: u64,
    /// Bytes that had come when the port was opened last.
    received_before: u64,
    /// Bytes that questions asked since then may have brought.
    asked_for: u64,
    /// When the port was opened last, or that was tried.
    opened_at: Duration,
    /// Openings since the last answer.
    openings: u32,
    /// Why it was lost since the last answer, and how often.
    losses: Option<(String, u32)>,
    is_lost: bool,
    gave_marks: bool,
}

/// What a wait brought; bytes and losses are on the tape already.
pub(crate) enum WaitHeard {
    /// Bytes, as the event on the tape.
    Bytes(Event),
    /// Nothing until the given time.
    Nothing,
    /// The port was lost, as the event on the tape.
    Lost(Event),
}

impl Tap {
    /// Begins the tape of an open port.
    pub(crate) fn new(port: Box<dyn Port>, say: Say) -> Self {
        let now = port.now();
        let opened = Event {
            at: now,
            what: What::Opened(port.facts().clone()),
        };
        Self {
            port,
            say,
            tape: vec![opened],
            sink: None,
            clocks: ClockWatch::default(),
            line_busy_until: now,
            last_heard: now,
            silent_before: Duration::ZERO,
            first_received: Vec::new(),
            received: 0,
            received_before: 0,
            asked_for: 0,
            opened_at: now,
            openings: 0,
            losses: None,
            is_lost: false,
            gave_marks: false,
        }
    }

    /// Tells this sink everything on the tape, and from now on every event.
    pub(crate) fn record_to(&mut self, mut sink: EventSink) {
        self.tape.iter().for_each(&mut sink);
        self.sink = Some(sink);
    }

    /// Puts an event on the tape and gives it back.
    pub(crate) fn record(&mut self, at: Duration, what: What) -> Event {
        self.note_clock(at);
        self.put(Event { at, what })
    }

    fn put(&mut self, event: Event) -> Event {
        if let Some(sink) = &mut self.sink {
            sink(&event);
        }
        self.tape.push(event.clone());
        event
    }

    /// Notes the wall clock where it is time to.
    fn note_clock(&mut self, now: Duration) {
        let wall = self.port.wall();
        if let Some(what) = wall.and_then(|wall| self.clocks.note(now, wall)) {
            self.put(Event { at: now, what });
        }
    }

    /// Events since the last call.
    pub(crate) fn drain(&mut self) -> Vec<Event> {
        std::mem::take(&mut self.tape)
    }

    /// Events since the last drain.
    pub(crate) fn tape(&self) -> &[Event] {
        &self.tape
    }

    /// Tells the user.
    pub(crate) fn say(&mut self, notice: &Notice) {
        (self.say)(notice);
    }

    /// When the last byte in either direction has left the wire.
    pub(crate) fn line_busy_until(&self) -> Duration {
        self.line_busy_until
    }

    /// How long no byte has come in.
    pub(crate) fn silent_for(&self) -> Duration {
        let silent = self.port.now().saturating_sub(self.last_heard);
        // One byte, or a link that was gone, and what was heard before counts no more.
        let is_unbroken = self.received == 0 && self.last_heard == self.opened_at;
        silent
            + if is_unbroken {
                self.silent_before
            } else {
                Duration::ZERO
            }
    }

    /// An earlier link heard silence on the same line for so long, just before.
    pub(crate) fn was_silent(&mut self, before: Duration) {
        self.silent_before = before;
    }

    /// The first bytes that came since the link was opened.
    pub(crate) fn first_received(&self) -> &[u8] {
        &self.first_received
    }

    /// How many bytes have come, all in all.
    pub(crate) fn received(&self) -> u64 {
        self.received
    }

    /// Whether the port was lost and did not come back yet.
    pub(crate) fn is_lost(&self) -> bool {
        self.is_lost
    }

    /// Sends bytes. On a line they take their time after the write has returned. Gives the event on
    /// the tape: the bytes, or as an error the loss.
    pub(crate) async fn send(&mut self, bytes: &[u8]) -> Result<Event, Event> {
        match poll_fn(|cx| self.port.poll_send(cx, bytes)).await {
            Ok(at) => {
                let on_the_wire = self
                    .port
                    .line()
                    .map_or(Duration::ZERO, |line| line.characters(bytes.len()));
                self.line_busy_until = self.line_busy_until.max(at) + on_the_wire;
                Ok(self.record(at, What::Out(bytes.to_vec())))
            }
            Err(gone) => Err(self.lost(gone.to_string())),
        }
    }

    /// Gives the line other settings. What is on its way at the old ones can be read no more.
    pub(crate) fn set_line(
        &mut self,
        line: LineSettings,
        bad: BadCharacters,
    ) -> Result<Event, LinkTrouble> {
        self.port.set_line(line, bad).map_err(LinkTrouble::Lost)?;
        self.first_received.clear();
        let now = self.port.now();
        let facts = self.port.facts().clone();
        Ok(self.record(now, What::Opened(facts)))
    }

    /// Waits until something happens or `until` has passed.
    pub(crate) async fn wait(&mut self, until: Duration) -> Result<WaitHeard, LinkTrouble> {
        match poll_fn(|cx| self.port.poll_wait(cx, until)).await {
            Arrived::Bytes(at, bytes) => {
                self.line_busy_until = self.line_busy_until.max(at);
                self.last_heard = self.last_heard.max(at);
                self.received += bytes.len() as u64;
                let seconds = at.saturating_sub(self.opened_at).as_secs();
                let unasked = (self.received - self.received_before).saturating_sub(self.asked_for);
                let allowed = if self.openings == 0 {
                    FLOOD
                } else {
                    FLOOD_AGAIN
                };
                if unasked > allowed * (1 + seconds) {
                    let flooded = LinkTrouble::Flooded {
                        bytes: unasked,
                        is_line: self.port.line().is_some(),
                    };
                    // Not read on: whoever floods would be listened to for ever.
                    self.lost(flooded.to_string());
                    return Err(flooded);
                }
                let room = KEPT.saturating_sub(self.first_received.len());
                self.first_received.extend(bytes.iter().take(room));
                let event = self.record(at, What::In(bytes));
                if let Some(bad) = self.port.marks()
                    && !(bad.is_empty() && self.gave_marks)
                {
                    self.gave_marks = true;
                    self.record(at, What::Marked(bad));
                }
                Ok(WaitHeard::Bytes(event))
            }
            Arrived::Nothing => {
                self.note_clock(self.port.now());
                Ok(WaitHeard::Nothing)
            }
            Arrived::Gone(gone) => Ok(WaitHeard::Lost(self.lost(gone.to_string()))),
            Arrived::Interrupted => Err(LinkTrouble::Interrupted),
        }
    }

    /// A question is sent that may bring so many bytes.
    pub(crate) fn asks_for(&mut self, bytes: usize) {
        self.asked_for += bytes as u64;
    }

    /// Whoever is meant has answered: the way works, and the next loss is a new one.
    pub(crate) fn answered(&mut self) {
        self.openings = 0;
        if let Some((_, losses @ 2..)) = self.losses.take() {
            self.say(&Notice::Back { losses });
        }
    }

    /// Somebody was overheard: whether the way works is clear after a while.
    pub(crate) fn overheard(&mut self) {
        if self.last_heard.saturating_sub(self.opened_at) >= SETTLED {
            self.answered();
        }
    }

    /// Notes that the port is lost. Said once for all losses of one cause without an answer between.
    pub(crate) fn lost(&mut self, why: String) -> Event {
        self.is_lost = true;
        match &mut self.losses {
            Some((before, times)) if *before == why => *times += 1,
            losses => {
                *losses = Some((why.clone(), 1));
                self.say(&Notice::Lost { why: why.clone() });
            }
        }
        let now = self.port.now();
        self.record(now, What::Lost { why: why.into() })
    }

    /// When the port may be opened again.
    fn next_opening(&self) -> Duration {
        let longest = if self.port.facts().is_gateway() {
            LONGEST_PAUSE
        } else {
            LONGEST_PAUSE_HERE
        };
        let pause = FIRST_PAUSE * 2_u32.saturating_pow(self.openings.min(16));
        self.opened_at + scattered(pause.min(longest), self.opened_at)
    }

    /// Whether the port may be opened again by then.
    pub(crate) fn opens_by(&self, until: Duration) -> bool {
        self.next_opening() <= until
    }

    /// Opens the port again, with pauses that grow until somebody answers, until it is back. Nothing is
    /// waited for where the next try would come after `give_up`.
    pub(crate) async fn bring_back(&mut self, give_up: Duration) -> Result<Event, LinkTrouble> {
        let mut why = None;
        loop {
            let now = self.port.now();
            let next = self.next_opening();
            if next > give_up.max(now) {
                return Err(self.gives_up(why));
            }
            if next > now {
                self.rest(next).await?;
            }
            let opened = poll_fn(|cx| self.port.poll_reopen(cx)).await;
            self.openings += 1;
            self.opened_at = self.port.now();
            match opened {
                Ok(()) => {
                    self.is_lost = false;
                    (self.received_before, self.asked_for) = (self.received, 0);
                    self.first_received.clear();
                    let now = self.opened_at;
                    (self.line_busy_until, self.last_heard) = (now, now);
                    if self.losses.as_ref().is_none_or(|(_, times)| *times < 2) {
                        self.say(&Notice::Back { losses: 1 });
                    }
                    return Ok(self.record(now, What::Back));
                }
                Err(again) if why.as_ref() == Some(&again) => {}
                Err(first) => {
                    let pause = self.next_opening().saturating_sub(self.opened_at);
                    self.say(&Notice::TryingAgain {
                        why: first.clone(),
                        pause,
                    });
                    why = Some(first);
                }
            }
        }
    }

    /// Why it is not tried now.
    fn gives_up(&mut self, why: Option<PortGone>) -> LinkTrouble {
        let lost = self.losses.as_ref().map(|(why, _)| why.clone());
        LinkTrouble::Lost(why.unwrap_or(match lost {
            Some(why) => PortGone::Unanswered { why },
            None => PortGone::Closed,
        }))
    }

    /// Lets time pass while the port is gone.
    pub(crate) async fn rest(&mut self, until: Duration) -> Result<(), LinkTrouble> {
        if poll_fn(|cx| self.port.poll_rest(cx, until)).await {
            return Ok(());
        }
        Err(LinkTrouble::Interrupted)
    }
}

/// A pause made up to a quarter shorter, by the moment at which it begins: of many that lost one gateway
/// at once, all would come back at once.
fn scattered(pause: Duration, at: Duration) -> Duration {
    let share = at.subsec_micros() % 256;
    pause - pause / 1_024 * share
}
