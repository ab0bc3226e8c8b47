//! `packside watch`: looks at a unit over and over, and says what changed.
//!
//! Every round is the same full look that `check` makes, its identity read at the begin and the end: what
//! must add up is then of one moment, and no other unit can slip in behind a lost link. Where somebody
//! else asks, they are listened to instead. Each round is judged by all events so far, recorded, then
//! told; a recording is told by the same events, and so in the same words.
//!
//! Does not: judge ([`crate::judge::judge`]'s), or know what a change looks like ([`tell`]'s).

mod tell;

use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;
use std::time::Duration;

use clap::Args;

use super::args::{AskArgs, CheckArgs, LinkArgs, SessionArg, duration};
use super::failure::{Failure, INTERRUPTED, failure};
use super::live::Live;
use super::prompt::Keys;
use super::reach::{self, LoadedProfile};
use super::record::{self, Record, Saved};
use super::{check, describe, keep, out, places};
use crate::judge::Case;
use crate::link::{Interrupt, wall};
use tell::Teller;

/// Between two rounds.
const PAUSE: Duration = Duration::from_secs(2);
/// How long a simulated unit is watched unless said otherwise.
const SIMULATED: Duration = Duration::from_secs(60);
/// Longest wait for a key.
const KEY: Duration = Duration::from_millis(100);

/// Arguments of `watch`.
#[derive(Debug, Clone, Args)]
pub(crate) struct WatchArgs {
    /// How to reach the unit.
    #[command(flatten)]
    link: LinkArgs,
    /// How to ask it.
    #[command(flatten)]
    ask: AskArgs,
    /// Watch so long [default: until q or Ctrl-C]
    ///
    /// A simulated unit is watched for 60 s.
    #[arg(long, value_name = "SECONDS", value_parser = duration, conflicts_with = "recording")]
    seconds: Option<Duration>,
    /// Simulated: begin so long after power-up
    ///
    /// Without it 60 s before the scenario's look.
    #[arg(long, value_name = "SECONDS", value_parser = duration, requires = "simulated")]
    from: Option<Duration>,
    /// Which session of a recording.
    #[command(flatten)]
    session: SessionArg,
}

impl WatchArgs {
    /// How long, if there is an end.
    fn length(&self) -> Option<Duration> {
        let simulated = self.link.place.simulated.as_ref().map(|_| SIMULATED);
        self.seconds.or(simulated)
    }

    /// The same as the arguments of a look.
    fn as_check(&self) -> Result<CheckArgs, Failure> {
        let look_at = match &self.link.place.simulated {
            Some(name) => {
                let look_at = reach::scenario_of(name)?.look_at;
                let from = look_at.saturating_sub(self.length().unwrap_or(SIMULATED));
                Some(self.from.unwrap_or(from))
            }
            None => None,
        };
        let mut link = self.link.clone();
        link.interrupt = Some(super::interrupt::wish());
        Ok(CheckArgs {
            link,
            ask: self.ask.clone(),
            explain: None,
            full: false,
            lamps: Vec::new(),
            look_at,
            moment: None,
        })
    }
}

/// Runs the command; the exit code is that of the last verdict.
pub(crate) fn run(args: &WatchArgs, as_json: bool, colour: bool) -> Result<u8, Failure> {
    let mut look = places::fill(&args.as_check()?)?;
    if let Some(path) = &look.link.place.recording {
        return replay(path, args, &look, as_json, colour);
    }
    let loaded;
    (look, loaded) = describe::map_for(&look)?;
    let seed = reach::seed_of(&look.link.place)?;
    // A simulated unit runs in virtual time: nobody could read a view of it.
    let in_place = !as_json && out::shows_in_place() && look.link.place.simulated.is_none();
    let mut teller = Teller::new(&loaded, as_json, colour, in_place, wall().1);
    let record = Record::of_look(&look.link, keep::What::Watch, Some(&loaded), seed)?;
    let watched = watch(args, &look, &loaded, &record, &mut teller);
    record.end(watched.and_then(|()| end(&mut teller, &look, record.saved().as_ref())))
}

