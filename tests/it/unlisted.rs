//! Functions that no standard names, other protocols beside Modbus, pauses: what is heard of them, and
//! that nothing of it is called damage.
//!
//! Kind of all streams: invented, from printed seeds.

use std::collections::BTreeMap;
use std::time::Duration;

use packside::listen::{Conversation, Fate, Id, Scene, Strength, Summary, Utterance, picture};
use packside::wire::sealed;

use super::traffic::Dice;

type Pair = (Vec<u8>, Vec<u8>);

/// How a harsh stream is made: shares per thousand.
#[derive(Debug, Clone, Copy)]
struct Harsh {
    private: usize,
    damaged: usize,
    noise: usize,
    unanswered: usize,
    units: usize,
    codes: usize,
}

/// Function codes that no standard names.
fn private_codes(dice: &mut Dice, count: usize) -> Vec<u8> {
    let is_private = |code: &u8| !matches!(code, 1..=8 | 11 | 12 | 15..=17 | 20..=24 | 43);
    let free: Vec<u8> = (1..=127).filter(is_private).collect();
    (0..count).map(|_| free[dice.below(free.len())]).collect()
}

fn bytes(dice: &mut Dice, count: usize) -> Vec<u8> {
    (0..count).map(|_| dice.byte()).collect()
}

/// A question and its answer.
fn pair(dice: &mut Dice, unit: u8, code: Option<u8>) -> Pair {
    let (mut asked, mut said) = match code {
        Some(code) => {
            let (question, answer) = (dice.below(12), 1 + dice.below(40));
            (
                [vec![unit, code], bytes(dice, question)].concat(),
                [vec![unit, code], bytes(dice, answer)].concat(),
            )
        }
        None => {
            let (function, count) = (3 + dice.below(2) as u8, 1 + dice.below(20) as u8);
            let values = bytes(dice, 2 * usize::from(count));
            (
                vec![unit, function, 0, dice.byte(), 0, count],
                [vec![unit, function, 2 * count], values].concat(),
            )
        }
    };
    if dice.below(10) == 0 {
        said = vec![unit, asked[1] | 0x80, 1 + dice.byte() % 40];
    }
    (asked, said) = (sealed(asked), sealed(said));
    (asked, said)
}

/// Bytes, and the exchanges in them of which neither frame was damaged and between which nothing stands.
fn harsh(seed: u64, exchanges: usize, how: Harsh) -> (Vec<u8>, Vec<Pair>) {
    let mut dice = Dice::new(seed);
    let codes = private_codes(&mut dice, how.codes);
    let (mut out, mut whole) = (Vec::new(), Vec::new());
    for _ in 0..exchanges {
        let unit = 1 + dice.below(how.units) as u8;
        let code = (dice.below(1000) < how.private).then(|| codes[dice.below(codes.len())]);
        let (asked, said) = pair(&mut dice, unit, code);
        let is_asked = say(&mut out, &mut dice, how, &asked);
        if dice.below(1000) < how.unanswered {
            continue;
        }
        let before = out.len();
        let is_said = say(&mut out, &mut dice, how, &said);
        if is_asked && is_said && out.len() - before == said.len() {
            whole.push((asked, said));
        }
    }
    (out, whole)
}

/// Whether it was said undamaged.
fn say(out: &mut Vec<u8>, dice: &mut Dice, how: Harsh, frame: &[u8]) -> bool {
    if dice.below(1000) < how.noise {
        let count = 1 + dice.below(20);
        out.extend(bytes(dice, count));
    }
    let is_damaged = dice.below(1000) < how.damaged;
    let mut frame = frame.to_vec();
    if is_damaged {
        let at = dice.below(frame.len());
        frame[at] ^= 1 + dice.below(255) as u8;
    }
    out.extend(frame);
    !is_damaged
}

