//! The pair of wires of a world: who drives it when, what disturbs it, and what each party hears.
//!
//! Input: pieces of bytes with the time they take on the wire, spikes of noise. Output: for a
//! listener and a piece, that it came as it was sent, or the bytes that the listener made of it.
//! Does not: know frames, decide who talks.
//!
//! # Why bits are computed late
//! When a piece ends, all that overlaps it is known, since nothing begins in the past. Bits are
//! computed only where the two ends differ, something overlaps, a spike hits, or the listener is
//! still in the middle of an earlier character.
//!
//! # Invariants
//! - What is over for [`HELD`] is forgotten: memory is bounded by what is on the wire.
//! - Nobody hears itself; while a party talks it is deaf.

use std::collections::BTreeMap;
use std::time::Duration;

use crate::uart::{Ear, Heard, Idle, Settings, Wave, transmit};

/// How long a piece is kept after its end: longer than the slowest character.
const HELD: u64 = 200_000_000;

/// Who is on the pair.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Party {
    /// The adapter of the tool, or a gateway.
    Tool,
    /// The units that are looked at.
    Units,
    /// A unit that does not belong to them.
    Neighbour,
    /// The inverter.
    Inverter,
    /// A second client.
    Second,
    /// Something that speaks another protocol.
    Chatter,
}

impl Party {
    /// Everybody.
    pub(super) const ALL: [Self; 6] = [
        Self::Tool,
        Self::Units,
        Self::Neighbour,
        Self::Inverter,
        Self::Second,
        Self::Chatter,
    ];
}

/// Bytes back to back on the wire.
#[derive(Debug, Clone)]
struct Piece {
    talker: Party,
    begins: u64,
    ends: u64,
    bytes: Vec<u8>,
}

impl Piece {
    fn overlaps(&self, begins: u64, ends: u64) -> bool {
        self.begins < ends && self.ends > begins
    }
}

/// What a listener makes of a piece.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Taken {
    /// It came as it was sent.
    AsSent,
    /// These bytes were complete since the last time.
    Heard(Vec<Heard>),
}

/// The pair.
#[derive(Debug, Clone)]
pub(super) struct Air {
    settings: BTreeMap<Party, Settings>,
    idle: Idle,
    ears: BTreeMap<Party, Ear>,
    pieces: Vec<Piece>,
    spikes: Vec<(u64, u64)>,
    /// How long the pair rings after an edge, and one round of it.
    ringing: (u64, u64),
}

/// A time as the bit level counts it.
pub(super) fn nanos(time: Duration) -> u64 {
    u64::try_from(time.as_nanos()).unwrap_or(u64::MAX)
}

impl Air {
    /// A silent pair on which everybody is set to the same.
    pub(super) fn new(line: Settings, idle: Idle) -> Self {
        let mut air = Self {
            settings: BTreeMap::new(),
            idle,
            ears: BTreeMap::new(),
            pieces: Vec::new(),
            spikes: Vec::new(),
            ringing: (0, 0),
        };
        for party in Party::ALL {
            air.set(party, line);
        }
        air
    }

    /// Sets up one party; what it was hearing is lost.
    pub(super) fn set(&mut self, party: Party, settings: Settings) {
        if self.settings.get(&party) == Some(&settings) {
            return;
        }
        self.settings.insert(party, settings);
        let from = self.ears.get(&party).map_or(0, Ear::needs_from);
        let mut ear = Ear::new(settings, self.idle, from);
        // A break that was there before anybody looked is nobody's news.
        ear.skip_to(from);
        self.ears.insert(party, ear);
    }

    /// Lets the pair ring after every edge.
    pub(super) fn set_ringing(&mut self, (lasts, round_trip): (Duration, Duration)) {
        self.ringing = (nanos(lasts), nanos(round_trip));
    }

    /// Settings of a party.
    pub(super) fn settings(&self, party: Party) -> Option<Settings> {
        self.settings.get(&party).copied()
    }

    /// Time that so many characters of a party take.
    pub(super) fn characters(&self, party: Party, count: usize) -> Duration {
        self.settings
            .get(&party)
            .map_or(Duration::ZERO, |settings| settings.characters(count))
    }

    /// Puts bytes on the wire; forgets what is long over.
    pub(super) fn add(
        &mut self,
        now: Duration,
        talker: Party,
        begins: Duration,
        ends: Duration,
        bytes: &[u8],
    ) {
        let over = nanos(now).saturating_sub(HELD);
        self.pieces.retain(|piece| piece.ends > over);
        self.spikes.retain(|(_, until)| *until > over);
        self.pieces.push(Piece {
            talker,
            begins: nanos(begins),
            ends: nanos(ends),
            bytes: bytes.to_vec(),
        });
    }

    /// Noise turns the level over for a while.
    pub(super) fn spike(&mut self, from: Duration, length: Duration) {
        self.spikes
            .push((nanos(from), nanos(from.saturating_add(length))));
    }

