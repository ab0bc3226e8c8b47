//! One table of cases, run in memory, over a pseudo-terminal, as RTU over TCP and as Modbus TCP: the
//! same bytes must get the same name wherever they come from.
//!
//! Kind of all cases: invented (bytes made for the test, framed by the published rules).

use std::time::Duration;

use packside::ask::{Asker, Exchange, Outcome, Silence, StrayKind};
use packside::event::{Consent, Event, LinkFacts, LinkKind, What};
use packside::wire::Framing;
use packside::wire::{Answer, Ask, Question, sealed};
use packside_profiles::model::Table;

use super::peer::{Peer, WAYS};

const ASK: Ask = Ask {
    unit: 17,
    question: Question::Read {
        table: Table::Holding,
        address: 0x10,
        count: 2,
    },
};
const WORDS: [u16; 2] = [0x1234, 0xabcd];
const RIGHT: [u8; 6] = [0x03, 0x04, 0x12, 0x34, 0xab, 0xcd];
const TIME_OUT: Duration = Duration::from_millis(400);

/// A request as the other side heard it.
struct Request<'a> {
    framing: Framing,
    bytes: &'a [u8],
}

impl Request<'_> {
    /// A frame back, from any unit.
    fn frame(&self, unit: u8, pdu: &[u8]) -> Vec<u8> {
        let mut frame = vec![unit];
        frame.extend(pdu);
        match self.framing {
            Framing::Rtu => sealed(frame),
            Framing::Tcp => {
                let mut with_header = self.bytes[..4].to_vec();
                with_header.extend((frame.len() as u16).to_be_bytes());
                with_header.extend(frame);
                with_header
            }
        }
    }

    /// A valid frame that is nobody's answer here.
    fn foreign(&self) -> Vec<u8> {
        let mut frame = self.frame(99, &RIGHT);
        if self.framing == Framing::Tcp {
            frame[0] ^= 0x80;
        }
        frame
    }
}

/// What must come of a case.
#[derive(Debug, PartialEq)]
enum Ending {
    Answered,
    Exception(u8),
    Nothing,
    NotOurs,
    Damaged,
}

