//! Any bytes at any times as a conversation: counts agree, never a panic.

#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    packside::listen::any_conversation(data);
});
