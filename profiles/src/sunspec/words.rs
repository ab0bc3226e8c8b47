//! What a composed map says of its own making.

use super::walk::{Chain, ChainEnd};

/// The chain in one line: `model 1 at 40002 (66 registers), …`.
pub(super) fn chain(chain: &Chain) -> String {
    let models = chain
        .models
        .iter()
        .map(|one| format!("model {} at {} ({} registers)", one.id, one.at, one.length));
    let mut parts = vec![format!("mark at {}", chain.mark)];
    parts.extend(models.take(SHOWN));
    if let Some(more) = chain.models.len().checked_sub(SHOWN).filter(|n| *n > 0) {
        parts.push(format!("and {more} more"));
    }
    parts.push(end(chain.end));
    parts.join(", ")
}

/// Models of a chain that are named.
const SHOWN: usize = 24;

/// How a chain ended.
fn end(end: ChainEnd) -> String {
    match end {
        ChainEnd::Whole(at) => format!("end at {at}"),
        ChainEnd::Unreadable(at) => format!("BROKEN: the next model at {at} cannot be read"),
        ChainEnd::NoModel(at) => format!("BROKEN: what stands at {at} is no model"),
        ChainEnd::BeyondLast(at) => {
            format!("BROKEN: the model at {at} reaches beyond the last register")
        }
        ChainEnd::Endless(at) => format!("BROKEN: more models than any unit has, left at {at}"),
    }
}
