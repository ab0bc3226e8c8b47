//! What a search is told.

use std::time::Duration;

use clap::Args;
use packside_profiles::Foreign;

use super::super::args::{ConsentArgs, LinkArgs, duration, milliseconds};
use super::super::record::Record;

/// Arguments of `find`.
#[derive(Debug, Clone, Args)]
pub(crate) struct FindArgs {
    /// Where the line is; with none of these and one serial adapter present, that one.
    #[command(flatten)]
    pub(super) link: LinkArgs,
    /// This one address, nothing else
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u8).range(1..=247))]
    pub(super) only: Option<u8>,
    /// Do not stop at the first unit that answers
    #[arg(long)]
    pub(super) all: bool,
    /// Wait for an adapter to be plugged in
    #[arg(long, conflicts_with = "place")]
    pub(super) wait: bool,
    /// Leave out the first N questions
    ///
    /// An interrupted search prints the number.
    #[arg(long, value_name = "N", default_value_t = 0)]
    pub(super) resume: usize,
    /// Keep what is found, for --at NAME
    #[arg(long, value_name = "NAME")]
    pub(super) save: Option<Foreign>,
    /// Listen so long before the first question [default: 12]
    #[arg(long, value_name = "SECONDS", value_parser = duration)]
    pub(super) listen_first: Option<Duration>,
    /// Longest wait for an answer
    ///
    /// Without it 50 to 500 ms, longer as the search goes on.
    #[arg(long, value_name = "MS", value_parser = milliseconds)]
    pub(super) time_out: Option<Duration>,
    /// What is said about asking.
    #[command(flatten)]
    pub(super) consent: ConsentArgs,
    /// The recording, once it is open.
    #[arg(skip)]
    pub(super) recorder: Record,
}
