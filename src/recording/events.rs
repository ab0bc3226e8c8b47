//! The events of a session, kept small.
//!
//! Eight hours of a line that is asked all the time are millions of chunks of a few bytes. As
//! [`Event`]s each would take 144 bytes of memory; here it takes its bytes and six more. What is no
//! traffic (and a port's marks on characters) is kept as it is, in [`Events::beside`].
//!
//! Does not: leave anything out. What comes out of [`Events::iter`] is what went in, in its order.

use std::time::Duration;

use super::lines::nanos;
use crate::event::{Event, What};
use crate::wire::Ask;

/// Events in the order in which they were recorded.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Events {
    /// What the wire did, one after the other; see `PackedKind`.
    packed: Vec<u8>,
    /// The others.
    beside: Vec<Event>,
    count: usize,
    /// Times, ns: of the first event, of the last one and of the last one that is packed.
    first_ns: u64,
    last_ns: u64,
}

/// First byte of a packed event. Behind it stand numbers of seven bits a byte, the lowest first:
/// the time since the event before (zigzag: it may be earlier), then what the kind has.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum PackedKind {
    /// Length, bytes.
    In,
    /// Length, bytes.
    Out,
    /// Exchange, unit, transaction + 1 or 0, deadline, length, PDU.
    Asked,
    /// The next one of those beside the traffic; nothing else, not even a time.
    Beside,
}

impl Events {
    /// Adds the next one.
    pub fn push(&mut self, event: Event) {
        let at = nanos(event.at);
        if self.count == 0 {
            self.first_ns = at;
        }
        match &event.what {
            What::In(bytes) => self.traffic(PackedKind::In, at, bytes),
            What::Out(bytes) => self.traffic(PackedKind::Out, at, bytes),
            What::Asked {
                exchange,
                ask,
                transaction,
                deadline,
            } => {
                self.begin(PackedKind::Asked, at);
                self.number((*exchange).into());
                self.number(ask.unit.into());
                self.number(transaction.map_or(0, |t| u64::from(t) + 1));
                self.number(nanos(*deadline));
                self.bytes(&ask.encode_pdu());
            }
            _ => {
                self.packed.push(PackedKind::Beside as u8);
                self.beside.push(event);
            }
        }
        self.last_ns = at;
        self.count += 1;
    }

    /// How many.
    pub fn len(&self) -> usize {
        self.count
    }

    /// Whether there is none.
    pub fn is_empty(&self) -> bool {
        self.count == 0
    }

    /// Times of the first and of the last one.
    pub fn span(&self) -> Option<(Duration, Duration)> {
        let span = (self.first_ns, self.last_ns);
        (self.count > 0).then(|| (Duration::from_nanos(span.0), Duration::from_nanos(span.1)))
    }

    /// Those that are neither bytes nor questions.
    pub fn beside(&self) -> &[Event] {
        &self.beside
    }

    /// All of them, in order.
    pub fn iter(&self) -> Iter<'_> {
        Iter {
            packed: &self.packed,
            beside: self.beside.iter(),
            last_ns: 0,
        }
    }

    fn traffic(&mut self, kind: PackedKind, at: u64, bytes: &[u8]) {
        self.begin(kind, at);
        self.bytes(bytes);
    }

    fn begin(&mut self, kind: PackedKind, at: u64) {
        self.packed.push(kind as u8);
        let apart = at.wrapping_sub(self.last_ns).cast_signed();
        self.number(((apart << 1) ^ (apart >> 63)).cast_unsigned());
    }

    fn bytes(&mut self, bytes: &[u8]) {
        self.number(bytes.len() as u64);
        self.packed.extend(bytes);
    }

    fn number(&mut self, mut number: u64) {
        loop {
            let [low, ..] = (number & 0x7f).to_le_bytes();
            number >>= 7;
            if number == 0 {
                return self.packed.push(low);
            }
            self.packed.push(low | 0x80);
        }
    }
}

impl FromIterator<Event> for Events {
    fn from_iter<T: IntoIterator<Item = Event>>(all: T) -> Self {
        let mut events = Self::default();
        all.into_iter().for_each(|event| events.push(event));
        events
    }
}

impl<'a> IntoIterator for &'a Events {
    type Item = Event;
    type IntoIter = Iter<'a>;

    fn into_iter(self) -> Iter<'a> {
        self.iter()
    }
}

