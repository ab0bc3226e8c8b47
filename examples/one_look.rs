//! One look at a unit behind a gateway, with the library alone: prints the id of the verdict and its line.
//!
//!     cargo run --no-default-features --example one_look -- generic-hv-stack 192.0.2.7:502 [--may-wake]
//!
//! `--may-wake`: asking may wake the unit, and everybody is clear of it.

use std::io::{self, Write};
use std::sync::Arc;

use packside::drive::{self, Link};
use packside::event::Consent;
use packside::link::{Notice, OpenOptions, Opening, Target};
use packside::session::{End, Manner, Session, Task};
use packside::wire::Framing;
use packside::words;

fn main() -> io::Result<()> {
    run(std::env::args().skip(1), &mut io::stdout())
}

/// Looks at the unit that these arguments lead to.
pub(crate) fn run(words: impl Iterator<Item = String>, out: &mut impl Write) -> io::Result<()> {
    let (options, words): (Vec<_>, Vec<_>) = words.partition(|word| word.starts_with("--"));
    let [map, host] = words.as_slice() else {
        return writeln!(out, "expected MAP HOST[:PORT] [--may-wake]");
    };
    let profile = packside_profiles::find(map, None).map_err(io::Error::other)?;
    let profile = Arc::new(profile.profile);
    let target = Target::gateway(host, Framing::Tcp).map_err(io::Error::other)?;

    let manner = Manner {
        consent: Consent {
            may_wake: options.iter().any(|option| option == "--may-wake"),
            beside_others: false,
        },
        ..Manner::of(profile.answering.unit)
    };
    let mut session = Session::new(Arc::clone(&profile), manner);
    let opening = Opening::new(target, OpenOptions::default(), Arc::new(|_: &Notice| {}));
    let mut link = Link::closed(opening, &profile.answering.functions);
    match drive::run(&mut session, Task::LookUntilSettled, &mut link, &mut ()) {
        End::Whole | End::Overheard(_) => {}
        end => writeln!(out, "the look was cut short: {end:?}")?,
    }
    let judgement = session.verdict(None);
    let id = judgement.verdict.kind.id();
    writeln!(out, "{id}: {}", words::summary(&judgement))
}
