//! The measured steps of a visit, and the rounds of `watch`: moves the link, and asks the visit's rules
//! when a step is over.
//!
//! Does not: judge the unit, or decide when a step is over ([`crate::visit::power_up`] does).

use std::ops::ControlFlow;
use std::sync::Arc;
use std::time::Duration;

use packside_profiles::model::Profile;
use packside_profiles::{Foreign, Role, StateKind};

use super::args::CheckArgs;
use super::failure::{Failure, USAGE, failure};
use super::reach::{self, Reached};
use super::record::Record;
use super::session::{self, Telling};
use super::{out, places};
use crate::drive::{self, Link, Sink};
use crate::event::{Event, LinkFacts, Plugged, What};
use crate::facts::{Judgement, VerdictKind};
use crate::judge::resistance::current_sign;
use crate::link::{Clock, ClockWatch, OpenError, Quiet, since_1970};
use crate::session::{End, Progress, Session, Task, Until, Word, may_wake};
use crate::show::screen;
use crate::visit::Measure;
use crate::visit::load::{Fitted, LEAST_STEP, MARKS, Resistance, fit, recorded};
use crate::visit::power_up::{self, FollowedEnd, Pace};
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

/// The link of a visit, and all that happened on it.
pub(crate) struct Live<'a> {
    args: CheckArgs,
    profile: &'a Profile,
    record: Record,
    clock: Clock,
    clocks: ClockWatch,
    session: Session,
    /// Nothing before it is needed.
    link: Option<Link>,
    /// All that happened, and all that is told.
    telling: Telling,
    /// The link, once it was open.
    pub(crate) facts: Option<LinkFacts>,
    /// The last judgement.
    pub(crate) last: Option<Judgement>,
    /// The last judgement that was a fault.
    faulty: Option<Judgement>,
    /// Where this computer is plugged in, once said.
    pub(crate) plugged: Option<Plugged>,
}

/// How a measured step ended, and in words.
pub(crate) type MeasuredEnd = (FollowedEnd, String);

impl<'a> Live<'a> {
    /// A visit begins. A simulated unit is powered up now; a real link is opened when it is needed.
    pub(crate) fn begin(
        args: CheckArgs,
        profile: &'a Profile,
        record: Record,
    ) -> Result<Self, Failure> {
        let manner = session::manner(&args, profile.answering.unit);
        let shared = Arc::new(profile.clone());
        let mut session = Session::new(Arc::clone(&shared), manner);
        if let Some(earlier) = record.earlier_case(&shared) {
            session.go_on_with(earlier);
        }
        let mut live = Self {
            args,
            profile,
            telling: Telling::new(record.clone(), false),
            record,
            clock: Clock::start(),
            clocks: ClockWatch::default(),
            session,
            link: None,
            facts: None,
            last: None,
            faulty: None,
            plugged: None,
        };
        if live.args.link.place.simulated.is_some() {
            live.open()?;
        }
        Ok(live)
    }

    /// Time since the session began.
    pub(crate) fn now(&self) -> Duration {
        let now = self.link.as_ref().map(Link::now);
        now.unwrap_or_else(|| self.clock.now())
    }

    fn happened(&mut self, event: Event) {
        self.session.push(&event);
        self.telling.events.push(event);
    }

    /// Whether not one byte came from a real wire.
    pub(crate) fn is_silent(&self) -> bool {
        self.args.link.place.simulated.is_none() && self.session.case().is_silent()
    }

    /// Keeps and records what a person said, and the clock where it is due: a laptop may sleep between
    /// two answers as well.
    pub(crate) fn said(&mut self, what: What) {
        let at = self.now();
        let is_real = self.args.link.place.simulated.is_none();
        let wall = is_real.then(since_1970);
        let clock = wall.and_then(|wall| self.clocks.note(at, wall));
        for what in clock.into_iter().chain([what]) {
            let event = Event { at, what };
            self.record.event(event.clone());
            self.happened(event);
        }
    }

    /// Whether the computer slept, or its clock was set, since a moment.
    fn clocks_broke_since(&self, began: Duration) -> bool {
        let broke_at = self.session.case().clocks_broke_at();
        broke_at.is_some_and(|at| at > began)
    }

    /// A real link is opened once it is asked or listened to; a simulated one is open.
    fn open(&mut self) -> Result<(), Failure> {
        if self.link.is_none() {
            let plugged = self.plugged.or(self.args.link.plugged.map(Into::into));
            let reached = reach::link(&self.args, self.profile, plugged, self.clock)?;
            let functions = &self.profile.answering.functions;
            self.link = Some(match reached {
                Reached::Open(mut quiet) => {
                    self.facts = Some(quiet.facts().clone());
                    self.record.follow(&mut quiet);
                    Link::of(quiet, functions)
                }
                Reached::Closed(opening) => Link::closed(opening, functions),
            });
        }
        Ok(())
    }

