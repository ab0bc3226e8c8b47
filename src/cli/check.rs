//! `packside check`: one full look at a unit, and the verdict.

use std::fmt::Write as _;
use std::path::Path;
use std::time::Duration;

use packside_profiles::Profile;
use sha2::{Digest as _, Sha256};

use super::args::{CheckArgs, Where};
use super::record::{self, Record};
use super::session::{self, Manner, Refusal};
use super::{Failure, LOCAL, USAGE, json, out, screen};
use crate::diagnose::{Judgement, judge};
use crate::event::{Event, LinkFacts, LinkKind, What};
use crate::lamp;
use crate::link::{Blame, Interrupt, LinkTrouble, NotShown, OpenError, OpenOptions, Quiet, Target};
use crate::recording::{Entry, Recording, Session, Shown};

/// Exit code of a problem on the way to the unit.
const BUS: u8 = 3;
/// Exit code after Ctrl-C before a first result.
const INTERRUPTED: u8 = 130;

/// Runs the command; the exit code is that of the verdict.
pub(crate) fn run(args: &CheckArgs, as_json: bool, colour: bool) -> Result<u8, Failure> {
    if let Some(path) = &args.place.recording {
        return replay(path, args, as_json, colour);
    }
    let loaded = load_profile(args)?;
    let seed = match &args.place.simulated {
        Some(scenario) => Some(scenario_of(scenario)?.seed),
        None => None,
    };
    let sightings = sightings(args, &loaded.profile)?;
    let quiet = open(args, &loaded.profile)?;
    let record = Record::begin(&args.record, Some(&loaded), seed)?;
    let look = LookDone {
        args,
        loaded: &loaded,
        facts: quiet.facts().clone(),
        record: record.clone(),
    };
    let result = look.finish(quiet, &sightings, as_json, colour);
    record.end()?;
    result
}

/// What the end of a look needs to know.
struct LookDone<'a> {
    args: &'a CheckArgs,
    loaded: &'a Loaded,
    facts: LinkFacts,
    record: Record,
}

impl LookDone<'_> {
    /// Makes the look, judges it, shows it. Everything is recorded as it happens.
    fn finish(
        &self,
        mut quiet: Quiet,
        sightings: &[(String, String)],
        as_json: bool,
        colour: bool,
    ) -> Result<u8, Failure> {
        let (args, profile) = (self.args, &self.loaded.profile);
        let manner = Manner {
            unit: args.only.or(args.unit).unwrap_or(profile.answering.unit),
            only: args.only.is_some(),
            listen_first: args
                .listen_first
                .map(|s| Duration::from_secs_f64(s.clamp(0.0, 3600.0))),
            user_said: args.ask_anyway,
        };
        self.record.follow(&mut quiet);
        let mut events = match gather(quiet, profile, &manner) {
            Ok(seen) => {
                say_trouble(seen.trouble.as_ref())?;
                seen.events
            }
            Err(Refusal::Trouble(trouble)) => return Err(failure_of(&trouble)),
            Err(Refusal::NotShown(why, events)) => {
                not_asked(&why)?;
                events
            }
        };
        let last = events.last().map_or(Duration::ZERO, |e| e.at);
        let mut sightings = sightings.to_vec();
        if sightings.is_empty() && self.lamp_is_all(&events) && out::interactive() {
            sightings.extend(super::lamp::ask_for_taps(profile));
        }
        for (lamp, pattern) in &sightings {
            let sighting = session::sighting(last, lamp, pattern);
            self.record.event(sighting.clone());
            events.push(sighting);
        }
        let judgement = judge(&events, Some(profile), None);
        if let Some(serial) = &judgement.identity.serial {
            self.record.entry(&Entry::Unit(serial.clone()));
        }
        show(
            &judgement,
            self.loaded,
            Some(&self.facts),
            as_json,
            colour,
            args,
        );
        self.record.entry(&Entry::Shown(Shown {
            at: judgement.moment,
            tool: env!("CARGO_PKG_VERSION").to_owned(),
            verdict: judgement.verdict.kind.id().to_owned(),
            summary: judgement.verdict.summary.clone(),
        }));
        Ok(judgement.verdict.kind.exit_code())
    }
}

