//! Fuzzes `any::session`.
#![no_main]

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| {
    thole_tests::any::session(bytes);
});
