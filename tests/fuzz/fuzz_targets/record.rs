//! Fuzzes `tappet_fuzz::record`.

#![no_main]

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| tappet_fuzz::record::once(bytes));
