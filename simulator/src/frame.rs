//! The simulator's own Modbus framing: CRC, RTU and TCP, as a server sees them.
//!
//! Input: bytes of a client. Output: requests, and frames for answers. Does not: share a line with
//! the tool's codec, on purpose: two witnesses that could make the same mistake are one witness.
//!
//! # Invariants
//! - Any bytes: no panic, and never more than [`HELD`] bytes held.
//!
//! # Why the RTU splitter looks for a frame that fits
//! A client's frame can come in pieces through an adapter or a socket, so gaps decide nothing. A
//! request has a length that its function code gives; one whose CRC fits is taken, whatever stands
//! before it.
//!
//! # Sources
//! - Modbus over Serial Line V1.02, 2.5.1.2 and appendix B (CRC)
//! - Modbus Application Protocol V1.1b3, section 6 (lengths of requests)
//! - Modbus Messaging on TCP/IP Implementation Guide V1.0b (header)

/// How frames are put into bytes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Framing {
    /// Address, PDU, CRC.
    Rtu,
    /// Modbus TCP header, PDU.
    Tcp,
}

/// Most bytes that are kept while a request is not complete.
pub(crate) const HELD: usize = 512;

/// A request as it reached the unit.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Request {
    /// Transaction id, on TCP.
    pub(crate) transaction: u16,
    /// Unit address.
    pub(crate) unit: u8,
    /// Function code and data.
    pub(crate) pdu: Vec<u8>,
}

/// CRC-16 of Modbus, bit by bit as the specification draws it.
pub(crate) fn crc(bytes: &[u8]) -> u16 {
    bytes.iter().fold(0xffff, |crc, byte| {
        (0..8).fold(crc ^ u16::from(*byte), |crc, _| {
            if crc & 1 == 1 {
                crc >> 1 ^ 0xa001
            } else {
                crc >> 1
            }
        })
    })
}

/// Puts an answer (or a request) into a frame.
pub(crate) fn wrap(framing: Framing, transaction: u16, unit: u8, pdu: &[u8]) -> Vec<u8> {
    let mut frame = Vec::with_capacity(pdu.len() + 7);
    match framing {
        Framing::Rtu => {
            frame.push(unit);
            frame.extend(pdu);
            frame.extend(crc(&frame).to_le_bytes());
        }
        Framing::Tcp => {
            frame.extend(transaction.to_be_bytes());
            frame.extend([0, 0]);
            frame.extend(
                u16::try_from(pdu.len() + 1)
                    .unwrap_or(u16::MAX)
                    .to_be_bytes(),
            );
            frame.push(unit);
            frame.extend(pdu);
        }
    }
    frame
}

/// Cuts a client's bytes into requests.
#[derive(Debug, Clone)]
pub(crate) struct Splitter {
    framing: Framing,
    held: Vec<u8>,
    /// Frames thrown away because of their CRC or form.
    pub(crate) damaged: u16,
}

impl Splitter {
    /// An empty splitter.
    pub(crate) fn new(framing: Framing) -> Self {
        Self {
            framing,
            held: Vec::new(),
            damaged: 0,
        }
    }

    /// Forgets an incomplete request, as after a long silence.
    pub(crate) fn forget(&mut self) {
        if !self.held.is_empty() {
            self.damaged = self.damaged.wrapping_add(1);
            self.held.clear();
        }
    }

    /// Takes bytes, gives the requests that are complete.
    pub(crate) fn push(&mut self, bytes: &[u8]) -> Vec<Request> {
        let mut requests = Vec::new();
        for piece in bytes.chunks(HELD / 2) {
            self.held.extend(piece);
            while let Some(request) = self.take() {
                requests.push(request);
            }
            if self.held.len() > HELD / 2 {
                let excess = self.held.len() - HELD / 2;
                self.held.drain(..excess);
            }
        }
        requests
    }

    fn take(&mut self) -> Option<Request> {
        match self.framing {
            Framing::Rtu => self.take_rtu(),
            Framing::Tcp => self.take_tcp(),
        }
    }

    fn take_rtu(&mut self) -> Option<Request> {
        let (start, length) = (0..self.held.len()).find_map(|start| {
            let rest = self.held.get(start..)?;
            let length = rtu_length(rest)?;
            let frame = rest.get(..length)?;
            (crc(frame) == 0).then_some((start, length))
        })?;
        if start > 0 {
            self.damaged = self.damaged.wrapping_add(1);
        }
        let frame: Vec<u8> = self.held.drain(..start + length).skip(start).collect();
        let (unit, rest) = frame.split_first()?;
        let pdu = rest.get(..rest.len().saturating_sub(2))?.to_vec();
        Some(Request {
            transaction: 0,
            unit: *unit,
            pdu,
        })
    }

    fn take_tcp(&mut self) -> Option<Request> {
        loop {
            let &[t1, t2, p1, p2, l1, l2, unit] = self.held.first_chunk::<7>()?;
            let length = usize::from(u16::from_be_bytes([l1, l2]));
            // Nothing in the stream says where a header begins: after a bad one all is lost.
            if (p1, p2) != (0, 0) || !(2..=254).contains(&length) {
                self.forget();
                continue;
            }
            let pdu = self.held.get(7..6 + length)?.to_vec();
            self.held.drain(..6 + length);
            return Some(Request {
                transaction: u16::from_be_bytes([t1, t2]),
                unit,
                pdu,
            });
        }
    }
}

