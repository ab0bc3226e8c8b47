//! What is fuzzed besides the entry points of the library, and what must hold for any input. The targets
//! take this file in, and so does `tests/it/fuzzed.rs`, which runs every one of them from seeds.
//!
//! Does not: need anything but what is public. A recording is sealed anew here, by the documented rule and
//! not by our code, so that the input gets past the hash.
//!
//! # Panics
//! Where an invariant does not hold: that is what a fuzzer looks for.

use std::sync::{Arc, LazyLock};
use std::time::Duration;

use packside::judge::Case;
use packside::recording::{Recording, read, read_from};
use packside::visit::{VisitStep, answers, steps};
use packside::wire::{Adu, Ask, ByteStamp, Framing, Question, Splitter};
use packside_profiles::model::{Profile, Table};
use packside_profiles::sunspec::{self, MARK_AT, Models, UnitAt, Walk, WalkAnswer, WalkStep};
use sha2::{Digest as _, Sha256};

/// The map that stands for any, read once: a fuzzer has better things to do.
static MAP: LazyLock<Arc<Profile>> = LazyLock::new(|| {
    let found = packside_profiles::find("generic-lv-rack", None);
    Arc::new(found.expect("shipped").profile)
});

static MODELS: LazyLock<Models> = LazyLock::new(|| sunspec::models().expect("shipped"));

/// Any bytes as a question, an answer to it, and a Modbus TCP frame.
pub(crate) fn wire(data: &[u8]) {
    let (head, rest) = data.split_at(data.len().min(6));
    let Some([unit, kind, from, count, ..]) = head.get(..4) else {
        return;
    };
    if let Some(ask) = Ask::from_pdu(*unit, rest) {
        assert_eq!(
            Ask::from_pdu(*unit, &ask.encode_pdu()),
            Some(ask),
            "a question comes back"
        );
    }
    let table = [Table::Coil, Table::Discrete, Table::Input, Table::Holding][usize::from(kind % 4)];
    let count = u16::from(*count % 125) + 1;
    let question = match kind >> 2 & 3 {
        0 => Question::ServerId,
        1 => Question::DeviceId {
            code: 1,
            object: *from,
        },
        2 => Question::Echo(u16::from(*from) << 8),
        _ => Question::Read {
            table,
            address: u16::from(*from),
            count,
        },
    };
    let ask = Ask {
        unit: *unit,
        question,
    };
    // Of itself a fuzzer hardly finds an answer that is one: here one is made now and then.
    let mut pdu = rest.to_vec();
    if kind & 0x80 != 0 {
        let length = u8::try_from(rest.len().min(250)).unwrap_or(0);
        pdu = [&[ask.function(), length], &rest[..usize::from(length)]].concat();
    }
    let _ = ask.decode(&pdu);
    let _ = Adu::read(rest);
    // Only reads can be said at all. Kind: published (Modbus Application Protocol V1.1b3, 6).
    assert!(matches!(ask.encode_rtu()[1], 1..=4 | 8 | 17 | 43));
}

/// Any bytes in any pieces to whoever asks: every byte in one span, in order.
pub(crate) fn splitter(data: &[u8]) {
    let Some((first, rest)) = data.split_first() else {
        return;
    };
    let framing = if first & 1 == 0 {
        Framing::Rtu
    } else {
        Framing::Tcp
    };
    let question = Question::Read {
        table: Table::Input,
        address: 0,
        count: u16::from(first >> 1 & 31) + 1,
    };
    let ask = Ask { unit: 1, question };
    let mut splitter = Splitter::new(framing);
    let (mut given, mut told) = (Vec::new(), Vec::new());
    let (mut pieces, mut millis) = (rest, 0);
    while let Some((length, after)) = pieces.split_first() {
        let (piece, left) = after.split_at(usize::from(*length).min(after.len()));
        pieces = left;
        let stamp = ByteStamp {
            at: Duration::from_millis(millis),
            during: None,
        };
        splitter.push(piece, stamp);
        given.extend_from_slice(piece);
        millis += 1;
        let expected = (length & 1 == 0).then_some((&ask, u16::from(*length)));
        while let Some(span) = splitter.next(expected, false) {
            told.extend(span.bytes);
        }
    }
    while let Some(span) = splitter.next(None, true) {
        told.extend(span.bytes);
    }
    assert_eq!(given, told, "every byte once, in order");
}

/// Any text as a register map.
pub(crate) fn profile(text: &str) {
    match packside_profiles::load(text, "any.toml") {
        Ok(profile) => {
            let id = &profile.profile.id;
            assert!(
                (1..=64).contains(&id.len()) && !id.contains(['/', '\\', '.']),
                "an id names a file: {id}"
            );
            let _ = steps(&profile);
            let case = Case::new(Some(Arc::new(profile)));
            let _ = case.verdict(case.moment());
        }
        Err(problems) => {
            assert!(!problems.list.is_empty());
            plain(&problems.to_string());
        }
    }
}

/// Any text as a scenario.
pub(crate) fn scenario(text: &str) {
    if let Err(error) = packside_simulator::Scenario::load(text, "any.toml") {
        plain(&error.to_string());
    }
}

/// Any lines as a recording whose chain fits: read, judged, compared.
pub(crate) fn recording(data: &[u8]) {
    let file = sealed(data);
    let read_at_once = read(&file);
    let by_two_threads = read_from(std::io::Cursor::new(&file)).expect("memory can be read");
    assert_eq!(read_at_once, by_two_threads, "both ways read the same");
    if let Ok(recording) = read_at_once {
        judged(&recording);
    }
    // As it is, without a chain that fits.
    if let Ok(recording) = read(data) {
        judged(&recording);
    }
}

