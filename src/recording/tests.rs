//! Recordings whole, cut at every byte, and changed at random.

use std::path::PathBuf;
use std::time::Duration;

use packside_profiles::model::Table;

use super::*;
use crate::event::{AnswerValue, Consent, LinkFacts, LinkKind, Plugged, StepAnswer, What};
use crate::wire::Framing;
use crate::wire::question::Counter;
use crate::wire::{Ask, Question};

fn header() -> Header {
    Header {
        tool: "0.0.0".to_owned(),
        profile: Some(ProfileText {
            id: "invented".to_owned(),
            sha256: "00".to_owned(),
            text: "format = 1 # \"quoted\"\n".to_owned(),
        }),
        simulated_seed: Some(7),
    }
}

fn start() -> Start {
    Start {
        utc: "2026-11-25T10:00:00.000Z".to_owned(),
        offset_minutes: -90,
    }
}

/// One of every kind of line, and every question.
#[expect(clippy::too_many_lines, reason = "a table, one entry per kind")]
fn entries() -> Vec<Entry> {
    let line = "9600-8E1".parse().unwrap();
    let facts = |kind, framing, plugged| LinkFacts {
        kind,
        framing,
        plugged,
        consent: Consent::BOTH,
    };
    let port = LinkKind::Serial {
        port: "/dev/ttyÄ \"0\"".into(),
        line,
    };
    let gateway = LinkKind::Gateway {
        address: "[::1]:502".into(),
    };
    let simulated = LinkKind::Simulated {
        scenario: "hv-waiting".into(),
        line: Some(line),
    };
    let questions = [
        Question::Read {
            table: Table::Input,
            address: 0xffff,
            count: 1,
        },
        Question::Echo(0xa537),
        Question::Counter(Counter::Overruns),
        Question::ServerId,
        Question::DeviceId { code: 1, object: 0 },
    ];
    let asked = questions.into_iter().map(|question| What::Asked {
        exchange: 9,
        ask: Ask { unit: 17, question },
        transaction: Some(0xffff),
        deadline: Duration::from_nanos(u64::MAX),
    });
    let mut whats = vec![
        What::Opened(facts(port, Framing::Rtu, Some(Plugged::InsteadOfInverter))),
        What::Opened(facts(gateway, Framing::Tcp, None)),
        What::Opened(facts(simulated, Framing::Rtu, Some(Plugged::Service))),
        What::Out(vec![0, 0xff]),
        What::In(vec![]),
        What::Marked(vec![]),
        What::Marked(vec![0, 255]),
        What::DeadlinePassed { exchange: u32::MAX },
        What::Lost {
            why: "line\nbreak".into(),
        },
        What::Back,
        What::Listening(true),
        What::Clock("2026-11-25T10:00:00.000Z".to_owned()),
        What::Sighting {
            lamp: "fault".into(),
            pattern: "blinking".into(),
        },
        What::Mark("before switching off".into()),
        What::Answer(StepAnswer {
            step: "earth".into(),
            question: "Earth connected?".into(),
            value: AnswerValue::LeftOut,
            note: Some("cellar locked".into()),
        }),
        What::Photo {
            step: "nameplate".into(),
            file: "plate.jpg".into(),
            sha256: "ab".to_owned(),
        },
    ];
    whats.extend(asked);
    let event = |(n, what)| {
        Entry::Event(Event {
            at: Duration::from_nanos(n as u64 * 1_000_000_007),
            what,
        })
    };
    let mut entries: Vec<Entry> = whats.into_iter().enumerate().map(event).collect();
    entries.push(Entry::Unit("INV-1".into()));
    entries.push(Entry::Shown(Shown {
        at: Duration::from_nanos(1),
        tool: "0.0.0".to_owned(),
        verdict: "fault".into(),
        summary: "a \"fault\"".to_owned(),
        facts: Some(vec![ShownFact {
            id: "cell-over-voltage".to_owned(),
            unit: 1,
            module: Some(2),
            item: None,
            source: "measured".to_owned(),
        }]),
    }));
    entries.push(Entry::Afresh(true));
    entries
}

/// What a session of these entries is read as.
fn session_of(entries: &[Entry]) -> RecordedSession {
    let mut session = RecordedSession {
        start: start(),
        events: Events::default(),
        shown: Vec::new(),
        units: Vec::new(),
        afresh: Vec::new(),
        said: Vec::new(),
    };
    for entry in entries.iter().cloned() {
        match entry {
            Entry::Event(event) => session.events.push(event),
            Entry::Shown(shown) => session.shown.push((session.events.len(), shown)),
            Entry::Unit(serial) => session.units.push(serial),
            Entry::Afresh(on) => session.afresh.push(Afresh {
                on,
                events: session.events.len(),
                shown: session.shown.len(),
            }),
        }
    }
    session
}

