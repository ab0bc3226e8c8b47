//! Any text as an answers file: read or refused, never a panic.

#![no_main]

#[path = "../entries.rs"]
#[expect(dead_code, reason = "each target takes one of them")]
mod entries;

libfuzzer_sys::fuzz_target!(|text: &str| entries::answers_file(text));