    /// Whether a listener surely takes what a talker sends between two times as it is sent.
    fn is_plain(&self, ear: &Ear, talker: Party, begins: u64, ends: u64) -> bool {
        let understood = self
            .settings
            .get(&talker)
            .is_some_and(|sender| ear.settings.understands(sender));
        // A spike just before could be taken for a start bit.
        let early = begins.saturating_sub(2 * nanos(ear.settings.characters(1)));
        // What rings is over at the middle of a bit on all but long and fast lines.
        let rings = 2 * self.ringing.0 >= ear.settings.bit();
        understood
            && !rings
            && !ear.is_within()
            && ear.needs_from() <= begins
            && self
                .pieces
                .iter()
                .all(|piece| piece.talker == talker || !piece.overlaps(begins, ends))
            && !self
                .spikes
                .iter()
                .any(|(from, until)| *from < ends && *until > early)
    }

    /// What a listener makes of what a talker sends between two times, once that is over.
    pub(super) fn take(
        &mut self,
        who: Party,
        talker: Party,
        begins: Duration,
        ends: Duration,
    ) -> Taken {
        let (begins, ends) = (nanos(begins), nanos(ends));
        let Some(mut ear) = self.ears.remove(&who) else {
            return Taken::AsSent;
        };
        let taken = if self.is_plain(&ear, talker, begins, ends) {
            // One nanosecond before the end, so that a start bit right after it is an edge.
            ear.skip_to(ends.saturating_sub(1));
            Taken::AsSent
        } else {
            self.catch_up(&mut ear, who, begins, ends);
            Taken::Heard(ear.hear(&self.wave(who, ear.needs_from(), ends), ends))
        };
        self.ears.insert(who, ear);
        taken
    }

    /// Takes a listener to where what matters for this time begins.
    fn catch_up(&self, ear: &mut Ear, who: Party, begins: u64, ends: u64) {
        if !ear.is_in_character() {
            let others = self.pieces.iter().filter(|piece| piece.talker != who);
            let overlapping = others
                .filter(|piece| piece.overlaps(begins, ends))
                .map(|piece| piece.begins);
            let early = begins.saturating_sub(2 * nanos(ear.settings.characters(1)));
            let spikes = self.spikes.iter().map(|(from, _)| *from);
            let spikes = spikes.filter(|from| (early..begins).contains(from));
            let start = overlapping.chain(spikes).fold(begins, u64::min);
            if start.saturating_sub(1) > ear.needs_from() {
                ear.skip_to(start.saturating_sub(1));
            }
        }
        let own = self.pieces.iter().filter(|piece| piece.talker == who);
        for piece in own.filter(|piece| piece.overlaps(begins, ends)) {
            ear.skip_to(piece.ends);
        }
    }

    /// What a listener has heard of spikes and late bits up to a time.
    pub(super) fn settle(&mut self, who: Party, at: Duration) -> Vec<Heard> {
        let Some(mut ear) = self.ears.remove(&who) else {
            return Vec::new();
        };
        let until = nanos(at);
        let early = until.saturating_sub(2 * nanos(ear.settings.characters(1)));
        let begins = early.max(ear.needs_from());
        self.catch_up(&mut ear, who, begins, until);
        let heard = ear.hear(&self.wave(who, ear.needs_from(), until), until);
        self.ears.insert(who, ear);
        heard
    }

    /// Whether somebody else than this listener drives the pair right now.
    pub(super) fn is_busy(&self, who: Party, at: Duration) -> bool {
        let at = nanos(at);
        let mut others = self.pieces.iter().filter(|piece| piece.talker != who);
        others.any(|piece| piece.begins < at && at < piece.ends)
    }

    /// Whether a listener waits for the rest of a character.
    pub(super) fn is_in_character(&self, who: Party) -> bool {
        self.ears.get(&who).is_some_and(Ear::is_in_character)
    }

    /// What the pair is at for a listener.
    fn wave(&self, who: Party, from: u64, until: u64) -> Wave {
        let heard = self
            .pieces
            .iter()
            .filter(|piece| piece.talker != who && piece.ends >= from && piece.begins <= until);
        let waves: Vec<Wave> = heard
            .filter_map(|piece| {
                let settings = self.settings.get(&piece.talker)?;
                Some(transmit(&piece.bytes, settings, piece.begins))
            })
            .collect();
        let mut wave = match waves.as_slice() {
            [one] => one.clone(),
            many => Wave::combined(&many.iter().collect::<Vec<_>>()),
        };
        if self.ringing.0 > 0 {
            wave = wave.ringing(self.ringing.0, self.ringing.1);
        }
        for (start, end) in &self.spikes {
            if *end >= from && *start <= until {
                wave.disturb(*start, *end);
            }
        }
        wave
    }
}
