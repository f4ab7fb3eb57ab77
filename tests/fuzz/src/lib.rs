//! The fuzz targets as plain functions, one file each: bytes in, and a panic where something does not hold.
//!
//! Two callers: the fuzzers of this folder (nightly), and `tests/tests/decoders.rs`, which replays the kept corpora with
//! the ordinary tests (stable). A target never only looks for panics: it says what must be true after any input.

#![forbid(unsafe_code)]
#![allow(dead_code, clippy::expect_used, reason = "each caller uses its own part; a target fails by panicking")]

pub mod bundle;
pub mod cli_args;
pub mod engine_card;
pub mod enrol;
pub mod exchange_answer;
pub mod exchange_request;
pub mod record;
pub mod tokens;

mod forge;
mod ground;
mod mutate;
mod script;
