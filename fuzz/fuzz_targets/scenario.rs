//! Any text as a scenario: loaded, or refused in plain text, never a panic.

#![no_main]

#[path = "../entries.rs"]
#[expect(dead_code, reason = "each target takes one of them")]
mod entries;

libfuzzer_sys::fuzz_target!(|text: &str| entries::scenario(text));
