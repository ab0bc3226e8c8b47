//! What was heard so far, and telling it: as lines, as JSON, or as a view that updates in place.

use std::collections::VecDeque;
use std::time::Duration;

use packside_profiles::LineSettings;

use super::super::out;
use super::super::reach::LoadedProfile;
use super::show;
use crate::event::{Event, LinkFacts, What};
use crate::facts::Judgement;
use crate::judge::judge;
use crate::listen::settings::{Class, Explanation, explain};
use crate::listen::waveform::{Mark, Received};
use crate::listen::{
    Conversation, Explained, Id, Numbered, Overheard, Picture, Scene, Summary, Utterance, picture,
};
use crate::show::json;
use crate::show::json::listen::Line;
use crate::wire::Framing;

/// Bytes kept to tell another protocol or other settings.
const KEPT: usize = 4096;
/// Exchanges shown in the view.
const RECENT: usize = 8;
/// Events kept for the verdict, by number and age: older readings are stale anyway.
const EVENTS: usize = 50_000;
const WINDOW: Duration = Duration::from_secs(600);
/// Bytes of input without times that are judged.
const JUDGED: usize = 4 * 1024 * 1024;
/// Time between two drawings, and between two verdicts of the view.
const REDRAW: Duration = Duration::from_millis(500);
const REJUDGE: Duration = Duration::from_secs(5);

/// What was heard so far.
pub(super) struct ListenView<'a> {
    pub(super) loaded: Option<&'a LoadedProfile>,
    as_json: bool,
    colour: bool,
    /// Updates in place instead of printing lines.
    in_place: bool,
    drawn: usize,
    drawn_at: Option<Duration>,
    judged_at: Option<Duration>,
    verdict: Option<Judgement>,
    command: String,
    conversation: Conversation,
    /// Our own questions, in a recording of Modbus TCP.
    ours: Numbered,
    recent: VecDeque<String>,
    events: VecDeque<Event>,
    event_bytes: usize,
    first: Vec<u8>,
    last: VecDeque<Received>,
    /// How many of them the last read brought.
    last_read: usize,
    /// The port marks bad characters.
    has_marks: bool,
    facts: Option<LinkFacts>,
    has_times: bool,
    has_settings: bool,
    began: Duration,
    now: Duration,
}

impl<'a> ListenView<'a> {
    pub(super) fn new(
        loaded: Option<&'a LoadedProfile>,
        as_json: bool,
        colour: bool,
        command: String,
    ) -> Self {
        Self {
            loaded,
            as_json,
            colour,
            in_place: !as_json && out::shows_in_place(),
            drawn: 0,
            drawn_at: None,
            judged_at: None,
            verdict: None,
            command,
            conversation: Conversation::new(),
            ours: Numbered::default(),
            recent: VecDeque::new(),
            events: VecDeque::new(),
            event_bytes: 0,
            first: Vec::new(),
            last: VecDeque::new(),
            last_read: 0,
            has_marks: false,
            facts: None,
            has_times: true,
            has_settings: true,
            began: Duration::ZERO,
            now: Duration::ZERO,
        }
    }

    /// Starts anew at other line settings, with the command that listens at them.
    pub(super) fn again(&self, line: LineSettings, command: String) -> Self {
        if self.as_json {
            print(&Line::Settings {
                line: line.to_string(),
            });
        } else {
            out::say(&format!(
                "nothing valid so far: listening at {line} now, sending nothing"
            ));
        }
        let mut again = Self::new(self.loaded, self.as_json, self.colour, command);
        again.in_place = self.in_place;
        again
    }

    /// Settings that the senders are shown to use, where those are not ours.
    pub(super) fn settled(&self) -> Option<LineSettings> {
        match self.explain()?.class {
            Class::Equivalent(settings) => {
                settings.first().copied().filter(|_| settings.len() == 1)
            }
            _ => None,
        }
    }

    /// The command that listens on.
    pub(super) fn go_on_with(&mut self, command: String) {
        self.command = command;
    }

    /// Line settings at which the same line may be understood.
    pub(super) fn worth_trying(&self) -> Vec<LineSettings> {
        if self.is_valid() {
            return Vec::new();
        }
        match self.explain().map(|explanation| explanation.class) {
            Some(Class::Lost(next)) => next,
            Some(Class::Survives(hypotheses)) => {
                let straight = hypotheses.into_iter().filter(|one| !one.is_swapped);
                straight.map(|one| one.settings).collect()
            }
            _ => Vec::new(),
        }
    }

