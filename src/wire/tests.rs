//! Published frames, and what holds for any bytes.

use std::time::Duration;

use packside_profiles::model::Table;
use proptest::prelude::*;
use tokio_modbus::Response;
use tokio_modbus::bytes::Bytes;

use super::Framing;
use super::question::Counter;
use super::*;

fn hex(text: &str) -> Vec<u8> {
    let byte = |pair| u8::from_str_radix(pair, 16).unwrap();
    text.split_whitespace().map(byte).collect()
}

fn read(table: Table, address: u16, count: u16) -> Question {
    Question::Read {
        table,
        address,
        count,
    }
}

fn stamp(millis: u64) -> ByteStamp {
    ByteStamp {
        at: Duration::from_millis(millis),
        during: None,
    }
}

/// All spans of these chunks.
fn split(framing: Framing, chunks: &[&[u8]]) -> Vec<(SpanKind, Vec<u8>)> {
    let mut splitter = Splitter::new(framing);
    let mut spans = Vec::new();
    for (index, chunk) in chunks.iter().enumerate() {
        splitter.push(chunk, stamp(index as u64));
        spans.extend(std::iter::from_fn(|| splitter.next(None, false)));
        assert!(splitter.held() <= 264, "{} bytes held", splitter.held());
    }
    spans.extend(std::iter::from_fn(|| splitter.next(None, true)));
    assert_eq!(splitter.held(), 0);
    spans
        .into_iter()
        .map(|span| (span.kind, span.bytes))
        .collect()
}

fn check_request(question: Question, pdu: &str, crc_unit_1: &str, crc_unit_17: &str) {
    for (unit, crc) in [(0x01, crc_unit_1), (0x11, crc_unit_17)] {
        let ask = Ask { unit, question };
        let mut frame = vec![unit];
        frame.extend(hex(pdu));
        frame.extend(hex(crc));
        assert_eq!(ask.encode_rtu(), frame, "{question:?}");
        assert_eq!(
            split(Framing::Rtu, &[&frame]),
            [(SpanKind::Frame, frame.clone())]
        );
        assert!(is_request(&frame));
    }
}

fn check_answer(
    question: Question,
    pdu: &str,
    crc_unit_1: &str,
    crc_unit_17: &str,
    expected: Reply,
) {
    for (unit, crc) in [(0x01, crc_unit_1), (0x11, crc_unit_17)] {
        let ask = Ask { unit, question };
        let mut frame = vec![unit];
        frame.extend(hex(pdu));
        frame.extend(hex(crc));
        assert_eq!(
            split(Framing::Rtu, &[&frame]),
            [(SpanKind::Frame, frame.clone())]
        );
        assert_eq!(ask.decode(&hex(pdu)), Ok(expected.clone()), "{question:?}");
    }
}

// Kind:   published
// Source: Modbus Application Protocol V1.1b3, 6.1-6.4, 6.8, 6.21, 7 (PDU); CRC by independent
//         CRC libraries
#[test]
fn spec_v1_1b3_requests_encode_as_printed() {
    check_request(
        read(Table::Coil, 19, 19),
        "01 00 13 00 13",
        "8C 02",
        "8E 92",
    );
    check_request(
        read(Table::Discrete, 196, 22),
        "02 00 C4 00 16",
        "B8 39",
        "BA A9",
    );
    check_request(
        read(Table::Holding, 107, 3),
        "03 00 6B 00 03",
        "74 17",
        "76 87",
    );
    check_request(read(Table::Input, 8, 1), "04 00 08 00 01", "B0 08", "B2 98");
    check_request(Question::Echo(0xa537), "08 00 00 A5 37", "DA 8D", "D8 1D");
    check_request(
        read(Table::Coil, 0x04a1, 1),
        "01 04 A1 00 01",
        "AD 18",
        "AF 88",
    );
    let basic = Question::DeviceId { code: 1, object: 0 };
    check_request(basic, "2B 0E 01 00", "70 77", "B1 B4");
}

