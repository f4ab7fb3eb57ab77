//! Fuzzes `tappet_fuzz::tokens`.

#![no_main]

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| tappet_fuzz::tokens::once(bytes));