struct Case {
    name: &'static str,
    /// Whether it can happen on Modbus TCP.
    on_tcp: bool,
    chunks: fn(&Request<'_>) -> Vec<Vec<u8>>,
    ending: Ending,
    stray: Option<StrayKind>,
}

#[expect(clippy::too_many_lines, reason = "a table, one entry per case")]
fn cases() -> Vec<Case> {
    let case = |name, chunks, ending, stray| Case {
        name,
        on_tcp: true,
        chunks,
        ending,
        stray,
    };
    vec![
        case(
            "clean",
            |r| vec![r.frame(17, &RIGHT)],
            Ending::Answered,
            None,
        ),
        case(
            "byte by byte",
            |r| r.frame(17, &RIGHT).iter().map(|b| vec![*b]).collect(),
            Ending::Answered,
            None,
        ),
        case(
            "coalesced twice",
            |r| vec![[r.frame(17, &RIGHT), r.frame(17, &RIGHT)].concat()],
            Ending::Answered,
            None,
        ),
        case(
            "foreign first",
            |r| vec![[r.foreign(), r.frame(17, &RIGHT)].concat()],
            Ending::Answered,
            None,
        ),
        case(
            "exception",
            |r| vec![r.frame(17, &[0x83, 0x02])],
            Ending::Exception(2),
            None,
        ),
        case(
            "unknown exception",
            |r| vec![r.frame(17, &[0x83, 0x5a])],
            Ending::Exception(0x5a),
            None,
        ),
        case("silence", |_| Vec::new(), Ending::Nothing, None),
        case(
            "wrong unit",
            |r| vec![r.frame(18, &RIGHT)],
            Ending::NotOurs,
            Some(StrayKind::WrongUnit),
        ),
        case(
            "wrong function",
            |r| vec![r.frame(17, &[0x04, 0x04, 0x12, 0x34, 0xab, 0xcd])],
            Ending::NotOurs,
            Some(StrayKind::WrongFunction),
        ),
        case(
            "wrong count",
            |r| vec![r.frame(17, &[0x03, 0x02, 0x12, 0x34])],
            Ending::NotOurs,
            Some(StrayKind::WrongCount),
        ),
        Case {
            name: "bad check value",
            on_tcp: false,
            chunks: |r| {
                let mut frame = r.frame(17, &RIGHT);
                frame[4] ^= 0x10;
                vec![frame]
            },
            ending: Ending::Damaged,
            stray: Some(StrayKind::Damaged),
        },
        Case {
            name: "echo first",
            on_tcp: false,
            chunks: |r| vec![r.bytes.to_vec(), r.frame(17, &RIGHT)],
            ending: Ending::Answered,
            stray: Some(StrayKind::Echo),
        },
        Case {
            name: "garbage first",
            on_tcp: false,
            chunks: |r| vec![[vec![0x5a; 40], r.frame(17, &RIGHT)].concat()],
            ending: Ending::Answered,
            stray: None,
        },
    ]
}

fn check(case: &Case, place: &str, exchange: &Exchange) {
    let ending = match &exchange.outcome {
        Outcome::Answered(answer) => {
            assert_eq!(
                *answer,
                Answer::Registers(WORDS.to_vec()),
                "{} {place}",
                case.name
            );
            Ending::Answered
        }
        Outcome::Exception(code) => Ending::Exception(*code),
        Outcome::TimedOut(Silence::Nothing) => Ending::Nothing,
        Outcome::TimedOut(Silence::Damaged) => Ending::Damaged,
        Outcome::TimedOut(_) => Ending::NotOurs,
        Outcome::LinkLost => panic!("{} {place}: the link was lost", case.name),
    };
    assert_eq!(ending, case.ending, "{} {place}: {exchange:?}", case.name);
    let has = case
        .stray
        .is_none_or(|kind| exchange.strays.iter().any(|stray| stray.kind == kind));
    assert!(
        has,
        "{} {place}: expected {:?} in {exchange:?}",
        case.name, case.stray
    );
}

/// The machine alone, with the time of the test.
fn in_memory(case: &Case, framing: Framing) -> Exchange {
    let mut asker = Asker::new(framing, &[3]);
    let mut done = Vec::new();
    let mut now = Duration::ZERO;
    let mut happen = |asker: &mut Asker, what| {
        now += Duration::from_millis(5);
        done.extend(asker.take(&Event { at: now, what }));
    };
    let kind = LinkKind::Gateway {
        address: "invented".into(),
    };
    happen(
        &mut asker,
        What::Opened(LinkFacts {
            kind,
            framing,
            plugged: None,
            consent: Consent::BOTH,
        }),
    );
    let (asked, bytes) = asker.open(Duration::from_millis(5), ASK, TIME_OUT);
    let What::Asked { exchange, .. } = asked.what else {
        panic!("not asked")
    };
    happen(&mut asker, What::Out(bytes.clone()));
    for chunk in (case.chunks)(&Request {
        framing,
        bytes: &bytes,
    }) {
        happen(&mut asker, What::In(chunk));
    }
    happen(&mut asker, What::DeadlinePassed { exchange });
    done.into_iter().find(|one| one.number == exchange).unwrap()
}

#[test]
fn every_case_gets_its_name_in_memory() {
    for case in cases() {
        check(&case, "in memory, RTU", &in_memory(&case, Framing::Rtu));
        if case.on_tcp {
            check(
                &case,
                "in memory, Modbus TCP",
                &in_memory(&case, Framing::Tcp),
            );
        }
    }
}

#[test]
fn every_case_gets_the_same_name_on_every_real_link() {
    for case in cases() {
        for way in WAYS
            .into_iter()
            .filter(|way| case.on_tcp || way.framing() == Framing::Rtu)
        {
            let (chunks, framing) = (case.chunks, way.framing());
            let mut peer = Peer::start(
                way,
                Box::new(move |bytes| chunks(&Request { framing, bytes })),
            );
            let mut asking = peer.ask(&[3]);
            let exchange = asking.ask(ASK, TIME_OUT).unwrap();
            check(&case, &format!("{way:?}"), &exchange);
        }
    }
}