/// The last verdict in full; without one the person stopped before anything was known.
fn end(teller: &mut Teller<'_>, look: &CheckArgs, saved: Option<&Saved>) -> Result<u8, Failure> {
    let Some(last) = &teller.last else {
        return Err(failure(INTERRUPTED, "interrupted", "stopped", None));
    };
    let exit = last.verdict.kind.exit_code();
    teller.end(
        saved,
        &check::next_command(last, look, saved, teller.profile()),
    );
    Ok(exit)
}

/// Tells the verdicts of a recording at the moments at which they were shown.
fn replay(
    path: &Path,
    args: &WatchArgs,
    look: &CheckArgs,
    as_json: bool,
    colour: bool,
) -> Result<u8, Failure> {
    let recording = record::open(path)?;
    let session = record::session(&recording, args.session.session)?;
    let loaded = check::recorded_profile(&recording, look)?;
    let offset = session.start.offset_minutes;
    let mut teller = Teller::new(&loaded, as_json, colour, false, offset);
    let shown = session.shown.iter();
    let mut moments: Vec<_> = shown
        .map(|(events, shown)| (*events, Some(shown.at)))
        .collect();
    if moments.is_empty() {
        out::say("no verdict was shown in this session: judged at its end only");
        moments.push((session.events.len(), None));
    }
    let mut case = Case::new(Some(Arc::new(loaded.profile.clone())));
    let mut long = out::Long::new("judging it", session.events.len() as u64);
    let mut all = session.events.iter().inspect(|_| long.done(1));
    let mut pushed = 0;
    for (events, moment) in moments {
        let mut new = Vec::new();
        for event in all.by_ref().take(events - pushed) {
            case.push(&event);
            new.extend(tell::without_bytes(event));
        }
        pushed = events;
        teller.take(&new, case.verdict(moment.unwrap_or_else(|| case.moment())));
    }
    end(&mut teller, look, None)
}

/// Looks until the end of the time, or until the person stops.
fn watch(
    args: &WatchArgs,
    look: &CheckArgs,
    loaded: &LoadedProfile,
    record: &Record,
    teller: &mut Teller<'_>,
) -> Result<(), Failure> {
    let interrupt = look.link.interrupt.clone().unwrap_or_default();
    let mut live = Live::begin(look.clone(), &loaded.profile, record.clone())?;
    let end = args.length().map(|length| live.now() + length);
    let mut keys = None;
    live.rounds(PAUSE, end, |events, judgement| {
        teller.take(events, judgement);
        if teller.in_place && keys.is_none() {
            keys = StopKey::watch(&interrupt);
        }
    })
}

/// Watches the keyboard beside the link, so that q stops at once whatever is under way.
struct StopKey {
    over: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl StopKey {
    /// Begins, where there is a keyboard.
    fn watch(interrupt: &Interrupt) -> Option<Self> {
        let keys = out::interactive().then(Keys::watch).flatten()?;
        let over = Arc::new(AtomicBool::new(false));
        let (interrupt, is_over) = (interrupt.clone(), Arc::clone(&over));
        let thread = std::thread::spawn(move || {
            while !is_over.load(Ordering::Relaxed) {
                match keys.say_stop_within(KEY) {
                    Ok(false) => {}
                    Ok(true) => return interrupt.raise(),
                    // The window is gone; what that means is its signal's to say.
                    Err(_) => return,
                }
            }
        });
        Some(Self {
            over,
            thread: Some(thread),
        })
    }
}

impl Drop for StopKey {
    /// The terminal is as it was when this returns.
    fn drop(&mut self) {
        self.over.store(true, Ordering::Relaxed);
        if let Some(thread) = self.thread.take() {
            thread.join().ok();
        }
    }
}
