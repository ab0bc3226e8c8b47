//! What a session does, in a line for whoever waits.

use std::time::Duration;

use packside_profiles::clean;

use super::pseudo::said;
use crate::event::{Event, LinkKind, What};
use crate::link::Notice;
use crate::session::{MayWake, Progress};
use crate::wire::Question;

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

/// What happened on the line, for whoever wants each detail; nothing for what says itself.
pub fn happened(event: &Event) -> Option<String> {
    let text = match &event.what {
        What::Asked { ask, deadline, .. } => format!(
            "address {}: {}, waiting up to {} ms",
            ask.unit,
            question(ask.question),
            deadline.saturating_sub(event.at).as_millis()
        ),
        What::Out(bytes) => format!("  sent     {}", in_hex(bytes)),
        What::In(bytes) => format!("  received {}", in_hex(bytes)),
        What::DeadlinePassed { .. } => "  no answer in time".to_owned(),
        What::Opened(facts) => match &facts.kind {
            LinkKind::Serial { .. } => "open; its DTR and RTS lines are put down".to_owned(),
            _ => return None,
        },
        _ => return None,
    };
    Some(said(format!("{:9.3} s  {text}", event.at.as_secs_f64())))
}

fn question(question: Question) -> String {
    match question {
        Question::Read {
            table,
            address,
            count,
        } => format!("read {count} from {address} ({table:?})"),
        Question::Echo(_) => "give two bytes back".to_owned(),
        Question::Counter(counter) => format!("read a counter of the line ({counter:?})"),
        Question::ServerId => "report the server id".to_owned(),
        Question::DeviceId { .. } => "identify the device".to_owned(),
    }
}

/// Bytes as pairs of hex digits.
fn in_hex(bytes: &[u8]) -> String {
    let pairs: Vec<String> = bytes.iter().map(|byte| format!("{byte:02x}")).collect();
    pairs.join(" ")
}

/// How long what is begun now may take, where that is more than a moment.
pub fn lasts(progress: &Progress) -> Option<Duration> {
    match progress {
        Progress::ListeningFirst { window } => Some(*window),
        Progress::Explaining { at_most }
        | Progress::Overhearing { at_most }
        | Progress::ListeningForLate { at_most }
        | Progress::LookingAgain { at_most, .. }
        | Progress::Counting { at_most, .. } => Some(*at_most),
        Progress::ReadingTurn { time } => Some(*time),
        _ => None,
    }
}

/// What a link tells.
pub fn notice(notice: &Notice) -> String {
    said(match notice {
        Notice::OpeningPort { port, line } => format!("opening {} at {line}", port.clean()),
        Notice::Connecting { address } => format!("connecting to {}", address.clean()),
        Notice::Lost { why } => format!("link lost: {}", clean(why)),
        Notice::Back { losses: 0 | 1 } => "link is back".to_owned(),
        Notice::Back { losses } => format!("link is back, after it was lost {losses} times"),
        Notice::TryingAgain { why, pause } => {
            format!("{why}; trying again in {:.1} s", pause.as_secs_f64())
        }
        Notice::Eased { port, held } => format!(
            "{}: its adapter held bytes back for up to {} ms, asked for 1 ms until the port is closed",
            port.clean(),
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
            port.clean(),
            held.as_millis(),
            timer.clean()
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
