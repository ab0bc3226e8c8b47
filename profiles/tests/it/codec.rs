//! Decoding and encoding: exact values, sentinels, and a round trip of every type.

use packside_profiles::codec::CodecError;
use packside_profiles::model::{Kind, Point};
use packside_profiles::{Decoded, Quality, Value, decode, encode, encode_raw};
use proptest::prelude::*;

use crate::{KINDS, point};

fn number(kind: &str, more: &str, words: &[u16]) -> f64 {
    match decode(&point(kind, more), words, 0).unwrap() {
        Decoded {
            value: Some(Value::Number(n)),
            quality: Quality::Good,
            ..
        } => n,
        other => panic!("{kind} {words:x?}: {other:?}"),
    }
}

fn quality(kind: &str, more: &str, words: &[u16]) -> Quality {
    decode(&point(kind, more), words, 0).unwrap().quality
}

// Kind: derived
// Note: two's complement and place values of the words, by hand
#[test]
fn whole_numbers_of_every_width_and_order_are_decoded() {
    assert_eq!(number("u16", "", &[0xfffe]), 65534.0);
    assert_eq!(number("i16", "", &[0xfffe]), -2.0);
    assert_eq!(number("u32", "", &[0x0001, 0x0002]), 65538.0);
    assert_eq!(
        number("u32", "order = \"low-first\"", &[0x0001, 0x0002]),
        131_073.0
    );
    assert_eq!(number("i32", "", &[0xffff, 0xfff6]), -10.0);
    assert_eq!(
        number("i32", "order = \"low-first\"", &[0xfff6, 0xffff]),
        -10.0
    );
    assert_eq!(number("u64", "", &[0, 1, 0, 0]), 4_294_967_296.0);
    assert_eq!(
        number(
            "i64",
            "order = \"low-first\"",
            &[0xfffb, 0xffff, 0xffff, 0xffff]
        ),
        -5.0
    );
    assert_eq!(number("u8-low", "", &[0x12f0]), 240.0);
    assert_eq!(number("u8-high", "", &[0x12f0]), 18.0);
    assert_eq!(number("i8-low", "", &[0x12f0]), -16.0);
    assert_eq!(number("i8-high", "", &[0x80f0]), -128.0);
}

// Kind:   published
// Source: IEEE 754-2019, binary32 and binary64: sign, biased exponent, fraction. 1.5 = 0x3fc00000,
//         -2 = 0xc0000000, 0.1 in double = 0x3fb999999999999a
#[test]
fn floats_are_decoded() {
    assert_eq!(number("f32", "", &[0x3fc0, 0x0000]), 1.5);
    assert_eq!(
        number("f32", "order = \"low-first\"", &[0x0000, 0xc000]),
        -2.0
    );
    assert_eq!(number("f64", "", &[0x3fb9, 0x9999, 0x9999, 0x999a]), 0.1);
}

// Kind: derived
// Note: 4123 x 0.1 = 412.3 exactly; 4123 as f64 x 0.1 as f64 would be 412.3 + 5.7e-14
#[test]
fn scale_and_offset_round_only_once() {
    assert_eq!(number("u16", "scale = 0.1", &[4123]), 412.3);
    assert_eq!(number("u16", "scale = 0.001", &[3272]), 3.272);
    assert_eq!(number("u16", "scale = 0.1\noffset = -40", &[653]), 25.3);
    assert_eq!(
        number("u16", "scale = 0.1\noffset = -273.15", &[2981]),
        24.95
    );
    assert_eq!(number("i16", "scale = 2.5", &[0xffff]), -2.5);
    let p = point("u16", "scale = 0.1");
    let at_power = |power| decode(&p, &[4123], power).unwrap().value;
    assert_eq!(at_power(-2), Some(Value::Number(4.123)));
    assert_eq!(at_power(2), Some(Value::Number(41230.0)));
    assert!(matches!(at_power(127), Some(Value::Number(n)) if n > 1e129));
    assert!(matches!(at_power(-128), Some(Value::Number(n)) if n > 0.0 && n < 1e-124));
}

// Kind: derived
#[test]
fn bcd_is_decoded_and_refuses_letters() {
    assert_eq!(number("bcd16", "", &[0x1999]), 1999.0);
    assert_eq!(number("bcd32", "", &[0x2026, 0x1125]), 20_261_125.0);
    let bad = decode(&point("bcd16", ""), &[0x19a9], 0).unwrap();
    assert_eq!(
        bad,
        Decoded {
            raw: 0x19a9,
            value: None,
            quality: Quality::OutOfRange
        }
    );
}

