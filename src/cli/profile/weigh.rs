//! `packside profile try`: holds a draft against a unit, a recording or images, and says what physics shows.
//!
//! Of a unit only the registers are read that the draft names: a neighbour may clear when it is read. Nothing
//! is corrected without a word: old, new and the reason are shown, and a key (or `--accept`) takes them over.
//!
//! Does not: weigh ([`crate::physics`] does), or judge a unit.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use clap::Args;
use packside_profiles::model::{Base, Count, Footing, Key, Point, Profile, Span};
use packside_profiles::{Foreign, Known, Layout, Role, as_written};

use super::amend::{Found, amend};
use super::given::CheckOutcome;
use crate::ask::Talk;
use crate::cli::args::{
    AskArgs, CheckArgs, ConsentArgs, LinkArgs, SessionArg, duration, milliseconds, typed,
    unit_address,
};
use crate::cli::failure::{Failure, LOCAL, USAGE, failure};
use crate::cli::output::Output;
use crate::cli::prompt::{self, Typed};
use crate::cli::reach::{self, LoadedProfile};
use crate::cli::record::{self, Record};
use crate::cli::session::{self, Telling};
use crate::cli::{check, keep, out, places};
use crate::draft;
use crate::drive::{self, Link};
use crate::physics::{Images, Outcome, Shift, Weighed, weigh};
use crate::session::{Session, Task};
use crate::show::json::{self, draft::Draft};
use crate::show::paper;
use crate::words::physics as words;

/// Between two readings.
const PAUSE: Duration = Duration::from_secs(2);

/// Where registers come from.
#[derive(Debug, Clone, Args)]
pub(super) struct SourceArgs {
    /// Lines of register images, one JSON object a line (docs/maps.md, "Images")
    #[arg(long, value_name = "FILE", group = "place")]
    pub(super) images: Option<PathBuf>,
    /// Where the unit is.
    #[command(flatten)]
    pub(super) link: LinkArgs,
    /// Unit address [default: the draft's]
    #[arg(long, value_name = "N", value_parser = unit_address)]
    pub(super) unit: Option<u8>,
    /// Read (or listen) so long [default: once]
    #[arg(long, value_name = "SECONDS", value_parser = duration)]
    pub(super) seconds: Option<Duration>,
    /// Listen this long before the first question
    #[arg(long, value_name = "SECONDS", value_parser = duration)]
    listen_first: Option<Duration>,
    /// What is said about asking.
    #[command(flatten)]
    consent: ConsentArgs,
    /// Wait so long for the first byte of an answer, ms
    #[arg(long, value_name = "MS", value_parser = milliseconds)]
    time_out: Option<Duration>,
    /// Which session of a recording.
    #[command(flatten)]
    pub(super) session: SessionArg,
}

impl SourceArgs {
    /// Whether any place was named.
    pub(super) fn is_given(&self) -> bool {
        let place = &self.link.place;
        self.images.is_some()
            || place.recording.is_some()
            || place.at.is_some()
            || place.as_typed().is_some()
    }
}

/// Arguments of `profile try`.
#[derive(Debug, Clone, Args)]
#[command(after_help = "\
Examples:
  packside profile try my-map.toml --gateway 192.0.2.7 --may-wake     the switches may close: no hands near
  packside profile try my-map.toml --serial /dev/ttyUSB0 --may-wake --seconds 60
  packside profile try my-map.toml --recording last                   ask nobody")]
pub(super) struct TryArgs {
    /// The draft, a file
    draft: PathBuf,
    /// Where registers come from.
    #[command(flatten)]
    source: SourceArgs,
    /// Take over what the unit shows, without asking
    #[arg(long)]
    accept: bool,
}

/// A draft as it is written.
pub(super) struct Written {
    pub(super) path: PathBuf,
    pub(super) text: String,
    pub(super) profile: Profile,
}

