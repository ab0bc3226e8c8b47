//! Any bytes in any chunks: every byte in exactly one piece, in order, memory bounded, never a panic.

#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    packside::listen::any_stream(data);
});
