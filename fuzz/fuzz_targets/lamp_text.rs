//! Any text as a description of a lamp and as a brightness trace: read or refused, never a panic.

#![no_main]

libfuzzer_sys::fuzz_target!(|text: &str| {
    let _ = packside::lamp::read_any_text(text);
});
