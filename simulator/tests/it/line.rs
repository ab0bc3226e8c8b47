//! The line: times of bytes, bad habits and their counts, determinism, and bytes of anybody.

use std::time::Duration;

use packside_profiles::Role;
use packside_simulator::{MischiefKind, News, Scenario, Site, Way, World};
use proptest::prelude::*;

use crate::stage::{Stage, crc, profile, read, rtu, s, stack};

/// Bytes that come back for one question, with their times since the question left.
fn answer(stage: &mut Stage, pdu: &[u8]) -> Vec<(Duration, Vec<u8>)> {
    let began = stage.world.now();
    stage.world.send(began, &rtu(1, pdu));
    let came = stage.world.advance(began + s(3.0));
    came.into_iter()
        .map(|(at, bytes)| (at - began, bytes))
        .collect()
}

// Kind:   derived
// Source: Modbus over Serial Line V1.02, 2.5.1.1: 9600-8E1 has 11 bits a character, 1.14583 ms;
//         silence 3.5 characters of it; at 115200-8N1 10 bits, silence fixed at 1.750 ms.
//         8 characters of question, silence, 5 ms, then 7 characters of answer
#[test]
fn answer_comes_after_question_silence_and_answer_time() {
    for (line, last_us) in [("9600-8E1", 26_198), ("115200-8N1", 8_052)] {
        let mut stage = stack("");
        stage.world.set_line(line.parse().unwrap());
        stage.world.set_answer_time(Duration::from_millis(5));
        stage.at(10.0);
        let (table, address) = stage.place(Role::State);
        let came = answer(&mut stage, &read(table, address, 1));
        let last = came.last().unwrap().0.as_micros();
        assert!(last.abs_diff(last_us) <= 1, "{line}: {last} us");
    }
}

// Kind: derived (a chunk arrives when its last character does: pieces of 8 characters at 9600)
#[test]
fn long_answer_arrives_in_pieces_at_character_times() {
    let mut stage = stack("[stack]\nmodules = 5\n");
    stage.at(10.0);
    let came = answer(
        &mut stage,
        &read(packside_profiles::model::Table::Input, 64, 125),
    );
    let line = stage.world.line();
    assert!(came.len() > 20, "{}", came.len());
    for pair in came.windows(2) {
        let (before, after) = (&pair[0], &pair[1]);
        let apart = after.0 - before.0;
        let due = line.characters(after.1.len());
        assert!(
            apart.abs_diff(due) < Duration::from_micros(2),
            "{apart:?} {due:?}"
        );
    }
    let bytes: Vec<u8> = came.into_iter().flat_map(|(_, bytes)| bytes).collect();
    assert_eq!((bytes.len(), crc(&bytes)), (255, 0));
}

// Kind: derived (requests of one client in pieces, with gaps of an adapter between them)
#[test]
fn question_in_pieces_is_answered_and_half_of_one_is_forgotten() {
    let mut stage = stack("");
    stage.at(5.0);
    let (table, address) = stage.place(Role::State);
    let question = read(table, address, 1);
    assert!(stage.ask(1, &question).is_some());
    // Long after its last question; the silence that counts is the one within this one.
    let frame = rtu(1, &question);
    stage.world.send(s(10.0), &frame[..3]);
    stage.world.send(s(10.02), &frame[3..]);
    let came: usize = stage
        .world
        .advance(s(11.0))
        .iter()
        .map(|(_, b)| b.len())
        .sum();
    assert_eq!(came, 7);
    stage.world.send(s(12.0), &frame[..3]);
    stage.world.send(s(14.0), &frame[3..]);
    assert_eq!(stage.world.advance(s(15.0)), []);
}

// Kind: derived (two talk at once on one pair: neither is understood)
#[test]
fn client_that_talks_into_the_inverter_damages_both() {
    let plan = "[inverter]\nfrom = \"5s\"\nevery = \"5s\"\n";
    let (table, address) = stack("").place(Role::State);
    let question = rtu(1, &read(table, address, 1));
    let mut alone = stack(plan);
    let undisturbed: Vec<_> = alone.world.advance_all(s(11.0));
    let mut both = stack(plan);
    both.world.advance_all(s(10.0));
    both.world.send(s(10.0), &question);
    let disturbed = both.world.advance_all(s(11.0));
    assert!(
        disturbed.iter().all(|arrival| arrival.client.is_none()),
        "an answer to us"
    );
    let bytes = |all: &[packside_simulator::Arrival]| -> Vec<u8> {
        let late = all.iter().filter(|a| a.at >= s(10.0));
        late.flat_map(|a| a.bytes.clone()).collect()
    };
    assert_ne!(bytes(&undisturbed)[..8], bytes(&disturbed)[..8]);
}

