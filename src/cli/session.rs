//! From an open link to the events of one look: listens, shows that asking is right, asks.
//!
//! Shared by `check` and `demo`. Does not: judge, or print results.

use std::time::Duration;

use packside_profiles::Profile;

use super::out;
use crate::ask::Outcome;
use crate::event::{Event, LinkKind, What};
use crate::facts::{Doubt, Judgement, VerdictKind};
use crate::judge::{Garble, PROVEN, TURN, by_looking_again, garbled, judge};
use crate::link::{Asking, LinkTrouble, MayWake, NotShown, Quiet, Wake, quiet_window};
use crate::poll::{Cost, Follow, Look, Want, counter_questions, may_read};

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
    /// Whether the user is told what is done.
    pub(crate) says: bool,
}

impl Manner {
    fn say(&self, text: &str) {
        if self.says {
            out::say(text);
        }
    }
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
    /// It was not shown to be right; the link is still there, listening.
    NotShown(NotShown, Box<Quiet>),
    /// The link failed or the user stopped while listening.
    Trouble(LinkTrouble),
}

/// Longest time for overhearing a conversation instead of asking.
const OVERHEAR: Duration = Duration::from_secs(30);
/// Longest time for listening on to bytes that make no frame.
const EXPLAINING: Duration = Duration::from_secs(12);
/// So often what was overheard is judged.
const OVERHEAR_SLICE: Duration = Duration::from_secs(2);
/// Longest time for looking again unasked, after the first look.
const BY_ITSELF: Duration = Duration::from_secs(20);
/// Longest time for reading the unit's own counters of the line.
const COUNTING: Duration = Duration::from_secs(5);
/// Between two looks.
const PAUSE: Duration = Duration::from_secs(2);

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
    let wake = wake(profile);
    let user_said = users_word(&quiet, &wake, manner);
    if overhears && !user_said {
        manner.say(&format!(
            "listening {:.1} s first: only one client may ask on a serial bus",
            window.as_secs_f64()
        ));
        let until = quiet.now() + window;
        quiet
            .listen_for_silence(window, until)
            .map_err(Refusal::Trouble)?;
        // Asking over a pair that is proven to be swapped, or at other settings, gives nothing but noise
        // to whoever talks there.
        if hears_garble(&mut quiet, manner).map_err(Refusal::Trouble)? {
            let silent = quiet.silent_for();
            let why = NotShown::NotSilent { silent, window };
            return Err(Refusal::NotShown(why, Box::new(quiet)));
        }
        if quiet.silent_for() < window && matches!(quiet.facts().kind, LinkKind::Simulated { .. }) {
            manner.say(
                "somebody is heard here: a real line would only be overheard now, this one is simulated and is asked",
            );
        }
    }
    let proof = match quiet.prove(&wake, window, user_said) {
        Ok(proof) => proof,
        Err(why) => return Err(Refusal::NotShown(why, Box::new(quiet))),
    };
    quiet
        .ask(proof, &profile.answering.functions)
        .map_err(|back| {
            let (quiet, why) = *back;
            Refusal::NotShown(why, Box::new(quiet))
        })
}

/// Listens on where bytes come that make no frame. Gives whether they are proven to be frames over a
/// swapped pair, or at other settings.
fn hears_garble(quiet: &mut Quiet, manner: &Manner) -> Result<bool, LinkTrouble> {
    let Some(line) = quiet.facts().line() else {
        return Ok(false);
    };
    let until = quiet.now() + EXPLAINING;
    let mut is_said = false;
    loop {
        let found = garbled(quiet.tape(), line);
        if found != Garble::Unexplained || quiet.now() >= until {
            return Ok(found == Garble::Proven);
        }
        if !is_said {
            manner.say(&format!(
                "bytes are heard that make no frame: listening on, at most {} s, to see what they are",
                EXPLAINING.as_secs()
            ));
            is_said = true;
        }
        let slice = quiet.now() + OVERHEAR_SLICE;
        quiet.listen(slice)?;
    }
}

/// What the questions of a look may do to a unit of this profile.
fn wake(profile: &Profile) -> Wake {
    let known = packside_profiles::Known::default();
    Wake::of(Some(profile), &known, &may_read(profile))
}

