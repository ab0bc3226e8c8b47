//! The measured steps of a visit, and the rounds of `watch`: moves the link, and asks the visit's rules
//! when a step is over.
//!
//! Does not: judge the unit, or decide when a step is over ([`crate::visit::power_up`] does).

use std::time::Duration;

use packside_profiles::model::Profile;
use packside_profiles::{Role, StateKind};

use super::args::CheckArgs;
use super::failure::{Failure, USAGE, failure};
use super::record::{Record, shown};
use super::session::{self, Manner, Refusal};
use super::{out, places, reach};
use crate::event::{Event, LinkFacts, Plugged, What, clock_breaks};
use crate::evidence::samples::MemberEvidence;
use crate::facts::{Judgement, VerdictKind};
use crate::judge::{evidence_in, judge};
use crate::link::{Asking, Clock, ClockWatch, LinkTrouble, NotShown, Quiet, quiet_window, wall};
use crate::poll::{Cost, Follow};
use crate::recording::Entry;
use crate::show::screen;
use crate::visit::Measure;
use crate::visit::load::{Fitted, LEAST_STEP, MARKS, Resistance, currents, fit, recorded};
use crate::visit::power_up::{self, Outcome, Pace};
use crate::visit::swap;
use crate::words;

/// Between two looks at a unit that waits.
const PAUSE: Duration = Duration::from_secs(5);
/// How long one stretch of close following lasts before it is judged.
const STRETCH: Duration = Duration::from_secs(5);
/// How long a step of the current is waited for.
const AWAIT_LOAD: Duration = Duration::from_secs(180);
/// Pause between two rounds while that is waited for: others may have to talk meanwhile.
const UNHURRIED: Duration = Duration::from_secs(2);
/// How long a scenario may take to do what a step is about.
const SCHEDULE: Duration = Duration::from_secs(900);
/// Between two looks for that.
const BETWEEN: Duration = Duration::from_secs(30);
/// Two uptimes of one start may lie so far apart, s: they count whole seconds, and may be read late.
const UPTIME_SLACK: f64 = 5.0;
/// Said where nobody cycled the power.
const NOT_CYCLED: &str = "not done: its own uptime goes on, so its power was not cycled; switch it off and on by the manual, then repeat the step.";
/// Said where nothing but a person's word says that the power was cycled.
const NO_UPTIME: &str =
    "The unit tells no uptime by this register map: it cannot show that its power was cycled.";
/// Said where durations are not known.
const SLEPT: &str = "  this computer slept or its clock was set meanwhile: how long that was is not known, waiting again";
/// How long a link is listened to that others use.
const OVERHEAR: Duration = Duration::from_secs(20);

/// An open link.
enum Way {
    Quiet(Box<Quiet>),
    Asking(Box<Asking>),
}

/// The link of a visit, and all that happened on it.
pub(crate) struct Live<'a> {
    args: CheckArgs,
    profile: &'a Profile,
    record: Record,
    clock: Clock,
    clocks: ClockWatch,
    way: Option<Way>,
    /// Everything of this session.
    pub(crate) events: Vec<Event>,
    /// The link, once it was open.
    pub(crate) facts: Option<LinkFacts>,
    /// The last judgement.
    pub(crate) last: Option<Judgement>,
    /// The last judgement that was a fault.
    faulty: Option<Judgement>,
    /// Where this computer is plugged in, once said.
    pub(crate) plugged: Option<Plugged>,
    user_said: bool,
}

/// How a measured step ended, in an id and words.
pub(crate) type Ended = (String, String);

impl<'a> Live<'a> {
    /// A visit begins. A simulated unit is powered up now; a real link is opened when it is needed.
    pub(crate) fn begin(
        args: CheckArgs,
        profile: &'a Profile,
        record: Record,
    ) -> Result<Self, Failure> {
        let user_said = args.ask_anyway;
        let mut live = Self {
            args,
            profile,
            record,
            clock: Clock::start(),
            clocks: ClockWatch::default(),
            way: None,
            events: Vec::new(),
            facts: None,
            last: None,
            faulty: None,
            plugged: None,
            user_said,
        };
        if live.args.place.simulated.is_some() {
            live.open()?;
        }
        Ok(live)
    }