    /// Whether other settings or a swapped pair are proven to explain what came.
    pub(super) fn is_explained(&self) -> bool {
        let is_proof = |e: &Explanation| matches!(e.class, Class::Survives(_)) && e.is_proven();
        self.explain().as_ref().is_some_and(is_proof)
    }

    /// Whether anything valid was heard.
    pub(super) fn is_valid(&self) -> bool {
        let summary = self.conversation.summary();
        is_valid(&self.pictures(&summary))
    }

    /// Whether the view updates in place.
    pub(super) fn is_in_place(&self) -> bool {
        self.in_place
    }

    /// The bytes come without times, and perhaps without the settings at which they were received.
    pub(super) fn without_times(&mut self, has_settings: bool) {
        self.has_times = false;
        self.has_settings = has_settings;
        self.in_place = false;
    }

    /// Before the first byte.
    pub(super) fn begin(&self) {
        if self.as_json {
            print(&Line::start());
        }
    }

    /// Takes what happened on the link.
    pub(super) fn take(&mut self, events: Vec<Event>) {
        for event in events {
            self.now = self.now.max(event.at);
            match &event.what {
                What::Opened(facts) => {
                    self.facts = Some(facts.clone());
                    self.began = event.at;
                }
                What::Asked {
                    exchange,
                    transaction: Some(transaction),
                    ..
                } => self.ours.asked(*exchange, *transaction),
                What::Out(bytes) if self.is_numbered() => self.ours.sent(event.at, bytes),
                What::Out(bytes) => {
                    let told = self.conversation.sent(event.at, bytes);
                    self.tell(told);
                }
                What::DeadlinePassed { exchange } => {
                    let over = self.ours.passed(*exchange);
                    self.exchanges(over);
                }
                What::In(bytes) if self.is_numbered() => {
                    let done = self.ours.received(event.at, bytes);
                    self.exchanges(done);
                }
                What::In(bytes) => {
                    let room = KEPT.saturating_sub(self.first.len());
                    self.first.extend(bytes.iter().take(room));
                    let at = self.has_times.then_some(event.at);
                    let mark = match self.has_marks {
                        true => Mark::Good,
                        false => Mark::Unknown,
                    };
                    let received = bytes.iter().map(|byte| Received {
                        byte: *byte,
                        mark,
                        at,
                    });
                    self.last.extend(received);
                    self.last_read = bytes.len();
                    let surplus = self.last.len().saturating_sub(KEPT);
                    self.last.drain(..surplus);
                    let told = self.conversation.take(event.at, bytes);
                    self.tell(told);
                }
                What::Marked(places) => self.mark(places),
                _ => {}
            }
            self.keep(event);
        }
    }

    /// Whether frames bear numbers: then nobody else's can be heard.
    fn is_numbered(&self) -> bool {
        let facts = self.facts.as_ref();
        facts.is_some_and(|facts| facts.framing == Framing::Tcp)
    }

    /// Tells exchanges of ours that are over.
    fn exchanges(&mut self, over: impl IntoIterator<Item = Overheard>) {
        for exchange in over {
            let told = self.conversation.exchange(exchange);
            self.tell(told);
        }
    }

    /// Takes the marks of the bytes that came last.
    fn mark(&mut self, places: &[usize]) {
        self.has_marks = true;
        let read = self.last_read.min(self.last.len());
        let begin = self.last.len() - read;
        for (place, one) in (0..).zip(self.last.range_mut(begin..)) {
            // A break reads as a bad 00, and so may a bad 00.
            one.mark = match (places.contains(&place), one.byte) {
                (false, _) => Mark::Good,
                (true, 0) => Mark::Break,
                (true, _) => Mark::Bad,
            };
        }
    }

    /// Keeps the event for the verdict, and forgets what is too old for one.
    fn keep(&mut self, event: Event) {
        if let What::In(bytes) = &event.what {
            if !self.has_times && self.event_bytes > JUDGED {
                return;
            }
            self.event_bytes += bytes.len();
        }
        self.events.push_back(event);
        let is_old = |event: &Event, now: Duration| now.saturating_sub(event.at) > WINDOW;
        while self.events.len() > EVENTS || self.events.get(1).is_some_and(|e| is_old(e, self.now))
        {
            // The first event says what link it is and stays.
            self.events.remove(1);
        }
    }