// Kind:   published
// Source: as above
#[test]
fn spec_v1_1b3_answers_decode_as_printed() {
    let bits = |bytes: &[u8], count: usize| {
        let all = bytes
            .iter()
            .flat_map(|b| (0..8).map(move |i| b >> i & 1 == 1));
        Reply::Answer(Answer::Bits(all.take(count).collect()))
    };
    let words = |words: &[u16]| Reply::Answer(Answer::Registers(words.to_vec()));
    let coils = read(Table::Coil, 19, 19);
    check_answer(
        coils,
        "01 03 CD 6B 05",
        "42 82",
        "40 12",
        bits(&[0xcd, 0x6b, 0x05], 19),
    );
    let inputs = read(Table::Discrete, 196, 22);
    check_answer(
        inputs,
        "02 03 AC DB 35",
        "22 88",
        "20 18",
        bits(&[0xac, 0xdb, 0x35], 22),
    );
    let holding = read(Table::Holding, 107, 3);
    let three = words(&[555, 0, 100]);
    check_answer(holding, "03 06 02 2B 00 00 00 64", "05 7A", "C8 BA", three);
    check_answer(
        read(Table::Input, 8, 1),
        "04 02 00 0A",
        "39 37",
        "F8 F4",
        words(&[10]),
    );
    let echo = Reply::Answer(Answer::Echo(0xa537));
    check_answer(
        Question::Echo(0xa537),
        "08 00 00 A5 37",
        "DA 8D",
        "D8 1D",
        echo,
    );
    let coil = read(Table::Coil, 0x04a1, 1);
    check_answer(coil, "81 02", "C1 91", "C0 54", Reply::Exception(2));
    check_answer(holding, "83 0A", "C1 37", "C0 F2", Reply::Exception(0x0a));
    check_answer(holding, "83 0B", "00 F7", "01 32", Reply::Exception(0x0b));
    let basic = Question::DeviceId { code: 1, object: 0 };
    check_answer(basic, "AB 01", "9E F0", "9F 35", Reply::Exception(1));
}

// Kind:   published
// Source: V1.1b3, 6.21, example with the length of the second object corrected (15 bytes are
//         printed, 0D is printed as their number); CRC for unit 01 by an independent library
#[test]
fn device_identification_example_decodes_with_the_erratum_corrected() {
    let pdu = hex(
        "2B 0E 01 01 00 00 03 00 16 43 6F 6D 70 61 6E 79 20 69 64 65 6E 74 69 66 69 63 61 74 69 \
         6F 6E 01 0F 50 72 6F 64 75 63 74 20 63 6F 64 65 20 58 58 02 05 56 32 2E 31 31",
    );
    assert_eq!(pdu.len(), 55);
    let question = Question::DeviceId { code: 1, object: 0 };
    let ask = Ask { unit: 1, question };
    let objects = vec![
        (0, b"Company identification".to_vec()),
        (1, b"Product code XX".to_vec()),
        (2, b"V2.11".to_vec()),
    ];
    let expected = Answer::DeviceId {
        conformity: 1,
        more: false,
        next: 0,
        objects,
    };
    assert_eq!(ask.decode(&pdu), Ok(Reply::Answer(expected)));
    let mut frame = vec![1];
    frame.extend(&pdu);
    let frame = sealed(frame);
    assert!(frame.ends_with(&[0xfc, 0x21]));
    assert_eq!(
        split(Framing::Rtu, &[&frame[..9], &frame[9..]]),
        [(SpanKind::Frame, frame)]
    );
    let mut printed = pdu.clone();
    printed[32] = 0x0d;
    assert!(ask.decode(&printed).is_err());
}

// Kind:   published
// Source: Modbus Messaging on TCP/IP V1.0b, 3.1.3, example request
#[test]
fn tcp_request_encodes_as_in_the_guide() {
    let question = read(Table::Holding, 4, 1);
    let frame = Ask {
        unit: 0xff,
        question,
    }
    .encode_tcp(0x1501);
    assert_eq!(frame, hex("15 01 00 00 00 06 FF 03 00 04 00 01"));
    assert_eq!(
        split(Framing::Tcp, &[&frame[..5], &frame[5..]]),
        [(SpanKind::Frame, frame.clone())]
    );
    let adu = Adu::read(&frame).unwrap();
    assert_eq!(
        (adu.transaction, adu.unit, adu.pdu.len()),
        (0x1501, 0xff, 5)
    );
}

