//! What a stream of both directions is cut into.

use std::time::Duration;

use proptest::prelude::*;

use super::*;
use crate::wire::sealed;

type Told = (PieceKind, Vec<u8>);

/// All pieces of these chunks, read 20 ms apart.
fn heard(chunks: &[&[u8]]) -> Vec<Told> {
    let mut stream = Stream::new();
    let mut told = Vec::new();
    for (index, chunk) in chunks.iter().enumerate() {
        let at = Duration::from_millis(20 * index as u64);
        stream.feed(chunk, at, |piece| {
            told.push((piece.kind, piece.bytes.to_vec()))
        });
        assert!(stream.held() <= Stream::MOST_HELD, "{} held", stream.held());
    }
    stream.finish(|piece| told.push((piece.kind, piece.bytes.to_vec())));
    assert_eq!(stream.held(), 0);
    told
}

fn frame(body: &[u8]) -> Vec<u8> {
    sealed(body.to_vec())
}

const REQUEST: PieceKind = PieceKind::Request;
const ANSWER: PieceKind = PieceKind::Answer { answers: true };
const UNASKED: PieceKind = PieceKind::Answer { answers: false };
const NOISE: PieceKind = PieceKind::Noise;

/// A pair of each public function, the PDUs of the standard's examples under unit 17.
///
/// Kind:   published
/// Source: Modbus Application Protocol V1.1b3, section 6, the example of each function; 08 with
///         sub-function 00; device identification: basic, one object
pub(super) fn pairs() -> Vec<(Vec<u8>, Vec<u8>)> {
    let hex = |text: &str| {
        let byte = |pair| u8::from_str_radix(pair, 16).unwrap();
        frame(&[&[0x11], &*text.split(' ').map(byte).collect::<Vec<_>>()].concat())
    };
    [
        ("01 00 13 00 13", "01 03 cd 6b 05"),
        ("02 00 c4 00 16", "02 03 ac db 35"),
        ("03 00 6b 00 03", "03 06 02 2b 00 00 00 64"),
        ("04 00 08 00 01", "04 02 00 0a"),
        ("05 00 ac ff 00", "05 00 ac ff 00"),
        ("06 00 01 00 03", "06 00 01 00 03"),
        ("07", "07 6d"),
        ("08 00 00 a5 37", "08 00 00 a5 37"),
        ("0b", "0b ff ff 01 08"),
        ("0c", "0c 08 00 00 01 08 01 21 20 00"),
        ("0f 00 13 00 0a 02 cd 01", "0f 00 13 00 0a"),
        ("10 00 01 00 02 04 00 0a 01 02", "10 00 01 00 02"),
        ("11", "11 04 42 43 44 ff"),
        (
            "14 0e 06 00 04 00 01 00 02 06 00 03 00 09 00 02",
            "14 0c 05 06 0d fe 00 20 05 06 33 cd 00 40",
        ),
        (
            "15 0d 06 00 04 00 07 00 03 06 af 04 be 10 0d",
            "15 0d 06 00 04 00 07 00 03 06 af 04 be 10 0d",
        ),
        ("16 00 04 00 f2 00 25", "16 00 04 00 f2 00 25"),
        (
            "17 00 03 00 06 00 0e 00 03 06 00 ff 00 ff 00 ff",
            "17 0c 00 fe 0a cd 00 01 00 03 00 0d 00 ff",
        ),
        ("18 04 de", "18 00 06 00 02 01 b8 12 84"),
        ("2b 0e 01 00", "2b 0e 01 01 00 00 01 00 03 41 42 43"),
        ("01 04 a1 00 10", "81 02"),
        ("2b 0e 01 00", "ab 01"),
    ]
    .iter()
    .map(|(request, answer)| (hex(request), hex(answer)))
    .collect()
}

#[test]
fn stream_tells_request_and_answer_of_every_public_function() {
    for (request, answer) in pairs() {
        let kind = if answer[1] & 0x80 == 0 {
            ANSWER
        } else {
            PieceKind::Exception { answers: true }
        };
        let expected = vec![(REQUEST, request.clone()), (kind, answer.clone())];
        let both = [&*request, &*answer].concat();
        assert_eq!(heard(&[&request, &answer]), expected, "{both:02x?}");
        assert_eq!(heard(&[&both]), expected, "{both:02x?}");
        let bytes: Vec<&[u8]> = both.chunks(1).collect();
        assert_eq!(heard(&bytes), expected, "bytewise {both:02x?}");
    }
}

