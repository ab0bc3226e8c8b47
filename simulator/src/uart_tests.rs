//! The bit-level line against vectors of an independent model, and its own rules.

use super::*;
use proptest::prelude::*;

// Kind and source: in the head of the file.
const VECTORS: &str = include_str!("../tests/data/uart_vectors.txt");

// Kind:   derived
// Source: Modbus over Serial Line V1.02, 2.1 and appendix B (frame layout and CRC); the frame of
//         the vectors
const FRAME: [u8; 8] = [0x01, 0x03, 0x00, 0x00, 0x00, 0x0a, 0xc5, 0xcd];

fn settings(baud: &str, layout: &str) -> Settings {
    let line: LineSettings = format!("{baud}-{layout}").parse().unwrap();
    line.into()
}

/// As the vectors write it.
fn shown(heard: &[Heard]) -> String {
    let one = |h: &Heard| {
        if h.is_break && h.at == 0 {
            return "--BREAK--".to_owned();
        }
        let mut marks = String::new();
        for (set, mark) in [
            (h.parity_error, "P"),
            (h.framing_error, "F"),
            (h.framing_error && h.byte == 0, "B"),
        ] {
            marks += if set { mark } else { "" };
        }
        let bang = if marks.is_empty() { "" } else { "!" };
        format!("{:02X}{bang}{marks}", h.byte)
    };
    heard.iter().map(one).collect::<Vec<_>>().join(" ")
}

fn sent(settings: &Settings) -> Wave {
    transmit(&FRAME, settings, settings.halves(40))
}

/// One line of the vectors. `true` where it holds something to check.
fn check_line(line: &str) -> bool {
    let Some((left, expected)) = line.rsplit_once(": ") else {
        return false;
    };
    let words: Vec<&str> = left.split_whitespace().collect();
    let (from, to, idle) = match words.as_slice() {
        ["tx", tb, tl, "rx", rb, rl] => (settings(tb, tl), settings(rb, rl), Idle::Biased),
        ["tx", tl, "rx", rl] => (settings("9600", tl), settings("9600", rl), Idle::Biased),
        [layout @ ("8E1" | "8N1" | "8N2"), "idle", how, ..] => {
            let from = settings("9600", layout);
            let to = Settings {
                swapped: true,
                ..from
            };
            let idle = if *how == "biased" {
                Idle::Biased
            } else {
                Idle::Floating
            };
            (from, to, idle)
        }
        [layout, sampling @ ("ideal" | "16x"), ..] => return check_limits(layout, sampling, line),
        _ => return check_closed_form(left, expected),
    };
    let heard = receive(&sent(&from), &to, idle);
    assert_eq!(shown(&heard), expected.trim(), "{line}");
    true
}

/// The first number after a text.
fn number_after(line: &str, text: &str) -> f64 {
    let rest = line.split_once(text).unwrap().1;
    let end = rest
        .find(|c: char| !c.is_ascii_digit() && c != '.')
        .unwrap_or(rest.len());
    rest[..end].parse().unwrap()
}

/// Whether every byte value, four times back to back, comes through at this clock error.
fn comes_through(layout: &str, sixteenth: bool, percent: f64) -> bool {
    let sender = settings("300", layout);
    let phases = if sixteenth { 0..4 } else { 0..1 };
    (0..=255u8).all(|byte| {
        let bytes = [byte; 4];
        let wave = transmit(&bytes, &sender, sender.halves(40));
        phases.clone().all(|quarters| {
            #[expect(clippy::cast_possible_truncation, reason = "below 12 %")]
            let error_ppm = (percent * 1e4).round() as i32;
            let mut ear = Ear::new(
                Settings {
                    error_ppm,
                    ..sender
                },
                Idle::Biased,
                0,
            );
            if sixteenth {
                ear.edge = Edge::Sixteenth { quarters };
            }
            let heard = ear.hear(&wave, u64::MAX);
            heard.iter().all(Heard::is_good) && heard.iter().map(|h| h.byte).eq(bytes)
        })
    })
}