/// Length of an RTU request by its function code; nothing while that cannot be told.
fn rtu_length(bytes: &[u8]) -> Option<usize> {
    match bytes.get(1)? {
        1..=6 | 8 => Some(8),
        7 | 11 | 12 | 17 => Some(4),
        15 | 16 => Some(9 + usize::from(*bytes.get(6)?)),
        23 => Some(13 + usize::from(*bytes.get(10)?)),
        22 => Some(10),
        24 => Some(6),
        43 => Some(7),
        _ => Some(bytes.len()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    // Kind:   published
    // Source: Catalogue of parametrised CRC algorithms, CRC-16/MODBUS, check 0x4B37; Modbus over
    //         Serial Line V1.02 appendix B: 02 07 gives 1241, on the wire 41 12
    #[test]
    fn crc_matches_the_published_check_values() {
        let check = |bytes: &[u8], expected: u16| assert_eq!(crc(bytes), expected, "{bytes:02x?}");
        check(b"123456789", 0x4b37);
        check(&[0x02, 0x07], 0x1241);
        check(&[], 0xffff);
        check(&[0x00], 0x40bf);
        check(&[0x01], 0x807e);
        check(&[0xff, 0xff], 0x0000);
        check(&[0x01, 0x03, 0x00, 0x00, 0x00, 0x0a], 0xcdc5);
        check(&[0x11, 0x03, 0x00, 0x6b, 0x00, 0x03], 0x8776);
    }

    // Kind:   published
    // Source: Modbus Application Protocol V1.1b3, 6.3, 6.4, 6.8 and 7 (PDUs); CRC by four
    //         independent libraries
    #[test]
    fn wrap_rtu_gives_the_published_frames() {
        let check = |unit, pdu: &[u8], end: [u8; 2]| {
            let frame = wrap(Framing::Rtu, 0, unit, pdu);
            assert_eq!(frame.last_chunk::<2>(), Some(&end), "{frame:02x?}");
        };
        check(0x01, &[0x03, 0x00, 0x6b, 0x00, 0x03], [0x74, 0x17]);
        check(
            0x11,
            &[0x03, 0x06, 0x02, 0x2b, 0x00, 0x00, 0x00, 0x64],
            [0xc8, 0xba],
        );
        check(0x01, &[0x04, 0x02, 0x00, 0x0a], [0x39, 0x37]);
        check(0x11, &[0x08, 0x00, 0x00, 0xa5, 0x37], [0xd8, 0x1d]);
        check(0x01, &[0x81, 0x02], [0xc1, 0x91]);
        check(0x01, &[0x83, 0x0b], [0x00, 0xf7]);
    }

    // Kind:   published
    // Source: Modbus Messaging on TCP/IP Implementation Guide V1.0b, example: read register 5
    #[test]
    fn splitter_takes_the_published_tcp_request() {
        #[rustfmt::skip]
        let bytes = [
            0x15, 0x01, // transaction
            0x00, 0x00, // protocol
            0x00, 0x06, // length
            0xff,       // unit
            0x03, 0x00, 0x04, 0x00, 0x01, // read one holding register at 4
        ];
        let found = Splitter::new(Framing::Tcp).push(&bytes);
        assert_eq!(
            found,
            [Request {
                transaction: 0x1501,
                unit: 0xff,
                pdu: vec![3, 0, 4, 0, 1]
            }]
        );
        assert_eq!(wrap(Framing::Tcp, 0x1501, 0xff, &[3, 0, 4, 0, 1]), bytes);
    }

    // Kind:   published
    // Source: Modbus Application Protocol V1.1b3, 6.3, request; the noise is invented
    #[test]
    fn splitter_with_pieces_and_noise_finds_the_request() {
        let mut splitter = Splitter::new(Framing::Rtu);
        let frame = [0x01, 0x03, 0x00, 0x6b, 0x00, 0x03, 0x74, 0x17];
        assert!(splitter.push(&[0x00, 0xff]).is_empty());
        assert!(splitter.push(&frame[..5]).is_empty());
        let found = splitter.push(&frame[5..]);
        assert_eq!(
            found,
            [Request {
                transaction: 0,
                unit: 1,
                pdu: vec![3, 0, 0x6b, 0, 3]
            }]
        );
        let mut twice = frame.to_vec();
        twice.extend(frame);
        assert_eq!(splitter.push(&twice).len(), 2);
    }

    proptest! {
        #[test]
        fn splitter_with_any_bytes_holds_little(pieces in prop::collection::vec(prop::collection::vec(any::<u8>(), 0..600), 0..8)) {
            for framing in [Framing::Rtu, Framing::Tcp] {
                let mut splitter = Splitter::new(framing);
                for piece in &pieces {
                    splitter.push(piece);
                    prop_assert!(splitter.held.len() <= HELD);
                }
            }
        }

        #[test]
        fn splitter_finds_what_was_wrapped(transaction: u16, unit: u8, address: u16, count: u16) {
            for framing in [Framing::Rtu, Framing::Tcp] {
                let transaction = if framing == Framing::Tcp { transaction } else { 0 };
                let mut pdu = vec![4];
                pdu.extend(address.to_be_bytes());
                pdu.extend(count.to_be_bytes());
                let found = Splitter::new(framing).push(&wrap(framing, transaction, unit, &pdu));
                prop_assert_eq!(found, [Request { transaction, unit, pdu }]);
            }
        }
    }
}
