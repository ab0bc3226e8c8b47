//! The parts: distinct evidence, the rate from runs of bits, the order of what to try next.

use super::*;

fn line(text: &str) -> LineSettings {
    text.parse().unwrap()
}

#[test]
fn accident_shrinks_with_every_different_frame() {
    // Kind:   derived
    // Source: (w / 65536)^n / n!
    assert!((accident(65_536, 2) - 0.5).abs() < 1e-12);
    assert!((accident(655, 3) - (655.0_f64 / 65_536.0).powi(3) / 6.0).abs() < 1e-12);
    assert!((accident(7, 0) - 1.0).abs() < 1e-12);
}

#[test]
fn chance_of_several_hits_counts_every_place() {
    // Kind:   derived
    // Source: two of three at 1/2, 1/4, 1/8: 1/2*1/4*7/8 + 1/2*3/4*1/8 + 1/2*1/4*1/8 + 1/2*1/4*1/8
    let chances = [0.5, 0.25, 0.125];
    assert!((at_least(2, &chances) - 12.0 / 64.0).abs() < 1e-12);
    assert!((at_least(3, &chances) - 1.0 / 64.0).abs() < 1e-12);
    assert!((at_least(0, &chances) - 1.0).abs() < 1e-12);
    assert!(at_least(4, &chances) < 1e-12);
}

#[test]
fn wrong_hypotheses_count_only_as_far_as_they_can_be_as_strong() {
    // Kind:   derived
    // Source: two hits of two at 1/64 are 1/4096; at 1/8 each it takes all three to be as strong
    let own = at_least(2, &[1.0 / 64.0; 2]);
    assert!((as_strong(own, &[1.0 / 64.0; 2]) - 1.0 / 4096.0).abs() < 1e-12);
    assert!((as_strong(1.0 / 512.0, &[0.125; 3]) - 1.0 / 512.0).abs() < 1e-12);
    assert_eq!(as_strong(own, &[0.125; 3]).to_bits(), 0.0_f64.to_bits());
    assert_eq!(as_strong(own, &[]).to_bits(), 0.0_f64.to_bits());
}

#[test]
fn same_frame_again_is_no_new_evidence() {
    // Kind: published
    // Source: V1.1b3, 6.3, request of three registers, sealed by independent libraries
    let request = [0x11, 0x03, 0x00, 0x6b, 0x00, 0x03, 0x76, 0x87];
    let found = explain(&Received::unmarked(&request.repeat(20)), line("9600-8N1"));
    assert_eq!((found.evidence.frames, found.evidence.different), (20, 1));
    assert_eq!(found.id(), "equivalent");
    assert!(!found.is_proven(), "{found:?}");
}

#[test]
fn mostly_zeros_ask_for_a_much_lower_rate_first() {
    // Kind:   derived
    // Source: tests/data/uart_vectors.txt, "tx 9600 8N1 rx 115200 8N1"
    let received = Received::unmarked(&[0; 64]);
    let next = next_settings(&received, line("115200-8N1"), &[]);
    assert_eq!(next.first(), Some(&line("9600-8N1")));
    let again = next_settings(&received, line("115200-8N1"), &[line("9600-8N1")]);
    assert!(!again.contains(&line("9600-8N1")), "{again:?}");
    assert!(!again.contains(&line("115200-8N1")), "{again:?}");
}

#[test]
fn runs_of_two_bits_ask_for_half_the_rate_first() {
    // Kind:   derived
    // Source: tests/data/uart_vectors.txt, "tx 9600 8N1 rx 19200 8N1"
    let heard = [0x06, 0x1e, 0, 0, 0, 0x98, 0x80, 0x66, 0xe6, 0xf8];
    let received = Received::unmarked(&heard);
    let next = next_settings(&received, line("19200-8N1"), &[]);
    assert_eq!(next.first(), Some(&line("9600-8N1")));
}

#[test]
fn every_setting_is_offered_once() {
    let next = next_settings(&[], line("9600-8E1"), &[]);
    let different: BTreeSet<LineSettings> = next.iter().copied().collect();
    assert_eq!(next.len(), BAUDS.len() * LAYOUTS.len() - 1);
    assert_eq!(different.len(), next.len());
}

#[test]
fn two_stop_bits_never_rule_out_one() {
    // Kind:   derived
    // Source: the second stop bit and an idle line have the same level
    let of = |text: &str| Hypothesis {
        settings: line(text),
        is_swapped: true,
    };
    let both = vec![of("57600-8N2"), of("57600-8N1")];
    assert_eq!(with_fewer_stop_bits(vec![of("57600-8N2")]), both);
    let one = vec![of("57600-8N1"), of("57600-8E1")];
    assert_eq!(with_fewer_stop_bits(one.clone()), one);
}
