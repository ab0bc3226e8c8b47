//! Any text as a place kept under a name: read or refused, never a panic.

#![no_main]

#[path = "../entries.rs"]
#[expect(dead_code, reason = "each target takes one of them")]
mod entries;

libfuzzer_sys::fuzz_target!(|text: &str| entries::place(text));
