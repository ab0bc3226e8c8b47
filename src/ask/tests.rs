//! The machine in small steps; the adversary and the cases are in `tests/it`.

use std::time::Duration;

use packside_profiles::model::Table;

use super::*;
use crate::event::{Consent, LinkFacts, LinkKind};
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
        Self::on(Framing::Rtu, functions)
    }

    fn on(framing: Framing, functions: &[u8]) -> Self {
        let mut session = Self {
            asker: Asker::new(framing, functions),
            now: Duration::ZERO,
            events: Vec::new(),
            done: Vec::new(),
        };
        session.happen(What::Opened(LinkFacts {
            kind: LinkKind::Serial {
                port: "invented".into(),
                line: "9600-8E1".parse().unwrap(),
            },
            framing,
            plugged: None,
            consent: Consent::default(),
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
    let silent = Outcome::TimedOut(Silence::OnlyNotOurs);
    assert_eq!(session.last(), (silent, vec![StrayKind::ForeignAnswer]));
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
    let units: Vec<u8> = Talk::of(&session.events)
        .foreign_requests
        .iter()
        .map(|(_, u)| *u)
        .collect();
    assert_eq!(units, [1, 2, 3, 1]);
    let heard = Talk::of(&session.events).overheard;
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
    assert_eq!(Talk::of(&session.events).foreign_requests.len(), 1);
}

#[test]
fn own_echo_is_no_foreign_request() {
    let mut session = Session::new(&[3]);
    let request = session.ask(read(1, 0, 2));
    session.hear(&request);
    session.hear(&answer(1, &[1, 2]));
    assert_eq!(Talk::of(&session.events).foreign_requests, []);
    assert_eq!(Talk::of(&session.events).overheard, []);
}

#[test]
fn lost_link_ends_the_exchange() {
    let mut session = Session::new(&[3]);
    session.ask(read(1, 0, 2));
    session.happen(What::Lost {
        why: "adapter gone".into(),
    });
    assert_eq!(session.last().0, Outcome::LinkLost);
    session.happen(What::Back);
    assert_ne!(session.asker.next(read(1, 0, 2)), Next::Ask(read(1, 0, 2)));
}

/// A gateway refuses past the queue of the line: what was asked before may still be answered.
#[test]
fn exception_settles_nothing_asked_before() {
    let mut session = Session::new(&[3, 4]);
    let mut other = read(1, 0, 2);
    other.question = Question::Read {
        table: Table::Input,
        address: 0,
        count: 2,
    };
    session.ask(read(1, 0, 2));
    session.time_out();
    session.ask(other);
    session.hear(&sealed(vec![1, 0x84, 0x0b]));
    assert_eq!(session.last().0, Outcome::Exception(0x0b));
    assert_eq!(
        session.asker.next(read(1, 9, 2)),
        Next::Fence(read(1, 9, 1))
    );
    session.ask(read(1, 9, 2));
    session.hear(&answer(1, &[7, 8]));
    session.time_out();
    assert_eq!(session.last().1, [StrayKind::Doubtful]);
}

#[test]
fn foreign_request_of_long_ago_makes_no_answer_doubtful() {
    let mut session = Session::new(&[3]);
    session.hear(&read(1, 40, 2).encode_rtu());
    session.now += Duration::from_secs(10);
    session.ask(read(1, 0, 2));
    session.hear(&answer(1, &[1, 2]));
    assert_eq!(session.last(), (registers(&[1, 2]), vec![]));
}

#[test]
fn echo_is_not_known_any_more_after_the_link_was_lost() {
    let mut session = Session::new(&[3, 8]);
    session.ask(read(1, 0, 1));
    session.hear(&answer(1, &[5]));
    assert_eq!(session.asker.echoes(), Some(false));
    session.happen(What::Lost {
        why: "adapter gone".into(),
    });
    session.happen(What::Back);
    assert_eq!(session.asker.echoes(), None);
    let request = session.ask(read(1, 0, 1));
    session.hear(&request);
    session.hear(&answer(1, &[6]));
    assert_eq!(session.last(), (registers(&[6]), vec![StrayKind::Echo]));
}

#[test]
fn function_8_is_no_fence_any_more_where_it_was_refused() {
    let mut session = Session::new(&[3, 8]);
    session.ask(read(1, 0, 1));
    session.hear(&answer(1, &[5]));
    session.ask(read(1, 0, 2));
    session.time_out();
    let Next::Fence(fence) = session.asker.next(read(1, 0, 2)) else {
        panic!("no fence")
    };
    assert!(matches!(fence.question, Question::Echo(_)), "{fence:?}");
    session.ask(fence);
    session.hear(&sealed(vec![1, 0x88, 0x01]));
    assert_eq!(session.last().0, Outcome::Exception(1));
    assert_eq!(
        session.asker.next(read(1, 0, 2)),
        Next::Fence(read(1, 0, 1))
    );
}

/// An answer whose first eight bytes pass for a read request, CRC and all.
// Kind: derived (data bytes 4 and 5 are the CRC of the six bytes before them)
#[test]
fn answer_that_begins_like_a_request_is_not_cut_there() {
    let table = Table::Coil;
    let (address, count) = (0, 40);
    let question = Question::Read {
        table,
        address,
        count,
    };
    let frame = sealed(sealed(vec![1, 0x01, 5, 0x10, 0x00, 0x08]));
    let mut session = Session::new(&[1]);
    session.ask(Ask { unit: 1, question });
    frame.iter().for_each(|byte| session.hear(&[*byte]));
    let (outcome, strays) = session.last();
    assert!(
        matches!(outcome, Outcome::Answered(Answer::Bits(_))),
        "{outcome:?}"
    );
    assert_eq!(strays, []);
    assert_eq!(Talk::of(&session.events).foreign_requests, []);
}

/// A Modbus TCP answer to a request, whose transaction id it takes.
fn tcp_answer(request: &[u8], words: &[u16]) -> Vec<u8> {
    let rtu = answer(request[6], words);
    let body = &rtu[..rtu.len() - 2];
    let length = u8::try_from(body.len()).unwrap();
    [&request[..4], &[0, length], body].concat()
}

#[test]
fn tcp_late_duplicate_and_foreign_answers_are_skipped_and_named() {
    let mut session = Session::on(Framing::Tcp, &[3]);
    let first = session.ask(read(1, 0, 2));
    session.time_out();
    assert_eq!(session.last().0, Outcome::TimedOut(Silence::Nothing));
    // The transaction id tells answers apart: no fence is needed.
    assert_eq!(session.asker.next(read(1, 0, 2)), Next::Ask(read(1, 0, 2)));
    let second = session.ask(read(1, 0, 2));
    assert_ne!(first[..2], second[..2]);
    session.hear(&tcp_answer(&first, &[1, 1]));
    session.hear(&tcp_answer(&second, &[2, 2]));
    assert_eq!(session.last(), (registers(&[2, 2]), vec![StrayKind::Late]));
    let third = session.ask(read(1, 0, 2));
    let mut foreign = tcp_answer(&third, &[4, 4]);
    foreign[0] ^= 0x40;
    session.hear(&tcp_answer(&second, &[2, 2]));
    session.hear(&foreign);
    session.hear(&tcp_answer(&third, &[3, 3]));
    let strays = vec![StrayKind::Duplicate, StrayKind::ForeignTransaction];
    assert_eq!(session.last(), (registers(&[3, 3]), strays));
}

#[test]
fn tcp_length_of_ffff_neither_stalls_nor_hides_the_answer() {
    let mut session = Session::on(Framing::Tcp, &[3]);
    let request = session.ask(read(1, 0, 2));
    session.hear(&[request[0], request[1], 0, 0, 0xff, 0xff, 1, 3]);
    session.hear(&tcp_answer(&request, &[7, 8]));
    assert_eq!(
        session.last(),
        (registers(&[7, 8]), vec![StrayKind::Damaged])
    );
}

#[test]
fn late_answer_cut_by_the_next_question_is_still_named_late() {
    let mut session = Session::new(&[3]);
    session.ask(read(1, 0, 2));
    session.time_out();
    let late = answer(1, &[7, 8]);
    session.hear(&late[..4]);
    session.ask(read(1, 0, 1));
    session.hear(&late[4..]);
    session.hear(&answer(1, &[9]));
    assert_eq!(session.last(), (registers(&[9]), vec![StrayKind::Late]));
}

#[test]
fn foreign_request_cut_by_our_question_is_still_heard() {
    let mut session = Session::new(&[3]);
    let theirs = read(1, 40, 2).encode_rtu();
    session.hear(&theirs[..5]);
    session.ask(read(1, 0, 2));
    session.hear(&theirs[5..]);
    session.hear(&answer(1, &[1, 2]));
    session.time_out();
    let kinds = vec![StrayKind::ForeignRequest, StrayKind::Doubtful];
    let silent = Outcome::TimedOut(Silence::OnlyNotOurs);
    assert_eq!(session.last(), (silent, kinds));
    let heard = session.asker.pairing().heard_request();
    assert_eq!(heard.map(|(_, unit)| unit), Some(1));
}

#[test]
fn known_echo_behind_a_late_answer_is_no_foreign_request() {
    let mut session = Session::new(&[3]);
    let request = session.ask(read(1, 0, 3));
    session.hear(&request);
    session.hear(&answer(1, &[1, 2, 3]));
    session.ask(read(1, 0, 2));
    session.time_out();
    let request = session.ask(read(1, 0, 1));
    session.hear(&[answer(1, &[7, 8]), request, answer(1, &[9])].concat());
    let kinds = vec![StrayKind::Late, StrayKind::Echo];
    assert_eq!(session.last(), (registers(&[9]), kinds));
    assert_eq!(session.asker.pairing().heard_request(), None);
}

#[test]
fn bytes_read_before_the_question_but_handed_over_after_it_are_not_its_answer() {
    let mut session = Session::new(&[3]);
    session.now += ms(100);
    session.ask(read(1, 0, 1));
    let what = What::In(answer(1, &[9]));
    let event = Event { at: ms(50), what };
    session.done.extend(session.asker.take(&event));
    session.events.push(event);
    session.time_out();
    let silent = Outcome::TimedOut(Silence::OnlyNotOurs);
    assert_eq!(session.last(), (silent, vec![StrayKind::ForeignAnswer]));
}
