//! What a session does, in a line for whoever waits.

use packside_profiles::clean;

use super::pseudo::said;
use crate::link::Notice;
use crate::session::{MayWake, Progress};

/// The line; nothing where a bar shows it better.
pub fn line(progress: &Progress) -> Option<String> {
    let text = match progress {
        Progress::MayWake(why) => return Some(caution(*why)),
        Progress::ListeningFirst { window } => format!(
            "listening {:.1} s first: only one client may ask on a serial bus",
            window.as_secs_f64()
        ),
        Progress::Explaining { at_most } => format!(
            "bytes are heard that make no frame: listening on, at most {} s, to see what they are",
            at_most.as_secs()
        ),
        Progress::HeardButSimulated => {
            "somebody is heard here: a real line would only be overheard now, this one is simulated and is asked"
                .to_owned()
        }
        Progress::NotAsking(why) => format!("note: {why}"),
        Progress::Overhearing { at_most } => format!(
            "somebody is heard on this line: not asking, listening instead until that settles it, at most {} s",
            at_most.as_secs()
        ),
        Progress::SomebodyElseAsks => {
            "  somebody else asks on this line now: listening to them".to_owned()
        }
        Progress::Looking { .. } => return None,
        Progress::ListeningForLate { at_most } => format!(
            "no answer: listening {} s for one that comes late",
            at_most.as_secs()
        ),
        Progress::ReadingAgain => {
            "a number is beyond its limit: reading it a second time".to_owned()
        }
        Progress::LookingAgain { open, at_most } => format!(
            "still open ({open}): looking again by itself, for at most {} s",
            at_most.as_secs()
        ),
        Progress::ReadingTurn { time } => format!(
            "one code shows one fault after another: reading it for {} s, a full turn",
            time.as_secs()
        ),
        Progress::Counting { questions, at_most } => format!(
            "answers came damaged: asking the unit what it counted of the line, {questions} short questions, at most {} s",
            at_most.as_secs()
        ),
        Progress::Trouble(trouble) => format!("note: {trouble}"),
    };
    Some(said(text))
}

/// What a link tells.
pub fn notice(notice: &Notice) -> String {
    said(match notice {
        Notice::OpeningPort { port, line } => format!(
            "opening {} at {line}; its DTR and RTS lines are put down",
            clean(port)
        ),
        Notice::Connecting { address } => format!("connecting to {}", clean(address)),
        Notice::Lost { why } => format!("link lost: {}", clean(why)),
        Notice::Back { losses: 0 | 1 } => "link is back".to_owned(),
        Notice::Back { losses } => format!("link is back, after it was lost {losses} times"),
        Notice::TryingAgain { why, pause } => {
            format!("{why}; trying again in {:.1} s", pause.as_secs_f64())
        }
        Notice::Eased { port, held } => format!(
            "{}: its adapter held bytes back for up to {} ms, asked for 1 ms until the port is closed",
            clean(port),
            held.as_millis()
        ),
        Notice::HoldsBack {
            port,
            line,
            held,
            timer,
        } => format!(
            "note: {}: its adapter holds bytes back for up to {} ms, much at {line}: looks take longer, and \
             times are uncertain by as much; to change it: echo 1 | sudo tee {}",
            clean(port),
            held.as_millis(),
            clean(timer)
        ),
        Notice::AskingGently => {
            "nobody else can be overheard behind this gateway: asking gently".to_owned()
        }
    })
}

/// What is said before a question may wake a unit.
pub fn caution(why: MayWake) -> String {
    said(format!(
        "CAUTION: {why}. Any question may put its lamp out, and it may pre-charge and close its switches: nobody may \
         have hands near the terminals."
    ))
}
