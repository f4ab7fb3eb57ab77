//! Fuzzes `tappet_fuzz::bundle`.

#![no_main]

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| tappet_fuzz::bundle::quickly(bytes));