fn heard(chunks: &[(Duration, Vec<u8>)]) -> (Vec<Pair>, Summary) {
    let mut conversation = Conversation::new();
    let mut told = Vec::new();
    for (at, bytes) in chunks {
        told.extend(conversation.take(*at, bytes));
    }
    told.extend(conversation.finish(chunks.last().map_or(Duration::ZERO, |(at, _)| *at)));
    let pairs = told.into_iter().filter_map(|told| match told {
        Utterance::Exchange(exchange) => {
            let is_over = matches!(exchange.fate, Fate::Answered | Fate::Exception(_));
            is_over.then_some((exchange.request, exchange.answer))
        }
        Utterance::Noise { .. } => None,
    });
    (pairs.collect(), conversation.summary())
}

fn number(variable: &str, usual: u64) -> u64 {
    let given = std::env::var(variable).ok();
    given.map_or(usual, |text| text.parse().unwrap())
}

/// The strength with which damage is named, if it is.
fn damage(summary: &Summary) -> Option<Strength> {
    let scene = Scene {
        summary,
        listened: None,
        first: &[],
        explained: None,
    };
    let pictures = picture(&scene);
    let damaged = pictures.iter().find(|one| one.id == Id::Damaged);
    damaged.map(|one| one.strength)
}

#[test]
fn half_private_functions_are_heard_on_harsh_lines() {
    let sound = Harsh {
        private: 500,
        damaged: 0,
        noise: 0,
        unanswered: 0,
        units: 3,
        codes: 4,
    };
    let streams = number("PACKSIDE_HARSH", 4);
    for how in [
        sound,
        Harsh {
            units: 247,
            codes: 100,
            ..sound
        },
        Harsh {
            damaged: 20,
            noise: 50,
            unanswered: 10,
            ..sound
        },
        Harsh {
            damaged: 20,
            noise: 50,
            unanswered: 10,
            units: 247,
            codes: 100,
            ..sound
        },
        Harsh {
            damaged: 100,
            noise: 100,
            unanswered: 50,
            ..sound
        },
    ] {
        let (mut found, mut all) = (0, 0);
        for seed in 0..streams {
            let (bytes, whole) = harsh(seed, 500, how);
            let chunks: Vec<(Duration, Vec<u8>)> = bytes
                .chunks(999)
                .map(|chunk| (Duration::ZERO, chunk.to_vec()))
                .collect();
            let (pairs, summary) = heard(&chunks);
            let mut told: BTreeMap<&Pair, usize> = BTreeMap::new();
            for pair in &pairs {
                *told.entry(pair).or_default() += 1;
            }
            for pair in &whole {
                let left = told.get_mut(pair).filter(|left| **left > 0);
                found += usize::from(left.map(|left| *left -= 1).is_some());
            }
            all += whole.len();
            if how.damaged == 0 {
                assert_eq!(damage(&summary), None, "seed {seed}: {summary:?}");
            }
        }
        println!(
            "{how:?}: {found} of {all} exchanges, {:.2} %",
            100.0 * found as f64 / all as f64
        );
        assert!(found * 100 >= all * 99, "{how:?}: {found} of {all}");
    }
}

/// A telegram of another protocol.
fn telegram(dice: &mut Dice, kind: usize) -> Vec<u8> {
    let count = 1 + dice.below(30);
    match kind {
        0 => format!(
            "$T,{}.{},{}*{:02X}\r\n",
            dice.below(99),
            dice.below(99),
            dice.below(9),
            dice.byte()
        )
        .into_bytes(),
        1 => {
            let length = count as u8;
            let mut telegram = [vec![0x68, length, length, 0x68], bytes(dice, count)].concat();
            telegram.push(telegram.iter().fold(0, |sum, byte| sum ^ byte));
            telegram.push(0x16);
            telegram
        }
        2 => [vec![0x7e], bytes(dice, count + 3), vec![0x7e]].concat(),
        _ => [vec![0xaa, 0x55, count as u8], bytes(dice, count + 2)].concat(),
    }
}