/// The largest error that still passes. The independent model halved 12 % nine times, so the
/// printed figure passed and the next one on its grid failed. With a sampled edge what passes is
/// no interval, so nothing but these two points can be compared.
fn check_limits(layout: &str, sampling: &str, line: &str) -> bool {
    let (sixteenth, grid) = (sampling == "16x", 12.0 / 512.0);
    for (text, sign) in [("up to +", 1.0), ("up to -", -1.0)] {
        let passed = (number_after(line, text) / grid).round();
        let tried = |steps: f64| comes_through(layout, sixteenth, sign * steps * grid);
        assert!(tried(passed), "{line}: {text} passes");
        assert!(!tried(passed + 1.0), "{line}: {text} fails");
    }
    true
}

/// The closed form by itself, and the model beside it.
fn check_closed_form(left: &str, expected: &str) -> bool {
    let (layout, n) = match left.trim() {
        "8N1" => ("8N1", 9.0),
        "8E1/8N2-as-11-bit" => ("8E1", 10.0),
        _ => return false,
    };
    let (fast, slow) = (50.0 / n, 50.0 / (n + 1.0));
    assert_eq!(format!("+{fast:.3} % / -{slow:.3} %"), expected.trim());
    assert!(comes_through(layout, false, fast - 0.01));
    assert!(!comes_through(layout, false, fast + 0.01));
    assert!(comes_through(layout, false, -slow + 0.01));
    assert!(!comes_through(layout, false, -slow - 0.01));
    true
}

#[test]
fn every_line_of_the_independent_vectors_is_reproduced() {
    let lines = VECTORS.lines().filter(|line| line.starts_with(' '));
    let checked = lines.clone().filter(|line| check_line(line)).count();
    // Kind: derived (18 + 16 + 6 + 6 lines stand in the file, and the closed form: its formula and
    // two figures)
    assert_eq!((lines.count(), checked), (49, 48));
}

// Kind: derived (a listener that goes on where it left off hears what one hears at once)
#[test]
fn ear_in_small_steps_hears_the_same_as_in_one() {
    for (tx, rx) in [
        ("9600-8E1", "9600-8E1"),
        ("9600-8N1", "19200-8E1"),
        ("9600-8E1", "2400-8E1"),
    ] {
        let from: Settings = tx.parse::<LineSettings>().unwrap().into();
        let to: Settings = rx.parse::<LineSettings>().unwrap().into();
        for swapped in [false, true] {
            let to = Settings { swapped, ..to };
            let wave = sent(&from);
            let whole = receive(&wave, &to, Idle::Biased);
            let mut ear = Ear::new(to, Idle::Biased, 0);
            let mut pieces = Vec::new();
            for step in 0..4000u64 {
                pieces.extend(ear.hear(&wave, step * 7_919));
            }
            assert_eq!(pieces, whole, "{tx} to {rx}, swapped {swapped}");
        }
    }
}

// Kind: derived (11 bits of 1/9600 s: the sample of the stop bit is 10.5 bits after the edge)
#[test]
fn byte_is_complete_at_the_middle_of_its_stop_bit() {
    let line = settings("9600", "8E1");
    let heard = receive(&transmit(&[0x55], &line, 1_000), &line, Idle::Biased);
    assert_eq!((heard[0].began, heard[0].at), (1_000, 1_000 + 1_093_750));
    assert_eq!(line.characters(1).as_nanos(), 1_145_833);
}

// Kind: derived (the rules of the model, bit by bit)
#[test]
fn two_drivers_make_a_0_only_where_both_send_it() {
    let line = settings("9600", "8N1");
    let waves = [transmit(&[0x0f], &line, 1), transmit(&[0xf1], &line, 1)];
    let all = Wave::combined(&[&waves[0], &waves[1]]);
    let heard = receive(&all, &line, Idle::Biased);
    assert_eq!(heard.iter().map(|h| h.byte).collect::<Vec<_>>(), [0xff]);
    let swapped = Settings {
        swapped: true,
        ..line
    };
    let fought = Level::Fought;
    assert_eq!(all.level(line.halves(5)), fought);
    assert!(Ear::new(swapped, Idle::Biased, 0).reads(fought));
}