// Kind:   published
// Source: SunSpec not-implemented values as coded by pysunspec2 1.3.7: NaN for floats, all ones for
//         bit fields, NUL for strings
#[test]
fn contents_that_stand_for_nothing_are_not_available() {
    assert_eq!(quality("f32", "", &[0x7fc0, 0]), Quality::NotAvailable);
    assert_eq!(
        quality("f64", "", &[0x7ff8, 0, 0, 0]),
        Quality::NotAvailable
    );
    assert_eq!(quality("bits16", "", &[0xffff]), Quality::NotAvailable);
    assert_eq!(
        quality("bits32", "", &[0xffff, 0xffff]),
        Quality::NotAvailable
    );
    assert_eq!(quality("bits32", "", &[0xffff, 0xfffe]), Quality::Good);
    assert_eq!(
        quality("string", "registers = 2", &[0, 0]),
        Quality::NotAvailable
    );
    assert_eq!(
        quality("string", "registers = 2", &[0x2020, 0x2020]),
        Quality::NotAvailable
    );
    assert_eq!(
        quality("string", "registers = 2", &[0xffff, 0xffff]),
        Quality::NotAvailable
    );
    assert_eq!(
        quality("i16", "not_available = [32768]", &[0x8000]),
        Quality::NotAvailable
    );
    assert_eq!(
        quality("u16", "not_available = [65535]", &[0xffff]),
        Quality::NotAvailable
    );
    assert_eq!(quality("u16", "", &[0xffff]), Quality::Good);
}

// Kind: invented
#[test]
fn rails_and_impossible_values_are_out_of_range_with_their_value() {
    let more = "scale = 0.1\nrail = [32767]\nlimits = { possible = [-40, 120] }";
    let rail = decode(&point("i16", more), &[32767], 0).unwrap();
    assert_eq!(
        rail,
        Decoded {
            raw: 32767,
            value: Some(Value::Number(3276.7)),
            quality: Quality::OutOfRange
        }
    );
    assert_eq!(quality("i16", more, &[1201]), Quality::OutOfRange);
    assert_eq!(quality("i16", more, &[1200]), Quality::Good);
    assert_eq!(
        quality("f32", "", &[0x7f80, 0]),
        Quality::OutOfRange,
        "infinity"
    );
}

// Kind: derived
#[test]
fn slices_take_and_write_only_their_bits() {
    let p = point("u16", "bits = [4, 7]");
    assert_eq!(
        decode(&p, &[0xabcd], 0).unwrap().value,
        Some(Value::Number(12.0))
    );
    let mut words = [0xabcd];
    encode(&p, &Value::Number(3.0), 0, &mut words).unwrap();
    assert_eq!(words, [0xab3d]);
    assert_eq!(number("i16", "bits = [4, 7]", &[0xabfd]), -1.0);
    let mut half = [0xabcd];
    encode(&point("u8-high", ""), &Value::Number(1.0), 0, &mut half).unwrap();
    assert_eq!(half, [0x01cd]);
}

#[test]
fn text_is_decoded_without_padding_and_with_strange_bytes_marked() {
    let text = |words: &[u16]| {
        decode(&point("string", "registers = 2"), words, 0)
            .unwrap()
            .value
    };
    assert_eq!(
        text(&[0x4142, 0x0000]),
        Some(Value::Text("AB".to_owned().into()))
    );
    assert_eq!(
        text(&[0x4142, 0x2020]),
        Some(Value::Text("AB".to_owned().into()))
    );
    assert_eq!(
        text(&[0x41ff, 0x4200]),
        Some(Value::Text("A\u{fffd}B".to_owned().into()))
    );
}

// Kind: derived
// Note: 2^53 + 1 has no f64
#[test]
fn raw_of_a_wide_counter_keeps_every_digit() {
    let p = point("u64", "");
    let mut words = [0; 4];
    encode_raw(&p, (1 << 53) + 1, &mut words).unwrap();
    assert_eq!(decode(&p, &words, 0).unwrap().raw, (1 << 53) + 1);
}

#[test]
fn err_codec_says_what_does_not_fit() {
    let error = decode(&point("u32", ""), &[1], 0).unwrap_err();
    assert_eq!(error.to_string(), "p: expected 2 registers, found 1");
    for (kind, value) in [
        ("u16", Value::Number(65536.0)),
        ("u16", Value::Number(-1.0)),
        ("i16", Value::Number(-32769.0)),
        ("bcd16", Value::Number(10_000.0)),
        ("u16", Value::Number(f64::NAN)),
        ("f32", Value::Number(1e39)),
        ("u16", Value::Text("1".to_owned().into())),
        ("bits16", Value::Bits(0x1_0000)),
    ] {
        let mut words = vec![0; point(kind, "").width().into()];
        let error = encode(&point(kind, ""), &value, 0, &mut words).unwrap_err();
        assert!(matches!(error, CodecError::Range { .. }), "{kind}");
    }
}