// Kind: derived (any order of the published pairs, one after the other)
#[test]
fn stream_of_all_functions_keeps_every_direction() {
    let pairs = pairs();
    let bytes: Vec<u8> = pairs
        .iter()
        .flat_map(|(r, a)| [r.clone(), a.clone()].concat())
        .collect();
    let told = heard(&bytes.chunks(5).collect::<Vec<_>>());
    let whole = pairs.iter().flat_map(|(r, a)| [r.clone(), a.clone()]);
    assert!(told.iter().map(|(_, bytes)| bytes.clone()).eq(whole));
    for (index, (kind, bytes)) in told.iter().enumerate() {
        assert_eq!(*kind == REQUEST, index % 2 == 0, "{bytes:02x?}");
    }
}

// Kind: invented
#[test]
fn address_that_looks_like_a_byte_count_is_settled_by_the_conversation() {
    // As an answer it would carry three bytes.
    let request = frame(&[9, 1, 0x03, 0x10, 0x00, 0x11]);
    let answer = frame(&[9, 1, 3, 0x00, 0x00, 0x11]);
    let told = heard(&[&request, &answer]);
    assert_eq!(told, [(REQUEST, request.clone()), (ANSWER, answer.clone())]);
    // Its request was damaged: what the next frame is decides.
    let mut damaged = frame(&[9, 1, 0x00, 0x20, 0x00, 0x11]);
    damaged[4] ^= 0x40;
    let next = frame(&[9, 4, 0x00, 0x08, 0x00, 0x01]);
    let told = heard(&[&damaged, &answer, &next]);
    let expected = [(NOISE, damaged), (UNASKED, answer), (REQUEST, next)];
    assert_eq!(told, expected);
}

// Kind: invented
#[test]
fn write_behind_a_damaged_copy_is_its_answer_unless_it_is_answered() {
    let write = frame(&[2, 6, 0, 1, 0, 3]);
    let mut damaged = write.clone();
    damaged[3] ^= 0x11;
    let next = frame(&[2, 4, 0, 8, 0, 1]);
    let told = heard(&[&damaged, &write, &next]);
    let expected = [
        (NOISE, damaged.clone()),
        (UNASKED, write.clone()),
        (REQUEST, next.clone()),
    ];
    assert_eq!(told, expected);
    let told = heard(&[&damaged, &write, &write, &next]);
    let expected = [
        (NOISE, damaged.clone()),
        (REQUEST, write.clone()),
        (ANSWER, write.clone()),
        (REQUEST, next.clone()),
    ];
    assert_eq!(told, expected);
    // Its answer was damaged: the copy behind it is a second try.
    let told = heard(&[&next, &write, &damaged, &write, &write]);
    let kinds: Vec<PieceKind> = told.iter().map(|(kind, _)| *kind).collect();
    assert_eq!(kinds, [REQUEST, REQUEST, NOISE, REQUEST, ANSWER]);
}

// Kind: invented
#[test]
fn lost_answer_and_lost_request_never_join_what_is_left() {
    let ask = frame(&[1, 3, 0, 100, 0, 2]);
    let other = frame(&[1, 3, 0, 200, 0, 2]);
    let mut lost = frame(&[1, 3, 4, 1, 2, 3, 4]);
    let answer = frame(&[1, 3, 4, 9, 9, 9, 9]);
    lost[4] ^= 1;
    let mut lost_request = other.clone();
    lost_request[7] ^= 1;
    let told = heard(&[&ask, &lost, &lost_request, &answer]);
    assert_eq!(told.last(), Some(&(UNASKED, answer.clone())));
    // Splinters that a driver leaves on the line do no harm.
    let told = heard(&[&ask, &[0xff, 0x00], &answer]);
    assert_eq!(told.last(), Some(&(ANSWER, answer)));
}

// Kind: derived (one byte 00 behind a valid frame makes a valid frame again)
#[test]
fn answer_whose_check_value_ends_in_00_is_kept_whole() {
    let ask = frame(&[2, 3, 0, 7, 0, 2]);
    let answer = [0x02, 0x03, 0x04, 0xa5, 0x3e, 0x93, 0x04, 0xe7, 0x00];
    let told = heard(&[&ask, &answer[..8], &answer[8..]]);
    assert_eq!(told, [(REQUEST, ask), (ANSWER, answer.to_vec())]);
    // Function 07 is asked in four bytes and answered in five.
    let ask = frame(&[1, 7]);
    let is_such = |status: &u8| frame(&[1, 7, *status])[4] == 0;
    let answer = frame(&[1, 7, (0..=255).find(is_such).unwrap()]);
    let told = heard(&[&ask, &answer[..4], &answer[4..]]);
    assert_eq!(told, [(REQUEST, ask), (ANSWER, answer)]);
}