fn mischief(kind: &str, more: &str) -> Stage {
    stack(&format!("[[mischief]]\nkind = \"{kind}\"\n{more}\n"))
}

/// Lengths of what comes for one question, and the last moment.
fn habit(kind: &str, more: &str) -> (Vec<u8>, Duration, Stage) {
    let mut stage = mischief(kind, more);
    stage.at(10.0);
    let (table, address) = stage.place(Role::State);
    let came = answer(&mut stage, &read(table, address, 1));
    let last = came.last().map_or(Duration::ZERO, |(at, _)| *at);
    (came.into_iter().flat_map(|(_, b)| b).collect(), last, stage)
}

// Kind: invented (each bad habit as it looks from the other end of the line)
#[test]
fn each_bad_habit_looks_as_its_name_says_and_is_counted_once() {
    let (clean, usual, _) = habit("drop", "chance = 0");
    assert_eq!((clean.len(), crc(&clean)), (7, 0));
    let (table, address) = stack("").place(Role::State);
    let question = rtu(1, &read(table, address, 1));
    let check =
        |kind: &str, more: &str, which: MischiefKind, looks: &dyn Fn(&[u8], Duration) -> bool| {
            let (bytes, last, stage) = habit(kind, more);
            assert!(looks(&bytes, last), "{kind}: {bytes:02x?} at {last:?}");
            assert_eq!(stage.world.mischief_counts()[&which], 1, "{kind}");
        };
    check("drop", "", MischiefKind::Drop, &|b, _| b.is_empty());
    check("no-answer", "", MischiefKind::NoAnswer, &|b, _| {
        b.is_empty()
    });
    check("damage", "amount = 2", MischiefKind::Damage, &|b, _| {
        b.len() == 7 && crc(b) != 0
    });
    check(
        "late",
        "delay = \"700ms\"",
        MischiefKind::Late,
        &|b, last| b == clean && last == usual + Duration::from_millis(700),
    );
    check("twice", "delay = \"50ms\"", MischiefKind::Twice, &|b, _| {
        *b == [clean.as_slice(), &clean].concat()
    });
    check("garbage", "amount = 5", MischiefKind::Garbage, &|b, _| {
        b.len() == 12 && b.ends_with(&clean)
    });
    check("cut", "amount = 3", MischiefKind::Cut, &|b, _| {
        *b == clean[..4]
    });
    check("foreign", "", MischiefKind::Foreign, &|b, _| {
        b[0] == 2 && b.ends_with(&clean)
    });
    check("wrong-unit", "", MischiefKind::WrongUnit, &|b, _| {
        b[0] == 2 && crc(b) == 0
    });
    check("echo", "", MischiefKind::Echo, &|b, _| {
        *b == [question.as_slice(), &clean].concat()
    });
    check(
        "bytewise",
        "delay = \"20ms\"",
        MischiefKind::Bytewise,
        &|b, last| b == clean && last > usual + Duration::from_millis(100),
    );
    check(
        "exception",
        "role = \"state\"\ncode = 2",
        MischiefKind::Exception,
        &|b, _| b[..3] == [1, 0x84, 2],
    );
}

// Kind: invented (by role: other points stay readable)
#[test]
fn exception_on_a_role_leaves_the_other_points_readable() {
    let mut stage = Stage::shipped("hv-alarm-word-unreadable");
    stage.at(90.0);
    let (table, address) = stage.place(Role::AlarmWord);
    assert_eq!(stage.ask(1, &read(table, address, 1)).unwrap(), [0x84, 2]);
    assert!(stage.number(1, Role::PackVoltage).is_some());
}

// Kind: derived (of 400 questions about 12 of 100 are hit; what is counted is what is seen)
#[test]
fn chance_is_kept_and_the_count_is_what_a_client_sees() {
    let mut stage = mischief("drop", "chance = 12");
    stage.at(10.0);
    let (table, address) = stage.place(Role::State);
    let question = read(table, address, 1);
    let lost = (0..400)
        .filter(|_| answer(&mut stage, &question).is_empty())
        .count();
    assert_eq!(
        stage.world.mischief_counts()[&MischiefKind::Drop],
        u32::try_from(lost).unwrap()
    );
    assert!((24..=72).contains(&lost), "{lost}");
}