// Kind: derived (a spike as long as a bit turns that bit over, one in a silence is a start bit)
#[test]
fn spikes_flip_bits_and_make_bytes_out_of_silence() {
    let line = settings("9600", "8N1");
    let bit = line.halves(2);
    let mut wave = transmit(&[0x00], &line, 1);
    wave.disturb(3 * bit, 4 * bit);
    wave.disturb(40 * bit, 41 * bit);
    let heard = receive(&wave, &line, Idle::Biased);
    let bytes: Vec<u8> = heard.iter().map(|h| h.byte).collect();
    assert_eq!(bytes, [0x04, 0xff]);
    assert!(heard.iter().all(Heard::is_good));
}

// Kind: derived (a ring that ends before the middle of a bit changes nothing; one that lasts longer
// does)
#[test]
fn ringing_matters_only_where_it_lasts_to_the_middle_of_a_bit() {
    let line = settings("115200", "8N1");
    let bit = line.bit();
    let wave = transmit(&FRAME, &line, 10 * bit);
    let good = |lasts, round| {
        let heard = receive(&wave.ringing(lasts, round), &line, Idle::Biased);
        heard.iter().all(Heard::is_good) && heard.iter().map(|h| h.byte).eq(FRAME)
    };
    assert!(good(0, 0) && good(bit / 4, bit / 16));
    assert!(!good(bit, bit / 3));
}

// Kind:   published
// Source: termios(3): INPCK with PARMRK gives FF 00 X for a bad X, FF 00 00 for a break, FF FF for
//         a good FF; with neither PARMRK nor IGNPAR a bad byte reads as 00
#[test]
fn terminal_makes_of_a_bad_byte_what_the_manual_says() {
    let good = Heard {
        byte: 0xff,
        parity_error: false,
        framing_error: false,
        is_break: false,
        began: 0,
        at: 0,
    };
    let bad = Heard {
        byte: 0x41,
        parity_error: true,
        ..good
    };
    let heard = [good, bad, broken_from(9)];
    assert_eq!(
        Tty::Marked.read(&heard),
        [0xff, 0xff, 0xff, 0, 0x41, 0xff, 0, 0]
    );
    assert_eq!(Tty::Zeroed.read(&heard), [0xff, 0, 0]);
    assert_eq!(Tty::Dropped.read(&heard), [0xff, 0]);
    assert_eq!(Tty::Unchecked.read(&heard), [0xff, 0x41, 0]);
}

fn any_settings() -> impl Strategy<Value = Settings> {
    (
        300u32..200_000,
        -60_000i32..60_000,
        0u8..3,
        1u8..3,
        any::<bool>(),
    )
        .prop_map(|(baud, error_ppm, parity, stop_bits, swapped)| Settings {
            baud,
            error_ppm,
            parity: [Parity::None, Parity::Even, Parity::Odd][usize::from(parity)],
            stop_bits,
            swapped,
        })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    #[test]
    fn bytes_come_back_where_the_settings_understand_each_other(
        line in any_settings(), drift in -19_000i32..19_000, stops in 1u8..3,
        bytes in prop::collection::vec(any::<u8>(), 0..40), begins in 1u64..1u64 << 50,
    ) {
        let ear = Settings { error_ppm: line.error_ppm + drift, stop_bits: stops, ..line };
        prop_assume!(ear.understands(&line));
        let heard = receive(&transmit(&bytes, &line, begins), &ear, Idle::Floating);
        prop_assert!(heard.iter().all(Heard::is_good));
        prop_assert_eq!(heard.iter().map(|h| h.byte).collect::<Vec<_>>(), bytes);
    }

    #[test]
    fn any_noise_on_any_wave_is_heard_without_panic_and_in_order(
        from in any_settings(), to in any_settings(), biased: bool,
        bytes in prop::collection::vec(any::<u8>(), 0..20),
        spikes in prop::collection::vec((0u64..40_000_000, 0u64..3_000_000), 0..10),
    ) {
        let mut wave = Wave::combined(&[&transmit(&bytes, &from, 9), &transmit(&bytes, &to, 99_999)]);
        for (at, length) in spikes {
            wave.disturb(at, at + length);
        }
        prop_assert!(wave.edges().windows(2).all(|pair| pair[0].0 < pair[1].0));
        let idle = if biased { Idle::Biased } else { Idle::Floating };
        let heard = receive(&wave, &to, idle);
        prop_assert!(heard.windows(2).all(|pair| pair[0].at < pair[1].at));
    }
}
