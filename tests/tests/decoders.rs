//! The kept corpora of the fuzzers, replayed: every file of `fixtures/fuzz` through its target, and the first corpus that
//! each target makes for itself. What a fuzzer once found stays found, without a fuzzer.

#![expect(clippy::unwrap_used, reason = "a test may panic")]

use std::fs;
use std::panic::catch_unwind;
use std::path::{Path, PathBuf};

#[path = "../fuzz/src/lib.rs"]
#[expect(unreachable_pub, reason = "the same files are a library of the fuzzers' own workspace")]
mod targets;

/// The most files, and bytes in them, that a target keeps here: a replay is part of every ordinary run.
const MOST_FILES: usize = 40;
const MOST_BYTES: u64 = 200_000;

fn corpora() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../fixtures/fuzz")
}

/// The files of a target's corpus, which has some and stays small.
fn corpus(target: &str) -> Vec<PathBuf> {
    let mut files: Vec<PathBuf> = fs::read_dir(corpora().join(target)).unwrap().map(|entry| entry.unwrap().path()).collect();
    files.sort();
    let bytes: u64 = files.iter().map(|file| fs::metadata(file).unwrap().len()).sum();
    assert!((1..=MOST_FILES).contains(&files.len()), "{target} keeps {} files", files.len());
    assert!(bytes <= MOST_BYTES, "{target} keeps {bytes} bytes");
    files
}

fn replay(target: &str, seeds: Vec<Vec<u8>>, once: fn(&[u8])) {
    for seed in seeds {
        once(&seed);
    }
    for file in corpus(target) {
        let bytes = fs::read(&file).unwrap();
        assert!(catch_unwind(|| once(&bytes)).is_ok(), "{target} does not hold after {}", file.display());
    }
}

#[test]
fn exchange_request() {
    replay("exchange_request", targets::exchange_request::seeds(), targets::exchange_request::once);
}

#[test]
fn exchange_answer() {
    replay("exchange_answer", targets::exchange_answer::seeds(), targets::exchange_answer::once);
}

#[test]
fn bundle() {
    replay("bundle", targets::bundle::seeds(), targets::bundle::once);
}

#[test]
fn record() {
    replay("record", vec![vec![2]], targets::record::once);
}

#[test]
fn tokens() {
    replay("tokens", targets::tokens::seeds(), targets::tokens::once);
}

#[test]
fn enrol() {
    replay("enrol", targets::enrol::seeds(), targets::enrol::once);
}

#[test]
fn engine_card() {
    replay("engine_card", targets::engine_card::seeds(), targets::engine_card::once);
}

#[test]
fn cli_args() {
    replay("cli_args", targets::cli_args::seeds(), targets::cli_args::once);
}

/// A corpus without a target would never be replayed.
#[test]
fn every_corpus_has_its_target() {
    let mut kept: Vec<String> = fs::read_dir(corpora()).unwrap().map(|e| e.unwrap().file_name().into_string().unwrap()).collect();
    kept.sort();
    assert_eq!(kept, ["bundle", "cli_args", "engine_card", "enrol", "exchange_answer", "exchange_request", "record", "tokens"]);
}