    /// Time since the session began.
    pub(crate) fn now(&self) -> Duration {
        match &self.way {
            None => self.clock.now(),
            Some(Way::Quiet(quiet)) => quiet.now(),
            Some(Way::Asking(asking)) => asking.now(),
        }
    }

    /// Whether not one byte came from a real wire.
    pub(crate) fn is_silent(&self) -> bool {
        let came = |event: &Event| matches!(event.what, What::In(_));
        self.args.place.simulated.is_none() && !self.events.iter().any(came)
    }

    /// Keeps and records what a person said, and the clock where it is due: a laptop may sleep between
    /// two answers as well.
    pub(crate) fn said(&mut self, what: What) {
        let at = self.now();
        let is_real = self.args.place.simulated.is_none();
        let clock = self.clocks.note(at, is_real.then(|| wall().0));
        for what in clock.into_iter().chain([what]) {
            let event = Event { at, what };
            self.record.event(event.clone());
            self.events.push(event);
        }
    }

    /// Whether the computer slept, or its clock was set, since a moment.
    fn clocks_broke_since(&self, began: Duration) -> bool {
        let breaks = clock_breaks(&self.events);
        breaks.last().is_some_and(|broken| broken.at > began)
    }

    fn open(&mut self) -> Result<(), Failure> {
        if self.way.is_none() {
            let plugged = self.plugged.or(self.args.plugged.map(Into::into));
            let mut quiet = reach::open(&self.args, self.profile, plugged, Some(self.clock))?;
            self.facts = Some(quiet.facts().clone());
            self.record.follow(&mut quiet);
            self.way = Some(Way::Quiet(Box::new(quiet)));
        }
        Ok(())
    }

    fn manner(&self) -> Manner {
        Manner {
            unit: self
                .args
                .only
                .or(self.args.unit)
                .unwrap_or(self.profile.answering.unit),
            only: self.args.only.is_some(),
            listen_first: self.args.listen_first,
            user_said: self.user_said,
            says: true,
        }
    }

    /// Whether it is the unit that is meant; before anything is shown of it.
    fn same_unit(&self, judgement: &Judgement) -> Result<(), Failure> {
        let serial = judgement.identity.serial.as_deref();
        places::same_unit(&self.args, serial)?;
        serial.map_or(Ok(()), |serial| self.record.unit(serial))
    }

    /// Judges everything so far, and says it where it is new.
    fn judge(&mut self) -> Result<Judgement, Failure> {
        let judgement = self.judged();
        self.same_unit(&judgement)?;
        let summary = words::summary(&judgement);
        if self.last.as_ref().map(words::summary).as_ref() != Some(&summary) {
            // Recorded first: what stands on the screen is on the disk.
            self.record.entry(&Entry::Shown(shown(&judgement)));
            out::say(&format!(
                "  {:5.0} s  {}: {summary}",
                self.now().as_secs_f64(),
                screen::title(judgement.verdict.kind)
            ));
        }
        if judgement.verdict.kind == VerdictKind::Fault {
            self.faulty = Some(judgement.clone());
        }
        self.last = Some(judgement.clone());
        Ok(judgement)
    }

    /// Judges everything so far as of now, for a screen that shows every verdict: where nothing comes any
    /// more, what was read grows old on it.
    pub(super) fn verdict(&mut self) -> Result<Judgement, Failure> {
        let judgement = judge(&self.events, Some(self.profile), Some(self.now()));
        self.same_unit(&judgement)?;
        // Recorded first: what stands on the screen is on the disk.
        self.record.entry(&Entry::Shown(shown(&judgement)));
        self.last = Some(judgement.clone());
        Ok(judgement)
    }

    /// Whether bytes came on this line within the time that shows that nobody else asks.
    pub(super) fn others_talk(&self) -> bool {
        let window = self.manner().listen_first;
        let window = window.unwrap_or_else(|| quiet_window(Some(self.profile)));
        match &self.way {
            Some(Way::Quiet(quiet)) if !self.user_said => {
                let is_real = self.args.place.simulated.is_none();
                is_real && quiet.facts().can_overhear() && quiet.silent_for() < window
            }
            _ => false,
        }
    }

