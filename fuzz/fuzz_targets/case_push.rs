//! Any events in any order at any times: nothing panics, what a case holds is bounded, pushed is replayed.

#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    packside::judge::any_events(data);
});