/// Why a question may wake the unit, if it may.
pub(crate) fn may_wake(profile: &Profile) -> Option<MayWake> {
    wake(profile).why()
}

/// The user's explicit word that asking is right: given on the command line, or by a key after the
/// caution where a person can answer.
pub(crate) fn users_word(quiet: &Quiet, wake: &Wake, manner: &Manner) -> bool {
    let real = !matches!(quiet.facts().kind, LinkKind::Simulated { .. });
    let Some(why) = wake.why().filter(|_| real) else {
        return manner.user_said;
    };
    out::say(&format!(
        "CAUTION: {why}. Any question may put its lamp out, and it may pre-charge and close its switches: nobody may \
         have hands near the terminals."
    ));
    if manner.user_said || !out::interactive() {
        return manner.user_said;
    }
    crate::link::forget_typed();
    out::say("Ask it all the same? Type y and Enter; anything else leaves it alone.");
    out::answer().as_deref() == Some("y")
}

/// Somebody is heard: do not ask, but hear what they say, until that settles the verdict.
///
/// `so_far` are events of this session that are not on the tape any more.
pub(crate) fn overhear(
    quiet: &mut Quiet,
    profile: &Profile,
    so_far: &[Event],
    manner: &Manner,
) -> Result<(), LinkTrouble> {
    manner.say(&format!(
        "somebody is heard on this line: not asking, listening instead until that settles it, at most {} s",
        OVERHEAR.as_secs()
    ));
    let until = quiet.now() + OVERHEAR;
    while quiet.now() < until {
        let slice = quiet.now() + OVERHEAR_SLICE;
        quiet.listen(slice.min(until))?;
        let verdict = judged(so_far, quiet.tape(), profile).verdict;
        let is_settled = match verdict.kind {
            VerdictKind::Undecided => false,
            VerdictKind::BusProblem => verdict.causes.iter().any(|c| c.per_mille >= PROVEN),
            _ => true,
        };
        if is_settled {
            return Ok(());
        }
    }
    Ok(())
}

fn judged(so_far: &[Event], tape: &[Event], profile: &Profile) -> Judgement {
    judge(&[so_far, tape].concat(), Some(profile), None)
}

/// Looks, and looks again by itself while that may settle what is open: reading costs nothing and is
/// as safe as the first look was. Ends when another look brings nothing new or the time is over. Where
/// the line damages answers, the unit is asked at last what it counted of it.
pub(crate) fn look_until_settled(
    asking: &mut Asking,
    profile: &Profile,
    so_far: &[Event],
    manner: &Manner,
    seen: impl FnMut(usize, usize, u8),
) -> Option<LinkTrouble> {
    look_again(asking, profile, so_far, manner, seen)
        .or_else(|| ask_its_counters(asking, profile, so_far, manner).err())
}

/// Looks until another look would bring nothing new.
fn look_again(
    asking: &mut Asking,
    profile: &Profile,
    so_far: &[Event],
    manner: &Manner,
    mut seen: impl FnMut(usize, usize, u8),
) -> Option<LinkTrouble> {
    let mut open_before: Vec<Doubt> = Vec::new();
    let began = asking.now();
    let mut trouble = look(asking, profile, manner, &mut seen);
    // Another look takes about as long as the first one did: one that would not end in time is not begun.
    let takes = asking.now().saturating_sub(began) + PAUSE;
    trouble = trouble.or_else(|| read_a_turn(asking, profile, so_far, manner).err());
    let until = asking.now() + BY_ITSELF;
    while trouble.is_none() && asking.now() + takes <= until {
        let open = judged(so_far, asking.tape(), profile).verdict.open;
        let may_settle = open.iter().any(by_looking_again);
        if !may_settle || nothing_new(&open, &open_before) {
            return None;
        }
        manner.say(&format!(
            "still open ({}): looking again by itself, for at most {} s",
            open.first().map_or("", Doubt::id),
            BY_ITSELF.as_secs()
        ));
        open_before = open;
        let pause = asking.now() + PAUSE;
        trouble = match asking.idle(pause) {
            Ok(()) => look(asking, profile, manner, &mut seen),
            Err(trouble) => Some(trouble),
        };
    }
    trouble
}

