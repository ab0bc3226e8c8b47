//! The machine in small steps; the adversary and the cases are in `tests/it`.

use std::time::Duration;

use packside_profiles::model::Table;

use super::*;
use crate::event::{LinkFacts, LinkKind};
use crate::wire::{Answer, Ask, Question, sealed};

fn ms(millis: u64) -> Duration {
    Duration::from_millis(millis)
}

fn read(unit: u8, address: u16, count: u16) -> Ask {
    let table = Table::Holding;
    let question = Question::Read {
        table,
        address,
        count,
    };
    Ask { unit, question }
}

fn answer(unit: u8, words: &[u16]) -> Vec<u8> {
    let count = u8::try_from(words.len() * 2).unwrap();
    let mut frame = vec![unit, 0x03, count];
    frame.extend(words.iter().flat_map(|word| word.to_be_bytes()));
    sealed(frame)
}

/// A session on a serial line, driven by hand.
struct Session {
    asker: Asker,
    now: Duration,
    events: Vec<Event>,
    done: Vec<Exchange>,
}

impl Session {
    fn new(functions: &[u8]) -> Self {
        let mut session = Self {
            asker: Asker::new(Framing::Rtu, functions),
            now: Duration::ZERO,
            events: Vec::new(),
            done: Vec::new(),
        };
        session.happen(What::Opened(LinkFacts {
            kind: LinkKind::Serial {
                port: "invented".to_owned(),
                line: "9600-8E1".parse().unwrap(),
            },
            framing: Framing::Rtu,
            plugged: None,
            ask_anyway: false,
        }));
        session
    }

    fn happen(&mut self, what: What) {
        self.now += ms(10);
        let event = Event { at: self.now, what };
        self.done.extend(self.asker.take(&event));
        self.events.push(event);
    }

    /// Asks and returns the request.
    fn ask(&mut self, ask: Ask) -> Vec<u8> {
        let (asked, bytes) = self.asker.open(self.now, ask, ms(500));
        self.events.push(asked);
        self.happen(What::Out(bytes.clone()));
        bytes
    }

    fn hear(&mut self, bytes: &[u8]) {
        self.happen(What::In(bytes.to_vec()));
    }

    fn time_out(&mut self) {
        let exchange = self.asker.pairing().last_number();
        self.happen(What::DeadlinePassed { exchange });
    }

    /// The last outcome and the kinds of its strays. Replay must give the same exchanges.
    fn last(&self) -> (Outcome, Vec<StrayKind>) {
        assert_eq!(exchanges(&self.events), self.done, "replay differs");
        let last = self.done.last().unwrap();
        (
            last.outcome.clone(),
            last.strays.iter().map(|s| s.kind).collect(),
        )
    }
}

fn registers(words: &[u16]) -> Outcome {
    Outcome::Answered(Answer::Registers(words.to_vec()))
}

// Kind: derived
// Source: 8 characters of 11 bits at 9600 baud take 9.17 ms, the write of this test 10 ms
#[test]
fn clean_answer_is_accepted_with_its_times() {
    let mut session = Session::new(&[3]);
    session.ask(read(1, 0, 2));
    session.hear(&answer(1, &[7, 8]));
    assert_eq!(session.last(), (registers(&[7, 8]), vec![]));
    let exchange = &session.done[0];
    assert_eq!(
        (exchange.asked_at, exchange.sent_at),
        (ms(10), Some(ms(20)))
    );
    assert_eq!(
        (exchange.first_byte_at, exchange.ended_at),
        (Some(ms(30)), ms(30))
    );
    assert_eq!(session.asker.echoes(), Some(false));
}

#[test]
fn late_answer_of_the_same_shape_is_never_accepted() {
    let mut session = Session::new(&[3]);
    session.ask(read(1, 0, 2));
    session.time_out();
    assert_eq!(session.last().0, Outcome::TimedOut(Silence::Nothing));
    assert_eq!(
        session.asker.next(read(1, 9, 2)),
        Next::Fence(read(1, 9, 1))
    );
    assert_eq!(session.asker.next(read(1, 9, 5)), Next::Ask(read(1, 9, 5)));
    assert_eq!(session.asker.next(read(2, 9, 2)), Next::Ask(read(2, 9, 2)));
    session.ask(read(1, 9, 1));
    session.hear(&answer(1, &[7, 8]));
    session.hear(&answer(1, &[9]));
    assert_eq!(session.last(), (registers(&[9]), vec![StrayKind::Late]));
    assert!(session.done[1].fence);
    assert_eq!(session.asker.next(read(1, 9, 2)), Next::Ask(read(1, 9, 2)));
}

#[test]
fn same_question_asked_again_without_a_fence_takes_no_answer() {
    let mut session = Session::new(&[3]);
    session.ask(read(1, 0, 2));
    session.time_out();
    session.ask(read(1, 4, 2));
    session.hear(&answer(1, &[7, 8]));
    session.time_out();
    let silent = Outcome::TimedOut(Silence::OnlyNotOurs);
    assert_eq!(session.last(), (silent, vec![StrayKind::Doubtful]));
}

#[test]
fn exception_after_a_time_out_of_the_same_function_is_doubtful() {
    let mut session = Session::new(&[3]);
    session.ask(read(1, 0, 2));
    session.time_out();
    session.ask(read(1, 4, 5));
    session.hear(&sealed(vec![1, 0x83, 2]));
    session.time_out();
    assert_eq!(session.last().1, [StrayKind::Doubtful]);
    let mut fresh = Session::new(&[3]);
    fresh.ask(read(1, 0, 2));
    fresh.hear(&sealed(vec![1, 0x83, 2]));
    assert_eq!(fresh.last(), (Outcome::Exception(2), vec![]));
}