/// Gives events as they were pushed.
#[derive(Debug, Clone)]
pub struct Iter<'a> {
    packed: &'a [u8],
    beside: std::slice::Iter<'a, Event>,
    last_ns: u64,
}

impl Iter<'_> {
    fn number(&mut self) -> Option<u64> {
        let mut number = 0;
        for place in (0..64).step_by(7) {
            let (byte, rest) = self.packed.split_first()?;
            self.packed = rest;
            number |= u64::from(byte & 0x7f) << place;
            if byte & 0x80 == 0 {
                break;
            }
        }
        Some(number)
    }

    fn bytes(&mut self) -> Option<&[u8]> {
        let length = usize::try_from(self.number()?).ok()?;
        let (bytes, rest) = self.packed.split_at_checked(length)?;
        self.packed = rest;
        Some(bytes)
    }

    fn time(&mut self) -> Option<Duration> {
        let zigzag = self.number()?;
        let apart = (zigzag >> 1) ^ (zigzag & 1).wrapping_neg();
        self.last_ns = self.last_ns.wrapping_add(apart);
        Some(Duration::from_nanos(self.last_ns))
    }

    fn asked(&mut self) -> Option<What> {
        let exchange = u32::try_from(self.number()?).ok()?;
        let unit = u8::try_from(self.number()?).ok()?;
        let transaction = self.number()?.checked_sub(1);
        Some(What::Asked {
            exchange,
            transaction: transaction.and_then(|t| u16::try_from(t).ok()),
            deadline: Duration::from_nanos(self.number()?),
            ask: Ask::from_pdu(unit, self.bytes()?)?,
        })
    }
}

impl Iterator for Iter<'_> {
    type Item = Event;

    fn next(&mut self) -> Option<Event> {
        let (kind, rest) = self.packed.split_first()?;
        self.packed = rest;
        if *kind == PackedKind::Beside as u8 {
            let event = self.beside.next()?.clone();
            self.last_ns = nanos(event.at);
            return Some(event);
        }
        let at = self.time()?;
        let what = match *kind {
            kind if kind == PackedKind::In as u8 => What::In(self.bytes()?.to_vec()),
            kind if kind == PackedKind::Out as u8 => What::Out(self.bytes()?.to_vec()),
            _ => self.asked()?,
        };
        Some(Event { at, what })
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::wire::Question;

    fn event() -> impl Strategy<Value = Event> {
        let bytes = || prop::collection::vec(any::<u8>(), 0..300);
        let asked = (
            any::<u32>(),
            any::<u8>(),
            any::<Option<u16>>(),
            any::<u64>(),
        );
        let asked = asked.prop_map(|(exchange, unit, transaction, deadline)| What::Asked {
            exchange,
            ask: Ask {
                unit,
                question: Question::ServerId,
            },
            transaction,
            deadline: Duration::from_nanos(deadline),
        });
        let what = prop_oneof![
            bytes().prop_map(What::In),
            bytes().prop_map(What::Out),
            asked,
            Just(What::Back),
            any::<u32>().prop_map(|exchange| What::DeadlinePassed { exchange }),
        ];
        // Times in any order, near each other and far apart.
        let at = prop_oneof![any::<u64>(), 0..1_000_000_000u64];
        (at, what).prop_map(|(at, what)| Event {
            at: Duration::from_nanos(at),
            what,
        })
    }

    proptest! {
        #[test]
        fn gives_back_what_went_in(all in prop::collection::vec(event(), 0..60)) {
            let events: Events = all.iter().cloned().collect();
            prop_assert_eq!(events.len(), all.len());
            prop_assert_eq!(events.span(), all.first().zip(all.last()).map(|(a, b)| (a.at, b.at)));
            prop_assert_eq!(events.iter().collect::<Vec<_>>(), all);
        }
    }

    /// Eight bytes every 9.2 ms: a full line at 9600 baud behind an adapter that reads in eights.
    #[test]
    fn a_chunk_takes_six_bytes_beside_its_own() {
        let at = |n: u64| Duration::from_nanos(n * 9_166_667);
        let chunk = |n| Event {
            at: at(n),
            what: What::In(vec![0; 8]),
        };
        let events: Events = (0..1000).map(chunk).collect();
        assert!(
            events.packed.len() <= 1000 * (8 + 6),
            "{}",
            events.packed.len()
        );
    }
}
