//! From an open link to the events of one look: listens, shows that asking is right, asks.
//!
//! Shared by `check` and `demo`. Does not: judge, or print results.

use std::time::Duration;

use packside_profiles::Profile;

use super::out;
use crate::event::{Event, What};
use crate::link::{Asking, LinkTrouble, NotShown, Quiet, Wake, quiet_window};
use crate::poll::{Cost, Look, Want};
use crate::wire::{Ask, Question};

/// How the look is to be made.
pub(crate) struct Manner {
    /// First unit address.
    pub(crate) unit: u8,
    /// Only this address.
    pub(crate) only: bool,
    /// Listen this long first, where given.
    pub(crate) listen_first: Option<Duration>,
    /// The user's explicit word that asking is right.
    pub(crate) user_said: bool,
}

/// What a look left behind.
pub(crate) struct Seen {
    /// Everything that happened.
    pub(crate) events: Vec<Event>,
    /// What ended it early, if something did.
    pub(crate) trouble: Option<LinkTrouble>,
}

/// Why no question was asked.
pub(crate) enum Refusal {
    /// It was not shown to be right; with what was heard meanwhile.
    NotShown(NotShown, Vec<Event>),
    /// The link failed or the user stopped while listening.
    Trouble(LinkTrouble),
}

/// Longest time for overhearing a conversation instead of asking.
const OVERHEAR: Duration = Duration::from_secs(30);

/// Listens, proves, begins to ask.
pub(crate) fn begin(
    mut quiet: Quiet,
    profile: &Profile,
    manner: &Manner,
) -> Result<Asking, Refusal> {
    let overhears = quiet.facts().can_overhear();
    let window = manner
        .listen_first
        .unwrap_or_else(|| quiet_window(Some(profile)));
    let wake = Wake::of(Some(profile), &packside_profiles::Known::default(), &[]);
    if let (Some(why), false) = (wake.why(), manner.user_said) {
        // Refused before the first byte, unless the link is simulated: `prove` decides.
        tracing::debug!(%why, "asking may wake the unit");
    }
    if overhears && !manner.user_said {
        out::say(&format!(
            "listening {:.1} s first: only one client may ask on a serial bus",
            window.as_secs_f64()
        ));
        let until = quiet.now() + window;
        quiet
            .listen_for_silence(window, until)
            .map_err(Refusal::Trouble)?;
    }
    let proof = match quiet.prove(&wake, window, manner.user_said) {
        Ok(proof) => proof,
        Err(NotShown::NotSilent { silent, window }) => {
            return Err(overhear(quiet, NotShown::NotSilent { silent, window }));
        }
        Err(why) => return Err(Refusal::NotShown(why, quiet.drain())),
    };
    quiet
        .ask(proof, &profile.answering.functions)
        .map_err(|back| {
            let (quiet, why) = *back;
            overhear(quiet, why)
        })
}

/// Somebody is heard: do not ask, but hear what they say.
fn overhear(mut quiet: Quiet, why: NotShown) -> Refusal {
    out::say(&format!(
        "somebody is heard on this line: not asking, listening up to {} s instead",
        OVERHEAR.as_secs()
    ));
    let until = quiet.now() + OVERHEAR;
    match quiet.listen(until) {
        Ok(()) => Refusal::NotShown(why, quiet.drain()),
        Err(trouble) => Refusal::Trouble(trouble),
    }
}

/// Makes one look. `seen` is told the progress: done, planned, address.
pub(crate) fn look(
    asking: &mut Asking,
    profile: &Profile,
    manner: &Manner,
    mut seen: impl FnMut(usize, usize, u8),
) -> Option<LinkTrouble> {
    let cost = Cost {
        line: asking.line(),
        answer_time: Duration::from_millis(profile.answering.answer_time_ms.into()),
    };
    let mut look = Look::new(profile, manner.unit, manner.only, cost);
    loop {
        let step = match look.next(asking.now()) {
            Want::Done => return None,
            Want::WaitUntil(at) => asking.idle(at),
            Want::Ask(ask) => asking
                .ask(ask, time_out(profile, asking, &ask))
                .map(|exchange| look.take(&exchange)),
        };
        let (done, planned) = look.progress();
        seen(done, planned, look.unit());
        if let Err(trouble) = step {
            return Some(trouble);
        }
    }
}

/// How long an answer may take: the profile's time-out, the answer's own time on the line, and
/// what a gateway adds.
fn time_out(profile: &Profile, asking: &Asking, ask: &Ask) -> Duration {
    let own = Duration::from_millis(profile.answering.time_out_ms.into());
    let registers = match ask.question {
        Question::Read { count, .. } => usize::from(count),
        _ => 125,
    };
    match asking.line() {
        Some(line) => own + line.characters(8 + 5 + 2 * registers) + Duration::from_millis(50),
        None => own + Duration::from_millis(1500),
    }
}

/// A named moment for the tape.
pub(crate) fn sighting(at: Duration, lamp: &str, pattern: &str) -> Event {
    Event {
        at,
        what: What::Sighting {
            lamp: lamp.to_owned(),
            pattern: pattern.to_owned(),
        },
    }
}
