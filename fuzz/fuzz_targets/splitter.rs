//! Any bytes in any pieces to whoever asks: every byte in one span, in order, never a panic.

#![no_main]

#[path = "../entries.rs"]
#[expect(dead_code, reason = "each target takes one of them")]
mod entries;

libfuzzer_sys::fuzz_target!(|data: &[u8]| entries::splitter(data));