/// Whether another look left open what was open. A spread under load changes its digits each time; a
/// unit on its way into service may need a few looks to get there.
fn nothing_new(open: &[Doubt], before: &[Doubt]) -> bool {
    let on_its_way = open
        .iter()
        .any(|point| matches!(point, Doubt::NotInService { .. }));
    let same = |pair: (&Doubt, &Doubt)| {
        use Doubt::SpreadUnderLoad as Spread;
        pair.0 == pair.1 || matches!(pair, (Spread { .. }, Spread { .. }))
    };
    !on_its_way && open.len() == before.len() && open.iter().zip(before).all(same)
}

/// Reads a code that takes turns until each of its faults was shown, at every unit that answered.
fn read_a_turn(
    asking: &mut Asking,
    profile: &Profile,
    so_far: &[Event],
    manner: &Manner,
) -> Result<(), LinkTrouble> {
    if !profile.points.iter().any(|point| point.rotates) {
        return Ok(());
    }
    let cost = Cost {
        line: asking.line(),
        answer_time: Duration::from_millis(profile.answering.answer_time_ms.into()),
    };
    let time_out = Duration::from_millis(profile.answering.time_out_ms.into());
    let members = judged(so_far, asking.tape(), profile).identity.members;
    let answering = members.iter().filter(|m| m.kind != VerdictKind::BusProblem);
    let mut codes: Vec<Follow> = answering
        .map(|member| Follow::codes(profile, member.unit, &cost))
        .collect();
    if codes.is_empty() {
        return Ok(());
    }
    manner.say(&format!(
        "one code shows one fault after another: reading it for {} s, a full turn",
        TURN.as_secs()
    ));
    let until = asking.now() + TURN;
    while asking.now() < until {
        for follow in &mut codes {
            for _ in 0..follow.round() {
                if let Some(ask) = follow.next_ask() {
                    asking.ask(ask, time_out)?;
                }
            }
        }
        let pause = asking.now() + BETWEEN_CODES;
        asking.idle(pause)?;
    }
    Ok(())
}

/// Between two readings of a code that takes turns.
const BETWEEN_CODES: Duration = Duration::from_secs(1);

/// Reads the unit's own counters of the line where answers came damaged and it understands that.
fn ask_its_counters(
    asking: &mut Asking,
    profile: &Profile,
    so_far: &[Event],
    manner: &Manner,
) -> Result<(), LinkTrouble> {
    if !profile.answering.functions.contains(&DIAGNOSTICS) {
        return Ok(());
    }
    let judgement = judged(so_far, asking.tape(), profile);
    let members = &judgement.identity.members;
    let answers = members.iter().find(|m| m.kind != VerdictKind::BusProblem);
    let (Some(member), true) = (answers, judgement.bus.health.damages()) else {
        return Ok(());
    };
    let questions = counter_questions(member.unit);
    manner.say(&format!(
        "answers came damaged: asking the unit what it counted of the line, {} short questions, at most {} s",
        questions.len(),
        COUNTING.as_secs()
    ));
    let until = asking.now() + COUNTING;
    let time_out = Duration::from_millis(profile.answering.time_out_ms.into());
    for ask in questions {
        if asking.now() + time_out > until {
            break;
        }
        // A unit that refuses one counter after all is left alone.
        if matches!(asking.ask(ask, time_out)?.outcome, Outcome::Exception(_)) {
            break;
        }
    }
    Ok(())
}

/// Function code of diagnostics.
const DIAGNOSTICS: u8 = 0x08;

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
    let time_out = Duration::from_millis(profile.answering.time_out_ms.into());
    let mut look = Look::new(profile, manner.unit, manner.only, cost);
    loop {
        let step = match look.next(asking.now()) {
            Want::Done => return None,
            Want::WaitUntil(at) => asking.idle(at),
            Want::Ask(ask) => asking.ask(ask, time_out).map(|exchange| {
                tracing::debug!(ask = ?exchange.ask, outcome = ?exchange.outcome, "exchange");
                look.take(&exchange);
            }),
        };
        let (done, planned) = look.progress();
        seen(done, planned, look.unit());
        if let Err(trouble) = step {
            return Some(trouble);
        }
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