/// Reads a draft.
pub(super) fn written(path: &Path) -> Result<Written, Failure> {
    let name = packside_profiles::shown(&path);
    let text = packside_profiles::read_text(path).map_err(|why| {
        failure(
            LOCAL,
            "profile",
            format!("{name}: cannot be read: {why}"),
            None,
        )
    })?;
    let profile = as_written(&text, &name).map_err(|problems| {
        let hint = format!(
            "correct the file, then: packside profile check {}",
            typed(path)
        );
        failure(
            LOCAL,
            "profile",
            problems.to_string().trim_end(),
            Some(hint),
        )
    })?;
    let path = path.to_owned();
    Ok(Written {
        path,
        text,
        profile,
    })
}

/// Runs the command.
pub(super) fn run(args: &TryArgs, as_json: bool) -> Result<CheckOutcome, Failure> {
    let written = written(&args.draft)?;
    let (images, origin) = images(&args.source, &written)?;
    let (points, outcome) = held_against(&written.profile, &images);
    let held = draft::held_in(&written.profile, &images, outcome.shift);
    let found = Found {
        profile: &written.profile,
        outcome: &outcome,
        points: &points,
        held: &held,
    };
    let all = amended(&written, &found, |_| true)?;
    if as_json {
        if args.accept {
            write(&written.path, &all)?;
        }
        let object = object(&all, &written, &found, origin, images.count())?;
        return Ok((object, String::new(), 0));
    }
    out::result(&told(&written, &found, &images, &origin));
    let count = proposals(&found);
    let taken = match (args.accept, out::interactive()) {
        (true, _) => Some(all),
        (false, true) if count > 0 => ask(&written, &found)?,
        (false, true) => {
            let prompt =
                "Nothing to correct. Keep in the draft what was read, for answer and why? y/n: ";
            let keeps = prompt::key(prompt, "yn") == Typed::Text("y".to_owned());
            keeps.then_some(all)
        }
        (false, false) => {
            let hint = match count {
                0 => "nothing was kept: --accept keeps what was read, for answer and why",
                _ => "nothing was changed: --accept takes over what the unit shows",
            };
            return Ok((String::new(), format!("{hint}\n"), 0));
        }
    };
    let Some(taken) = taken else {
        return Ok(left(&args.draft, &written.text));
    };
    write(&written.path, &taken)?;
    Ok(left(&args.draft, &taken))
}

/// What images show of a draft, with the indices of its points.
pub(super) fn held_against(profile: &Profile, images: &Images) -> (Vec<usize>, Outcome) {
    let (points, claims): (Vec<usize>, Vec<_>) = draft::claims(profile, images).into_iter().unzip();
    let outcome = weigh(images, &claims, &draft::bases(profile));
    (points, outcome)
}

/// How it ends: the next command. What a person can settle comes first.
fn left(path: &Path, text: &str) -> CheckOutcome {
    let profile = as_written(text, &packside_profiles::shown(&path)).ok();
    let asks = profile.is_some_and(|profile| {
        let held = draft::held(&profile);
        !draft::questions(&profile, &held).is_empty()
    });
    let command = if asks { "answer" } else { "check" };
    let next = format!("\nnext: packside profile {command} {}\n", typed(path));
    (next, String::new(), 0)
}

pub(super) fn amended(
    written: &Written,
    found: &Found<'_>,
    takes: impl Fn(&Point) -> bool,
) -> Result<String, Failure> {
    amend(&written.text, found, takes).map_err(|why| {
        let message = format!("{}: {why}", packside_profiles::shown(&written.path));
        failure(LOCAL, "profile", message, None)
    })
}

/// Writes a draft over the one that was read.
pub(super) fn write(path: &Path, text: &str) -> Result<(), Failure> {
    let output = Output {
        option: "DRAFT",
        path,
        kind: "a draft",
        is_kind: |_| true,
        inputs: &[],
        replace: None,
    };
    output.write(text)
}