    /// Time has passed.
    pub(super) fn now(&mut self, now: Duration) {
        self.now = self.now.max(now);
        let told = self.conversation.wait(now);
        self.tell(told);
        let is_due = |last: Option<Duration>, pause| last.is_none_or(|last| now >= last + pause);
        if !self.in_place || !is_due(self.drawn_at, REDRAW) {
            return;
        }
        self.drawn_at = Some(now);
        if self.loaded.is_some() && is_due(self.judged_at, REJUDGE) {
            self.judged_at = Some(now);
            self.verdict = self.judgement();
        }
        self.draw();
    }

    fn tell(&mut self, told: Vec<Utterance>) {
        for told in told {
            if self.as_json {
                print(&Line::told(&told));
                continue;
            }
            let Utterance::Exchange(exchange) = &told else {
                continue;
            };
            let line = show::exchange(exchange, self.has_times);
            if self.in_place {
                if self.recent.len() >= RECENT {
                    self.recent.pop_front();
                }
                self.recent.push_back(line);
            } else {
                out::result(&format!("{line}\n"));
            }
        }
    }

    fn draw(&mut self) {
        let view = show::View {
            facts: self.facts.as_ref(),
            listened: self.listened(),
            summary: &self.conversation.summary(),
            recent: &self.recent,
            verdict: self.verdict.as_ref(),
            colour: self.colour,
        };
        let text = view.text();
        self.drawn = out::redraw(&text, self.drawn);
    }

    fn listened(&self) -> Duration {
        self.now.saturating_sub(self.began)
    }

    fn judgement(&self) -> Option<Judgement> {
        let loaded = self.loaded?;
        let events: Vec<Event> = self.events.iter().cloned().collect();
        Some(judge(&events, Some(&loaded.profile), Some(self.now)))
    }

    /// The end: everything once more in short. Gives whether anything valid was heard.
    pub(super) fn end(&mut self) -> bool {
        let over = self.ours.finish();
        self.exchanges(over);
        let told = self.conversation.finish(self.now);
        self.tell(told);
        if self.in_place {
            out::redraw("", self.drawn);
        }
        let summary = self.conversation.summary();
        let pictures = self.pictures(&summary);
        let is_valid = is_valid(&pictures);
        let judgement = self.judgement().filter(|_| is_valid);
        if self.as_json {
            let listened = self.has_times.then(|| self.listened());
            let (judged, facts) = (judgement.as_ref(), self.facts.as_ref());
            print(&Line::summary(&summary, &pictures, judged, listened, facts));
        } else {
            out::result(
                &show::Ending {
                    facts: self.facts.as_ref().filter(|_| self.has_settings),
                    listened: self.has_times.then(|| self.listened()),
                    summary: &summary,
                    pictures: &pictures,
                    judgement: judgement.as_ref(),
                    profile: self.loaded.map(|loaded| &loaded.profile),
                    colour: self.colour,
                    command: &self.command,
                }
                .text(),
            );
        }
        is_valid
    }

    fn pictures(&self, summary: &Summary) -> Vec<Picture> {
        let is_open = |e: &Explanation| match e.class {
            Class::Equivalent(_) => summary.answered > 0,
            _ => summary.bytes > 0 && summary.answered == 0,
        };
        let explanation = self.explain().filter(is_open);
        let strength = explanation.as_ref().map(Explanation::strength);
        let words = explanation.map(|e| e.words());
        picture(&Scene {
            summary,
            listened: self.has_times.then(|| self.listened()),
            first: &self.first,
            explained: words
                .as_ref()
                .zip(strength)
                .map(|(words, strength)| Explained {
                    found: &words.found,
                    strength,
                    next: &words.next,
                }),
        })
    }

    /// What explains the last bytes by line settings and wiring.
    fn explain(&self) -> Option<Explanation> {
        let line = self.facts.as_ref().filter(|_| self.has_settings)?.line()?;
        let received: Vec<Received> = self.last.iter().copied().collect();
        Some(explain(&received, line))
    }
}

fn print(line: &Line) {
    out::result(&json::line(line));
}

fn is_valid(pictures: &[Picture]) -> bool {
    let shows_nothing =
        |p: &Picture| matches!(p.id, Id::NothingHeard | Id::NoFrame | Id::OtherProtocol);
    !pictures.iter().any(shows_nothing)
}