    /// Takes lamps as a person sees them now, and judges again where the unit was read.
    pub(crate) fn sees(&mut self, lamps: Vec<(String, String)>) {
        for (lamp, pattern) in lamps {
            self.said(What::Sighting { lamp, pattern });
        }
        if self.last.is_some() {
            // A lamp is no other unit: that was settled when it was read.
            self.judge().ok();
        }
    }

    /// The judgement at the end of the visit, recorded as shown: it knows more than the last one whose
    /// verdict was new. Nothing where the unit was never read.
    pub(crate) fn concluded(&self) -> Option<Judgement> {
        self.last.as_ref()?;
        let judgement = self.judged();
        self.record.entry(&Entry::Shown(shown(&judgement)));
        Some(judgement)
    }

    /// Everything so far, judged with the answers given since.
    fn judged(&self) -> Judgement {
        judge(&self.events, Some(self.profile), None)
    }

    /// Begins to ask; where that is not right, listens to the others instead. Gives nothing then.
    fn ask(&mut self) -> Result<Option<Asking>, Failure> {
        self.open()?;
        let quiet = match self.way.take() {
            Some(Way::Quiet(quiet)) => *quiet,
            Some(Way::Asking(asking)) => return Ok(Some(*asking)),
            None => return Ok(None),
        };
        match session::begin(quiet, self.profile, &self.manner()) {
            Ok(asking) => {
                // The word was given once, after the caution; it holds for this visit.
                self.user_said |= asking.user_said();
                Ok(Some(asking))
            }
            Err(Refusal::NotShown(NotShown::NotSilent { .. }, quiet)) => {
                self.keep(Way::Quiet(quiet));
                self.wait(OVERHEAR)?;
                Ok(None)
            }
            Err(Refusal::NotShown(why, quiet)) => {
                self.keep(Way::Quiet(quiet));
                let hint = Some(why.hint().to_owned());
                Err(failure(USAGE, "may-wake", why.to_string(), hint))
            }
            Err(Refusal::Trouble(trouble)) => Err(reach::failure_of(&trouble)),
        }
    }

    /// Keeps the link, and what happened on it since.
    fn keep(&mut self, mut way: Way) {
        self.events.extend(match &mut way {
            Way::Quiet(quiet) => quiet.drain(),
            Way::Asking(asking) => asking.drain(),
        });
        self.way = Some(way);
    }

    /// Keeps a link that asked. Trouble other than somebody else asking ends the step.
    fn rest(&mut self, asking: Asking, trouble: Option<LinkTrouble>) -> Result<(), Failure> {
        let Some(trouble) = trouble else {
            self.keep(Way::Asking(Box::new(asking)));
            return Ok(());
        };
        self.keep(Way::Quiet(Box::new(asking.into_quiet())));
        if let LinkTrouble::SomeoneElseAsks { .. } = trouble {
            out::say("  somebody else asks on this line now: listening to them");
            return Ok(());
        }
        Err(reach::failure_of(&trouble))
    }

    /// A step is over: nothing more is asked until the next one.
    fn end_step(&mut self) {
        if let Some(Way::Asking(asking)) = self.way.take_if(|way| matches!(way, Way::Asking(_))) {
            self.keep(Way::Quiet(Box::new(asking.into_quiet())));
        }
    }

    /// Reads everything once.
    pub(super) fn look(&mut self) -> Result<(), Failure> {
        let Some(mut asking) = self.ask()? else {
            return Ok(());
        };
        let manner = self.manner();
        let trouble = session::look(&mut asking, self.profile, &manner, |_, _, _| {});
        self.rest(asking, trouble)
    }