fn object(
    text: &str,
    written: &Written,
    found: &Found<'_>,
    origin: String,
    images: usize,
) -> Result<String, Failure> {
    let name = packside_profiles::shown(&written.path);
    let profile = as_written(text, &name).map_err(|problems| {
        let hint = Some("this is a defect of packside itself".to_owned());
        failure(LOCAL, "internal", problems.to_string().trim_end(), hint)
    })?;
    let mut draft = Draft::of(&profile, origin, Some(name));
    draft.base = Some(json::draft::Base {
        moved_by: found.outcome.shift.registers,
        other_table: found.outcome.shift.other_table,
        grade: found.outcome.shift_grade,
        images,
    });
    if !found.outcome.shift_grade.is_firm() && !draft.open.iter().any(|key| key == "addresses") {
        draft.open.push("addresses".to_owned());
    }
    for (point, weighed) in found.each() {
        if let Some(shown) = draft.points.iter_mut().find(|shown| shown.id == point.id) {
            shown.changed.clone_from(&weighed.changed);
            shown.grade = weighed.grade;
        }
    }
    Ok(json::line(&draft))
}

/// Images of the registers that a draft names, and where they come from.
pub(super) fn images(args: &SourceArgs, written: &Written) -> Result<(Images, String), Failure> {
    let usual = written.profile.answering.unit;
    let from = Kept {
        images: args.images.as_deref(),
        recording: args.link.place.recording.as_deref(),
        unit: args.unit,
        session: args.session.session,
    };
    if let Some((images, origin)) = kept(&from, Some(usual))? {
        return Ok((images, origin));
    }
    let mut profile = written.profile.clone();
    profile.spans = named_only(&profile);
    let loaded = LoadedProfile::new(profile, &written.text);
    let look = places::fill(&as_check(args, &written.path))?;
    let seed = reach::seed_of(&look.link.place)?;
    let mut quiet = reach::open(&look, &loaded.profile, None, None)?;
    let record = Record::of_look(&look.link, keep::What::Look, Some(&loaded), seed)?;
    record.follow(&mut quiet);
    let manner = session::manner(&look, usual);
    let unit = manner.unit;
    let mut session = Session::new(Arc::new(loaded.profile.clone()), manner);
    let mut link = Link::of(quiet, &loaded.profile.answering.functions);
    let mut telling = Telling::new(record.clone(), true);
    let task = match args.seconds {
        Some(time) => Task::Rounds {
            pause: PAUSE,
            end: Some(link.now() + time),
        },
        None => Task::Look,
    };
    let end = drive::run(&mut session, task, &mut link, &mut telling);
    telling.clear();
    record.end(check::say_end(end).map(|()| 0))?;
    let talk = Talk::of(&telling.events);
    let images = draft::from_exchanges(talk.all(), unit);
    let origin = look.link.place.as_typed().unwrap_or_default();
    if images.registers().next().is_none() {
        let message = format!("address {unit}: no register was answered");
        return Err(failure(crate::cli::failure::BUS, "bus", message, None));
    }
    Ok((images, origin))
}

/// Registers that were kept.
pub(super) struct Kept<'a> {
    /// Lines of images.
    pub(super) images: Option<&'a Path>,
    /// A recording.
    pub(super) recording: Option<&'a Path>,
    /// Unit address, where one was asked for.
    pub(super) unit: Option<u8>,
    /// Session of the recording.
    pub(super) session: Option<usize>,
}

/// Images of a file or recording, where one was named.
pub(super) fn kept(
    from: &Kept<'_>,
    usual: Option<u8>,
) -> Result<Option<(Images, String)>, Failure> {
    if let Some(path) = from.images {
        let name = packside_profiles::shown(&path);
        let trouble = |why: String| failure(LOCAL, "images", format!("{name}: {why}"), None);
        let text = packside_profiles::read_text(path)
            .map_err(|why| trouble(format!("cannot be read: {why}")))?;
        let images = draft::from_lines(&text, from.unit).map_err(|why| trouble(why.to_string()))?;
        return Ok(Some((images, name)));
    }
    let Some(path) = from.recording else {
        return Ok(None);
    };
    let recording = record::open(path)?;
    let session = record::session(&recording, from.session)?;
    let talk = Talk::of(session.events.iter());
    let name = packside_profiles::shown(&path);
    let images = of_talk(&talk, from.unit, usual, &name, (USAGE, "recording"))?;
    Ok(Some((images, name)))
}