/// Writes all of it; gives the folder, the path and the bytes.
fn written(seal: bool) -> (tempfile::TempDir, PathBuf, Vec<u8>) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("invented.visit.jsonl");
    let mut recorder = Recorder::create(&path, &header()).unwrap();
    recorder.session(&start()).unwrap();
    for entry in entries() {
        recorder.entry(&entry).unwrap();
    }
    if seal {
        recorder.seal().unwrap();
    }
    let bytes = std::fs::read(&path).unwrap();
    (folder, path, bytes)
}

#[test]
fn everything_written_is_read_back_the_same() {
    let (_folder, _, bytes) = written(true);
    let recording = read(&bytes).unwrap();
    assert_eq!(recording.header, Some(header()));
    assert_eq!(recording.missing, []);
    let [session] = recording.sessions.as_slice() else {
        panic!("one session")
    };
    assert_eq!(*session, session_of(&entries()));
    assert_eq!(recording.lines, 2 + entries().len() as u64 + 1);
}

// Kind:   derived
// Source: the format of the file: 16 hex digits of SHA-256(hash before, then the line without it),
//         computed here with coreutils: printf '%s' '{"a":1}' | sha256sum, then with the hash before it
#[test]
fn hash_of_a_line_is_the_one_of_an_independent_tool() {
    let mut chain = chain::Chain::default();
    assert_eq!(
        chain.seal("{\"a\":1}"),
        "{\"a\":1,\"h\":\"015abd7f5cc57a2d\"}"
    );
    assert_eq!(
        chain.seal("{\"b\":2}"),
        "{\"b\":2,\"h\":\"e0af6839171dbee9\"}"
    );
}

#[test]
fn file_cut_at_any_byte_opens_and_says_what_is_missing() {
    let (_folder, _, bytes) = written(true);
    let whole = read(&bytes).unwrap();
    for cut in 0..bytes.len() {
        let recording = read(&bytes[..cut]).unwrap_or_else(|e| panic!("cut at {cut}: {e}"));
        assert!(recording.missing.contains(&Missing::Seal), "cut at {cut}");
        let in_a_line = cut > 0 && bytes[cut - 1] != b'\n';
        let tail = matches!(recording.missing.first(), Some(Missing::Tail { .. }));
        assert_eq!(tail, in_a_line, "cut at {cut}");
        let lines = bytes[..cut].iter().filter(|b| **b == b'\n').count() as u64;
        assert_eq!(
            recording.lines, lines,
            "no whole line is lost, cut at {cut}"
        );
        if let Some(session) = recording.sessions.first() {
            assert!(
                session
                    .events
                    .iter()
                    .eq(whole.sessions[0].events.iter().take(session.events.len()))
            );
            assert!(whole.sessions[0].shown.starts_with(&session.shown));
        }
    }
}

#[test]
fn any_changed_byte_is_found_and_its_line_named() {
    let (_folder, _, bytes) = written(true);
    // Kind: invented (seed)
    let mut dice = 0x5eed_u64;
    for _ in 0..10_000 {
        dice = dice.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
        let at = (dice >> 33) as usize % bytes.len();
        let change = (dice >> 20).to_le_bytes()[0].max(1);
        let mut changed = bytes.clone();
        changed[at] ^= change;
        let line = 1 + bytes[..at].iter().filter(|b| **b == b'\n').count() as u64;
        let by_two_threads = read_from(std::io::Cursor::new(&changed)).unwrap();
        assert_eq!(by_two_threads, read(&changed));
        let named = match by_two_threads {
            Err(ReadError::NotARecording { .. }) => 1,
            Err(other) => panic!("byte {at}: {other}"),
            Ok(recording) => match recording.missing.first() {
                Some(Missing::Broken { line }) => {
                    assert_eq!(recording.lines + 1, *line, "up to the break");
                    *line
                }
                // Only the very last byte, the end of the seal's line, looks like a cut.
                Some(Missing::Tail { line, .. }) => *line,
                other => panic!("byte {at} changed, not found: {other:?}"),
            },
        };
        assert_eq!(named, line, "byte {at} by {change:#x}");
    }
}