/// A line on which nothing was damaged: rare and private functions, refusals with any code, questions
/// without an answer, holes in answers, pauses, another protocol; it begins and ends anywhere.
fn sound(seed: u64) -> Vec<(Duration, Vec<u8>)> {
    let mut dice = Dice::new(seed);
    let units: Vec<u8> = (0..1 + dice.below(3))
        .map(|_| 1 + dice.below(40) as u8)
        .collect();
    let (private, other) = (dice.below(1001), dice.below(6));
    let (has_times, has_holes) = (dice.below(3) > 0, dice.below(2) > 0);
    let count = 1 + dice.below(4);
    let codes = private_codes(&mut dice, count);
    let (mut now, mut chunks) = (1_000, Vec::new());
    for _ in 0..20 + dice.below(100) {
        let code = (dice.below(1000) < private).then(|| codes[dice.below(codes.len())]);
        let unit = units[dice.below(units.len())];
        let (asked, said) = pair(&mut dice, unit, code);
        chunks.push((now, asked));
        now += 20 + dice.below(100) as u64;
        if dice.below(30) == 0 {
            now += 1_200;
        } else if has_holes && dice.below(10) == 0 {
            let cut = 1 + dice.below(said.len() - 1);
            chunks.push((now, said[..cut].to_vec()));
            now += [5, 300, 1_200, 1_900][dice.below(4)];
            chunks.push((now, said[cut..].to_vec()));
        } else {
            chunks.push((now, said));
        }
        now += 50 + dice.below(500) as u64;
        if has_holes && dice.below(8) == 0 {
            now += 5_000;
        }
        if other < 4 && dice.below(3) == 0 {
            chunks.push((now, telegram(&mut dice, other)));
            now += 20;
        }
    }
    if dice.below(2) == 0 {
        let (begin, end) = (dice.below(chunks[0].1.len()), chunks.len() - 1);
        chunks[0].1.drain(..begin);
        let left = 1 + dice.below(chunks[end].1.len());
        chunks[end].1.truncate(left);
    }
    let time = |now| Duration::from_millis(if has_times { now } else { 0 });
    chunks
        .into_iter()
        .map(|(now, bytes)| (time(now), bytes))
        .collect()
}

#[test]
fn sound_lines_are_never_proven_to_damage_frames() {
    let (mut named, mut foreign) = (0, 0);
    let streams = number("PACKSIDE_STREAMS", 1_000);
    for seed in 0..streams {
        let (_, summary) = heard(&sound(seed));
        let strength = damage(&summary);
        assert_ne!(strength, Some(Strength::Proven), "seed {seed}: {summary:?}");
        named += u64::from(strength.is_some());
        foreign += u64::from(summary.foreign > 0);
    }
    println!(
        "{streams} sound lines: damage proven 0, named as open {named}, another protocol in {foreign}"
    );
}

// Kind: invented; a line that damages one frame in ten is named, or the test above would prove nothing.
#[test]
fn damaged_lines_are_proven_to_be() {
    let how = Harsh {
        private: 0,
        damaged: 100,
        noise: 0,
        unanswered: 0,
        units: 2,
        codes: 1,
    };
    let proven = (0..20)
        .filter(|seed| {
            let (bytes, _) = harsh(*seed, 300, how);
            let (_, summary) = heard(&[(Duration::ZERO, bytes)]);
            damage(&summary) == Some(Strength::Proven)
        })
        .count();
    println!("20 lines that damage a tenth of their frames: proven {proven}");
    assert!(proven >= 19, "{proven}");
}

/// Frames said at these milliseconds, and what came of them: fate and whether it was answered by whom.
fn fates(said: &[(u64, &[u8])]) -> Vec<(&'static str, u8)> {
    let mut conversation = Conversation::new();
    let mut told = Vec::new();
    let mut last = Duration::ZERO;
    for (at, bytes) in said {
        last = Duration::from_millis(*at);
        told.extend(conversation.take(last, bytes));
    }
    told.extend(conversation.finish(last));
    let exchanges = told.into_iter().filter_map(|told| match told {
        Utterance::Exchange(exchange) => Some((exchange.fate.id(), exchange.unit())),
        Utterance::Noise { .. } => None,
    });
    exchanges.collect()
}

