//! Every fuzz target from seeds: what lies in the repository, changed at random places.
//!
//! Kind of everything here: invented (seeded; `fuzz/run` lets a fuzzer choose instead).

use super::growing::numbers;

#[path = "../../fuzz/entries.rs"]
pub(crate) mod entries;

/// A text or bytes with some places changed, left out, doubled or exchanged.
fn changed(seed: u64, from: &[u8]) -> Vec<u8> {
    let mut next = numbers(seed);
    let mut data = from.to_vec();
    for _ in 0..1 + next() % 8 {
        let at = (next() as usize) % data.len().max(1);
        let end = (at + 1 + (next() as usize) % 40).min(data.len());
        match next() % 6 {
            0 if !data.is_empty() => data[at] ^= 1 << (next() % 8),
            1 => data.insert(at.min(data.len()), (next() & 0xff) as u8),
            2 => drop(data.drain(at.min(end)..end)),
            3 => {
                let part = data[at.min(end)..end].to_vec();
                let to = (next() as usize) % (data.len() + 1);
                data.splice(to..to, part);
            }
            4 => data
                .splice(at.min(end)..end, b"99999999999999999999".iter().copied())
                .for_each(drop),
            _ => data
                .splice(at.min(end)..end, "\u{202e}\u{1b}[2J\0".bytes())
                .for_each(drop),
        }
    }
    data
}

/// Hands changed samples to a target; seeds run on with `PACKSIDE_SEEDS=100000`.
fn fuzz(times: u64, samples: &[Vec<u8>], target: impl Fn(&[u8])) {
    let seeds = std::env::var("PACKSIDE_SEEDS").ok();
    let seeds = seeds.map_or(times, |text| text.parse().unwrap());
    samples.iter().for_each(|sample| target(sample));
    for seed in 0..seeds {
        let sample = &samples[(seed as usize) % samples.len()];
        // A panic names the seed by this, as the output of a test that passes is not shown.
        println!("seed {seed}");
        target(&changed(seed, sample));
    }
}

fn as_text(target: impl Fn(&str)) -> impl Fn(&[u8]) {
    move |data| target(&String::from_utf8_lossy(data))
}

fn files(folder: &str, suffix: &str, most: usize) -> Vec<Vec<u8>> {
    let entries = std::fs::read_dir(folder).unwrap();
    let mut paths: Vec<_> = entries.map(|entry| entry.unwrap().path()).collect();
    paths.retain(|path| packside_profiles::shown(path).ends_with(suffix));
    paths.sort();
    paths
        .iter()
        .take(most)
        .map(|path| std::fs::read(path).unwrap())
        .collect()
}

#[test]
fn wire_and_splitter_hold_for_any_bytes() {
    // Kind: published (Modbus Application Protocol V1.1b3, 6.3: example of a read and its answer)
    let read = b"\x01\x0c\x00\x02\x00\x00\x03\x00\x6b\x00\x03".to_vec();
    let answer = b"\x01\x8c\x00\x02\x00\x00\x02\x2b\x00\x00\x00\x64".to_vec();
    fuzz(20_000, &[read.clone(), answer.clone()], entries::wire);
    fuzz(20_000, &[read, answer], entries::splitter);
}

#[test]
fn maps_and_scenarios_are_read_or_refused_in_plain_text() {
    let maps = files("profiles/maps", ".toml", 2);
    fuzz(40, &maps, as_text(entries::profile));
    let scenarios = files("simulator/scenarios", ".toml", 40);
    fuzz(120, &scenarios, as_text(entries::scenario));
}

#[test]
fn recordings_sealed_anew_are_read_and_judged_or_refused() {
    let open = |file: Vec<u8>| {
        let text = String::from_utf8(file).unwrap();
        let lines = text.lines().take(60);
        let open: String = lines
            .map(|line| format!("{}}}\n", line.rsplit_once(",\"h\":\"").unwrap().0))
            .collect();
        open.into_bytes()
    };
    let visits: Vec<_> = files("tests/visits", ".visit.jsonl", 4)
        .into_iter()
        .map(open)
        .collect();
    let whole = packside::recording::read(&entries::sealed(&visits[0])).unwrap();
    assert_eq!(whole.lines, 60, "what was not changed gets past the hash");
    fuzz(60, &visits, entries::recording);
}

#[test]
fn answers_and_places_are_read_or_refused() {
    let answers = b"format = 1\n[answers]\nsite = \"yes\"\nearth = { answer = \"no\", note = \"n\" }\n[photos]\nnameplates = [\"a\"]\n";
    fuzz(100, &[answers.to_vec()], as_text(entries::answers_file));
    let place = b"format = 1\nunit = 1\ngateway = \"192.0.2.7\"\nframing = \"rtu\"\n";
    fuzz(5_000, &[place.to_vec()], as_text(entries::place));
}

#[test]
fn chains_of_models_end_and_become_maps_that_load() {
    let models = packside_profiles::sunspec::models().unwrap().models;
    // Kind: invented (each known model with two blocks, every word 1)
    let mut whole = vec![0, 1];
    for (which, model) in models.iter().enumerate() {
        let block = model.block.as_ref().map_or(0, |block| 2 * block.stride);
        whole.extend([u8::try_from(which).unwrap(), 2]);
        whole.extend([0, 1].repeat(usize::from(model.length + block)));
    }
    assert!(entries::sunspec_chain(&whole), "a bank becomes a map");
    let raw = b"\0\0\x03\x22\0\x3e\0\x01\xff\xff".to_vec();
    fuzz(400, &[whole, raw], |data| {
        entries::sunspec_chain(data);
    });
}

#[test]
fn register_lists_become_drafts_that_load_or_are_refused() {
    let lists: Vec<_> = [".csv", ".tsv", ".txt"]
        .iter()
        .flat_map(|suffix| files("tests/data/tables", suffix, 9))
        .collect();
    fuzz(300, &lists, entries::register_list);
}

/// What a fuzzer found once, kept as it was.
#[test]
fn what_was_found_once_holds() {
    let mut tried = 0;
    for folder in std::fs::read_dir("fuzz/regressions").unwrap() {
        let folder = folder.unwrap().path();
        for input in files(folder.to_str().unwrap(), "", usize::MAX) {
            println!("{}", packside_profiles::shown(&folder));
            run_target(folder.file_name().unwrap().to_str().unwrap(), &input);
            tried += 1;
        }
    }
    assert!(tried > 0);
}

fn run_target(name: &str, data: &[u8]) {
    let text = String::from_utf8_lossy(data);
    match name {
        "wire" => entries::wire(data),
        "splitter" => entries::splitter(data),
        "profile" => entries::profile(&text),
        "scenario" => entries::scenario(&text),
        "recording" => entries::recording(data),
        "register_list" => entries::register_list(data),
        "answers" => entries::answers_file(&text),
        "listen_stream" => packside::listen::any_stream(data),
        "listen_conversation" => packside::listen::any_conversation(data),
        "simulator_site" => packside_simulator::any_clients(data),
        "case_push" => packside::judge::any_events(data),
        other => panic!("no target {other}"),
    }
}
