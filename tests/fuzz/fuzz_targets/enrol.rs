//! Fuzzes `tappet_fuzz::enrol`.

#![no_main]

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| tappet_fuzz::enrol::quickly(bytes));
