//! Public captures, made by others: every exchange in them is heard, and none that is not in them.
//!
//! Kind:   captured
//! Source: `tests/data/captures/README.md`

use std::collections::BTreeMap;
use std::fs;
use std::path::PathBuf;
use std::process::Command;
use std::time::Duration;

use packside::listen::{Conversation, Fate, Utterance};
use serde_json::Value;

/// Frames of an exchange.
type Pair = (Vec<u8>, Vec<u8>);

/// Name, exchanges with an answer, and of these such as bytes alone cannot join: a refusal of another
/// function than the one asked (by its number it belongs to the question), an answer that names another
/// register, and a question for the event counter with four bytes too many, which reads as an answer.
const CAPTURES: [(&str, usize, usize); 9] = [
    ("bro_big", 2773, 0),
    ("bro_fuzz72", 1, 1),
    ("bro_small", 16, 0),
    ("cisa_example", 24, 0),
    ("iti_mb2", 1783, 0),
    ("iti_modbus_test", 1113, 1),
    ("iti_modbus_test_2", 1592, 0),
    ("qd_part1", 16, 0),
    ("qd_part2", 140, 1),
];

fn file(name: &str, kind: &str) -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join(format!("tests/data/captures/{name}.{kind}"))
}

/// The bytes, and the exchanges in them that have an answer.
fn capture(name: &str) -> (Vec<u8>, Vec<Pair>) {
    let bytes = fs::read(file(name, "bin")).unwrap();
    let lengths = fs::read_to_string(file(name, "lengths")).unwrap();
    let mut at = 0;
    let mut cut = |length: &str| {
        let from = at;
        at += length.parse::<usize>().unwrap();
        bytes[from..at].to_vec()
    };
    let mut pairs = Vec::new();
    for line in lengths.lines() {
        let (request, answer) = line.split_once(' ').unwrap();
        pairs.push((cut(request), cut(answer)));
    }
    assert_eq!(at, bytes.len(), "{name}");
    pairs.retain(|(_, answer)| !answer.is_empty());
    (bytes, pairs)
}

/// Exchanges that are told as answered or refused.
fn heard(bytes: &[u8], chunk: usize) -> (Vec<Pair>, packside::listen::Summary) {
    let mut conversation = Conversation::new();
    let mut told = Vec::new();
    for bytes in bytes.chunks(chunk) {
        told.extend(conversation.take(Duration::ZERO, bytes));
    }
    told.extend(conversation.finish(Duration::ZERO));
    let pairs = told.into_iter().filter_map(|told| match told {
        Utterance::Exchange(exchange) => {
            let is_over = matches!(exchange.fate, Fate::Answered | Fate::Exception(_));
            is_over.then_some((exchange.request, exchange.answer))
        }
        Utterance::Noise { .. } => None,
    });
    (pairs.collect(), conversation.summary())
}

#[test]
fn every_exchange_of_the_public_captures_is_heard_and_none_is_invented() {
    for (name, answered, apart) in CAPTURES {
        let (bytes, truth) = capture(name);
        assert_eq!(truth.len(), answered, "{name}");
        for chunk in [1 << 20, 4096, 61, 1] {
            let (pairs, summary) = heard(&bytes, chunk);
            let mut left: BTreeMap<Pair, usize> = BTreeMap::new();
            for pair in &truth {
                *left.entry(pair.clone()).or_default() += 1;
            }
            for pair in &pairs {
                let in_truth = left.get_mut(pair).filter(|left| **left > 0);
                *in_truth.unwrap_or_else(|| panic!("{name}: invented {pair:02x?}")) -= 1;
            }
            println!(
                "{name}, chunks of {chunk}: {} of {answered}, invented 0",
                pairs.len()
            );
            assert_eq!(pairs.len(), answered - apart, "{name}, chunks of {chunk}");
            // Nobody damaged anything here.
            assert_eq!(
                (summary.damaged, summary.noise_bytes),
                (0, 0),
                "{name}: {summary:?}"
            );
        }
    }
}

#[test]
fn nothing_is_said_of_damage_or_settings_of_a_public_capture() {
    for (name, ..) in CAPTURES {
        let path = file(name, "bin");
        let output = Command::new(env!("CARGO_BIN_EXE_packside"))
            .args(["listen", "--format", "json", "--raw"])
            .arg(&path)
            .env_remove("PACKSIDE_CONFIG")
            .output()
            .unwrap();
        assert_eq!(output.status.code(), Some(0), "{name}");
        let text = String::from_utf8(output.stdout).unwrap();
        let summary: Value = serde_json::from_str(text.lines().last().unwrap()).unwrap();
        let pictures = summary["pictures"].as_array().unwrap();
        let ids: Vec<&str> = pictures
            .iter()
            .map(|one| one["id"].as_str().unwrap())
            .collect();
        assert!(!ids.contains(&"damaged"), "{name}: {ids:?}");
        // Nobody has told at which settings it was received.
        let words = summary["pictures"].to_string();
        assert!(
            !words.contains("8E1") && !words.contains("8N1"),
            "{name}: {words}"
        );
    }
}
