//! What a search needs of the command line: the word of a person, new connections, and a screen that says
//! how far it is.
//!
//! Does not: decide what is asked, or print the end.

use indicatif::ProgressBar;

use super::super::args::FramingArg;
use super::super::{out, session};
use super::args::FindArgs;
use super::progress::{bar, long, settings_text};
use super::way;
use crate::drive::find::{FindProgress, Finder};
use crate::event::LinkFacts;
use crate::find::{Search, SearchProgress};
use crate::link::{LinkTrouble, PortGone, Quiet};
use crate::session::MayWake;
use crate::wire::Framing;

/// The command line, to a search.
pub(super) struct Teller<'a> {
    args: &'a FindArgs,
    facts: LinkFacts,
    bar: Option<ProgressBar>,
}

impl<'a> Teller<'a> {
    pub(super) fn new(args: &'a FindArgs, facts: LinkFacts) -> Self {
        Self {
            args,
            facts,
            bar: None,
        }
    }

    /// Draws a bar of so many of so many, where one can be seen.
    fn draw(&mut self, what: &str, (done, of): (usize, usize), message: impl Into<String>) {
        if self.bar.is_none() {
            self.bar = bar(what);
        }
        if let Some(bar) = &self.bar {
            bar.set_length(of as u64);
            bar.set_position(done as u64);
            bar.set_message(message.into());
        }
    }

    fn on_line(&mut self, progress: &SearchProgress) {
        let Some(trial) = progress.now else { return };
        let why = if progress.by_hint {
            ", since something was heard"
        } else {
            ""
        };
        let message = format!(
            "asking at {}, address {}{why}; at most {} more",
            settings_text(&self.facts, trial.line),
            trial.unit,
            long(progress.left)
        );
        self.draw("questions", (progress.done, progress.of), message);
    }
}

impl Finder for Teller<'_> {
    async fn connect(&mut self, framing: Framing) -> Result<Quiet, LinkTrouble> {
        let mut args = self.args.clone();
        args.link.place.framing = Some(FramingArg::from(framing));
        let session = args.recorder.session();
        session.and_then(|()| way::open(&args)).map_err(|failure| {
            LinkTrouble::Lost(PortGone::StillGone {
                why: failure.message,
            })
        })
    }

    fn may_wake(&mut self, why: MayWake, is_said: bool) -> bool {
        session::may_wake(Some(why), is_said)
    }

    fn progress(&mut self, progress: &FindProgress<'_>) {
        match progress {
            FindProgress::Listening(window) => out::note(&format!(
                "listening {:.1} s first, sending nothing: only one client may ask on a serial bus",
                window.as_secs_f64()
            )),
            FindProgress::PassesBytesOn => {
                out::note("bytes come unasked: it passes on what it hears on its line");
            }
            FindProgress::Begins { search, is_gateway } => out::note(&begins(search, *is_gateway)),
            FindProgress::OnLine(progress) => self.on_line(progress),
            FindProgress::Behind(done, of) => {
                self.draw("addresses", (*done, *of), "asking behind the gateway");
            }
            FindProgress::Naming => {
                if let Some(bar) = self.bar.take() {
                    bar.finish_and_clear();
                }
            }
            FindProgress::TriesRtu => out::note(
                "no Modbus TCP frame came so far; trying RTU bytes over TCP on a new connection",
            ),
            FindProgress::BackToTcp => out::note(
                "no RTU answer either; asking all other addresses over Modbus TCP on a new connection",
            ),
        }
    }
}

/// What asking is for, and how long it may take.
fn begins(search: &Search, is_gateway: bool) -> String {
    if is_gateway {
        return "asking is for a gateway to a service or inverter socket. Up to 247 addresses, the likely ones first: \
                one that is silent costs the gateway's own time-out, all of them about 4 min where that is 1 s"
            .to_owned();
    }
    let progress = search.progress();
    format!(
        "asking is for a service or inverter socket. Likely settings and addresses come first: most units answer \
         within seconds; every address once takes {}, all {} questions {}",
        long(search.once()),
        progress.of - progress.done,
        long(progress.left)
    )
}
