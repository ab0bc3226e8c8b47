//! `packside visit`: the guided power-up check, recorded from the first answer on.
//!
//! Steps and their meaning come from [`crate::visit`], what the wire tells from `live`. Answers come
//! from a person, key by key, or from a file. Does not: hold rules.

use std::io::Read as _;
use std::path::{Path, PathBuf};

use clap::Args;
use packside_profiles::model::{Needs, Profile};
use packside_profiles::{Foreign, Role};
use sha2::{Digest as _, Sha256};

use super::args::{CheckArgs, RecordArgs};
use super::describe;
use super::failure::{Failure, LOCAL, USAGE, failure};
use super::live::{Live, MeasuredEnd};
use super::output::Output;
use super::places;
use super::prompt::{self, Typed};
use super::reach::{self, LoadedProfile};
use super::record::{self, Record};
use super::{check, out};
use crate::event::{AnswerValue, Event, Plugged, StepAnswer, What};
use crate::link::wall;
use crate::show::{json, screen};
use crate::visit::answers::{self, Answers};
use crate::visit::{AnswerKind, Lamps, Measure, Visit, VisitStep, in_words, steps, understand};
use crate::wire::hex;
use end::VisitEnd;

mod end;

/// Arguments of `visit`.
#[derive(Debug, Clone, Args)]
pub(crate) struct VisitArgs {
    /// How to reach the unit.
    #[command(flatten)]
    pub(crate) look: CheckArgs,
    /// Take answers from a file, ask nobody
    ///
    /// A TOML file, as --print-answers prints one. What it does not answer is skipped.
    #[arg(long, value_name = "FILE")]
    pub(crate) answers: Option<PathBuf>,
    /// An answers file to fill in; then end
    ///
    /// It has every step that this register map makes. =FILE writes it there.
    #[arg(long, value_name = "FILE", num_args = 0..=1, require_equals = true, conflicts_with = "answers")]
    pub(crate) print_answers: Option<Option<PathBuf>>,
    /// Write over a file, never over a recording
    #[arg(long, requires = "print_answers")]
    pub(crate) replace: bool,
}

/// Where answers come from.
enum AnswerSource {
    Person,
    File(Answers),
}

/// What a person or file gives to a step.
enum StepInput {
    /// Value and note.
    Answer(AnswerValue, Option<Foreign>),
    /// A picture was taken; the step is still open.
    Photo(String),
    /// Do the measuring.
    Measure,
    /// One step back.
    Back,
    /// Stop here, to go on later.
    Stop,
}

/// Runs the command; the exit code is that of the last verdict.
pub(crate) fn run(args: &VisitArgs, as_json: bool, colour: bool) -> Result<u8, Failure> {
    if args.look.link.place.recording.is_some() {
        let hint = Some("packside check --recording FILE judges a recording again".to_owned());
        let message = "--recording: a visit reaches a unit, a recording has none";
        return Err(failure(USAGE, "usage", message, hint));
    }
    if let Some(to) = &args.print_answers {
        return print_answers(args, to.as_deref());
    }
    let mut look = places::fill(&args.look)?;
    if look.link.place.simulated.is_some() && look.look_at.is_none() {
        look.look_at = Some(std::time::Duration::ZERO);
    }
    let loaded;
    (look, loaded) = describe::map_for(&look)?;
    let mut visit = Visit::new(&loaded.profile);
    let source = source(args, &visit)?;
    let path = look.link.record.record.clone().unwrap_or_else(default_name);
    look.link.record.record = Some(path.clone());
    resume(&mut visit, &path, look.link.record.go_on)?;
    let seed = reach::seed_of(&look.link.place)?;
    let recorded = RecordArgs {
        record: Some(path.clone()),
        go_on: look.link.record.go_on,
        no_keep: false,
    };
    let record = Record::begin(&recorded, Some(&loaded), seed)?;
    let place = check::place_of(&look);
    let walked = walk(&mut visit, &source, look, &loaded, &record);
    record.end(walked.map(|(live, stopped)| {
        let end = VisitEnd {
            visit: &visit,
            judgement: live.concluded(),
            facts: live.facts.as_ref(),
            loaded: &loaded,
            path: &path,
            place: &place,
            stopped,
        };
        out::result(&if as_json {
            if let Some((_, what)) = visit.stop().filter(|_| stopped) {
                tell(&format!("STOP  {what}"));
            }
            json::line(&end.object())
        } else {
            end.text(colour)
        });
        end.exit()
    }))
}