impl LookDone<'_> {
    /// Whether not one byte came from a real wire, so that only the lamp can still tell something.
    fn lamp_is_all(&self, events: &[Event]) -> bool {
        let simulated = matches!(self.facts.kind, LinkKind::Simulated { .. });
        !simulated && !events.iter().any(|event| matches!(event.what, What::In(_)))
    }
}

/// Says what ended a look early; a user who stopped it wants no verdict.
fn say_trouble(trouble: Option<&LinkTrouble>) -> Result<(), Failure> {
    let Some(trouble) = trouble else {
        return Ok(());
    };
    if *trouble == LinkTrouble::Interrupted {
        return Err(failure_of(trouble));
    }
    out::say(&format!("note: {trouble}"));
    if let Some(hint) = trouble.hint() {
        out::say(&format!("hint: {hint}"));
    }
    Ok(())
}

/// Judges a recording anew, and says where that differs from what was shown on site.
fn replay(path: &Path, args: &CheckArgs, as_json: bool, colour: bool) -> Result<u8, Failure> {
    let recording = record::open(path)?;
    let (session, moment) = record::moment(&recording, args.moment.as_deref())?;
    let loaded = recorded_profile(&recording, args)?;
    let sightings = sightings(args, &loaded.profile)?;
    let mut events = session.events();
    let last = events.last().map_or(Duration::ZERO, |e| e.at);
    events.extend(
        sightings
            .iter()
            .map(|(lamp, pattern)| session::sighting(last, lamp, pattern)),
    );
    let facts = events.iter().find_map(|event| match &event.what {
        What::Opened(facts) => Some(facts.clone()),
        _ => None,
    });
    let judgement = judge(&events, Some(&loaded.profile), moment);
    say_difference(session, &judgement);
    show(&judgement, &loaded, facts.as_ref(), as_json, colour, args);
    Ok(judgement.verdict.kind.exit_code())
}

