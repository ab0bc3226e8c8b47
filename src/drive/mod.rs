//! Moves the machines that decide what to do over links that do it.
//!
//! [`run`] moves a [`Session`] over one link and blocks; [`run_async`] is awaited, so that one thread moves
//! thousands of them ([`crate::link::side_by_side`]). [`find`] does the same for the machines of a search,
//! awaited or blocking.
//!
//! Does not: decide anything; every want comes from a machine, every refusal from the link.

pub mod find;
mod way;

use std::ops::ControlFlow;

use crate::event::Event;
use crate::facts::Judgement;
use crate::link::{OpenError, Quiet, at_once};
use crate::session::{Came, End, LinkTrouble, Progress, Session, Task, Want, Word};

pub use way::Link;

/// Told what happens while a session is moved. Everything may be left out.
pub trait Sink {
    /// The link was opened: whoever records follows it from here.
    fn opened(&mut self, _: &mut Quiet) {}

    /// The link could not be opened.
    fn not_opened(&mut self, _: &OpenError) {}

    /// Something happened on the link.
    fn event(&mut self, _: &Event) {}

    /// What the session does.
    fn progress(&mut self, _: &Progress) {}

    /// A verdict of a round. To break off ends the task as if the user stopped it.
    fn judged(&mut self, _: &Judgement) -> ControlFlow<()> {
        ControlFlow::Continue(())
    }

    /// The link is lost, and why.
    fn lost(&mut self, _: &str) {}

    /// It is back.
    fn back(&mut self) {}

    /// A person's word is needed. Without one the session does what is safe.
    fn word(&mut self, _: &Word) -> bool {
        false
    }
}

/// Nobody is told.
impl Sink for () {}

/// Does a task, blocking.
pub fn run(session: &mut Session, task: Task, link: &mut Link, sink: &mut impl Sink) -> End {
    let work = run_async(session, task, link, sink);
    at_once(async { Ok(work.await) }).unwrap_or_else(|trouble| End::Trouble {
        trouble,
        asked: false,
    })
}

/// Does a task.
pub async fn run_async(
    session: &mut Session,
    task: Task,
    link: &mut Link,
    sink: &mut impl Sink,
) -> End {
    session.begin(task);
    pump(session, link, sink);
    loop {
        let came = match session.next(link.now()) {
            Want::Done(end) => return end,
            Want::Progress(progress) => {
                sink.progress(&progress);
                continue;
            }
            Want::Judged(judgement) => {
                if sink.judged(&judgement).is_continue() {
                    continue;
                }
                let trouble = LinkTrouble::Interrupted;
                return End::Trouble {
                    trouble,
                    asked: true,
                };
            }
            Want::Lost { why } => {
                sink.lost(&why);
                continue;
            }
            Want::Back => {
                sink.back();
                continue;
            }
            Want::NeedsWord(word) => Some(Came::Word(sink.word(&word))),
            Want::Open => match link.open().await {
                Ok(quiet) => {
                    sink.opened(quiet);
                    None
                }
                Err(why) => {
                    sink.not_opened(&why);
                    Some(Came::NotOpened(why.blame()))
                }
            },
            Want::Ask { ask, time_out } => {
                let asked = link.ask(ask, time_out).await;
                pump(session, link, sink);
                match asked {
                    Ok(exchange) => {
                        tracing::debug!(ask = ?exchange.ask, outcome = ?exchange.outcome, "exchange");
                        session.take(link.now(), Came::Exchange(&exchange));
                        continue;
                    }
                    Err(trouble) => Some(Came::Trouble(trouble)),
                }
            }
            want => link.carry_out(want).await,
        };
        pump(session, link, sink);
        if let Some(came) = came {
            session.take(link.now(), came);
        }
    }
}

/// Nothing more is asked until the next task.
pub fn stop_asking(session: &mut Session, link: &mut Link, sink: &mut impl Sink) {
    link.stop_asking();
    pump(session, link, sink);
}

/// Gives on what happened on the link.
fn pump(session: &mut Session, link: &mut Link, sink: &mut impl Sink) {
    for event in link.drain() {
        session.push(&event);
        sink.event(&event);
    }
}
