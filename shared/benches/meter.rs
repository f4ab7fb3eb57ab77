//! What the meter chain costs over a long history.
//!
//! `cargo bench -p shared --bench meter`

use std::hint::black_box;

use divan::Bencher;
use divan::counter::{BytesCount, ItemsCount};
use sha2::{Digest, Sha256};
use shared::hours::{Hours, MS_PER_TENTH_HOUR};
use shared::meter::{MeterPoint, chain};

/// Readings.
const READINGS: i64 = 100_000;

fn main() {
    divan::main();
}

/// What the processor does in the same run: SHA-256 of 1 MiB. Every other median is told in this one.
#[divan::bench]
fn yardstick(bencher: Bencher<'_, '_>) {
    let mebibyte = vec![0x5a_u8; 1 << 20];
    bencher.counter(BytesCount::new(mebibyte.len())).bench(|| Sha256::digest(black_box(&mebibyte)));
}

/// The chain of 100,000 readings, of which every hundredth lost its decimal point.
#[divan::bench(sample_count = 10, sample_size = 1)]
fn chain_of_100_000(bencher: Bencher<'_, '_>) {
    let point = |n: i64| {
        let slip = if n % 100 == 99 { 10 } else { 1 };
        // The engine runs a third of the time: one tenth of an hour from one reading to the next.
        let meter = Hours::from_tenths((1_000 + n) * slip);
        MeterPoint { at_ms: n * 3 * MS_PER_TENTH_HOUR, meter, weight: 1, uncertainty_ms: n % 7 * 1_000 }
    };
    let points: Vec<MeterPoint> = (0..READINGS).map(point).collect();
    let off = chain(&points, &[]).feasible.iter().filter(|feasible| !**feasible).count();
    assert_eq!(off, 1_000, "the slips are off the chain, and nothing else");
    bencher.counter(ItemsCount::new(points.len())).bench_local(|| chain(black_box(&points), &[]));
}