    /// Reads the little that changes around a transition, round after round with a pause between,
    /// until `over` says so or the time has passed. At least one round.
    fn follow(
        &mut self,
        time: Duration,
        pause: Duration,
        mut over: impl FnMut(&MemberEvidence, &Profile) -> bool,
    ) -> Result<(), Failure> {
        let Some(mut asking) = self.ask()? else {
            return Ok(());
        };
        let unit = self.manner().unit;
        let cost = Cost {
            line: asking.line(),
            answer_time: Duration::from_millis(self.profile.answering.answer_time_ms.into()),
        };
        let time_out = Duration::from_millis(self.profile.answering.time_out_ms.into());
        let mut follow = Follow::new(self.profile, unit, &cost);
        let until = asking.now() + time;
        let trouble = loop {
            let round = (0..follow.round()).filter_map(|_| follow.next_ask());
            let trouble = round
                .map(|ask| asking.ask(ask, time_out))
                .find_map(Result::err);
            let evidence = evidence_in(asking.tape(), self.profile);
            let is_over = evidence
                .iter()
                .any(|e| e.unit == unit && over(e, self.profile));
            if trouble.is_some() || is_over || asking.now() >= until {
                break trouble;
            }
            let next = (asking.now() + pause).min(until);
            if let Err(trouble) = asking.idle(next) {
                break Some(trouble);
            }
        };
        self.rest(asking, trouble)
    }

    /// Lets time pass, listening.
    pub(super) fn wait(&mut self, time: Duration) -> Result<(), Failure> {
        let until = self.now() + time;
        match self.way.take() {
            Some(Way::Quiet(mut quiet)) => {
                let waited = quiet.listen(until);
                self.keep(Way::Quiet(quiet));
                waited.map_err(|trouble| reach::failure_of(&trouble))
            }
            Some(Way::Asking(mut asking)) => {
                let trouble = asking.idle(until).err();
                self.rest(*asking, trouble)
            }
            None => Ok(()),
        }
    }

    /// Does what a measured step needs.
    pub(crate) fn measure(&mut self, measure: Measure) -> Result<Ended, Failure> {
        let ended = match measure {
            Measure::Alone => self.alone(),
            Measure::WithInverter => self.with_inverter(),
            Measure::Load => self.load(),
            Measure::PowerCycle => self.power_cycle(),
            Measure::Swap => self.swapped(),
        };
        self.end_step();
        ended
    }

    /// Follows the unit alone until its silence time has passed, or a fault shows.
    fn alone(&mut self) -> Result<Ended, Failure> {
        self.open()?;
        let mut began = self.now();
        let is_simulated = self.args.place.simulated.is_some();
        if session::may_wake(self.profile).is_some() && !is_simulated {
            self.silence_time()?;
        }
        loop {
            self.look()?;
            let judgement = self.judge()?;
            if self.clocks_broke_since(began) {
                out::say(SLEPT);
                began = self.now();
            }
            match power_up::alone(&judgement, self.now().saturating_sub(began), self.profile) {
                Pace::Over(outcome, heard) => {
                    let why = power_up_in_words(&judgement, heard);
                    return Ok((outcome.id().to_owned(), why));
                }
                Pace::GoOn => self.wait(PAUSE)?,
            }
        }
    }

    /// Only listens for the unit's silence time; from the begin again where this computer slept in it.
    fn silence_time(&mut self) -> Result<(), Failure> {
        let silence = Duration::from_secs(self.profile.inverter.silence_s.into());
        out::say(&format!(
            "  asking would feed its inverter supervision: only listening for its silence time, {} s; watch its lamps",
            silence.as_secs()
        ));
        loop {
            let began = self.now();
            self.wait(silence + silence / 10)?;
            if !self.clocks_broke_since(began) {
                return Ok(());
            }
            out::say(SLEPT);
        }
    }

    /// Follows the unit with its inverter until it is in service, or a fault shows.
    fn with_inverter(&mut self) -> Result<Ended, Failure> {
        self.open()?;
        let mut began = self.now();
        loop {
            if self.clocks_broke_since(began) {
                out::say(SLEPT);
                began = self.now();
            }
            let states = self.states();
            if !states.last().is_some_and(|(_, kind)| in_service(*kind)) {
                self.follow(STRETCH, Duration::ZERO, |e, profile| {
                    e.states(profile)
                        .last()
                        .is_some_and(|(_, kind)| in_service(*kind))
                })?;
            }
            self.look()?;
            let judgement = self.judge()?;
            let since = self.now().saturating_sub(began);
            if let Pace::Over(outcome, heard) = power_up::with_inverter(&judgement, since) {
                let why = power_up_in_words(&judgement, heard);
                let precharge = power_up::precharge(&self.states());
                return Ok((outcome.id().to_owned(), format!("{why} {precharge}.")));
            }
        }
    }

