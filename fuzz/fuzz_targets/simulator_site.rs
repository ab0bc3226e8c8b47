//! Any bytes from any client, on the line or through a gateway: no panic, memory bounded.

#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    packside_simulator::any_clients(data);
});