    /// Does a task; what the link does wrong is a failure.
    fn run(&mut self, task: Task) -> Result<(), Failure> {
        self.open()?;
        let Self {
            link: Some(link),
            session,
            telling,
            ..
        } = self
        else {
            return Ok(());
        };
        let end = drive::run(session, task, link, telling);
        telling.clear();
        self.facts = self.session.facts().cloned();
        self.failure_of(end).map_or(Ok(()), Err)
    }

    /// What a task ended with, as a failure.
    fn failure_of(&self, end: End) -> Option<Failure> {
        match end {
            End::NotAsked(why) => {
                let hint = Some(why.hint().to_owned());
                Some(failure(USAGE, "may-wake", why.to_string(), hint))
            }
            End::Trouble { trouble, .. } => Some(reach::failure_of(&trouble)),
            End::NotOpened(_) => {
                let why = self.telling.not_opened.as_ref()?;
                Some(reach::failure_of_open(why))
            }
            _ => None,
        }
    }

    /// First address of the unit.
    fn unit(&self) -> u8 {
        let asked = self.args.ask.only.or(self.args.ask.unit);
        asked.unwrap_or(self.profile.answering.unit)
    }

    /// Judges everything so far, and says it where it is new.
    fn judge(&mut self) -> Result<Judgement, Failure> {
        let judgement = self.judged();
        same_unit(&self.args, &self.record, &judgement)?;
        let summary = words::summary(&judgement);
        if self.last.as_ref().map(words::summary).as_ref() != Some(&summary) {
            // Recorded first: what stands on the screen is on the disk.
            self.record.shown(&judgement);
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

    /// Looks, judges and pauses, round after round, until the end or until the user stops. Each verdict is
    /// recorded, then given to `told` with what happened since the one before; `wrong` hears once what
    /// the link does wrong, which ends nothing.
    pub(super) fn rounds(
        &mut self,
        pause: Duration,
        end: Option<Duration>,
        told: impl FnMut(&[Event], Judgement),
    ) -> Result<(), Failure> {
        self.open()?;
        let Some(mut link) = self.link.take() else {
            return Ok(());
        };
        let mut watching = Watching {
            args: &self.args,
            record: &self.record,
            telling: &mut self.telling,
            said: None,
            told,
            failure: None,
        };
        let task = Task::Rounds { pause, end };
        let ended = drive::run(&mut self.session, task, &mut link, &mut watching);
        let failure = watching.failure;
        self.link = Some(link);
        match failure {
            Some(failure) => Err(failure),
            None if ended.is_stopped() => Ok(()),
            None => self.failure_of(ended).map_or(Ok(()), Err),
        }
    }

    /// Takes lamps as a person sees them now, and judges again where the unit was read.
    pub(crate) fn sees(&mut self, lamps: Vec<(Foreign, Foreign)>) {
        for (lamp, pattern) in lamps {
            self.said(What::sighting(lamp, pattern));
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
        self.record.shown(&judgement);
        Some(judgement)
    }

    /// Everything so far, judged with the answers given since.
    pub(crate) fn judged(&self) -> Judgement {
        self.session.verdict(None)
    }

    /// A step is over: nothing more is asked until the next one.
    fn end_step(&mut self) {
        if let Some(link) = &mut self.link {
            drive::stop_asking(&mut self.session, link, &mut self.telling);
        }
    }

    /// Reads everything once.
    fn look(&mut self) -> Result<(), Failure> {
        self.run(Task::Look)
    }

    /// Reads the little that changes around a transition, once.
    fn follow_once(&mut self) -> Result<(), Failure> {
        self.run(Task::Follow {
            time: Duration::ZERO,
            pause: Duration::ZERO,
            until: Until::Once,
        })
    }

    /// Lets time pass, listening.
    fn wait(&mut self, time: Duration) -> Result<(), Failure> {
        let until = self.now() + time;
        self.run(Task::Wait { until })
    }

    /// Does what a measured step needs.
    pub(crate) fn measure(&mut self, measure: Measure) -> Result<MeasuredEnd, Failure> {
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
    fn alone(&mut self) -> Result<MeasuredEnd, Failure> {
        self.open()?;
        let mut began = self.now();
        let is_simulated = self.args.link.place.simulated.is_some();
        if may_wake(self.profile).is_some() && !is_simulated {
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
                    return Ok((outcome, why));
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
            let all = silence + silence / 10;
            out::wait(Some(all));
            self.wait(all)?;
            if !self.clocks_broke_since(began) {
                return Ok(());
            }
            out::say(SLEPT);
        }
    }

    /// Follows the unit with its inverter until it is in service, or a fault shows.
    fn with_inverter(&mut self) -> Result<MeasuredEnd, Failure> {
        self.open()?;
        let mut began = self.now();
        loop {
            if self.clocks_broke_since(began) {
                out::say(SLEPT);
                began = self.now();
            }
            let states = self.states();
            if !states.last().is_some_and(|(_, kind)| in_service(*kind)) {
                self.run(Task::Follow {
                    time: STRETCH,
                    pause: Duration::ZERO,
                    until: Until::InService,
                })?;
            }
            self.look()?;
            let judgement = self.judge()?;
            let since = self.now().saturating_sub(began);
            if let Pace::Over(outcome, heard) = power_up::with_inverter(&judgement, since) {
                let why = power_up_in_words(&judgement, heard);
                let precharge = power_up::precharge(&self.states());
                return Ok((outcome, format!("{why} {precharge}.")));
            }
        }
    }

    /// Follows the unit alone once more, judged only by what was seen since: what was before is known.
    fn afresh(&mut self) -> Result<MeasuredEnd, Failure> {
        let earlier = std::mem::take(&mut self.telling.events);
        let opened = |event: &&Event| matches!(event.what, What::Opened(_));
        let first = earlier.iter().find(opened).cloned();
        self.telling.events.extend(first);
        self.record.afresh(true);
        self.session.begin_afresh();
        let result = self.alone();
        self.session.end_afresh();
        self.record.afresh(false);
        let since = std::mem::replace(&mut self.telling.events, earlier);
        let since = since.into_iter().filter(|event| !opened(&event));
        self.telling.events.extend(since);
        result
    }

    /// Looks until something was done to the unit. A person has done it before the step is begun; in a
    /// simulation it comes when its scenario says.
    fn done(&mut self, is_done: impl Fn(&Self) -> bool) -> Result<bool, Failure> {
        let is_simulated = self.args.link.place.simulated.is_some();
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
        let case = self.session.case();
        let (at, uptime) = case.last_number(self.unit(), Role::Uptime)?;
        Some(at.as_secs_f64() - uptime)
    }

    /// Everything once more after the power was cycled, if its own uptime says that it was.
    fn power_cycle(&mut self) -> Result<MeasuredEnd, Failure> {
        let before = self.last.as_ref().map(Judgement::roots).unwrap_or_default();
        let first = self.switched_on();
        if first.is_none() && self.args.link.place.simulated.is_some() {
            return Ok((FollowedEnd::NotYet, NO_UPTIME.to_owned()));
        }
        if let Some(first) = first {
            let again = |live: &Self| {
                let now = live.switched_on();
                now.is_some_and(|now| now > first + UPTIME_SLACK)
            };
            if !self.done(again)? {
                return Ok((FollowedEnd::NotYet, NOT_CYCLED.to_owned()));
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
    fn swapped(&mut self) -> Result<MeasuredEnd, Failure> {
        let Some(before) = self.faulty.clone() else {
            let why = "the fault was not read in this session, so there is nothing to compare with";
            return Ok((FollowedEnd::NotYet, why.to_owned()));
        };
        // Only serial numbers at other positions show that modules were swapped.
        let is_swapped = |live: &Self| live.judged().identity.modules != before.identity.modules;
        if self.done(is_swapped)? {
            self.afresh()?;
        }
        let after = self.last.as_ref().unwrap_or(&before);
        let swapped = swap::compare(&before, after);
        Ok((swapped.end, format!("{}.", swapped.words)))
    }

    /// Reads the cells at rest, waits for a step of the current, reads them again.
    fn load(&mut self) -> Result<MeasuredEnd, Failure> {
        let [rest_begin, rest_end, load_begin, load_end] = MARKS;
        let not_yet = |why: String| Ok((FollowedEnd::NotYet, why));
        self.cells_between(rest_begin, rest_end)?;
        let Some(rest) = self.last_current() else {
            return not_yet("the current was not read: somebody else asks on this line".to_owned());
        };
        out::say(&format!(
            "  current {rest:.1} A; now set a small charge or discharge at the inverter, {LEAST_STEP} A or more"
        ));
        out::wait(Some(AWAIT_LOAD));
        self.run(Task::Follow {
            time: AWAIT_LOAD,
            pause: UNHURRIED,
            until: Until::CurrentMoves {
                from: rest,
                by: LEAST_STEP,
            },
        })?;
        self.cells_between(load_begin, load_end)?;
        let judgement = self.judge()?;
        let Some(step) = recorded(&self.telling.events, &self.telling.events, self.profile) else {
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
            outcome = FollowedEnd::Fault;
            words = format!("{} {words}", crate::words::summary(&judgement));
        }
        Ok((outcome, words))
    }

    /// Reads all cells once, the current just before and after them, between two marks.
    fn cells_between(&mut self, begin: &str, end: &str) -> Result<(), Failure> {
        self.said(What::Mark(begin.into()));
        self.follow_once()?;
        self.look()?;
        self.follow_once()?;
        self.said(What::Mark(end.into()));
        Ok(())
    }

    /// The current read last, A, positive into the battery.
    fn last_current(&self) -> Option<f64> {
        let case = self.session.case();
        let (_, amperes) = case.last_number(self.unit(), Role::PackCurrent)?;
        Some(current_sign(self.profile) * amperes)
    }

    /// States of the unit so far, since the clocks last went apart.
    fn states(&self) -> Vec<(Duration, StateKind)> {
        self.session.case().states(self.unit())
    }
}

/// Takes the verdicts of rounds.
struct Watching<'w, F> {
    args: &'w CheckArgs,
    record: &'w Record,
    telling: &'w mut Telling,
    /// What the link did wrong, as last said.
    said: Option<String>,
    told: F,
    failure: Option<Failure>,
}

impl<F> Watching<'_, F> {
    fn wrong(&mut self, message: String) {
        if self.said.as_ref() != Some(&message) {
            out::say(&format!("note: {message}"));
            self.said = Some(message);
        }
    }
}

impl<F: FnMut(&[Event], Judgement)> Sink for Watching<'_, F> {
    fn opened(&mut self, quiet: &mut Quiet) {
        self.telling.opened(quiet);
    }

    fn not_opened(&mut self, why: &OpenError) {
        self.telling.not_opened(why);
        let failure = reach::failure_of_open(why);
        if matches!(failure.kind, "path" | "port") {
            self.wrong(failure.message);
        }
    }

    fn event(&mut self, event: &Event) {
        self.telling.event(event);
    }

    fn progress(&mut self, progress: &Progress) {
        match progress {
            Progress::Trouble(trouble) => self.wrong(trouble.to_string()),
            progress => self.telling.progress(progress),
        }
    }

    fn judged(&mut self, judgement: &Judgement) -> ControlFlow<()> {
        if let Err(failure) = same_unit(self.args, self.record, judgement) {
            self.failure = Some(failure);
            return ControlFlow::Break(());
        }
        // Recorded first: what stands on the screen is on the disk.
        self.record.shown(judgement);
        let events = std::mem::take(&mut self.telling.events);
        (self.told)(&events, judgement.clone());
        ControlFlow::Continue(())
    }

    fn word(&mut self, word: &Word) -> bool {
        self.telling.word(word)
    }
}

/// Whether it is the unit that is meant; before anything is shown of it.
fn same_unit(args: &CheckArgs, record: &Record, judgement: &Judgement) -> Result<(), Failure> {
    let serial = judgement.identity.serial.as_deref();
    places::same_unit(args, serial)?;
    serial.map_or(Ok(()), |serial| record.unit(serial))
}

/// What a fit says, in words.
fn told(fitted: &Fitted, amperes: f64) -> (FollowedEnd, String) {
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
        return (FollowedEnd::PassSoFar, words);
    };
    let outlier = format!(
        " Module {} cell {} stands out: {:.2} ± {:.2} mOhm against {:.2}; look at its connections, then repeat the step.",
        cell.place.module.unwrap_or(1),
        cell.place.item.unwrap_or(1),
        cell.milliohm,
        cell.uncertainty,
        fitted.median
    );
    (FollowedEnd::NotYet, words + &outlier)
}

fn in_service(kind: StateKind) -> bool {
    matches!(kind, StateKind::Standby | StateKind::Running)
}

/// What a power-up showed.
fn power_up_in_words(judgement: &Judgement, heard: power_up::InverterHeard) -> String {
    let summary = words::summary(judgement);
    match heard {
        power_up::InverterHeard::Already => {
            format!("{summary} An inverter is, or was, heard already.")
        }
        power_up::InverterHeard::AsItShould => summary,
    }
}
