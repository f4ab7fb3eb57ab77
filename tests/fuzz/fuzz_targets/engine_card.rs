//! Fuzzes `tappet_fuzz::engine_card`.

#![no_main]

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| tappet_fuzz::engine_card::once(bytes));