    /// Follows the unit alone once more, judged only by what was seen since: what was before is known.
    fn afresh(&mut self) -> Result<Ended, Failure> {
        let earlier = std::mem::take(&mut self.events);
        let opened = |event: &&Event| matches!(event.what, What::Opened(_));
        self.events.extend(earlier.iter().find(opened).cloned());
        let result = self.alone();
        let since = std::mem::take(&mut self.events);
        self.events = earlier;
        self.events
            .extend(since.into_iter().filter(|event| !opened(&event)));
        result
    }

    /// Looks until something was done to the unit. A person has done it before the step is begun; in a
    /// simulation it comes when its scenario says.
    fn done(&mut self, is_done: impl Fn(&Self) -> bool) -> Result<bool, Failure> {
        let is_simulated = self.args.place.simulated.is_some();
        let until = self.now()
            + if is_simulated {
                SCHEDULE
            } else {
                Duration::ZERO
            };
        loop {
            self.look()?;
            if is_done(self) {
                return Ok(true);
            }
            if self.now() >= until {
                return Ok(false);
            }
            self.wait(BETWEEN)?;
        }
    }

    /// When the unit was switched on, by its own uptime, s since the session began; nothing where it
    /// tells none.
    fn switched_on(&self) -> Option<f64> {
        let unit = self.manner().unit;
        let evidence = evidence_in(&self.events, self.profile);
        let mine = evidence.iter().find(|e| e.unit == unit)?;
        let (at, uptime) = mine.series(self.profile, Role::Uptime).pop()?;
        Some(at.as_secs_f64() - uptime)
    }

    /// Everything once more after the power was cycled, if its own uptime says that it was.
    fn power_cycle(&mut self) -> Result<Ended, Failure> {
        let before = self.last.as_ref().map(Judgement::roots).unwrap_or_default();
        let first = self.switched_on();
        if first.is_none() && self.args.place.simulated.is_some() {
            return Ok((Outcome::NotYet.id().to_owned(), NO_UPTIME.to_owned()));
        }
        if let Some(first) = first {
            let again = |live: &Self| {
                let now = live.switched_on();
                now.is_some_and(|now| now > first + UPTIME_SLACK)
            };
            if !self.done(again)? {
                return Ok((Outcome::NotYet.id().to_owned(), NOT_CYCLED.to_owned()));
            }
        }
        let (outcome, why) = self.afresh()?;
        let roots = self.last.as_ref().map(Judgement::roots).unwrap_or_default();
        let returned: Vec<&str> = before
            .iter()
            .copied()
            .filter(|id| roots.contains(id))
            .collect();
        let mut words = if returned.is_empty() {
            format!("{} did not return so far. {why}", before.join(", "))
        } else {
            format!("{} returned. {why}", returned.join(", "))
        };
        if first.is_none() {
            words.push(' ');
            words.push_str(NO_UPTIME);
        }
        Ok((outcome, words))
    }

    /// Everything once more after modules were swapped: where is the fault now?
    fn swapped(&mut self) -> Result<Ended, Failure> {
        let Some(before) = self.faulty.clone() else {
            let why = "the fault was not read in this session, so there is nothing to compare with";
            return Ok((Outcome::NotYet.id().to_owned(), why.to_owned()));
        };
        // Only serial numbers at other positions show that modules were swapped.
        let is_swapped = |live: &Self| live.judged().identity.modules != before.identity.modules;
        if self.done(is_swapped)? {
            self.afresh()?;
        }
        let after = self.last.as_ref().unwrap_or(&before);
        let swapped = swap::compare(&before, after);
        Ok((swapped.id.to_owned(), format!("{}.", swapped.words)))
    }

