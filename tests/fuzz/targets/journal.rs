//! Fuzzes `bytes::journal`.
#![no_main]

#[path = "../../../server/tests/shell/anything/bytes.rs"]
mod bytes;

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| bytes::journal(bytes));