// Kind: common practice (what mail programs and editors do to text files)
#[test]
fn mailed_file_is_read_and_named_and_not_added_to() {
    let (_folder, path, bytes) = written(true);
    let text = String::from_utf8(bytes).unwrap();
    let whole = read(text.as_bytes()).unwrap();
    for (mailed, missing) in [
        (text.replace('\n', "\r\n"), Missing::LineEnds),
        (format!("\u{feff}{text}"), Missing::ByteOrderMark),
    ] {
        let recording = read(mailed.as_bytes()).unwrap();
        assert_eq!(recording.missing, [missing]);
        assert_eq!(recording.sessions, whole.sessions);
        std::fs::write(&path, &mailed).unwrap();
        let refused = Recorder::go_on(&path, &header()).unwrap_err();
        assert!(matches!(refused, WriteError::Unfit { .. }), "{refused}");
        assert_eq!(std::fs::read(&path).unwrap(), mailed.as_bytes());
    }
}

#[test]
fn second_recorder_is_refused_while_the_first_one_writes() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("one.visit.jsonl");
    let first = Recorder::create(&path, &header()).unwrap();
    let refused = Recorder::go_on(&path, &header()).unwrap_err();
    assert!(matches!(refused, WriteError::Busy { .. }), "{refused}");
    drop(first);
    assert!(Recorder::go_on(&path, &header()).is_ok());
}

#[test]
fn going_on_takes_a_cut_line_off_and_keeps_the_rest() {
    let (_folder, path, bytes) = written(false);
    std::fs::write(&path, &bytes[..bytes.len() - 3]).unwrap();
    let (mut recorder, recording) = Recorder::go_on(&path, &header()).unwrap();
    let missing = recording.missing;
    assert!(matches!(missing[0], Missing::Tail { .. }), "{missing:?}");
    recorder.session(&start()).unwrap();
    recorder.seal().unwrap();
    let recording = read(&std::fs::read(&path).unwrap()).unwrap();
    assert_eq!(recording.missing, []);
    assert_eq!(recording.sessions.len(), 2);
    let all = entries();
    assert_eq!(recording.sessions[0], session_of(&all[..all.len() - 1]));
}

#[test]
fn recording_is_not_overwritten_nor_mixed_with_another_unit_or_map() {
    let (_folder, path, bytes) = written(false);
    let shown = packside_profiles::shown(&path);
    let error = Recorder::create(&path, &header()).unwrap_err();
    assert_eq!(
        error.to_string(),
        format!(
            "recording {shown}: it exists already; expected a new name, or --continue to add to it"
        )
    );
    let (mut recorder, _) = Recorder::go_on(&path, &header()).unwrap();
    let error = recorder.entry(&Entry::Unit("INV-2".into())).unwrap_err();
    assert_eq!(
        error.to_string(),
        format!("recording {shown}: it is about the unit INV-1, but INV-2 answers now")
    );
    drop(recorder);
    let mut other = header();
    other.profile = None;
    let error = Recorder::go_on(&path, &other).unwrap_err();
    assert_eq!(
        error.to_string(),
        format!(
            "recording {shown}: it was made with the register map invented (00), but none is given now"
        )
    );
    assert_eq!(std::fs::read(&path).unwrap(), bytes, "nothing was changed");
}

#[test]
fn err_what_is_no_recording_says_what_was_found() {
    assert_eq!(
        read(b"time,level\n0.0,1\n").unwrap_err().to_string(),
        "not a recording: expected the first line to be a packside.visit/1, found \"time,level\""
    );
    assert!(read(&[]).unwrap().header.is_none());
    assert_eq!(
        read(b"shopping list").unwrap_err().to_string(),
        "not a recording: expected the first line to be a packside.visit/1, found \"shopping list\""
    );
}

#[test]
fn file_of_somebody_else_is_not_taken_for_a_cut_recording() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("list.txt");
    std::fs::write(&path, "shopping list").unwrap();
    let error = Recorder::go_on(&path, &header()).unwrap_err().to_string();
    assert!(error.contains("not a recording"), "{error}");
    assert_eq!(std::fs::read(&path).unwrap(), b"shopping list");
}

#[test]
fn line_of_a_later_version_is_passed_over_and_said() {
    let mut chain = chain::Chain::default();
    let lines = [
        lines::header(&header()).to_string(),
        lines::start(&start()).to_string(),
        "{\"type\":\"smell\",\"of\":\"ozone\"}".to_owned(),
    ];
    let text: String = lines.iter().map(|l| chain.seal(l) + "\n").collect();
    let recording = read(text.as_bytes()).unwrap();
    let kind = "smell".into();
    assert_eq!(recording.missing[0], Missing::Unknown { line: 3, kind });
}
