//! Many gateways watched side by side on one thread, with the library alone: prints each verdict that
//! is another than the one before.
//!
//!     cargo run --no-default-features --example many_gateways -- generic-hv-stack 60 192.0.2.7 192.0.2.8:1502
//!
//! Looks at each unit every ten seconds, for so many seconds. A unit that asking may wake is left alone.

use std::io::{self, Write};
use std::ops::ControlFlow;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use packside::drive::{self, Link, Sink};
use packside::facts::{Judgement, VerdictKind};
use packside::link::{Notice, OpenOptions, Opening, Target, side_by_side};
use packside::session::{Manner, Session, Task};
use packside::wire::Framing;
use packside::words;

const PAUSE: Duration = Duration::from_secs(10);

fn main() -> io::Result<()> {
    run(std::env::args().skip(1), &Mutex::new(io::stdout()))
}

/// Prints the verdicts of one gateway.
struct Printer<'o, W> {
    host: &'o str,
    last: Option<VerdictKind>,
    out: &'o Mutex<W>,
}

impl<W: Write> Sink for Printer<'_, W> {
    fn judged(&mut self, judgement: &Judgement) -> ControlFlow<()> {
        let kind = judgement.verdict.kind;
        if self.last.replace(kind) != Some(kind) {
            let mut out = self.out.lock().unwrap_or_else(PoisonError::into_inner);
            let (host, id, line) = (self.host, kind.id(), words::summary(judgement));
            if writeln!(out, "{host} {id}: {line}").is_err() {
                return ControlFlow::Break(());
            }
        }
        ControlFlow::Continue(())
    }
}

/// Watches the gateways that these arguments name.
pub(crate) fn run(words: impl Iterator<Item = String>, out: &Mutex<impl Write>) -> io::Result<()> {
    let words: Vec<String> = words.collect();
    let [map, seconds, hosts @ ..] = words.as_slice() else {
        return Err(io::Error::other("expected MAP SECONDS HOST[:PORT]..."));
    };
    let profile = packside_profiles::find(map, None).map_err(io::Error::other)?;
    let profile = &Arc::new(profile.profile);
    let end = Duration::from_secs(seconds.parse().map_err(io::Error::other)?);

    let watched = hosts.iter().map(|host| async move {
        let target = Target::gateway(host, Framing::Tcp).map_err(io::Error::other)?;
        let opening = Opening::new(target, OpenOptions::default(), Arc::new(|_: &Notice| {}));
        let mut link = Link::closed(opening.awaited(), &profile.answering.functions);
        let manner = Manner::of(profile.answering.unit);
        let mut session = Session::new(Arc::clone(profile), manner);
        let last = None;
        let mut printer = Printer { host, last, out };
        let (pause, end) = (PAUSE, Some(end));
        let rounds = Task::Rounds { pause, end };
        drive::run_async(&mut session, rounds, &mut link, &mut printer).await;
        Ok(())
    });
    side_by_side(watched)?.into_iter().collect()
}
