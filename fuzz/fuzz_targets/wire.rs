//! Any bytes as a question, its answer and a Modbus TCP frame: read or refused, never a panic.

#![no_main]

#[path = "../entries.rs"]
#[expect(dead_code, reason = "each target takes one of them")]
mod entries;

libfuzzer_sys::fuzz_target!(|data: &[u8]| entries::wire(data));