#[test]
fn fence_is_function_8_only_where_the_link_was_shown_not_to_echo() {
    let mut session = Session::new(&[3, 8]);
    session.ask(read(1, 0, 2));
    session.time_out();
    assert_eq!(
        session.asker.next(read(1, 0, 2)),
        Next::Fence(read(1, 0, 1))
    );
    session.ask(read(1, 0, 1));
    session.hear(&answer(1, &[5]));
    session.ask(read(1, 0, 2));
    session.time_out();
    let Next::Fence(fence) = session.asker.next(read(1, 0, 2)) else {
        panic!("no fence")
    };
    assert!(matches!(fence.question, Question::Echo(_)), "{fence:?}");
    let request = session.ask(fence);
    session.hear(&request);
    assert!(matches!(
        session.last().0,
        Outcome::Answered(Answer::Echo(_))
    ));
}

#[test]
fn echo_is_named_and_of_an_echoing_question_only_the_second_copy_counts() {
    let mut session = Session::new(&[3, 8]);
    let request = session.ask(read(1, 0, 1));
    session.hear(&request);
    session.hear(&answer(1, &[5]));
    assert_eq!(session.last(), (registers(&[5]), vec![StrayKind::Echo]));
    assert_eq!(session.asker.echoes(), Some(true));
    let question = Question::Echo(0x1234);
    let request = session.ask(Ask { unit: 1, question });
    session.hear(&request);
    session.hear(&request);
    assert_eq!(
        session.last(),
        (
            Outcome::Answered(Answer::Echo(0x1234)),
            vec![StrayKind::Echo]
        )
    );
    session.ask(read(1, 0, 1));
    session.hear(&request);
    session.time_out();
    let request = session.ask(read(1, 0, 3));
    session.hear(&request);
    session.time_out();
    assert_eq!(session.last().0, Outcome::TimedOut(Silence::OnlyEcho));
}

#[test]
fn answer_begun_before_the_question_went_out_is_not_its_own() {
    let mut session = Session::new(&[3]);
    let frame = answer(1, &[7, 8]);
    session.hear(&frame[..4]);
    session.ask(read(1, 0, 2));
    session.hear(&frame[4..]);
    session.time_out();
    // What came after the question is the rest of a cut frame.
    assert_eq!(session.last().0, Outcome::TimedOut(Silence::Damaged));
}

#[test]
fn many_time_outs_end_in_stuck_and_age_out() {
    let mut session = Session::new(&[3]);
    for count in 1..=32 {
        assert_eq!(
            session.asker.next(read(1, 0, count)),
            Next::Ask(read(1, 0, count))
        );
        session.ask(read(1, 0, count));
        session.time_out();
    }
    assert_eq!(session.asker.next(read(1, 0, 4)), Next::Stuck);
    session.asker.tick(session.now + Duration::from_secs(61));
    assert_eq!(session.asker.next(read(1, 0, 4)), Next::Ask(read(1, 0, 4)));
}

#[test]
fn conversation_of_others_is_overheard_also_while_we_listen() {
    let mut session = Session::new(&[3]);
    session.happen(What::Listening(true));
    let theirs = read(1, 0x10, 2);
    session.hear(&[0x00, 0xff]);
    session.hear(&theirs.encode_rtu());
    session.hear(&answer(1, &[1, 2]));
    session.hear(&read(2, 0, 1).encode_rtu());
    session.hear(&read(3, 0, 1).encode_rtu());
    session.hear(&sealed(vec![3, 0x83, 4]));
    // A write, answered with its begin, and an answer without a request.
    session.hear(&sealed(vec![1, 0x10, 0, 0, 0, 1, 2, 0, 7]));
    session.hear(&sealed(vec![1, 0x10, 0, 0, 0, 1]));
    session.hear(&answer(1, &[1]));
    let units: Vec<u8> = foreign_requests(&session.events)
        .iter()
        .map(|(_, u)| *u)
        .collect();
    assert_eq!(units, [1, 2, 3, 1]);
    let heard = overheard(&session.events);
    let heard: Vec<_> = heard.iter().map(|e| (e.ask, e.outcome.clone())).collect();
    let expected = [
        (theirs, registers(&[1, 2])),
        (read(3, 0, 1), Outcome::Exception(4)),
    ];
    assert_eq!(heard, expected);
}

#[test]
fn answer_of_the_shape_of_a_heard_foreign_request_is_doubtful() {
    let mut session = Session::new(&[3]);
    session.ask(read(1, 0, 2));
    session.hear(&read(1, 40, 2).encode_rtu());
    session.hear(&answer(1, &[1, 2]));
    session.time_out();
    let kinds = vec![StrayKind::ForeignRequest, StrayKind::Doubtful];
    assert_eq!(
        session.last(),
        (Outcome::TimedOut(Silence::OnlyNotOurs), kinds)
    );
    assert_eq!(foreign_requests(&session.events).len(), 1);
}

#[test]
fn own_echo_is_no_foreign_request() {
    let mut session = Session::new(&[3]);
    let request = session.ask(read(1, 0, 2));
    session.hear(&request);
    session.hear(&answer(1, &[1, 2]));
    assert_eq!(foreign_requests(&session.events), []);
    assert_eq!(overheard(&session.events), []);
}

#[test]
fn lost_link_ends_the_exchange() {
    let mut session = Session::new(&[3]);
    session.ask(read(1, 0, 2));
    session.happen(What::Lost {
        why: "adapter gone".to_owned(),
    });
    assert_eq!(session.last().0, Outcome::LinkLost);
    session.happen(What::Back);
    assert_ne!(session.asker.next(read(1, 0, 2)), Next::Ask(read(1, 0, 2)));
}
