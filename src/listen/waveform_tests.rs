//! The sender and receiver against an independent reference model, and the marks of a tty.

use super::*;

/// The request that the reference model sends: unit 1, function 3, register 0, count 10.
const REQUEST: [u8; 8] = [0x01, 0x03, 0x00, 0x00, 0x00, 0x0a, 0xc5, 0xcd];

// Kind:   derived
// Source: tests/data/uart_vectors.txt, sections 1 to 3 (an independent model in another language)
const VECTORS: &str = include_str!("../../tests/data/uart_vectors.txt");

fn settings(baud: &str, layout: &str) -> LineSettings {
    format!("{baud}-{layout}").parse().unwrap()
}

/// What the reference prints: the byte, then `!` and P (parity), F (framing), B (all data low too).
fn printed(waveform: &Waveform, line: LineSettings, clock: u64) -> String {
    let starts_low = waveform.runs.first().is_some_and(|(level, _)| !level);
    let mut receiver = Receiver::new(line, clock, !starts_low);
    let mut words = Vec::new();
    if starts_low {
        words.push("--BREAK--".to_owned());
    }
    for (level, ticks) in &waveform.runs {
        receiver.hear(*level, *ticks, |s| {
            let wrong_parity = s.parity != parity_bit(s.byte, line.parity);
            let marks: String = [
                (wrong_parity, 'P'),
                (!s.stop, 'F'),
                (!s.stop && s.byte == 0, 'B'),
            ]
            .iter()
            .filter(|(is_set, _)| *is_set)
            .map(|(_, letter)| *letter)
            .collect();
            let mark = if marks.is_empty() { "" } else { "!" };
            words.push(format!("{:02X}{mark}{marks}", s.byte));
        });
    }
    words.join(" ")
}

fn check(sent: LineSettings, heard: LineSettings, swap: Option<bool>, expected: &str) {
    let clock = common_clock(sent.baud, heard.baud);
    let bit = clock / u64::from(sent.baud);
    let mut driven = Waveform::default();
    driven.send(&REQUEST, sent, clock);
    let idle_level = swap.is_none_or(|is_floating| is_floating);
    let mut line = Waveform::default();
    line.hold(idle_level, 20 * bit);
    let on_wire = if swap.is_some() {
        driven.swapped()
    } else {
        driven
    };
    line.runs.extend(on_wire.runs);
    line.hold(idle_level, 400 * bit);
    assert_eq!(
        printed(&line, heard, clock),
        expected,
        "{sent} heard at {heard}, swapped with floating idle: {swap:?}"
    );
}

#[test]
fn wrong_settings_receive_what_the_reference_model_receives() {
    let mut checked = 0;
    for line in VECTORS.lines() {
        let Some((head, expected)) = line.trim().split_once(": ") else {
            continue;
        };
        let words: Vec<&str> = head.split_whitespace().collect();
        match words[..] {
            ["tx", from, layout, "rx", to, other] => {
                check(settings(from, layout), settings(to, other), None, expected);
            }
            ["tx", layout, "rx", other] => {
                let (from, to) = (settings("9600", layout), settings("9600", other));
                check(from, to, None, expected);
            }
            _ => continue,
        }
        checked += 1;
    }
    assert_eq!(checked, 34, "lines of sections 1 and 2");
}

#[test]
fn swapped_pair_receives_what_the_reference_model_receives() {
    let mut checked = 0;
    for line in VECTORS.lines() {
        let Some((head, expected)) = line
            .trim()
            .split_once("): ")
            .or_else(|| line.trim().split_once("1): "))
        else {
            continue;
        };
        let Some(layout) = head
            .split_whitespace()
            .next()
            .filter(|l| l.starts_with('8'))
        else {
            continue;
        };
        let line = settings("9600", layout);
        let is_floating = head.contains("undriven");
        check(line, line, Some(is_floating), expected);
        checked += 1;
    }
    assert_eq!(checked, 6, "lines of section 3");
}

#[test]
fn marks_tell_parity_framing_and_break_apart() {
    // Kind:   derived
    // Source: tests/data/uart_vectors.txt, "tx 8E1 rx 8O1" and "tx 8E1 rx 8N1"
    let sent = settings("9600", "8E1");
    let clock = common_clock(9600, 9600);
    let mut line = Waveform::default();
    line.hold(true, 100 * clock / 9600);
    line.send(&[0x01, 0x03, 0x00], sent, clock);
    line.hold(true, 100 * clock / 9600);
    let marks = |heard: &str| -> Vec<(u8, Mark)> {
        let all = line.receive(settings("9600", heard), clock);
        all.iter().map(|one| (one.byte, one.mark)).collect()
    };
    assert_eq!(
        marks("8O1"),
        [(1, Mark::Parity), (3, Mark::Parity), (0, Mark::Parity)]
    );
    assert_eq!(
        marks("8N1"),
        [(1, Mark::Good), (3, Mark::Framing), (0, Mark::Break)]
    );
    assert_eq!(
        marks("8E1"),
        [(1, Mark::Good), (3, Mark::Good), (0, Mark::Good)]
    );
}

#[test]
fn tty_marks_are_taken_back_to_characters() {
    // Kind:   published
    // Source: termios(3), PARMRK: FF 00 X bad X, FF 00 00 break, FF FF good FF
    let mut marks = TtyMarks::default();
    let given: Vec<(u8, Mark)> = [0x41, 0xff, 0x00, 0x42, 0xff, 0xff, 0xff, 0x00, 0x00, 0x00]
        .iter()
        .filter_map(|byte| marks.take(*byte, None))
        .map(|one| (one.byte, one.mark))
        .collect();
    assert_eq!(
        given,
        [
            (0x41, Mark::Good),
            (0x42, Mark::Bad),
            (0xff, Mark::Good),
            (0x00, Mark::Break),
            (0x00, Mark::Good),
        ]
    );
}