/// Everything that a client hears while it asks the same things, as one number (FNV-1a).
fn fingerprint(name: &str, seed: u64) -> u64 {
    let scenario = Scenario::find(name).unwrap();
    let profile = profile(&scenario.profile);
    let mut world = World::new(&scenario, &profile, seed);
    let mut hash = 0xcbf2_9ce4_8422_2325u64;
    let mut take = |bytes: &[u8]| {
        for byte in bytes {
            hash = (hash ^ u64::from(*byte)).wrapping_mul(0x0100_0000_01b3);
        }
    };
    for turn in 0u16..240 {
        let now = Duration::from_millis(u64::from(turn) * 500 + 130);
        let pdu = read(packside_profiles::model::Table::Input, 0, 20);
        world.send(now, &rtu(1, &pdu));
        for (at, bytes) in world.advance(now + Duration::from_millis(490)) {
            take(&at.as_nanos().to_be_bytes());
            take(&bytes);
        }
        take(world.state_line().as_bytes());
    }
    hash
}

#[test]
fn same_seed_gives_identical_bytes_and_times_and_another_seed_others() {
    for name in ["hv-noisy-line", "hv-inverter-lost", "hv-late-answers"] {
        let first = fingerprint(name, 7);
        assert_eq!(first, fingerprint(name, 7), "{name}");
        assert_ne!(first, fingerprint(name, 8), "{name}");
    }
}

// Kind: derived (time may be cut anywhere: the same bytes come at the same moments)
#[test]
fn small_steps_and_one_large_step_give_the_same_bytes() {
    let mut large = Stage::shipped("hv-noisy-line");
    let mut small = Stage::shipped("hv-noisy-line");
    let whole = large.world.advance_all(s(60.0));
    let mut pieces = Vec::new();
    for ms in (0..=60_000).step_by(37).chain([60_000]) {
        pieces.extend(small.world.advance_all(Duration::from_millis(ms)));
    }
    assert!(!whole.is_empty());
    assert_eq!(whole, pieces);
}

// Kind: derived (9600 baud takes 872 characters a second; a line takes ten seconds ahead)
#[test]
fn flood_on_a_serial_line_is_over_after_seconds_not_hours() {
    let mut stage = stack("");
    for _ in 0..2000 {
        stage.world.send(s(1.0), &[0x55; 1000]);
    }
    stage.world.advance(s(30.0));
    let (table, address) = stage.place(Role::State);
    assert!(stage.ask(1, &read(table, address, 1)).is_some());
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    // Whatever a client sends: no panic, nothing waits without bound, and the unit answers after.
    #[test]
    fn world_with_any_bytes_stays_alive(
        pieces in prop::collection::vec((0u32..5, 0u64..400, prop::collection::vec(any::<u8>(), 0..300)), 0..40),
        seed: u64,
    ) {
        let scenario = Scenario::find("hv-noisy-line").unwrap();
        let mut world = World::new(&scenario, &profile(&scenario.profile), seed);
        let mut now = s(10.0);
        world.advance(now);
        for (client, wait, bytes) in pieces {
            world.send_from(client, now, &bytes);
            now += Duration::from_millis(wait);
            for arrival in world.advance_all(now) {
                prop_assert!(arrival.at <= now && arrival.bytes.len() <= 600);
            }
        }
        // All that waits has left by then, but for the inverter's next round.
        world.advance_all(now + s(60.0));
        prop_assert!(world.next_wake().is_some_and(|wake| wake < now + s(70.0)));
        prop_assert!(world.state_line().starts_with("simulated hv-noisy-line"));
    }

    // Requests that are whole but mean nothing reach the unit itself.
    #[test]
    fn unit_with_any_request_answers_as_the_specification_shapes_it(pdu in prop::collection::vec(any::<u8>(), 1..20)) {
        let scenario = Scenario::find("hv-waiting").unwrap();
        let mut site = Site::new(&scenario, &profile(&scenario.profile), Way::Tcp, 1);
        site.connect(s(1.0), 1);
        let length = u8::try_from(pdu.len() + 1).unwrap();
        let request = [&[0, 9, 0, 0, 0, length, 1], pdu.as_slice()].concat();
        site.send_from(1, s(1.0), &request);
        let came = site.advance(s(9.0)).into_iter();
        let answer: Vec<u8> = came.flat_map(|news| match news {
            News::Bytes(arrival) => arrival.bytes,
            News::Closed { .. } => panic!("closed"),
        }).collect();
        prop_assert_eq!(&answer[..4], &[0, 9, 0, 0]);
        prop_assert_eq!(usize::from(answer[5]) + 6, answer.len());
        prop_assert_eq!(answer[7] & 0x7f, pdu[0] & 0x7f);
        if answer[7] & 0x80 != 0 && pdu[0] & 0x80 == 0 {
            // A unit on a line takes no frame of a length that its function has not: the gateway says so.
            let is_whole = matches!((pdu[0], pdu.len()), (1..=4, 5));
            prop_assert!((1..=3).contains(&answer[8]) || (!is_whole && answer[8] == 0x0b));
        }
    }
}
