//! The measured steps of a visit: moves the link, and asks the visit's rules when it is over.
//!
//! Does not: judge the unit, or decide when a step is over ([`crate::visit::power_up`] does).

use std::time::Duration;

use packside_profiles::model::{Positive, Profile};
use packside_profiles::{Place, Role, StateKind};

use super::args::CheckArgs;
use super::record::{Record, shown};
use super::session::{self, Manner, Refusal};
use super::{Failure, USAGE, out, places, reach, screen};
use crate::diagnose::evidence::{MemberEvidence, number};
use crate::diagnose::{Judgement, evidence_in, judge};
use crate::event::{Event, LinkFacts, Plugged, What};
use crate::link::{Asking, Clock, LinkTrouble, NotShown, Quiet};
use crate::poll::{Cost, Follow};
use crate::recording::Entry;
use crate::visit::Measure;
use crate::visit::load::{CellStep, Fitted, LEAST_STEP, Resistance, Step, fit};
use crate::visit::power_up::{self, Outcome, Pace};

/// Between two looks at a unit that waits.
const PAUSE: Duration = Duration::from_secs(5);
/// How long one stretch of close following lasts before it is judged.
const STRETCH: Duration = Duration::from_secs(5);
/// How long a step of the current is waited for.
const AWAIT_LOAD: Duration = Duration::from_secs(180);
/// Pause between two rounds while that is waited for: others may have to talk meanwhile.
const UNHURRIED: Duration = Duration::from_secs(2);
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
    way: Option<Way>,
    /// Everything of this session.
    pub(crate) events: Vec<Event>,
    /// The link, once it was open.
    pub(crate) facts: Option<LinkFacts>,
    /// The last judgement.
    pub(crate) last: Option<Judgement>,
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
            way: None,
            events: Vec::new(),
            facts: None,
            last: None,
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

    /// Keeps and records what a person said.
    pub(crate) fn said(&mut self, what: What) {
        let event = Event {
            at: self.now(),
            what,
        };
        self.record.event(event.clone());
        self.events.push(event);
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
            listen_first: self
                .args
                .listen_first
                .map(|s| Duration::from_secs_f64(s.clamp(0.0, 3600.0))),
            user_said: self.user_said,
            says: true,
        }
    }

    /// Judges everything so far, and says it where it is new.
    fn judge(&mut self) -> Result<Judgement, Failure> {
        let judgement = self.judged();
        places::same_unit(&self.args, judgement.identity.serial.as_deref())?;
        let summary = &judgement.verdict.summary;
        if self.last.as_ref().map(|last| &last.verdict.summary) != Some(summary) {
            // Recorded first: what stands on the screen is on the disk.
            self.record.entry(&Entry::Shown(shown(&judgement)));
            out::say(&format!(
                "  {:5.0} s  {}: {summary}",
                self.now().as_secs_f64(),
                screen::title(judgement.verdict.kind)
            ));
        }
        if let Some(serial) = &judgement.identity.serial {
            self.record.entry(&Entry::Unit(serial.clone()));
        }
        self.last = Some(judgement.clone());
        Ok(judgement)
    }

    /// Everything so far, judged with the answers given since.
    pub(crate) fn judged(&self) -> Judgement {
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
                Err(reach::failure(USAGE, "may-wake", why.to_string(), hint))
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
    fn look(&mut self) -> Result<(), Failure> {
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

    fn wait(&mut self, time: Duration) -> Result<(), Failure> {
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
        };
        self.end_step();
        ended
    }

    /// Follows the unit alone until its silence time has passed, or a fault shows.
    fn alone(&mut self) -> Result<Ended, Failure> {
        self.open()?;
        let began = self.now();
        let is_simulated = self.args.place.simulated.is_some();
        if session::may_wake(self.profile).is_some() && !is_simulated {
            let silence = Duration::from_secs(self.profile.inverter.silence_s.into());
            out::say(&format!(
                "  asking would feed this unit's inverter supervision: listening for its silence time of {} s; watch its lamps",
                silence.as_secs()
            ));
            self.wait(silence + silence / 10)?;
        }
        loop {
            self.look()?;
            let judgement = self.judge()?;
            match power_up::alone(&judgement, self.now().saturating_sub(began), self.profile) {
                Pace::Over(outcome, why) => return Ok((outcome.id().to_owned(), why)),
                Pace::GoOn => self.wait(PAUSE)?,
            }
        }
    }

    /// Follows the unit with its inverter until it is in service, or a fault shows.
    fn with_inverter(&mut self) -> Result<Ended, Failure> {
        self.open()?;
        let began = self.now();
        loop {
            let states = self.states();
            if !states.last().is_some_and(|(_, kind)| in_service(*kind)) {
                self.follow(STRETCH, Duration::ZERO, |e, profile| {
                    states_in(e, profile)
                        .last()
                        .is_some_and(|(_, kind)| in_service(*kind))
                })?;
            }
            self.look()?;
            let judgement = self.judge()?;
            let since = self.now().saturating_sub(began);
            if let Pace::Over(outcome, why) = power_up::with_inverter(&judgement, since) {
                let precharge = power_up::precharge(&self.states());
                return Ok((outcome.id().to_owned(), format!("{why} {precharge}.")));
            }
        }
    }

    /// Looks at everything, then once more after the power was cycled.
    fn power_cycle(&mut self) -> Result<Ended, Failure> {
        let before = self.last.as_ref().map(Judgement::roots).unwrap_or_default();
        // Only what was seen since counts: the fault before is known.
        let earlier = std::mem::take(&mut self.events);
        let opened = |event: &&Event| matches!(event.what, What::Opened(_));
        self.events.extend(earlier.iter().find(opened).cloned());
        let result = self.alone();
        let roots = self.last.as_ref().map(Judgement::roots).unwrap_or_default();
        let since = std::mem::take(&mut self.events);
        self.events = earlier;
        self.events
            .extend(since.into_iter().filter(|event| !opened(&event)));
        let (outcome, why) = result?;
        let returned: Vec<&str> = before
            .iter()
            .copied()
            .filter(|id| roots.contains(id))
            .collect();
        let words = if returned.is_empty() {
            format!("{} did not return so far. {why}", before.join(", "))
        } else {
            format!("{} returned. {why}", returned.join(", "))
        };
        Ok((outcome, words))
    }

    /// Reads the cells at rest, waits for a step of the current, reads them again.
    fn load(&mut self) -> Result<Ended, Failure> {
        let not_yet = |why: String| Ok((Outcome::NotYet.id().to_owned(), why));
        let Some(before) = self.cells()? else {
            return not_yet("the cells were not read: somebody else asks on this line".to_owned());
        };
        out::say(&format!(
            "  current {:.1} A; set a small charge or discharge at the inverter, {LEAST_STEP} A or more, inside the charge window",
            before.current
        ));
        let rest = before.current;
        self.follow(AWAIT_LOAD, UNHURRIED, |e, profile| {
            let last = currents(e, profile).last().map(|(_, amperes)| *amperes);
            last.is_some_and(|amperes| (amperes - rest).abs() >= LEAST_STEP)
        })?;
        let Some(under) = self.cells()? else {
            return not_yet("the cells were not read: somebody else asks on this line".to_owned());
        };
        let judgement = self.judge()?;
        let step = Step {
            before: before.current,
            under_load: under.current,
            current_moved: before.moved.max(under.moved),
            resolution: self.resolution(),
            cells: before
                .cells
                .iter()
                .filter_map(|(place, volts)| {
                    let (_, under_load) = under.cells.iter().find(|(other, _)| other == place)?;
                    Some(CellStep {
                        place: *place,
                        before: *volts,
                        under_load: *under_load,
                    })
                })
                .collect(),
        };
        let fitted = match fit(&step) {
            Ok(fitted) => fitted,
            Err(why) => return not_yet(format!("{why}.")),
        };
        let (mut outcome, mut words) = told(&fitted, step.under_load - step.before);
        if judgement.verdict.kind == crate::diagnose::VerdictKind::Fault {
            outcome = Outcome::Fault;
            words = format!("{} {words}", judgement.verdict.summary);
        }
        Ok((outcome.id().to_owned(), words))
    }

    /// Cells and current of one look, the current followed just before and after it.
    fn cells(&mut self) -> Result<Option<Cells>, Failure> {
        let from = self.now();
        self.follow(Duration::ZERO, Duration::ZERO, |_, _| true)?;
        self.look()?;
        self.follow(Duration::ZERO, Duration::ZERO, |_, _| true)?;
        let unit = self.manner().unit;
        let evidence = evidence_in(&self.events, self.profile);
        let Some(mine) = evidence.iter().find(|e| e.unit == unit) else {
            return Ok(None);
        };
        let since = |at: &Duration| *at >= from;
        let amperes: Vec<f64> = currents(mine, self.profile)
            .into_iter()
            .filter(|(at, _)| since(at))
            .map(|(_, amperes)| amperes)
            .collect();
        let cells: Vec<(Place, f64)> = mine
            .each(self.profile)
            .filter(|(_, point, _)| point.role == Role::CellVoltage)
            .filter_map(|(instance, _, samples)| {
                let fresh = samples.iter().rev().find(|s| since(&s.at))?;
                Some((instance.place, number(fresh)?))
            })
            .collect();
        let (low, high) = amperes
            .iter()
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), a| {
                (l.min(*a), h.max(*a))
            });
        if amperes.is_empty() || cells.is_empty() {
            return Ok(None);
        }
        Ok(Some(Cells {
            current: (low + high) / 2.0,
            moved: high - low,
            cells,
        }))
    }

    /// One step of the registers that carry cell voltages, V.
    fn resolution(&self) -> f64 {
        let point = self
            .profile
            .points
            .iter()
            .find(|p| p.role == Role::CellVoltage);
        point.map_or(0.001, |p| p.scale.value())
    }

    /// States of the unit so far.
    fn states(&self) -> Vec<(Duration, StateKind)> {
        let unit = self.manner().unit;
        let evidence = evidence_in(&self.events, self.profile);
        evidence
            .iter()
            .find(|e| e.unit == unit)
            .map(|e| states_in(e, self.profile))
            .unwrap_or_default()
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

/// Cells at one moment.
struct Cells {
    current: f64,
    moved: f64,
    cells: Vec<(Place, f64)>,
}

fn in_service(kind: StateKind) -> bool {
    matches!(kind, StateKind::Standby | StateKind::Running)
}

fn states_in(evidence: &MemberEvidence, profile: &Profile) -> Vec<(Duration, StateKind)> {
    let point = profile.points.iter().find(|p| p.role == Role::State);
    let kind = |raw: f64| {
        let named = point?.values.iter().find(|v| v.is as f64 == raw)?;
        named.state
    };
    evidence
        .series(profile, Role::State)
        .into_iter()
        .filter_map(|(at, raw)| Some((at, kind(raw)?)))
        .collect()
}

/// Currents so far, A, positive into the battery.
fn currents(evidence: &MemberEvidence, profile: &Profile) -> Vec<(Duration, f64)> {
    let point = profile.points.iter().find(|p| p.role == Role::PackCurrent);
    let sign = match point.and_then(|p| p.positive) {
        Some(Positive::Discharge) => -1.0,
        _ => 1.0,
    };
    let amperes = |(at, value): (Duration, f64)| (at, sign * value);
    evidence
        .series(profile, Role::PackCurrent)
        .into_iter()
        .map(amperes)
        .collect()
}