fn judged(recording: &Recording) {
    let profile = &*MAP;
    let mut shown = 0_usize;
    let case = recording.replay(Some(profile), |_, told, case| {
        // A judgement costs milliseconds: the first ones show what later ones would.
        if shown < 3 {
            let _ = case.verdict(told.at);
        }
        shown += 1;
    });
    let _ = case.verdict(case.moment());
}

/// Lines sealed one behind the other, as the documented format says. A line that is no object stays.
pub(crate) fn sealed(data: &[u8]) -> Vec<u8> {
    let (mut file, mut before) = (Vec::new(), String::new());
    for line in data.split_inclusive(|byte| *byte == b'\n') {
        let line = line.strip_suffix(b"\n").unwrap_or(line);
        let Some(open) = line.strip_suffix(b"}") else {
            file.extend_from_slice(line);
            file.push(b'\n');
            continue;
        };
        let mut sha = Sha256::new();
        sha.update(&before);
        sha.update(line);
        let digest = sha.finalize();
        before = digest
            .iter()
            .take(8)
            .map(|byte| format!("{byte:02x}"))
            .collect();
        file.extend_from_slice(open);
        file.extend_from_slice(format!(",\"h\":\"{before}\"}}\n").as_bytes());
    }
    file
}

/// Any text as an answers file.
pub(crate) fn answers_file(text: &str) {
    static STEPS: LazyLock<Vec<VisitStep>> = LazyLock::new(|| steps(&MAP));
    let _ = answers::read(text, "answers.toml", &STEPS);
}

/// Any text as a place kept under a name.
pub(crate) fn place(text: &str) {
    let _ = packside::cli::any_place(text);
}

/// Any bytes as a register list: refused, or a draft that loads again as it was made.
pub(crate) fn register_list(data: &[u8]) {
    let Ok(drafted) = packside::table::draft(data, "any", "any", "2026-12-01") else {
        return;
    };
    let text = packside_profiles::draft_text(&drafted.profile);
    let again = packside_profiles::as_written(&text, "draft.toml");
    let again = again.unwrap_or_else(|why| panic!("a draft of ours loads: {why}\n{text}"));
    assert!(again == drafted.profile, "it loads as it was made:\n{text}");
}

/// Any registers as a unit that describes itself: the walk ends, and what becomes of it is a map that loads.
/// Gives whether there is one.
pub(crate) fn sunspec_chain(data: &[u8]) -> bool {
    let Some((&[mark, habits], rest)) = data.split_first_chunk() else {
        return false;
    };
    let start = MARK_AT[usize::from(mark) % MARK_AT.len()];
    let mut words = vec![0x5375, 0x6e53];
    let mut pairs = rest.chunks_exact(2);
    let mut pair = || {
        pairs
            .next()
            .map(|pair| u16::from_be_bytes([pair[0], pair[1]]))
    };
    if habits & 1 == 0 {
        words.extend(std::iter::from_fn(pair));
    } else {
        // Of itself a fuzzer hardly finds a chain: here the headers are right.
        while let Some(word) = pair() {
            let [which, repeats] = word.to_be_bytes();
            let Some(model) = MODELS.models.get(usize::from(which)) else {
                break;
            };
            let stride = model.block.as_ref().map_or(0, |block| block.stride);
            let length = model.length + stride * u16::from(repeats);
            words.extend([model.id, length]);
            words.extend((0..length).map(|_| pair().unwrap_or_default()));
        }
        words.extend([0xffff, 0]);
    }
    let mut walk = Walk::new(&MODELS);
    while let WalkStep::Read { address, count } = walk.next() {
        assert!((1..=125).contains(&count) && u32::from(address) + u32::from(count) <= 0x1_0000);
        let from = address.checked_sub(start).map(usize::from);
        let found = from.and_then(|from| words.get(from..from + usize::from(count)));
        walk.take(match found {
            Some(found) if habits & 4 == 0 || address % 7 != 3 => WalkAnswer::Words(found),
            Some(found) => WalkAnswer::Words(&found[1..]),
            None if habits & 2 == 0 => WalkAnswer::Refused,
            None => WalkAnswer::Nothing,
        });
        assert!(walk.asked() <= 2_500, "a walk ends");
    }
    let Some(chain) = walk.chain() else {
        return false;
    };
    assert!(chain.models.len() <= 600 && chain.words.len() <= 40_100);
    let line = "9600-8N1".parse().expect("a line setting");
    let Ok(text) = sunspec::map_of(&chain, UnitAt { unit: 1, line }) else {
        return false;
    };
    let loaded = packside_profiles::load(&text, "made");
    let profile = loaded.unwrap_or_else(|problems| panic!("a map of ours loads: {problems}"));
    let case = Case::new(Some(Arc::new(profile)));
    let _ = case.verdict(case.moment());
    true
}

/// An error stands still wherever it is shown.
fn plain(text: &str) {
    let acts = |c: char| c != '\n' && packside_profiles::foreign::acts(c);
    assert!(!text.chars().any(acts), "acts on a terminal: {text:?}");
    let longest = text.lines().map(|line| line.chars().count()).max();
    assert!(longest.unwrap_or(0) < 2_500, "echoes what it was given");
}
