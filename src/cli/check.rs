//! `packside check`: one full look at a unit, and the verdict.

use std::borrow::Cow;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use clap::ValueEnum as _;
use packside_profiles::{LineSettings, Profile};

use super::args::{CheckArgs, Format, typed};
use super::failure::{Failure, LOCAL, USAGE, failure};
use super::heard;
use super::reach::{self, LoadedProfile};
use super::record::{self, Record, Saved};
use super::session::{self, Telling};
use super::{describe, keep, out, places};
use crate::drive::{self, Link};
use crate::event::{Event, LinkFacts, LinkKind, What};
use crate::facts::{CauseKind, Judgement};
use crate::judge::judge;
use crate::link::{LinkTrouble, NotShown, Quiet};
use crate::recording::{self, Entry, Recording, Shown};
use crate::session::{End, Manner, Session, Task};
use crate::show::json::{self, Check};
use crate::show::page::holds;
use crate::show::{csv, explain, screen};

/// Runs the command; the exit code is that of the verdict.
pub(crate) fn run(args: &CheckArgs, format: Format, colour: bool) -> Result<u8, Failure> {
    if let Some(id) = args.explain.as_ref().filter(|id| !id.is_empty()) {
        return explain_id(id.as_given(), format == Format::Json);
    }
    if let Some(path) = &args.link.place.recording {
        return replay(path, args, format, colour);
    }
    let (args, loaded) = describe::map_for(&places::fill(args)?)?;
    let args = &args;
    let seed = reach::seed_of(&args.link.place)?;
    let sightings = reach::sightings(args, &loaded.profile)?;
    let mut quiet = reach::open(
        args,
        &loaded.profile,
        args.link.plugged.map(Into::into),
        None,
    )?;
    heard::count(&mut quiet, args.link.config.folder().as_deref());
    let record = Record::of_look(&args.link, keep::What::Look, Some(&loaded), seed)?;
    let look = LookDone {
        args,
        loaded: &loaded,
        facts: quiet.facts().clone(),
        record: record.clone(),
    };
    record.end(look.finish(quiet, &sightings, format, colour))
}

/// Says what one id of a result means.
fn explain_id(id: &str, as_json: bool) -> Result<u8, Failure> {
    let told = if as_json {
        explain::of_id_as_json(id).map(|object| json::line(&object))
    } else {
        explain::of_id(id)
    };
    let Some(text) = told else {
        let near = explain::near(id);
        let hint = (!near.is_empty()).then(|| format!("ids like it: {}", near.join(", ")));
        let message = format!("--explain: expected an id of a result, found \"{id}\"");
        return Err(failure(USAGE, "explain", message, hint));
    };
    out::result(&text);
    Ok(0)
}

/// What the end of a look needs to know.
struct LookDone<'a> {
    args: &'a CheckArgs,
    loaded: &'a LoadedProfile,
    facts: LinkFacts,
    record: Record,
}

impl LookDone<'_> {
    /// Makes the look, judges it, shows it. Everything is recorded as it happens.
    fn finish(
        &self,
        mut quiet: Quiet,
        sightings: &[(String, String)],
        format: Format,
        colour: bool,
    ) -> Result<u8, Failure> {
        let (args, profile) = (self.args, &self.loaded.profile);
        self.record.follow(&mut quiet);
        let manner = Manner {
            heard_silent: quiet.silent_for(),
            ..session::manner(args, profile.answering.unit)
        };
        let shared = Arc::new(profile.clone());
        let mut session = Session::new(Arc::clone(&shared), manner);
        if let Some(earlier) = self.record.earlier_case(&shared) {
            session.go_on_with(earlier);
        }
        let mut link = Link::of(quiet, &profile.answering.functions);
        let mut telling = Telling::new(self.record.clone(), true);
        let end = drive::run(
            &mut session,
            Task::LookUntilSettled,
            &mut link,
            &mut telling,
        );
        telling.clear();
        say_end(end)?;
        let last = telling.events.last().map_or(Duration::ZERO, |e| e.at);
        let mut sightings = sightings.to_vec();
        if sightings.is_empty() && self.lamp_is_all(&session) && out::interactive() {
            sightings.extend(super::lamp::ask_for_taps(profile));
        }
        for (lamp, pattern) in &sightings {
            let sighting = session::sighting(last, lamp, pattern);
            session.push(&sighting);
            self.record.event(sighting);
        }
        let judgement = session.verdict(None);
        places::same_unit(args, judgement.identity.serial.as_deref())?;
        if let Some(serial) = &judgement.identity.serial {
            self.record.entry(&Entry::Unit(serial.as_str().into()));
        }
        // Recorded first: what stands on the screen is on the disk.
        self.record.shown(&judgement);
        let saved = self.record.saved();
        let facts = Some(&self.facts);
        show(
            &judgement,
            self.loaded,
            facts,
            saved.as_ref(),
            (format, colour),
            args,
        );
        Ok(judgement.verdict.kind.exit_code())
    }
}

