//! Fuzzes `tappet_fuzz::exchange_answer`.

#![no_main]

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| tappet_fuzz::exchange_answer::quickly(bytes));