fn ask(unit: u8) -> Vec<u8> {
    sealed(vec![unit, 3, 0, 100, 0, 2])
}

fn say_it(unit: u8) -> Vec<u8> {
    sealed(vec![unit, 3, 4, 0, unit, 0, 7])
}

// Kind: invented
#[test]
fn echo_is_named_and_the_answer_behind_it_counts() {
    let write = sealed(vec![1, 6, 0, 1, 0, 9]);
    let (question, answer) = (ask(1), say_it(1));
    let mut line: Vec<(u64, &[u8])> = Vec::new();
    for second in 1..=5 {
        let at = second * 1_000;
        line.extend([(at, &*question), (at + 4, &*question), (at + 60, &*answer)]);
    }
    line.extend([(6_000, &*write), (6_004, &*write), (6_060, &*write)]);
    let told = fates(&line);
    assert_eq!(told, [("echo", 1), ("answered", 1)].repeat(6), "{told:?}");
    // A second try comes later, and is none.
    let told = fates(&[(1_000, &question), (1_500, &question), (1_560, &answer)]);
    assert_eq!(told, [("unanswered", 1), ("answered", 1)]);
}

// Kind: invented
#[test]
fn answers_of_another_unit_length_or_register_are_named() {
    let question = ask(1);
    let short = sealed(vec![1, 3, 2, 0, 7]);
    let (write, other) = (
        sealed(vec![1, 6, 0, 5, 0, 9]),
        sealed(vec![1, 6, 0, 4, 0, 9]),
    );
    assert_eq!(
        fates(&[(1_000, &question), (1_050, &say_it(2))]),
        [("other-unit", 1)]
    );
    assert_eq!(
        fates(&[(1_000, &question), (1_050, &short)]),
        [("other-length", 1)]
    );
    let told = fates(&[
        (1_000, &question),
        (1_050, &say_it(1)),
        (2_000, &write),
        (2_050, &other),
        (3_000, &question),
    ]);
    assert_eq!(told[0], ("answered", 1));
    assert_ne!(told[1], ("answered", 1), "{told:?}");
}

// Kind: invented
#[test]
fn exchanges_of_two_units_and_two_clients_keep_apart() {
    let line = [
        (1_000, ask(1)),
        (1_010, ask(2)),
        (1_060, say_it(1)),
        (1_090, say_it(2)),
    ];
    let line: Vec<(u64, &[u8])> = line.iter().map(|(at, frame)| (*at, &**frame)).collect();
    assert_eq!(fates(&line), [("answered", 1), ("answered", 2)]);
    // Bytes in between may have been another question: nothing is joined.
    let (one, two, late) = (ask(1), ask(2), say_it(1));
    let told = fates(&[
        (1_000, &one),
        (1_010, &two),
        (1_020, &[1, 2, 3, 4, 5, 6]),
        (1_060, &late),
    ]);
    assert!(told.iter().all(|(fate, _)| *fate != "answered"), "{told:?}");
}

// Kind: invented
#[test]
fn hole_inside_an_answer_does_not_lose_it() {
    let (question, answer) = (ask(1), say_it(1));
    for hole in [50, 1_200, 1_900, 2_500] {
        let line = [
            (1_000, &*question),
            (1_050, &answer[..4]),
            (1_050 + hole, &answer[4..]),
        ];
        assert_eq!(fates(&line), [("answered", 1)], "{hole} ms");
    }
}

// Kind: invented
#[test]
fn lone_frame_of_a_private_function_is_valid_and_no_damage() {
    let (question, answer) = (ask(1), say_it(1));
    let strange = sealed(vec![7, 0x65, 1, 2, 3, 4, 5]);
    let told = fates(&[
        (1_000, &question),
        (1_050, &answer),
        (2_000, &strange),
        (3_000, &question),
        (3_050, &answer),
    ]);
    assert_eq!(told, [("answered", 1), ("unlisted", 7), ("answered", 1)]);
}