impl LookDone<'_> {
    /// Whether not one byte came from a real wire, so that only the lamp can still tell something.
    fn lamp_is_all(&self, session: &Session) -> bool {
        let simulated = matches!(self.facts.kind, LinkKind::Simulated { .. });
        !simulated && session.case().is_silent()
    }
}

/// Says what ended a look early. A user who stopped it wants no verdict, and where nothing was asked and
/// nothing was heard either, there is nothing to judge.
pub(super) fn say_end(end: End) -> Result<(), Failure> {
    let trouble = match end {
        End::NotAsked(why) => return Err(not_asked(&why)),
        End::Trouble { trouble, asked } => {
            if !asked || trouble == LinkTrouble::Interrupted {
                return Err(reach::failure_of(&trouble));
            }
            trouble
        }
        End::Overheard(Some(trouble)) => trouble,
        _ => return Ok(()),
    };
    out::say(&format!("note: {trouble}"));
    if let Some(hint) = trouble.hint() {
        out::say(&format!("hint: {hint}"));
    }
    Ok(())
}

/// Judges a recording anew, and says where that differs from what was shown on site.
fn replay(path: &Path, args: &CheckArgs, format: Format, colour: bool) -> Result<u8, Failure> {
    let recording = record::open(path)?;
    let (session, moment) = record::moment(&recording, args.moment.as_ref())?;
    let loaded = recorded_profile(&recording, args)?;
    let sightings = reach::sightings(args, &loaded.profile)?;
    let mut events = Cow::Borrowed(&session.events);
    let last = events.span().map_or(Duration::ZERO, |(_, last)| last);
    for (lamp, pattern) in sightings {
        let sighting = session::sighting(last, &lamp, &pattern);
        events.to_mut().push(sighting);
    }
    let mut long = record::judging(&recording);
    let told = events.iter().inspect(|_| long.done(1));
    let judgement = judge(told, Some(&loaded.profile), moment);
    drop(long);
    say_later_answers(session, moment);
    say_difference(session, &judgement);
    let how = (format, colour);
    show(&judgement, &loaded, session.link(), None, how, args);
    Ok(judgement.verdict.kind.exit_code())
}

/// The register map given now, else the one in the recording.
pub(super) fn recorded_profile(
    recording: &Recording,
    args: &CheckArgs,
) -> Result<LoadedProfile, Failure> {
    let recorded = recording.header.as_ref().and_then(|h| h.profile.as_ref());
    let Some(recorded) = recorded.filter(|_| args.ask.profile.is_none()) else {
        let loaded = reach::load_profile(args)?;
        if let Some(recorded) = recorded.filter(|recorded| recorded.sha256 != loaded.sha256) {
            out::say(&format!(
                "note: recorded with the map {} ({:.12}), judged by {} ({:.12})",
                recorded.id, recorded.sha256, loaded.profile.profile.id, loaded.sha256
            ));
        }
        return Ok(loaded);
    };
    let profile = packside_profiles::load(&recorded.text, "the map in the recording")
        .map_err(|problems| failure(LOCAL, "profile", problems.to_string(), None))?;
    Ok(LoadedProfile::new(profile, &recorded.text))
}

/// A moment that is chosen is judged with all that people answered, also what they answered later.
fn say_later_answers(session: &recording::RecordedSession, moment: Option<Duration>) {
    let Some(moment) = moment else { return };
    let is_later = |event: &&Event| event.at > moment && matches!(event.what, What::Answer(_));
    let later = session.events.beside().iter().filter(is_later).count();
    if later > 0 {
        out::say(&format!(
            "judged with later answers: {} given after this moment",
            screen::counted(later as u64, "answer")
        ));
    }
}

/// Compares with what was shown at the same moment of the session.
fn say_difference(session: &recording::RecordedSession, judgement: &Judgement) {
    let then = |(_, shown): &&(usize, Shown)| shown.at == judgement.moment;
    let Some((_, shown)) = session.shown.iter().rev().find(then) else {
        return;
    };
    let now = &judgement.verdict;
    out::say(&if holds(shown, judgement) {
        format!("as shown on site by packside {}", shown.tool)
    } else {
        format!(
            "DIFFERENT from what packside {} showed on site: {} (\"{}\"); judged now: {}",
            shown.tool,
            shown.verdict,
            shown.summary,
            now.kind.id()
        )
    });
}

/// Prints one judgement.
fn show(
    judgement: &Judgement,
    loaded: &LoadedProfile,
    facts: Option<&LinkFacts>,
    saved: Option<&Saved>,
    (format, colour): (Format, bool),
    args: &CheckArgs,
) {
    if format != Format::Text {
        let map = (&loaded.profile, loaded.sha256.as_str());
        let mut object = Check::of(judgement, Some(map), facts);
        object.saved = saved.map(|saved| packside_profiles::shown(&saved.path));
        if args.explain.is_some() {
            object = object.with_considered(judgement);
        }
        out::result(&match format {
            Format::Csv => csv::readings(&object.readings),
            _ => json::line(&object),
        });
        return;
    }
    let command = next_command(judgement, args, saved, &loaded.profile);
    let name = saved.map(Saved::name);
    let around = screen::Around {
        colour,
        kept: name.as_deref(),
        command: &command,
    };
    let draw = if args.full {
        screen::look
    } else {
        screen::glance
    };
    out::result(&draw(judgement, Some(&loaded.profile), facts, &around));
    if args.explain.is_some() {
        out::result(&format!(
            "\n{}",
            explain::explanation(judgement, &loaded.profile)
        ));
    }
}