/// The register map given now, else the one in the recording.
fn recorded_profile(recording: &Recording, args: &CheckArgs) -> Result<Loaded, Failure> {
    let recorded = recording.header.as_ref().and_then(|h| h.profile.as_ref());
    let Some(recorded) = recorded.filter(|_| args.profile.is_none()) else {
        let loaded = load_profile(args)?;
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
    Ok(Loaded::new(profile, &recorded.text))
}

/// Compares with what was shown at the same moment of the session.
fn say_difference(session: &Session, judgement: &Judgement) {
    let shown = session.entries.iter().rev().find_map(|entry| match entry {
        Entry::Shown(shown) if shown.at == judgement.moment => Some(shown),
        _ => None,
    });
    let Some(shown) = shown else { return };
    let now = &judgement.verdict;
    let same = shown.verdict == now.kind.id() && shown.summary == now.summary;
    out::say(&if same {
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
    loaded: &Loaded,
    facts: Option<&LinkFacts>,
    as_json: bool,
    colour: bool,
    args: &CheckArgs,
) {
    if as_json {
        let object = json::check(judgement, Some((&loaded.profile, &loaded.sha256)), facts);
        out::result(&format!("{object}\n"));
        return;
    }
    let command = next_command(judgement, args);
    out::result(&screen::look(
        judgement,
        Some(&loaded.profile),
        facts,
        colour,
        &command,
    ));
}

/// A profile with the fingerprint of its text.
pub(crate) struct Loaded {
    /// The profile.
    pub(crate) profile: Profile,
    /// SHA-256 of its text, hex.
    pub(crate) sha256: String,
    /// Its text.
    pub(crate) text: String,
}

impl Loaded {
    /// Fingerprints a loaded profile.
    pub(crate) fn new(profile: Profile, text: &str) -> Self {
        let digest = Sha256::digest(text.as_bytes());
        let sha256 = digest.iter().fold(String::new(), |mut hex, byte| {
            let _ = write!(hex, "{byte:02x}");
            hex
        });
        Self {
            profile,
            sha256,
            text: text.to_owned(),
        }
    }
}

fn failure(
    exit: u8,
    kind: &'static str,
    message: impl Into<String>,
    hint: Option<String>,
) -> Failure {
    Failure {
        exit,
        kind,
        message: message.into(),
        hint,
    }
}

/// The profile asked for, or that of the scenario.
fn load_profile(args: &CheckArgs) -> Result<Loaded, Failure> {
    let name = match (&args.profile, &args.place.simulated) {
        (Some(name), _) => name.clone(),
        (None, Some(scenario)) => scenario_of(scenario)?.profile.clone(),
        (None, None) => {
            let known: Vec<&str> = packside_profiles::shipped()
                .iter()
                .map(|(id, _)| *id)
                .collect();
            return Err(failure(
                USAGE,
                "usage",
                "no register map given: expected --profile NAME or FILE",
                Some(format!(
                    "known maps: {} (packside profile list)",
                    known.join(", ")
                )),
            ));
        }
    };
    let found = packside_profiles::find(&name, args.config.as_deref())
        .map_err(|error| failure(LOCAL, "profile", error.to_string(), None))?;
    Ok(Loaded::new(found.profile, &found.text))
}

/// A scenario of the simulator by name or file.
pub(crate) fn scenario_of(name: &str) -> Result<packside_simulator::Scenario, Failure> {
    packside_simulator::Scenario::find(name)
        .map_err(|error| failure(LOCAL, "scenario", error.to_string(), None))
}

/// Lamps as given on the command line, checked against the profile.
fn sightings(args: &CheckArgs, profile: &Profile) -> Result<Vec<(String, String)>, Failure> {
    args.lamps
        .iter()
        .map(|text| {
            let wrong = |message: String| failure(USAGE, "usage", message, None);
            let (lamp_id, pattern) = text.split_once('=').ok_or_else(|| {
                wrong(format!(
                    "--lamp: expected LAMP=PATTERN, for example fault=blinking, found \"{text}\""
                ))
            })?;
            let lamps: Vec<&str> = profile.lamps.iter().map(|l| l.id.as_str()).collect();
            if !lamps.contains(&lamp_id) {
                return Err(wrong(format!(
                    "--lamp: expected one of {}, found \"{lamp_id}\"",
                    lamps.join(", ")
                )));
            }
            let patterns = lamp::pattern_ids(Some(profile));
            if !patterns.iter().any(|p| p == pattern) {
                return Err(wrong(format!(
                    "--lamp: expected one of {}, found \"{pattern}\"",
                    patterns.join(", ")
                )));
            }
            Ok((lamp_id.to_owned(), pattern.to_owned()))
        })
        .collect()
}

fn open(args: &CheckArgs, profile: &Profile) -> Result<Quiet, Failure> {
    let plugged = args.plugged.map(Into::into);
    if let Some(name) = &args.place.simulated {
        let scenario = scenario_of(name)?;
        let look_at = args.look_at.map_or(scenario.look_at, |s| {
            Duration::from_secs_f64(s.clamp(0.0, 86_400.0))
        });
        let window = args.listen_first.map_or_else(
            || crate::link::quiet_window(Some(profile)),
            Duration::from_secs_f64,
        );
        out::say(&format!(
            "simulated scenario {name}, {:.0} s after power-up: no real unit",
            look_at.as_secs_f64()
        ));
        return Ok(crate::link::open_simulated(
            &scenario,
            profile,
            look_at.saturating_sub(window),
            plugged,
        ));
    }
    let target = target(&args.place, profile)?;
    let interrupt = Interrupt::on_ctrl_c().unwrap_or_default();
    let options = OpenOptions {
        plugged,
        ask_anyway: args.ask_anyway,
        interrupt,
    };
    crate::link::open(&target, options, Box::new(out::say)).map_err(|error| failure_of_open(&error))
}

/// Where the unit is; with nothing given and exactly one serial adapter present, that one.
fn target(place: &Where, profile: &Profile) -> Result<Target, Failure> {
    if let Some(address) = &place.gateway {
        return Ok(Target::gateway(address, place.framing.into()));
    }
    let line = place.line.unwrap_or(profile.answering.line);
    if let Some(port) = &place.serial {
        return Ok(Target::Serial {
            port: port.clone(),
            line,
        });
    }
    let adapters = crate::link::adapters();
    match adapters.as_slice() {
        [only] => {
            out::say(&format!(
                "one serial adapter is present, using it: {}",
                only.name
            ));
            Ok(Target::Serial {
                port: only.name.clone(),
                line,
            })
        }
        several => {
            let names: Vec<&str> = several.iter().map(|port| port.name.as_str()).collect();
            let found = if names.is_empty() {
                "none".to_owned()
            } else {
                names.join(", ")
            };
            Err(failure(
                USAGE,
                "usage",
                format!(
                    "where is the unit? expected --serial PORT, --gateway HOST or --simulated SCENARIO; serial adapters present: {found}"
                ),
                Some("packside demo shows it without hardware".to_owned()),
            ))
        }
    }
}

/// Listens, asks, shows progress.
fn gather(quiet: Quiet, profile: &Profile, manner: &Manner) -> Result<session::Seen, Refusal> {
    let mut asking = session::begin(quiet, profile, manner)?;
    let bar = out::draws_progress().then(|| {
        let style =
            indicatif::ProgressStyle::with_template("  {msg} {bar:30} {pos}/{len} questions");
        let bar = indicatif::ProgressBar::new(1);
        style.map_or(bar.clone(), |style| bar.with_style(style))
    });
    let trouble = session::look(&mut asking, profile, manner, |done, planned, unit| {
        if let Some(bar) = &bar {
            bar.set_length(planned as u64);
            bar.set_position(done as u64);
            bar.set_message(format!("reading address {unit}"));
        }
    });
    if let Some(bar) = bar {
        bar.finish_and_clear();
    }
    // Only one client may ask on a serial bus: what the other one hears is heard instead.
    let events = match trouble {
        Some(LinkTrouble::SomeoneElseAsks { .. }) => {
            session::overhear(asking.into_quiet()).map_err(Refusal::Trouble)?
        }
        _ => asking.drain(),
    };
    Ok(session::Seen { events, trouble })
}

/// Nothing was asked: says why. Where nothing was heard either, there is nothing to judge.
fn not_asked(why: &NotShown) -> Result<(), Failure> {
    let kind = match why {
        NotShown::MayWake { .. } => "may-wake",
        NotShown::NotListened => "not-listened",
        NotShown::NotSilent { .. } => {
            out::say(&format!("note: {why}"));
            return Ok(());
        }
    };
    let hint = Some(why.hint().to_owned());
    Err(failure(USAGE, kind, why.to_string(), hint))
}

/// Exit code and stable word for whose business a trouble is.
fn by_blame(blame: Blame) -> (u8, &'static str) {
    match blame {
        Blame::ThisComputer => (LOCAL, "port"),
        Blame::Path => (BUS, "path"),
        Blame::Usage => (USAGE, "usage"),
        Blame::Stopped => (INTERRUPTED, "interrupted"),
    }
}

fn failure_of_open(error: &OpenError) -> Failure {
    let (exit, kind) = by_blame(error.blame());
    failure(exit, kind, error.to_string(), error.hint())
}

fn failure_of(trouble: &LinkTrouble) -> Failure {
    let (exit, kind) = by_blame(trouble.blame());
    failure(
        exit,
        kind,
        trouble.to_string(),
        trouble.hint().map(str::to_owned),
    )
}

/// The command that comes next, ready to type.
fn next_command(judgement: &Judgement, args: &CheckArgs) -> String {
    use crate::diagnose::VerdictKind;
    let mut place = Vec::new();
    if let Some(port) = &args.place.serial {
        place.push(format!("--serial {port}"));
    }
    if let Some(line) = args.place.line {
        place.push(format!("--line {line}"));
    }
    if let Some(host) = &args.place.gateway {
        place.push(format!("--gateway {host}"));
    }
    if args.place.gateway.is_some() && args.place.framing == super::args::FramingArg::Rtu {
        place.push("--framing rtu".to_owned());
    }
    if let Some(file) = &args.place.recording {
        place.push(format!("--recording {}", file.display()));
    }
    if let Some(scenario) = &args.place.simulated {
        place.push(format!("--simulated {scenario}"));
    }
    if let Some(profile) = &args.profile {
        place.push(format!("--profile {profile}"));
    }
    if let Some(unit) = args.unit {
        place.push(format!("--unit {unit}"));
    }
    if let Some(only) = args.only {
        place.push(format!("--only {only}"));
    }
    if args.ask_anyway {
        place.push("--ask-anyway".to_owned());
    }
    let place = place.join(" ");
    let root = judgement.roots().first().copied();
    match (judgement.verdict.kind, root) {
        (VerdictKind::Fault, Some(_)) => {
            format!("next: packside check {place} --format json > before-switching-off.json")
        }
        _ => format!("next: packside check {place}"),
    }
}