/// Prints an answers file to be filled in, or writes it.
fn print_answers(args: &VisitArgs, to: Option<&Path>) -> Result<u8, Failure> {
    let profile = reach::load_profile(&args.look)?.profile;
    print_steps(&steps(&profile), to, args.replace)
}

/// Prints an answers file for these steps, or writes it. One that was filled in is as good as any other
/// file.
pub(super) fn print_steps(
    steps: &[VisitStep],
    to: Option<&Path>,
    replace: bool,
) -> Result<u8, Failure> {
    let text = answers::template(steps);
    let Some(path) = to else {
        out::result(&text);
        return Ok(0);
    };
    let output = Output {
        option: "--print-answers",
        path,
        kind: "an answers file",
        is_kind: |_| false,
        inputs: &[],
        replace: Some(replace),
    };
    output.write(&text)?;
    out::note(&format!("written: {}", packside_profiles::shown(&path)));
    Ok(0)
}

/// Reads an answers file for these steps.
pub(super) fn read_answers(
    path: &Path,
    steps: &[VisitStep],
    hint: &str,
) -> Result<Answers, Failure> {
    let name = packside_profiles::shown(&path).to_string();
    let trouble = |why: String| {
        let message = format!("answers {why}");
        failure(LOCAL, "answers", message, Some(hint.to_owned()))
    };
    let text = packside_profiles::read_text(path)
        .map_err(|why| trouble(format!("{name}: cannot be read: {why}")))?;
    answers::read(&text, &name, steps).map_err(trouble)
}

fn source(args: &VisitArgs, visit: &Visit<'_>) -> Result<AnswerSource, Failure> {
    let Some(path) = &args.answers else {
        if out::interactive() {
            return Ok(AnswerSource::Person);
        }
        let hint = Some("give --answers FILE where nobody can answer".to_owned());
        return Err(failure(
            USAGE,
            "usage",
            "a visit asks a person, and there is no terminal here",
            hint,
        ));
    };
    let hint =
        "packside visit --print-answers with the same --profile prints a file to be filled in";
    read_answers(path, visit.steps(), hint).map(AnswerSource::File)
}

/// A name that says what and when.
fn default_name() -> PathBuf {
    let (utc, _) = wall();
    let plain: String = utc
        .chars()
        .take(16)
        .filter(|c| *c != '-' && *c != ':')
        .collect();
    PathBuf::from(format!("visit-{plain}.visit.jsonl"))
}

/// Takes the answers of earlier sessions. That they count again in judging is the recording's.
fn resume(visit: &mut Visit<'_>, path: &Path, go_on: bool) -> Result<(), Failure> {
    if !go_on || !path.exists() {
        return Ok(());
    }
    let recording = record::load(path)?;
    let sessions = recording.sessions.iter();
    let events: Vec<Event> = sessions.flat_map(|session| &session.events).collect();
    visit.resume(&events);
    if let Some(step) = visit.next() {
        out::say(&format!("going on with: {}", step.name()));
    }
    Ok(())
}

/// Goes through the steps. Gives whether it was stopped before the end.
fn walk<'a>(
    visit: &mut Visit<'_>,
    source: &AnswerSource,
    look: CheckArgs,
    loaded: &'a LoadedProfile,
    record: &Record,
) -> Result<(Live<'a>, bool), Failure> {
    let sightings = reach::sightings(&look, &loaded.profile)?;
    let mut live = Live::begin(look, &loaded.profile, record.clone())?;
    for (lamp, pattern) in sightings {
        live.said(What::sighting(lamp, pattern));
    }
    if let AnswerSource::Person = source {
        INTRODUCTION.iter().for_each(|line| tell(line));
    }
    let mut part = None;
    while let Some(step) = next_step(visit, &live) {
        if part != Some(step.part) {
            out::say(&format!("\n== {}", step.part.title()));
            part = Some(step.part);
        }
        let (value, note) = match given(visit, source, &step, &mut live)? {
            StepInput::Answer(value, note) => (value, note),
            StepInput::Photo(file) => {
                take_photo(&mut live, &step, &file.into());
                continue;
            }
            StepInput::Back => {
                if !visit.back() {
                    out::say("this is the first step");
                }
                continue;
            }
            StepInput::Stop => return Ok((live, true)),
            StepInput::Measure => match measured(&mut live, visit, &step) {
                Ok((value, why)) => {
                    if let AnswerSource::Person = source {
                        ask_for_lamp(&mut live, &loaded.profile);
                    }
                    (AnswerValue::Measured(value), Some(why.into()))
                }
                // A page about two units would be worse than none.
                Err(failure) if failure.kind == record::ANOTHER_UNIT => return Err(failure),
                Err(failure) => {
                    let again = cannot_measure(source, &failure);
                    match again {
                        Some(StepInput::Answer(value, note)) => (value, note),
                        Some(_) => return Ok((live, true)),
                        None => continue,
                    }
                }
            },
        };
        let answer = StepAnswer {
            step: step.id.as_str().into(),
            question: step.text.as_str().into(),
            value,
            note,
        };
        // Recorded first: what stands on the screen is on the disk.
        live.said(What::Answer(answer.clone()));
        if !matches!(source, AnswerSource::Person)
            || !is_typed(&step)
            || visit.held_back(&step).is_some()
        {
            tell(&line_of(&step, &answer));
        }
        if let AnswerKind::Lamps(_) = step.kind {
            live.sees(answer.value.lamps());
        }
        if step.id == "plugged" {
            live.plugged = plugged(&answer.value);
        }
        visit.take(answer);
        // What to do instead stands at the end, once.
        if visit.stop().is_some_and(|(stop, _)| stop.id == step.id) {
            return Ok((live, true));
        }
    }
    Ok((live, false))
}