/// Nothing was asked.
fn not_asked(why: &NotShown) -> Failure {
    let kind = match why {
        NotShown::NotListened => "not-listened",
        _ => "may-wake",
    };
    let hint = Some(why.hint().to_owned());
    failure(USAGE, kind, why.to_string(), hint)
}

/// The arguments that lead to the same unit again.
pub(super) fn place_of(args: &CheckArgs) -> String {
    let mut place = Vec::from_iter(args.link.place.as_typed());
    if let Some(line) = args.link.place.line {
        place.push(format!("--line {line}"));
    }
    if let Some(framing) = args.link.place.framing {
        let value = framing.to_possible_value();
        let value = value.as_ref().map_or("", |value| value.get_name());
        place.push(format!("--framing {value}"));
    }
    if let Some(profile) = &args.ask.profile {
        place.push(format!("--profile {}", typed(profile)));
    }
    if let Some(unit) = args.ask.unit {
        place.push(format!("--unit {unit}"));
    }
    if let Some(only) = args.ask.only {
        place.push(format!("--only {only}"));
    }
    if let Some(time_out) = args.ask.time_out {
        place.push(format!("--time-out {}", time_out.as_millis()));
    }
    place.extend(args.ask.consent.as_typed().map(str::to_owned));
    place.extend(args.link.config.to_type());
    place.join(" ")
}

/// The settings at which a search has a chance and an end within minutes: those of this look, unless other
/// settings are what is likely wrong. All settings and addresses take more than an hour where nobody is there.
fn worth_finding_at(
    judgement: &Judgement,
    args: &CheckArgs,
    profile: &Profile,
) -> Option<LineSettings> {
    let first = judgement.verdict.causes.first().map(|cause| cause.kind);
    let place = &args.link.place;
    let is_likely = place.serial.is_some() && first != Some(CauseKind::WrongSpeedOrFormat);
    is_likely.then(|| place.line.unwrap_or(profile.answering.line))
}

/// The command that comes next, ready to type.
pub(super) fn next_command(
    judgement: &Judgement,
    args: &CheckArgs,
    saved: Option<&Saved>,
    profile: &Profile,
) -> String {
    use crate::facts::{NextStep, StepKind, VerdictKind};
    let recorded = args.link.place.recording.as_ref();
    if let Some(file) = recorded.or(args.link.record.record.as_ref()) {
        return format!("next: packside report {} -o page.html", typed(file));
    }
    let place = place_of(args);
    let first_step = judgement.verdict.next.first().map(NextStep::kind);
    match judgement.verdict.kind {
        // Nobody goes there: the number is watched from elsewhere, and a cable is not elsewhere.
        VerdictKind::Fault if first_step == Some(StepKind::KeepAway) => {
            match args.link.place.gateway.is_some() {
                true => format!("next: packside watch {place}"),
                false if saved.is_some() => {
                    "next: stay away; packside report last -o page.html".to_owned()
                }
                false => "next: stay away; nothing more is read from beside it".to_owned(),
            }
        }
        VerdictKind::Fault | VerdictKind::Normal if saved.is_some() => {
            "next: packside report last -o page.html".to_owned()
        }
        // What was seen may go away with the power, and nobody wanted it kept.
        VerdictKind::Fault => {
            format!("next: packside check {place} --record fault.visit.jsonl")
        }
        // What is proven to be wrong with the wires is put right first, then looked at again.
        VerdictKind::BusProblem if first_step == Some(StepKind::SwapPair) => {
            format!("next: packside check {place}")
        }
        // Two units at one address, or one that cannot be found: look who is on this line.
        VerdictKind::BusProblem | VerdictKind::Undecided
            if judgement.verdict.kind == VerdictKind::BusProblem
                || first_step == Some(StepKind::OneAddressEach) =>
        {
            let way = args.link.place.as_typed().unwrap_or_default();
            let all = if first_step == Some(StepKind::OneAddressEach) {
                " --all"
            } else {
                ""
            };
            let line = worth_finding_at(judgement, args, profile);
            let line = line.map_or_else(String::new, |line| format!(" --line {line}"));
            format!("next: packside find {way}{line}{all}")
        }
        // The same gateway would give the same memory.
        VerdictKind::Undecided if first_step == Some(StepKind::PastTheCache) => {
            let map = args.ask.profile.as_ref();
            let map = map.map_or_else(String::new, |map| format!(" --profile {}", typed(map)));
            format!("next: packside check --serial PORT{map}")
        }
        VerdictKind::Normal => {
            format!("next: packside check {place} --record in-service.visit.jsonl")
        }
        _ => format!("next: packside check {place}"),
    }
}