#[test]
fn every_type_has_its_width() {
    for (name, kind) in KINDS {
        let p = point(
            name,
            if *kind == Kind::String {
                "registers = 3"
            } else {
                ""
            },
        );
        assert_eq!(p.kind, *kind);
        let words = vec![0; p.width().into()];
        assert!(decode(&p, &words, 0).is_ok(), "{name}");
    }
}

/// A point of any type with any word order, scale and offset.
fn any_point() -> impl Strategy<Value = Point> {
    let scale = prop::sample::select(vec!["1.0", "0.1", "0.01", "0.001", "2.5", "10.0", "-0.1"]);
    let offset = prop::sample::select(vec!["0", "-40", "-273.15", "1000"]);
    let order = prop::sample::select(vec!["high-first", "low-first"]);
    (prop::sample::select(KINDS.to_vec()), scale, offset, order).prop_map(
        |((name, kind), scale, offset, order)| {
            let more = match kind {
                Kind::String => "registers = 4".to_owned(),
                Kind::F32 | Kind::F64 => format!("order = \"{order}\""),
                _ => format!("order = \"{order}\"\nscale = {scale}\noffset = {offset}"),
            };
            point(name, &more)
        },
    )
}

proptest! {
    #[test]
    fn any_content_decodes_without_panic(p in any_point(), words in prop::collection::vec(any::<u16>(), 4), power: i8) {
        let width = usize::from(p.width());
        let decoded = decode(&p, &words[..width], power).unwrap();
        prop_assert_eq!(decoded.value.is_none() && p.kind != Kind::Bcd16 && p.kind != Kind::Bcd32, decoded.quality == Quality::NotAvailable);
    }

    // Above 2^53 the number has fewer digits than the registers, so wide ones get 48 bits here;
    // `encode_raw` is for the rest.
    #[test]
    fn what_was_decoded_encodes_to_the_same_registers(p in any_point(), raw: u64, power in -3i8..=3) {
        if p.kind == Kind::String {
            return Ok(());
        }
        let raw = match p.kind {
            Kind::U64 => raw >> 16,
            Kind::I64 => (raw.cast_signed() >> 16).cast_unsigned(),
            _ => raw & (u64::MAX >> (64 - p.raw_bits())),
        };
        let power = if matches!(p.kind, Kind::F32 | Kind::F64) { 0 } else { power };
        // The other half of the register belongs to another point and must stay.
        let mut words = vec![0x5a5a; p.width().into()];
        encode_raw(&p, raw, &mut words).unwrap();
        let Some(value) = decode(&p, &words, power).unwrap().value else { return Ok(()) };
        let mut written = vec![0x5a5a; p.width().into()];
        encode(&p, &value, power, &mut written).unwrap();
        prop_assert_eq!(written, words);
    }

    #[test]
    fn raw_written_is_raw_read(p in any_point(), raw: u64) {
        if p.kind == Kind::String {
            return Ok(());
        }
        let raw = raw & (u64::MAX >> (64 - p.raw_bits()));
        let mut words = vec![0x5a5a; p.width().into()];
        encode_raw(&p, raw, &mut words).unwrap();
        prop_assert_eq!(decode(&p, &words, 0).unwrap().raw, raw);
    }

    #[test]
    fn text_written_is_text_read(text in "[!-~]([ -~]{0,6}[!-~])?") {
        let p = point("string", "registers = 4");
        let mut words = [0x5a5a; 4];
        encode(&p, &Value::Text(text.clone().into()), 0, &mut words).unwrap();
        prop_assert_eq!(decode(&p, &words, 0).unwrap().value, Some(Value::Text(text.into())));
    }

    #[test]
    fn slice_written_leaves_all_other_bits(from in 0u8..32, more in 0u8..32, before: [u16; 2], raw: u64) {
        let to = (from + more).min(31);
        let p = point("u32", &format!("bits = [{from}, {to}]"));
        let mask = (u64::MAX >> (63 - (to - from))) << from;
        let raw = (raw << from & mask) >> from;
        let mut words = before;
        encode_raw(&p, raw, &mut words).unwrap();
        let whole = |words: [u16; 2]| u64::from(words[0]) << 16 | u64::from(words[1]);
        prop_assert_eq!(whole(words) & !mask, whole(before) & !mask);
        prop_assert_eq!(decode(&p, &words, 0).unwrap().raw, raw);
    }
}
