//! Fuzzes `tappet_fuzz::cli_args`.

#![no_main]

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| tappet_fuzz::cli_args::quickly(bytes));
