//! Wrong line settings and swapped pairs are named right, or the next setting leads there.
//!
//! A reduced version of `benches/settings.rs`. Kind of everything here: invented, except where stated.

use std::time::Duration;

use packside::listen::settings::{Class, Hypothesis, Protocol, explain};
use packside::listen::waveform::{Mark, Received, TtyMarks};
use packside_profiles::LineSettings;
use packside_simulator::uart::{self, Idle, Tty};

use crate::settings_grid::{Counts, listen, settings, wire};
use crate::settings_line::{Marks, Pair, conversation};

const SECONDS: u64 = 4;
const SEED: u64 = 7;

fn grid(pair: Pair, marks: Marks, bauds: &[u32]) -> Counts {
    let mut counts = Counts::default();
    let all = settings(bauds);
    // Another conversation for each.
    for (truth, seed) in all.iter().zip(SEED..) {
        let wire = wire(*truth, pair, SECONDS, seed);
        for ours in &all {
            listen(&wire, *truth, *ours, pair, marks, &mut counts);
        }
    }
    assert!(counts.proven_wrong.is_empty(), "{:#?}", counts.proven_wrong);
    assert!(counts.likely_wrong.is_empty(), "{:#?}", counts.likely_wrong);
    assert!(counts.never_right.is_empty(), "{:#?}", counts.never_right);
    counts
}

#[test]
fn wrong_settings_on_a_straight_pair_end_right() {
    for marks in [Marks::Full, Marks::None] {
        let counts = grid(Pair::Straight, marks, &[9_600, 19_200]);
        assert!(counts.by_class["equivalent"] > 0, "{counts:?}");
        assert!(counts.tries.iter().all(|tries| *tries <= 6), "{counts:?}");
    }
}

#[test]
fn swapped_pair_ends_proven_whatever_the_idle_level() {
    for pair in [Pair::SwappedBiased, Pair::SwappedFloating] {
        for (marks, bauds) in [
            (Marks::Tty, [9_600, 38_400].as_slice()),
            (Marks::None, &[19_200]),
        ] {
            let counts = grid(pair, marks, bauds);
            assert!(counts.by_class["survives"] > 0, "{counts:?}");
            assert!(!counts.by_class.contains_key("exact"), "{counts:?}");
            assert!(counts.unproven.is_empty(), "{:#?}", counts.unproven);
        }
    }
}

#[test]
fn marks_single_out_the_layout_where_values_are_right() {
    let truth = "9600-8E1".parse().unwrap();
    let wire = wire(truth, Pair::Straight, SECONDS, SEED);
    let class = |ours: &str, marks| {
        let ours = ours.parse().unwrap();
        explain(&wire.heard(ours, marks), ours).class
    };
    for marks in [Marks::Full, Marks::Tty] {
        assert_eq!(class("9600-8E1", marks), Class::Exact(truth));
        assert_eq!(class("9600-8O1", marks), Class::Equivalent(vec![truth]));
        assert_eq!(class("9600-8N1", marks), Class::Equivalent(vec![truth]));
    }
    let Class::Equivalent(several) = class("9600-8N1", Marks::None) else {
        panic!("without marks several settings remain");
    };
    assert!(several.len() > 1 && several.contains(&truth), "{several:?}");
}

#[test]
fn noise_is_never_proven_to_be_anything() {
    let mut dice = crate::settings_line::Dice::new(99);
    for ours in ["9600-8N1", "19200-8E1", "115200-8N1"] {
        let bytes: Vec<u8> = (0..5_000).map(|_| dice.below(256) as u8).collect();
        let found = explain(&Received::unmarked(&bytes), ours.parse().unwrap());
        assert_eq!(found.id(), "lost", "{ours}: {found:?}");
        assert!(!found.is_proven(), "{ours}: {found:?}");
    }
}

#[test]
fn other_protocols_are_named() {
    let line = "9600-8N1".parse().unwrap();
    let class = |bytes: &[u8]| explain(&Received::unmarked(bytes), line).class;
    // Kind:   derived
    // Source: Modbus over Serial Line V1.02, 2.5.2.2 (LRC: two's complement of the sum of the bytes):
    //         01 03 00 00 00 0A sums to 0E, LRC F2
    assert_eq!(
        class(b":01030000000AF2\r\n"),
        Class::OtherProtocol(Protocol::ModbusAscii {
            frames: 1,
            is_seven_bit: false
        })
    );
    let with_even_parity: Vec<u8> = b":01030000000AF2\r\n"
        .iter()
        .map(|b| b | u8::from(b.count_ones() % 2 == 1) << 7)
        .collect();
    assert_eq!(
        class(&with_even_parity),
        Class::OtherProtocol(Protocol::ModbusAscii {
            frames: 1,
            is_seven_bit: true
        })
    );
    assert_eq!(
        class(b"boot 1.2\r\nself test passed\r\nready\r\n"),
        Class::OtherProtocol(Protocol::Text {
            is_seven_bit: false
        })
    );
    assert_ne!(
        class(b":01030000000AF3\r\n"),
        Class::OtherProtocol(Protocol::ModbusAscii {
            frames: 1,
            is_seven_bit: false
        })
    );
}