/// The step that is next, by what is known of the unit now.
fn next_step(visit: &mut Visit<'_>, live: &Live<'_>) -> Option<VisitStep> {
    visit.saw(&live.judged());
    visit.next().cloned()
}

/// Where the laptop is plugged in, as it was answered.
fn plugged(value: &AnswerValue) -> Option<Plugged> {
    Plugged::ALL.into_iter().find(|p| value.is_choice(p.id()))
}

/// On a wire that stayed silent only the lamp can still tell something.
fn ask_for_lamp(live: &mut Live<'_>, profile: &Profile) {
    if live.is_silent()
        && let Some((lamp, pattern)) = super::lamp::ask_for_taps(profile)
    {
        live.said(What::sighting(lamp, pattern));
    }
}

const INTRODUCTION: [&str; 2] = [
    "Guided check, from door to door. Single keys answer; words and numbers end with Enter. Everything is recorded as you go; \
     stopped, it goes on later with --continue.",
    "CAUTION  Hazardous voltage is inside even when switched off; local codes and the maker's manual come first.",
];

/// Keys that every step takes.
const KEYS: &str = "s skip, b back, p photo, q stop";

fn is_typed(step: &VisitStep) -> bool {
    !matches!(step.kind, AnswerKind::Storage | AnswerKind::Measured(_))
}

/// What answers this step.
fn given(
    visit: &Visit<'_>,
    source: &AnswerSource,
    step: &VisitStep,
    live: &mut Live<'_>,
) -> Result<StepInput, Failure> {
    if let Some(why) = visit.held_back(step) {
        return Ok(StepInput::Answer(AnswerValue::HeldBack, Some(why.into())));
    }
    if step.kind == AnswerKind::Storage {
        return Ok(match visit.storage() {
            Some(judged) => {
                let (low, high) = judged.charge_now;
                let mut why = format!("charge now {low:.0} to {high:.0} %; ");
                why.push_str(&judged.why.join("; "));
                StepInput::Answer(AnswerValue::Stored(judged.fitness), Some(why.into()))
            }
            None => StepInput::Answer(
                AnswerValue::LeftOut,
                Some("charge, date or temperatures of the storage are not known".into()),
            ),
        });
    }
    match source {
        AnswerSource::Person => Ok(ask(visit, step)),
        AnswerSource::File(answers) => {
            for file in answers.photos.get(&step.id).into_iter().flatten() {
                take_photo(live, step, file);
            }
            Ok(match answers.answers.get(&step.id) {
                Some((value, note)) => StepInput::Answer(value.clone(), note.clone()),
                None if matches!(step.kind, AnswerKind::Measured(_)) => StepInput::Measure,
                None => {
                    StepInput::Answer(AnswerValue::LeftOut, Some("not in the answers file".into()))
                }
            })
        }
    }
}

/// Where in the visit a step stands, what it asks, and its caution.
fn put(visit: &Visit<'_>, step: &VisitStep) {
    let (number, all) = visit.progress();
    let touch = match step.needs {
        Needs::Look => "",
        Needs::Operate => "  [operate the inverter]",
        Needs::LowVoltage => "  [low voltage]",
        Needs::UnitOff => "  [unit off]",
        Needs::LiveDc => "  [LIVE DC]",
    };
    let left = screen::counted(visit.minutes_left().into(), "minute");
    out::say(&format!(
        "\nStep {number} of {all}, about {left} left{touch}"
    ));
    tell(&step.text);
    if let Some(caution) = step.caution {
        tell(&format!("CAUTION  {caution}"));
    }
    if let Some(answer) = visit.answer(&step.id) {
        tell(&format!("Answered before: {}", line_of(step, answer)));
    }
}