// Kind:   published
// Source: V1.1b3, 6.8 (sub-functions), 6.13 (server id)
#[test]
fn counters_and_server_id_round_trip() {
    let ask = Ask {
        unit: 1,
        question: Question::Counter(Counter::BusErrors),
    };
    assert_eq!(ask.encode_pdu(), [0x08, 0x00, 0x0c, 0x00, 0x00]);
    let counter = Reply::Answer(Answer::Counter(0x1234));
    assert_eq!(ask.decode(&[0x08, 0x00, 0x0c, 0x12, 0x34]), Ok(counter));
    let ask = Ask {
        unit: 1,
        question: Question::ServerId,
    };
    assert_eq!(ask.encode_pdu(), [0x11]);
    let id = Reply::Answer(Answer::ServerId(vec![9, 0xff]));
    assert_eq!(ask.decode(&[0x11, 2, 9, 0xff]), Ok(id));
}

#[test]
fn err_answer_that_does_not_fit_says_what_was_expected() {
    let ask = Ask {
        unit: 1,
        question: read(Table::Holding, 0, 2),
    };
    let check = |pdu: &[u8], text: &str| assert_eq!(ask.decode(pdu).unwrap_err().to_string(), text);
    check(
        &[0x04, 4, 0, 1, 0, 2],
        "function code: expected 03 hex, found 04 hex",
    );
    check(&[0x03, 2, 0, 1], "byte count: expected 4, found 2");
    check(&[0x03, 4, 0, 1], "data: missing, the frame ends before it");
    check(
        &[0x03, 4, 0, 1, 0, 2, 0],
        "end of frame: expected here, found 1 more bytes",
    );
    check(&[0x83], "exception code: missing, the frame ends before it");
}

// Kind:   published
// Source: V1.1b3, section 7; code 07 and 09 are not in it
#[test]
fn exception_names_are_those_of_the_standard_and_unknown_ones_have_none() {
    assert_eq!(
        exception_name(0x0b),
        Some("gateway target device failed to respond")
    );
    assert_eq!(exception_name(0x07), None);
    assert_eq!(exception_name(0x09), None);
}

#[test]
fn splitter_finds_requests_and_answers_of_all_functions_between_noise() {
    let frames = [
        sealed(hex("01 05 00 AC FF 00")),
        sealed(hex("01 06 00 01 00 03")),
        sealed(hex("01 0F 00 13 00 0A 02 CD 01")),
        sealed(hex("01 10 00 01 00 02 04 00 0A 01 02")),
        sealed(hex("01 10 00 01 00 02")),
        sealed(hex("01 11")),
        sealed(hex("01 11 03 05 FF 00")),
        sealed(hex("01 16 00 04 00 F2 00 25")),
        sealed(hex("01 17 00 03 00 06 00 0E 00 01 02 00 FF")),
        sealed(hex("01 17 04 00 FE 0A CD")),
        sealed(hex("01 90 03")),
    ];
    let mut stream = Vec::new();
    for frame in &frames {
        stream.extend([0x00, 0xff, 0x7e]);
        stream.extend(frame);
    }
    let bytewise: Vec<&[u8]> = stream.chunks(1).collect();
    for chunks in [vec![stream.as_slice()], bytewise] {
        let spans = split(Framing::Rtu, &chunks);
        let found: Vec<Vec<u8>> = spans
            .into_iter()
            .filter(|(kind, _)| *kind == SpanKind::Frame)
            .map(|(_, b)| b)
            .collect();
        assert_eq!(found, frames);
    }
}

// Kind:   derived
// Source: CRC-16 over a valid frame leaves 0, and 0 stays 0 over a further byte 00
#[test]
fn splitter_keeps_the_last_byte_of_an_answer_whose_check_value_ends_in_00() {
    #[rustfmt::skip]
    let answer = [
        0x02, 0x03,             // unit, function
        0x04,                   // bytes that follow
        0xa5, 0x3e, 0x93, 0x04, // two registers
        0xe7, 0x00,             // check value
    ];
    for whole in [&answer[..8], &answer] {
        assert!(is_sealed(whole), "valid with and without its last byte");
    }
    let spans = split(Framing::Rtu, &[&answer]);
    assert_eq!(spans, [(SpanKind::Frame, answer.to_vec())]);
    // A request that the standard allows is believed, and the 00 behind it is noise.
    let question = read(Table::Holding, 0x0010, 2);
    let request = Ask { unit: 2, question }.encode_rtu();
    let spans = split(Framing::Rtu, &[&request, &[0]]);
    assert_eq!(
        spans,
        [(SpanKind::Frame, request), (SpanKind::Noise, vec![0])]
    );
}