#[test]
fn silence_and_a_few_bytes_explain_nothing() {
    let line = "9600-8E1".parse().unwrap();
    assert_eq!(explain(&[], line).class, Class::Nothing);
    let stray = Received {
        byte: 0,
        mark: Mark::Break,
        at: None,
    };
    let found = explain(&[stray], line);
    assert_eq!(found.class, Class::Nothing);
    assert!(found.words().found.contains("one byte"), "{found:?}");
}

#[test]
fn words_for_a_swapped_pair_say_what_to_do() {
    let truth = "9600-8E1".parse().unwrap();
    let wire = wire(truth, Pair::SwappedBiased, SECONDS, SEED);
    let found = explain(&wire.heard(truth, Marks::None), truth);
    let words = found.words();
    assert!(found.is_proven(), "{found:?}");
    assert!(
        words
            .found
            .starts_with("the two wires of the pair are swapped: "),
        "{words:?}"
    );
    assert!(words.sure.starts_with("proven"), "{words:?}");
    assert!(
        words
            .next
            .starts_with("swap D0 and D1 (A and B) at one end"),
        "{words:?}"
    );
}

/// What a port gets as the simulator's line has it: a third witness, written by others.
fn simulated(
    truth: LineSettings,
    ours: LineSettings,
    is_swapped: bool,
    idle: Idle,
    seed: u64,
) -> Vec<Received> {
    let mut sender = uart::Settings::from(truth);
    sender.error_ppm = 4_000;
    let mut port = uart::Settings::from(ours);
    port.swapped = is_swapped;
    let mut begins = 0;
    let mut waves = Vec::new();
    let seed = seed ^ u64::from(truth.baud) << 8 ^ u64::from(truth.bits_per_character());
    for said in conversation(seed, SECONDS, truth) {
        begins += said.silence_ps / 1_000;
        waves.push(uart::transmit(&said.bytes, &sender, begins));
        begins += u64::try_from(truth.characters(said.bytes.len()).as_nanos()).unwrap();
    }
    let line = uart::Wave::combined(&waves.iter().collect::<Vec<_>>());
    let heard = uart::receive(&line, &port, idle);
    let mut marks = TtyMarks::default();
    heard
        .iter()
        .flat_map(|one| {
            let at = Some(Duration::from_nanos(one.at));
            Tty::Marked
                .read(&[*one])
                .into_iter()
                .map(move |byte| (byte, at))
        })
        .filter_map(|(byte, at)| marks.take(byte, at))
        .collect()
}

#[test]
fn simulated_line_is_explained_like_the_line_of_the_tests() {
    let line = |text: &str| text.parse::<LineSettings>().unwrap();
    for (idle, seed) in [Idle::Biased, Idle::Floating]
        .into_iter()
        .flat_map(|idle| (1..=5).map(move |seed| (idle, seed)))
    {
        let (truth, other) = (line("9600-8E1"), line("9600-8O1"));
        let found =
            |ours, is_swapped| explain(&simulated(truth, ours, is_swapped, idle, seed), ours);
        let class = |ours, is_swapped| found(ours, is_swapped).class;
        let at = format!("{idle:?} seed {seed}");
        assert_eq!(class(truth, false), Class::Exact(truth), "{at}");
        assert_eq!(class(other, false), Class::Equivalent(vec![truth]), "{at}");
        let swapped = Hypothesis {
            settings: truth,
            is_swapped: true,
        };
        let evidence = found(truth, true).evidence;
        assert_eq!(
            class(truth, true),
            Class::Survives(vec![swapped]),
            "{at} {evidence:?}"
        );
        let far = line("57600-8N1");
        match class(far, false) {
            Class::Lost(next) => assert_eq!(next.first().map(|next| next.baud), Some(9_600)),
            other => panic!("{at}: {other:?}"),
        }
    }
}
