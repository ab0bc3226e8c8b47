//! Moves the machines of [`crate::find`] over a link that asks: awaited, so that many searches share one
//! thread, and the same blocking.
//!
//! [`listen_first`] and [`ask`] are a whole search, the rest its parts.
//!
//! Does not: decide what is asked, which comes from the machines, or whether, which the link refuses.

mod behind;
mod hunt;
mod on_line;
mod run;
mod volley;

use std::time::Duration;

use packside_profiles::model::Table;
use packside_profiles::sunspec::{Walk, WalkAnswer, WalkStep};

use crate::ask::Outcome;
use crate::event::What;
use crate::find::gateway::{self, Volley};
use crate::find::overhear::{Listening, Overhear};
use crate::find::search::{Search, SearchProgress, SearchWant};
use crate::find::who::{self, Who};
use crate::link::{Asking, LinkTrouble, Quiet, VolleyCame, at_once};
use crate::wire::Framing;
use crate::wire::{Adu, Answer, Ask, ByteStamp, Question, Splitter};

pub use hunt::{FindProgress, Finder};
pub use run::{ask, ask_async, listen_first, listen_first_async};

/// Functions that a search may ask with: nothing is known of the unit, and it tolerates them or not.
pub const FUNCTIONS: [u8; 4] = [0x03, 0x04, 0x11, 0x2b];

/// Searches until the machine is done. `seen` is told the progress before each question.
///
/// # Errors
/// Where the link fails, the user stops, or what speaks is plainly no unit.
pub async fn search_async(
    asking: &mut Asking,
    search: &mut Search,
    mut seen: impl FnMut(&SearchProgress),
) -> Result<(), LinkTrouble> {
    while let SearchWant::Ask {
        line,
        ask,
        first_byte,
    } = search.wanted()
    {
        seen(&search.progress());
        // Behind a gateway the settings are its own affair.
        if asking.line().is_some_and(|ours| ours != line) {
            asking.set_line_async(line).await?;
        }
        let exchange = asking.probe_async(ask, first_byte).await?;
        tracing::debug!(%line, ?ask, outcome = ?exchange.outcome, "probe");
        search.take(&exchange);
    }
    Ok(())
}

/// Asks a unit who it is, at the settings at which it was found.
///
/// # Errors
/// As [`search_async`].
pub async fn identify_async(asking: &mut Asking, who: &mut Who<'_>) -> Result<(), LinkTrouble> {
    let is_rtu = asking.facts().framing == Framing::Rtu;
    while let Some(ask) = who.wanted() {
        // Transaction ids tell answers apart, and gateways that repeat some.
        if let Some(wait) = who.listens_first().filter(|_| is_rtu) {
            who.overhear(&heard_until(asking, asking.now() + wait).await?);
        }
        let exchange = asking.ask_async(ask, who.wait()).await?;
        who.take(&exchange);
    }
    Ok(())
}

/// Reads the chain of a unit that describes itself.
///
/// # Errors
/// As [`search_async`].
pub async fn describe_async(
    asking: &mut Asking,
    unit: u8,
    walk: &mut Walk,
) -> Result<(), LinkTrouble> {
    while let WalkStep::Read { address, count } = walk.next() {
        let question = Question::Read {
            table: Table::Holding,
            address,
            count,
        };
        let exchange = asking
            .ask_async(Ask { unit, question }, WAIT_FOR_MODELS)
            .await?;
        walk.take(match &exchange.outcome {
            Outcome::Answered(Answer::Registers(words)) => WalkAnswer::Words(words),
            Outcome::Exception(0x01..=0x04) => WalkAnswer::Refused,
            _ => WalkAnswer::Nothing,
        });
    }
    Ok(())
}

/// Longest wait for the begin of an answer that carries a hundred registers.
const WAIT_FOR_MODELS: Duration = Duration::from_millis(1500);

/// All bytes that come until then, nothing being asked.
async fn heard_until(asking: &mut Asking, until: Duration) -> Result<Vec<u8>, LinkTrouble> {
    let mut heard = Vec::new();
    while asking.now() < until {
        if let VolleyCame::Bytes(bytes) = asking.receive_async(until).await? {
            heard.extend(bytes);
        }
    }
    Ok(heard)
}

/// Longest time between two looks at what was heard.
const TICK: Duration = Duration::from_millis(500);