/// What is typed at a step.
fn typed_for(step: &VisitStep) -> Typed {
    match &step.kind {
        AnswerKind::Confirm => {
            prompt::key(&format!("   y yes, in order; n not; {KEYS} > "), "ynsbpq")
        }
        AnswerKind::Measured(_) => prompt::key(&format!("   m measure; {KEYS} > "), "msbpq"),
        AnswerKind::OneOf(choices) => {
            for (n, (_, text)) in choices.iter().enumerate() {
                out::say(&format!("   {}  {text}", n + 1));
            }
            let digits: String = ('1'..='9').take(choices.len()).collect();
            let numbers = match choices.len() {
                1 => "1".to_owned(),
                more => format!("1 to {more}"),
            };
            prompt::key(
                &format!("   {numbers}; {KEYS} > "),
                &format!("{digits}sbpq"),
            )
        }
        AnswerKind::Number { unit, .. } => {
            let unit = unit.replace("deg", "°");
            prompt::line(&format!("   in {unit}, then Enter; {KEYS} > "))
        }
        AnswerKind::Lamps(known) => lamps(known),
        AnswerKind::Words | AnswerKind::Storage => {
            prompt::line(&format!("   in words, then Enter; {KEYS} > "))
        }
    }
}

/// Asks a person.
fn ask(visit: &Visit<'_>, step: &VisitStep) -> StepInput {
    put(visit, step);
    loop {
        let Typed::Text(typed) = typed_for(step) else {
            return StepInput::Stop;
        };
        match typed.as_str() {
            "s" => match reason("   why is it skipped? ") {
                Some(reason) => {
                    return StepInput::Answer(AnswerValue::LeftOut, Some(reason.into()));
                }
                None => return StepInput::Stop,
            },
            "b" => return StepInput::Back,
            "q" => return StepInput::Stop,
            "p" => match prompt::line("   file of the photo: ") {
                Typed::Text(file) if !file.is_empty() => return StepInput::Photo(file),
                Typed::Text(_) => {}
                Typed::Stop => return StepInput::Stop,
            },
            _ if matches!(step.kind, AnswerKind::Measured(_)) => return StepInput::Measure,
            typed => match understand(step, &typed.into()) {
                Ok(value) if value != AnswerValue::InOrder && step.kind == AnswerKind::Confirm => {
                    return match reason("   what is not in order? ") {
                        Some(note) => StepInput::Answer(value, Some(note.into())),
                        None => StepInput::Stop,
                    };
                }
                Ok(value) => return StepInput::Answer(value, None),
                Err(why) => out::say(&format!("   {why}")),
            },
        }
    }
}

/// The lamps, one after the other: the rhythm tapped, or in words.
fn lamps(known: &Lamps) -> Typed {
    let mut seen: Vec<String> = Vec::new();
    while seen.len() < known.lamps.len() {
        let (prompt, keys) = if seen.is_empty() {
            (
                format!("   t tap the rhythm, w in words; {KEYS} > "),
                "twsbpq",
            )
        } else {
            (
                "   another lamp: t tap, w in words; d done > ".to_owned(),
                "twd",
            )
        };
        match prompt::key(&prompt, keys) {
            Typed::Text(key) if key == "w" => {
                out::say(&format!(
                    "   lamps: {}; for example \"{}\"",
                    known.lamps.join(", "),
                    known.example()
                ));
                match prompt::line("   in words, then Enter > ") {
                    Typed::Text(words) => match known.understand(&words.into()) {
                        Ok(told) => seen.push(told.text().clean().into_owned()),
                        Err(why) => out::say(&format!("   {why}")),
                    },
                    Typed::Stop => return Typed::Stop,
                }
            }
            Typed::Text(key) if key == "t" => match super::lamp::tap(known) {
                Some((lamp, pattern)) => seen.push(format!("{lamp}={pattern}")),
                None => out::say("   not recognised: tap again, or say it in words"),
            },
            Typed::Text(key) if key == "d" => break,
            other => return other,
        }
    }
    Typed::Text(seen.join("; "))
}

/// Says it, folded to the width of the screen.
fn tell(text: &str) {
    let mut folded = String::new();
    screen::wrap(&mut folded, text, "", "   ");
    out::say(folded.trim_end());
}