fn any_chunks() -> impl Strategy<Value = Vec<Vec<u8>>> {
    // Mostly bytes that frames begin with, so that lengths are met.
    let byte = prop_oneof![3 => any::<u8>(), 2 => prop::sample::select(vec![0, 1, 3, 4, 6, 8, 0x0e, 0x11, 0x2b, 0x83])];
    let frame = prop::collection::vec(any::<u8>(), 0..40).prop_map(sealed);
    let chunk = prop_oneof![prop::collection::vec(byte, 0..300), frame];
    prop::collection::vec(chunk, 0..8)
}

proptest! {
    #[test]
    fn any_bytes_are_in_exactly_one_span(chunks in any_chunks(), tcp in any::<bool>(), count in 1_u16..4) {
        let framing = if tcp { Framing::Tcp } else { Framing::Rtu };
        let ask = Ask { unit: 1, question: read(Table::Holding, 0, count) };
        let mut splitter = Splitter::new(framing);
        let mut out = Vec::new();
        for chunk in &chunks {
            splitter.push(chunk, stamp(0));
            while let Some(span) = splitter.next(Some((&ask, 1)), false) {
                prop_assert!(!span.bytes.is_empty());
                out.extend(span.bytes);
            }
            prop_assert!(splitter.held() <= 264);
        }
        while let Some(span) = splitter.next(None, true) {
            out.extend(span.bytes);
        }
        prop_assert_eq!(out, chunks.concat());
    }

    #[test]
    fn any_bytes_decode_without_panic(pdu in prop::collection::vec(any::<u8>(), 0..260), code in any::<u8>()) {
        let questions = [
            read(Table::Coil, 0, 9), read(Table::Input, 0, 2), Question::Echo(7), Question::ServerId,
            Question::Counter(Counter::Naks), Question::DeviceId { code, object: 0 },
        ];
        for question in questions {
            let ask = Ask { unit: 1, question };
            let _ = ask.decode(&pdu);
            let mut own = vec![ask.function()];
            own.extend(&pdu);
            let _ = ask.decode(&own);
        }
    }

    #[test]
    fn read_answers_decode_as_an_independent_library_does(
        function in 1_u8..=4, data in prop::collection::vec(any::<u8>(), 1..=125),
    ) {
        let registers = function >= 3;
        let data = if registers { [data.clone(), data].concat() } else { data };
        let items = if registers { data.len() / 2 } else { data.len() * 8 };
        let table = [Table::Coil, Table::Discrete, Table::Holding, Table::Input][usize::from(function) - 1];
        let ask = Ask { unit: 1, question: read(table, 0, u16::try_from(items).unwrap()) };
        let mut pdu = vec![function, u8::try_from(data.len()).unwrap()];
        pdu.extend(&data);
        let theirs = match Response::try_from(Bytes::from(pdu.clone())).unwrap() {
            Response::ReadCoils(bits) | Response::ReadDiscreteInputs(bits) => Answer::Bits(bits),
            Response::ReadHoldingRegisters(words) | Response::ReadInputRegisters(words) => Answer::Registers(words),
            other => panic!("{other:?}"),
        };
        prop_assert_eq!(ask.decode(&pdu), Ok(Reply::Answer(theirs)));
    }

    #[test]
    fn exceptions_decode_as_an_independent_library_does(function in 1_u8..=4, code in any::<u8>()) {
        let table = [Table::Coil, Table::Discrete, Table::Holding, Table::Input][usize::from(function) - 1];
        let ask = Ask { unit: 1, question: read(table, 0, 1) };
        let pdu = vec![function | 0x80, code];
        prop_assert_eq!(ask.decode(&pdu), Ok(Reply::Exception(code)));
        if let Ok(theirs) = tokio_modbus::ExceptionResponse::try_from(Bytes::from(pdu)) {
            prop_assert_eq!(u8::from(theirs.exception), code);
        }
    }
}