/// Listens until the machine is done; what was heard is its end.
///
/// # Errors
/// Where the link fails or the user stops.
pub async fn overhear_async(
    quiet: &mut Quiet,
    overhear: &mut Overhear,
) -> Result<Listening, LinkTrouble> {
    let mut set = None;
    loop {
        let now = quiet.now();
        let (line, bad, until) = match overhear.next(now) {
            Listening::At { line, bad, until } => (line, bad, until),
            end => return Ok(end),
        };
        if set.is_some_and(|set| set != (line, bad)) {
            quiet.set_line(line, bad)?;
        }
        set = Some((line, bad));
        quiet.listen_async(until.min(now + TICK)).await?;
        for event in quiet.drain() {
            if let What::In(bytes) = &event.what {
                overhear.take(event.at, bytes);
            }
        }
    }
}

/// Asks many addresses behind a Modbus TCP gateway.
///
/// # Errors
/// As [`search_async`].
pub async fn volley_async(
    asking: &mut Asking,
    volley: &mut Volley,
    mut seen: impl FnMut(&Volley),
) -> Result<(), LinkTrouble> {
    loop {
        let until = match volley.next(asking.now()) {
            gateway::VolleyWant::Done => return Ok(()),
            gateway::VolleyWant::Post(ask) => {
                let transaction = asking.post_async(ask).await?;
                volley.posted(transaction, asking.now());
                asking.now()
            }
            gateway::VolleyWant::WaitUntil(until) => until,
        };
        match asking.receive_async(until).await? {
            VolleyCame::Bytes(bytes) => {
                if volley.take(asking.now(), &bytes) {
                    asking.is_answered();
                }
            }
            VolleyCame::Anew => volley.closed(asking.now()),
            VolleyCame::Nothing => {}
        }
        seen(volley);
    }
}

/// What refuses for a silent unit so soon has asked no line: then nothing was busy.
const AT_ONCE: Duration = Duration::from_millis(50);

/// Whether this question is answered while the line is busy with a unit that is silent: then the
/// gateway itself has answered, since a unit's answer would have had to wait. Nothing where that
/// cannot be told.
///
/// # Errors
/// As [`search_async`].
pub async fn is_past_the_line_async(
    asking: &mut Asking,
    silent: Ask,
    ask: Ask,
) -> Result<Option<bool>, LinkTrouble> {
    let busy = asking.post_async(silent).await?;
    let asked = asking.post_async(ask).await?;
    let give_up = asking.now() + who::WAIT * 8;
    let mut splitter = Splitter::new(Framing::Tcp);
    let mut answered_at = None;
    loop {
        let VolleyCame::Bytes(bytes) = asking.receive_async(give_up).await? else {
            return Ok(None);
        };
        let stamp = ByteStamp {
            at: asking.now(),
            during: None,
        };
        splitter.push(&bytes, stamp);
        while let Some(span) = splitter.next(None, false) {
            match Adu::read(&span.bytes).map(|frame| frame.transaction) {
                Some(first) if first == busy => {
                    let waited = answered_at.map(|at| asking.now().saturating_sub(at));
                    return Ok(Some(waited.is_some_and(|waited| waited > AT_ONCE)));
                }
                Some(first) if first == asked => {
                    asking.is_answered();
                    answered_at = Some(asking.now());
                }
                _ => {}
            }
        }
    }
}

/// [`search_async`], blocking.
///
/// # Errors
/// The same.
pub fn search(
    asking: &mut Asking,
    search: &mut Search,
    seen: impl FnMut(&SearchProgress),
) -> Result<(), LinkTrouble> {
    at_once(search_async(asking, search, seen))
}

/// [`identify_async`], blocking.
///
/// # Errors
/// The same.
pub fn identify(asking: &mut Asking, who: &mut Who<'_>) -> Result<(), LinkTrouble> {
    at_once(identify_async(asking, who))
}

/// [`describe_async`], blocking.
///
/// # Errors
/// The same.
pub fn describe(asking: &mut Asking, unit: u8, walk: &mut Walk) -> Result<(), LinkTrouble> {
    at_once(describe_async(asking, unit, walk))
}

/// [`overhear_async`], blocking.
///
/// # Errors
/// The same.
pub fn overhear(quiet: &mut Quiet, overhear: &mut Overhear) -> Result<Listening, LinkTrouble> {
    at_once(overhear_async(quiet, overhear))
}

/// [`volley_async`], blocking.
///
/// # Errors
/// The same.
pub fn volley(
    asking: &mut Asking,
    volley: &mut Volley,
    seen: impl FnMut(&Volley),
) -> Result<(), LinkTrouble> {
    at_once(volley_async(asking, volley, seen))
}

/// [`is_past_the_line_async`], blocking.
///
/// # Errors
/// The same.
pub fn is_past_the_line(
    asking: &mut Asking,
    silent: Ask,
    ask: Ask,
) -> Result<Option<bool>, LinkTrouble> {
    at_once(is_past_the_line_async(asking, silent, ask))
}
