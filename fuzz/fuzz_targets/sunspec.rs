//! Any registers as a unit that describes itself: the walk ends, its map loads, never a panic.

#![no_main]

#[path = "../entries.rs"]
#[expect(dead_code, reason = "each target takes one of them")]
mod entries;

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    entries::sunspec_chain(data);
});