    /// Reads the cells at rest, waits for a step of the current, reads them again.
    fn load(&mut self) -> Result<Ended, Failure> {
        let [rest_begin, rest_end, load_begin, load_end] = MARKS;
        let not_yet = |why: String| Ok((Outcome::NotYet.id().to_owned(), why));
        self.cells_between(rest_begin, rest_end)?;
        let Some(rest) = self.last_current() else {
            return not_yet("the current was not read: somebody else asks on this line".to_owned());
        };
        out::say(&format!(
            "  current {rest:.1} A; now set a small charge or discharge at the inverter, {LEAST_STEP} A or more"
        ));
        self.follow(AWAIT_LOAD, UNHURRIED, |e, profile| {
            let last = currents(e, profile).last().map(|(_, amperes)| *amperes);
            last.is_some_and(|amperes| (amperes - rest).abs() >= LEAST_STEP)
        })?;
        self.cells_between(load_begin, load_end)?;
        let judgement = self.judge()?;
        let Some(step) = recorded(&self.events, &self.events, self.profile) else {
            return not_yet(
                "the cells were not read at both moments: somebody else asks on this line, or this computer slept"
                    .to_owned(),
            );
        };
        let fitted = match fit(&step) {
            Ok(fitted) => fitted,
            Err(why) => return not_yet(format!("{why}.")),
        };
        let (mut outcome, mut words) = told(&fitted, step.under_load - step.before);
        if judgement.verdict.kind == VerdictKind::Fault {
            outcome = Outcome::Fault;
            words = format!("{} {words}", crate::words::summary(&judgement));
        }
        Ok((outcome.id().to_owned(), words))
    }

    /// Reads all cells once, the current just before and after them, between two marks.
    fn cells_between(&mut self, begin: &str, end: &str) -> Result<(), Failure> {
        self.said(What::Mark(begin.to_owned()));
        self.follow(Duration::ZERO, Duration::ZERO, |_, _| true)?;
        self.look()?;
        self.follow(Duration::ZERO, Duration::ZERO, |_, _| true)?;
        self.said(What::Mark(end.to_owned()));
        Ok(())
    }

    /// The current read last, A, positive into the battery.
    fn last_current(&self) -> Option<f64> {
        let unit = self.manner().unit;
        let evidence = evidence_in(&self.events, self.profile);
        let mine = evidence.iter().find(|e| e.unit == unit)?;
        let (_, amperes) = currents(mine, self.profile).pop()?;
        Some(amperes)
    }

    /// States of the unit so far, since the clocks last went apart.
    fn states(&self) -> Vec<(Duration, StateKind)> {
        let unit = self.manner().unit;
        let evidence = evidence_in(&self.events, self.profile);
        let mine = evidence.iter().find(|e| e.unit == unit);
        let mut states = mine.map(|e| e.states(self.profile)).unwrap_or_default();
        let broken = clock_breaks(&self.events).pop();
        states.retain(|(at, _)| broken.is_none_or(|broken| *at >= broken.at));
        states
    }
}

/// What a fit says, in words.
fn told(fitted: &Fitted, amperes: f64) -> (Outcome, String) {
    let mean = |m: &Resistance| {
        let name = m
            .place
            .module
            .map_or("all".to_owned(), |n| format!("module {n}"));
        format!("{name} {:.2} ± {:.2}", m.milliohm, m.uncertainty)
    };
    let modules: Vec<String> = fitted.modules.iter().map(mean).collect();
    let words = format!(
        "Step of {amperes:.1} A: resistance of a cell, mean in mOhm: {}.",
        modules.join(", ")
    );
    let Some(cell) = fitted.outlier else {
        return (Outcome::PassSoFar, words);
    };
    let outlier = format!(
        " Module {} cell {} stands out: {:.2} ± {:.2} mOhm against {:.2}; look at its connections, then repeat the step.",
        cell.place.module.unwrap_or(1),
        cell.place.item.unwrap_or(1),
        cell.milliohm,
        cell.uncertainty,
        fitted.median
    );
    (Outcome::NotYet, words + &outlier)
}

fn in_service(kind: StateKind) -> bool {
    matches!(kind, StateKind::Standby | StateKind::Running)
}

/// What a power-up showed.
fn power_up_in_words(judgement: &Judgement, heard: power_up::Heard) -> String {
    let summary = words::summary(judgement);
    match heard {
        power_up::Heard::Already => format!("{summary} An inverter is, or was, heard already."),
        power_up::Heard::AsItShould => summary,
    }
}
