//! What is behind a Modbus TCP gateway: what everybody is asked there, and what is one device at several
//! addresses.
//!
//! Does not: ask (see [`super::gateway`]), or say who a unit is (see [`super::who`]).

use packside_profiles::Profile;
use packside_profiles::model::Table;

use super::{Found, FoundIdentity, Volley, VolleyReply, who};
use crate::wire::{Framing, Question};

/// What was seen of a gateway.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Behind {
    /// How frames are put into bytes there.
    pub framing: Framing,
    /// Addresses for which it says that the unit is silent (0B).
    pub silent: usize,
    /// Addresses to which it says that it has no path, or no room (0A).
    pub no_path: usize,
    /// Addresses for which it says nothing.
    pub nothing: usize,
    /// Addresses at which it answers itself.
    pub own: Vec<u8>,
    /// Addresses at which everything is refused, beside one that gives data.
    pub refusing: Vec<u8>,
    /// Most questions that were outstanding.
    pub most_open: usize,
}

impl Behind {
    /// Nothing was seen of it yet.
    pub fn new(framing: Framing) -> Self {
        Self {
            framing,
            silent: 0,
            no_path: 0,
            nothing: 0,
            own: Vec::new(),
            refusing: Vec::new(),
            most_open: 1,
        }
    }

    /// What came of a volley.
    pub fn of(volley: &Volley) -> Self {
        let count = |wanted: VolleyReply| {
            let replies = volley.replies().values();
            replies.filter(|reply| **reply == wanted).count()
        };
        Self {
            silent: count(VolleyReply::Silent),
            no_path: count(VolleyReply::NoPath),
            nothing: count(VolleyReply::Nothing),
            most_open: volley.most_open(),
            ..Self::new(Framing::Tcp)
        }
    }
}

/// Asks these addresses what the known maps are told by; whoever refuses that, what it may have instead.
pub fn everybody(units: &[u8], profiles: &[Profile], stops_at_first: bool) -> Volley {
    let read = |table| Question::Read {
        table,
        address: 0,
        count: 1,
    };
    let mut probes = who::probes(profiles)
        .into_iter()
        .map(|probe| probe.question);
    let first = probes.next().unwrap_or(read(Table::Holding));
    // It may have something else, or no registers.
    let others = probes.chain([read(Table::Input), read(Table::Holding), Question::ServerId]);
    Volley::new(units, first, stops_at_first).then(others)
}

/// Asks those of these addresses for which there was no data once more: some answer one function only, and
/// say nothing to all others.
pub fn last_resort(before: &Volley, units: &[u8], stops_at_first: bool) -> Volley {
    let units = units.iter().copied();
    let silent: Vec<u8> = units
        .filter(|unit| before.replies().contains_key(unit))
        .collect();
    Volley::new(&silent, Question::ServerId, stops_at_first)
}

/// Makes one entry of those that are the same device by what they say of themselves.
pub fn fold(found: &mut Vec<(Found, FoundIdentity)>) {
    let mut folded: Vec<(Found, FoundIdentity)> = Vec::new();
    for (one, identity) in found.drain(..) {
        let is_same = |(other, known): &&mut (Found, FoundIdentity)| {
            known.is_like(&identity)
                && (identity.serial.is_some()
                    || !other.also_at.is_empty()
                    || !one.also_at.is_empty())
        };
        match folded.iter_mut().find(is_same) {
            Some((known, _)) => {
                known.also_at.push(one.unit);
                known.also_at.extend(one.also_at);
                known.also_at.sort_unstable();
            }
            None => folded.push((one, identity)),
        }
    }
    *found = folded;
}
