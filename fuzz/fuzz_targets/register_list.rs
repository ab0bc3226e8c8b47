//! Any bytes as a maker's register list: a draft that loads again, or refused, never a panic.

#![no_main]

#[path = "../entries.rs"]
#[expect(dead_code, reason = "each target takes one of them")]
mod entries;

libfuzzer_sys::fuzz_target!(|data: &[u8]| entries::register_list(data));
