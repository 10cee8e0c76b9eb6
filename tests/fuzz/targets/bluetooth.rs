//! Fuzzes `any::bluetooth`.
#![no_main]

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| thole_tests::any::bluetooth(bytes));