// Kind: invented
#[test]
fn unknown_function_is_a_frame_between_frames_or_at_the_second_sight() {
    let ask = frame(&[1, 3, 0, 100, 0, 1]);
    let answer = frame(&[1, 3, 2, 1, 2]);
    let strange = frame(&[7, 0x65, 1, 2, 3, 4, 5]);
    let reply = frame(&[7, 0x65, 9]);
    let told = heard(&[&ask, &answer, &strange, &reply, &ask]);
    let kinds: Vec<PieceKind> = told.iter().map(|(kind, _)| *kind).collect();
    assert_eq!(
        kinds,
        [REQUEST, ANSWER, REQUEST, ANSWER, REQUEST],
        "unit and function come again: asked and answered"
    );
    assert_eq!(told[2].1, strange);
    // With noise behind it, only when it was seen before.
    let noise = [0x55, 0xaa, 0x55];
    let one = [&*strange, &noise].concat();
    let told = heard(&[&ask, &answer, &one, &ask, &answer, &one, &ask]);
    let unknown: Vec<usize> = (0..told.len())
        .filter(|i| told[*i].0 == PieceKind::Unknown)
        .collect();
    assert_eq!(unknown, [5], "{told:02x?}");
    assert_eq!(told[2], (NOISE, one));
}

// Kind: common practice (clients give up after half a second or more, units answer within 200 ms)
#[test]
fn copy_of_a_write_that_comes_late_is_a_second_try() {
    let write = frame(&[1, 6, 0, 8, 0, 9]);
    let ask = frame(&[1, 3, 0, 100, 0, 1]);
    let answer = frame(&[1, 3, 2, 1, 2]);
    let mut stream = Stream::new();
    let mut told = Vec::new();
    let mut give = |piece: Piece<'_>| told.push(piece.kind);
    let mut say = |frame: &[u8], millis| {
        stream.feed(frame, Duration::from_millis(millis), &mut give);
    };
    say(&write, 0);
    say(&write, 600);
    say(&write, 650);
    // A unit that is heard to answer after 400 ms may answer a write so late.
    say(&ask, 2000);
    say(&answer, 2400);
    say(&write, 3000);
    say(&write, 3600);
    assert_eq!(
        told,
        [REQUEST, REQUEST, ANSWER, REQUEST, ANSWER, REQUEST, ANSWER]
    );
}

// Kind: invented
#[test]
fn pause_ends_a_frame_that_stays_incomplete() {
    let mut stream = Stream::new();
    let answer = frame(&[1, 3, 100, 0, 0]);
    let ask = frame(&[1, 3, 0, 100, 0, 1]);
    let mut told = Vec::new();
    let mut give = |piece: Piece<'_>| told.push((piece.kind, piece.first));
    stream.feed(&answer, Duration::ZERO, &mut give);
    stream.feed(&ask, Duration::from_secs(5), &mut give);
    assert_eq!(
        told,
        [(NOISE, Duration::ZERO), (REQUEST, Duration::from_secs(5))]
    );
}

// Kind: derived (a window that begins at every byte would cost 255 bytes of CRC each)
#[test]
fn noise_made_of_long_headers_is_worked_through_and_bounded() {
    let bytes = [0x02, 0xfa].repeat(100_000);
    let mut stream = Stream::new();
    let mut count = 0;
    for chunk in bytes.chunks(1000) {
        stream.feed(chunk, Duration::ZERO, |piece| count += piece.bytes.len());
        assert!(stream.held() <= Stream::MOST_HELD);
    }
    stream.finish(|piece| count += piece.bytes.len());
    assert_eq!(count, bytes.len());
}

fn any_chunks() -> impl Strategy<Value = Vec<Vec<u8>>> {
    let byte = prop_oneof![3 => any::<u8>(), 2 => prop::sample::select(vec![0, 1, 3, 4, 6, 8, 0x0e, 0x11, 0x2b, 0x83])];
    let chunk = prop_oneof![
        3 => proptest::collection::vec(byte, 0..300),
        1 => (0usize..21, any::<bool>()).prop_map(|(index, answer)| {
            let (request, reply) = pairs()[index].clone();
            if answer { reply } else { request }
        }),
    ];
    proptest::collection::vec(chunk, 0..12)
}

proptest! {
    #[test]
    fn stream_gives_every_byte_once_in_order(chunks in any_chunks()) {
        let chunks: Vec<&[u8]> = chunks.iter().map(Vec::as_slice).collect();
        let told = heard(&chunks);
        let bytes: Vec<u8> = told.into_iter().flat_map(|(_, bytes)| bytes).collect();
        prop_assert_eq!(bytes, chunks.concat());
    }
}