/// Images of what one unit answered: the one asked for, else the usual one, else the one that answered most.
pub(super) fn of_talk(
    talk: &Talk,
    asked: Option<u8>,
    usual: Option<u8>,
    name: &str,
    (exit, kind): (u8, &'static str),
) -> Result<Images, Failure> {
    let units = draft::units(talk.all());
    let most = units.iter().max_by_key(|(_, answers)| **answers);
    let usual = usual.filter(|unit| units.contains_key(unit));
    let wanted = asked.or(usual).or(most.map(|(unit, _)| *unit));
    let Some(unit) = wanted.filter(|unit| units.contains_key(unit)) else {
        let known: Vec<String> = units.keys().map(u8::to_string).collect();
        let asked = asked.map_or_else(|| "a unit".to_owned(), |unit| format!("unit {unit}"));
        let known = if known.is_empty() {
            "none".to_owned()
        } else {
            known.join(", ")
        };
        let message = format!("{name}: expected answers of {asked}, found those of {known}");
        return Err(failure(exit, kind, message, None));
    };
    Ok(draft::from_exchanges(talk.all(), unit))
}

/// The arguments of a look.
fn as_check(args: &SourceArgs, draft: &Path) -> CheckArgs {
    let mut link = args.link.clone();
    link.interrupt = Some(crate::cli::interrupt::wish());
    CheckArgs {
        link,
        ask: AskArgs {
            profile: draft.to_str().map(Foreign::from),
            unit: args.unit,
            listen_first: args.listen_first,
            consent: args.consent,
            time_out: args.time_out,
            ..AskArgs::default()
        },
        explain: None,
        full: false,
        lamps: Vec::new(),
        look_at: None,
        moment: None,
    }
}

/// Spans of exactly the registers that points name.
fn named_only(profile: &Profile) -> Vec<Span> {
    // How many there are is read as well; the draft names all that there can be.
    let mut known = Known::default();
    for group in &profile.groups {
        if let Count::Named(id) = &group.count {
            known.counts.insert(id.clone(), group.at_most);
        }
    }
    let layout = Layout::new(profile, &known);
    let mut spans: Vec<Span> = Vec::new();
    let mut named: Vec<_> = layout.instances.iter().collect();
    named.sort_by_key(|one| (one.table, one.address));
    for one in named {
        let to = one.address.saturating_add(one.registers.saturating_sub(1));
        match spans.last_mut() {
            Some(last) if last.table == one.table && one.address <= last.to.saturating_add(1) => {
                last.to = last.to.max(to);
            }
            _ => spans.push(Span {
                table: one.table,
                base: Base::Absolute,
                from: one.address,
                to,
            }),
        }
    }
    spans
}

/// How many points would be changed, the base as one.
fn proposals(found: &Found<'_>) -> usize {
    let points = found
        .each()
        .filter(|(_, weighed)| !weighed.changed.is_empty())
        .count();
    points + usize::from(is_moved(found.outcome))
}

fn is_moved(outcome: &Outcome) -> bool {
    outcome.shift != Shift::NONE && outcome.shift_grade.is_firm()
}

/// Asks which changes are taken over; nothing where none is.
fn ask(written: &Written, found: &Found<'_>) -> Result<Option<String>, Failure> {
    let prompt = format!(
        "Take over the {} changes? a all, s one by one, n none: ",
        proposals(found)
    );
    let mut taken: Vec<String> = Vec::new();
    match prompt::key(&prompt, "asn") {
        Typed::Text(key) if key == "a" => return amended(written, found, |_| true).map(Some),
        Typed::Text(key) if key == "s" => {
            for (point, weighed) in found.each().filter(|(_, one)| !one.changed.is_empty()) {
                let prompt = format!("  {}: {}? y/n: ", point.id, change(point, weighed));
                match prompt::key(&prompt, "yn") {
                    Typed::Text(key) if key == "y" => taken.push(point.id.clone()),
                    Typed::Text(_) => {}
                    _ => return Ok(None),
                }
            }
        }
        _ => return Ok(None),
    }
    let changed = |id: &str| {
        let mut all = found.each();
        all.any(|(point, weighed)| point.id == id && !weighed.changed.is_empty())
    };
    let takes = |point: &Point| taken.contains(&point.id) || !changed(&point.id);
    amended(written, found, takes).map(Some)
}

/// Old and new of one point.
fn change(point: &Point, weighed: &Weighed) -> String {
    let new = draft::in_map(point, &weighed.reading);
    let old = crate::physics::Reading {
        kind: point.kind,
        order: point.order,
        scale: point.scale.value(),
        offset: point.offset.value(),
        positive: point.positive,
    };
    let keys = weighed.changed.iter();
    let changes = keys.map(|key| match key {
        Key::Role if weighed.role == Role::Other => format!("role {} -> open", point.role.id()),
        Key::Role => format!("role {} -> {}", point.role.id(), weighed.role.id()),
        key => format!("{} -> {}", words::key(*key, &old), words::key(*key, &new)),
    });
    changes.collect::<Vec<_>>().join(", ")
}

/// What was found, for people.
fn told(written: &Written, found: &Found<'_>, images: &Images, origin: &str) -> String {
    let mut text = String::new();
    let lasted = images
        .times()
        .last()
        .zip(images.times().first())
        .map_or(0.0, |(l, f)| l - f);
    let head = format!(
        "{}: {} points held against {} images in {lasted:.0} s ({origin})",
        packside_profiles::shown(&written.path),
        found.points.len(),
        images.count(),
    );
    paper::wrap(&mut text, &head, "", "  ");
    paper::wrap(&mut text, &base(found.outcome), "", "  ");
    let groups = [
        ("Changed by what the unit shows", true, None),
        (
            "Checked: the unit itself shows it",
            false,
            Some(Footing::Checked),
        ),
        (
            "As the document says: nothing against it",
            false,
            Some(Footing::AsDocumentSays),
        ),
        ("Narrowed to a few readings", false, Some(Footing::Narrowed)),
        ("Open", false, Some(Footing::Open)),
    ];
    for (title, changed, grade) in groups {
        let here: Vec<_> = found
            .each()
            .filter(|(_, one)| one.changed.is_empty() != changed)
            .filter(|(_, one)| grade.is_none_or(|grade| one.grade == grade))
            .collect();
        if here.is_empty() {
            continue;
        }
        text.push_str(&format!("\n{title} ({})\n", here.len()));
        for (point, weighed) in here {
            point_line(&mut text, point, weighed);
        }
    }
    text
}

/// Where the registers lie.
fn base(outcome: &Outcome) -> String {
    let where_to = |shift: Shift| {
        let table = if shift.other_table {
            ", in the other table"
        } else {
            ""
        };
        match shift.registers {
            0 => format!("the numbers of the draft{table}"),
            1 => format!("one register further than the draft says{table}"),
            -1 => format!("one register before where the draft says{table}"),
            2.. => format!("its numbers as they stand in the document, no table in front{table}"),
            _ => format!("its numbers with the table in front{table}"),
        }
    };
    let rivals: Vec<String> = outcome
        .shift_rivals
        .iter()
        .map(|one| where_to(*one))
        .collect();
    match outcome.shift_grade {
        Footing::Narrowed | Footing::Open => format!(
            "Base: open. Best fits {}; not excluded: {}",
            where_to(outcome.shift),
            rivals.join(", ")
        ),
        grade => format!("Base: {} ({})", where_to(outcome.shift), grade.id()),
    }
}

fn point_line(text: &mut String, point: &Point, weighed: &Weighed) {
    let what = if weighed.changed.is_empty() {
        words::reading(&draft::in_map(point, &weighed.reading))
    } else {
        format!("{} [{}]", change(point, weighed), weighed.grade.id())
    };
    let why: Vec<String> = weighed
        .evidence
        .iter()
        .map(|one| words::evidence(weighed.role, one))
        .collect();
    let rivals: Vec<String> = weighed
        .rivals
        .iter()
        .map(|rival| words::reading(&draft::in_map(point, rival)))
        .collect();
    let rivals = if rivals.is_empty() {
        String::new()
    } else {
        format!(" (or {})", rivals.join("; or "))
    };
    let why = if why.is_empty() {
        String::new()
    } else {
        format!(": {}", why.join("; "))
    };
    paper::wrap(
        text,
        &format!("{} {what}{rivals}{why}", point.id),
        "  ",
        "      ",
    );
}
