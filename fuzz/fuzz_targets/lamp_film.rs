//! Any bytes as a film of lamps: read or refused, never a panic.

#![no_main]

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| {
    let _ = packside::lamp::read_any_film(bytes);
});
