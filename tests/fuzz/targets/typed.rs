//! Fuzzes `any::typed`.
#![no_main]

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| thole_tests::any::typed(bytes));
