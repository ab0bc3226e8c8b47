//! Watches the wire of every kind of real link: only questions that change nothing may be seen.

use std::time::Duration;

use packside::link::LinkTrouble;
use packside::wire::Framing;
use packside::wire::question::{Ask, Counter, Question};
use packside_profiles::model::Table;

use super::peer::{Peer, WAYS, Way};

const TIME_OUT: Duration = Duration::from_secs(5);

/// Every kind of question there is.
fn questions() -> Vec<Question> {
    let mut all = vec![
        Question::Echo(0xa537),
        Question::ServerId,
        Question::DeviceId { code: 1, object: 0 },
        Question::Counter(Counter::DiagnosticRegister),
        Question::Counter(Counter::BusMessages),
        Question::Counter(Counter::BusErrors),
        Question::Counter(Counter::Exceptions),
        Question::Counter(Counter::ServerMessages),
        Question::Counter(Counter::NoResponse),
        Question::Counter(Counter::Naks),
        Question::Counter(Counter::Busy),
        Question::Counter(Counter::Overruns),
    ];
    for table in [Table::Coil, Table::Discrete, Table::Holding, Table::Input] {
        all.push(Question::Read {
            table,
            address: 0x0110,
            count: 3,
        });
    }
    all
}

/// The PDU of a request: function code and data.
fn pdu(framing: Framing, request: &[u8]) -> &[u8] {
    match framing {
        Framing::Tcp => &request[7..],
        Framing::Rtu => &request[1..request.len() - 2],
    }
}

/// An exception answer "illegal function" to a request.
fn refuse(framing: Framing, request: &[u8]) -> Vec<u8> {
    let function = pdu(framing, request)[0] | 0x80;
    if framing == Framing::Tcp {
        let mut answer = request[..4].to_vec();
        answer.extend([0, 3, request[6], function, 1]);
        return answer;
    }
    with_crc(&[request[0], function, 1])
}

/// The bytes and their CRC, by the loop of the standard and not by the tool's table.
///
/// Kind: published
/// Source: Modbus over Serial Line V1.02, 6.2.2 (CRC generation)
pub(crate) fn with_crc(bytes: &[u8]) -> Vec<u8> {
    let crc = bytes.iter().fold(0xffffu16, |crc, byte| {
        (0..8).fold(crc ^ u16::from(*byte), |crc, _| {
            (crc >> 1) ^ (if crc & 1 == 1 { 0xa001 } else { 0 })
        })
    });
    [bytes, &crc.to_le_bytes()].concat()
}

// Kind: derived
// Source: the closed list of functions that change nothing: 01 to 04, 08 with 00, 02, 0B to 12,
//         11 hex, 2B hex with 0E
fn changes_nothing(pdu: &[u8]) -> bool {
    match pdu {
        [1..=4, rest @ ..] => rest.len() == 4,
        [0x08, 0, sub, _, _] => matches!(sub, 0x00 | 0x02 | 0x0b..=0x12),
        [0x11] => true,
        [0x2b, 0x0e, _, _] => true,
        _ => false,
    }
}

#[test]
fn only_questions_that_change_nothing_are_seen_on_any_wire() {
    for way in WAYS {
        let framing = way.framing();
        let mut peer = Peer::start(way, Box::new(move |request| vec![refuse(framing, request)]));
        let mut asking = peer.ask(&[1, 2, 3, 4, 0x08, 0x11, 0x2b]);
        for question in questions() {
            asking.ask(Ask { unit: 1, question }, TIME_OUT).unwrap();
        }
        drop(asking);
        let requests = peer.finish();
        assert!(
            requests.len() >= questions().len(),
            "{way:?}: only {} requests",
            requests.len()
        );
        for request in requests {
            assert!(
                changes_nothing(pdu(framing, &request)),
                "{way:?}: {request:02x?}"
            );
        }
    }
}

// Kind: invented
#[test]
fn questions_that_the_profile_does_not_list_never_reach_the_wire() {
    let mut peer = Peer::start(
        Way::Pty,
        Box::new(|request| vec![refuse(Framing::Rtu, request)]),
    );
    let mut asking = peer.ask(&[3, 4]);
    for question in [
        Question::Echo(1),
        Question::ServerId,
        Question::DeviceId { code: 1, object: 0 },
    ] {
        let ask = Ask { unit: 1, question };
        let refused = asking.ask(ask, TIME_OUT).err();
        assert_eq!(refused, Some(LinkTrouble::NotUnderstood { ask }));
    }
    drop(asking);
    assert_eq!(peer.finish(), Vec::<Vec<u8>>::new());
}