/// A few words; nothing where the person stops.
fn reason(prompt: &str) -> Option<String> {
    loop {
        match prompt::line(prompt) {
            Typed::Text(text) if !text.is_empty() => return Some(text),
            Typed::Text(_) => out::say("   expected a few words, found nothing"),
            Typed::Stop => return None,
        }
    }
}

/// The link failed: again, skip, or stop. Nothing means again.
fn cannot_measure(source: &AnswerSource, failure: &Failure) -> Option<StepInput> {
    out::say(&format!("   error: {}", failure.message));
    if let Some(hint) = &failure.hint {
        out::say(&format!("   hint: {hint}"));
    }
    let skipped = StepInput::Answer(AnswerValue::LeftOut, Some(failure.message.as_str().into()));
    if !matches!(source, AnswerSource::Person) {
        return Some(skipped);
    }
    match prompt::key("   r again, s skip, q stop > ", "rsq") {
        Typed::Text(key) if key == "r" => None,
        Typed::Text(key) if key == "s" => Some(skipped),
        _ => Some(StepInput::Stop),
    }
}

fn measured(
    live: &mut Live<'_>,
    visit: &Visit<'_>,
    step: &VisitStep,
) -> Result<MeasuredEnd, Failure> {
    let AnswerKind::Measured(measure) = step.kind else {
        return Err(failure(USAGE, "usage", "nothing to measure here", None));
    };
    let (value, mut why) = live.measure(measure)?;
    if measure == Measure::WithInverter {
        why.push_str(&firmware_for(visit, live));
    }
    if measure == Measure::Alone {
        why.push_str(&charge_read(visit, live));
    }
    Ok((value, why))
}

/// Whether the control unit is new enough for the inverter chosen.
fn firmware_for(visit: &Visit<'_>, live: &Live<'_>) -> String {
    let chosen = visit.answer("inverter-family").map(|a| a.value.text());
    let firmware = live.last.as_ref().and_then(|j| j.identity.firmware.clone());
    let (Some(chosen), Some(firmware)) = (chosen, firmware) else {
        return String::new();
    };
    match visit.firmware_fits(chosen.as_given(), &firmware) {
        Some((true, from)) => {
            format!(" Firmware {firmware} fits this inverter family (from {from}).")
        }
        Some((false, from)) => {
            format!(" FIRMWARE {firmware} IS TOO OLD for this inverter family: from {from}.")
        }
        None => String::new(),
    }
}

/// What the unit says of its charge, where the papers made another one likely: what is read counts.
fn charge_read(visit: &Visit<'_>, live: &Live<'_>) -> String {
    let readings = live.last.as_ref().map(|j| j.readings.as_slice());
    let is_soc = |reading: &&crate::facts::Reading| reading.role == Role::Soc;
    let read = readings.unwrap_or_default().iter().find(is_soc);
    let Some((read, stored)) = read.and_then(|r| r.any_number()).zip(visit.storage()) else {
        return String::new();
    };
    let (low, high) = stored.charge_now;
    if (low..=high).contains(&read) {
        return String::new();
    }
    format!(
        " It reads a charge of {read:.0} %, the papers made {low:.0} to {high:.0} % likely: what is read counts, and the cells' voltages decide."
    )
}

/// Notes a picture with the hash of its file.
fn take_photo(live: &mut Live<'_>, step: &VisitStep, file: &Foreign) {
    let name = file.clean();
    match hash_of(file.as_given()) {
        Ok(sha256) => {
            live.said(What::Photo {
                step: step.id.as_str().into(),
                file: file.clone(),
                sha256,
            });
            out::say(&format!("   photo {name} noted"));
        }
        Err(why) => out::say(&format!("   photo {name}: cannot be read: {why}")),
    }
}

/// The hash of a file, read piece by piece: a picture may be large, and what is none may never end.
fn hash_of(file: &str) -> std::io::Result<String> {
    let mut from = packside_profiles::open_file(Path::new(file))?;
    let (mut sha, mut piece) = (Sha256::new(), vec![0; 64 << 10]);
    loop {
        match from.read(&mut piece)? {
            0 => return Ok(hex(&sha.finalize())),
            count => sha.update(piece.get(..count).unwrap_or_default()),
        }
    }
}

/// An answer in one line.
fn line_of(step: &VisitStep, answer: &StepAnswer) -> String {
    let note = answer
        .note
        .as_ref()
        .map(|note| format!("; {}", note.clean()));
    format!(
        "{}: {}{}",
        step.name(),
        in_words(&answer.value),
        note.unwrap_or_default()
    )
}
