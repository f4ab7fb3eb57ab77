//! Fuzzes `tappet_fuzz::exchange_request`.

#![no_main]

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| tappet_fuzz::exchange_request::quickly(bytes));
